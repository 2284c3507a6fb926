"""Stories of assisted outlines in a real browser on a real server."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import desk_sample
import numpy as np
import pytest
import rasterio
import shapely
from desk_browser import Server, open_desk, saved, until
from rasterio.features import rasterize

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


def _keep_only(folder: Path, table: str, names: set[str]) -> None:
    with Project.open(folder) as project, project.edit(who="ann", what="clear") as edit:
        for name in set(project.read(table)["id"]) - names:
            edit.delete(table, name)


def test_a_damage_that_is_clicked_waits_as_a_guess_and_further_clicks_belong_to_it(
    chromium: Any, tmp_path: Path
) -> None:
    folder = desk_sample.make_project(tmp_path / "sample", many=4, blocks=2)
    _keep_only(folder, "conditions", set())
    patch = shapely.affinity.scale(shapely.Point(5.3, 5.0).buffer(0.3), 1, 0.7)
    with Project.open(folder, read_only=True) as project:
        picture = project.place(str(project.read("surfaces")["picture"].iloc[0]))
    with rasterio.open(picture, "r+") as dataset:
        inside = rasterize([patch], out_shape=dataset.shape, transform=dataset.transform) > 0
        bands = dataset.read()
        rng = np.random.default_rng(2)
        for k in range(3):
            bands[k][inside] = np.clip(
                bands[k][inside] * 0.3 + rng.normal(8, 6, inside.sum()), 0, 255
            )
        dataset.write(bands)
    server = Server(folder).start()
    try:
        page, watch = open_desk(chromium, server)
        page.keyboard.press("a")

        def click(u: float, v: float, key: str = "") -> None:
            at = _on_screen(page, u, v)
            if key:
                page.keyboard.down(key)
            with page.expect_response("**/api/assist/damage") as answer:
                page.mouse.click(*at)
            if key:
                page.keyboard.up(key)
            assert answer.value.status == 200
            page.wait_for_timeout(300)

        click(5.3, 5.0)
        offer = page.locator(".naming .offer")
        offer.wait_for()
        # nobody said that it is one: a guess is not what was chosen last time
        assert "guessed from the picture" in offer.inner_text()
        click(5.75, 5.0, "Alt")
        click(5.2, 5.1, "Shift")
        assert page.locator(".naming h2").inner_text().endswith("(1)")
        guess = offer.locator("strong").inner_text()
        page.keyboard.press("Enter")
        saved(page)
        with Project.open(folder, read_only=True) as project:
            [row] = project.read("conditions").to_dict("records")
        assert (row["term"], row["origin"]) == (guess, "assisted")
        assert "a guess" in row["note"]
        found = row["geometry"]
        assert found.intersection(patch).area / found.union(patch).area > 0.7
        assert watch.faults == []
    finally:
        server.kill()


def test_a_corner_that_is_dragged_lands_on_the_joint_that_is_seen(
    chromium: Any, tmp_path: Path
) -> None:
    folder = desk_sample.make_project(tmp_path / "sample", many=4, blocks=2)
    with Project.open(folder, read_only=True) as project:
        stones = project.read("wall_stones")
    far = stones.geometry.centroid
    one = stones[
        (far.x - 5).abs() + (far.y - 5).abs() == ((far.x - 5).abs() + (far.y - 5).abs()).min()
    ]
    name, truth = str(one["id"].iloc[0]), one.geometry.iloc[0]
    _keep_only(folder, "conditions", set())
    _keep_only(folder, "wall_stones", {name})
    left, bottom, right, top = truth.bounds
    short = shapely.Polygon(
        [(left, bottom), (right, bottom), (right - 0.12, top - 0.1), (left, top)]
    )
    with Project.open(folder) as project, project.edit(who="ann", what="short") as edit:
        edit.update("wall_stones", name, {"geometry": short})
    server = Server(folder).start()
    try:
        page, watch = open_desk(chromium, server)
        page.mouse.click(*_on_screen(page, (left + right) / 2, (bottom + top) / 2))
        page.keyboard.press("z")
        page.wait_for_timeout(800)
        with page.expect_response("**/api/assist/joints"):
            page.keyboard.press("e")
        page.wait_for_timeout(300)
        page.mouse.move(*_on_screen(page, right - 0.12, top - 0.1))
        page.mouse.down()
        # the hand stops short of the corner of the stone in both directions
        page.mouse.move(*_on_screen(page, right - 0.02, top - 0.02), steps=8)
        page.mouse.up()
        saved(page)
        with Project.open(folder, read_only=True) as project:
            moved = project.row("wall_stones", name)["geometry"]
        corner = min(
            shapely.Point(c).distance(shapely.Point(right, top)) for c in moved.exterior.coords
        )
        assert corner < 0.012
        assert watch.faults == []
    finally:
        server.kill()
