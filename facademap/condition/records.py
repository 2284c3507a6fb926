"""Conditions as records: term and family, sound outlines, wall stone, areas, overlaps.

Every function takes frames in wall coordinates (metres) and leaves them as they were.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from facademap.condition.glossary import find_term
from facademap.errors import GeometryError, InputError, TableError
from facademap.limits import Limits, limits_now, raise_limit
from facademap.wall.mending import mend

__all__ = [
    "attach_wall_stones",
    "class_wall_stones",
    "classify_terms",
    "find_overlaps",
    "measure_area_m2",
    "measure_length_m",
    "mend_outlines",
]

#: A mended outline may change its area by this share before it counts as a different outline (project rule).
MEND_TOLERANCE = 0.02
#: How far a point or line may lie beside a wall stone, in a joint say, and still belong to it (project rule).
ATTACH_DISTANCE_M = 0.05
_ROWS_AT_ONCE = 64
#: Two outlines are compared while the product of their corners is below the limit of corners times this.
_LIGHT_CORNERS = 2_000
#: Overlaps of the same term smaller than this are drawing noise (project rule).
OVERLAP_AREA_M2 = 1e-4


def classify_terms(conditions: pd.DataFrame) -> pd.DataFrame:
    """Term in glossary spelling, with its family and layer.

    Parameters
    ----------
    conditions : DataFrame
        With a column ``term``.

    Returns
    -------
    DataFrame
        Columns ``term``, ``family``, ``layer`` on the same index.

    Raises
    ------
    TableError
        Naming every row whose term is not in the glossary.
    """
    rows, faults = [], []
    for index, name in conditions["term"].items():
        try:
            term = find_term(str(name))
            rows.append((term.name, term.family, term.layer))
        except InputError as error:
            label = conditions.at[index, "id"] if "id" in conditions else index
            faults.append(f"{label}: {error.problem} ({error.remedy})")
            rows.append(("", "", ""))
    if faults:
        raise TableError(
            f"{len(faults)} condition{'s' if len(faults) > 1 else ''} with unknown terms: {'; '.join(faults[:3])}",
            "Use the words of facademap glossary.",
            faults=tuple(faults),
        )
    return pd.DataFrame(
        rows, columns=["term", "family", "layer"], index=conditions.index, dtype=object
    )


def mend_outlines(
    frame: gpd.GeoDataFrame, *, limits: Limits | None = None
) -> tuple[gpd.GeoSeries, tuple[str, ...]]:
    """Outlines that are valid: small faults are mended, others refused.

    Parameters
    ----------
    frame : GeoDataFrame
        With a column ``id``; rings that cross themselves, repeat points or lie inside out are looked for.
    limits : Limits
        Corners of one outline and of all, and crossings of one.

    Returns
    -------
    geometry : GeoSeries
        Valid outlines on the same index.
    notes : tuple of str
        One sentence for every outline that was mended.

    Raises
    ------
    GeometryError
        Naming every outline whose meaning would change.
    """
    limits = limits or limits_now()
    shapes = frame.geometry.to_numpy().copy()
    total = int(shapely.get_num_coordinates(shapes).sum())
    if total > limits.corners_in_all:
        raise GeometryError(
            f"{total} corners in {len(shapes)} outlines, more than {limits.corners_in_all}",
            f"Read the file in parts, {raise_limit('corners_in_all')}.",
        )
    notes, faults = [], []
    remedy = "Draw these outlines again so that they do not cross themselves."
    for position, (shape, label) in enumerate(zip(shapes, frame["id"], strict=True)):
        if shape is None or shape.is_empty:
            continue
        try:
            mended = mend(shape, name=str(label), limits=limits)
        except GeometryError as error:
            faults.append(error.problem)
            remedy = error.remedy
            continue
        if mended is shape:
            continue
        reason = shapely.is_valid_reason(shape)
        claimed = _ring_area(shape)
        if abs(mended.area - claimed) > MEND_TOLERANCE * max(claimed, 1e-12):
            faults.append(f"{label}: {reason}")
        else:
            shapes[position] = mended
            notes.append(f"{label}: mended ({reason})")
    if faults:
        raise GeometryError(
            f"{len(faults)} outline{'s' if len(faults) > 1 else ''} cannot be mended without guessing: "
            + "; ".join(faults[:3]),
            remedy,
        )
    return gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs), tuple(notes)


def _ring_area(shape: shapely.Geometry) -> float:
    """Area by the rings as drawn (shoelace formula); a figure of eight cancels itself out."""
    if shapely.get_dimensions(shape) != 2:
        return 0.0
    return float(
        sum(
            abs(shapely.Polygon(p.exterior).area)
            - sum(shapely.Polygon(r).area for r in p.interiors)
            for p in shapely.get_parts(shape)
        )
    )


def attach_wall_stones(conditions: gpd.GeoDataFrame, wall_stones: gpd.GeoDataFrame) -> pd.Series:
    """The wall stone that most of each condition lies on.

    Parameters
    ----------
    conditions, wall_stones : GeoDataFrame
        With ``id`` and ``surface``; only stones of the same surface are looked at.

    Returns
    -------
    Series of str or None
        Name ``wall_stone``, index of ``conditions``. By largest shared area for outlines, longest
        shared length for lines, nearest stone within 5 cm otherwise.
    """
    result = pd.Series(
        [None] * len(conditions), index=conditions.index, name="wall_stone", dtype=object
    )
    for surface, part in conditions.groupby("surface"):
        stones = wall_stones[wall_stones["surface"] == surface]
        if stones.empty:
            continue
        shapes, ids = stones.geometry.to_numpy(), stones["id"].to_numpy()
        tree = shapely.STRtree(shapes)
        geometries = part.geometry.to_numpy()
        asked, hit = tree.query(geometries, predicate="intersects")
        shared = shapely.intersection(geometries[asked], shapes[hit])
        weight = np.where(
            shapely.get_dimensions(geometries[asked]) == 2,
            shapely.area(shared),
            shapely.length(shared),
        )
        order = np.lexsort((ids[hit].astype(str), -weight, asked))
        first = np.unique(asked[order], return_index=True)[1]
        for k in order[first]:
            result.loc[part.index[asked[k]]] = ids[hit[k]]
        lonely = np.setdiff1d(np.arange(len(part)), asked)
        if len(lonely):
            near, found = tree.query_nearest(
                geometries[lonely], max_distance=ATTACH_DISTANCE_M, all_matches=False
            )
            for k, stone in zip(near, found, strict=True):
                result.loc[part.index[lonely[k]]] = ids[stone]
    return result


def class_wall_stones(wall_stones: pd.DataFrame, conditions: pd.DataFrame) -> pd.DataFrame:
    """Condition, urgency and recommendation class of each wall stone.

    Parameters
    ----------
    wall_stones : DataFrame
        With ``id`` and the classes that a surveyor gave, missing where none was given.
    conditions : DataFrame
        With ``wall_stone`` and classes.

    Returns
    -------
    DataFrame
        Columns ``cc``, ``uc``, ``rc`` on the index of ``wall_stones``: the surveyor's class, else the highest
        of the conditions on the stone, 0 for a stone without conditions, missing where none of them is classed.
    """
    known = conditions[conditions["wall_stone"].notna()] if len(conditions) else conditions
    result = {}
    for name in ("cc", "uc", "rc"):
        highest = pd.to_numeric(known[name], errors="coerce").groupby(known["wall_stone"]).max()
        found = wall_stones["id"].map(highest).astype(float)
        found = found.where(wall_stones["id"].isin(set(known["wall_stone"])), 0.0)
        given = pd.to_numeric(wall_stones[name], errors="coerce")
        result[name] = given.where(given.notna(), found)
    return pd.DataFrame(result, index=wall_stones.index)


def measure_area_m2(frame: gpd.GeoDataFrame, openings: gpd.GeoDataFrame) -> pd.Series:
    """Area of outlines, net of architectural openings on the same surface.

    Returns
    -------
    Series of float
        Name ``area_m2``, index of ``frame``; 0 for lines and points. The area is measured in the wall
        frame, since a vertical wall has no area on a plan.
    """
    shapes = frame.geometry.to_numpy()
    area = shapely.area(shapes)
    for surface in frame["surface"].unique():
        void = openings[openings["surface"] == surface] if len(openings) else openings
        if void.empty:
            continue
        union = shapely.union_all(void.geometry.to_numpy())
        shapely.prepare(union)
        mask = (frame["surface"] == surface).to_numpy() & (shapely.get_dimensions(shapes) == 2)
        crossed = mask & shapely.intersects(union, shapes)
        area[crossed] = shapely.area(shapely.difference(shapes[crossed], union))
    return pd.Series(
        np.where(np.isfinite(area), area, 0.0), index=frame.index, name="area_m2", dtype=float
    )


def measure_length_m(frame: gpd.GeoDataFrame) -> pd.Series:
    """Length of lines; missing for outlines and points."""
    shapes = frame.geometry.to_numpy()
    lines = shapely.get_dimensions(shapes) == 1
    return pd.Series(
        np.where(lines, shapely.length(shapes), np.nan),
        index=frame.index,
        name="length_m",
        dtype=float,
    )


def find_overlaps(conditions: gpd.GeoDataFrame, *, limits: Limits | None = None) -> pd.DataFrame:
    """Pairs of outlines of the same term on one surface that overlap, so that areas would count twice.

    Returns
    -------
    DataFrame
        Columns ``a``, ``b`` (ids), ``term``, ``area_m2``, largest first.

    Raises
    ------
    GeometryError
        More outlines lie over each other than the limit ``overlaps`` lets be looked at.
    """
    rows = []
    for (_, term), part in conditions.groupby(["surface", "term"]):
        outlines = part[shapely.get_dimensions(part.geometry.to_numpy()) == 2]
        shapes, ids = outlines.geometry.to_numpy(), outlines["id"].to_numpy()
        if len(shapes) < 2:
            continue
        for i, j, area in _shared_areas(shapes, limits or limits_now()):
            rows.append((ids[i], ids[j], term, area))
    frame = pd.DataFrame(rows, columns=["a", "b", "term", "area_m2"])
    return frame.sort_values(
        ["area_m2", "a", "b"], ascending=[False, True, True], ignore_index=True
    )


def _shared_areas(shapes: NDArray[Any], limits: Limits) -> Iterator[tuple[int, int, float]]:
    """Pairs that share more than a trace of area, a few thousand pairs at a time."""
    tree, looked_at = shapely.STRtree(shapes), 0
    corners = shapely.get_num_coordinates(shapes)
    for start in range(0, len(shapes), _ROWS_AT_ONCE):
        first, second = tree.query(shapes[start : start + _ROWS_AT_ONCE])
        first = first + start
        first, second = first[first < second], second[first < second]
        looked_at += len(first)
        # two outlines of very many corners can cross in as many places as the product of them
        heavy = corners[first] * corners[second] > limits.corners * _LIGHT_CORNERS
        if looked_at > limits.overlaps or heavy.any():
            raise GeometryError(
                f"more than {limits.overlaps} pairs of outlines lie over each other, or some of very many corners do",
                f"Look for outlines that were read twice, draw them with fewer corners, {raise_limit('overlaps')}.",
            )
        areas = shapely.area(shapely.intersection(shapes[first], shapes[second]))
        for k in np.flatnonzero(areas > OVERLAP_AREA_M2):
            yield int(first[k]), int(second[k]), float(areas[k])
