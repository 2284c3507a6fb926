"""Whether a photo is out of focus or shaken: how much of its finest edges survives a further blur.

A sharp edge loses most of its steepness when it is blurred a little more; an edge that is blurred already hardly
changes. The two directions are looked at apart, since a shaken photo is sharp across the shake.

References
----------
.. [1] F. Crete et al., "The blur effect: perception and estimation with a new no-reference perceptual blur
   metric", Proc. SPIE 6492 (2007) (the idea of blurring again).
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.photo.features import grey_picture

__all__ = ["BLURRED_SHARE", "blur_share", "blur_warning", "blur_width_px"]

Bytes = NDArray[np.uint8]

#: A photo is called blurred when so much of its edges' energy survives (tried on real and rendered photos: sharp ones
#: keep 0.12 to 0.54, those blurred by three pixels 0.69 to 0.85, those shaken by nine pixels mostly 0.6 to 0.8).
BLURRED_SHARE = 0.62
#: Widths of the first blur, which takes the noise out, and of the second.
_FINE_PX, _COARSE_PX = 0.8, 2.0
_BLOCK_PX = 64
#: Blocks with less gradient than this tell nothing; so many blocks are needed.
_LEAST_ENERGY = 30.0
_LEAST_BLOCKS = 12
#: Side of the part that is looked at, about the middle of the photo.
_LOOKED_AT_PX = 2048


def blur_share(picture: Bytes) -> float | None:
    """Share of the gradient's energy that a further blur leaves, in the direction that is blurred more.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)

    Returns
    -------
    float or None
        0.2 to 0.55 for a sharp photo, towards 1 for a blurred one; None where there is too little to judge by.
    """
    top, left = (max(0, (side - _LOOKED_AT_PX) // 2) for side in picture.shape[:2])
    grey = grey_picture(picture[top : top + _LOOKED_AT_PX, left : left + _LOOKED_AT_PX]).astype(
        np.float32
    )
    size = (grey.shape[1] // _BLOCK_PX, grey.shape[0] // _BLOCK_PX)
    if min(size) < 1:
        return None
    fine, coarse = (
        np.asarray(cv2.GaussianBlur(grey, (0, 0), width)) for width in (_FINE_PX, _COARSE_PX)
    )
    shares = [_share(fine, coarse, size, across) for across in ((1, 0), (0, 1))]
    known = [share for share in shares if share is not None]
    return max(known) if known else None


def _share(
    fine: NDArray[Any], coarse: NDArray[Any], size: tuple[int, int], across: tuple[int, int]
) -> float | None:
    before, after = (
        cv2.resize(
            cv2.Sobel(p, cv2.CV_32F, *across) ** 2, size, interpolation=cv2.INTER_AREA
        ).ravel()
        for p in (fine, coarse)
    )
    textured = before > max(_LEAST_ENERGY, float(np.quantile(before, 0.7)))
    if np.count_nonzero(textured) < _LEAST_BLOCKS:
        return None
    # the sharper quarter of the blocks: depth of field, shadow and soft things must not count against a photo
    return float(np.quantile(after[textured] / before[textured], 0.25))


def blur_width_px(share: float) -> float:
    """Width over which an edge rises (twice the deviation), that belongs to a share."""
    squared = min(max(share, 0.0), 0.995) ** 2
    return 2.0 * math.sqrt(max(0.0, squared * _COARSE_PX**2 - _FINE_PX**2) / (1.0 - squared))


def blur_warning(picture: Bytes) -> str | None:
    """A sentence about a blurred photo, None for a sharp one."""
    share = blur_share(picture)
    if share is None or share < BLURRED_SHARE:
        return None
    return (
        f"the photo is blurred: its edges rise over about {blur_width_px(share):.0f} px or more (measure {share:.2f}; a sharp "
        f"photo stays below {BLURRED_SHARE:g}); take it again from a tripod, in focus, or use a larger sample distance"
    )
