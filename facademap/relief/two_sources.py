"""One relief from photos and a scan of the same surface: how they differ, and which of them is used where.

The photos are the survey of that day, and their control is the frame. The scan is laid on them by the stone that both
know, fills what the photos leave unknown, and is taken where it is surer; where the two contradict each other the photos
are kept, and the cell is as doubtful as the contradiction is large.
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
from facademap.relief.change import Change, change_of_reliefs
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid

__all__ = ["FROM_PHOTOS", "FROM_SCAN", "SourcesCompared", "relief_on_grid", "two_sources"]

Floats32 = NDArray[np.float32]

#: What a cell of ``origin`` says; 0 where nothing is known.
FROM_PHOTOS, FROM_SCAN = 1, 2
#: Two-sided normal quantile at 95 %.
_95 = 1.959964
#: Fewest cells known in both that tell anything, and the side of the windows in which most cells must contradict.
_FEWEST, _WINDOW = 400, 5
#: Places that are named, the largest first, and the smallest of them in cells.
_MOST_PLACES, _LEAST_CELLS = 8, 12


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class SourcesCompared:
    """Relief of photos and scan together.

    Parameters
    ----------
    relief : Relief
    origin : ndarray of uint8, shape (rows, columns)
        ``FROM_PHOTOS``, ``FROM_SCAN``, or 0 where nothing is known.
    joined : bool
        False where the two differ so much as a whole that the photos were kept alone.
    mean_m, spread_m : float
        Scan minus photos over the cells known in both, as they came: mean, and robust standard deviation.
    beyond_share : float
        Share of these cells beyond the level of detection, after what was taken off.
    common_share, photos_share, scan_share : float
        Of all cells: known in both; in the relief from the photos; from the scan.
    removed : tuple of 3 float
        Offset (m) and slopes along u and v taken off the scan.
    places : tuple of dict
        Where they contradict each other, the largest first: ``box_m`` (u0, v0, u1, v1), ``area_m2``, ``mean_m``.
    """

    relief: Relief
    origin: NDArray[np.uint8]
    joined: bool
    mean_m: float
    spread_m: float
    beyond_share: float
    common_share: float
    photos_share: float
    scan_share: float
    removed: tuple[float, float, float]
    places: tuple[dict[str, Any], ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for a report."""
        return {
            "joined": self.joined,
            "mean_m": round(self.mean_m, 6),
            "spread_m": round(self.spread_m, 6),
            **{
                name: round(float(getattr(self, name)), 4)
                for name in ("beyond_share", "common_share", "photos_share", "scan_share")
            },
            "removed": [round(r, 6) for r in self.removed],
            "places": list(self.places),
        }


def two_sources(photos: Relief, scan: Relief) -> SourcesCompared:
    """Relief from photos and from a scan, joined.

    Parameters
    ----------
    photos : Relief
    scan : Relief
        In the same wall frame, on any cells.

    Raises
    ------
    InputError
        The two know hardly a cell in common.
    """
    laid = relief_on_grid(scan, photos.grid)
    common = np.isfinite(photos.out_m) & np.isfinite(laid.out_m)
    if common.sum() < _FEWEST:
        raise InputError(
            f"photos and scan know {int(common.sum())} cells in common: they cannot be laid on each other",
            "Check that the scan shows this part of the wall and lies in its frame, or measure without it.",
        )
    raw = (laid.out_m - photos.out_m)[common].astype(float)
    spread = 1.4826 * float(np.median(np.abs(raw - np.median(raw))))
    change = change_of_reliefs(photos, laid)
    joined = any(change.removed) or change.registration_m <= _explained_m(photos, laid)
    with np.errstate(invalid="ignore"):
        against = np.abs(change.difference.out_m) > change.detection_m
    if joined:
        moved = Relief(
            grid=photos.grid,
            out_m=laid.out_m - _plane(change, photos.grid),
            sigma_m=np.hypot(laid.sigma_m, np.float32(change.registration_m)),
        )
        relief, origin = _joined(photos, moved, against)
    else:
        relief = photos
        origin = np.where(np.isfinite(photos.out_m), FROM_PHOTOS, 0).astype(np.uint8)
    return SourcesCompared(
        relief=relief,
        origin=origin,
        joined=joined,
        mean_m=float(raw.mean()),
        spread_m=spread,
        beyond_share=float(against[common].mean()),
        common_share=float(common.mean()),
        photos_share=float((origin == FROM_PHOTOS).mean()),
        scan_share=float((origin == FROM_SCAN).mean()),
        removed=change.removed,
        places=_places(change, against),
    )


def relief_on_grid(relief: Relief, grid: PixelGrid) -> Relief:
    """A relief on other cells: mean of the cells within, or between them where they are larger.

    Parameters
    ----------
    relief : Relief
    grid : PixelGrid

    Returns
    -------
    Relief
        Unknown where less than half of a cell is known. The standard deviation is the mean one of the cells within, not
        thinned by their number, since what lies in it of frame and survey does not average out.
    """
    if relief.grid == grid:
        return relief
    out_m, sigma_m = (
        np.full((grid.height_px, grid.width_px), np.nan, dtype=np.float32) for _ in range(2)
    )
    for window in grid.windows(256):
        # pictures that are looked up may not be larger than 32,767 pixels
        near = relief.grid.window_of(grid.crop(window).extent.grown(0.1))
        if near is not None:
            part = Relief(
                grid=relief.grid.crop(near),
                out_m=relief.out_m[near.slices],
                sigma_m=relief.sigma_m[near.slices],
            )
            out_m[window.slices], sigma_m[window.slices] = _looked_up(part, grid.crop(window))
    return Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)


def _looked_up(relief: Relief, grid: PixelGrid) -> tuple[Floats32, Floats32]:
    times = max(1, math.ceil(grid.gsd_m / relief.grid.gsd_m - 1e-6))
    within = [(np.arange(n * times) + 0.5) / times for n in (grid.width_px, grid.height_px)]
    place = relief.grid.pixel_from_wall(
        (grid.left_m + within[0] * grid.gsd_m)[None, :],
        (grid.top_m - within[1] * grid.gsd_m)[:, None],
    ).astype(np.float32)
    known = np.isfinite(relief.out_m)
    layers = [np.where(known, layer, np.float32(0.0)) for layer in (relief.out_m, relief.sigma_m)]
    depth, doubt, share = (
        cv2.resize(
            cv2.remap(
                layer,
                place[..., 0],
                place[..., 1],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=0,
            ),
            (grid.width_px, grid.height_px),
            interpolation=cv2.INTER_AREA,
        )
        for layer in (*layers, known.astype(np.float32))
    )
    enough = share > 0.5
    with np.errstate(invalid="ignore", divide="ignore"):
        return tuple(  # type: ignore[return-value]
            np.where(enough, value / share, np.float32(np.nan)) for value in (depth, doubt)
        )


def _explained_m(one: Relief, other: Relief) -> float:
    return _95 * math.hypot(*(float(np.nanmedian(r.sigma_m)) for r in (one, other)))


def _plane(change: Change, grid: PixelGrid) -> Floats32:
    """What was taken off, at every cell."""
    offset, along, up = change.removed
    u = (np.arange(grid.width_px) + 0.5 - grid.width_px / 2) * grid.gsd_m
    v = -(np.arange(grid.height_px) + 0.5 - grid.height_px / 2) * grid.gsd_m
    return (offset + along * u[None, :] + up * v[:, None]).astype(np.float32)


def _joined(
    photos: Relief, scan: Relief, against: NDArray[np.bool_]
) -> tuple[Relief, NDArray[np.uint8]]:
    known, other = np.isfinite(photos.out_m), np.isfinite(scan.out_m)
    with np.errstate(invalid="ignore"):
        surer = other & (scan.sigma_m < photos.sigma_m) & ~against
    take = other & (surer | ~known)
    out_m = np.where(take, scan.out_m, photos.out_m)
    sigma_m = np.where(take, scan.sigma_m, photos.sigma_m)
    doubt = np.abs(scan.out_m - photos.out_m) / np.float32(_95)
    sigma_m = np.where(against, np.fmax(sigma_m, doubt), sigma_m)
    origin = np.where(take, FROM_SCAN, np.where(known, FROM_PHOTOS, 0)).astype(np.uint8)
    relief = Relief(
        grid=photos.grid,
        out_m=out_m.astype(np.float32),
        sigma_m=sigma_m.astype(np.float32),
    )
    return relief, origin


def _places(change: Change, against: NDArray[np.bool_]) -> tuple[dict[str, Any], ...]:
    """Areas in which most cells contradict: chance lies scattered."""
    grid = change.difference.grid
    near = cv2.boxFilter(against.astype(np.float32), -1, (_WINDOW, _WINDOW))
    count, label, stats, _ = cv2.connectedComponentsWithStats((near > 0.5).astype(np.uint8))
    order = 1 + np.argsort(stats[1:, cv2.CC_STAT_AREA], kind="stable")[::-1]
    found = []
    for k in order[:_MOST_PLACES] if count > 1 else ():
        left, top, width, height, cells = (int(s) for s in stats[k])
        if cells < _LEAST_CELLS:
            break
        value = change.difference.out_m[label == k]
        box = (
            grid.left_m + left * grid.gsd_m,
            grid.top_m - (top + height) * grid.gsd_m,
            grid.left_m + (left + width) * grid.gsd_m,
            grid.top_m - top * grid.gsd_m,
        )
        found.append(
            {
                "box_m": [round(b, 4) for b in box],
                "area_m2": round(cells * grid.gsd_m**2, 6),
                "mean_m": round(float(np.nanmean(value)), 6),
            }
        )
    return tuple(found)
