"""Closed polylines, lines and points of a CAD drawing, with layer, label and the unit that the drawing states."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.errors import FileError, InputError

__all__ = ["DxfShape", "read_dxf"]

#: Value of $INSUNITS and our word for it (DXF reference, HEADER section).
_UNITS = {1: "in", 2: "ft", 4: "mm", 5: "cm", 6: "m", 21: "ftus"}
#: A curve is followed to this share of the drawing's size.
_CURVE_SHARE = 1e-4
_OUTLINES = ("LWPOLYLINE", "POLYLINE", "LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE")

DxfShape = dict[str, Any]


def read_dxf(path: Path, *, layer: str | None) -> tuple[list[DxfShape], str | None, list[str]]:
    """Shapes of the model space.

    Parameters
    ----------
    path : Path
    layer : str, optional
        Only this layer.

    Returns
    -------
    shapes : list of mapping
        ``geometry`` (with z where it has one), ``layer``, ``label`` (a text that stands alone in it).
    unit : str or None
        Unit that the drawing states.
    notes : list of str
        What was left out.

    Raises
    ------
    FileError, InputError
    """
    import ezdxf
    from ezdxf import recover

    if not path.is_file():
        raise FileError(f"{path}: there is no such file", "Check the path.")
    try:
        drawing, _ = recover.readfile(path)
    except (ezdxf.DXFError, OSError, ValueError, IndexError, KeyError) as error:
        raise InputError(
            f"{path.name}: cannot be read as a DXF drawing ({type(error).__name__})",
            "Save it again as DXF from the CAD program.",
        ) from None
    entities = list(drawing.modelspace())
    layers = sorted({str(e.dxf.layer) for e in entities if e.dxftype() in (*_OUTLINES, "POINT")})
    if layer is not None and layer not in layers:
        raise InputError(
            f"{path.name}: has no outlines on a layer {layer!r}",
            f"Use one of {', '.join(layers[:12]) or 'the layers with outlines'}.",
        )
    chosen = [e for e in entities if layer is None or e.dxf.layer == layer]
    # a block is not read, and one that holds blocks of blocks has no end
    size = _size([e for e in chosen if e.dxftype() in (*_OUTLINES, "POINT")])
    shapes: list[DxfShape] = []
    left_out: dict[str, int] = {}
    for entity in chosen:
        kind = entity.dxftype()
        geometry = _geometry(entity, kind, size)
        if geometry is not None:
            shapes.append({"geometry": geometry, "layer": str(entity.dxf.layer), "label": None})
        elif kind not in ("TEXT", "MTEXT"):
            left_out[kind] = left_out.get(kind, 0) + 1
    _label(shapes, entities)
    notes = [
        f"{path.name}: {count} {kind} not read (outlines, lines and points are)"
        for kind, count in sorted(left_out.items())
    ]
    if layer is None and len(layers) > 1:
        notes.append(f"{path.name}: all layers were read: {', '.join(layers[:12])}")
    return shapes, _UNITS.get(int(drawing.header.get("$INSUNITS", 0) or 0)), notes


def _size(entities: list[Any]) -> float:
    from ezdxf import bbox

    box = bbox.extents(entities, fast=True)
    return float(max(box.size.x, box.size.y)) if box.has_data else 1.0


def _geometry(entity: Any, kind: str, size: float) -> Any:
    from ezdxf import path as curves

    if kind == "POINT":
        return shapely.Point(*entity.dxf.location)
    if kind not in _OUTLINES:
        return None
    if kind == "POLYLINE" and not (entity.is_2d_polyline or entity.is_3d_polyline):
        return None
    try:
        curve = curves.make_path(entity)
        corners = np.array([tuple(p) for p in curve.flattening(_CURVE_SHARE * size)], dtype=float)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    if len(corners) < 2 or not np.isfinite(corners).all():
        return None
    if not corners[:, 2].any():
        corners = corners[:, :2]
    # a draughtsman's closed outline whose last point falls on the first, without the flag
    closed = bool(np.abs(corners[0] - corners[-1]).max() <= 1e-6 * max(size, math.ulp(1.0)))
    if closed and len(corners) >= 4:
        return shapely.Polygon(corners)
    return shapely.LineString(corners)


def _label(shapes: list[DxfShape], entities: list[Any]) -> None:
    """A text inside one outline alone, and alone in it, is its label."""
    outlines = [(k, s["geometry"]) for k, s in enumerate(shapes) if s["geometry"].area > 0]
    texts = [
        (
            shapely.Point(e.dxf.insert.x, e.dxf.insert.y),
            str(e.plain_text() if kind == "MTEXT" else e.dxf.text),
        )
        for e in entities
        if (kind := e.dxftype()) in ("TEXT", "MTEXT")
    ]
    if not outlines or not texts:
        return
    tree = shapely.STRtree([shapely.force_2d(g) for _, g in outlines])
    text_of, outline_of = tree.query([p for p, _ in texts], predicate="within")
    per_text, per_outline = np.bincount(text_of, minlength=1), np.bincount(outline_of, minlength=1)
    for t, o in zip(text_of, outline_of, strict=True):
        if per_text[t] == 1 and per_outline[o] == 1:
            shapes[outlines[o][0]]["label"] = " ".join(texts[t][1].split())
