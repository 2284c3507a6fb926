"""Drawings to scale, read back: page size, lengths on paper, figures, hatches, sheets, SVG."""

from __future__ import annotations

import io
import itertools
import math
import re
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pypdf
import pypdfium2
import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.paper_texts import faults_of, texts_of
from benchmarks.papers_project import make_project
from facademap.condition.glossary import find_term
from facademap.errors import InputError
from facademap.report.cover_key import KeyWall
from facademap.report.cover_sheet import CoverRow, draw_cover
from facademap.report.drawing_clouds import draw_clouds
from facademap.report.drawing_content import elevation_content, fold_out
from facademap.report.drawing_title import SheetWords
from facademap.report.drawings import draw_sheets, write_drawing_pdf, write_drawing_svg
from facademap.report.face_picture import encode_jpeg
from facademap.report.match_lines import sheet_at
from facademap.report.page import Lines, Page, Text
from facademap.report.paper import PAPERS, paper_named
from facademap.report.pdf import stamped
from facademap.report.pdf_sets import marked
from facademap.report.sheet_dxf import write_sheet_dxfs
from facademap.report.sheet_layout import MARGIN, lay_out
from facademap.report.typeface import text_width_mm
from facademap.tables import TABLES


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    with make_project(tmp_path_factory.mktemp("d") / "p", insets=10, conditions=40) as project:
        return {name: project.read(name) for name in TABLES}


def _paths(page) -> list[np.ndarray]:
    paths, points = [], []
    for operands, operator in page.get_contents().operations:
        if operator == b"m":
            points = [tuple(map(float, operands))]
        elif operator == b"l":
            points.append(tuple(map(float, operands)))
        elif operator == b"h":
            paths.append(np.array(points))
    return paths


@pytest.mark.parametrize("scale", [10.0, 20.0, 50.0, 100.0])
def test_lengths_on_paper_are_those_of_the_wall(frames, scale):
    """The window is 1.1 m by 1.8 m; its outline is measured in the PDF by pypdf, whose unit here is the millimetre."""
    content = elevation_content(frames, "E-1")
    found = []
    for page in pypdf.PdfReader(
        io.BytesIO(write_drawing_pdf(draw_sheets(content, sheet="A0", scale=scale), title="x"))
    ).pages:
        found += [np.ptp(p, axis=0) for p in _paths(page) if len(p) == 4]
    wanted = np.array([1100.0, 1800.0]) / scale
    assert min(np.abs(f - wanted).max() for f in found) < 0.01


def test_a_length_is_right_in_the_rendered_picture_too(frames):
    """1 : 20, the strong outline of the window as pdfium draws it: within 0.2 mm on paper."""
    content = elevation_content(frames, "E-1")
    blank = type(content)(
        **{f: getattr(content, f) for f in content.__dataclass_fields__}
        | {"groups": (), "stones": np.empty(0, dtype=object)}
    )
    sheets = lay_out(blank.box, sheet="A0", scale=20.0)
    page = draw_sheets(blank, sheet="A0", scale=20.0)[0]
    page.marks = [m for m in page.marks if m.layer == "openings"]
    image = (
        pypdfium2.PdfDocument(write_drawing_pdf([page], title="x"))[0]
        .render(scale=300 / 72, grayscale=True)
        .to_numpy()
        .squeeze()
    )
    window = sheets.window(0, 0)
    fx, fy, _, _ = sheets.frame.field
    # the frame is laid out on a small sheet, and the large one is so many times its size
    fx, fy = fx * sheets.frame.enlarge, fy * sheets.frame.enlarge
    level = (2.5 - window[1]) * 50 + fy
    left = (2.1 - window[0]) * 50 + fx
    right = (3.2 - window[0]) * 50 + fx
    row = image[image.shape[0] - round(level / 25.4 * 300)]
    dark = np.flatnonzero(row < 120)
    near = [dark[np.abs(dark - x / 25.4 * 300) < 12].mean() for x in (left, right)]
    assert (near[1] - near[0]) * 25.4 / 300 == pytest.approx(55.0, abs=0.2)


@pytest.mark.parametrize("name", ["A4", "A3", "A0", "Letter", "Tabloid", "ARCH D", "ANSI E"])
def test_sheets_have_their_size(frames, name):
    pages = pypdf.PdfReader(
        io.BytesIO(
            write_drawing_pdf(draw_sheets(elevation_content(frames, "E-1"), sheet=name), title="x")
        )
    ).pages
    assert sorted(float(v) * 25.4 / 72 for v in pages[0].mediabox[2:]) == pytest.approx(
        sorted(PAPERS[name]), abs=0.01
    )


@pytest.mark.parametrize(("sheet", "scale"), [("A3", 20.0), ("ARCH D", None)])
def test_each_sheet_is_a_drawing_file_to_scale(frames, sheet, scale):
    """ezdxf finds nothing to mend; the view has the scale of the sheet; areas are those of the survey, in metres.

    Pens are of the series of ISO 128-2 (from memory): each the square root of two times the one before.
    """
    content = elevation_content(frames, "E-1")
    pages = draw_sheets(content, sheet=sheet, scale=scale)
    sheets = lay_out(content.box, sheet=sheet, scale=scale)
    files = write_sheet_dxfs(content, pages, sheet=sheet, scale=scale)
    assert len(files) == sheets.columns * sheets.rows
    assert (len(files) > 1) == (scale is not None)
    seen, centres, met = {}, [], set()
    drawn = {
        label: (weight, waiting, shape)
        for g in content.groups
        for label, weight, waiting, shape in zip(
            g.labels, g.weights_mm, g.proposed, g.shapes, strict=True
        )
    }
    spacings = {g.hatch.spacing_mm for g in content.groups}
    for page, data in zip(pages, files, strict=False):
        drawing = ezdxf.read(io.StringIO(data.decode()))
        audit = drawing.audit()
        assert not audit.errors
        assert not audit.fixes
        layout = drawing.layout("Layout1")
        assert layout.dxf.paper_width == pytest.approx(page.width_mm, abs=0.01)
        (view,) = [v for v in layout.query("VIEWPORT") if v.dxf.layer == "VIEW"]
        assert view.dxf.view_height / view.dxf.height * 1000 == pytest.approx(sheets.scale)
        centres.append(tuple(view.dxf.view_center_point)[:2])
        for hatch in drawing.modelspace().query("HATCH"):
            stroke = hatch.pattern.lines[0]
            along = math.radians(stroke.angle)
            apart = -math.sin(along) * stroke.offset[0] + math.cos(along) * stroke.offset[1]
            paper_mm = apart * 1000 / sheets.scale
            assert min(abs(paper_mm - s) for s in spacings) < 1e-6
            met.add("hatch")
        first = next(m for m in page.marks if isinstance(m, Text) and m.layer == "sheet" and m.anchor == "right")  # fmt: skip
        text = next(t for t in layout.query("TEXT") if t.dxf.text == first.text)
        assert max(text.dxf.insert.x, text.dxf.align_point.x) == pytest.approx(first.x_mm)
        # capitals of our typeface are 1462 of 2048 high, as its file says
        assert text.dxf.height == pytest.approx(first.size_pt * 25.4 / 72 * 1462 / 2048, rel=0.001)
        texts = {t.dxf.text for t in layout.query("TEXT")}
        assert texts >= {m.text for m in page.marks if isinstance(m, Text) and m.text.isascii()}
        pens = {e.dxf.lineweight for e in (*drawing.modelspace(), *layout)} - {-1, -2, -3}
        assert pens <= {13, 18, 25, 35, 50, 70, 100, 140, 200}
        for layer in drawing.layers:
            assert layer.dxf.name in ("0", "Defpoints", "VIEW") or re.fullmatch(
                r"A-[A-Z0-9-]{6}[A-Z]-", layer.dxf.name
            ), layer.dxf.name
        for line in drawing.modelspace().query("LWPOLYLINE"):
            if line.closed and line.has_xdata("FACADEMAP"):
                label = line.get_xdata("FACADEMAP")[0][1]
                ring = shapely.Polygon([(x, y) for x, y, *_ in line.get_points()])
                seen[label] = ring.area
                weight, waiting, shape = drawn.get(label, (None, None, None))
                if shape is not None and shape.geom_type == "Polygon":
                    # no pen of the series is nearer than half a step
                    assert 2**-0.26 <= line.dxf.lineweight / 100 / weight <= 2**0.26
                    assert (line.dxf.linetype != "BYLAYER") == waiting
                    met |= {"waiting" if waiting else "confirmed"}
    corners = (sheets.window(0, sheets.rows - 1), sheets.window(sheets.columns - 1, 0))
    for found, (u0, v0, u1, v1) in zip((centres[0], centres[-1]), corners, strict=True):
        assert found == pytest.approx(((u0 + u1) / 2, (v0 + v1) / 2))
    assert met >= {"hatch", "confirmed"}
    areas = {
        label: shape.area
        for group in content.groups
        for label, shape in zip(group.labels, group.shapes, strict=True)
        if shape.geom_type == "Polygon" and not shape.interiors
    }
    assert len(areas) > 10
    assert {k: seen[k] for k in areas} == pytest.approx(areas)


def test_each_group_has_layers_of_its_own_in_a_drawing_file(frames):
    """Also where an office abbreviates its own terms alike, or like what stands on the wall."""
    content = elevation_content(frames, "E-1")
    shorts = itertools.cycle(["STONE", "panel", "", "STONE"])
    named = replace(
        content,
        groups=tuple(
            replace(g, short=next(shorts), name=f"{g.name}\nfirst") for g in content.groups
        ),
    )
    pages = draw_sheets(content, sheet="ARCH D")
    (data,) = write_sheet_dxfs(named, pages, sheet="ARCH D", scale=None)
    drawing = ezdxf.read(io.StringIO(data.decode()))
    said = [layer.description for layer in drawing.layers if layer.dxf.name.endswith("E-")]
    assert "Wall stones" in said
    for group in content.groups:
        assert said.count(f"{group.heading}: {group.name} first") == 1


def test_the_legend_holds_every_term_with_its_net_area(frames):
    text = (
        pypdf.PdfReader(
            io.BytesIO(
                write_drawing_pdf(
                    draw_sheets(elevation_content(frames, "E-1"), sheet="A1"), title="x"
                )
            )
        )
        .pages[0]
        .extract_text()
    )
    void = frames["openings"].geometry.union_all()
    on = frames["conditions"][frames["conditions"]["surface"] == "S-1"]
    for term, rows in on.groupby("term"):
        assert term in text
        assert find_term(term).abbreviation in text
        area = sum(g.difference(void).area for g in rows.geometry)
        if area:
            assert f"{area:.2f} m²" in text
    assert "1 : 20" in text or "1 : 10" in text


def test_a_large_elevation_is_laid_on_sheets_that_cover_it(frames):
    content = elevation_content(frames, "E-1")
    sheets = lay_out(content.box, sheet="A4", scale=10.0)
    assert sheets.columns * sheets.rows > 8
    cover = shapely.union_all(
        [
            shapely.box(*sheets.window(c, r))
            for c in range(sheets.columns)
            for r in range(sheets.rows)
        ]
    )
    assert cover.contains(shapely.box(*content.box))
    pages = draw_sheets(content, sheet="A4", scale=10.0)
    assert any("Key plan" in str(getattr(m, "text", "")) for m in pages[0].marks)
    assert any(getattr(m, "text", "") == f"sheet 1 of {len(pages)}" for m in pages[0].marks)


def test_sheets_meet_at_match_lines_that_name_each_other(frames):
    """Both sheets draw the line at the same place of the wall."""
    content = elevation_content(frames, "E-1")
    sheets = lay_out(content.box, sheet="A4", scale=10.0)
    assert sheets.columns > 1
    pages = draw_sheets(content, sheet="A4", scale=10.0)
    said = [{getattr(m, "text", "") for m in p.marks} for p in pages[:2]]
    assert "match line, sheet 2" in said[0]
    assert "match line, sheet 1" not in said[0]
    assert "match line, sheet 1" in said[1]
    top = sheets.rows - 1
    here, there = sheets.window(0, top), sheets.window(1, top)
    left = _upright_chain_line_mm(pages[0])
    right = _upright_chain_line_mm(pages[1])
    x = sheets.frame.field[0]
    assert here[0] + (left - x) / sheets.mm_per_m == pytest.approx(
        there[0] + (right - x) / sheets.mm_per_m, abs=0.001 / sheets.mm_per_m
    )
    assert there[0] < here[0] + (left - x) / sheets.mm_per_m < here[2], "where both show the wall"


def test_numbers_keep_off_match_lines_and_the_crosses_of_the_grid(frames):
    """On every sheet of a wall cut into many: no box of a number meets a heavy chain line or a cross."""
    content = elevation_content(frames, "E-1")
    pages = [p for p in draw_sheets(content, sheet="A3", scale=5.0) if ", schedule" not in p.title]
    assert len(pages) > 3
    met, counted = [], 0
    for page in pages:
        kept = [
            shapely.LineString(s)
            for m in page.marks
            if isinstance(m, Lines) and (m.dash_mm[:1] == (9.0,) or m.layer == "grid")
            for s in m.segments
        ]
        tree = shapely.STRtree(kept)
        for mark in page.marks:
            if isinstance(mark, Text) and mark.layer == "labels":
                half = text_width_mm(mark.text, mark.size_pt, mark.weight) / 2
                box = shapely.box(mark.x_mm - half, mark.y_mm, mark.x_mm + half, mark.y_mm + 1.6)
                counted += 1
                met += [mark.text for _ in tree.query(box, predicate="intersects")]
    assert counted > 40
    assert met == []


def _upright_chain_line_mm(page):
    """Where the first heavy upright chain line of a sheet stands, in its SVG."""
    for path in ET.fromstring(write_drawing_svg(page)).iter():
        if path.get("stroke-width") == "0.6" and (path.get("stroke-dasharray") or "")[:1] == "9":
            across = re.findall(r"[ML]([\d.]+) ", path.get("d"))
            if len(set(across)) == 1:
                return float(across[0])
    raise AssertionError("no match line")


def test_too_many_sheets_and_silly_scales_are_refused(frames):
    content = elevation_content(frames, "E-1")
    for scale in (0.5, -20.0, float("nan"), 0.0001, 12.5, 15.0):
        with pytest.raises(InputError) as caught:
            lay_out(content.box, sheet="A4", scale=scale)
        assert caught.value.remedy
    with pytest.raises(InputError, match="A7"):
        paper_named("A7")
    with pytest.raises(InputError, match="no-such"):
        elevation_content(frames, "no-such")


@pytest.mark.parametrize("sheet", ["A2", "A1", "A0", "ARCH D", "ANSI E"])
def test_a_large_sheet_is_legible_at_half_its_size(frames, sheet):
    """5 pt is what is still read on paper (common practice); half of every text on a large sheet is no smaller."""
    content = elevation_content(frames, "E-1")
    many = [replace(content.groups[0], name=f"term {n}", heading=f"{n // 5}") for n in range(34)]
    pages = draw_sheets(replace(content, groups=(*content.groups, *many)), sheet=sheet)
    with stamped("Paper 1234-5678, a working print, not issued."):
        issued = marked(write_drawing_pdf(pages, title="t"), "DR-001 rev A", date="2026-11-30")
    told = [one for page in pypdfium2.PdfDocument(issued) for one in texts_of(page)]
    assert {"DR-001 rev A", "Paper 1234-5678, a working print, not issued."} <= {
        t for t, _, _ in told
    }
    assert min(size for _, _, size in told) / 2 >= 4.99


def test_every_number_stands_on_the_sheet_or_in_the_schedule_and_hides_nothing_small(frames):
    content = elevation_content(frames, "E-1")
    pages = draw_sheets(content, sheet="A3", scale=20.0)
    numbers = {i for g in content.groups for i in g.ids}
    schedule = {
        str(m.text) for p in pages if "schedule" in p.title for m in p.marks if hasattr(m, "text")
    }
    assert numbers
    assert numbers <= schedule
    sheets = lay_out(content.box, sheet="A3", scale=20.0)
    window, (fx, fy, _, _) = sheets.window(0, sheets.rows - 1), sheets.frame.field
    lines = [
        shapely.transform(s, lambda c: (c - window[:2]) * sheets.mm_per_m + (fx, fy))
        for g in content.groups
        for s in g.shapes
        if s.geom_type == "LineString"
    ]
    boxes = [
        shapely.Polygon(r)
        for m in pages[0].marks
        if m.layer == "labels" and type(m).__name__ == "Rings"
        for r in m.rings
    ]
    assert lines
    assert boxes
    assert not any(line.intersects(box) for line in lines for box in boxes)


def test_an_inch_drawing_has_scale_grid_and_figures_of_its_own(frames):
    page = draw_sheets(elevation_content(frames, "E-1", inches=True), sheet="Tabloid")[0]
    words = [str(m.text) for m in page.marks if hasattr(m, "text")]
    assert any("= 1'-0\"" in w for w in words)
    assert any("ft²" in w for w in words)
    assert not any("m²" in w for w in words)
    assert any(re.fullmatch(r"\d+'", w) for w in words)


def test_same_content_same_bytes(frames):
    first, second = (
        write_drawing_pdf(draw_sheets(elevation_content(frames, "E-1")), title="x")
        for _ in range(2)
    )
    assert first == second


def test_svg_is_in_millimetres_and_asks_for_nothing_from_outside(frames):
    page = draw_sheets(elevation_content(frames, "E-1"), sheet="A3", scale=50.0)[0]
    data = write_drawing_svg(page)
    root = ET.fromstring(data)
    assert root.attrib["width"] == "420mm"
    assert root.attrib["viewBox"] == "0 0 420 297"
    assert not re.search(rb'(href|src)="(?!data:)', data)
    groups = {g.attrib["class"] for g in root if g.tag.endswith("}g")}
    assert {"stones", "openings", "labels", "black crust"} <= groups
    sizes = []
    for path in root.iter("{http://www.w3.org/2000/svg}path"):
        for ring in path.attrib["d"].split("Z"):
            points = np.array(
                [[float(v) for v in p.split()] for p in re.findall(r"[ML]([-\d.]+ [-\d.]+)", ring)]
            )
            if len(points) == 4:
                sizes.append(np.ptp(points, axis=0))
    assert min(np.abs(s - [22.0, 36.0]).max() for s in sizes) < 0.01


def test_the_picture_lies_where_the_wall_is(frames):
    """A picture with one dark square; where it comes to lie on paper is measured in the rendered page."""
    content = elevation_content(frames, "E-2")
    image = np.full((640, 500, 3), 255, np.uint8)
    image[640 - 300 : 640 - 200, 100:200] = 0
    page = draw_sheets(
        content,
        sheet="A3",
        scale=50.0,
        picture=lambda surface, box, most: (encode_jpeg(image), (0.0, 0.0, 5.0, 6.4)),
    )[0]
    page.marks = [m for m in page.marks if m.layer == "picture"]
    drawn = (
        pypdfium2.PdfDocument(write_drawing_pdf([page], title="x"))[0]
        .render(scale=300 / 72, grayscale=True)
        .to_numpy()
        .squeeze()
    )
    rows, columns = np.nonzero(drawn < 150)
    assert np.ptp(columns) * 25.4 / 300 == pytest.approx(20.0, abs=0.2)
    assert np.ptp(rows) * 25.4 / 300 == pytest.approx(20.0, abs=0.2)
    sheets = lay_out(content.box, sheet="A3", scale=50.0)
    window, (fx, fy, _, _) = sheets.window(0, 0), sheets.frame.field
    assert columns.min() * 25.4 / 300 == pytest.approx((1.0 - window[0]) * 20 + fx, abs=0.2)
    assert 297 - rows.max() * 25.4 / 300 == pytest.approx((2.0 - window[1]) * 20 + fy, abs=0.2)


def test_reveals_are_folded_out_beside_their_wall():
    surfaces = [
        {"id": "A", "name": "front", "fold": None},
        {"id": "B", "name": "left reveal", "fold": {"host": "A", "edge": "left", "offset_m": 0.5}},
        {"id": "C", "name": "return", "fold": {"host": "B", "edge": "left"}},
        {"id": "D", "name": "soffit", "fold": {"host": "A", "edge": "top"}},
    ]
    panels = {
        p.surface: p
        for p in fold_out(
            surfaces,
            {"A": (0, 0, 4, 3), "B": (0, 0, 0.3, 2), "C": (1, 0, 2, 2), "D": (0, 0, 4, 0.2)},
        )
    }
    assert panels["B"].box == pytest.approx((-0.3, 0.5, 0, 2.5))
    assert panels["C"].box == pytest.approx((-1.3, 0, -0.3, 2))
    assert panels["D"].box == pytest.approx((0, 3, 4, 3.2))


def test_every_label_of_the_sheet_stands_free(frames):
    page = draw_sheets(elevation_content(frames, "E-1", kind="repair"), sheet="A3")[0]
    boxes = [m for m in page.marks if m.layer == "labels" and type(m).__name__ == "Rings"]
    rings = [r for m in boxes for r in m.rings]
    assert len(rings) > 20
    tree = shapely.STRtree([shapely.Polygon(r).buffer(-1e-6) for r in rings])
    assert len(tree.query(tree.geometries, predicate="intersects")[0]) == len(rings)


@pytest.mark.parametrize("edge", ["left", "right", "top", "bottom"])
def test_panels_folded_on_one_edge_do_not_cover_each_other(edge: str) -> None:
    surfaces = [
        {"id": "wall", "name": "Wall", "fold": None},
        *(
            {
                "id": f"r{i}",
                "name": f"Reveal {i}",
                "fold": {"host": "wall", "edge": edge, "offset_m": 0.2 * i},
            }
            for i in range(3)
        ),
    ]
    boxes = {
        "wall": (0.0, 0.0, 6.0, 4.0),
        "r0": (0.0, 0.0, 0.5, 2.0),
        "r1": (0.0, 0.0, 0.6, 2.0),
        "r2": (0.0, 1.0, 0.5, 3.0),
    }
    panels = fold_out(surfaces, boxes)
    assert [p.surface for p in panels] == ["wall", "r0", "r1", "r2"]
    areas = [shapely.box(*p.box) for p in panels]
    for i, one in enumerate(areas):
        for other in areas[:i]:
            assert one.intersection(other).area < 1e-9
    # the first stays at the edge that it was folded on
    assert areas[1].distance(areas[0]) < 1e-9


def _words(page) -> list[str]:
    return [str(m.text) for m in page.marks if hasattr(m, "text")]


def test_a_short_schedule_stands_beside_the_drawing_and_a_long_one_on_sheets_of_its_own(frames):
    few = {**frames, "conditions": frames["conditions"].head(6)}
    [page] = draw_sheets(elevation_content(few, "E-1"), sheet="A1")
    words = _words(page)
    assert "Schedule" in words
    assert "sheet 1 of 1" in words
    for number in elevation_content(few, "E-1").groups[0].ids:
        assert number in words
    long = draw_sheets(elevation_content(frames, "E-1"), sheet="A4", scale=100.0)
    assert [p.title for p in long if "schedule" in p.title]


def test_a_drawing_says_where_north_is_and_stages_of_repairs_as_stages(frames):
    content = elevation_content(frames, "E-1", kind="repair")
    assert content.other_facings_deg == (100.0,)
    pages = draw_sheets(content)
    assert "N" in _words(pages[0])
    assert "faces 190° from north" in _words(pages[0])
    heads = {w for p in pages for w in _words(p)}
    assert "Stage" in heads
    assert "Class" not in heads
    assert not [w for w in heads if w in ("0.00 m²", "0.00 ft²")]


@pytest.mark.parametrize(("sheet", "many"), [("A4", 90), ("A1", 0), ("Letter", 2), ("ARCH E", 90)])
def test_the_cover_lists_every_drawing_with_cautions_and_nothing_over_another(sheet, many):
    rows = [
        CoverRow(
            number=f"DR-{n:03d}",
            title=f"Condition drawing, a wall with a rather long name, number {n}",
            scale=50.0,
            sheets=3,
            facing_deg=float(n * 7 % 360),
            elevation=f"Wall {n}",
        )
        for n in range(min(many, 6))
    ] * max(1, many // 6)
    pages = draw_cover(
        rows, sheet=sheet, words=SheetWords(project="Sallow Quay"), buildings=["Loft"]
    )
    words = [w for p in pages for w in _words(p)]
    assert words.count("DR-001") == (max(1, many // 6) if many > 1 else 0)
    assert "no proof of safety" in " ".join(words)
    assert any(w.startswith("Defer to local codes") for w in words)
    made = write_drawing_pdf(pages, title="cover")
    assert faults_of(made) == []
    # the frame is the outermost line: no sign, the cloud of a revision among them, reaches over it
    lines = [
        o.get_bounds()
        for o in pypdfium2.PdfDocument(made)[0].get_objects([pypdfium2.raw.FPDF_PAGEOBJ_PATH])
    ]
    foot = MARGIN / 25.4 * 72
    assert min(low for _, low, _, _ in lines) > foot - 2.2  # the width of the frame


@pytest.mark.parametrize("sheet", ["A3", "A1"])
def test_the_title_block_wraps_long_names_to_their_last_word(frames, sheet):
    name = "Repair of the fronts towards the river and the street after the flood, second campaign"
    wall = "River front with both boat landings and the return towards the chandlery"
    content = replace(elevation_content(frames, "E-1"), elevation=wall)
    page = draw_sheets(content, sheet=sheet, scale=20.0, words=SheetWords(project=name))[0]
    drawn = " ".join(m.text for m in reversed(page.marks) if isinstance(m, Text))
    assert name in drawn
    assert wall in drawn
    assert faults_of(write_drawing_pdf([page], title="t")) == []


def test_a_long_legend_stays_beside_its_drawing_under_long_names(frames):
    content = elevation_content(frames, "E-1")
    groups = [replace(content.groups[0], name=f"term {n}", short=f"T{n}") for n in range(36)]
    long = replace(
        content,
        groups=tuple(groups),
        elevation="River front with both boat landings, the carved doorway and the return towards the chandlery",
        notes=("River front: picture 2 mm a pixel, proved by 136 check points, RMSE 4.7 mm. " * 4,),
    )
    name = "Repair of the fronts towards the river and the street of the old sail loft, second campaign"
    pages = draw_sheets(long, sheet="A3", scale=50.0, words=SheetWords(project=name))
    assert [p.title for p in pages if "legend" in p.title] == []
    words = _words(pages[0])
    assert {"term 0", "term 35", "faces 190° from north"} <= set(words)
    assert set(name.split()) <= set(" ".join(words).split())
    assert faults_of(write_drawing_pdf(pages[:1], title="t")) == []


@pytest.mark.parametrize("sheet", ["A4", "A1"])
def test_a_cover_wraps_long_names_and_draws_each_wall_with_its_sheets(frames, sheet):
    content = elevation_content(frames, "E-1")
    layout = lay_out(content.box, sheet=sheet, scale=5.0)
    name = (
        "Repair of the river fronts, yards and quay walls of the old sail lofts at Sallow Quay " * 2
    )
    building = "Sail loft, net store and rope walk with the harbour master's house " * 2
    rows = [
        CoverRow(
            number="", title=f"{kind} drawing, {content.elevation}", scale=5.0, sheets=9,
            facing_deg=None, elevation=content.elevation,
        )
        for kind in ("Condition", "Relief with sections,")
    ]  # fmt: skip
    wall = KeyWall(
        name=content.elevation,
        box=content.box,
        stones=content.stones,
        openings=content.openings,
        windows=tuple(
            (layout.window(c, r), str(sheet_at(layout, c, r)))
            for c in range(layout.columns)
            for r in range(layout.rows)
        ),
    )
    pages = draw_cover(
        rows, sheet=sheet, words=SheetWords(project=name), buildings=[building], walls=[wall]
    )
    told = " ".join(w for p in pages for w in _words(p))
    flat = " ".join(told.split())
    for word in (*name.split(), *building.split()):
        assert word in flat, word
    assert "…" not in told
    assert "Relief" in flat
    drawn = [m.text for p in pages for m in p.marks if isinstance(m, Text)]
    assert ("sheet 2" in drawn) == (sheet == "A1")  # on A4 the words would meet
    assert faults_of(write_drawing_pdf(pages, title="cover")) == []


@pytest.mark.parametrize("sheet", ["A3", "A1", "ANSI E", "ARCH D"])
def test_a_cover_of_one_wall_makes_use_of_its_sheet(sheet):
    wall = KeyWall(
        name="Front",
        box=(0.0, 0.0, 14.0, 9.6),
        stones=np.empty(0, dtype=object),
        openings=np.empty(0, dtype=object),
    )
    row = CoverRow(
        number="DR-001", title="Condition drawing, Front", scale=20.0, sheets=2, facing_deg=220.0, elevation="Front",
    )  # fmt: skip
    pages = draw_cover(
        [row] * 4, sheet=sheet, words=SheetWords(project="Sallow Quay"), walls=[wall]
    )
    drawn = pypdfium2.PdfDocument(write_drawing_pdf(pages, title="cover"))[0]
    seen = np.asarray(drawn.render(scale=0.2).to_numpy())[..., 0] < 200
    high, wide = seen.shape
    inside = seen[:, int(0.06 * wide) : int(0.94 * wide)]
    # the frame and the block of the issue stand at the foot of the sheet: what is above counts
    rows = np.flatnonzero(inside[: int(0.89 * high)].any(axis=1))
    assert rows.max() > 0.79 * high
    assert np.diff(rows).max() < 0.08 * high


def test_the_triangle_of_a_cloud_hides_no_number():
    changed = np.array([shapely.box(50, 50, 70, 60)], dtype=object)
    for x, y in ((74, 64), (46, 64), (60, 66)):  # what may stand beside the cloud
        page = Page(width_mm=200, height_mm=150)
        page.text(x, y, "C-097 CR", size_pt=7, anchor="centre")
        page.text(74, 64, "C-001", size_pt=7, anchor="centre")
        draw_clouds(page, changed, "B", within=(10, 10, 190, 140))
        letter = next(m for m in page.marks if isinstance(m, Text) and m.text == "B")
        reach = shapely.box(letter.x_mm - 3, letter.y_mm, letter.x_mm + 3, letter.y_mm + 4)
        for told in ((x, y), (74, 64)):
            assert reach.distance(shapely.Point(told)) > 1.0
