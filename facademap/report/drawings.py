"""Drawings to scale: condition, repair and as-built drawings of an elevation on as many sheets as it takes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.condition.signs import DASH_OF_LINE, LINE_EXTRA_MM, PROPOSED_DASH_MM
from facademap.report.drawing_clouds import draw_clouds
from facademap.report.drawing_content import Content, Group
from facademap.report.drawing_frame import draw_frame, draw_legend_sheet, grid_boxes
from facademap.report.drawing_relief import draw_relief_lines, section_sheets
from facademap.report.drawing_schedule import count_of_schedule, draw_schedule, height_of_schedule
from facademap.report.drawing_title import SheetWords, draw_title_block
from facademap.report.enlarging import enlarged
from facademap.report.hatching import draw_hatch, draw_marks
from facademap.report.labelling import place_labels
from facademap.report.match_lines import draw_match_lines, match_line_boxes
from facademap.report.page import Page
from facademap.report.pdf import write_pdf
from facademap.report.sheet_layout import Sheets, lay_out
from facademap.report.svg import write_svg
from facademap.report.typeface import MM_PER_PT, text_width_mm
from facademap.wall.mending import mend_all

__all__ = ["Picture", "draw_sheets", "write_drawing_pdf", "write_drawing_svg"]

#: Size of the numbers on a small sheet, and how far one may stand aside.
_LABEL_PT, _RINGS = 6.5, 5

Box = tuple[float, float, float, float]

#: (surface, box in its wall frame, largest side in pixels) to (JPEG, box it covers), or nothing.
Picture = Callable[
    [str, tuple[float, float, float, float], int],
    "tuple[bytes, tuple[float, float, float, float]] | None",
]


def draw_sheets(
    content: Content,
    *,
    sheet: str = "A3",
    words: SheetWords | None = None,
    scale: float | None = None,
    picture: Picture | None = None,
    changed: Collection[str] = (),
    dots_per_inch: float = 200.0,
) -> list[Page]:
    """The sheets of a drawing: the wall, its legend where that needs a sheet, and the schedule of all numbers on it.

    Parameters
    ----------
    content : Content
        From :func:`facademap.report.drawing_content.elevation_content`.
    sheet : str
        Name of the paper.
    words : SheetWords, optional
        Name of the project, and what was issued.
    scale : float, optional
        Denominator; the finest standard one that fits a single sheet when missing.
    picture : callable, optional
        Gives the rectified picture under the lines, lightened so that they read against dark stone (done in the
        pixels, since see-through areas make readers slow); without it the drawing is line only.
    changed : collection of str
        Numbers round which a revision cloud is drawn.
    dots_per_inch : float
        Finest resolution of the picture on paper.
    """
    words = words or SheetWords()
    sheets = lay_out(content.box, sheet=sheet, scale=scale, inches=content.inches)
    field_sheets = sheets.columns * sheets.rows
    for low in (False, True):
        trial = Page(width_mm=sheets.frame.width, height_mm=sheets.frame.height)
        long_legend, free = draw_frame(
            trial, content, sheets, (0, 0), (1, 1), words=words, left_out=1, low=low
        )
        if not long_legend:
            break
    low = low and not long_legend  # it helps, or is left
    after = section_sheets(content.relief, sheets, inches=content.inches) if content.relief else []
    scheduled, tall = (
        count_of_schedule(content, sheets),
        height_of_schedule(content, sheets.frame.strip[2] - 6.0),
    )
    fits = bool(scheduled) and field_sheets == 1 and not long_legend and tall <= free
    total = field_sheets + long_legend + len(after) + scheduled
    pages: list[Page] = []
    for row in range(sheets.rows - 1, -1, -1):
        for column in range(sheets.columns):
            number = len(pages) + 1
            name = f"{content.elevation}, {content.kind}"
            page = Page(
                width_mm=sheets.frame.width,
                height_mm=sheets.frame.height,
                title=f"{name} {number}" if field_sheets > 1 else name,
            )
            window = sheets.window(column, row)
            taken = [
                *grid_boxes(content, sheets, window),
                *match_line_boxes(sheets, column, row),
            ]
            shown, left_out = _draw_field(
                page, content, sheets, window, picture, dots_per_inch, taken
            )
            # a short schedule stands beside the drawing, if every number found its place there
            beside = fits and not left_out
            if beside:
                total -= scheduled
            draw_frame(
                page, content, sheets, (column, row), (number, total), words=words, left_out=left_out, shown=shown,
                schedule=beside, low=low,
            )  # fmt: skip
            draw_match_lines(page, sheets, column, row)
            if changed and words.mark is not None:
                _clouds(page, content, sheets, window, changed, words.mark.last.letter)
            pages.append(page)
    if long_legend:
        page = Page(
            width_mm=sheets.frame.width,
            height_mm=sheets.frame.height,
            title=f"{content.elevation}, legend",
        )
        draw_legend_sheet(page, content, sheets, (field_sheets + 1, total), words=words)
        pages.append(page)
    for page in after:
        draw_title_block(page, content, sheets, (len(pages) + 1, total), words)
        page.title = f"{content.elevation}, sections"
        pages.append(page)
    if len(pages) < total:
        pages += draw_schedule(content, sheets, words, first=len(pages) + 1, total=total)
    return [enlarged(p, sheets.frame.enlarge) for p in pages]


def _clouds(
    page: Page,
    content: Content,
    sheets: Sheets,
    window: tuple[float, float, float, float],
    changed: Collection[str],
    letter: str,
) -> None:
    """Round what changed on this sheet."""
    shapes = [
        s for g in content.groups for s, i in zip(g.shapes, g.ids, strict=True) if i in changed
    ]
    if content.relief is not None:
        cuts = content.relief.cuts
        shapes += [shapely.LineString(c.ends_m) for c in cuts if f"section {c.name}" in changed]
        shapes += [shapely.box(*p.box) for p in content.panels if p.surface in changed]
    inside, _ = _inside(np.array(shapes, dtype=object), shapely.box(*window))
    x, y, w, h = sheets.frame.field
    k = sheets.mm_per_m
    page.layer = "clouds"
    on_page = shapely.transform(inside, lambda c: (c - window[:2]) * k + (x, y))
    draw_clouds(page, on_page, letter, within=(x, y, x + w, y + h))


def write_drawing_pdf(pages: Sequence[Page], *, title: str) -> bytes:
    """Sheets as one PDF."""
    return write_pdf(pages, title=title, subject="Drawing to scale; print at 100 %")


def write_drawing_svg(page: Page) -> bytes:
    """One sheet as SVG."""
    return write_svg(page)


def _draw_field(
    page: Page,
    content: Content,
    sheets: Sheets,
    window: tuple[float, float, float, float],
    picture: Picture | None,
    dpi: float,
    taken: Sequence[Box],
) -> tuple[frozenset[str], int]:
    """Everything inside the field; returns the groups that it shows, and how many labels found no room."""
    fx, fy, _, _ = sheets.frame.field
    k = sheets.mm_per_m

    def to_page(points: Any) -> Any:
        return (np.asarray(points, dtype=float) - (window[0], window[1])) * k + (fx, fy)

    def on_page(shapes: Any) -> Any:
        return shapely.transform(shapes, to_page)

    field = shapely.box(*window)
    if picture is not None:
        page.layer = "picture"
        _draw_pictures(page, content, window, to_page, picture, k, dpi * sheets.frame.enlarge)
    page.layer = "stones"
    _outlines(
        page,
        _inside(content.stones, field)[0],
        to_page,
        ink="#ffffff" if picture else "#8a8378",
        width_mm=0.3,
    )
    if picture:
        _outlines(page, _inside(content.stones, field)[0], to_page, ink="#6f675c", width_mm=0.13)
    page.layer = "openings"
    openings = on_page(_inside(content.openings, field)[0])
    for shape in shapely.get_parts(openings):
        if shape.geom_type == "Polygon":
            page.rings(
                [np.asarray(r.coords)[:-1] for r in (shape.exterior, *shape.interiors)],
                ink="#3b4252",
                width_mm=0.35,
                fill="#ffffff",
                opacity=0.55 if picture else 1.0,
            )
            x0, y0, x1, y1 = shape.bounds
            page.lines([[[x0, y0], [x1, y1]], [[x0, y1], [x1, y0]]], ink="#9aa0aa", width_mm=0.13)
    page.layer = "panels"
    for panel in content.panels:
        visible = shapely.intersection(shapely.box(*panel.box).exterior, field)
        _outlines(
            page,
            np.atleast_1d(np.asarray(visible, dtype=object)),
            to_page,
            ink="#444444",
            width_mm=0.3,
            dash_mm=(6, 1.5, 1, 1.5),
        )
        if panel.control_edge:
            # beyond it places are extrapolated, as the notes say
            edge = shapely.intersection(shapely.Polygon(panel.control_edge).exterior, field)
            edges = np.atleast_1d(np.asarray(edge, dtype=object))
            if picture is not None:
                _outlines(page, edges, to_page, ink="#ffffff", width_mm=0.5)
            _outlines(page, edges, to_page, ink="#16191d", width_mm=0.25, dash_mm=(3, 2))
    if content.relief is not None:
        draw_relief_lines(page, content.relief, window, to_page, inches=content.inches)
    anchors: list[tuple[float, float]] = []
    labels: list[tuple[str, float, float]] = []
    kept: list[Any] = []
    shown: set[str] = set()
    for group in content.groups:
        page.layer = group.name
        shapes, rows = _inside(group.shapes, field)
        if len(shapes):
            shown.add(group.name)
            kept += list(on_page(shapes))
            _draw_group(page, group, on_page(shapes), rows)
            spots = to_page(shapely.get_coordinates(_label_points(shapes)))
            anchors += [(float(x), float(y)) for x, y in spots]
            bounds = shapely.bounds(shapes)
            labels += [
                (group.labels[i], float(a), float(min(b[2] - b[0], b[3] - b[1]) / 2 * k))
                for i, a, b in zip(rows, shapely.area(shapes), bounds, strict=True)
            ]
    page.layer = "labels"
    return frozenset(shown), _draw_labels(page, anchors, labels, kept, sheets, taken)


def _inside(shapes: Any, field: Any) -> tuple[Any, Any]:
    """Shapes that meet the field, cut at its edge, and which ones they are."""
    shapes = np.asarray(shapes, dtype=object)
    if not len(shapes):
        return shapes, np.empty(0, dtype=np.intp)
    rows = np.flatnonzero(shapely.intersects(shapes, field))
    kept = shapes[rows]
    across = ~shapely.within(kept, field)
    if across.any():
        kept = kept.copy()
        kept[across] = shapely.intersection(mend_all(kept[across]), field)
        there = ~shapely.is_empty(kept)
        kept, rows = kept[there], rows[there]
    return kept, rows


def _label_points(shapes: Any) -> Any:
    """The centre where it lies inside, else a point inside; the middle of a line."""
    points = shapely.centroid(shapes)
    outside = ~shapely.intersects(points, shapes)
    if outside.any():
        points = points.copy()
        points[outside] = shapely.point_on_surface(shapes[outside])
    return points


def _outlines(page: Page, shapes: Any, to_page: Any, **style: Any) -> None:
    """Outlines and lines as strokes; only true edges, not those that the field cuts, are kept open."""
    rings = []
    for part in shapely.get_parts(shapes) if len(shapes) else ():
        if part.geom_type == "Polygon":
            rings += [np.asarray(r.coords) for r in (part.exterior, *part.interiors)]
        elif part.geom_type in ("LineString", "LinearRing"):
            rings.append(np.asarray(part.coords))
    page.rings([to_page(r) for r in rings], closed=False, **style)


def _draw_group(page: Page, group: Group, shapes: Any, rows: Any) -> None:
    dimension = shapely.get_dimensions(shapes)
    areas = shapes[dimension == 2]
    if len(areas):
        if group.fill:
            page.rings(_outline_of(areas), ink=None, fill=group.colour, opacity=group.fill)
        draw_hatch(page, areas, group)
    weights, proposed = np.asarray(group.weights_mm)[rows], np.asarray(group.proposed)[rows]
    for weight in np.unique(weights):
        for waiting in (False, True):
            alike = (weights == weight) & (proposed == waiting)
            dash = PROPOSED_DASH_MM if waiting else ()
            if len(chosen := shapes[alike & (dimension == 2)]):
                page.rings(
                    _outline_of(chosen), ink=group.colour, width_mm=float(weight), dash_mm=dash
                )
            if len(lines := shapes[alike & (dimension == 1)]):
                page.rings(
                    [np.asarray(p.coords) for p in shapely.get_parts(lines) if len(p.coords)],
                    closed=False,
                    ink=group.colour,
                    width_mm=float(weight) + LINE_EXTRA_MM,
                    dash_mm=dash or DASH_OF_LINE.get(group.name, ()),
                )
            if len(points := shapes[alike & (dimension == 0)]):
                draw_marks(page, shapely.get_coordinates(points), group.colour, float(weight))


def _outline_of(areas: Any) -> list[Any]:
    return [np.asarray(r.coords)[:-1] for p in shapely.get_parts(areas) for r in _rings_of(p)]


def _rings_of(part: Any) -> tuple[Any, ...]:
    return (part.exterior, *part.interiors) if part.geom_type == "Polygon" else ()


def _draw_labels(
    page: Page,
    anchors: Sequence[tuple[float, float]],
    labels: Sequence[tuple[str, float, float]],
    shapes: Sequence[Any],
    sheets: Sheets,
    taken: Sequence[Box],
) -> int:
    """Every number where it hides nothing small, with a leader where it stands aside; returns how many found no room."""
    if not anchors:
        return 0
    size_pt = _LABEL_PT
    cache: dict[str, float] = {}
    for text, _, _ in labels:
        if text not in cache:
            cache[text] = text_width_mm(text, size_pt, "bold") + 0.8
    tall = size_pt * MM_PER_PT * 0.95
    x, y, w, h = sheets.frame.field
    # what is large may bear its label; lines, places and what is smaller than a label are never covered
    bears = [area > 0 and r >= max(tall, cache[t] / 2) for t, area, r in labels]
    order = sorted(range(len(labels)), key=lambda i: (bears[i], -labels[i][1], i))
    beside = [
        0.0 if b else (r if area > 0 else 0.6)
        for b, (_, area, r) in zip(bears, labels, strict=True)
    ]
    small = [s for s, b in zip(shapes, bears, strict=True) if not b]
    placed, left_out = place_labels(
        anchors,
        [(cache[t], tall) for t, _, _ in labels],
        within=(x + 1, y + 1, x + w - 1, y + h - 1),
        order=order,
        rings=_RINGS,
        taken=taken,
        beside=beside,
        keep_clear=shapely.STRtree(small) if small else None,
    )
    leaders = [[anchors[p.index], (p.x, p.y)] for p in placed if p.moved]
    if leaders:
        page.lines(np.array(leaders), ink="#111111", width_mm=0.13)
    boxes = []
    for p in placed:
        half = cache[labels[p.index][0]] / 2
        boxes.append(
            [
                (p.x - half, p.y - tall / 2),
                (p.x + half, p.y - tall / 2),
                (p.x + half, p.y + tall / 2),
                (p.x - half, p.y + tall / 2),
            ]
        )
    page.rings(boxes, ink=None, fill="#ffffff", opacity=0.82)
    for p in placed:
        page.text(
            p.x,
            p.y - tall * 0.36,
            labels[p.index][0],
            size_pt=size_pt,
            weight="bold",
            anchor="centre",
        )
    return len(left_out)


def _draw_pictures(
    page: Page,
    content: Content,
    window: tuple[float, float, float, float],
    to_page: Any,
    picture: Picture,
    mm_per_m: float,
    dpi: float,
) -> None:
    for panel in content.panels:
        box = (
            max(window[0], panel.box[0]),
            max(window[1], panel.box[1]),
            min(window[2], panel.box[2]),
            min(window[3], panel.box[3]),
        )
        if box[2] <= box[0] or box[3] <= box[1]:
            continue
        dx, dy = panel.shift
        most = max(16, round(max(box[2] - box[0], box[3] - box[1]) * mm_per_m / 25.4 * dpi))
        found = picture(panel.surface, (box[0] - dx, box[1] - dy, box[2] - dx, box[3] - dy), most)
        if found is None:
            continue
        jpeg, (u0, v0, u1, v1) = found
        (x0, y0), (x1, y1) = to_page([[u0 + dx, v0 + dy], [u1 + dx, v1 + dy]])
        page.picture(jpeg, float(x0), float(y0), float(x1 - x0), float(y1 - y0))
