"""The damage that clicks point at: looked at from near, and from farther where it does not end in the view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import shapely

from facademap.condition.damage_net import DamageSeen, look_at_clicks
from facademap.condition.damage_regions import Damage, damage_at, damage_mask
from facademap.errors import GeometryError
from facademap.values import frozen_value

__all__ = ["Look", "damage_clicked", "look_round"]

#: Sample distances at which a clicked damage is looked at, metres, from near to far: the next one where it reaches the frame of the
#: last. Side of the view in pixels. Both were chosen on rendered walls 940000 to 940099 (``benchmarks/damage_net``).
_DISTANCES_M, _SIDE_PX = (0.003, 0.006, 0.012), 256
#: Films that come in flecks are drawn as the patch that holds them: where a look from this far shows more than so many times as much of
#: the same kind, it is taken. On the walls above that costs a fiftieth of the overlap; flecks of another renderer gain by it.
_IN_FLECKS, _PATCH_M, _MORE = ("biological colonization", "efflorescence"), 0.0085, 1.5
#: A picture is enlarged so many times at most.
_MOST_SCALE = 2.0
_LEAST_SPREAD = 2.0


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What is seen of a picture round clicks.

    Parameters
    ----------
    seen : DamageSeen
        In pixels of the look.
    inside : list of ndarray, shape (2,)
        The clicks inside, (x, y) in its pixels.
    corner : ndarray, shape (2,)
        Its corner, (x, y) in pixels of the picture.
    scale : ndarray, shape (2,)
        Its pixels to one of the picture, along x and y.
    found : Damage or None
        What the clicks point at, in its pixels.
    """

    seen: DamageSeen
    inside: list[Any]
    corner: Any
    scale: Any
    found: Damage | None


def damage_clicked(
    rgb: Any,
    inside: Sequence[Sequence[float]],
    outside: Sequence[Sequence[float]],
    *,
    gsd_m: float,
    relief_m: Any = None,
) -> Damage:
    """The damage that places inside and outside it point at.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
        Picture of the wall, or a part of one.
    inside, outside : sequence of (x, y)
        Places in its pixels, at least one inside.
    gsd_m : float
        Its sample distance.
    relief_m : ndarray, shape (rows, columns), optional
        How far the wall stands out there, metres; not a number where unknown.

    Returns
    -------
    Damage
        In pixels of the picture.

    Raises
    ------
    GeometryError
        Nothing with a border is seen there.
    InputError
        onnxruntime or the network is not installed.
    """
    look = look_round(rgb, inside, outside, gsd_m=gsd_m, relief_m=relief_m)
    if look is None or look.found is None:
        raise GeometryError(
            "nothing with a border stands out there",
            "Click in the middle of the damage, or draw it by hand.",
        )
    found, scale, corner = look.found, look.scale, look.corner
    shape = shapely.transform(found.shape_px, lambda p: (p + 0.5) / scale - 0.5 + corner)
    return replace(found, shape_px=shape, width_px=found.width_px / float(scale.mean()))


def look_round(
    rgb: Any,
    inside: Sequence[Sequence[float]],
    outside: Sequence[Sequence[float]],
    *,
    gsd_m: float,
    relief_m: Any = None,
) -> Look | None:
    """The nearest look that shows the whole of what was clicked, or the farthest; as :func:`damage_clicked` asks for it.

    Parameters
    ----------
    rgb, inside, outside, gsd_m, relief_m
        As there.

    Returns
    -------
    Look or None
        None at an even tone.

    Raises
    ------
    InputError
        onnxruntime or the network is not installed.
    """
    look: Look | None = None
    last_scale = 0.0
    for wanted_m in _DISTANCES_M:
        scale = min(gsd_m / wanted_m, _MOST_SCALE)
        if scale == last_scale:
            continue
        last_scale = scale
        farther = _look(rgb, inside, outside, scale, relief_m)
        # a farther look in which nothing is seen does not undo a nearer one
        if farther is not None and (look is None or farther.found is not None):
            look = farther
        if look is not None and _ends_in(look, rgb.shape):
            break
    if look is None or _kind(look) not in _IN_FLECKS:
        return look
    patch = _look(rgb, inside, outside, min(gsd_m / _PATCH_M, _MOST_SCALE), relief_m)
    same = patch is not None and _kind(patch) == _kind(look)
    return patch if same and patch and _area(patch) > _MORE * _area(look) else look


def _look(
    rgb: Any, inside: Sequence[Any], outside: Sequence[Any], scale: float, relief_m: Any
) -> Look | None:
    """What is seen at a scale; None at an even tone."""
    part, corner, exact, relief = _view(rgb, [*inside, *outside], scale, relief_m)
    if float(part.std()) < _LEAST_SPREAD:
        return None
    here, beside = (
        [(np.asarray(p, float) - corner + 0.5) * exact - 0.5 for p in group]
        for group in (inside, outside)
    )
    seen = look_at_clicks(part, here, beside, relief)
    return Look(seen=seen, inside=here, corner=corner, scale=exact, found=damage_at(seen, here))


def _kind(look: Look) -> str | None:
    """What the clicked region is taken for; None where there is none."""
    return None if look.found is None else look.found.term


def _area(look: Look) -> float:
    """Of the clicked region, in pixels of the picture."""
    return float(damage_mask(look.seen, look.inside).sum() / look.scale.prod())


def _ends_in(look: Look, shape: Sequence[int]) -> bool:
    """Whether something is seen, and does not reach an edge of the look beyond which the picture goes on."""
    if look.found is None:
        return False
    mask = damage_mask(look.seen, look.inside)
    ends = look.corner + np.array(mask.shape[::-1]) / look.scale
    left, top = look.corner > 0
    right, bottom = ends < np.array(shape[1::-1]) - 1
    return not bool(
        (left and mask[:, 0].any())
        or (right and mask[:, -1].any())
        or (top and mask[0].any())
        or (bottom and mask[-1].any())
    )


def _view(
    rgb: Any, places: Sequence[Any], scale: float, relief_m: Any
) -> tuple[Any, Any, Any, Any]:
    """The picture round the places, its corner in pixels, its exact scales, and the relief there."""
    spots = np.array(places, float)
    middle, reach = (spots.min(axis=0) + spots.max(axis=0)) / 2, np.ptp(spots, axis=0).max()
    half = max(_SIDE_PX / scale, 1.4 * reach) / 2
    low = np.clip(np.round(middle - half), 0, None).astype(int)
    high = np.minimum(np.round(middle + half).astype(int) + 1, rgb.shape[1::-1])
    here = np.s_[low[1] : high[1], low[0] : high[0]]
    part = rgb[here]
    scale = min(scale, _SIDE_PX / max(part.shape[:2]))
    size = tuple(max(8, round(n * scale)) for n in part.shape[1::-1])
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = np.ascontiguousarray(cv2.resize(part, size, interpolation=how))
    relief = (
        None
        if relief_m is None
        else cv2.resize(relief_m[here], size, interpolation=cv2.INTER_NEAREST)
    )
    return small, low.astype(float), np.array(size) / np.array(part.shape[1::-1]), relief
