"""Stories of assisted outlines in a real browser on a real server."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import desk_sample
import numpy as np
import pytest
import shapely
from desk_browser import Server, open_desk, saved, until

from facademap.store.project import Project


@pytest.fixture
def undrawn(tmp_path: Path) -> tuple[Path, Any]:
    """A project whose wall stones are not drawn, and what they are."""
    folder = desk_sample.make_project(tmp_path / "sample", many=8, blocks=2)
    with Project.open(folder) as project:
        stones, conditions = project.read("wall_stones"), project.read("conditions")
        with project.edit(who="ann", what="clear") as edit:
            for table, names in (("conditions", conditions["id"]), ("wall_stones", stones["id"])):
                for name in names:
                    edit.delete(table, name)
    return folder, stones


def _on_screen(page: Any, u: float, v: float) -> tuple[float, float]:
    """Where a place of the wall is seen, by what the desk reads out at two places."""
    box = page.locator(".wall .map").first.bounding_box()
    seen, told = [], []
    for share in (0.4, 0.6):
        seen.append((box["x"] + box["width"] * share, box["y"] + box["height"] * share))
        page.mouse.move(*seen[-1])
        page.wait_for_timeout(200)
        told.append(
            [
                float(number)
                for number in re.findall(
                    r"[uv] (-?[\d.]+) m", page.locator(".readout .at").inner_text()
                )
            ]
        )
    return tuple(
        seen[0][i] + (wanted - told[0][i]) * (seen[1][i] - seen[0][i]) / (told[1][i] - told[0][i])
        for i, wanted in enumerate((u, v))
    )


def test_a_stroke_along_a_course_gives_stones_that_a_person_confirms(
    chromium: Any, undrawn: tuple[Path, Any]
) -> None:
    folder, stones = undrawn
    server = Server(folder).start()
    try:
        page, watch = open_desk(chromium, server)
        page.keyboard.press("b")
        until(page, "document.querySelector('.readout .hint').textContent.includes('course')")
        course = stones[stones["course"] == int(stones["course"].median())].sort_values("number")
        for k, number in enumerate((2, 5)):
            middle = course.geometry.iloc[number].centroid
            (page.mouse.dblclick if k else page.mouse.click)(*_on_screen(page, middle.x, middle.y))
            page.wait_for_timeout(400)
        until(page, "document.querySelector('.sheet .warn')?.textContent.includes('proposed')")
        page.get_by_role("button", name="Confirm outline").click()
        saved(page)
        assert watch.faults == []
        with Project.open(folder, read_only=True) as project:
            found = project.read("wall_stones")
        assert len(found) >= 2
        assert set(found["origin"]) == {"assisted"}
        assert set(found["confirmed_by"]) == {"M. Reed"}
        best = [
            max(g.intersection(t).area / g.union(t).area for t in stones.geometry)
            for g in found.geometry
        ]
        # how well courses are found is tested where they are found; here, that the stones come back in the right place
        assert np.median(best) > 0.7
        assert shapely.union_all(found.geometry.buffer(-0.002)).area == pytest.approx(
            found.geometry.buffer(-0.002).area.sum(), rel=0.01
        )
    finally:
        server.kill()
