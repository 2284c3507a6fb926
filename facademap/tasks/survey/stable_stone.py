"""A new survey without targets: its photos are laid on an earlier one by the stone that has not changed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.pictures import read_picture
from facademap.io.target_files import TargetPick
from facademap.relief.build import Relief
from facademap.relief.change import change_of_reliefs
from facademap.relief.first_place import picture_features
from facademap.relief.registration import agreement
from facademap.relief.two_sources import relief_on_grid
from facademap.tasks.survey.one_frame import read_grey

__all__ = ["check_on_earlier", "picks_on_earlier"]

Floats = NDArray[np.floating[Any]]

#: Fewest features that lay a photo on the earlier picture, and how far they may miss a flat wall: what stands out shifts them.
_FEWEST, _MISS_SHARE = 16, 0.008
#: Features of a photo that are used, at most one in each of so many parts along its sides.
_PARTS = 7
#: Cells round a feature whose depth is read, and how much they may differ: an arris is no target.
_REACH, _MOST_UNEVEN_M = 2, 0.0015
#: Pixels of a photo in which features are looked for.
_MOST_PX = 4_000_000
#: What is trusted: share of the cells that agree with the earlier relief, and agreement on stable stone (rules of ours).
_LEAST_AGREE, _MOST_OFF_M = 0.7, 0.002
_REMEDY = (
    "Stick four targets or more that every photo shows, survey them, and give them with --control."
)


def picks_on_earlier(
    photos: Mapping[str, Path], relief: Relief, picture: Path, warnings: list[str]
) -> list[TargetPick]:
    """Features of the earlier picture found in photos, each with its place and depth on the earlier relief.

    Parameters
    ----------
    photos : mapping of str to Path
        By name.
    relief : Relief
    picture : Path
        Elevation of the earlier survey, in the frame of its relief.
    warnings : list of str
        Grows by the photos that are left out.

    Raises
    ------
    FileError, InputError
        Fewer than two photos look like the earlier picture.
    """
    places, kinds = picture_features(*read_grey(picture))
    depth = _depths(relief, places)
    usable = np.flatnonzero(np.isfinite(depth))
    if len(usable) < _FEWEST:
        raise InputError(
            f"{picture.name} shows {len(usable)} features where the depth is known", _REMEDY
        )
    found = {n: _in_photo(path, places[usable], kinds[usable]) for n, path in photos.items()}
    for name, one in found.items():
        if len(one) < _FEWEST:
            warnings.append(
                f"{name} was left out: {len(one)} features in common with {picture.name}, at least {_FEWEST} are needed"
            )
    good = {n: one for n, one in found.items() if len(one) >= _FEWEST}
    if len(good) < 2:
        raise InputError(
            f"{len(good)} of {len(photos)} photos look like {picture.name}: other light, another part, or changed too much",
            _REMEDY,
        )
    often = Counter(k for one in good.values() for k in one)
    picks = []
    for name, one in good.items():
        for k in _spread(one, often):
            u, v = (float(c) for c in places[usable][k])
            picks.append(
                TargetPick(
                    photo=name,
                    name=f"S{k}",
                    uvw_m=(u, v, float(depth[usable][k])),
                    pixel_px=one[k],
                    role="control",
                )
            )
    return picks


def _depths(relief: Relief, places: Floats) -> Floats:
    """Depth of the stone at places; NaN at arrises and where it is unknown."""
    side = 2 * _REACH + 1
    out = relief.out_m
    known = np.isfinite(out).astype(np.float32)
    filled = np.nan_to_num(out)
    share = cv2.blur(known, (side, side))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = cv2.blur(filled, (side, side)) / share
        uneven = cv2.blur(filled.astype(float) ** 2, (side, side)) / share - mean.astype(float) ** 2
        even = (share > 0.99) & (uneven < _MOST_UNEVEN_M**2)
    pixel = np.round(relief.grid.pixel_from_wall(places[:, 0], places[:, 1])).astype(int)
    rows, columns = out.shape
    inside = (pixel >= 0).all(axis=1) & (pixel[:, 0] < columns) & (pixel[:, 1] < rows)
    at = np.clip(pixel, 0, [columns - 1, rows - 1])
    return np.where(inside & even[at[:, 1], at[:, 0]], mean[at[:, 1], at[:, 0]], np.nan)


def _in_photo(path: Path, places: Floats, kinds: Any) -> dict[int, tuple[float, float]]:
    """Features seen in a photo: number to pixel."""
    photo, _ = read_picture(path)
    grey: Any = photo if photo.ndim == 2 else cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)
    shrink = max(1.0, math.sqrt(grey.size / _MOST_PX))
    if shrink > 1:
        size = round(grey.shape[1] / shrink), round(grey.shape[0] / shrink)
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    detector: Any = cv2.SIFT.create(nfeatures=12000, contrastThreshold=0.02)
    points, own = detector.detectAndCompute(grey, None)
    if len(points) < _FEWEST:
        return {}
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(own, kinds, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.8 * p[1].distance]
    if len(good) < _FEWEST:
        return {}
    scale = photo.shape[1] / grey.shape[1], photo.shape[0] / grey.shape[0]
    pixel = (np.array([points[m.queryIdx].pt for m in good]) + 0.5) * scale - 0.5
    there = np.array([places[m.trainIdx] for m in good])
    cv2.setRNGSeed(7)
    matrix, inlier = cv2.findHomography(
        there, pixel, cv2.RANSAC, _MISS_SHARE * max(photo.shape[:2]), maxIters=5000
    )
    if matrix is None:
        return {}
    kept: dict[int, tuple[float, tuple[float, float]]] = {}
    for match, place, ok in zip(good, pixel, inlier[:, 0], strict=True):
        if ok and (match.trainIdx not in kept or match.distance < kept[match.trainIdx][0]):
            kept[match.trainIdx] = (match.distance, (float(place[0]), float(place[1])))
    return {k: place for k, (_, place) in kept.items()}


def _spread(one: Mapping[int, tuple[float, float]], often: Mapping[int, int]) -> list[int]:
    """Features of a photo, one in each part of it: that which most photos show."""
    pixel = np.array(list(one.values()))
    low, size = pixel.min(axis=0), np.maximum(np.ptp(pixel, axis=0), 1e-6)
    part = np.minimum((_PARTS * (pixel - low) / size).astype(int), _PARTS - 1)
    best: dict[tuple[int, int], int] = {}
    for k, (x, y) in zip(one, part, strict=True):
        here = int(x), int(y)
        if here not in best or often[k] > often[best[here]]:
            best[here] = k
    return sorted(best.values())


def check_on_earlier(
    earlier: Relief, relief: Relief, values: Mapping[str, Any], warnings: list[str]
) -> dict[str, Any]:
    """How well a relief that was laid on an earlier one by stable stone agrees with it.

    Parameters
    ----------
    earlier, relief : Relief
    values : mapping
        What is said of the relief.
    warnings : list of str
        Grows.

    Returns
    -------
    dict
        ``agree_share``, ``offset_m``, ``registration_m``, ``features_rmse_px``.

    Raises
    ------
    InputError
        It does not agree well enough to be trusted.
    """
    was = relief_on_grid(earlier, relief.grid)
    share = agreement(was, relief)
    change = change_of_reliefs(was, relief, align=False)
    if share < _LEAST_AGREE or change.registration_m > _MOST_OFF_M:
        raise InputError(
            f"laid on the earlier survey by stable stone, {share:.0%} of the cells agree, and stable stone differs by "
            f"{change.registration_m * 1000:.1f} mm: not enough to be trusted",
            _REMEDY,
        )
    warnings.append(
        f"without targets, laid on the earlier survey by stable stone: features miss by {values['targets_rmse_px']:.2f} px, "
        f"{share:.0%} of the cells agree, on stable stone {change.offset_m * 1000:+.2f} mm and "
        f"{change.registration_m * 1000:.2f} mm (one standard deviation); what moved as a whole between the surveys is not seen"
    )
    return {
        "agree_share": round(share, 4),
        "offset_m": round(change.offset_m, 6),
        "registration_m": round(change.registration_m, 6),
        "features_rmse_px": values["targets_rmse_px"],
    }
