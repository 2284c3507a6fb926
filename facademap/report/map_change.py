"""The change of relief between two surveys as a layer of the condition map: colours where one is proved, bare wall where not."""

from __future__ import annotations

import base64
import io
from typing import Any

import numpy as np
from PIL import Image

from facademap.relief.change import Change
from facademap.report.change_page import FULL_M, change_colours, ramp_colours

__all__ = ["change_layer"]

_LONGEST_PX, _RAMP = 1000, 9
#: How much of the wall is covered where a change is proved, at the most, and where nothing is known; 255 hides it.
_PROVED, _UNKNOWN = 235, 150
#: Change over that of the strongest colour at which it covers most: of a hundred cells five pass the level of detection by chance,
#: and those small ones are not to hide the wall.
_STRONG = 0.7


def change_layer(change: Change) -> dict[str, Any]:
    """What the page needs of it: a picture that lets the wall through where nothing is told, its place and its scale.

    Parameters
    ----------
    change : Change

    Returns
    -------
    dict
        ``png`` (data address), ``left_m, top_m, wide_m, high_m``, ``full_m`` (the change of the strongest colours) and
        ``ramp`` (colours from stone lost to stone gained).
    """
    value, grid = change.difference.out_m, change.difference.grid
    known = np.isfinite(value)
    proved = known & (np.abs(np.nan_to_num(value)) > change.detection_m)
    strength = np.clip(np.abs(np.nan_to_num(value)) / (_STRONG * FULL_M), 0, 1)
    cover = np.where(proved, _PROVED * strength, np.where(known, 0, _UNKNOWN)).astype(np.uint8)
    every = -(-max(value.shape) // _LONGEST_PX)
    pixels = np.dstack([change_colours(change), cover])[::every, ::every]
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG", optimize=True)
    cell_m = grid.gsd_m * every
    return {
        "png": "data:image/png;base64," + base64.b64encode(file.getvalue()).decode("ascii"),
        "left_m": grid.left_m,
        "top_m": grid.top_m,
        "wide_m": pixels.shape[1] * cell_m,
        "high_m": pixels.shape[0] * cell_m,
        "full_m": FULL_M,
        "ramp": ramp_colours(_RAMP).tolist(),
    }
