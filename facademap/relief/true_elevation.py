"""True elevation: photos laid on the relief instead of on the plane, so that what lies deep is drawn where it is.

A picture rectified to a plane shifts a place that lies w behind it by w times the slope of the sight, toward the foot of
the camera. Here every pixel looks up the relief first. What a photo cannot see from its place is taken from another one,
and is left out where none sees it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.relief.build import Relief
from facademap.relief.stations import Station
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid

__all__ = ["ElevationRules", "TruePicture", "places_of_pixels", "true_picture"]

Floats = NDArray[np.floating[Any]]
Floats32 = NDArray[np.float32]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class ElevationRules:
    """Settings of a true elevation.

    Parameters
    ----------
    bridge_m : float
        Cells of which nothing is known are laid on the nearest known one up to this distance (a joint too narrow for
        the photos); beyond it the picture is left out (common practice).
    lift_m : float
        A sight that passes so far below the relief is hidden: less is noise of the relief.
    square_slope : float
        Where photos overlap, the one that looks more squarely counts more: their weight falls to a third over this slope.
    most_pixels : int
        Of the picture.
    """

    bridge_m: float = 0.012
    lift_m: float = 0.002
    square_slope: float = 0.08
    most_pixels: int = 60_000_000


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TruePicture:
    """A picture of the wall seen squarely at every place.

    Parameters
    ----------
    grid : PixelGrid
    rgb : ndarray of uint8, shape (rows, columns, 3)
    mask : ndarray of uint8, shape (rows, columns)
        255 where a photo shows the place.
    seen_share, bridged_share, hidden_share : float
        Of all pixels: shown; shown on a depth taken from beside; known, but shown by no photo.
    shift_sigma_m : float
        Standard deviation of places that the relief leaves, in the median of the pixels shown.
    corrected_m : float
        How far a picture rectified to the plane would have shifted places: exceeded by 5 % of them.
    """

    grid: PixelGrid
    rgb: Bytes
    mask: Bytes
    seen_share: float
    bridged_share: float
    hidden_share: float
    shift_sigma_m: float
    corrected_m: float


def true_picture(
    relief: Relief,
    photos: Iterator[tuple[Station, Bytes]],
    grid: PixelGrid,
    rules: ElevationRules | None = None,
) -> TruePicture:
    """Lay photos on a relief.

    Parameters
    ----------
    relief : Relief
    photos : iterator of (Station, ndarray of uint8, shape (h, w, 3))
        Taken one by one, so that one photo is in memory at a time.
    grid : PixelGrid
        Of the picture.
    rules : ElevationRules, optional

    Raises
    ------
    InputError
        A picture too large, or no photo that shows a known place.
    """
    rules = rules or ElevationRules()
    shape = grid.height_px, grid.width_px
    if shape[0] * shape[1] > rules.most_pixels:
        raise InputError(
            f"a true elevation of {shape[1]} x {shape[0]} px is too large to hold",
            "Give larger pixels with --gsd-mm, or a part with --extent.",
        )
    filled, known, bridged = _bridged(relief, rules)
    place = _cells_of(relief.grid, grid)
    depth, there = _looked_up(filled, place), _looked_up(known.astype(np.float32), place) > 0.5
    total = np.zeros((*shape, 3), np.float32)
    weight, slope_sum, corrected = (np.zeros(shape, np.float32) for _ in range(3))
    for station, picture in photos:
        share, slope = _weight(station, relief.grid, filled, known, place, rules)
        colour, inside = _colour(station, picture, grid, depth)
        share = np.where(inside & there, share, np.float32(0.0))
        if not share.any():
            continue
        colour *= _gain(colour, share, total, weight)
        total += share[..., None] * colour
        weight += share
        slope_sum += share * slope
        corrected += share * slope * np.abs(depth)
    seen = weight > 0
    if not seen.any():
        raise InputError(
            "no photo shows a place of which the depth is known", "Check the extent of the relief."
        )
    over = np.maximum(weight, 1e-12)
    rgb = np.clip(total / over[..., None] + 0.5, 0, 255).astype(np.uint8)
    rgb[~seen] = 0
    sigma = _looked_up(np.nan_to_num(relief.sigma_m), place) * slope_sum / over
    return TruePicture(
        grid=grid,
        rgb=rgb,
        mask=np.where(seen, 255, 0).astype(np.uint8),
        seen_share=float(seen.mean()),
        bridged_share=float((seen & (_looked_up(bridged.astype(np.float32), place) > 0.5)).mean()),
        hidden_share=float((there & ~seen).mean()),
        shift_sigma_m=float(np.median(sigma[seen])),
        corrected_m=float(np.quantile((corrected / over)[seen], 0.95)),
    )


def places_of_pixels(relief: Relief, station: Station, pixels_px: Floats) -> Floats:
    """Where the sights of pixels meet a relief, shape (n, 2); NaN beside it.

    Parameters
    ----------
    relief : Relief
    station : Station
    pixels_px : ndarray, shape (n, 2)
    """
    filled, known, _ = _bridged(relief, ElevationRules())
    along = station.direction_from_pixel(pixels_px)
    depth = np.full(len(along), float(np.median(filled[known])) if known.any() else 0.0)
    grid = relief.grid
    for _ in range(8):
        reach = (depth - station.centre_m[2]) / along[:, 2]
        place = station.centre_m[:2] + reach[:, None] * along[:, :2]
        x = (place[:, 0] - grid.left_m) / grid.gsd_m - 0.5
        y = (grid.top_m - place[:, 1]) / grid.gsd_m - 0.5
        at = np.stack([x, y], axis=-1)[None].astype(np.float32)
        depth = _looked_up(filled, at)[0].astype(float)
    there = _looked_up(known.astype(np.float32), at)[0] > 0.5
    return np.where(there[:, None], place, np.nan)


def _bridged(
    relief: Relief, rules: ElevationRules
) -> tuple[Floats32, NDArray[np.bool_], NDArray[np.bool_]]:
    """Depth everywhere, where it counts as known, and where it was taken from beside."""
    found = np.isfinite(relief.out_m)
    if not found.any():
        return np.zeros(found.shape, np.float32), found, found
    away, label = cv2.distanceTransformWithLabels(
        (~found).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    value = np.zeros(int(label.max()) + 1, np.float32)
    value[label[found]] = relief.out_m[found]
    near = away * relief.grid.gsd_m <= rules.bridge_m
    return value[label], found | near, near & ~found


def _cells_of(cells: PixelGrid, grid: PixelGrid) -> Floats32:
    """Column and row of a relief at every pixel of a picture, shape (rows, columns, 2)."""
    u = grid.left_m + (np.arange(grid.width_px) + 0.5) * grid.gsd_m
    v = grid.top_m - (np.arange(grid.height_px) + 0.5) * grid.gsd_m
    x = ((u - cells.left_m) / cells.gsd_m - 0.5).astype(np.float32)
    y = ((cells.top_m - v) / cells.gsd_m - 0.5).astype(np.float32)
    return np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1)


def _looked_up(raster: Floats32, place: Floats32) -> Floats32:
    return np.asarray(
        cv2.remap(
            raster, place[..., 0], place[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    )


def _weight(
    station: Station,
    cells: PixelGrid,
    depth: Floats32,
    known: NDArray[np.bool_],
    place: Floats32,
    rules: ElevationRules,
) -> tuple[Floats32, Floats32]:
    """How much a photo counts at every pixel, 0 where it does not see the place; and the slope of its sight."""
    u = cells.left_m + (np.arange(cells.width_px) + 0.5) * cells.gsd_m
    v = cells.top_m - (np.arange(cells.height_px) + 0.5) * cells.gsd_m
    rise = station.centre_m[2] - depth
    slope_u = ((station.centre_m[0] - u)[None, :] / rise).astype(np.float32)
    slope_v = ((station.centre_m[1] - v)[:, None] / rise).astype(np.float32)
    slope = np.hypot(slope_u, slope_v)
    hidden = _hidden(depth, known, slope_u, slope_v, cells.gsd_m, rules)
    slope = _looked_up(slope, place)
    share = np.exp(-slope / np.float32(rules.square_slope)) + np.float32(1e-9)
    share[_looked_up(hidden.astype(np.float32), place) > 0.5] = 0
    return share, slope


def _hidden(
    depth: Floats32,
    known: NDArray[np.bool_],
    slope_u: Floats32,
    slope_v: Floats32,
    cell_m: float,
    rules: ElevationRules,
) -> NDArray[np.bool_]:
    """Cells before which something stands on the way to the camera: a walk of half a cell at a time along the sight."""
    rows, columns = depth.shape
    steepest = np.maximum(np.hypot(slope_u, slope_v), 1e-6)
    step_x, step_y = slope_u / steepest, -slope_v / steepest
    highest = float(np.quantile(depth[known], 0.9995)) if known.any() else 0.0
    deepest = highest - depth
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    hidden = np.zeros(depth.shape, bool)
    for half in range(1, 2 * math.ceil(float((deepest * steepest).max()) / cell_m) + 1):
        count = half / 2
        sight = depth + np.float32(count * cell_m) / steepest
        if not (sight < highest).any():
            break
        ahead = cv2.remap(
            depth,
            x + np.float32(count) * step_x,
            y + np.float32(count) * step_y,
            cv2.INTER_NEAREST,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=-1e3,
        )
        hidden |= ahead > sight + np.float32(rules.lift_m)
    return hidden


def _colour(
    station: Station, picture: Bytes, grid: PixelGrid, depth: Floats32
) -> tuple[Floats32, NDArray[np.bool_]]:
    u = grid.left_m + (np.arange(grid.width_px) + 0.5) * grid.gsd_m
    height, width = picture.shape[:2]
    colour = np.empty((*depth.shape, 3), np.float32)
    inside = np.empty(depth.shape, bool)
    for top in range(0, grid.height_px, 512):
        part = np.s_[top : top + 512]
        v = grid.top_m - (np.arange(grid.height_px)[part] + 0.5) * grid.gsd_m
        places = np.stack([*np.broadcast_arrays(u[None, :], v[:, None]), depth[part]], axis=-1)
        pixel = station.pixel_from_wall(places).astype(np.float32)
        with np.errstate(invalid="ignore"):
            inside[part] = (pixel[..., 0] > 1) & (pixel[..., 0] < width - 2)
            inside[part] &= (pixel[..., 1] > 1) & (pixel[..., 1] < height - 2)
        pixel = np.nan_to_num(pixel, nan=-10.0)
        colour[part] = cv2.remap(
            picture, pixel[..., 0], pixel[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
    return colour, inside


def _gain(colour: Floats32, share: Floats32, total: Floats32, weight: Floats32) -> Floats32:
    """Factor on each band that brings a photo to the brightness of those laid before it."""
    both = (share > 0) & (weight > 0)
    if both.sum() < 200:
        return np.ones(3, np.float32)
    before = total[both] / weight[both][:, None]
    here = colour[both]
    bright = (before.min(axis=1) > 15) & (here.min(axis=1) > 15) & (here.max(axis=1) < 245)
    if bright.sum() < 200:
        return np.ones(3, np.float32)
    return np.asarray(np.median(before[bright] / here[bright], axis=0), np.float32)
