"""Where a rectified picture lies on the wall: from its own numbers, a known length, or known points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError, InputError
from facademap.values import frozen_value
from facademap.wall.grid import corner_from_centre_px

__all__ = [
    "PicturePlace",
    "place_by_length",
    "place_by_points",
    "place_stated",
]

Floats = NDArray[np.floating[Any]]

#: Pixels that move less than this over the whole picture are not resampled.
STILL_PX = 0.1
#: Sides of a pixel, mm on the wall; outside it the unit is another one.
USUAL_GSD_M = (2e-5, 0.1)
MOST_SIDE_RATIO = 1.05


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PicturePlace:
    """A map from raster corner coordinates (column right, row down) to the wall.

    Parameters
    ----------
    matrix : ndarray, shape (2, 3)
    source : str
        Where it comes from, in words.
    residual_m : ndarray, shape (n, 2), or None
        Place by the picture minus place given, of the points that placed it, where there are more than needed.
    """

    matrix: Floats
    source: str
    residual_m: Floats | None = None

    @property
    def gsd_m(self) -> float:
        """Geometric mean of the sides of a pixel."""
        return math.sqrt(abs(float(np.linalg.det(self.matrix[:, :2]))))

    def wall_from_pixel(self, pixel_px: ArrayLike) -> Floats:
        """Places of pixels (whole numbers at their centres), shape (n, 2)."""
        corner = corner_from_centre_px(pixel_px)
        return np.asarray(corner @ self.matrix[:, :2].T + self.matrix[:, 2])

    def is_upright(self, width_px: int, height_px: int) -> bool:
        """Whether rows are level and pixels square, to a tenth of a pixel over the whole picture."""
        a, b, d, e = self.matrix[0, 0], self.matrix[0, 1], self.matrix[1, 0], self.matrix[1, 1]
        if a <= 0 or e >= 0:
            return False
        moved = max(abs(b) * height_px, abs(d) * width_px, abs(a + e) * height_px)
        return bool(moved < STILL_PX * a)


def place_stated(matrix: ArrayLike, *, unit_m: float, name: str, source: str) -> PicturePlace:
    """The place that a file states.

    Raises
    ------
    GeometryError, InputError
        Mirrored, flat, sheared, or in a unit that cannot be metres.
    """
    found = np.asarray(matrix, dtype=float) * unit_m
    sides = np.linalg.svd(found[:, :2], compute_uv=False)
    if not np.isfinite(found).all() or sides[1] <= 0:
        raise GeometryError(
            f"the place of {name} has no area", "Write its world file again, six numbers."
        )
    if np.linalg.det(found[:, :2]) > 0:
        raise GeometryError(
            f"the place of {name} mirrors the picture: its rows run up the wall, or its columns to the left",
            "Write the world file again with a negative fourth number, or mirror the picture back.",
        )
    if sides[0] > MOST_SIDE_RATIO * sides[1]:
        raise GeometryError(
            f"the pixels of {name} are {sides[0] * 1000:.3g} by {sides[1] * 1000:.3g} mm",
            "Export the picture with square pixels, or correct its world file.",
        )
    low, high = USUAL_GSD_M
    if not low <= sides[0] <= high:
        fits = [
            u
            for u, f in (("mm", 0.001), ("cm", 0.01), ("in", 0.0254), ("ft", 0.3048))
            if low <= sides[0] / unit_m * f <= high
        ]
        raise InputError(
            f"a pixel of {name} would be {sides[0]:.4g} m on the wall",
            f"State the unit of its place with --unit ({', '.join(fits) or 'mm'}), or correct the world file.",
        )
    return PicturePlace(matrix=found, source=source)


def place_by_length(
    start_px: ArrayLike, end_px: ArrayLike, *, length_m: float, height_px: int
) -> PicturePlace:
    """Scale from one length; the lower left corner of the picture becomes the origin, its rows are taken as level.

    Raises
    ------
    InputError
        A length that is not above 0, or two places too near to one another.
    """
    distance = float(np.hypot(*(np.asarray(end_px, float) - np.asarray(start_px, float))))
    if not (math.isfinite(length_m) and length_m > 0):
        raise InputError(f"a known length of {length_m} m", "Give a length above 0.")
    if distance < 10:
        raise InputError(
            f"the known length spans {distance:.1f} px", "Take two places far apart in the picture."
        )
    gsd = length_m / distance
    return PicturePlace(
        matrix=np.array([[gsd, 0.0, 0.0], [0.0, -gsd, height_px * gsd]]),
        source="one known length; the lower left corner is the origin",
    )


def place_by_points(pixel_px: ArrayLike, wall_m: ArrayLike) -> PicturePlace:
    """Similarity of least squares from two or more points: shift, turn, scale.

    Raises
    ------
    GeometryError
        The points lie in one place of the picture.

    References
    ----------
    .. [1] S. Umeyama, "Least-squares estimation of transformation parameters between two point patterns", IEEE PAMI 13
       (1991) 376.
    """
    corner = corner_from_centre_px(pixel_px) * (1.0, -1.0)
    wall = np.asarray(wall_m, dtype=float)
    a, b = corner.mean(axis=0), wall.mean(axis=0)
    spread = float(np.sum((corner - a) ** 2))
    if len(corner) < 2 or spread < 100:
        raise GeometryError(
            "the known points lie in one place of the picture", "Give two points far apart."
        )
    # complex numbers turn and scale in one product
    p = (corner - a) @ (1, 1j)
    q = (wall - b) @ (1, 1j)
    turn = complex(np.vdot(p, q)) / spread
    linear = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
    shift = b - linear @ a
    matrix = np.c_[linear * (1.0, -1.0), shift]
    residual = (
        corner_from_centre_px(pixel_px) @ matrix[:, :2].T + shift - wall
        if len(corner) > 2
        else None
    )
    return PicturePlace(matrix=matrix, source=f"{len(corner)} known points", residual_m=residual)
