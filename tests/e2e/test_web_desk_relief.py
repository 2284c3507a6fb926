"""The relief of a wall at the desk: looked at and cut, and what was not measured is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import desk_sample
import numpy as np
import pytest
import shapely
from axe import axe_script
from desk_browser import Server, on_wall, open_desk, saved
from desk_sample import HEIGHT_M, SURFACE
from playwright.sync_api import expect

from facademap.io.relief_files import open_relief_writer
from facademap.store.project import Project
from facademap.tasks.survey.depths import measure_depths
from facademap.tasks.survey.kept_reliefs import sections_of
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_project(tmp_path_factory.mktemp("relief") / "wall", many=8, blocks=0)


def _keep_a_relief(folder: Path) -> None:
    """A face in the plane with a hollow of 20 mm about its middle, and a place of which nothing is known."""
    grid = PixelGrid(left_m=0.0, top_m=HEIGHT_M, gsd_m=0.02, width_px=600, height_px=360)
    out_m = np.zeros((360, 600), np.float32)
    out_m[140:220, 240:360] = -0.020
    out_m[300:310, 100:110] = np.nan
    with Project.open(folder) as project:
        path = project.place("elevations/r.tif")
        with open_relief_writer(path, grid, crs_wkt=wall_crs("w", "w")) as writer:
            writer.write_rows(0, out_m, np.where(np.isfinite(out_m), 0.001, np.nan))
        kept = {"path": "elevations/r.tif", "survey": "3", "taken_on": "2026-05-01"}
        kept |= {"source": "photos", "cell_m": 0.02, "sha256": "ab" * 32}
        kept |= {"note": "made for a trial, not measured"}
        with project.edit(who="t", what="relief") as edit:
            edit.update("surfaces", SURFACE, {"reliefs": [kept]})


def test_the_relief_is_looked_at_and_cut_along_a_line_that_the_drawings_keep(
    chromium: Any, server: Server, folder: Path
) -> None:
    _keep_a_relief(folder)
    page, watch = open_desk(chromium, server)
    page.locator("#tab-layers").click()
    page.check("#relief-on")
    expect(page.locator(".relief .legend")).to_be_visible()
    expect(page.locator(".relief .warn")).to_contain_text("made for a trial, not measured")
    page.locator(".wall").get_by_text("Measure", exact=True).click()
    for x in (0.4, 0.7):
        page.mouse.click(*on_wall(page, x, 0.5))
        page.wait_for_timeout(60)
    page.keyboard.press("Enter")
    section = page.locator(".readout .section")
    expect(section).to_contain_text("standard deviation 1 mm")
    # the hollow is as deep as it is
    expect(section.locator("text").filter(has_text="-20")).to_have_count(1)
    page.click("#keep-section")
    saved(page)
    assert _sections(folder) == ["A"]
    assert not watch.faults
    page.context.close()


def test_a_measured_depth_enters_the_record_when_a_person_takes_it(
    chromium: Any, server: Server, folder: Path
) -> None:
    _keep_a_relief(folder)
    with Project.open(folder) as project, project.edit(who="t", what="a loss") as edit:
        edit.insert(
            "conditions",
            [
                {
                    "id": "C-hollow",
                    "surface": SURFACE,
                    "term": "missing part",
                    "depth_m": 0.004,
                    "geometry": shapely.box(4.82, 2.82, 7.18, 4.38),
                }
            ],
        )
    measure_depths(folder, store=True)
    page, watch = open_desk(chromium, server)
    page.locator("#tab-list").click()
    page.locator(".list input[type=search]").fill("C-hollow")
    page.locator(".list tbody button", has_text="C-hollow").first.click()
    page.locator("#tab-record").click()
    record = page.locator(".warn", has_text="Measured from the relief")
    expect(record).to_contain_text("made for a trial, not measured")
    record.get_by_role("button", name="as the greatest depth").click()
    saved(page)
    with Project.open(folder, read_only=True) as project:
        row = project.row("conditions", "C-hollow")
    assert row["depth_m"] == pytest.approx(0.022, abs=0.003)
    assert (row["depth_from"], row["depth_confirmed_by"]) == ("measured", "M. Reed")
    assert not watch.faults
    page.context.close()


def test_a_gauge_is_kept_read_and_held_against_its_own_limit(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server)
    page.evaluate(axe_script())
    page.get_by_role("button", name="Repairs").first.click()
    part = page.locator("section.watch")
    part.get_by_text("Gauges", exact=False).first.click()
    part.get_by_role("button", name="Keep a gauge").click()
    form = part.locator("form.lead")
    form.get_by_role("button", name="At the middle").click()
    form.get_by_label("Change that is too much, mm").fill("2")
    form.get_by_role("button", name="Keep a gauge").click()
    gauge = part.locator("li").first
    expect(gauge).to_contain_text("not read yet")
    for day, shown in (("2025-01-10", "1.0"), ("2025-06-10", "3.5")):
        gauge.get_by_role("button", name="Enter a reading").click()
        form = gauge.locator("form.lead")
        form.get_by_label("It shows, mm").fill(shown)
        form.get_by_label("Day").fill(day)
        form.get_by_role("button", name="Enter a reading").click()
        expect(gauge.locator("circle")).to_have_count(1 if shown == "1.0" else 2)
    # 2.5 ± 0.28 mm surely is more than 2; its rate is held against a value that nobody set
    expect(gauge).to_contain_text("beyond the limit")
    expect(gauge).to_contain_text("changed +2.50 ± 0.28 mm, limit 2.00")
    with Project.open(folder, read_only=True) as project:
        (row,) = project.read("gauges").to_dict("records")
        assert (row["limit_m"], row["geometry"] is None) == (0.002, False)
        assert len(project.read("gauge_readings")) == 2
    part.get_by_text("Looks at what was repaired").click()
    part.get_by_role("button", name="Enter a look").click()
    form = part.locator("form.lead")
    form.get_by_label("What was looked at").fill(SURFACE)
    form.get_by_label("What it came to").select_option("worse")
    form.get_by_label("By whom").fill("Ada")
    form.get_by_role("button", name="Enter a look").click()
    expect(part).to_contain_text("worse, Ada")
    found = page.evaluate("axe.run(document.querySelector('section.watch'))")
    assert [v["id"] for v in found["violations"]] == []
    assert not watch.faults
    page.context.close()


def _sections(folder: Path) -> list[str]:
    with Project.open(folder, read_only=True) as project:
        return [name for name, _ in sections_of(project.row("surfaces", SURFACE))]
