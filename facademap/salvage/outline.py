"""Outline of the face under a click: which pixels belong to it, then its edge to a fraction of a pixel.

The stone around the click is the only thing known, so the face is modelled and the rest is "whatever
is unlike it": colour and texture are made relative to the clicked stone (its slow change of light
taken away, its scatter made 1), the three directions in which the picture departs most from it are
kept, and a graph cut parts like from unlike. The model is learned again from the core of what was
found, never from its margin, so that the sides of the block, which are the same stone in another
light, do not creep in. The edge is then found anew on profiles across the outline at full size.

References
----------
.. [1] Y. Boykov, M.-P. Jolly, "Interactive graph cuts for optimal boundary and region segmentation of
   objects in N-D images", ICCV 2001.
.. [2] C. Rother, V. Kolmogorov, A. Blake, "GrabCut", ACM Trans. Graph. 23 (2004) 309-314.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError
from facademap.photo.lab import lab_from_srgb
from facademap.salvage.arris import cut_off_sides
from facademap.salvage.edges import corners_of, refine_ring, ring_of_mask
from facademap.salvage.sides import follow_sides

__all__ = ["find_face", "trace_face"]

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

WORKING_SIDE_PX = 520
#: One standard deviation of the stone in the 8-bit picture that is cut.
_LEVELS_PER_SIGMA = 9.0
_ROUNDS = 4
#: Beyond this distance (standard deviations, five features) a pixel counts as unlike the stone.
_UNLIKE = 4.5
_LEAST_AREA_PX = 400
#: A face found on the second look must keep this far from the frame, or it is a part of one that is cut off.
_FRAME_GAP_PX = 12
#: Standard deviations are taken this much finer where the face ran into the ground.
_STRICTNESS = (1.0, 1.6, 2.4)
#: Scatter that every stone is allowed: L*, a*, b*; logarithm of texture strength at two scales.
_COLOUR_FLOOR = (1.2, 0.6, 0.8)
_TEXTURE_FLOOR = (0.25, 0.25)
_TEXTURE_REACH_PX = 6
_MARK_RADIUS_PX = 8
#: Points of the outline thinner than twice this share of the square root of its area are no stone.
_SPIKE = 0.008


def find_face(
    rgb: NDArray[Any],
    click_px: tuple[float, float],
    *,
    covered_px: Floats | None = None,
    marks_px: Floats | None = None,
) -> tuple[Mask, float]:
    """Pixels of the face under the click, in a reduced picture.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
    click_px : tuple of float
        Place on the face (x right, y down).
    covered_px : ndarray, shape (n, 2), optional
        Ring of what lies on the face and hides it, such as the target sheet.
    marks_px : ndarray, shape (m, 2), optional
        Control points: what is seen there may be a mark drawn on the face.

    Returns
    -------
    mask : ndarray of bool
        Face in the reduced picture, without holes.
    scale : float
        Reduced pixels for each pixel of the picture.

    Raises
    ------
    InputError
        The click lies outside the picture.
    GeometryError
        No face was found around the click, or it is cut off by the frame.
    """
    rows, cols = rgb.shape[:2]
    x, y = click_px
    if not (0 <= x <= cols - 1 and 0 <= y <= rows - 1):
        raise InputError(
            f"the click ({x:g}, {y:g}) lies outside the picture of {cols} x {rows} px",
            "Click on the face of the block.",
        )
    scale = min(1.0, WORKING_SIDE_PX / max(rows, cols))
    size = (max(8, round(cols * scale)), max(8, round(rows * scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if scale < 1 else rgb
    seed = (
        min(size[0] - 1, round((x + 0.5) * size[0] / cols - 0.5)),
        min(size[1] - 1, round((y + 0.5) * size[1] / rows - 0.5)),
    )
    features = _features(small)
    hidden = np.zeros(small.shape[:2], np.uint8)
    if covered_px is not None:
        cv2.fillPoly(
            hidden,
            [np.round((np.asarray(covered_px) + 0.5) * (size[0] / cols) - 0.5).astype(np.int32)],
            1,
        )
    covers = [hidden > 0] if covered_px is not None else []
    if marks_px is not None:
        covers += _mark_discs((np.asarray(marks_px) + 0.5) * (size[0] / cols) - 0.5, hidden.shape)
    trouble: GeometryError | None = None
    for strictness in _STRICTNESS:
        face = _grown(features, seed, strictness, covers)
        try:
            return _checked(face, frame_px=0 if trouble is None else _FRAME_GAP_PX), size[0] / cols
        except (
            GeometryError
        ) as error:  # like ground ran into the face, unless the face itself goes on
            trouble = trouble or error
            freed = _freed(face, seed)
            if freed is not None:
                return freed, size[0] / cols
            if _goes_on(face):
                break
    assert trouble is not None
    raise trouble


def _freed(face: Mask, seed: tuple[int, int]) -> Mask | None:
    """The face without the arms that tie it to the frame: timber under it, or a strip of like ground."""
    padded = np.pad(face.astype(np.uint8), 1)
    widest = float(cv2.distanceTransform(padded, cv2.DIST_L2, 5).max())
    for share in (0.45, 0.6, 0.3):
        radius = max(3, round(share * widest))
        core = cv2.erode(face.astype(np.uint8), _disk(radius), borderType=cv2.BORDER_REPLICATE)
        count, parts = cv2.connectedComponents(core)
        near = parts[
            max(0, seed[1] - radius) : seed[1] + radius + 1,
            max(0, seed[0] - radius) : seed[0] + radius + 1,
        ]
        if count < 2 or not (near > 0).any():
            continue
        body = cv2.dilate(
            (parts == np.bincount(near[near > 0]).argmax()).astype(np.uint8), _disk(radius + 2)
        )
        freed = (body > 0) & face
        try:
            if np.count_nonzero(freed) > 0.5 * np.count_nonzero(face):
                return _checked(freed, frame_px=_FRAME_GAP_PX)
        except GeometryError:
            continue
    return None


def _goes_on(face: Mask) -> bool:
    """Whether the face itself runs out of the picture: a broad contact with one side of the frame or two.

    A ground that is like the stone meets the frame in narrow places, or all round.
    """
    sides = [side for side in (face[0], face[-1], face[:, 0], face[:, -1]) if side.any()]
    broad = [np.count_nonzero(side) > 0.15 * len(side) for side in sides]
    return 1 <= len(sides) <= 2 and any(broad)


def _grown(features: Floats, seed: tuple[int, int], strictness: float, covers: list[Mask]) -> Mask:
    covered = np.logical_or.reduce(covers) if covers else np.zeros(features.shape[:2], bool)
    face = core = _first_core(features, seed, covered)
    for _ in range(_ROUNDS):
        cut = _cut(features, core, seed, strictness, covers)
        if np.count_nonzero(cut) < _LEAST_AREA_PX:
            break
        agreed = np.count_nonzero(cut & face) / np.count_nonzero(cut | face)
        face, core = cut, _core_of(cut, covered)
        if agreed > 0.995:
            break
    return face


def _features(small: NDArray[Any]) -> Floats:
    """Five features of every pixel: blurred Lab, and texture strength at two scales and in colour."""
    lab = lab_from_srgb(small).astype(np.float32)
    smooth = cv2.medianBlur(lab, 5)
    smooth = cv2.GaussianBlur(smooth, (0, 0), 0.8)
    light = lab[..., 0]
    textures = []
    for fine, coarse in ((0.6, 1.6), (1.6, 4.0)):
        band = cv2.GaussianBlur(light, (0, 0), fine) - cv2.GaussianBlur(light, (0, 0), coarse)
        strength = cv2.GaussianBlur(np.minimum(np.abs(band), 12.0), (0, 0), 2.5)
        textures.append(np.log(strength + 0.3))
    return np.dstack([smooth, *textures]).astype(np.float32)


def _first_core(features: Floats, seed: tuple[int, int], covered: Mask) -> Mask:
    rows, cols = features.shape[:2]
    core = np.zeros((rows, cols), np.uint8)
    cv2.circle(core, seed, max(6, round(0.035 * max(rows, cols))), 1, -1)
    disk = (core > 0) & ~covered
    if not disk.any():
        raise InputError("the click is on what covers the face", "Click on bare stone.")
    colour = features[..., :3]
    middle = np.median(colour[disk], axis=0)
    scatter = 1.4826 * np.median(np.abs(colour[disk] - middle), axis=0) + _COLOUR_FLOOR
    return np.asarray(
        disk & (np.abs(colour - middle) < 3 * scatter).all(axis=2)
    )  # without a hole or a stain


def _core_of(face: Mask, covered: Mask) -> Mask:
    """The inner part of a face, away from its margin by a third of its largest inscribed radius."""
    inside = cv2.distanceTransform(np.pad(face.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    core = (inside > 0.3 * inside.max()) & ~covered
    return np.asarray(core if np.count_nonzero(core) >= _LEAST_AREA_PX // 2 else face & ~covered)


def _relative(features: Floats, core: Mask) -> Floats:
    """Features relative to the stone of the core: slow change taken away, scatter made 1, shape (rows, cols, k)."""
    rows, cols = core.shape
    y, x = np.nonzero(core)
    side = np.sqrt(len(x))
    design = np.column_stack([np.ones(len(x)), (x - x.mean()) / side, (y - y.mean()) / side])
    values = features[core].astype(float)
    ridge = np.diag([0.0, 0.3, 0.3]) * len(x)
    terms = np.linalg.solve(design.T @ design + ridge, design.T @ values)
    grid_y, grid_x = np.mgrid[0:rows, 0:cols]
    reach = 1.5  # do not continue the slope of the light far beyond the core
    u = np.clip((grid_x - x.mean()) / side, -reach, reach)
    v = np.clip((grid_y - y.mean()) / side, -reach, reach)
    slow = terms[0] + u[..., None] * terms[1] + v[..., None] * terms[2]
    rest = values - design @ terms
    clipped = np.clip(rest, *np.quantile(rest, [0.02, 0.98], axis=0))
    away = features - slow
    colour = away[..., :3] @ _whitening(clipped[:, :3], _COLOUR_FLOOR)
    texture = away[..., 3:] @ _whitening(clipped[:, 3:], _TEXTURE_FLOOR)
    return np.concatenate([colour, _one_sided(texture)], axis=2)


def _whitening(samples: Floats, floor: tuple[float, ...]) -> Floats:
    covariance = samples.T @ samples / len(samples) * 1.25 + np.diag(floor) ** 2
    values, axes = np.linalg.eigh(covariance)
    return np.asarray(axes / np.sqrt(values))


def _one_sided(texture: Floats) -> Floats:
    """Texture of the most stone-like window beside each pixel: a window across an edge sees the edge, no texture."""
    size = np.sqrt((texture**2).sum(axis=2)).astype(np.float32)
    least = cv2.erode(size, _disk(_TEXTURE_REACH_PX), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(texture * (least / np.maximum(size, 1e-6))[..., None])


def _cut(
    features: Floats, core: Mask, seed: tuple[int, int], strictness: float, covers: list[Mask]
) -> Mask:
    covered = np.logical_or.reduce(covers) if covers else np.zeros(core.shape, bool)
    relative = strictness * _relative(features, core)
    distance = np.sqrt((relative**2).sum(axis=2))
    unlike = (distance > _UNLIKE) & ~core & ~covered
    if np.count_nonzero(unlike) < 50:
        # nothing in the picture differs from the stone: no edge of a face can be known
        return np.ones(core.shape, bool)
    far = relative[unlike]
    weight = np.minimum(1.0, 12.0 / np.maximum(distance[unlike], 1e-6))[:, None]
    _, _, axes = np.linalg.svd((far * weight).T @ (far * weight))
    picture = np.clip(128 + _LEVELS_PER_SIGMA * relative @ axes[:3].T, 0, 255).astype(np.uint8)
    labels = np.full(core.shape, cv2.GC_PR_BGD, np.uint8)
    labels[distance <= _UNLIKE] = cv2.GC_PR_FGD
    labels[core & (distance < 2 * _UNLIKE)] = cv2.GC_FGD
    for cover in covers:
        if _lies_on_face(cover, distance):
            labels[cover] = cv2.GC_FGD
    stone = _mixture(picture[core], parts=2, floor=_LEVELS_PER_SIGMA**2 * 0.6)
    rest = _mixture(picture[unlike], parts=4, floor=_LEVELS_PER_SIGMA**2 * 0.5, wide=True)
    cv2.grabCut(picture, labels, None, rest, stone, 1, cv2.GC_EVAL_FREEZE_MODEL)  # type: ignore[call-overload]
    return _whole((labels == cv2.GC_FGD) | (labels == cv2.GC_PR_FGD), seed)


def _mark_discs(places: Floats, shape: tuple[int, ...]) -> list[Mask]:
    """Discs about control points, in the reduced picture."""
    discs = []
    for x, y in np.round(places).astype(int):
        if 0 <= x < shape[1] and 0 <= y < shape[0]:
            disc = np.zeros(shape, np.uint8)
            cv2.circle(disc, (int(x), int(y)), _MARK_RADIUS_PX, 1, -1)
            discs.append(disc > 0)
    return discs


def _lies_on_face(covered: Mask, distance: Floats) -> bool:
    """Whether what is covered has stone round it; a sheet or a mark beside the face has not."""
    wide = cv2.dilate(covered.astype(np.uint8), _disk(9)) > 0
    near = cv2.dilate(covered.astype(np.uint8), _disk(3)) > 0
    around = wide & ~near
    return bool(around.any()) and float(np.mean(distance[around] <= _UNLIKE)) > 0.5


def _mixture(pixels: NDArray[np.uint8], *, parts: int, floor: float, wide: bool = False) -> Floats:
    """A Gaussian mixture in the layout of OpenCV's cut: 5 weights, 5 means, 5 covariances."""
    sample = pixels[:: max(1, len(pixels) // 6000)].astype(np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 12, 0.5)
    cv2.setRNGSeed(1)
    _, labels, _ = cv2.kmeans(sample, parts, None, criteria, 1, cv2.KMEANS_PP_CENTERS)  # type: ignore[call-overload]
    weights, means = np.zeros(5), np.zeros((5, 3))
    covariances = np.tile(np.eye(3) * floor, (5, 1, 1))
    for k in range(parts):
        mine = sample[labels.ravel() == k]
        if len(mine) < 8:
            continue
        weights[k], means[k] = len(mine), mine.mean(axis=0)
        covariances[k] = np.cov(mine.T) + np.eye(3) * floor
    if wide:  # whatever is neither stone nor known ground
        weights *= 0.92 / weights.sum()
        weights[4], means[4], covariances[4] = 0.08, 128.0, np.eye(3) * 70.0**2
    weights /= weights.sum()
    return np.concatenate([weights, means.ravel(), covariances.ravel()])[None]


def _disk(radius_px: int) -> NDArray[np.uint8]:
    return np.asarray(
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius_px + 1, 2 * radius_px + 1))
    )


def _whole(mask: Mask, seed: tuple[int, int]) -> Mask:
    """The part under the click without threads and holes."""
    padded = np.pad(mask.astype(np.uint8), 12, mode="edge")
    opened = cv2.morphologyEx(padded, cv2.MORPH_OPEN, _disk(2))
    opened = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, _disk(5))[12:-12, 12:-12]
    count, parts = cv2.connectedComponents(opened, connectivity=4)
    if count < 2:
        return np.zeros_like(mask)
    near = parts[max(0, seed[1] - 6) : seed[1] + 7, max(0, seed[0] - 6) : seed[0] + 7]
    near = near[near > 0]
    if not near.size:
        return np.zeros_like(mask)
    part = (parts == np.bincount(near).argmax()).astype(np.uint8)
    outer, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(part, outer, -1, 1, -1)
    radius = max(2, round(0.12 * np.sqrt(np.count_nonzero(part)) / 2))
    edge = radius + 2
    smooth = cv2.morphologyEx(np.pad(part, edge, mode="edge"), cv2.MORPH_OPEN, _disk(radius))[
        edge:-edge, edge:-edge
    ]
    count, parts, stats, _ = cv2.connectedComponentsWithStats(smooth, connectivity=4)
    if count < 2:
        return np.asarray(part > 0)
    return np.asarray(parts == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def _checked(face: Mask, *, frame_px: int = 0) -> Mask:
    """The face, unless it is too small, everything, or reaches the frame (or to within so many pixels of it)."""
    area = int(np.count_nonzero(face))
    if area < _LEAST_AREA_PX:
        raise GeometryError(
            "no face stands out around the click",
            "Click on the middle of the face, or photograph the block on a ground of another colour.",
        )
    inner = slice(frame_px, -1 - frame_px)
    frame = np.concatenate(
        [face[frame_px], face[-1 - frame_px], face[inner, frame_px], face[inner, -1 - frame_px]]
    )
    if area > 0.97 * face.size:
        raise GeometryError(
            "the whole picture looks like the clicked stone, no edge of a face is in it",
            "Photograph the whole face with some ground around it.",
        )
    if np.count_nonzero(frame) > 0.02 * len(frame):
        raise GeometryError(
            "the face is cut off by the frame of the picture",
            "Photograph the whole face with some ground around it.",
        )
    return face


def trace_face(
    rgb: NDArray[Any],
    click_px: tuple[float, float],
    *,
    vanishing_px: Floats | None = None,
    covered_px: Floats | None = None,
    marks_px: Floats | None = None,
) -> Floats:
    """Outline of the face under the click to a fraction of a pixel.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
    click_px : tuple of float
    vanishing_px : ndarray, shape (2,), optional
        Where lines square to the face meet in the picture (`PlaneScale.vanishing_px`); the middle of the
        picture when left out, as for a picture taken square on.
    covered_px, marks_px : ndarray, optional
        As for `find_face`.

    Returns
    -------
    ndarray, shape (n, 2)
        Ring in pixels (x right, y down), not closed, clockwise as seen.

    Raises
    ------
    InputError, GeometryError
        As `find_face`.
    """
    mask, scale = find_face(rgb, click_px, covered_px=covered_px, marks_px=marks_px)
    coarse = (ring_of_mask(mask) + 0.5) / scale - 0.5
    reach = 3.5 / scale
    ring = refine_ring(rgb, coarse, reach_px=reach)
    ring, followed = follow_sides(rgb, ring)
    if followed:
        ring = refine_ring(rgb, ring, reach_px=0.35 * reach)
    vanishing = (
        np.array([rgb.shape[1] - 1, rgb.shape[0] - 1]) / 2 if vanishing_px is None else vanishing_px
    )
    ring, changed = cut_off_sides(
        rgb, ring, corners_of(ring, short_px=2 * reach), vanishing_px=vanishing
    )
    return _without_spikes(follow_sides(rgb, ring)[0] if changed else ring)


def _without_spikes(ring: Floats) -> Floats:
    """The outline without points that are thinner than any piece of stone would be (its corners stay)."""
    polygon = shapely.Polygon(ring).buffer(0)
    thin = _SPIKE * np.sqrt(polygon.area)
    opened = polygon.buffer(-thin, join_style="mitre").buffer(thin, join_style="mitre")
    parts = [p for p in shapely.get_parts(opened.intersection(polygon)) if p.geom_type == "Polygon"]
    if not parts:
        return ring
    largest = shapely.orient_polygons(max(parts, key=lambda p: p.area))
    clockwise_as_seen = shapely.get_coordinates(largest.exterior)[:-1]
    return np.asarray(clockwise_as_seen)
