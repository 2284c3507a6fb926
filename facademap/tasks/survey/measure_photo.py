"""Use case: lengths and areas picked in a photo, each with its range at 95 %."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from shapely import MultiPoint, Polygon
from shapely.validation import explain_validity

from facademap.errors import InputError
from facademap.io.camera_files import read_camera_for
from facademap.io.csv_tables import read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, picked_pixel
from facademap.io.pictures import read_picture_info
from facademap.io.whole_files import write_whole
from facademap.photo.measure import measure_area, measure_length
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.photo.proof import control_hull_m
from facademap.tasks.survey.control_table import control_in_photo

__all__ = ["measure_in_photo"]


def measure_in_photo(
    photo: Path,
    control: Path,
    shapes: Path,
    out: Path,
    *,
    camera: Path | None = None,
    stored_pixels: bool = False,
    pick_px: float | None = None,
    relief_m: float = 0.0,
) -> dict[str, Any]:
    """Measure lines and rings picked in a photo of a flat wall.

    Parameters
    ----------
    photo, control : Path
    shapes : Path
        CSV ``shape,kind,x_px,y_px``: the rows of one shape are its corners in order; kind ``length`` or
        ``area``.
    out : Path
        CSV ``shape,kind,value,unit,plus_minus_95``.
        Empty in ``plus_minus_95`` where the points can vouch for nothing.
    camera : Path, optional
    stored_pixels : bool
        All pixels were picked in the stored picture, before the turn that its EXIF asks for.
    pick_px : float, optional
        One-sigma precision of the picked corners; default: as the surplus control points were picked, else as stated.
    relief_m : float
        How far what is measured stands out of the plane of the control, one sigma.

    Returns
    -------
    dict
    """
    info = read_picture_info(photo)
    size = (info.width_px, info.height_px)
    rows = read_csv_rows(
        shapes,
        columns=("shape", "kind", "x_px", "y_px"),
        optional=(PIXELS_COLUMN,),
        what="shapes file",
    )
    corners: dict[str, list[tuple[float, float]]] = {}
    kinds: dict[str, str] = {}
    for row in rows:
        name, kind = row.text("shape"), row.text("kind").lower()
        if kind not in ("length", "area"):
            raise InputError(f"{row.where}: kind is {kind!r}", "Give length or area.")
        if kinds.setdefault(name, kind) != kind:
            raise InputError(f"{row.where}: shape {name} has two kinds", "Give one kind a shape.")
        corners.setdefault(name, []).append(picked_pixel(row, info.turn, stored=stored_pixels))
    table = control_in_photo(control, turn=info.turn, stored_pixels=stored_pixels)
    view = fit_plane_view(
        table.points,
        width_px=size[0],
        height_px=size[1],
        camera=read_camera_for(camera, info.turn, stored_pixels=stored_pixels) if camera else None,
        focal_35mm_mm=info.focal_35mm_mm,
    )
    results = []
    for name, picked in corners.items():
        _refuse_unusable(name, kinds[name], picked, size)
        places = view.wall_from_pixel(*np.array(picked).T)
        if not np.isfinite(places).all():
            raise InputError(
                f"shape {name} reaches beyond the horizon of the wall", "Pick its corners again."
            )
        measure = measure_length if kinds[name] == "length" else measure_area
        found = measure(view, places, pick_px=pick_px, relief_m=relief_m)
        results.append(
            {
                "shape": name,
                "kind": kinds[name],
                "value": found.value,
                "unit": "m" if kinds[name] == "length" else "m2",
                "plus_minus_95": found.plus_minus_95 if view.can_vouch else None,
            }
        )
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("shape", "kind", "value", "unit", "plus_minus_95"))
    for r in results:
        half = r["plus_minus_95"]
        writer.writerow(
            (
                r["shape"],
                r["kind"],
                f"{r['value']:.5f}",
                r["unit"],
                "" if half is None else f"{half:.5f}",
            )
        )
    write_whole(out, text.getvalue())
    return {
        "out": str(out),
        "shapes": results,
        **table.report(),
        "lens": view.lens,
        "pick_px": view.sigma_px,
        "pick_source": "surplus points" if view.quality.surplus > 0 else "stated",
        "warnings": [
            *_silence(view),
            *_outside(view, corners),
            *(b.sentence() for b in view.blunders),
            *view.flags,
            *table.notes,
        ],
    }


def _silence(view: PlaneView) -> list[str]:
    """Why no range is given, where none is."""
    if view.can_vouch:
        return []
    cause = (
        view.doubts[0]
        if view.doubts
        else "the control fits by construction and the lens is not known: add points, or give --camera"
    )
    return [f"no plus or minus is given: {cause}"]


def _outside(view: PlaneView, corners: Mapping[str, list[tuple[float, float]]]) -> list[str]:
    """Shapes that reach beyond the control, where places are extrapolated."""
    hull = Polygon(control_hull_m(view.points.wall_m[view.used]))
    names = [
        name
        for name, picked in corners.items()
        if not hull.buffer(1e-6).covers(MultiPoint(view.wall_from_pixel(*np.array(picked).T)))
    ]
    if not names:
        return []
    listed = ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
    return [f"outside the control, and so extrapolated: {listed}"]


def _refuse_unusable(
    name: str, kind: str, picked: list[tuple[float, float]], size_px: tuple[int, int]
) -> None:
    """Corners outside the picture, and rings that cross themselves, whose area means nothing."""
    for x, y in picked:
        if not (-0.5 <= x <= size_px[0] - 0.5 and -0.5 <= y <= size_px[1] - 0.5):
            raise InputError(
                f"shape {name}: pixel ({x:g}, {y:g}) lies outside the picture of {size_px[0]} x {size_px[1]} px",
                "Pick its corners again in the upright picture, or say --stored-pixels.",
            )
    if kind == "area" and len(picked) >= 3:
        ring = Polygon(picked)
        if not ring.is_valid:
            raise InputError(
                f"shape {name} crosses itself ({explain_validity(ring)})",
                "Give its corners in order round the outline.",
            )
