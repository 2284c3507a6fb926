"""Points of a scan gathered on the pixels of a wall: mean colour, relief and its standard deviation."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid

__all__ = ["PointGrid", "Relief"]

Floats = NDArray[np.floating[Any]]

#: A pixel without a point takes the colour of those around it as far as this.
FILL_PX = 3


def _gather(xyz, colour, echo, frame, radius, grid, reach, count, first, s1, s2, sc):  # type: ignore[no-untyped-def]
    """Add points to the sums of their pixels; compiled. Returns how many fell on the grid."""
    rows, columns = count.shape
    bands = sc.shape[2]
    hits = 0
    r = abs(radius)
    for k in range(len(xyz)):
        x, y, z = xyz[k, 0] - frame[0, 3], xyz[k, 1] - frame[1, 3], xyz[k, 2] - frame[2, 3]
        u = x * frame[0, 0] + y * frame[1, 0] + z * frame[2, 0]
        v = x * frame[0, 1] + y * frame[1, 1] + z * frame[2, 1]
        w = x * frame[0, 2] + y * frame[1, 2] + z * frame[2, 2]
        if radius != 0.0:
            depth = r - w if radius < 0 else r + w
            distance = np.sqrt(u * u + depth * depth)
            w = r - distance if radius < 0 else distance - r
            u = r * np.arctan2(u, depth)
        if abs(w) > reach:
            continue
        column = int(np.floor((u - grid[0]) / grid[2]))
        row = int(np.floor((grid[1] - v) / grid[2]))
        if column < 0 or row < 0 or column >= columns or row >= rows or count[row, column] == 65535:
            continue
        if count[row, column] == 0:
            first[row, column] = w
        d = w - first[row, column]
        count[row, column] += 1
        s1[row, column] += d
        s2[row, column] += d * d
        if bands == 3:
            for b in range(3):
                sc[row, column, b] += colour[k, b]
        elif bands == 1:
            sc[row, column, 0] += echo[k]
        hits += 1
    return hits


@functools.lru_cache(maxsize=1)
def _compiled() -> Any:
    import numba

    return numba.njit(nogil=True)(_gather)


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Relief:
    """How far the wall stands out of its frame.

    Parameters
    ----------
    out_m : ndarray of float32, shape (rows, columns)
        Mean of the points of a pixel; NaN where there is none.
    sd_m : ndarray of float32
        Standard deviation of that mean: from the scatter of the pixel's own points, not less than that of the whole
        wall, and divided by the root of their number.
    """

    out_m: NDArray[np.float32]
    sd_m: NDArray[np.float32]


@dataclass(slots=True, kw_only=True)
class PointGrid:
    """Sums over the points of each pixel of a part of the wall.

    Parameters
    ----------
    grid : PixelGrid
    bands : int
        3 for colour, 1 for the strength of the echo, 0 for neither.
    reach_m : float
        Points further out of the wall are left out.
    """

    grid: PixelGrid
    bands: int
    reach_m: float
    _count: Any = field(init=False)
    _first: Any = field(init=False)
    _s1: Any = field(init=False)
    _s2: Any = field(init=False)
    _colour: Any = field(init=False)

    def __post_init__(self) -> None:
        shape = self.grid.height_px, self.grid.width_px
        self._count = np.zeros(shape, np.uint16)
        self._first, self._s1, self._s2 = (np.zeros(shape, np.float32) for _ in range(3))
        self._colour = np.zeros((*shape, self.bands), np.float32)

    def add(
        self,
        xyz_m: NDArray[np.float32],
        colour: NDArray[np.uint8],
        echo: NDArray[np.float32],
        *,
        matrix: Floats,
        radius_m: float | None,
    ) -> int:
        """Add points given from the origin that ``matrix`` (wall to that system) is for; returns how many fell on it."""
        place = np.array([self.grid.left_m, self.grid.top_m, self.grid.gsd_m])
        return int(
            _compiled()(
                xyz_m,
                colour,
                echo,
                np.asarray(matrix, dtype=float),
                float(radius_m or 0.0),
                place,
                float(self.reach_m),
                self._count,
                self._first,
                self._s1,
                self._s2,
                self._colour,
            )
        )

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Pixels with a point."""
        return np.asarray(self._count > 0)

    def relief(self, noise_m: float | None = None) -> Relief:
        """Mean and standard deviation; ``noise_m`` is the scatter that a single point is taken to have."""
        n = self._count.astype(np.float32)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self._s1 / n
            variance = (self._s2 - n * mean * mean) / (n - 1)
            floor = np.float32((self.point_noise() if noise_m is None else noise_m) ** 2)
            variance = np.where(n > 1, np.fmax(variance, floor), floor)
            sd = np.sqrt(variance / n)
        out = np.where(n > 0, self._first + mean, np.nan).astype(np.float32)
        return Relief(out_m=out, sd_m=np.where(n > 0, sd, np.nan).astype(np.float32))

    def point_noise(self) -> float:
        """Scatter of single points within a pixel, median over pixels with four or more; NaN where there are none.

        On a sloping or rough pixel it holds the wall's own shape too, so that it is rather too large.
        """
        many = self._count >= 4
        if not many.any():
            return float("nan")
        n = self._count[many].astype(np.float64)
        s1, s2 = self._s1[many].astype(np.float64), self._s2[many].astype(np.float64)
        return float(np.sqrt(np.median(np.maximum(s2 - s1 * s1 / n, 0) / (n - 1))))

    def picture(self, *, echo_range: tuple[float, float]) -> tuple[NDArray[np.uint8], Any]:
        """RGB and mask; small gaps are filled from around. Without colour and echo the relief is shaded."""
        seen = self.seen
        n = np.maximum(self._count, 1).astype(np.float32)
        if self.bands == 0:
            mean = self._shaded()[..., None]
        else:
            mean = self._colour / n[..., None]
            if self.bands == 1:
                low, high = echo_range
                mean = (mean - low) * np.float32(255 / max(high - low, 1e-9))
        filled, shown = _fill(np.asarray(mean, np.float32), seen)
        picture = np.asarray(np.round(np.clip(filled, 0, 255)), np.uint8)
        if picture.shape[2] == 1:
            picture = np.repeat(picture, 3, axis=2)
        return picture, np.where(shown, 255, 0).astype(np.uint8)

    def _shaded(self) -> NDArray[np.float32]:
        """Relief lit from the upper left at 45 degrees."""
        seen = self.seen
        out = self._first + self._s1 / np.maximum(self._count, 1).astype(np.float32)
        smooth, _ = _fill(np.where(seen, out, 0)[..., None].astype(np.float32), seen)
        smooth = cv2.GaussianBlur(smooth[..., 0], (0, 0), 1.5)
        dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) / (8 * self.grid.gsd_m)
        dy = -cv2.Sobel(smooth, cv2.CV_32F, 0, 1) / (8 * self.grid.gsd_m)
        light = (0.5 * dx - 0.5 * dy + 0.7071) / np.sqrt(1 + dx * dx + dy * dy)
        return np.asarray(np.clip(light, 0, 1) * 255, np.float32)


def _fill(values: NDArray[np.float32], seen: NDArray[np.bool_]) -> tuple[Any, NDArray[np.bool_]]:
    """Values where there is none from the mean of those within a pixel, again and again."""
    result, have = values.copy(), seen.copy()
    for _ in range(FILL_PX):
        if have.all():
            break
        weight = cv2.blur(have.astype(np.float32), (3, 3))
        mean = cv2.blur(result * have[..., None], (3, 3))
        mean = mean.reshape(result.shape)
        new = ~have & (weight > 1e-6)
        result[new] = mean[new] / weight[new][:, None]
        have |= new
    return result, have
