"""A sheet of a drawing as DXF: the wall in metres in the model, and the sheet round it as a layout to scale.

Layers are named by the fields of ISO 13567-2 that must be there: who is responsible (2 signs), element (6) and
presentation (2), filled up with hyphens. The standard leaves the classes of elements to the project, so the element
codes are ours; the description of each layer says what it is. Pens have the widths of ISO 128.

References
----------
ISO 13567-2:2017, Organization and naming of layers for CAD (fields and codes of presentation from memory).
ISO 128-2:2020, Basic conventions for lines (series of widths from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import ezdxf
import numpy as np
import shapely
from ezdxf.enums import TextEntityAlignment

from facademap.condition.signs import DASH_OF_LINE, LINE_EXTRA_MM, PROPOSED_DASH_MM
from facademap.report.cut_dxf import dxf_bytes, new_drawing
from facademap.report.drawing_content import Content, Group
from facademap.report.exchange import add_hatch, add_outline, add_relief
from facademap.report.page import Disc, Lines, Page, Rings, Text
from facademap.report.sheet_layout import Sheets, lay_out
from facademap.report.typeface import MM_PER_PT, printable, text_width_mm

__all__ = ["PEN_WIDTHS_MM", "layer_name", "pen_of", "write_sheet_dxfs"]

#: Widths of lines of ISO 128, each the square root of two times the one before (from memory).
PEN_WIDTHS_MM: tuple[float, ...] = (0.13, 0.18, 0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0)
#: Height of a capital letter as a share of the size of the writing, of our typeface.
_CAPITAL = 0.714
_RESPONSIBLE = "A-"
_ELEMENT, _TEXT, _HATCH = "E-", "T-", "H-"
#: Layers of a page that stand on the sheet, not on the wall: element, presentation and pen.
_ON_SHEET: Mapping[str, tuple[str, str, str]] = {
    "sheet": ("SHEET", "B-", "Border, title block, legend and schedule"),
    "grid": ("GRID", "G-", "Grid and levels"),
    "labels": ("LABEL", _TEXT, "Numbers and leaders"),
    "clouds": ("REVIS", "K-", "Revision clouds"),
}
_WALL = {
    "stones": ("STONE", "Wall stones", "#8a8378", 0.25),
    "openings": ("OPENG", "Architectural openings", "#3b4252", 0.35),
    "panels": ("PANEL", "Surfaces and the edge of their control", "#444444", 0.25),
    "contours": ("CONTR", "Contours of the relief, at their depth", "#5b6573", 0.18),
    "sections": ("SECTN", "Lines along which the relief is cut", "#16191d", 0.35),
}


def layer_name(element: str, presentation: str) -> str:
    """Name of a layer by the fields that ISO 13567-2 wants.

    Examples
    --------
    >>> layer_name("STONE", "E-"), layer_name("BC2", "H-")
    ('A-STONE-E-', 'A-BC2---H-')
    """
    return f"{_RESPONSIBLE}{element[:6]:-<6}{presentation}"


def pen_of(width_mm: float) -> int:
    """The nearest pen of the series, in hundredths of a millimetre as a DXF file says it.

    Examples
    --------
    >>> pen_of(0.3), pen_of(0.6), pen_of(5.0)
    (35, 70, 200)
    """
    ratio = [abs(np.log(max(width_mm, 0.01) / pen)) for pen in PEN_WIDTHS_MM]
    return round(PEN_WIDTHS_MM[int(np.argmin(ratio))] * 100)


def write_sheet_dxfs(
    content: Content, pages: Sequence[Page], *, sheet: str, scale: float | None
) -> list[bytes]:
    """One file for each sheet that shows the wall; sheets of legend and schedule alone have none.

    Parameters
    ----------
    content : Content
    pages : sequence of Page
        From :func:`facademap.report.drawings.draw_sheets`, of the same sheet and scale.
    sheet : str
        Name of the paper.
    scale : float, optional
        Denominator.

    Returns
    -------
    list of bytes
        In the order of the sheets. What stands in the model is whole, also beyond the edge of the sheet.
    """
    sheets = lay_out(content.box, sheet=sheet, scale=scale, inches=content.inches)
    places = itertools.product(range(sheets.rows - 1, -1, -1), range(sheets.columns))
    return [
        _sheet(content, page, sheets, sheets.window(column, row))
        for page, (row, column) in zip(pages, places, strict=False)
    ]


def _sheet(
    content: Content, page: Page, sheets: Sheets, window: tuple[float, float, float, float]
) -> bytes:
    elements = _elements(content.groups)
    layers = {
        layer_name(element, kind): (7, meaning) for element, kind, meaning in _ON_SHEET.values()
    } | {layer_name(element, _ELEMENT): (7, meaning) for element, meaning, _, _ in _WALL.values()}
    for group, element in zip(content.groups, elements, strict=True):
        layers[layer_name(element, _ELEMENT)] = (7, f"{group.heading}: {group.name}"[:200])
        layers[layer_name(element, _HATCH)] = (7, f"Hatch of {group.name}"[:200])
    layers["VIEW"] = (8, "Edge of the view on the wall; not printed")
    drawing = new_drawing(layers, metres=True)
    drawing.appids.add("FACADEMAP")
    drawing.styles.add("SHEET", font="OpenSans-Regular.ttf")
    drawing.layers.get("VIEW").dxf.plot = 0
    for element, _, colour, pen in _WALL.values():
        _look(drawing, layer_name(element, _ELEMENT), colour, pen)
    for group, element in zip(content.groups, elements, strict=True):
        weight = float(np.median(group.weights_mm)) if len(group.weights_mm) else 0.25
        _look(drawing, layer_name(element, _ELEMENT), group.colour, weight)
        _look(drawing, layer_name(element, _HATCH), group.colour, 0.13)
    _model(drawing.modelspace(), content, elements, shapely.box(*window), sheets)
    _layout(drawing, page, sheets, window)
    return dxf_bytes(drawing)


def _elements(groups: Sequence[Group]) -> list[str]:
    """A code of at most six signs for each group: its abbreviation, with a number where it is taken already."""
    found: list[str] = []
    taken = {element for element, *_ in _WALL.values()}
    for n, group in enumerate(groups, start=1):
        plain = "".join(c for c in printable(group.short).upper() if c.isascii() and c.isalnum())
        numbered = (f"{plain[: 6 - len(str(k))]}{k}" for k in itertools.count(n))
        code = plain[:6] or f"G{n}"
        while code in taken:
            code = next(numbered)
        found.append(code)
        taken.add(code)
    return found


def _rgb(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))


def _look(drawing: Any, layer: str, colour: str, pen_mm: float) -> None:
    drawing.layers.get(layer).rgb = _rgb(colour)
    drawing.layers.get(layer).dxf.lineweight = pen_of(pen_mm)


def _model(
    space: Any, content: Content, elements: Sequence[str], field: Any, sheets: Sheets
) -> None:
    """What of the wall meets the sheet, in metres."""
    for key, shapes in (("stones", content.stones), ("openings", content.openings)):
        for shape in shapes if len(shapes) else ():
            for part in shapely.get_parts(shape) if field.intersects(shape) else ():
                add_outline(space, part, layer_name(_WALL[key][0], _ELEMENT), "")
    panels = layer_name(_WALL["panels"][0], _ELEMENT)
    for panel in content.panels:
        add_outline(space, shapely.box(*panel.box), panels, panel.name)
    if content.relief is not None:
        contours, sections = (layer_name(_WALL[k][0], _ELEMENT) for k in ("contours", "sections"))
        add_relief(space, content.relief, contours=contours, sections=sections)
    for group, element in zip(content.groups, elements, strict=True):
        for shape, label, weight, waiting in zip(
            group.shapes, group.labels, group.weights_mm, group.proposed, strict=True
        ):
            if not field.intersects(shape):
                continue
            for part in shapely.get_parts(shape):
                if part.geom_type == "Polygon":
                    add_hatch(space, part, layer_name(element, _HATCH), group.hatch, sheets.scale / 1000.0)  # fmt: skip
                line = part.geom_type == "LineString"
                dash = PROPOSED_DASH_MM if waiting else DASH_OF_LINE.get(group.name, ()) * line
                add_outline(
                    space,
                    part,
                    layer_name(element, _ELEMENT),
                    label,
                    pen=pen_of(float(weight) + LINE_EXTRA_MM * line),
                    dash=_dashes(space.doc, dash),
                )


def _layout(
    drawing: Any, page: Page, sheets: Sheets, window: tuple[float, float, float, float]
) -> None:
    """The sheet in millimetres, with the view on the wall at its scale."""
    layout = drawing.layout("Layout1")
    layout.page_setup(
        size=(round(page.width_mm, 2), round(page.height_mm, 2)), margins=(0, 0, 0, 0), units="mm"
    )
    x, y, w, h = (v * sheets.frame.enlarge for v in sheets.frame.field)
    view = layout.add_viewport(
        center=(x + w / 2, y + h / 2),
        size=(w, h),
        view_center_point=((window[0] + window[2]) / 2, (window[1] + window[3]) / 2),
        view_height=window[3] - window[1],
        status=2,
    )
    view.dxf.layer = "VIEW"
    for mark in page.marks:
        if mark.layer in _ON_SHEET:
            element, kind, _ = _ON_SHEET[mark.layer]
            for _ in _put(layout, mark, {"layer": layer_name(element, kind)}):
                pass


def _put(layout: Any, mark: Any, look: dict[str, Any]) -> Iterator[Any]:
    if isinstance(mark, Lines):
        for a, b in mark.segments:
            yield layout.add_line(
                tuple(a),
                tuple(b),
                dxfattribs=look | _stroke(mark.ink, mark.width_mm) | _dashed(layout, mark.dash_mm),
            )
    elif isinstance(mark, Rings):
        # paper is white already: a white ground only hides what other programs draw in another order
        if mark.fill and mark.fill.lower() != "#ffffff":
            yield _filled(layout, mark, look)
        for ring in mark.rings if mark.ink else ():
            yield layout.add_lwpolyline(
                [(float(x), float(y)) for x, y in ring],
                close=mark.closed,
                dxfattribs=look | _stroke(mark.ink, mark.width_mm) | _dashed(layout, mark.dash_mm),
            )
    elif isinstance(mark, Disc):
        for x, y in mark.centres:
            ink = mark.ink or mark.fill
            yield layout.add_circle(
                (float(x), float(y)), mark.radius_mm, dxfattribs=look | _stroke(ink, mark.width_mm)
            )
    elif isinstance(mark, Text):
        yield _text(layout, mark, look)


def _stroke(ink: str | None, width_mm: float) -> dict[str, Any]:
    red, green, blue = _rgb(ink or "#111111")
    return {
        "true_color": ezdxf.colors.rgb2int((red, green, blue)),
        "lineweight": pen_of(width_mm),
    }


def _dashed(layout: Any, dash_mm: Sequence[float]) -> dict[str, Any]:
    name = _dashes(layout.doc, dash_mm)
    return {"linetype": name} if name else {}


def _dashes(drawing: Any, dash_mm: Sequence[float]) -> str:
    """Name of a kind of line of these strokes and gaps, in millimetres of the sheet; empty for a full line."""
    if not dash_mm:
        return ""
    name = "DASH-" + "-".join(f"{d:g}" for d in dash_mm)
    if name not in drawing.linetypes:
        pattern = [d if n % 2 == 0 else -d for n, d in enumerate(dash_mm)]
        drawing.linetypes.add(name, pattern=[sum(dash_mm), *pattern], description=name)
    return name


def _filled(layout: Any, mark: Rings, look: dict[str, Any]) -> Any:
    hatch = layout.add_hatch(dxfattribs=look)
    hatch.rgb = _rgb(mark.fill or "#111111")
    hatch.transparency = round(1.0 - mark.opacity, 2)
    for ring in mark.rings:
        hatch.paths.add_polyline_path([(float(x), float(y)) for x, y in ring], is_closed=True)
    return hatch


def _text(layout: Any, mark: Text, look: dict[str, Any]) -> Any:
    """Writing as wide as on our own sheet in whatever typeface the other program has."""
    wide = text_width_mm(mark.text, mark.size_pt, mark.weight)
    turn = np.radians(mark.angle_deg)
    along = np.array([np.cos(turn), np.sin(turn)])
    share = {"left": 0.0, "centre": 0.5, "right": 1.0}[mark.anchor]
    start = np.array([mark.x_mm, mark.y_mm]) - along * wide * share
    text = layout.add_text(
        printable(mark.text),
        height=mark.size_pt * MM_PER_PT * _CAPITAL,
        dxfattribs=look | {"style": "SHEET", "true_color": ezdxf.colors.rgb2int(_rgb(mark.ink))},  # type: ignore[arg-type]
    )
    if wide < 0.1:
        text.set_placement(tuple(start))
    else:
        end = start + along * wide
        text.set_placement(tuple(start), tuple(end), align=TextEntityAlignment.FIT)
    return text
