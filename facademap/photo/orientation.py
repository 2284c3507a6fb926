"""Which way up a picture is stored, and what that does to pixels and lenses.

Every pixel in the program is one of the upright picture, as other programs show it. A camera stores the picture as
its sensor was read, and says in the EXIF tag *Orientation* how it is to be turned. Names of the eight ways: EXIF 2.32
(CIPA DC-008), 4.6.4, tag 0x0112.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.photo.camera import Camera

__all__ = ["UPRIGHT", "Turn", "upright_camera"]

Floats = NDArray[np.floating[Any]]

#: Orientation of a picture that is stored upright.
UPRIGHT = 1
#: Axes of the upright picture (rows: x, y) written in those of the stored one.
_AXES = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """How a stored picture is turned to stand upright.

    Parameters
    ----------
    orientation : int
        1 to 8, as in EXIF.
    width_px, height_px : int
        Size of the upright picture.
    """

    orientation: int = UPRIGHT
    width_px: int
    height_px: int

    @property
    def stored_size_px(self) -> tuple[int, int]:
        """Width and height of the stored picture."""
        size = (self.width_px, self.height_px)
        return size[::-1] if self.orientation >= 5 else size

    @property
    def axes(self) -> Floats:
        """2 x 2: turns directions of the stored picture into those of the upright one."""
        return np.array(_AXES[self.orientation], dtype=float)

    @property
    def matrix(self) -> Floats:
        """3 x 3: turns pixels of the stored picture into those of the upright one."""
        far = np.array([self.width_px - 1.0, self.height_px - 1.0])
        matrix = np.eye(3)
        matrix[:2, :2] = self.axes
        matrix[:2, 2] = np.where(self.axes.sum(axis=1) < 0, far, 0.0)
        return matrix

    def upright_pixels(self, stored_px: ArrayLike) -> Floats:
        """Pixels of the upright picture for those of the stored one, shape (..., 2)."""
        matrix = self.matrix
        return np.asarray(stored_px, dtype=float) @ matrix[:2, :2].T + matrix[:2, 2]

    def stored_pixels(self, upright_px: ArrayLike) -> Floats:
        """Pixels of the stored picture for those of the upright one, shape (..., 2)."""
        matrix = self.matrix
        return (np.asarray(upright_px, dtype=float) - matrix[:2, 2]) @ matrix[:2, :2]

    @property
    def is_mirrored(self) -> bool:
        """Whether the stored picture shows the scene as in a mirror."""
        return self.orientation in (2, 4, 5, 7)

    def upright_picture(self, stored: NDArray[Any]) -> NDArray[Any]:
        """The picture as it is shown, from its stored rows; shape (rows, columns, ...)."""
        (xx, xy), (yx, yy) = _AXES[self.orientation]
        picture = stored.swapaxes(0, 1) if xx == 0 else stored
        return np.ascontiguousarray(picture[:: (yx + yy), :: (xx + xy)])


def upright_camera(camera: Camera, turn: Turn) -> Camera:
    """The lens written for the upright picture, from one written for the stored picture.

    Radial terms stay; the decentring terms are a vector (p2, p1) of the picture's axes and turn with them.
    """
    matrix, axes = turn.matrix, turn.axes
    fx, fy = np.abs(axes) @ (camera.fx_px, camera.fy_px)
    cx, cy = matrix[:2, :2] @ (camera.cx_px, camera.cy_px) + matrix[:2, 2]
    p2, p1 = axes @ (camera.p2, camera.p1)
    return replace(
        camera,
        width_px=turn.width_px,
        height_px=turn.height_px,
        fx_px=float(fx),
        fy_px=float(fy),
        cx_px=float(cx),
        cy_px=float(cy),
        p1=float(p1),
        p2=float(p2),
    )
