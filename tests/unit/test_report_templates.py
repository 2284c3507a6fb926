"""Full-size templates and cutting files, measured by independent readers: pdfium, pypdf, ezdxf."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import ezdxf
import numpy as np
import pypdf
import pypdfium2
import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.papers_project import make_project
from facademap.errors import InputError
from facademap.io.rule_files import load_profile
from facademap.repair.edges import edge_names, ring_of
from facademap.report.cut_dxf import write_cut_dxf
from facademap.report.pdf import stamped
from facademap.report.template_nesting import nest, sheet_sides
from facademap.report.template_sheets import sheets_of, too_large, write_templates
from facademap.report.ticket_content import make_tickets
from facademap.tables import TABLES

DPI = 600


@pytest.fixture(scope="module")
def tickets(tmp_path_factory):
    with make_project(tmp_path_factory.mktemp("t") / "p", insets=6) as project:
        return make_tickets(
            {name: project.read(name) for name in TABLES},
            project="x",
            settings=load_profile("metric"),
        )


def _stretched(ticket, factor):
    piece, repair = dict(ticket.piece), dict(ticket.repair)
    for row in (piece, repair):
        row["geometry"] = shapely.transform(row["geometry"], lambda c: c * factor)
    values = {f: getattr(ticket, f) for f in ticket.__dataclass_fields__}
    return type(ticket)(**values | {"piece": piece, "repair": repair, "rods": ()})


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210, 297)), ("Letter", (215.9, 279.4))])
def test_the_bar_is_100_mm_on_every_sheet(tickets, paper, size_mm):
    data = write_templates(tickets, paper=paper)
    document = pypdfium2.PdfDocument(data)
    for index in range(len(document)):
        page = document[index]
        sides = sorted(v * 25.4 / 72 for v in page.get_size())
        assert sides == pytest.approx(sorted(size_mm), abs=0.01)
        image = np.asarray(page.render(scale=DPI / 72, grayscale=True).to_numpy()).squeeze()
        # a row of pixels through the two high end ticks, 14 mm above the lower edge of the sheet
        row = image.shape[0] - round(14.6 / 25.4 * DPI)
        dark = np.flatnonzero(image[row, : round(120 / 25.4 * DPI)] < 100)
        groups = np.split(dark, np.flatnonzero(np.diff(dark) > 3) + 1)
        ends = [g.mean() for g in groups]
        assert (ends[-1] - ends[0]) * 25.4 / DPI == pytest.approx(100.0, abs=0.1)


def test_the_upright_bar_is_as_long_as_the_one_along_the_sheet(tickets):
    """A printer may stretch one direction alone; the ends of both bars are found in the rendered page."""
    document = pypdfium2.PdfDocument(write_templates(tickets, paper="A3"))
    for index in range(len(document)):
        image = np.asarray(
            document[index].render(scale=DPI / 72, grayscale=True).to_numpy()
        ).squeeze()
        # a column through the two long ticks, which reach further in than the others
        rows = np.flatnonzero(image[:, round(11.2 / 25.4 * DPI)] < 100)
        groups = [g.mean() for g in np.split(rows, np.flatnonzero(np.diff(rows) > 3) + 1)]
        apart = np.abs(np.subtract.outer(groups, groups)) * 25.4 / DPI
        assert np.abs(apart - 100.0).min() < 0.1


def test_pieces_share_a_sheet_and_lie_apart(tickets):
    sizes = [(80.0, 120.0), (60.0, 90.0), (150.0, 40.0), (190.0, 250.0), (20.0, 20.0)]
    spots = nest(sizes, (200.0, 260.0))
    boxes = [
        (s.page, shapely.box(s.x_mm, s.y_mm, s.x_mm + w, s.y_mm + h))
        for s, (w, h) in zip(spots, sizes, strict=True)
    ]
    for k, (page, one) in enumerate(boxes):
        assert shapely.box(0, 0, 200, 260).buffer(1e-6).contains(one)
        assert not any(p == page and one.intersection(o).area > 1e-6 for p, o in boxes[k + 1 :])
    assert max(s.page for s in spots) == 1
    small = [_stretched(t, 0.3) for t in tickets]
    reader = pypdf.PdfReader(io.BytesIO(write_templates(small, paper="A3")))
    assert len(reader.pages) < len(small)
    words = "".join(p.extract_text() for p in reader.pages)
    assert all(str(t.piece["id"]) in words for t in small)
    roll = pypdf.PdfReader(io.BytesIO(write_templates(tickets, paper="roll 914"))).pages[0]
    assert float(roll.mediabox.width) * 25.4 / 72 == pytest.approx(914.0, abs=0.01)
    with pytest.raises(InputError, match="roll 50"):
        sheet_sides("roll 50")


@pytest.mark.parametrize("paper", ["A4", "A1", "roll 914"])
def test_sheets_are_counted_before_they_are_drawn_and_the_line_of_the_issue_stands_apart(
    tickets, paper
):
    large = [_stretched(t, 3.0) for t in tickets]
    with stamped("Paper 0000-0000, a working print"):
        document = pypdfium2.PdfDocument(write_templates(large, paper=paper))
    assert sheets_of(large, paper=paper) == len(document)
    for page in document:
        words, boxes = page.get_textpage(), []
        for line in ("Print at 100", "Paper 0000"):
            first, count = words.search(line).get_next()
            found = [words.get_charbox(first + n) for n in range(count)]
            boxes.append((min(b[1] for b in found), max(b[3] for b in found)))
        (print_low, _), (_, paper_high) = boxes
        assert paper_high < print_low
        assert boxes[1][0] > 0


def test_a_template_is_the_piece_at_full_size(tickets):
    ticket = next(
        t
        for t in tickets
        if t.piece["width_m"] < 0.18
        and t.piece["height_m"] < 0.2
        and len(t.piece["geometry"].exterior.coords) == 5
    )
    content = pypdf.PdfReader(io.BytesIO(write_templates([ticket]))).pages[0].get_contents()
    sizes, points = [], []
    for operands, operator in content.operations:
        if operator == b"m":
            points = [tuple(map(float, operands))]
        elif operator == b"l":
            points.append(tuple(map(float, operands)))
        elif operator in (b"S", b"h") and len(points) >= 4:
            sizes.append(np.ptp(np.array(points), axis=0))
    wanted = np.array([ticket.piece["width_m"], ticket.piece["height_m"]]) * 1000
    assert min(np.abs(s - wanted).max() for s in sizes) < 0.01


def test_large_pieces_are_tiled_and_neighbouring_sheets_share_their_register_crosses(tickets):
    ticket = _stretched(tickets[0], 2.2)
    reader = pypdf.PdfReader(io.BytesIO(write_templates([ticket])))
    assert len(reader.pages) > 3
    names = [
        {
            w
            for w in page.extract_text().split()
            if len(w) == 3 and w[0].islower() and w[1].isdigit() and w[2] in "lu"
        }
        for page in reader.pages
    ]
    everything = [n for sheet in names for n in sheet]
    assert everything
    assert all(everything.count(n) == 2 for n in everything)


def test_a_piece_larger_than_any_sheet_is_refused_alone(tickets):
    huge = _stretched(tickets[0], 12.0)
    assert too_large([huge, *tickets], paper="A4") == [str(huge.piece["id"])]
    reader = pypdf.PdfReader(io.BytesIO(write_templates([huge, tickets[1]])))
    # sheets that pieces share come first
    assert sum("DXF" in page.extract_text() for page in reader.pages) == 1
    assert len(reader.pages) >= 2


def test_cutting_files_pass_the_audit_and_give_the_area_back(tickets):
    for ticket in tickets:
        data = write_cut_dxf(ticket)
        assert data == write_cut_dxf(ticket)
        drawing = ezdxf.read(io.StringIO(data.decode()))
        audit = drawing.audit()
        assert not audit.errors
        assert not audit.fixes
        assert drawing.units == ezdxf.units.MM
        cut = drawing.modelspace().query('LWPOLYLINE[layer=="CUT"]')
        area = sum(shapely.Polygon([(x, y) for x, y, *_ in p.get_points()]).area for p in cut) / 1e6
        assert area == pytest.approx(ticket.piece["geometry"].area, abs=1e-9)
        names = drawing.modelspace().query('TEXT[layer=="EDGES"]')
        ring = ring_of(ticket.assembly.piece)
        assert [n.dxf.text for n in names] == list(edge_names(ring_of(ticket.assembly.cut_out)))
        low = ring.min(axis=0)
        for name, a, b in zip(names, ring, np.roll(ring, -1, axis=0), strict=True):
            at = np.array(name.get_placement()[1])[:2] / 1000 + low
            assert ticket.piece["geometry"].contains(shapely.Point(at))
            assert np.hypot(*(at - (a + b) / 2)) < 0.012
        holes = drawing.modelspace().query('CIRCLE[layer=="DRILL"]')
        assert sorted(h.dxf.radius for h in holes) == pytest.approx(
            [r.hole_m * 500 for r in ticket.rods]
        )
        if ticket.place is not None:
            blank = shapely.Polygon(
                [
                    (x, y)
                    for x, y, *_ in drawing.modelspace()
                    .query('LWPOLYLINE[layer=="ROUGH"]')
                    .first.get_points()
                ]
            )
            piece = shapely.Polygon([(x, y) for x, y, *_ in cut.first.get_points()])
            assert blank.buffer(1e-6).contains(piece)
            assert blank.exterior.distance(piece.exterior) == pytest.approx(3.0, abs=1e-3)
