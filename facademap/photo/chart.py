"""Reading a colour chart in a picture: patches by their places, or the whole chart by four corners."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.photo.lab import linear_rgb_from_srgb, srgb_from_linear_rgb

__all__ = ["PatchReading", "read_patch"]

Floats = NDArray[np.floating[Any]]
PatchRole = Literal["fit", "check"]

#: A patch with more than this share of its pixels at an end of the range counts as clipped (practice).
CLIPPED_SHARE = 0.05
#: Share of the darkest and of the brightest pixels of a patch that is not read: dust, scratches, gloss.
TRIM_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchReading:
    """One patch as the picture has it, with the colour it should have.

    Attributes
    ----------
    name : str
        Name of the patch.
    x_px, y_px : float
        Its middle.
    role : {"fit", "check"}
        Whether it may be fitted or only checks.
    rgb : tuple of float
        Mean stored red, green and blue, scaled to 0 to 1.
    lab : tuple of float or None
        Reference CIELAB D50; a patch without one is only converted.
    clipped : bool
        Whether the picture is over- or underexposed there.
    spread : float
        Standard deviation of the stored values, 0 to 1.
    """

    name: str
    x_px: float
    y_px: float
    role: PatchRole
    rgb: tuple[float, float, float]
    lab: tuple[float, float, float] | None = None
    clipped: bool = False
    spread: float = 0.0


def read_patch(
    picture: NDArray[Any], *, name: str, x_px: float, y_px: float, half_px: float,
    role: PatchRole = "fit", lab: tuple[float, float, float] | None = None, linear: bool = False,
) -> PatchReading:
    """Read the mean colour of a square patch.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns, 3), uint8, uint16 or float 0 to 1
        Red, green, blue.
    name, role, lab
        As in :class:`PatchReading`.
    x_px, y_px, half_px : float
        Middle and half side of the square, pixels; integer = pixel centre.
    linear : bool
        Whether the stored values are proportional to light.

    Returns
    -------
    PatchReading
        Trimmed mean taken in light, so that noise does not shift it.

    Raises
    ------
    InputError
        The square does not lie in the picture.
    """
    height, width = picture.shape[:2]
    left, right = int(np.ceil(x_px - half_px)), int(np.floor(x_px + half_px))
    top, bottom = int(np.ceil(y_px - half_px)), int(np.floor(y_px + half_px))
    if right < left or bottom < top:
        left, right, top, bottom = round(x_px), round(x_px), round(y_px), round(y_px)
    if left < 0 or top < 0 or right >= width or bottom >= height:
        raise InputError(f"patch {name} at ({x_px:g}, {y_px:g}) ± {half_px:g} px does not lie in the picture "
                         f"of {width} x {height} px", "Correct its place, or use the picture it was measured in.")
    square = picture[top : bottom + 1, left : right + 1, :3].reshape(-1, 3)
    limit = float(np.iinfo(picture.dtype).max) if np.issubdtype(picture.dtype, np.integer) else 1.0
    at_end = (square >= limit * 0.998) | (square <= limit * 0.0005)
    values = square.astype(float) / limit
    light = values if linear else linear_rgb_from_srgb(values)
    mean = _trimmed_mean(light)
    stored = mean if linear else srgb_from_linear_rgb(mean)
    return PatchReading(
        name=name, x_px=x_px, y_px=y_px, role=role, lab=lab,
        rgb=(float(stored[0]), float(stored[1]), float(stored[2])),
        clipped=bool(np.any(np.mean(at_end, axis=0) > CLIPPED_SHARE)),
        spread=float(np.max(np.std(values, axis=0))),
    )


def _trimmed_mean(light: Floats) -> Floats:
    """Mean without the darkest and brightest pixels (by luminance, so that the channels stay together)."""
    count = len(light)
    trim = int(TRIM_SHARE * count)
    if trim == 0:
        return np.asarray(light.mean(axis=0))
    order = np.argsort(light @ np.array([0.2225, 0.7169, 0.0606]), kind="stable")
    return np.asarray(light[order[trim : count - trim]].mean(axis=0))
