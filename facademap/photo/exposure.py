"""Exposure and white balance of many photos levelled on what they share.

Each photo gets a factor a colour and a gentle shading over its area; both are solved from the cells
that two photos show, so that a stone looks the same in either. The mean over all photos is kept, and
the differences between stones are not touched: within one photo neighbouring stones keep their ratio.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.photo.features import grey_picture
from facademap.values import frozen_value

__all__ = ["OverlapSample", "PhotoLevel", "level_photos", "sharpness_of"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

#: Looseness of the factors (natural logarithm of stored values) and of the shading terms (common practice).
FACTOR_SIGMA = 0.7
SHADING_SIGMA = 0.05
#: Scatter of one overlap sample about the model: noise, relief, gloss (common practice).
SAMPLE_SIGMA = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoLevel:
    """What a photo's stored values are multiplied by.

    Attributes
    ----------
    factor : tuple of 3 float
        Red, green, blue.
    shading : tuple of 5 float
        Logarithmic shading over x, y, x x, x y, y y (-1 to 1 from the middle to the sides).
    """

    factor: tuple[float, float, float] = (1.0, 1.0, 1.0)
    shading: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)

    def shade(self, x_share: Floats, y_share: Floats) -> Floats:
        """The part of the multipliers that is alike for all colours, at places of the photo."""
        x, y = np.asarray(x_share), np.asarray(y_share)
        s = self.shading
        log = s[0] * x + s[1] * y + s[2] * (x * x - 1 / 3) + s[3] * x * y + s[4] * (y * y - 1 / 3)
        return np.asarray(np.exp(np.clip(log, -1.0, 1.0)))

    def at(self, x_share: Floats, y_share: Floats) -> Floats:
        """Multipliers at places of the photo, shape (..., 3)."""
        return np.asarray(self.shade(x_share, y_share)[..., None] * np.asarray(self.factor))

    @property
    def is_plain(self) -> bool:
        """Whether nothing is changed."""
        return self.factor == (1.0, 1.0, 1.0) and not any(self.shading)


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class OverlapSample:
    """Cells that two photos both show.

    Attributes
    ----------
    first, second : int
        Numbers of the photos.
    log_ratio : ndarray, shape (n, 3)
        Logarithm of the first's over the second's stored values.
    first_xy, second_xy : ndarray, shape (n, 2)
        Places in both photos (-1 to 1).
    """

    first: int
    second: int
    log_ratio: Floats
    first_xy: Floats
    second_xy: Floats


def _terms(xy: Floats) -> Floats:
    x, y = xy[:, 0], xy[:, 1]
    return np.stack([x, y, x * x - 1 / 3, x * y, y * y - 1 / 3], axis=1)


def level_photos(
    count: int, overlaps: Sequence[OverlapSample], *, shading: bool = True
) -> tuple[PhotoLevel, ...]:
    """Solve the factors of all photos from their overlaps.

    Parameters
    ----------
    count : int
        Number of photos.
    overlaps : sequence of OverlapSample
    shading : bool
        Whether a shading over each photo is solved too.

    Returns
    -------
    tuple of PhotoLevel
        One a photo; photos without overlap keep their values. The mean of the logarithms of the
        factors is zero within every connected group, so the wall keeps its brightness and colour.
    """
    levels = [PhotoLevel() for _ in range(count)]
    if not overlaps:
        return tuple(levels)
    shades = _solve_shading(count, overlaps) if shading else np.zeros((count, 5))
    factors = np.zeros((count, 3))
    for band in range(3):
        factors[:, band] = _solve_factors(count, overlaps, shades, band)
    for group in _groups(count, overlaps):
        factors[group] -= factors[group].mean(axis=0)
    seen = {i for o in overlaps for i in (o.first, o.second)}
    return tuple(
        PhotoLevel(
            factor=tuple(float(v) for v in np.exp(factors[i])),  # type: ignore[arg-type]
            shading=tuple(float(v) for v in shades[i]),  # type: ignore[arg-type]
        )
        if i in seen
        else levels[i]
        for i in range(count)
    )


def _groups(count: int, overlaps: Sequence[OverlapSample]) -> list[list[int]]:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    a, b = [o.first for o in overlaps], [o.second for o in overlaps]
    graph = coo_matrix((np.ones(len(a)), (a, b)), shape=(count, count))
    number, label = connected_components(graph, directed=False)
    return [np.flatnonzero(label == k).tolist() for k in range(number)]


def _solve_shading(count: int, overlaps: Sequence[OverlapSample]) -> Floats:
    """Shading of all photos together with their brightness, from the mean of the colours, robustly."""
    size = 6 * count
    solution: Floats = np.zeros(size)
    prior = np.tile(np.r_[1.0 / FACTOR_SIGMA**2, np.full(5, 1.0 / SHADING_SIGMA**2)], count)
    for _ in range(4):
        normal, right = np.diag(prior), np.zeros(size)
        for o in overlaps:
            A = np.concatenate([np.ones((len(o.first_xy), 1)), _terms(o.first_xy)], axis=1)
            B = np.concatenate([np.ones((len(o.second_xy), 1)), _terms(o.second_xy)], axis=1)
            ia, ib = slice(6 * o.first, 6 * o.first + 6), slice(6 * o.second, 6 * o.second + 6)
            value = -o.log_ratio.mean(axis=1)
            miss = A @ solution[ia] - B @ solution[ib] - value
            # many cells of one overlap are not independent: together they count like a few hundred
            weight = _robust(miss) / SAMPLE_SIGMA**2 * min(1.0, 200.0 / len(miss))
            WA, WB = A * weight[:, None], B * weight[:, None]
            normal[ia, ia] += A.T @ WA
            normal[ib, ib] += B.T @ WB
            normal[ia, ib] -= A.T @ WB
            normal[ib, ia] -= B.T @ WA
            right[ia] += WA.T @ value
            right[ib] -= WB.T @ value
        solution = np.linalg.solve(normal, right)
    return np.asarray(solution.reshape(count, 6)[:, 1:])


def _robust(miss: Floats) -> Floats:
    spread = max(SAMPLE_SIGMA, 1.4826 * float(np.median(np.abs(miss - np.median(miss)))))
    return np.asarray(1.0 / (1.0 + (miss / (2.0 * spread)) ** 2))


def _solve_factors(
    count: int, overlaps: Sequence[OverlapSample], shades: Floats, band: int
) -> Floats:
    normal, right = np.eye(count) / FACTOR_SIGMA**2, np.zeros(count)
    for o in overlaps:
        value = (
            -o.log_ratio[:, band]
            - _terms(o.first_xy) @ shades[o.first]
            + _terms(o.second_xy) @ shades[o.second]
        )
        # the factor that makes both equal: its median is not moved by gloss, people or relief
        wanted = float(np.median(value))
        weight = min(len(value), 200) / SAMPLE_SIGMA**2
        normal[o.first, o.first] += weight
        normal[o.second, o.second] += weight
        normal[o.first, o.second] -= weight
        normal[o.second, o.first] -= weight
        right[o.first] += weight * wanted
        right[o.second] -= weight * wanted
    return np.asarray(np.linalg.solve(normal, right))


#: Pixels that are looked at to judge the sharpness of a photo (a setting).
SHARPNESS_PX = 3_000_000


def sharpness_of(picture: Bytes, *, block_px: int = 128) -> float:
    """How fine the finest detail of a photo is: a ratio that falls with blur and hardly depends on the subject.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
        Of a large one, evenly spread strips are looked at.
    block_px : int
        Side of the blocks whose median is taken.

    Returns
    -------
    float
        Energy of the Laplacian over energy of the gradient, 0 when there is no detail.
    """
    strips = max(1, picture.shape[0] // block_px)
    step = max(1, math.ceil(picture.shape[0] * picture.shape[1] / SHARPNESS_PX))
    height = picture.shape[0] // strips
    found = [
        _fine_over_coarse(grey_picture(picture[n * height : (n + 1) * height]), block_px)
        for n in range(step // 2 if strips > step else 0, strips, step)
    ]
    ratios = np.concatenate(found)
    return float(np.median(ratios)) if len(ratios) else 0.0


def _fine_over_coarse(grey: Bytes, block_px: int) -> Floats:
    """The ratio in the blocks with texture of one strip."""
    import cv2

    laplacian = cv2.Laplacian(grey, cv2.CV_32F) ** 2
    gradient = cv2.Sobel(grey, cv2.CV_32F, 1, 0) ** 2 + cv2.Sobel(grey, cv2.CV_32F, 0, 1) ** 2
    size = (max(1, grey.shape[1] // block_px), 1)
    fine = cv2.resize(laplacian, size, interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(gradient, size, interpolation=cv2.INTER_AREA)
    textured = coarse > 60.0
    return np.asarray(fine[textured] / coarse[textured], dtype=float)
