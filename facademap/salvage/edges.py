"""Where an outline runs between the pixels: profiles across it, the step on each, a smooth ring."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.wall.mending import mend

__all__ = ["corners_of", "refine_ring", "ring_of_mask"]

Floats = NDArray[np.floating[Any]]
#: A side is measured on at most so many profiles.
_MOST_PROFILES = 320


def ring_of_mask(mask: NDArray[np.bool_]) -> Floats:
    """Ring around the largest part of a mask along the pixels' outer borders, shape (n, 2)."""
    soft = cv2.GaussianBlur(np.pad(mask.astype(np.float32), 2), (0, 0), 1.0)
    from skimage.measure import find_contours

    traced: Callable[..., list[Floats]] = find_contours  # it says nothing of its types
    rings = traced(soft, 0.5)
    longest = max(rings, key=len)[:-1, ::-1] - 2.0
    return np.asarray(longest)


def refine_ring(rgb: NDArray[Any], ring: Floats, *, reach_px: float) -> Floats:
    """Move a ring onto the nearest edge of the picture.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
    ring : ndarray, shape (n, 2)
        Rough ring in pixels.
    reach_px : float
        How far the edge may lie from the rough ring.

    Returns
    -------
    ndarray, shape (m, 2)
    """
    step = max(1.0, reach_px / 4)
    for share in (1.0, 0.45):
        reach = max(2.5, reach_px * share)
        ring = _even(ring, step)
        normals = _normals(ring, width=max(3, round(2.0 * reach / step)))
        offsets, trust = _edge_offsets(rgb, ring, normals, reach)
        ring = (
            ring
            + _smooth(offsets, trust, window=max(3, round(1.6 * reach / step)), reach=reach)[
                :, None
            ]
            * normals
        )
    return _straighten(rgb, ring, reach=max(2.5, reach_px * 0.45))


def _straighten(rgb: NDArray[Any], ring: Floats, *, reach: float) -> Floats:
    """Measure the sides between the corners apart, and let neighbouring sides meet in sharp corners."""
    corners = corners_of(ring, short_px=4 * reach)
    if len(corners) < 3:
        return ring
    centre_area = 0.5 * float(
        np.sum(
            corners[:, 0] * np.roll(corners[:, 1], -1) - np.roll(corners[:, 0], -1) * corners[:, 1]
        )
    )
    sides = [
        _side(rgb, a, b, reach, outward=1.0 if centre_area > 0 else -1.0)
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)
    ]
    meetings = [_meeting(sides[i - 1], side, corners[i], reach) for i, side in enumerate(sides)]
    points: list[Floats] = []
    for i, side in enumerate(sides):
        start, end = meetings[i], meetings[(i + 1) % len(sides)]
        along = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
        place = (side - start) @ along
        between = (place > 0.5) & (place < float((end - start) @ along) - 0.5)
        points += [start[None], side[between]]
    return _simple(np.concatenate(points))


def _simple(ring: Floats) -> Floats:
    """The ring without the tiny loops that side ends can make beyond a corner."""
    import shapely

    polygon = shapely.Polygon(ring)
    if polygon.is_valid:
        return ring
    parts = shapely.get_parts(mend(polygon, name="the border that was found"))
    largest = max((p for p in parts if p.geom_type == "Polygon"), key=lambda p: p.area)
    return np.asarray(shapely.get_coordinates(largest.exterior)[:-1])


def corners_of(ring: Floats, *, short_px: float) -> Floats:
    """Corners of a ring in order, one where the rough ring is only rounded, shape (m, 2)."""
    x, y = ring.T
    area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
    close = 0.012 * np.sqrt(area)
    corners = cv2.approxPolyDP(ring.astype(np.float32)[:, None], close, True)[:, 0].astype(float)
    return _sharpened(corners, short_px=short_px)


def _sharpened(corners: Floats, *, short_px: float) -> Floats:
    """Put one corner in place of two that only stand for the rounding of the rough ring."""
    kept = list(corners)
    i = 0
    while len(kept) > 3 and i < len(kept):
        a, b, c, d = (kept[(i + k) % len(kept)] for k in (-1, 0, 1, 2))
        r, s = b - a, c - d
        cross = r[0] * s[1] - r[1] * s[0]
        length = float(np.hypot(*(c - b)))
        if (
            length < short_px
            and min(np.hypot(*r), np.hypot(*s)) > length
            and abs(cross) > 0.5 * np.hypot(*r) * np.hypot(*s)
        ):
            t = ((c - a)[0] * s[1] - (c - a)[1] * s[0]) / cross
            meeting = a + t * r
            if np.hypot(*(meeting - (b + c) / 2)) < length:
                kept[i] = meeting
                del kept[(i + 1) % len(kept)]
                continue
        i += 1
    return np.array(kept)


def _side(rgb: NDArray[Any], start: Floats, end: Floats, reach: float, *, outward: float) -> Floats:
    """One side from corner to corner as a smooth line, shape (n, 2); its end pieces are straight."""
    length = float(np.hypot(*(end - start)))
    step = max(1.0, reach / 4)
    n = max(4, min(_MOST_PROFILES, round(length / step)))
    t = np.linspace(0.0, length, n + 1)
    along = (end - start) / max(length, 1e-9)
    normal = outward * np.array([along[1], -along[0]])
    chord = start + t[:, None] * along
    margin = min(0.8 * reach, 0.25 * length)
    inner = (t >= margin) & (t <= length - margin)
    count = int(np.count_nonzero(inner))
    if length < 4 * reach or count < 6:
        return chord
    offsets, trust = _edge_offsets(
        rgb, chord[inner], np.tile(normal, (count, 1)), reach, closed=False
    )
    fitted = _local_lines(
        t[inner],
        offsets,
        np.minimum(trust, np.median(trust) + 1e-6),
        t,
        width=max(length / 7, 3 * reach),
        tolerance=0.15 * reach + 0.4,
    )
    thin = np.unique(np.r_[0, np.arange(1, n, 2), n - 1, n])
    return np.asarray((chord + fitted[:, None] * normal)[thin])


def _local_lines(
    t: Floats, values: Floats, weights: Floats, at: Floats, *, width: float, tolerance: float
) -> Floats:
    """Robust line fits under a window that moves along; beyond the samples the last line goes on."""
    centre = (
        np.clip(at, t[0] + width / 2, t[-1] - width / 2)
        if t[-1] - t[0] > width
        else np.full(len(at), t.mean())
    )
    near = np.exp(-0.5 * ((t[None] - centre[:, None]) / (0.5 * width)) ** 2) * weights[None]
    shift = t[None] - at[:, None]
    trust = np.ones_like(near)
    fitted = np.zeros(len(at))
    for _ in range(4):
        w = near * trust
        s0, s1, s2 = w.sum(axis=1), (w * shift).sum(axis=1), (w * shift**2).sum(axis=1)
        v0, v1 = (w * values).sum(axis=1), (w * shift * values).sum(axis=1)
        determinant = np.maximum(s0 * s2 - s1**2, 1e-9)
        fitted, slope = (s2 * v0 - s1 * v1) / determinant, (s0 * v1 - s1 * v0) / determinant
        miss = (values[None] - fitted[:, None] - slope[:, None] * shift) / tolerance
        trust = 1 / (1 + miss**2) ** 2
    return fitted


def _meeting(before: Floats, after: Floats, corner: Floats, reach: float) -> Floats:
    """Where the last piece of one side meets the first piece of the next."""
    p, r = before[-2], before[-1] - before[-2]
    q, s = after[1], after[0] - after[1]
    cross = r[0] * s[1] - r[1] * s[0]
    middle = (before[-1] + after[0]) / 2
    if abs(cross) < 0.15 * np.hypot(*r) * np.hypot(*s):
        return np.asarray(middle)
    t = ((q - p)[0] * s[1] - (q - p)[1] * s[0]) / cross
    place = p + t * r
    return np.asarray(place if np.hypot(*(place - corner)) < 4 * reach else middle)


def _even(ring: Floats, step_px: float) -> Floats:
    """Points at even distances along a ring."""
    closed = np.vstack([ring, ring[:1]])
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    n = max(16, round(along[-1] / step_px))
    at = np.linspace(0, along[-1], n, endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])])


def _wrapped_mean(values: Floats, window: int) -> Floats:
    if window < 1:
        return values
    padded = np.concatenate([values[-window:], values, values[:window]])
    summed = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(padded, axis=0)])
    return np.asarray((summed[2 * window + 1 :] - summed[: -2 * window - 1]) / (2 * window + 1))


def _open_mean(values: Floats, window: int) -> Floats:
    if window < 1:
        return values
    padded = np.concatenate(
        [values[:1].repeat(window, axis=0), values, values[-1:].repeat(window, axis=0)]
    )
    summed = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(padded, axis=0)])
    return np.asarray((summed[2 * window + 1 :] - summed[: -2 * window - 1]) / (2 * window + 1))


def _normals(ring: Floats, *, width: int) -> Floats:
    """Unit normals pointing outward."""
    smooth = _wrapped_mean(ring, min(width, len(ring) // 4))
    tangent = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    x, y = ring.T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    return outward if area > 0 else -outward


def _edge_offsets(
    rgb: NDArray[Any], ring: Floats, normals: Floats, reach: float, *, closed: bool = True
) -> tuple[Floats, Floats]:
    """Offset of the best step on every profile, and its strength."""
    spacing = max(0.5, reach / 24)
    half = int(np.ceil(2.0 * reach / spacing))
    t = np.arange(-half, half + 1) * spacing
    places = ring[:, None, :] + t[None, :, None] * normals[:, None, :]
    x0, y0 = np.floor(places.reshape(-1, 2).min(axis=0)).astype(int) - 3
    x1, y1 = np.ceil(places.reshape(-1, 2).max(axis=0)).astype(int) + 4
    x0, y0 = max(x0, 0), max(y0, 0)
    part = rgb[y0:y1, x0:x1]
    at = (places - (x0, y0)).astype(np.float32)
    profiles = cv2.remap(
        part, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(float)
    window = min(
        max(1, round(0.5 * reach / max(1.0, np.hypot(*(ring[1] - ring[0]))))), len(ring) // 4
    )
    profiles = _wrapped_mean(profiles, window) if closed else _open_mean(profiles, window)
    summed = np.concatenate([np.zeros((len(ring), 1, 3)), np.cumsum(profiles, axis=1)], axis=1)
    arm = max(2, half // 3)
    centre = np.arange(arm, len(t) - arm)
    inner = (summed[:, centre] - summed[:, centre - arm]) / arm
    outer = (summed[:, centre + 1 + arm] - summed[:, centre + 1]) / arm
    contrast = np.sqrt(((inner - outer) ** 2).sum(axis=2))
    strength = contrast * np.exp(-0.5 * (t[centre] / (0.8 * reach)) ** 2)
    strength[:, np.abs(t[centre]) > 1.2 * reach] = 0.0
    best = strength.argmax(axis=1)
    rows = np.arange(len(ring))
    return _balance(
        profiles, t, spacing, inner[rows, best], outer[rows, best], centre[best], arm
    ), contrast[rows, best]


def _balance(
    profiles: Floats,
    t: Floats,
    spacing: float,
    inner: Floats,
    outer: Floats,
    at: NDArray[np.int_],
    arm: int,
) -> Floats:
    """The place where a sharp step of the same two levels holds the same light as the profile."""
    across = outer - inner
    size = np.maximum((across**2).sum(axis=1), 1e-9)
    index = at[:, None] + np.arange(-arm, arm + 1)[None]
    window = np.take_along_axis(profiles, index[..., None], axis=1)
    share = np.clip(
        ((window - inner[:, None]) * across[:, None]).sum(axis=2) / size[:, None], -0.3, 1.3
    )
    return np.asarray(t[at] + spacing * (arm + 0.5 - share.sum(axis=1)))


def _smooth(offsets: Floats, trust: Floats, *, window: int, reach: float) -> Floats:
    """Offsets by a running robust line, so that a mark or a shadow on a few profiles does not pull the edge."""
    window = min(window, max(1, len(offsets) // 8))
    around = np.arange(-window, window + 1)
    index = (np.arange(len(offsets))[:, None] + around[None]) % len(offsets)
    values, weights = offsets[index], np.maximum(trust, 1.0)[index]
    middle = np.median(values, axis=1)
    for _ in range(3):
        miss = np.abs(values - middle[:, None]) / (0.12 * reach + 0.3)
        w = weights / (1 + miss**2)
        middle = (w * values).sum(axis=1) / w.sum(axis=1)
    return np.asarray(np.clip(middle, -1.2 * reach, 1.2 * reach))
