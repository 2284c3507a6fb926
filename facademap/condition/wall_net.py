"""What a network that has learned what masonry looks like sees in a picture: stones, their borders, their middles, other things.

It was trained on rendered walls only (``benchmarks/wall_net``), so every photograph is new to it. A large picture is
worked through in tiles that overlap and are faded into one another; each place is judged by the light and the contrast round
it, not by those of its tile, so that no seam shows.

References
----------
.. [1] O. Ronneberger, P. Fischer, T. Brox, "U-Net: convolutional networks for biomedical image segmentation", MICCAI
   2015: the shape of the network.
.. [2] Y. Ibrahim, B. Nagy, C. Benedek, "Deep learning-based masonry wall image analysis", Remote Sensing 12(23), 2020:
   markers from a network, grown to stones by a watershed.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.condition.network_files import network_session
from facademap.condition.tiles import enlarged, spans, surroundings
from facademap.condition.wall_tuning import Tuning, corrected
from facademap.values import frozen_value

__all__ = ["FILE", "Seen", "look", "look_inside"]

Bytes = NDArray[np.uint8]
Floats = NDArray[Any]

FILE = "wall_net.onnx"
_lock = threading.Lock()


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Maps of a picture, 0 to 255: face of a stone, border, depth in the stone (255 in its middle), no masonry."""

    stone: Bytes
    edge: Bytes
    depth: Bytes
    other: Bytes


def look(rgb: Bytes, tuning: Tuning | None = None) -> Seen:
    """What the network sees.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    tuning : Tuning, optional
        What was learned from confirmed outlines.

    Returns
    -------
    Seen
        Maps of shape (rows, columns).

    Raises
    ------
    InputError
        onnxruntime or the network is not installed.
    """
    maps = np.zeros((4, *rgb.shape[:2]), np.uint8)
    for part, weight, answer, features in _tiles(rgb, inner=tuning is not None):
        seen = answer if tuning is None else corrected(answer, features, tuning)
        maps[:, *part] += np.round(255 * seen * weight).astype(np.uint8)
    return Seen(stone=maps[0], edge=maps[1], depth=maps[2], other=maps[3])


def look_inside(rgb: Bytes) -> Iterator[tuple[tuple[slice, slice], Floats, Floats]]:
    """Tiles of a picture: where each lies, its maps (4, rows, columns) from 0 to 1, and the features they are made of."""
    for part, _, answer, features in _tiles(rgb, inner=True):
        yield part, answer, features


def _tiles(
    rgb: Bytes, *, inner: bool
) -> Iterator[tuple[tuple[slice, slice], Floats, Floats, Floats]]:
    """Each tile: its place, its weight, the network's maps, and with ``inner`` the features they are made of."""
    rows, columns = rgb.shape[:2]
    mean, spread = surroundings(rgb)
    wanted = ["maps", "features"] if inner else ["maps"]
    for top, tall, down in spans(rows):
        for left, wide, along in spans(columns):
            bottom, right = min(top + tall, rows), min(left + wide, columns)
            part = (slice(top, bottom), slice(left, right))
            view = rgb[part].astype(np.float32)
            place = (left, top, right, bottom)
            view -= enlarged(mean, place)[..., None]
            view /= enlarged(spread, place)[..., None]
            view = np.pad(
                view, ((0, tall - (bottom - top)), (0, wide - (right - left)), (0, 0)), mode="edge"
            )
            with _lock:
                answers = network_session(FILE, purpose="outlining a whole wall").run(
                    wanted, {"view": np.ascontiguousarray(view.transpose(2, 0, 1)[None])}
                )
            maps, *features = (a[0, :, : bottom - top, : right - left] for a in answers)
            weight = down[: bottom - top, None] * along[None, : right - left]
            yield part, weight, maps, features[0] if features else maps
