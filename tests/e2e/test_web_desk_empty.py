"""A wall without a picture: an empty project gets everything at the desk alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import shapely
from desk_browser import Server, open_desk, ready, saved, workplace

from facademap.store.project import Project


def test_an_empty_project_gets_its_picture_at_the_desk_alone(chromium: Any, tmp_path: Path) -> None:
    """Photo, coordinates, picked points, the last of them by keys alone; then the rectified wall lies where it should."""
    with (
        Project.create(tmp_path / "mill", name="Mill, yard side") as project,
        project.edit(who="sample", what="a surface") as edit,
    ):
        edit.insert("elevations", [{"id": "yard", "name": "Yard side", "building": "Mill"}])
        edit.insert("surfaces", [{"id": "plane", "elevation": "yard", "name": "Main plane"}])
        hatch = shapely.box(3.2, 1.8, 3.9, 2.3)
        edit.insert("openings", [{"id": "O-1", "surface": "plane", "geometry": hatch}])
    corners = np.array([[180, 620], [980, 590], [940, 130], [220, 180]], np.float32)
    rng = np.random.default_rng(5)
    photo = np.clip(rng.normal(150, 12, (760, 1120, 3)), 0, 255).astype(np.uint8)
    cv2.fillPoly(photo, [corners.astype(np.int32)], (120, 160, 185), cv2.LINE_AA)
    for x, y in corners.astype(int).tolist():
        cv2.circle(photo, (x, y), 9, (20, 20, 20), -1, cv2.LINE_AA)
    cv2.imwrite(str(tmp_path / "wall.jpg"), photo, [cv2.IMWRITE_JPEG_QUALITY, 95])
    (tmp_path / "points.csv").write_text(
        "Name;u_m;v_m;Role\na;0;0;control\nb;4;0;control\nc;4;2,4;control\nd;0;2,4;control\n",
        encoding="utf-8",
    )
    server = Server(tmp_path / "mill").start()
    try:
        page, watch = open_desk(chromium, server)
        page.get_by_role("button", name="To Control").click()
        files = page.locator(".control-list input[type=file]")
        files.first.set_input_files(tmp_path / "wall.jpg")
        page.locator(".control-list select[aria-label=Photo]").wait_for(timeout=20_000)
        files.last.set_input_files(tmp_path / "points.csv")
        page.locator(".points tbody tr").nth(3).wait_for(timeout=60_000)
        assert page.get_by_role("button", name="Rectify").is_enabled()
        page.wait_for_timeout(800)
        view = page.locator(".control-photo .map").bounding_box()
        scale = min((view["width"] - 20) / 1120, (view["height"] - 20) / 760)
        left, top = (
            view["x"] + (view["width"] - 1120 * scale) / 2,
            view["y"] + (view["height"] - 760 * scale) / 2,
        )
        page.locator(".points tbody tr").first.click()
        for x, y in corners[:3].tolist():
            page.mouse.click(left + (x + 0.5) * scale, top + (y + 0.5) * scale)
            page.wait_for_timeout(400)
        saved(page)
        # the last one with the arrow keys: the photo goes under the cross in the middle
        page.locator(".control-photo .map").focus()
        away = [
            round((float(corners[3][0]) + 0.5 - 560) * scale),
            round((380 - float(corners[3][1]) - 0.5) * scale),
        ]
        for by, less, more in (
            (away[0], "ArrowLeft", "ArrowRight"),
            (away[1], "ArrowDown", "ArrowUp"),
        ):
            for _ in range(abs(by) // 30):
                page.keyboard.press(f"Shift+{more if by > 0 else less}")
            for _ in range(abs(by) % 30):
                page.keyboard.press(more if by > 0 else less)
        page.keyboard.press("Enter")
        saved(page)
        with Project.open(tmp_path / "mill", read_only=True) as project:
            seen = (
                project.read("observations")
                .merge(
                    project.read("control_points")[["id", "name"]],
                    left_on="control_point",
                    right_on="id",
                )
                .set_index("name")
            )
        for name, place in zip("abcd", corners, strict=True):
            assert (seen.at[name, "x_px"], seen.at[name, "y_px"]) == pytest.approx(
                tuple(float(v) for v in place), abs=1.6
            )
        page.get_by_label("One pixel is, mm").fill("5")
        panel = page.locator(".control-list")
        assert "Exact by construction, not proved: add a point." in panel.inner_text()
        assert "0.0 mm" not in panel.inner_text()
        # an extent drawn on the photo that leaves the hatch off: told in the look, and not used
        page.get_by_role("button", name="Draw the extent").click()
        # the keys have brought the last point into the middle
        left = view["x"] + view["width"] / 2 - (float(corners[3][0]) + 0.5) * scale
        top = view["y"] + view["height"] / 2 - (float(corners[3][1]) + 0.5) * scale
        for x, y in ((250, 580), (600, 250)):
            page.mouse.click(left + (x + 0.5) * scale, top + (y + 0.5) * scale)
            page.wait_for_timeout(400)
        assert float(page.get_by_label("To u, m").input_value()) == pytest.approx(2.16, abs=0.05)
        look = page.get_by_role("dialog")
        page.get_by_role("button", name="Rectify", exact=True).click()
        # jobs give way to people: on a busy machine a look may take its time
        look.get_by_text("1 of Openings would lie outside the picture: O-1").wait_for(
            timeout=120_000
        )
        look.get_by_role("button", name="Back").click()
        with Project.open(tmp_path / "mill", read_only=True) as project:
            assert project.row("surfaces", "plane")["picture"] is None
        page.get_by_role("button", name="As the points lie").click()
        page.get_by_role("button", name="Rectify", exact=True).click()
        look.get_by_text("exact by construction, not proved").first.wait_for(timeout=120_000)
        assert "would lie outside" not in look.inner_text()
        with page.expect_navigation(timeout=60_000):
            look.get_by_role("button", name="Use it").click()
        ready(page)
        # a point that is deleted goes with its pick, and comes back with it
        page.get_by_role("button", name="Delete point d").click()
        saved(page)
        with Project.open(tmp_path / "mill", read_only=True) as project:
            assert [len(project.read(n)) for n in ("control_points", "observations")] == [3, 3]
        page.keyboard.press("Control+z")
        saved(page)
        with Project.open(tmp_path / "mill", read_only=True) as project:
            assert [len(project.read(n)) for n in ("control_points", "observations")] == [4, 4]
        with Project.open(tmp_path / "mill", read_only=True) as project:
            row = project.row("surfaces", "plane")
        assert row["picture"]
        assert row["gsd_m"] == pytest.approx(0.005)
        workplace(page, "1")  # a page read again stays at its workplace
        page.locator("#tab-layers").click()
        assert "5.00 mm a pixel" in page.locator(".surfaces").inner_text()
        assert not watch.faults
        page.context.close()
    finally:
        server.kill()
