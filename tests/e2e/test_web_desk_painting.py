"""The picture of the outlines in a real browser: painted again only where something was changed, and asked for once."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import cv2
import desk_sample
import numpy as np
import pytest
import shapely
from desk_browser import Server, open_desk, saved, until

from facademap.store.project import Project


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    # enough that the whole wall counts as crowded, and a part of it does not
    made = desk_sample.make_project(
        tmp_path_factory.mktemp("painting") / "wall", many=4500, blocks=0
    )
    with Project.open(made) as project, project.edit(who="sample", what="frames") as edit:
        edit.insert(
            "conditions",
            [
                {
                    "id": f"C-9{k}",
                    "surface": desk_sample.SURFACE,
                    "term": "contour scaling",
                    "family": "B",
                    "cc": 0,
                    "geometry": shape,
                }
                for k, shape in enumerate(FRAMES)
            ],
        )
    return made


def ring(u: float, v: float, half: float, *, turned: bool = False) -> list[tuple[float, float]]:
    corners = [
        (u - half, v - half),
        (u + half, v - half),
        (u + half, v + half),
        (u - half, v + half),
    ]
    return corners[::-1] if turned else corners


#: Square frames below the wall: the hole drawn against its outline, along it, and a frame with a square of its own in the hole.
FRAMES = [
    shapely.Polygon(ring(2, -2.6, 0.4), [ring(2, -2.6, 0.22, turned=True)]),
    shapely.Polygon(ring(6, -2.6, 0.4, turned=True), [ring(6, -2.6, 0.22, turned=True)]),
    shapely.MultiPolygon(
        [
            shapely.Polygon(ring(10, -2.6, 0.4), [ring(10, -2.6, 0.22)]),
            shapely.Polygon(ring(10, -2.6, 0.1, turned=True)),
        ]
    ),
]


def painted(page: Any) -> np.ndarray:
    """The picture of the outlines, with its transparency, once nothing is being painted any more."""
    for _ in range(2):
        until(page, "document.documentElement.dataset.drawn === 'yes'")
        page.wait_for_timeout(300)
    text = page.evaluate("document.querySelector('.painted canvas').toDataURL()")
    rgba = cv2.imdecode(
        np.frombuffer(base64.b64decode(text.split(",")[1]), np.uint8), cv2.IMREAD_UNCHANGED
    ).astype(float)
    # by what is seen of it, since the colour of what is nearly clear says nothing
    rgba[..., :3] *= rgba[..., 3:] / 255
    return rgba


def painted_anew(page: Any) -> np.ndarray:
    """The same picture after all of it was painted again."""
    page.click("#tab-layers")
    for _ in range(2):
        page.locator("label.check", has_text="Openings").click()
        until(page, "document.documentElement.dataset.drawn === 'yes'")
    return painted(page)


def differs(a: np.ndarray, b: np.ndarray) -> int:
    return int((np.abs(a - b).max(axis=-1) > 24).sum())


@pytest.mark.parametrize("nearer", [0, 4])
def test_only_what_was_changed_is_painted_again(chromium: Any, server: Server, nearer: int) -> None:
    page, watch = open_desk(chromium, server)
    page.locator(".wall .map").first.focus()
    for _ in range(nearer):
        page.keyboard.press("+")
        page.wait_for_timeout(350)
    box = page.locator(".wall .map").first.bounding_box()
    x, y = box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.5
    before = painted(page)
    page.keyboard.press("p")
    for dx, dy in ((0, 0), (70, 0), (70, 60), (0, 60)):
        page.mouse.click(x + dx, y + dy)
        page.wait_for_timeout(80)
    page.keyboard.press("Enter")
    # a person says what it is: here the term that is offered
    page.keyboard.press("Enter")
    saved(page)
    drawn = painted(page)
    assert differs(before, drawn) > 300
    page.keyboard.press("e")
    page.wait_for_timeout(500)
    page.mouse.move(x + 70, y + 60)
    page.mouse.down()
    page.mouse.move(x + 110, y + 90, steps=4)
    page.mouse.up()
    saved(page)
    moved = painted(page)
    assert differs(drawn, moved) > 300
    # an edge that the canvas cuts off is smoothed a little differently
    assert differs(moved, painted_anew(page)) < 40
    page.locator(".wall .map").first.focus()
    page.keyboard.press("Escape")
    page.keyboard.press("Control+z")
    page.keyboard.press("Control+z")
    saved(page)
    assert differs(before, painted(page)) < 40
    assert not watch.faults
    page.context.close()


def test_the_large_table_is_asked_for_once_and_before_the_page_runs(
    chromium: Any, server: Server
) -> None:
    page, watch = open_desk(chromium, server)
    asked = page.evaluate(
        "performance.getEntriesByType('resource').map((e) => [e.name.replace(location.origin, ''), e.startTime, e.transferSize])"
    )
    tables = [(begun, size) for path, begun, size in asked if path == "/api/packed/conditions"]
    assert len([size for _, size in tables if size > 0]) == 1
    assert tables[0][0] < min(begun for path, begun, _ in asked if path == "/api/project")
    assert not watch.faults
    page.context.close()


def test_holes_stay_open_in_a_crowd_whichever_way_round_they_were_drawn(
    chromium: Any, server: Server
) -> None:
    page, watch = open_desk(chromium, server)
    alpha = painted(page)[..., 3]
    # each frame stands by itself below everything else
    _, _, boxes, _ = cv2.connectedComponentsWithStats((alpha > 0).astype(np.uint8))
    lowest = sorted(boxes[1:], key=lambda b: -(b[1] + b[3]))[: len(FRAMES)]
    for k, (left, top, wide, high, _) in enumerate(sorted(lowest, key=lambda b: b[0])):
        assert abs(wide - high) <= 2
        assert wide > 30
        across = alpha[top + high // 2, left : left + wide]
        rim, middle = across[: round(wide * 0.2)], across[round(wide * 0.42) : round(wide * 0.58)]
        between = across[round(wide * 0.3) : round(wide * 0.34)]
        assert (rim[2:] > 20).all(), FRAMES[k]
        assert (between == 0).all(), FRAMES[k]
        assert (middle > 20).all() if k == 2 else (middle == 0).all(), FRAMES[k]
    assert not watch.faults
    page.context.close()
