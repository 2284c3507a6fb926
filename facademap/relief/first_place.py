"""Where one survey of a wall lies about on another: by masked correlation of their reliefs, or by features of their pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from facademap.errors import InputError
from facademap.relief.build import Relief
from facademap.relief.two_sources import relief_on_grid
from facademap.wall.grid import PixelGrid

__all__ = ["REMEDY", "FirstPlace", "first_place", "first_place_of_pictures", "picture_features"]

Floats32 = NDArray[np.float32]
Bytes = NDArray[np.uint8]

#: Cells along the longer side, and turns that are tried.
_SIDE, _TURNS_DEG = 256, tuple(np.arange(-4.0, 4.01, 1.0))
#: Large shapes are taken off over this length, and what stands out further counts no more.
_SMOOTH_M, _MOST_M = 0.1, 0.01
#: Least correlation, and how near to it that of another place may come (rules of ours: on rendered walls the same wall in
#: another frame had 0.98, other walls 0.28 to 0.56).
_LEAST, _MOST_RIVAL, _APART_M = 0.7, 0.85, 0.04
_LEAST_OVERLAP = 0.3
#: Features of pictures: fewest that agree, and how much the scale may differ from one (both are in metres).
_FEWEST, _SCALE = 20, 0.01
#: What helps where two surveys cannot be laid on each other.
REMEDY = "Measure three points that both surveys show, or more of the same stone in both."


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstPlace:
    """Where the moving survey lies in the frame of the fixed one.

    Parameters
    ----------
    turn : float
        Radians, anticlockwise.
    du_m, dv_m : float
        A place is turned about the origin first, then moved.
    said : str
        What it rests on.
    """

    turn: float
    du_m: float
    dv_m: float
    said: str


def first_place(fixed: Relief, moving: Relief) -> FirstPlace:
    """By correlation of both reliefs without their large shape.

    Parameters
    ----------
    fixed, moving : Relief

    Raises
    ------
    InputError
        No place where they look alike, or several.
    """
    cell = max(
        max(r.grid.width_px, r.grid.height_px) * r.grid.gsd_m / _SIDE for r in (fixed, moving)
    )
    cell = max(cell, fixed.grid.gsd_m, moving.grid.gsd_m)
    still, still_known = _fine_shape(fixed, cell)
    loose, loose_known = _fine_shape(moving, cell)
    height, width = loose.shape
    peaks: list[tuple[float, float, float, float]] = []
    for turn_deg in _TURNS_DEG:
        # rows run down: an anticlockwise turn of the wall is one of the picture too
        matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), turn_deg, 1.0)
        turned, known = (
            cv2.warpAffine(layer, matrix, (width, height), flags=cv2.INTER_LINEAR)
            for layer in (loose, loose_known)
        )
        inside: Floats32 = (known > 0.99).astype(np.float32)
        peaks += [
            (score, dx, dy, math.radians(turn_deg))
            for score, dx, dy in _peaks(
                still, still_known, (turned * inside).astype(np.float32), inside, cell
            )
        ]
    peaks.sort(reverse=True)
    if not peaks or peaks[0][0] < _LEAST:
        best = peaks[0][0] if peaks else 0.0
        raise InputError(
            f"the reliefs of the two surveys look alike nowhere: correlation {best:.2f}", REMEDY
        )
    score, dx, dy, turn = peaks[0]
    rival = next(
        (p for p in peaks[1:] if math.hypot(p[1] - dx, p[2] - dy) * cell > 2 * _APART_M), None
    )
    if rival is not None and rival[0] > _MOST_RIVAL * score:
        raise InputError(
            f"the reliefs of the two surveys look alike at several places: correlation {score:.2f} and {rival[0]:.2f}",
            REMEDY,
        )
    # middle of the moving relief in its own frame and in the other
    own = _middle(moving.grid, cell, loose.shape)
    there = (
        fixed.grid.left_m + (dx + width / 2) * cell,
        fixed.grid.top_m - (dy + height / 2) * cell,
    )
    c, s = math.cos(turn), math.sin(turn)
    return FirstPlace(
        turn=turn,
        du_m=there[0] - (c * own[0] - s * own[1]),
        dv_m=there[1] - (s * own[0] + c * own[1]),
        said=f"by their relief (correlation {score:.2f})",
    )


def _middle(grid: PixelGrid, cell: float, shape: tuple[int, ...]) -> tuple[float, float]:
    return grid.left_m + shape[1] / 2 * cell, grid.top_m - shape[0] / 2 * cell


def _fine_shape(relief: Relief, cell: float) -> tuple[Floats32, Floats32]:
    """Relief without its large shape on wide cells, 0 where unknown; and where it is known."""
    grid = relief.grid
    wide = relief_on_grid(
        relief,
        PixelGrid(
            left_m=grid.left_m,
            top_m=grid.top_m,
            gsd_m=cell,
            width_px=max(2, int(grid.width_px * grid.gsd_m / cell)),
            height_px=max(2, int(grid.height_px * grid.gsd_m / cell)),
        ),
    )
    known = np.isfinite(wide.out_m).astype(np.float32)
    filled = np.nan_to_num(wide.out_m)
    sigma = _SMOOTH_M / cell
    large = cv2.GaussianBlur(filled, (0, 0), sigma) / np.maximum(
        cv2.GaussianBlur(known, (0, 0), sigma), 1e-3
    )
    fine = np.clip(filled - large, -_MOST_M, _MOST_M) * known
    fine -= known * fine.sum() / max(float(known.sum()), 1.0)
    return fine.astype(np.float32), known


def _peaks(
    still: Floats32, still_known: Floats32, loose: Floats32, loose_known: Floats32, cell: float
) -> list[tuple[float, float, float]]:
    """The best places of one turn: correlation over the cells known in both, and how far right and down."""
    shape = [fft.next_fast_len(a + b - 1) for a, b in zip(still.shape, loose.shape, strict=True)]
    a, ak, aa = (fft.rfft2(x, shape) for x in (still, still_known, still * still))
    b, bk, bb = (np.conj(fft.rfft2(x, shape)) for x in (loose, loose_known, loose * loose))
    count = fft.irfft2(ak * bk, shape)
    energy = np.maximum(fft.irfft2(aa * bk, shape), 0) * np.maximum(fft.irfft2(ak * bb, shape), 0)
    least = _LEAST_OVERLAP * min(float(still_known.sum()), float(loose_known.sum()))
    with np.errstate(invalid="ignore", divide="ignore"):
        score = np.where(
            (count > least) & (energy > 1e-20), fft.irfft2(a * b, shape) / np.sqrt(energy), -1.0
        )
    found = []
    reach = max(1, math.ceil(_APART_M / cell))
    for _ in range(3):
        y, x = (int(k) for k in np.unravel_index(int(score.argmax()), score.shape))
        dy, dx = (k - n if k > n // 2 else k for k, n in zip((y, x), shape, strict=True))
        found.append((float(score[y, x]), float(dx), float(dy)))
        rows, columns = (
            (np.arange(k - reach, k + reach + 1) % n) for k, n in zip((y, x), shape, strict=True)
        )
        score[np.ix_(rows, columns)] = -1.0
    return found


def first_place_of_pictures(
    fixed: tuple[PixelGrid, Bytes], moving: tuple[PixelGrid, Bytes]
) -> FirstPlace:
    """By features of the pictures of both surveys, each in its own frame.

    Parameters
    ----------
    fixed, moving : (PixelGrid, ndarray of uint8, shape (rows, columns))
        Grey; 0 where nothing is seen.

    Raises
    ------
    InputError
        Too few features that agree on one motion, or a motion that is none of one wall in metres.
    """
    places, kinds = zip(*(picture_features(*one) for one in (fixed, moving)), strict=True)
    if min(len(p) for p in places) < _FEWEST:
        raise InputError("the pictures of the two surveys show too few features", REMEDY)
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(kinds[1], kinds[0], k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.75 * p[1].distance]
    source = np.array([places[1][m.queryIdx] for m in good], dtype=float).reshape(-1, 2)
    target = np.array([places[0][m.trainIdx] for m in good], dtype=float).reshape(-1, 2)
    gsd = max(fixed[0].gsd_m, moving[0].gsd_m)
    matrix: Any = None
    if len(good) >= _FEWEST:
        cv2.setRNGSeed(7)
        matrix, inlier = cv2.estimateAffinePartial2D(
            source, target, method=cv2.RANSAC, ransacReprojThreshold=3 * gsd, maxIters=5000
        )
    used = 0 if matrix is None else int(inlier.sum())
    if used < _FEWEST:
        raise InputError(
            f"the pictures of the two surveys have {used} features in common, at least {_FEWEST} are needed",
            REMEDY,
        )
    scale = math.hypot(matrix[0, 0], matrix[1, 0])
    if abs(scale - 1) > _SCALE:
        raise InputError(
            f"by its picture the new survey is {scale:.3f} times the size of the old one",
            "Check the control of both surveys: one of them has a wrong scale.",
        )
    keep = inlier[:, 0] > 0
    miss = np.linalg.norm(source[keep] @ matrix[:, :2].T + matrix[:, 2] - target[keep], axis=1)
    return FirstPlace(
        turn=math.atan2(matrix[1, 0], matrix[0, 0]),
        du_m=float(matrix[0, 2]),
        dv_m=float(matrix[1, 2]),
        said=f"by {used} features of their pictures, which agree to {np.median(miss) * 1000:.1f} mm (median)",
    )


def picture_features(grid: PixelGrid, grey: Bytes) -> tuple[NDArray[np.floating[Any]], Any]:
    """Places of the features of a picture, shape (n, 2), metres, and what each looks like.

    Parameters
    ----------
    grid : PixelGrid
    grey : ndarray of uint8, shape (rows, columns)
        0 where nothing is seen.
    """
    detector: Any = cv2.SIFT.create(nfeatures=8000, contrastThreshold=0.02)
    points, kinds = detector.detectAndCompute(grey, (grey > 0).astype(np.uint8) * 255)
    pixel = np.array([p.pt for p in points], dtype=float).reshape(-1, 2)
    return grid.wall_from_pixel(pixel[:, 0], pixel[:, 1]), kinds
