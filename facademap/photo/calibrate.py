"""Camera calibration from photos of a chequer board or of a grid of round targets.

References
----------
.. [1] Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334
   (as OpenCV's ``calibrateCamera`` has it).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError
from facademap.photo.camera import Camera

__all__ = ["Calibration", "calibrate_camera", "find_board"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

#: Fewest photos from which a lens is taken (common practice: ten or more, turned and tilted).
LEAST_PHOTOS = 3
GOOD_PHOTOS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A calibrated camera with its quality.

    Parameters
    ----------
    camera : Camera
    rmse_px : float
        Of reprojection over all corners used.
    photo_rmse_px : tuple of float
    sigma : dict of str to float
        One sigma of fx, fy, cx, cy, k1, k2, p1, p2, k3.
    coverage : float
        Share of the picture (in a 10 x 10 raster) where corners were seen.
    left_out : tuple of int
        Photos that the others contradict.
    flags : tuple of str
    """

    camera: Camera
    rmse_px: float
    photo_rmse_px: tuple[float, ...]
    sigma: dict[str, float]
    coverage: float
    left_out: tuple[int, ...]
    flags: tuple[str, ...]


def find_board(
    picture: Bytes, *, columns: int, rows: int, pattern: Literal["chequer", "circles"] = "chequer"
) -> Floats | None:
    """Inner corners of a chequer board (or centres of a target grid), row by row; None when not found.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width) or (height, width, 3)
    columns, rows : int
        Inner corners (targets) along and down the board.
    pattern : {"chequer", "circles"}

    Returns
    -------
    ndarray, shape (rows * columns, 2) or None
    """
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    if pattern == "circles":
        found, points = cv2.findCirclesGrid(
            grey, (columns, rows), flags=cv2.CALIB_CB_SYMMETRIC_GRID
        )
        return points.reshape(-1, 2).astype(float) if found else None
    shrink = max(1.0, max(grey.shape) / 1600)
    small = (
        grey
        if shrink == 1.0
        else cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    )
    found, points = cv2.findChessboardCorners(
        small, (columns, rows), flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    )
    if not found:
        return None
    corners = ((points.reshape(-1, 2) + 0.5) * shrink - 0.5).astype(np.float32)
    grid = corners.reshape(rows, columns, 2)
    gap = min(np.hypot(*np.moveaxis(np.diff(grid, axis=k), -1, 0)).min() for k in (0, 1))
    half = int(np.clip(gap / 3, 2, 15))
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    refined = cv2.cornerSubPix(grey, corners.reshape(-1, 1, 2), (half, half), (-1, -1), criteria)
    return np.asarray(refined.reshape(-1, 2), dtype=float)


def calibrate_camera(
    corners_px: Sequence[Floats],
    *,
    width_px: int,
    height_px: int,
    columns: int,
    rows: int,
    square_m: float = 1.0,
) -> Calibration:
    """Calibrate from the corners of one board in several photos.

    Parameters
    ----------
    corners_px : sequence of ndarray, shape (rows * columns, 2)
    width_px, height_px : int
    columns, rows : int
    square_m : float
        Side of a square; it has no effect on the lens.

    Raises
    ------
    InputError, GeometryError
        Too few photos, or boards all parallel to the picture.
    """
    if len(corners_px) < LEAST_PHOTOS:
        raise InputError(
            f"{len(corners_px)} usable photos of the board; at least {LEAST_PHOTOS} are needed",
            f"Take {GOOD_PHOTOS} or more photos, turned and tilted, that fill the frame.",
        )
    board = np.zeros((rows * columns, 3), np.float32)
    board[:, :2] = np.mgrid[0:columns, 0:rows].T.reshape(-1, 2) * square_m
    kept = list(range(len(corners_px)))
    left_out: list[int] = []
    while True:
        answer = _solve(board, [corners_px[i] for i in kept], width_px, height_px)
        rmse, matrix, distortion, deviation, views = answer
        worst = int(np.argmax(views))
        if len(kept) <= max(LEAST_PHOTOS, len(corners_px) // 2) or views[worst] < max(
            3 * float(np.median(views)), 0.5
        ):
            break
        left_out.append(kept.pop(worst))
    k1, k2, p1, p2, k3 = (float(x) for x in distortion.ravel()[:5])
    camera = Camera(
        width_px=width_px,
        height_px=height_px,
        fx_px=float(matrix[0, 0]),
        fy_px=float(matrix[1, 1]),
        cx_px=float(matrix[0, 2]),
        cy_px=float(matrix[1, 2]),
        k1=k1,
        k2=k2,
        k3=k3,
        p1=p1,
        p2=p2,
    )
    sigma = dict(
        zip(
            ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"),
            (float(x) for x in deviation.ravel()[:9]),
            strict=True,
        )
    )
    seen = np.concatenate([corners_px[i] for i in kept])
    cells = {(int(10 * x / width_px), int(10 * y / height_px)) for x, y in seen}
    flags = []
    if len(kept) < GOOD_PHOTOS:
        flags.append(f"{len(kept)} photos; {GOOD_PHOTOS} or more are common practice")
    if len(cells) < 60:
        flags.append(
            f"the board covers {len(cells)} % of the picture: the lens is extrapolated towards the corners"
        )
    if not math.isfinite(rmse) or sigma["fx"] > 0.05 * camera.fx_px:
        raise GeometryError(
            "the photos do not fix the focal length: the board was always held parallel to the camera",
            "Tilt the board by 20 to 40 degrees, in both directions.",
        )
    return Calibration(
        camera=camera,
        rmse_px=rmse,
        photo_rmse_px=tuple(float(v) for v in views),
        sigma=sigma,
        coverage=len(cells) / 100,
        left_out=tuple(left_out),
        flags=tuple(flags),
    )


def _solve(
    board: Floats, corners: list[Floats], width: int, height: int
) -> tuple[float, Floats, Floats, Floats, Floats]:
    # the stubs of OpenCV do not know that the start values may be left out
    answer = cv2.calibrateCameraExtended(
        [board] * len(corners), [c.astype(np.float32) for c in corners], (width, height), None, None
    )  # type: ignore[call-overload]
    rmse, matrix, distortion, _, _, deviation, _, views = answer
    return float(rmse), matrix, distortion, deviation, np.ravel(views)
