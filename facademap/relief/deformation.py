"""Bulge, lean and step of a wall from its relief, against limits that a person sets.

Material for a structural engineer, never the judgement: a relief tells how a wall stands, not why, nor whether it moves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.relief.build import Relief
from facademap.relief.robust import plane_of

__all__ = ["Bulge", "Deformation", "DeformationLimits", "Step", "deformation_of"]

Floats = NDArray[np.floating[Any]]
_95 = 1.959964
#: Side of the pieces of wall whose medians make the large shape: joints and losses are no part of it.
_BLOCK_M = 0.10
_FEWEST_BLOCKS = 12
#: What is smaller is a stone that stands out: its steps tell it.
_LEAST_BULGE_M2 = 0.15
#: Stones closer than this are neighbours.
_BESIDE_M = 0.035
#: A step is told from cells so near the joint, without the rounded rim of the stones; fewest of them on each side.
_STRIP_M, _RIM_M, _FEWEST_CELLS = 0.10, 0.012, 40
#: Cells along one side that share their error.
_SHARED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class DeformationLimits:
    """What is worth a look. Starting values of ours, taken from no code of practice; an engineer sets them.

    Parameters
    ----------
    bulge_m : float
        Out of, or behind, the plane through the wall.
    lean_m_m : float
        Of that plane, metres out per metre up.
    step_m : float
        Between the faces of neighbouring stones at their common joint.
    """

    bulge_m: float = 0.015
    lean_m_m: float = 0.005
    step_m: float = 0.010


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulge:
    """A stretch of wall beyond the limit.

    Parameters
    ----------
    outline : shapely.Polygon
        In metres of the wall.
    most_m : float
        Farthest from the plane; negative behind it.
    plus_minus_95_m : float
    """

    outline: shapely.Polygon
    most_m: float
    plus_minus_95_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Two neighbouring stones whose faces do not meet.

    Parameters
    ----------
    out, back : str
        The stone that stands out, and its neighbour.
    place_m : tuple of float
        Along and up the wall.
    step_m, plus_minus_95_m : float
    """

    out: str
    back: str
    place_m: tuple[float, float]
    step_m: float
    plus_minus_95_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Deformation:
    """How a wall stands.

    Parameters
    ----------
    lean_m_m : float
        Metres out per metre up: positive leans out at the top.
    turn_m_m : float
        Metres out per metre to the right; says how the wall frame lies more than how the wall does.
    lean_plus_minus_95_m_m : float
    leans : bool
        Beyond the limit, surely.
    bulges : tuple of Bulge
    steps : tuple of Step
    shape : Relief
        The large shape about the plane, one cell for each piece of wall.
    limits : DeformationLimits
    """

    lean_m_m: float
    turn_m_m: float
    lean_plus_minus_95_m_m: float
    leans: bool
    bulges: tuple[Bulge, ...]
    steps: tuple[Step, ...]
    shape: Relief
    limits: DeformationLimits


def deformation_of(
    relief: Relief,
    *,
    stones: Mapping[str, shapely.Geometry],
    limits: DeformationLimits | None = None,
) -> Deformation | None:
    """Bulges, lean and steps of one wall; only what is beyond a limit by more than its plus or minus.

    Parameters
    ----------
    relief : Relief
    stones : mapping of str to shapely.Geometry
        Wall stones.
    limits : DeformationLimits, optional

    Returns
    -------
    Deformation or None
        None where too little of the wall is known.
    """
    limits = limits or DeformationLimits()
    large = _large_shape(relief)
    known = np.isfinite(large.out_m)
    if known.sum() < _FEWEST_BLOCKS:
        return None
    u, v = _middles(large)
    mid_u, mid_v = float(u[known].mean()), float(v[known].mean())
    design = np.stack([np.ones(u.shape), u - mid_u, v - mid_v], axis=-1)
    plane = plane_of(design[known], _calmed(large.out_m)[known].astype(float))
    about = (large.out_m - design @ plane.terms).astype(np.float32)
    shape = Relief(grid=large.grid, out_m=about, sigma_m=large.sigma_m)
    # the cameras tilt a relief as a whole: their doubt over the height is a doubt of the lean
    doubt = _95 * float(np.nanmedian(relief.sigma_m))
    height = max(float(np.ptp(v[known])), relief.grid.gsd_m)
    lean_doubt = 2 * doubt / height
    lean = float(plane.terms[2])
    return Deformation(
        lean_m_m=lean,
        turn_m_m=float(plane.terms[1]),
        lean_plus_minus_95_m_m=lean_doubt,
        leans=abs(lean) > limits.lean_m_m + lean_doubt,
        bulges=tuple(_bulges(shape, limits.bulge_m, doubt)),
        steps=tuple(_steps(relief, stones, limits.step_m)),
        shape=shape,
        limits=limits,
    )


def _large_shape(relief: Relief) -> Relief:
    size = max(1, round(_BLOCK_M / relief.grid.gsd_m))
    rows, columns = (math.ceil(n / size) for n in relief.out_m.shape)
    out_m, sigma_m = (np.full((rows, columns), np.nan, np.float32) for _ in range(2))
    for i in range(rows):
        for j in range(columns):
            part = np.s_[i * size : (i + 1) * size, j * size : (j + 1) * size]
            known = np.isfinite(relief.out_m[part])
            if known.sum() >= known.size / 2:
                out_m[i, j] = np.median(relief.out_m[part][known])
                sigma_m[i, j] = np.median(relief.sigma_m[part][known])
    grid = type(relief.grid)(
        left_m=relief.grid.left_m,
        top_m=relief.grid.top_m,
        gsd_m=size * relief.grid.gsd_m,
        width_px=columns,
        height_px=rows,
    )
    return Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)


def _calmed(out_m: NDArray[np.float32]) -> NDArray[np.float32]:
    """Median of each piece of wall with its neighbours: a single stone that stands out is no bulge."""
    near = np.pad(out_m, 1, constant_values=np.nan)
    rows, columns = out_m.shape
    stack = np.stack([near[i : i + rows, j : j + columns] for i in range(3) for j in range(3)])
    count = np.isfinite(stack).sum(axis=0)
    filled = np.where(count[None] > 0, stack, 0.0)
    calm = np.nanmedian(filled, axis=0)
    return np.where(np.isfinite(out_m), calm, np.nan).astype(np.float32)


def _middles(relief: Relief) -> tuple[Floats, Floats]:
    grid = relief.grid
    u = grid.left_m + (np.arange(grid.width_px) + 0.5) * grid.gsd_m
    v = grid.top_m - (np.arange(grid.height_px) + 0.5) * grid.gsd_m
    wide, high = np.broadcast_arrays(u[None, :], v[:, None])
    return wide, high


def _bulges(shape: Relief, limit_m: float, doubt_m: float) -> list[Bulge]:
    grid, found = shape.grid, []
    for sign in (1, -1):
        beyond = np.nan_to_num(sign * _calmed(shape.out_m), nan=0.0) > limit_m
        count, label = cv2.connectedComponents(beyond.astype(np.uint8), connectivity=4)
        for number in range(1, count):
            part = label == number
            # the calmed shape cuts the summit off: how far it goes is told by the pieces of wall themselves
            most = float((sign * shape.out_m)[part].max())
            if most <= limit_m + doubt_m or part.sum() * grid.gsd_m**2 < _LEAST_BULGE_M2:
                continue
            i, j = np.nonzero(part)
            squares = shapely.box(
                grid.left_m + j * grid.gsd_m,
                grid.top_m - (i + 1) * grid.gsd_m,
                grid.left_m + (j + 1) * grid.gsd_m,
                grid.top_m - i * grid.gsd_m,
            )
            outline = shapely.union_all(squares).buffer(0)
            largest = max(shapely.get_parts(outline), key=lambda p: p.area)
            found.append(Bulge(outline=largest, most_m=sign * most, plus_minus_95_m=doubt_m))
    return sorted(found, key=lambda b: -abs(b.most_m))


def _steps(
    relief: Relief, stones: Mapping[str, shapely.Geometry], limit_m: float
) -> Sequence[Step]:
    names = list(stones)
    if len(names) < 2:
        return []
    shapes = np.array([stones[n] for n in names], dtype=object)
    cores = shapely.buffer(shapes, -_RIM_M)
    one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=_BESIDE_M)
    found = []
    for a, b in zip(one, other, strict=True):
        joint = (
            shapes[a].buffer(_BESIDE_M).intersection(shapes[b].buffer(_BESIDE_M)) if a < b else None
        )
        told = None if joint is None else _step_at(relief, joint, cores[a], cores[b])
        if joint is None or told is None:
            continue
        step, more = told
        if abs(step) > limit_m + more:
            out, back = (a, b) if step > 0 else (b, a)
            found.append(
                Step(
                    out=names[out],
                    back=names[back],
                    place_m=(float(joint.centroid.x), float(joint.centroid.y)),
                    step_m=abs(step),
                    plus_minus_95_m=more,
                )
            )
    return sorted(found, key=lambda s: -s.step_m)


def _step_at(
    relief: Relief, joint: shapely.Geometry, one: shapely.Geometry, other: shapely.Geometry
) -> tuple[float, float] | None:
    """How far one stone stands before the other beside their joint, both on one slope, with its plus or minus.

    One slope for both: on a bulge the faces of stones lean, and that is no step.
    """
    grid, near = relief.grid, joint.buffer(_STRIP_M)
    u0, v0, u1, v1 = near.bounds
    rows = np.arange(
        max(0, int((grid.top_m - v1) / grid.gsd_m)),
        min(grid.height_px, int((grid.top_m - v0) / grid.gsd_m) + 1),
    )
    columns = np.arange(
        max(0, int((u0 - grid.left_m) / grid.gsd_m)),
        min(grid.width_px, int((u1 - grid.left_m) / grid.gsd_m) + 1),
    )
    if not (len(rows) and len(columns)):
        return None
    j, i = np.meshgrid(columns, rows)
    u, v = grid.left_m + (j + 0.5) * grid.gsd_m, grid.top_m - (i + 0.5) * grid.gsd_m
    value = relief.out_m[i, j]
    usable = np.isfinite(value) & shapely.contains_xy(near, u, v)
    first, second = (usable & shapely.contains_xy(c, u, v) for c in (one, other))
    if min(first.sum(), second.sum()) < _FEWEST_CELLS:
        return None
    cells = first | second
    mid_u, mid_v = float(u[cells].mean()), float(v[cells].mean())
    design = np.stack(
        [np.ones(cells.sum()), first[cells] - 0.5, u[cells] - mid_u, v[cells] - mid_v], axis=1
    )
    fit = plane_of(design, value[cells].astype(float))
    spread = np.linalg.pinv((design * fit.weight[:, None]).T @ design)[1, 1]
    own = fit.scatter * math.sqrt(max(float(spread), 0.0)) * _SHARED
    return float(fit.terms[1]), _95 * own
