"""What speaks against shapes being what they are taken for: sizes, place, the same outline twice."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from facademap.errors import GeometryError, InputError
from facademap.limits import limits_now, raise_limit
from facademap.store.project import Project
from facademap.tables import Table, is_missing
from facademap.tasks.survey.understand_shapes import (
    FEWEST_ON_PICTURE,
    USUAL_AREA_M2,
    SurfacePlace,
    on_extent,
    place_of_surface,
    plausible_units,
)

__all__ = ["IDENTICAL_SHARE", "find_doubts", "identical_pairs", "say_understood"]

#: Two outlines that share this much of both are one outline twice.
IDENTICAL_SHARE = 0.95
_ROWS_AT_ONCE = 64
#: A single shape this many times beyond the usual sizes is named.
FAR_BEYOND = 4.0
_ACCEPT = "or store them in spite of it with --accept-doubts"
_WORTH_NAMING = {
    "wall_stones": ("course", "number", "stone_type", "bed", "depth_m"),
    "openings": ("kind",),
    "conditions": ("depth_m", "cc", "uc"),
}


def find_doubts(
    project: Project,
    moved: gpd.GeoDataFrame,
    as_read: gpd.GeoDataFrame,
    place: SurfacePlace,
    *,
    kind: str,
    converted: bool,
) -> tuple[list[InputError], list[str]]:
    """Doubts that stop an intake, and notes that do not.

    Parameters
    ----------
    project : Project
    moved, as_read : GeoDataFrame
        Shapes in metres of the wall, and as they stand in the file.
    place : SurfacePlace
    kind : str
        Table.
    converted : bool
        Whether a unit or system was stated; else other units are tried for the remedy.
    """
    shapes = moved.geometry.to_numpy()
    labels = _labels(moved)
    doubts = _sizes(shapes, labels, kind)
    share = on_extent(shapes, place.extent)
    notes = []
    if share < FEWEST_ON_PICTURE:
        doubts.append(
            InputError(
                f"{share * 100:.0f} % of the shapes lie on surface {place.surface} (u {_span(place, 0)}, v {_span(place, 1)} m)",
                f"Check the frame of the file, {_ACCEPT}.",
            )
        )
    elif share < 1:
        box = shapely.box(*place.extent.as_tuple()) if place.extent else None
        off = [n for n, s in zip(labels, shapes, strict=True) if box and not s.intersects(box)]
        notes.append(f"off the picture of {place.surface}: {_named(off)}")
    if doubts and not converted:
        fits = plausible_units(as_read, place, kind=kind)
        if fits:
            words = "; ".join(f"--unit {u}: {p * 100:.0f} % on the wall" for u, p, _ in fits)
            doubts[0] = InputError(
                f"read as metres, {doubts[0].problem}", f"Name the unit ({words}), {_ACCEPT}."
            )
        else:
            doubts[0] = InputError(f"read as metres, {doubts[0].problem}", doubts[0].remedy)
    same = _identical(project, moved, place.surface, kind)
    if same and kind == "conditions":
        notes.append(f"the same outline twice: {_named(same)}")
    elif same:
        doubts.append(InputError(f"the same outline twice: {_named(same)}", "Remove one of them."))
    return doubts, notes


def without_lines(frame: gpd.GeoDataFrame, kind: str) -> tuple[gpd.GeoDataFrame, list[InputError]]:
    """Outlines of stones and openings alone; lines and points among them, as drawings have, are a doubt.

    Parameters
    ----------
    frame : GeoDataFrame
    kind : str
        Conditions may be lines and points, so that all are kept.

    Returns
    -------
    GeoDataFrame, list of InputError
    """
    is_line = shapely.get_dimensions(frame.geometry.to_numpy()) < 2
    if kind == "conditions" or not is_line.any() or is_line.all():
        return frame, []
    named = [n for n, line in zip(_labels(frame), is_line, strict=True) if line]
    return frame[~is_line], [
        InputError(
            f"{len(named)} of {len(frame)} shapes are open lines or points, no outlines: {_named(named)}",
            "Close them in the drawing, read one layer alone with --layer, or leave them out with --accept-doubts.",
        )
    ]


def _sizes(shapes: Any, labels: list[str], kind: str) -> list[InputError]:
    """The middle size and single ones against what is usual."""
    areas = shapely.area(shapes)
    filled = areas[areas > 0]
    if not len(filled):
        return []
    low, high = USUAL_AREA_M2[kind]
    middle = float(np.median(filled))
    what = kind.replace("_", " ")
    if not low <= middle <= high:
        return [
            InputError(
                f"half of the {what} are {'larger' if middle > high else 'smaller'} than {middle:.4g} m2",
                f"Name the unit of the coordinates with --unit (mm, cm, in, ft, px), {_ACCEPT}.",
            )
        ]
    odd = [
        f"{name} ({area:.4g} m2)"
        for name, area in zip(labels, areas, strict=True)
        if area > high * FAR_BEYOND or 0 < area < low / 100
    ]
    if not odd:
        return []
    return [
        InputError(
            f"{len(odd)} {what} have sizes that none has: {_named(odd)}",
            f"Correct or remove them, {_ACCEPT}.",
        )
    ]


def _identical(project: Project, moved: gpd.GeoDataFrame, surface: str, kind: str) -> list[str]:
    labels = _labels(moved)
    shapes = moved.geometry.to_numpy()
    inside = [f"{labels[a]} = {labels[b]}" for a, b in identical_pairs(shapes, shapes, one=True)]
    old = project.read(kind, where={"surface": surface})
    named = {str(i) for i in moved["id"] if not is_missing(i)}
    kept = old[~old["id"].isin(named)]
    pairs = identical_pairs(shapes, kept.geometry.to_numpy(), one=False)
    return inside + [f"{labels[a]} = {kept['id'].iloc[b]} of the project" for a, b in pairs]


def identical_pairs(first: Any, second: Any, *, one: bool) -> list[tuple[int, int]]:
    """Pairs of outlines that are one and the same; with ``one`` both are one list, each pair once."""
    if not len(first) or not len(second):
        return []
    most_pairs = limits_now().overlaps
    first, second = shapely.force_2d(first), shapely.force_2d(second)
    found: list[tuple[int, int]] = []
    tree, looked_at = shapely.STRtree(second), 0
    areas = [np.where(shapely.is_valid(s), shapely.area(s), 0.0) for s in (first, second)]
    for start in range(0, len(first), _ROWS_AT_ONCE):
        a, b = tree.query(first[start : start + _ROWS_AT_ONCE])
        a = a + start
        keep = (a < b) if one else np.ones(len(a), dtype=bool)
        least = np.minimum(areas[0][a], areas[1][b])
        most = np.maximum(areas[0][a], areas[1][b])
        near = keep & (least > 0) & (least >= IDENTICAL_SHARE * most)
        a, b, most = a[near], b[near], most[near]
        # shapes that are one and the same have the same box
        off = np.abs(shapely.bounds(first[a]) - shapely.bounds(second[b])).max(axis=1, initial=0.0)
        near = off <= np.sqrt(most)
        a, b, most = a[near], b[near], most[near]
        looked_at += len(a)
        if looked_at > most_pairs:
            raise GeometryError(
                f"more than {most_pairs} pairs of outlines lie over each other",
                f"Look for outlines that were read twice, {raise_limit('overlaps')}.",
            )
        shared = shapely.area(shapely.intersection(first[a], second[b]))
        same = shared >= IDENTICAL_SHARE * most
        found += [(int(x), int(y)) for x, y in zip(a[same], b[same], strict=True)]
    return found


def say_understood(frame: gpd.GeoDataFrame, table: Table, project: Project) -> str:
    """One line: how many, how large, how much on the picture, what is not given."""
    shapes = frame.geometry.to_numpy()
    area, length = float(shapely.area(shapes).sum()), _line_length(shapes)
    text = f"{len(frame)} {table.title.lower()}"
    text += f", {area:.2f} m2" if area else ""
    text += f", {length:.1f} m of lines" if length else ""
    shares = [
        (on_extent(part.geometry.to_numpy(), place.extent), len(part))
        for name, part in frame.groupby("surface", sort=False)
        if (place := place_of_surface(project, str(name))).extent is not None
    ]
    if shares:
        share = sum(s * n for s, n in shares) / sum(n for _, n in shares)
        text += f", {share * 100:.0f} % on the picture"
    unknown = [
        c
        for c in _WORTH_NAMING[table.name]
        if c not in frame or all(is_missing(v) for v in frame[c])
    ]
    return text + (f"; unknown: {', '.join(unknown)}" if unknown else "")


def _line_length(shapes: Any) -> float:
    lines = shapely.get_dimensions(shapes) == 1
    return float(shapely.length(shapes[lines]).sum())


def _labels(frame: gpd.GeoDataFrame) -> list[str]:
    return [
        str(i) if not is_missing(i) else f"shape {k}" for k, i in enumerate(frame["id"], start=1)
    ]


def _named(names: list[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _span(place: SurfacePlace, axis: int) -> str:
    assert place.extent is not None
    box = place.extent.as_tuple()
    return f"{box[axis]:.2f} to {box[axis + 2]:.2f}"
