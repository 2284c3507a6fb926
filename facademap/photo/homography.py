"""Plane-to-plane projective maps: normalised direct linear transform and its use.

References
----------
.. [1] R. Hartley, "In defense of the eight-point algorithm", IEEE PAMI 19 (1997) 580-593 (normalisation).
.. [2] R. Hartley, A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd ed. 2004, algorithm 4.2.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError

__all__ = ["apply_homography", "fit_homography_dlt", "homography_depth", "normalising_transform"]

Floats = NDArray[np.floating[Any]]


def normalising_transform(points: ArrayLike) -> Floats:
    """Similarity that moves points to their centroid and a mean distance of sqrt(2).

    Parameters
    ----------
    points : array_like, shape (n, 2)

    Returns
    -------
    ndarray, shape (3, 3)
    """
    xy = np.asarray(points, dtype=float)
    centre = xy.mean(axis=0)
    spread = float(np.mean(np.hypot(*(xy - centre).T)))
    scale = np.sqrt(2.0) / spread if spread > 0 else 1.0
    return np.array(
        [[scale, 0.0, -scale * centre[0]], [0.0, scale, -scale * centre[1]], [0.0, 0.0, 1.0]]
    )


def apply_homography(matrix: ArrayLike, points: ArrayLike) -> Floats:
    """Map points; those on or behind the line at infinity (third coordinate <= 0) become NaN.

    Parameters
    ----------
    matrix : array_like, shape (3, 3)
        Scaled so that the third coordinate is positive in front.
    points : array_like, shape (..., 2)
    """
    h = np.asarray(matrix, dtype=float)
    xy = np.asarray(points, dtype=float)
    x, y = xy[..., 0], xy[..., 1]
    w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        w = np.where(w > 1e-12 * np.abs(h[2]).max(), w, np.nan)
        return np.stack(
            [(h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w, (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w],
            axis=-1,
        )


def homography_depth(matrix: ArrayLike, points: ArrayLike) -> Floats:
    """Third homogeneous coordinate of mapped points: positive in front, zero on the horizon."""
    h = np.asarray(matrix, dtype=float)
    xy = np.asarray(points, dtype=float)
    return np.asarray(h[2, 0] * xy[..., 0] + h[2, 1] * xy[..., 1] + h[2, 2])


def fit_homography_dlt(
    source: ArrayLike, target: ArrayLike, *, weight: ArrayLike | None = None
) -> Floats:
    """Homography by the normalised direct linear transform.

    Parameters
    ----------
    source, target : array_like, shape (n, 2)
        At least four pairs, no three of some four on a line.
    weight : array_like, shape (n,), optional

    Returns
    -------
    ndarray, shape (3, 3)
        ``target ~ matrix @ source``, positive third coordinate at the centroid of ``source``,
        unit Frobenius norm.

    Raises
    ------
    GeometryError
        Fewer than four pairs, or a degenerate configuration.
    """
    a, b = np.asarray(source, dtype=float), np.asarray(target, dtype=float)
    if len(a) < 4:
        raise GeometryError(
            f"{len(a)} point pairs are too few for a homography",
            "Give at least four control points.",
        )
    ta, tb = normalising_transform(a), normalising_transform(b)
    an, bn = apply_homography(ta, a), apply_homography(tb, b)
    rows = np.zeros((2 * len(a), 9))
    rows[0::2, 0:2], rows[0::2, 2] = an, 1.0
    rows[1::2, 3:5], rows[1::2, 5] = an, 1.0
    rows[0::2, 6:8], rows[0::2, 8] = -bn[:, :1] * an, -bn[:, 0]
    rows[1::2, 6:8], rows[1::2, 8] = -bn[:, 1:] * an, -bn[:, 1]
    if weight is not None:
        rows *= np.repeat(np.sqrt(np.asarray(weight, dtype=float)), 2)[:, None]
    # four pairs give eight rows, and the ninth right vector only in the full form
    _, values, vectors = np.linalg.svd(rows, full_matrices=len(rows) < 9)
    if values[7] < 1e-9 * values[0]:
        raise GeometryError(
            "the control points do not fix a homography (too many of them lie on one line)",
            "Add control points so that four of them form a broad quadrilateral.",
        )
    matrix = np.linalg.inv(tb) @ vectors[-1].reshape(3, 3) @ ta
    matrix /= np.linalg.norm(matrix)
    centre = a.mean(axis=0)
    if float(homography_depth(matrix, centre)) < 0:
        matrix = -matrix
    return np.asarray(matrix)
