"""Outlines by a segmentation model that a user supplies.

A model is asked about square views round the click, from near to far, and the first answer that does not run out of
its view is taken. What a model file must look like is told in :mod:`facademap.io.segmentation_model`.
"""

from __future__ import annotations

from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError

__all__ = ["Segmenter", "outline_by_model"]

#: Half sides of the views as shares of the longer side of the picture, from near to far.
_REACHES = (0.06, 0.12, 0.25, 0.5, 1.0)
#: An answer with more than this share of its border at the frame of the view runs out of it.
_AT_FRAME = 0.04
_SMALLEST_PX = 20
#: A border is drawn on the probabilities enlarged this many times.
_FINER = 4


class Segmenter(Protocol):
    """What is asked for a mask: a square view and the click in it give a probability for each pixel."""

    @property
    def side_px(self) -> int:
        """Side of the views."""

    def __call__(self, rgb: NDArray[np.uint8], x_px: float, y_px: float) -> NDArray[np.float32]:
        """Probability that each pixel belongs to what was clicked."""


def outline_by_model(
    segmenter: Segmenter, rgb: NDArray[Any], x_px: float, y_px: float
) -> NDArray[Any]:
    """Outline of what lies under a click, by a model.

    Parameters
    ----------
    segmenter : Segmenter
    rgb : ndarray of uint8, shape (rows, columns, 3)
    x_px, y_px : float

    Returns
    -------
    ndarray, shape (n, 2)
        Ring (x, y), not closed.

    Raises
    ------
    InputError
        The click lies outside the picture.
    GeometryError
        The model finds nothing there.
    """
    rows, columns = rgb.shape[:2]
    if not (0 <= x_px < columns and 0 <= y_px < rows):
        raise InputError(
            f"the place ({x_px:g}, {y_px:g}) lies outside the picture of {columns} x {rows} px",
            "Click inside the picture.",
        )
    side, best = segmenter.side_px, None
    for share in _REACHES:
        reach = max(share * max(rows, columns), 24.0)
        scale = side / (2 * reach)
        to_view = np.array(
            [[scale, 0.0, side / 2 - scale * x_px], [0.0, scale, side / 2 - scale * y_px]]
        )
        flags = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        view = (
            _view(rgb, x_px, y_px, reach, side)
            if scale < 0.5
            else cv2.warpAffine(
                rgb, to_view, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE
            )
        )
        ring = _ring_round(segmenter(np.ascontiguousarray(view), side / 2, side / 2))
        if ring is None:
            continue
        best = (ring - side / 2) / scale + np.array([x_px, y_px])
        at_frame = ((ring <= 1) | (ring >= side - 2)).any(axis=1).mean()
        if at_frame <= _AT_FRAME:
            break
    if best is None:
        raise GeometryError(
            f"the model finds nothing at ({x_px:g}, {y_px:g})",
            "Click nearer to the middle, or draw the outline by hand.",
        )
    return np.asarray(np.clip(best, 0.0, [columns - 1.0, rows - 1.0]))


def _view(rgb: NDArray[Any], x_px: float, y_px: float, reach: float, side: int) -> NDArray[Any]:
    """A far view, averaged over the pixels it leaves out."""
    factor = max(1, int(2 * reach / side))
    small = cv2.resize(rgb, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    scale = side * factor / (2 * reach)
    x, y = (x_px + 0.5) / factor - 0.5, (y_px + 0.5) / factor - 0.5
    to_view = np.array([[scale, 0.0, side / 2 - scale * x], [0.0, scale, side / 2 - scale * y]])
    return np.asarray(
        cv2.warpAffine(
            small, to_view, (side, side), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    )


def _ring_round(probability: NDArray[np.float32]) -> NDArray[Any] | None:
    """Border of the likely part that holds the middle, finer than the pixels of the view."""
    side = len(probability)
    fine = cv2.resize(probability, None, fx=_FINER, fy=_FINER, interpolation=cv2.INTER_LINEAR)
    mask = (fine > 0.5).astype(np.uint8)
    middle = side * _FINER // 2
    if not mask[middle, middle]:
        return None
    _, labels = cv2.connectedComponents(mask, connectivity=4)
    part = (labels == labels[middle, middle]).astype(np.uint8)
    if int(part.sum()) < _SMALLEST_PX * _FINER**2:
        return None
    contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = cv2.approxPolyDP(max(contours, key=cv2.contourArea), 0.8 * _FINER, True)[:, 0].astype(
        float
    )
    return (ring + 0.5) / _FINER - 0.5 if len(ring) >= 3 else None
