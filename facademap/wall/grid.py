"""A pixel grid on a wall: metres, v up, rows down; an immutable value.

References
----------
.. [1] GDAL's raster data model: an affine transform from the outer corner of the first pixel (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import InputError

__all__ = ["Extent", "PixelGrid", "Window", "centre_from_corner_px", "corner_from_centre_px"]

Floats = NDArray[np.floating[Any]]

#: Largest picture that is made in one file (a 4 gigapixel file is already 12 GB raw); a setting.
MAX_PIXELS = 4_000_000_000


def corner_from_centre_px(centre_px: ArrayLike) -> Floats:
    """Pixel coordinate counted from the raster's corner, from one counted from pixel centres.

    Inside facademap an integer is a pixel's centre; raster files count from the outer corner of the
    first pixel. This pair of functions is the only place where the half pixel is added or taken off.
    """
    return np.asarray(centre_px, dtype=float) + 0.5


def centre_from_corner_px(corner_px: ArrayLike) -> Floats:
    """Inverse of `corner_from_centre_px`."""
    return np.asarray(corner_px, dtype=float) - 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """A rectangle on the wall.

    Parameters
    ----------
    u0_m, v0_m, u1_m, v1_m : float
        Left, bottom, right, top; metres.
    """

    u0_m: float
    v0_m: float
    u1_m: float
    v1_m: float

    def __post_init__(self) -> None:
        values = (self.u0_m, self.v0_m, self.u1_m, self.v1_m)
        if not all(math.isfinite(value) for value in values):
            raise InputError(
                f"extent {values} holds a value that is not a finite number",
                "Give four numbers, metres.",
            )
        if self.u1_m <= self.u0_m or self.v1_m <= self.v0_m:
            raise InputError(
                f"extent {values} is empty", "Give u0,v0,u1,v1 with u1 > u0 and v1 > v0, metres."
            )

    @property
    def width_m(self) -> float:
        """Length along u."""
        return self.u1_m - self.u0_m

    @property
    def height_m(self) -> float:
        """Length along v."""
        return self.v1_m - self.v0_m

    def grown(self, share: float) -> Extent:
        """Grown on every side by a share of its own width or height."""
        du, dv = share * self.width_m, share * self.height_m
        return Extent(
            u0_m=self.u0_m - du, v0_m=self.v0_m - dv, u1_m=self.u1_m + du, v1_m=self.v1_m + dv
        )

    def as_tuple(self) -> tuple[float, float, float, float]:
        """u0, v0, u1, v1."""
        return self.u0_m, self.v0_m, self.u1_m, self.v1_m

    @classmethod
    def around(cls, places_m: ArrayLike) -> Extent:
        """Bounding box of places, shape (n, 2)."""
        places = np.asarray(places_m, dtype=float)
        (u0, v0), (u1, v1) = places.min(axis=0), places.max(axis=0)
        return cls(u0_m=float(u0), v0_m=float(v0), u1_m=float(u1), v1_m=float(v1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A rectangle of pixels: first column and row, and size."""

    column: int
    row: int
    width: int
    height: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """Row and column slices."""
        return slice(self.row, self.row + self.height), slice(self.column, self.column + self.width)


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelGrid:
    """Square pixels on a wall.

    Parameters
    ----------
    left_m, top_m : float
        Outer corner of the first pixel (u of its left edge, v of its top edge).
    gsd_m : float
        Ground sample distance: side of a pixel on the wall.
    width_px, height_px : int
    """

    left_m: float
    top_m: float
    gsd_m: float
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        if not (math.isfinite(self.gsd_m) and self.gsd_m > 0):
            raise InputError(
                f"ground sample distance {self.gsd_m} m is not positive",
                "Give a ground sample distance above zero.",
            )
        if self.width_px < 1 or self.height_px < 1:
            raise InputError(
                f"a grid of {self.width_px} x {self.height_px} px is empty", "Give a larger extent."
            )
        if self.width_px * self.height_px > MAX_PIXELS:
            raise InputError(
                f"a grid of {self.width_px} x {self.height_px} px ({self.width_px * self.height_px / 1e6:.0f} megapixel) "
                f"is larger than the {MAX_PIXELS / 1e6:.0f} megapixel that one file may hold",
                "Use a coarser ground sample distance or a smaller extent.",
            )

    @classmethod
    def over(cls, extent: Extent, *, gsd_m: float) -> PixelGrid:
        """The grid that starts in the extent's top-left corner and covers it.

        Raises
        ------
        InputError
            A ground sample distance that is not above 0, or a grid larger than any disk.
        """
        if not (math.isfinite(gsd_m) and gsd_m > 0):
            raise InputError(
                f"ground sample distance {gsd_m} m is not positive",
                "Give a ground sample distance above zero.",
            )
        width, height = extent.width_m / gsd_m, extent.height_m / gsd_m
        if width * height > 1e15:
            raise InputError(
                "the grid would be larger than any disk", "Use a coarser ground sample distance."
            )
        return cls(
            left_m=extent.u0_m,
            top_m=extent.v1_m,
            gsd_m=gsd_m,
            width_px=max(1, math.ceil(width - 1e-6)),
            height_px=max(1, math.ceil(height - 1e-6)),
        )

    @property
    def extent(self) -> Extent:
        """Outer edges."""
        return Extent(
            u0_m=self.left_m,
            v0_m=self.top_m - self.height_px * self.gsd_m,
            u1_m=self.left_m + self.width_px * self.gsd_m,
            v1_m=self.top_m,
        )

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """Affine terms a, b, c, d, e, f from raster corner coordinates (column, row) to (u, v)."""
        return self.gsd_m, 0.0, self.left_m, 0.0, -self.gsd_m, self.top_m

    def wall_from_pixel(self, column_px: ArrayLike, row_px: ArrayLike) -> Floats:
        """Places of pixels (integer = centre), shape (..., 2), metres."""
        column, row = np.broadcast_arrays(
            corner_from_centre_px(column_px), corner_from_centre_px(row_px)
        )
        return np.stack([self.left_m + column * self.gsd_m, self.top_m - row * self.gsd_m], axis=-1)

    def pixel_from_wall(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Pixels (column, row; integer = centre) of places, shape (..., 2)."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        return np.stack(
            [
                centre_from_corner_px((u - self.left_m) / self.gsd_m),
                centre_from_corner_px((self.top_m - v) / self.gsd_m),
            ],
            axis=-1,
        )

    def crop(self, window: Window) -> PixelGrid:
        """The grid of a window."""
        return replace(
            self,
            left_m=self.left_m + window.column * self.gsd_m,
            top_m=self.top_m - window.row * self.gsd_m,
            width_px=window.width,
            height_px=window.height,
        )

    def window_of(self, extent: Extent) -> Window | None:
        """Pixels that an extent touches, cut to the grid; None when it lies outside."""
        c0 = max(0, math.floor((extent.u0_m - self.left_m) / self.gsd_m + 1e-6))
        r0 = max(0, math.floor((self.top_m - extent.v1_m) / self.gsd_m + 1e-6))
        c1 = min(self.width_px, math.ceil((extent.u1_m - self.left_m) / self.gsd_m - 1e-6))
        r1 = min(self.height_px, math.ceil((self.top_m - extent.v0_m) / self.gsd_m - 1e-6))
        if c1 <= c0 or r1 <= r0:
            return None
        return Window(column=c0, row=r0, width=c1 - c0, height=r1 - r0)

    def windows(self, size_px: int = 512) -> Iterator[Window]:
        """Square windows that cover the grid, row by row."""
        for row in range(0, self.height_px, size_px):
            for column in range(0, self.width_px, size_px):
                yield Window(
                    column=column,
                    row=row,
                    width=min(size_px, self.width_px - column),
                    height=min(size_px, self.height_px - row),
                )
