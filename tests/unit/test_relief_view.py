"""A relief to look at: sections are its cells, colours lie where it lies, contours where it passes a step."""

from __future__ import annotations

import csv
import io
import sys
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import rasterio
from PIL import Image
from pypdf import PdfReader

from facademap.errors import InputError
from facademap.io.relief_files import open_relief_writer
from facademap.relief.build import Relief
from facademap.relief.contours import contour_lines, nice_range
from facademap.relief.section import section_along
from facademap.report.relief_picture import ReliefLook, relief_colours, relief_png
from facademap.store.project import Project
from facademap.tasks.desk.reliefs import heights_of_relief, reliefs_to_look_at
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.survey.keep_section import forget_section, keep_section
from facademap.tasks.survey.kept_reliefs import reliefs_of, sections_of
from facademap.tasks.survey.show_relief import show_relief
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from small_wall import make_wall

GRID = PixelGrid(left_m=1.0, top_m=3.0, gsd_m=0.01, width_px=120, height_px=80)


def _relief() -> Relief:
    """A face that rises 20 mm a metre to the right, with a pit of 40 mm and a place of which nothing is known."""
    u = np.broadcast_to((np.arange(120) + 0.5) * 0.01, (80, 120))
    out = (0.020 * u).astype(np.float32)
    out[30:50, 40:60] -= 0.040
    out[60:70, 90:110] = np.nan
    return Relief(
        grid=GRID,
        out_m=out,
        sigma_m=np.where(np.isfinite(out), 0.001, np.nan).astype(np.float32),
    )


def test_a_section_is_the_cells_that_its_line_crosses() -> None:
    found = section_along(_relief(), (1.05, 2.6), (2.15, 2.6))
    assert found.along_m[-1] == pytest.approx(1.10)
    expected = 0.020 * (found.place_m[:, 0] - 1.0) - np.where(
        (found.place_m[:, 0] > 1.4) & (found.place_m[:, 0] < 1.6), 0.040, 0.0
    )
    inner = np.abs((found.place_m[:, 0] - 1.4) % 0.2) > 0.011
    # nothing is interpolated: a place is at most half a cell from the middle of its cell
    np.testing.assert_allclose(found.out_m[inner], expected[inner], atol=0.00012)
    gap = section_along(_relief(), (1.85, 2.35), (2.15, 2.35))
    assert np.isnan(gap.out_m).any()
    assert np.isfinite(gap.out_m).any()
    with pytest.raises(InputError, match="crosses no cell"):
        section_along(_relief(), (5.0, 2.6), (6.0, 2.6))
    with pytest.raises(InputError, match="a section of 0 m"):
        section_along(_relief(), (1.0, 2.6), (1.0, 2.6))


def test_colours_lie_in_the_frame_of_the_wall_and_unknown_stays_open(tmp_path: Path) -> None:
    relief, path = _relief(), tmp_path / "r.tif"
    with open_relief_writer(path, GRID, crs_wkt=wall_crs("w", "w")) as writer:
        writer.write_rows(0, relief.out_m, relief.sigma_m)
    look = ReliefLook(contours_m=0.005)
    for kind in ("csv", "dxf", "png"):
        show_relief(
            path,
            look=look,
            out=tmp_path / "v.png",
            geotiff=tmp_path / "v.tif",
            line_m=(1.05, 2.35, 2.15, 2.35),
            section_out=tmp_path / f"s.{kind}",
        )
    with rasterio.open(tmp_path / "v.tif") as file:
        assert (file.transform.c, file.transform.f, file.transform.a) == (1.0, 3.0, 0.01)
        assert ((file.read(4) > 0) == np.isfinite(relief.out_m)).all()
    rows = list(csv.DictReader(io.StringIO((tmp_path / "s.csv").read_text())))
    known = [r for r in rows if r["out_m"]]
    assert 0 < len(known) < len(rows)
    # the drawing has the same line at full size, in two pieces round what is not known
    lines = ezdxf.readfile(tmp_path / "s.dxf").modelspace().query("LWPOLYLINE")
    assert len(lines) == 2
    points = [p for line in lines for p in line.get_points("xy")]
    assert len(points) == len(known)
    assert points[0][1] == pytest.approx(1000 * float(known[0]["out_m"]), abs=0.01)
    with pytest.raises(InputError, match="belong together"):
        show_relief(path, look=look, line_m=(1.0, 2.0, 2.0, 2.0))


def test_light_from_the_other_side_turns_the_shade_and_contours_follow_the_slope() -> None:
    relief = _relief()
    lit = {
        turn: relief_colours(relief, ReliefLook(colour=False, from_deg=turn, height_deg=15.0))[0]
        for turn in (90.0, 270.0)
    }
    # the right arris of the pit faces left: light from the left strikes it, light from the right does not
    arris = np.s_[35:45, 59:61]
    assert lit[270.0][arris].mean() > lit[90.0][arris].mean() + 40
    plain, _ = relief_colours(relief)
    drawn, _ = relief_colours(relief, ReliefLook(contours_m=0.005))
    columns = np.flatnonzero((drawn != plain).any(axis=2)[5:15].all(axis=0))
    # 5, 10, 15 and 20 mm are passed every 25 cells
    for k in (25, 50, 75, 100):
        assert np.abs(columns - k).min() <= 2
    with pytest.raises(InputError, match="contours cannot be told apart"):
        relief_colours(relief, ReliefLook(contours_m=0.0001))
    assert relief_png(relief, title="w", look=ReliefLook(inches=True)).startswith(b"\x89PNG")


def _keep_relief(folder: Path, surface: str) -> None:
    relief = _relief()
    with Project.open(folder) as project:
        path = project.place("elevations/r.tif")
        path.parent.mkdir(exist_ok=True)
        with open_relief_writer(path, GRID, crs_wkt=wall_crs("w", "w")) as writer:
            writer.write_rows(0, relief.out_m, relief.sigma_m)
        kept = {
            "path": "elevations/r.tif",
            "survey": "7",
            "taken_on": "2026-05-01",
            "source": "photos",
            "cell_m": 0.01,
        }
        with project.edit(who="t", what="relief") as edit:
            edit.update("surfaces", surface, {"reliefs": [{**kept, "sha256": "ab" * 32}]})


def test_the_desk_gets_the_heights_themselves(tmp_path: Path) -> None:
    """Red and green hold the height, so that the page lights it: within a 65,535th of its range, unknown kept apart."""
    surface, relief = make_wall(tmp_path / "p", picture=False), _relief()
    _keep_relief(tmp_path / "p", surface)
    with Project.open(tmp_path / "p") as project:
        told = reliefs_to_look_at(project)
        made = heights_of_relief(project, surface, "7")
        with pytest.raises(InputError, match="keeps no relief of survey 8"):
            heights_of_relief(project, surface, "8")
    assert told == {
        surface: [
            {"survey": "7", "taken_on": "2026-05-01", "note": None, "version": "ab" * 8},
        ]
    }
    red, green, blue = np.moveaxis(np.asarray(Image.open(io.BytesIO(made.png))).astype(int), 2, 0)
    place = made.place
    step = (place["high_m"] - place["low_m"]) / 65535
    found = place["low_m"] + step * (red * 256 + green)
    known = np.isfinite(relief.out_m)
    assert ((blue > 127) == known).all()
    assert np.abs(found - relief.out_m)[known].max() <= step
    assert (place["left_m"], place["top_m"], place["cell_m"]) == (1.0, 3.0, 0.01)
    assert place["middle_m"] == pytest.approx(float(np.nanmedian(relief.out_m)))


def test_contours_are_lines_of_one_depth_and_end_where_nothing_is_known() -> None:
    relief = _relief()
    found = contour_lines(relief, 0.005)
    assert {round(c.out_m, 6) for c in found} >= {0.005, 0.01, 0.015}
    slope = [c for c in found if c.out_m == 0.005]
    for line in slope:
        far = line.line_m[(line.line_m[:, 1] > 2.85) & (line.line_m[:, 1] < 2.95)]
        # a face that rises 20 mm a metre is 5 mm out a quarter of a metre on
        np.testing.assert_allclose(far[:, 0], 1.25, atol=0.012)
    for line in found:
        j = ((line.line_m[:, 0] - GRID.left_m) / GRID.gsd_m).astype(int)
        i = ((GRID.top_m - line.line_m[:, 1]) / GRID.gsd_m).astype(int)
        assert not ((i >= 61) & (i < 69) & (j >= 91) & (j < 109)).any()
    with pytest.raises(InputError, match="cannot be told apart"):
        contour_lines(relief, 0.0001)


def test_a_legend_has_round_ends_in_the_unit_that_is_read() -> None:
    values = np.linspace(-0.031, 0.012, 500)
    assert nice_range(values) == pytest.approx((-0.04, 0.02, 0.01))
    low, high, step = nice_range(values, inches=True)
    for value in (low / step, high / step, step / 0.0254 * 16):
        assert value == pytest.approx(round(value))


def test_the_sheets_show_relief_contours_and_the_sections_that_the_surface_keeps(
    tmp_path: Path,
) -> None:
    surface = make_wall(tmp_path / "w", picture=False)
    folder = tmp_path / "w"
    assert make_papers(folder, only=["relief"]).files == {"relief": ()}
    _keep_relief(folder, surface)
    keep_section(folder, "A", (1.05, 2.6, 2.15, 2.6))
    keep_section(folder, "B", (9.0, 9.0, 9.5, 9.0))
    made = make_papers(folder, only=["relief"])
    stem = folder / "out/relief/relief-main"
    assert any("section B" in w for w in made.warnings)
    pdf = PdfReader(next((folder / "out/relief").glob("*.pdf")))
    words = "".join(p.extract_text() for p in pdf.pages)
    assert len(pdf.pages) == 2
    for said in ("mm out of the wall", "contours every", "Section A", "not known"):
        assert said in words
    for page in pdf.pages:  # each may be read by itself
        assert "relief of survey" in " ".join(page.extract_text().split())
    drawing = ezdxf.readfile(next(p for p in stem.parent.glob("*.dxf") if "section" not in p.name))
    heights = {round(e.dxf.elevation, 4) for e in drawing.query("LWPOLYLINE[layer=='CONTOURS']")}
    assert {0.005, 0.01} <= heights
    assert len(drawing.query("LWPOLYLINE[layer=='SECTIONS']")) == 1
    with Project.open(folder, read_only=True) as project:
        kept = project.place(reliefs_of(project.row("surfaces", surface))[-1].path)
    with rasterio.open(kept, "r+") as file:
        file.write(np.full((file.height, file.width), np.nan, np.float32), 1)
    nothing = make_papers(folder, only=["relief"], again=True)
    assert nothing.files == {"relief": ()}
    assert any("nothing of its relief is known" in w for w in nothing.warnings)
    with Project.open(folder) as project:
        project.undo(project.history("surfaces")["txn"].iloc[0], who="x")
        assert [n for n, _ in sections_of(project.row("surfaces", surface))] == ["A"]
    assert forget_section(folder, "A")["sections"] == []
    with pytest.raises(InputError, match="keeps no section"):
        forget_section(folder, "A")
    with pytest.raises(InputError, match="no length"):
        keep_section(folder, "C", (1.0, 1.0, 1.0, 1.0))
