"""Drawing files for saw and water-jet: one piece, millimetres, one layer a use."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import ezdxf
import numpy as np
from ezdxf.enums import TextEntityAlignment

from facademap.repair.edges import edge_names, ring_of
from facademap.report.typeface import printable

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["CUT_LAYERS", "dxf_bytes", "new_drawing", "write_cut_dxf"]

#: Layer: its colour by the index of DXF, which every reader knows, and what it holds.
CUT_LAYERS: dict[str, tuple[int, str]] = {
    "CUT": (7, "Outline of the piece: cut here"),
    "ROUGH": (8, "Outline of the rough blank with its trim"),
    "DRILL": (1, "Holes, circles of their true diameter"),
    "BED": (3, "Direction of the natural bed"),
    "CUT-OUT": (5, "Edge of the cut-out in the wall, for reference"),
    "EDGES": (4, "Names of the edges, as on the ticket, each within the outline beside its edge"),
    "TEXT": (2, "Writing"),
}
#: Pens of the layers in hundredths of a millimetre, of the widths of ISO 128-2 (from memory): what is cut is drawn strongest.
_PENS = {"CUT": 50, "DRILL": 35, "ROUGH": 25, "CUT-OUT": 25, "BED": 18, "EDGES": 18, "TEXT": 18}


@contextlib.contextmanager
def _no_clock() -> Iterator[None]:
    """The library writes the hour and a random name into every file unless it is told not to."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def new_drawing(layers: dict[str, tuple[int, str]], *, metres: bool = False) -> Any:
    """An empty drawing in millimetres, or in metres."""
    with _no_clock():
        drawing = ezdxf.new("R2010", units=ezdxf.units.M if metres else ezdxf.units.MM)
    for name, (colour, meaning) in layers.items():
        layer = drawing.layers.add(name, color=colour)
        layer.description = printable(meaning)
    return drawing


def dxf_bytes(drawing: Any) -> bytes:
    """The file, without clock or random name in it."""
    text = io.StringIO(newline="\n")
    # left to itself the library lists them in the order of a set, which is another one in every process
    for name in sorted(drawing.entitydb.dxf_types_in_use()):
        drawing.classes.add_class(name)
    with _no_clock():
        drawing.write(text)
    return text.getvalue().encode("utf-8", "surrogateescape")


def write_cut_dxf(ticket: Ticket) -> bytes:
    """One piece, its lower left corner at the origin, seen from outside, top up."""
    drawing = new_drawing(CUT_LAYERS)
    for layer, pen in _PENS.items():
        drawing.layers.get(layer).dxf.lineweight = pen
    space = drawing.modelspace()
    shape = ticket.piece["geometry"]
    u0, v0, u1, v1 = shape.bounds
    width, height = (u1 - u0) * 1000, (v1 - v0) * 1000

    def ring(coordinates: Any, layer: str) -> None:
        points = (np.asarray(coordinates)[:-1] - (u0, v0)) * 1000
        space.add_lwpolyline(
            [(float(x), float(y)) for x, y in points], close=True, dxfattribs={"layer": layer}
        )

    ring(shape.exterior.coords, "CUT")
    for hole in shape.interiors:
        ring(hole.coords, "CUT")
    cut = ticket.repair["geometry"]
    if cut is not None and cut.geom_type == "Polygon":
        ring(cut.exterior.coords, "CUT-OUT")
    _blank(space, ticket, width, height)
    whole = ticket.assembly
    _edges(
        space,
        *((shape, edge_names(ring_of(shape))) if whole is None else (whole.piece, whole.names)),
    )
    _holes(space, ticket, u0, v0)
    if ticket.piece["bed"] in ("horizontal", "edge"):
        level = ticket.piece["bed"] == "horizontal"
        ends = (
            [(width * 0.3, height / 2), (width * 0.7, height / 2)]
            if level
            else [(width / 2, height * 0.3), (width / 2, height * 0.7)]
        )
        space.add_line(*ends, dxfattribs={"layer": "BED"})
    size = max(3.0, min(12.0, height * 0.08))
    depth_m = float(ticket.piece["depth_m"])
    said = ticket.say.both(depth_m) if ticket.say.inches else f"{depth_m * 1000:.1f} mm"
    lines = [
        f"{ticket.piece['id']}  depth {said}; the drawing is in mm",
        "TOP UP, SEEN FROM OUTSIDE",
    ]
    if not ticket.measured:
        lines.append("PROVISIONAL: MEASURE THE CUT-OUT")
    for k, text in enumerate(lines):
        space.add_text(printable(text), height=size, dxfattribs={"layer": "TEXT"}).set_placement(
            (0, -size * 1.6 * (k + 1) - 12)
        )
    return dxf_bytes(drawing)


def _edges(space: Any, shape: Any, names: Sequence[str]) -> None:
    """The name of every edge within the outline, its middle beside the middle of the edge, along it and to be read from below."""
    ring = ring_of(shape)
    u0, v0, u1, v1 = shape.bounds
    after = np.roll(ring, -1, axis=0)
    inward = np.column_stack([ring[:, 1] - after[:, 1], after[:, 0] - ring[:, 0]])
    if not shape.exterior.is_ccw:
        inward = -inward
    for name, a, b, way in zip(names, ring, after, inward, strict=True):
        length = float(np.hypot(*(b - a)))
        size = float(np.clip(min(0.05 * min(u1 - u0, v1 - v0), length / len(name)), 2e-3, 8e-3))
        at = ((a + b) / 2 + way / length * size * 1.2 - (u0, v0)) * 1000
        turn = (np.degrees(np.arctan2(*(b - a)[::-1])) + 90.0) % 180.0 - 90.0
        text = space.add_text(
            name, height=size * 1000, rotation=float(turn), dxfattribs={"layer": "EDGES"}
        )
        text.set_placement((float(at[0]), float(at[1])), align=TextEntityAlignment.MIDDLE_CENTER)


def _holes(space: Any, ticket: Ticket, u0: float, v0: float) -> None:
    """The hole of every rod whose place is known, about its mark."""
    for rod in ticket.rods:
        if rod.u_m is not None and rod.v_m is not None:
            space.add_circle(
                ((rod.mark[0] - u0) * 1000, (rod.mark[1] - v0) * 1000),
                (rod.hole_m or 0.009) * 500,
                dxfattribs={"layer": "DRILL"},
            )


def _blank(space: Any, ticket: Ticket, width: float, height: float) -> None:
    """The rough blank round the piece, turned back from its place on the block."""
    if ticket.place is None or not ticket.place["blank"]:
        return
    ring = np.asarray(ticket.place["blank"], dtype=float).reshape(-1, 2) * 1000
    turn = -np.radians(int(ticket.place["rotation_deg"] or 0))
    ring = ring @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    low, high = ring.min(axis=0), ring.max(axis=0)
    ring = ring - (low + high) / 2 + (width / 2, height / 2)
    space.add_lwpolyline(
        [(round(float(x), 6), round(float(y), 6)) for x, y in ring],
        close=True,
        dxfattribs={"layer": "ROUGH"},
    )
