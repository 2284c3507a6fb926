"""Laying one relief on another without control, by the stone that has not changed.

Where the wall lies is looked for first, by the correlation of both reliefs without their large shape, over turns of a
few degrees; then a rigid motion is fitted to all cells, point to plane, with those that have changed counted less and less.
How good that is, four parts of the wall tell that are fitted apart. What is not good enough is refused.

References
----------
.. [1] Y. Chen, G. Medioni, "Object modelling by registration of multiple range images", Image and Vision Computing 10
   (1992) 145-155 (point to plane).
.. [2] D. Padfield, "Masked object registration in the Fourier domain", IEEE Trans. Image Processing 21 (2012) 2706-2718.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.relief.build import Relief
from facademap.relief.first_place import REMEDY, FirstPlace, first_place
from facademap.relief.two_sources import relief_on_grid
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid

__all__ = ["Motion", "Registered", "agreement", "register_reliefs"]

Floats = NDArray[np.floating[Any]]
Floats32 = NDArray[np.float32]

#: Cells that a fit looks at, at most.
_MOST_CELLS = 150_000
#: Widths of the cells of the rounds, in cells, each finer than the last.
_ROUNDS = (8, 4, 2, 1)
#: Parts along each side, of which every fourth one is fitted together to see how the fits agree.
_PARTS = 8
#: Two-sided normal quantile at 95 %.
_95 = 1.959964
#: What is trusted: share of the smaller relief in common, of its cells that agree, doubt along the wall in cells and out of
#: it in metres (rules of ours: beyond them a change of 2 mm would drown).
_LEAST_COMMON, _LEAST_AGREE, _MOST_ALONG, _MOST_OUT_M = 0.3, 0.7, 0.5, 0.001


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """A rigid motion.

    Parameters
    ----------
    turn : ndarray, shape (3, 3)
    shift_m : ndarray, shape (3,)
        A place p of the one frame lies at ``turn @ p + shift_m`` in the other.
    """

    turn: Floats
    shift_m: Floats

    def moved(self, places_m: Floats) -> Floats:
        """Places in the other frame, shape (..., 3)."""
        return np.asarray(places_m @ self.turn.T + self.shift_m)

    def inverse(self) -> Motion:
        """Back again."""
        return Motion(turn=self.turn.T, shift_m=-self.turn.T @ self.shift_m)

    @property
    def turn_deg(self) -> float:
        """Angle of the turn."""
        return math.degrees(float(np.linalg.norm(cv2.Rodrigues(np.array(self.turn))[0])))


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Registered:
    """A relief laid on another.

    Parameters
    ----------
    relief : Relief
        On the cells of the other, in its frame; the doubt of laying it there is in its standard deviation.
    motion : Motion
        Into the frame of the other.
    agree_share : float
        Of the cells known in both, those that agree within the level of detection at 95 %.
    along_m, out_m : float
        Standard deviation of the registration along the wall and out of it, from parts that were fitted apart.
    """

    relief: Relief
    motion: Motion
    agree_share: float
    along_m: float
    out_m: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for a report."""
        return {
            "turn": self.motion.turn.tolist(),
            "shift_m": self.motion.shift_m.tolist(),
            "agree_share": round(self.agree_share, 4),
            "along_sigma_m": round(self.along_m, 6),
            "out_sigma_m": round(self.out_m, 6),
        }

    def words(self) -> str:
        """What is said of it."""
        move = 1000 * np.linalg.norm(self.motion.shift_m)
        return (
            f"moved by {move:.0f} mm and turned by {self.motion.turn_deg:.2f} degrees; four parts of the wall fitted apart "
            f"leave {self.along_m * 1000:.2f} mm along the wall and {self.out_m * 1000:.2f} mm out of it in doubt (one "
            f"standard deviation), and {self.agree_share:.0%} of the cells agree"
        )


def register_reliefs(
    fixed: Relief, moving: Relief, *, start: FirstPlace | None = None
) -> Registered:
    """Lay a relief on another of the same wall, whatever its frame and cells.

    Parameters
    ----------
    fixed, moving : Relief
    start : FirstPlace, optional
        Where it lies about, from pictures; without it that is looked for in the reliefs.

    Raises
    ------
    InputError
        No place where they agree, several that look alike, or one that is not sure enough.
    """
    start = start or first_place(fixed, moving)
    c, s = math.cos(start.turn), math.sin(start.turn)
    motion = Motion(
        turn=np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]),
        shift_m=np.array([start.du_m, start.dv_m, 0.0]),
    ).inverse()
    for times in _ROUNDS:
        motion = _fitted(_widened(fixed, times), _widened(moving, times), motion)
    residual, _, allowed, share = _misses(fixed, moving, motion)
    if share < _LEAST_COMMON:
        raise InputError(f"the surveys have only {share:.0%} of the wall in common", REMEDY)
    agree = float((np.abs(residual) <= allowed).mean())
    if agree < _LEAST_AGREE:
        raise InputError(
            f"laid on each other by their relief only {agree:.0%} of the cells of the surveys agree",
            REMEDY,
        )
    along, out = _doubt(fixed, moving, motion)
    if along > _MOST_ALONG * fixed.grid.gsd_m or out > _MOST_OUT_M:
        raise InputError(
            f"parts of the wall laid on each other apart disagree by {along * 1000:.1f} mm along the wall and "
            f"{out * 1000:.1f} mm out of it",
            REMEDY,
        )
    return Registered(
        relief=_laid(fixed, moving, motion, along, out),
        motion=motion.inverse(),
        agree_share=agree,
        along_m=along,
        out_m=out,
    )


def agreement(fixed: Relief, moving: Relief) -> float:
    """Share of the cells known in both that agree within the level of detection at 95 % where they lie, their median set aside.

    Parameters
    ----------
    fixed, moving : Relief
    """
    residual, _, allowed, _ = _misses(fixed, moving, Motion(turn=np.eye(3), shift_m=np.zeros(3)))
    if not len(residual):
        return 0.0
    return float((np.abs(residual - np.median(residual)) <= allowed).mean())


def _widened(relief: Relief, times: int) -> Relief:
    grid = relief.grid
    if times == 1:
        return relief
    wide = PixelGrid(
        left_m=grid.left_m,
        top_m=grid.top_m,
        gsd_m=grid.gsd_m * times,
        width_px=max(1, grid.width_px // times),
        height_px=max(1, grid.height_px // times),
    )
    return relief_on_grid(relief, wide)


def _places(relief: Relief) -> Floats:
    """Some of the known cells, shape (n, 3), evenly spread."""
    rows, columns = relief.out_m.shape
    step = max(1, math.ceil(math.sqrt(rows * columns / _MOST_CELLS)))
    i, j = np.mgrid[0:rows:step, 0:columns:step]
    out = relief.out_m[i, j].astype(float)
    uv = relief.grid.wall_from_pixel(j, i)
    known = np.isfinite(out)
    return np.asarray(np.concatenate([uv, out[..., None]], axis=-1)[known])


def _read(layer: Floats32, grid: PixelGrid, places: Floats) -> Floats:
    """A layer at places, NaN where it is unknown."""
    found = []
    for part in np.array_split(places, math.ceil(len(places) / 30_000) or 1):
        pixel = grid.pixel_from_wall(part[:, 0], part[:, 1]).astype(np.float32)
        found.append(
            cv2.remap(
                layer,
                pixel[:, 0][:, None],
                pixel[:, 1][:, None],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=float("nan"),
            )[:, 0]
        )
    return np.concatenate(found).astype(float)


def _slopes(relief: Relief) -> tuple[Floats32, Floats32]:
    if min(relief.out_m.shape) < 2:
        raise InputError("a relief of one row of cells cannot be laid on another", REMEDY)
    down, along = np.gradient(relief.out_m, np.float32(relief.grid.gsd_m))
    return np.asarray(along, dtype=np.float32), np.asarray(-down, dtype=np.float32)


def _fitted(
    fixed: Relief, moving: Relief, motion: Motion, chosen: NDArray[np.bool_] | None = None
) -> Motion:
    """Motion from the fixed frame into the moving one, bettered on these cells."""
    places = _places(fixed)
    if chosen is not None:
        places = places[chosen]
    slopes = _slopes(moving)
    for _ in range(12):
        p = motion.moved(places)
        miss = _read(moving.out_m, moving.grid, p) - p[:, 2]
        gu, gv = (_read(slope, moving.grid, p) for slope in slopes)
        good = np.isfinite(miss) & np.isfinite(gu) & np.isfinite(gv)
        if good.sum() < 100:
            raise InputError("the surveys have hardly a cell in common", REMEDY)
        normal = np.stack([-gu, -gv, np.ones_like(gu)], axis=-1)[good]
        at, r = p[good], miss[good]
        middle = at.mean(axis=0)
        design = np.concatenate([np.cross(at - middle, normal), normal], axis=1)
        scale = max(1.4826 * float(np.median(np.abs(r - np.median(r)))), 3e-4)
        weight = np.clip(1 - (r / (4.685 * scale)) ** 2, 0, None)
        if weight.sum() < 50:
            weight = np.ones_like(r)
        # a steep rim is where a straight line fits least
        weight = weight / (1 + 4 * (normal[:, 0] ** 2 + normal[:, 1] ** 2))
        step = np.linalg.lstsq(design * weight[:, None], r * weight, rcond=1e-9)[0]
        turn = np.asarray(cv2.Rodrigues(step[:3])[0], dtype=float)
        shift = turn @ (motion.shift_m - middle) + middle + step[3:]
        motion = Motion(turn=turn @ motion.turn, shift_m=shift)
        if float(np.abs(step[3:]).max()) < 2e-6 and float(np.abs(step[:3]).max()) < 2e-6:
            break
    return motion


def _misses(fixed: Relief, moving: Relief, motion: Motion) -> tuple[Floats, Floats, Floats, float]:
    """Misses, their places, what is allowed at 95 %, and the share of the smaller relief that is in common."""
    places = _places(fixed)
    p = motion.moved(places)
    miss = _read(moving.out_m, moving.grid, p) - p[:, 2]
    doubt = np.hypot(
        _read(fixed.sigma_m, fixed.grid, places), _read(moving.sigma_m, moving.grid, p)
    )
    good = np.isfinite(miss) & np.isfinite(doubt)
    area = [float(np.isfinite(r.out_m).sum()) * r.grid.gsd_m**2 for r in (fixed, moving)]
    common = area[0] * float(good.mean())
    return miss[good], places[good], _95 * doubt[good], common / max(min(area), 1e-12)


def _doubt(fixed: Relief, moving: Relief, motion: Motion) -> tuple[float, float]:
    """Standard deviation of the registration along the wall and out of it: of four fits that share no cell."""
    places = _places(fixed)
    low, high = places.min(axis=0), places.max(axis=0)
    part = np.floor(_PARTS * (places - low)[:, :2] / np.maximum(high - low, 1e-9)[:2]).astype(int)
    group = 2 * (part[:, 0] % 2) + part[:, 1] % 2
    middle = (low + high) / 2
    ends = np.array(
        [[low[0], low[1], 0], [high[0], low[1], 0], [low[0], high[1], 0], [high[0], high[1], 0]]
    )
    looked = np.concatenate([ends, middle[None]])
    found = np.stack([_fitted(fixed, moving, motion, group == k).moved(looked) for k in range(4)])
    spread = found.std(axis=0, ddof=1) / 2
    along = float(np.sqrt(np.mean(spread[:, 0] ** 2 + spread[:, 1] ** 2)))
    return along, float(np.sqrt(np.mean(spread[:, 2] ** 2)))


def _laid(fixed: Relief, moving: Relief, motion: Motion, along_m: float, doubt_m: float) -> Relief:
    """The moving relief on the cells of the fixed one."""
    grid = fixed.grid
    out_m, sigma_m = (np.full(fixed.out_m.shape, np.nan, np.float32) for _ in range(2))
    middle = float(np.nanmedian(fixed.out_m))
    slopes = _slopes(moving)
    columns = np.arange(grid.width_px)
    for top in range(0, grid.height_px, 256):
        rows = np.arange(top, min(top + 256, grid.height_px))
        uv = grid.wall_from_pixel(columns[None, :], rows[:, None])
        out = np.nan_to_num(fixed.out_m[rows].astype(float), nan=middle)
        for _ in range(3):
            p = motion.moved(np.concatenate([uv, out[..., None]], axis=-1)).reshape(-1, 3)
            found = _read(moving.out_m, moving.grid, p)
            out = out + np.nan_to_num((found - p[:, 2]) / motion.turn[2, 2]).reshape(out.shape)
        doubt = _read(moving.sigma_m, moving.grid, p)
        steep = np.hypot(*(_read(slope, moving.grid, p) for slope in slopes))
        doubt = np.sqrt(doubt**2 + (along_m * np.nan_to_num(steep)) ** 2 + doubt_m**2)
        known = np.isfinite(found).reshape(out.shape)
        out_m[rows] = np.where(known, out, np.nan)
        sigma_m[rows] = np.where(known, doubt.reshape(out.shape), np.nan)
    return Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)
