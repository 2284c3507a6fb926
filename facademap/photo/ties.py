"""Tie points between two photos of one flat wall, found, refined and doubted.

A pair is joined only when independent signs agree: enough clear feature matches on one homography,
spread over the overlap; no rival homography that explains nearly as many (a wall of equal stones fits
itself when shifted); an upright, unfolded map of believable scale; and the two pictures alike, grain
for grain, after one is laid over the other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.photo.bundle import Bundle, adjust_bundle
from facademap.photo.camera import Camera
from facademap.photo.features import Features, match_features
from facademap.photo.homography import apply_homography
from facademap.values import frozen_value

__all__ = ["PairLimits", "PairTies", "overlap_share", "tie_pair"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

#: Distortions tried for the lens of both photos (k1 at a nominal focal length of the longer side).
K1_TRIALS = (0.0, -0.08, -0.16, -0.28, -0.42, 0.08)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairLimits:
    """When a pair is believed. All values are common practice, tried on real and rendered pairs.

    Attributes
    ----------
    least_inliers : int
        Clear feature matches on the homography.
    tolerance_px : float
        Distance within which a match agrees, at a longest side of 2000 px (in proportion else).
    rival_share : float
        A different homography with more than this share of the inliers makes the pair ambiguous.
    least_cells : int
        Cells of a 6 x 6 lattice over the overlap that must hold an inlier.
    largest_scale, largest_stretch : float
        Most enlargement anywhere, most ratio of stretching between two directions.
    least_alike : float
        Correlation that a window must reach to count as alike.
    least_alike_share : float
        Share of the windows with texture that must be alike.
    least_ties : int
        Refined tie points.
    least_ties_for_lens : int
        Tie points below which no distortion is estimated.
    lens_sigma : float
        Prior of k1 (at the nominal focal length of the longer side).
    lens_gain, lens_gain_px : float
        Distortion is believed when it makes the residuals so many times, or so many pixels, smaller.
    """

    least_inliers: int = 14
    tolerance_px: float = 3.0
    rival_share: float = 0.45
    least_cells: int = 5
    largest_scale: float = 8.0
    largest_stretch: float = 7.0
    least_alike: float = 0.5
    least_alike_share: float = 0.4
    least_ties: int = 12
    least_ties_for_lens: int = 30
    lens_sigma: float = 0.15
    lens_gain: float = 1.8
    lens_gain_px: float = 1.0


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PairTies:
    """The outcome for one pair.

    Attributes
    ----------
    joined : bool
        Whether the pair is believed.
    reason : str
        Why not, in words; empty when joined.
    first_px, second_px : ndarray, shape (n, 2)
        Refined tie points in both photos.
    homography : ndarray, shape (3, 3)
        Rays of the second photo to rays of the first (nominal cameras with ``k1``).
    k1 : float
        Lens distortion at the nominal focal length.
    inliers : int
        Feature matches on the homography.
    alike_share : float
        Share of the windows with texture that look alike.
    rms_px : float
        Of the tie points about the pair's own homography.
    """

    joined: bool
    reason: str = ""
    first_px: Floats
    second_px: Floats
    homography: Floats
    k1: float = 0.0
    inliers: int = 0
    alike_share: float = 0.0
    rms_px: float = 0.0


def _refused(reason: str, *, inliers: int = 0, alike_share: float = 0.0) -> PairTies:
    nothing = np.zeros((0, 2))
    return PairTies(
        joined=False,
        reason=reason,
        first_px=nothing,
        second_px=nothing,
        homography=np.eye(3),
        inliers=inliers,
        alike_share=alike_share,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rough:
    """A homography from rays of the second to rays of the first photo and the matches on it."""

    matrix: Floats
    k1: float
    inlier: NDArray[np.bool_]

    @property
    def count(self) -> int:
        return int(np.count_nonzero(self.inlier))


def tie_pair(
    first: Bytes,
    second: Bytes,
    first_camera: Camera,
    second_camera: Camera,
    first_features: Features,
    second_features: Features,
    *,
    limits: PairLimits | None = None,
    most_ties: int = 400,
    known_lens: bool = False,
    turns: int = 2,
) -> PairTies:
    """Join two grey photos of one flat wall, or say why not.

    Parameters
    ----------
    first, second : ndarray of uint8, shape (rows, columns)
        Grey photos.
    first_camera, second_camera : Camera
        Nominal or known cameras.
    first_features, second_features : Features
        Features of both.
    limits : PairLimits, optional
        When a pair is believed.
    most_ties : int
        Tie points wanted.
    known_lens : bool
        Whether the cameras' distortion is known, so that none is tried.
    turns : int
        How often the photos are laid over each other and the ties refined.

    Returns
    -------
    PairTies
        Refined tie points, or the reason for refusing.
    """
    limits = limits or PairLimits()
    pairs, _ = match_features(first_features, second_features)
    if len(pairs) < limits.least_inliers:
        return _refused(f"only {len(pairs)} places look alike", inliers=len(pairs))
    a, b = first_features.xy_px[pairs[:, 0]], second_features.xy_px[pairs[:, 1]]
    rough = _rough(a, b, first_camera, second_camera, limits, known_lens=known_lens)
    if rough is None or rough.count < limits.least_inliers:
        return _refused(
            "the places that look alike do not lie on one plane",
            inliers=0 if rough is None else rough.count,
        )
    if known_lens is False and rough.k1:
        first_camera, second_camera = (
            replace(c, k1=rough.k1) for c in (first_camera, second_camera)
        )
    reason = _doubt_geometry(rough, a, b, first, second, first_camera, second_camera, limits)
    if reason:
        return _refused(reason, inliers=rough.count)
    return _refined(
        first,
        second,
        first_camera,
        second_camera,
        rough,
        a,
        b,
        limits,
        most_ties,
        known_lens=known_lens,
        turns=turns,
    )


def _tolerance(camera: Camera, limits: PairLimits) -> float:
    return limits.tolerance_px * max(1.0, max(camera.width_px, camera.height_px) / 2000.0)


def _rough(
    a: Floats, b: Floats, first: Camera, second: Camera, limits: PairLimits, *, known_lens: bool
) -> _Rough | None:
    """Homography by a marginalising consensus, for the distortion that most matches agree with."""
    best: _Rough | None = None
    for k1 in (None,) if known_lens else K1_TRIALS:
        found = _consensus(
            a,
            b,
            first if k1 is None else replace(first, k1=k1),
            second if k1 is None else replace(second, k1=k1),
            limits,
        )
        if found is None:
            continue
        found = replace(found, k1=k1 or 0.0)
        # distortion is believed only when it brings clearly more matches together
        if best is None or found.count > max(best.count * 1.08, best.count + 8):
            best = found
        if best.count > 0.93 * len(a):
            break
    return best


def _consensus(
    a: Floats, b: Floats, first: Camera, second: Camera, limits: PairLimits
) -> _Rough | None:
    ray_a, ray_b = first.ray_from_pixel(a), second.ray_from_pixel(b)
    good = np.isfinite(ray_a).all(axis=1) & np.isfinite(ray_b).all(axis=1)
    if np.count_nonzero(good) < limits.least_inliers:
        return None
    tolerance = _tolerance(first, limits)
    flat_a, flat_b = ray_a[good] * first.fx_px, ray_b[good] * first.fx_px
    cv2.setRNGSeed(1)
    matrix, _ = cv2.findHomography(
        flat_b, flat_a, cv2.USAC_MAGSAC, tolerance, maxIters=20000, confidence=0.9999
    )
    if matrix is None or not np.isfinite(matrix).all() or abs(np.linalg.det(matrix)) < 1e-12:
        return None
    scale = np.diag([first.fx_px, first.fx_px, 1.0])
    matrix = np.linalg.inv(scale) @ matrix @ scale
    inlier = np.zeros(len(a), bool)
    for _ in range(3):
        centre = ray_b[inlier].mean(axis=0) if inlier.any() else np.nanmedian(ray_b[good], axis=0)
        if float((matrix @ np.array([*centre, 1.0]))[2]) < 0:
            matrix = -matrix
        miss = np.hypot(*(apply_homography(matrix, ray_b) - ray_a).T) * first.fx_px
        with np.errstate(divide="ignore", invalid="ignore"):
            back = (
                np.hypot(*(apply_homography(np.linalg.inv(matrix), ray_a) - ray_b).T) * second.fx_px
            )
        inlier = (
            good & (np.minimum(miss, back) < tolerance) & (np.maximum(miss, back) < 4.0 * tolerance)
        )
        if np.count_nonzero(inlier) < 8:
            return None
        fitted, _ = cv2.findHomography(ray_b[inlier] * 1000.0, ray_a[inlier] * 1000.0, 0)
        if fitted is None:
            return None
        matrix = np.diag([1e-3, 1e-3, 1.0]) @ fitted @ np.diag([1e3, 1e3, 1.0])
    return _Rough(matrix=matrix, k1=0.0, inlier=inlier)


def _doubt_geometry(
    rough: _Rough,
    a: Floats,
    b: Floats,
    first: Bytes,
    second: Bytes,
    first_camera: Camera,
    second_camera: Camera,
    limits: PairLimits,
) -> str:
    """Why the homography cannot be believed; empty when it can."""
    places = b[rough.inlier]
    if _cells(a[rough.inlier]) < limits.least_cells or _cells(places) < limits.least_cells:
        return "the places that look alike lie too close together or on one line"
    rays = second_camera.ray_from_pixel(places)
    scale = _local_scale(rough.matrix, rays)
    if np.any(~np.isfinite(scale)) or np.any(np.linalg.det(scale) <= 0):
        return "one photo would have to be mirrored or folded"
    stretch = np.linalg.svd(scale, compute_uv=False) * first_camera.fx_px / second_camera.fx_px
    if np.any(stretch > limits.largest_scale) or np.any(stretch < 1.0 / limits.largest_scale):
        return f"the scales differ by more than {limits.largest_scale:g}"
    if float(np.median(stretch[:, 0] / stretch[:, 1])) > limits.largest_stretch:
        return "the views differ too much in direction"
    return _doubt_rival(rough, a, b, first_camera, second_camera, limits)


def _doubt_rival(
    rough: _Rough, a: Floats, b: Floats, first: Camera, second: Camera, limits: PairLimits
) -> str:
    """Whether the rest of the matches agree on another homography nearly as well."""
    rest = ~rough.inlier
    if np.count_nonzero(rest) < limits.least_inliers:
        return ""
    rival = _consensus(a[rest], b[rest], first, second, limits)
    if rival is None or rival.count <= max(limits.rival_share * rough.count, 8):
        return ""
    rays = second.ray_from_pixel(b[rest][rival.inlier])
    apart = (
        np.hypot(*(apply_homography(rough.matrix, rays) - apply_homography(rival.matrix, rays)).T)
        * first.fx_px
    )
    if np.nanmedian(np.nan_to_num(apart, nan=1e9)) > 0.02 * max(first.width_px, first.height_px):
        return (
            "two ways to lay the photos over each other fit almost equally well (repeating stones?)"
        )
    return ""


def _cells(xy: Floats) -> int:
    """Cells of a 6 x 6 lattice over the points' own extent that hold a point; 0 when they lie on a line."""
    centred = xy - xy.mean(axis=0)
    values, vectors = np.linalg.eigh(centred.T @ centred / len(xy))
    if values[0] < 0.0009 * values[1]:
        return 0
    turned = centred @ vectors
    low, high = turned.min(axis=0), turned.max(axis=0)
    cell = ((turned - low) / np.maximum(high - low, 1e-9) * 5.999).astype(int)
    return len(np.unique(cell[:, 0] * 6 + cell[:, 1]))


def _local_scale(matrix: Floats, xy: Floats) -> Floats:
    """Derivative of the mapped by the original place, shape (n, 2, 2)."""
    h = matrix
    w = h[2, 0] * xy[:, 0] + h[2, 1] * xy[:, 1] + h[2, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        mapped = apply_homography(h, xy)
        rows = [
            (h[None, i, :2] - mapped[:, i : i + 1] * h[None, 2, :2]) / w[:, None] for i in range(2)
        ]
    return np.stack(rows, axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """The second photo laid over a (reduced) first one, with the maps that did it."""

    first: Bytes
    second: Bytes
    seen: NDArray[np.bool_]
    offset: Floats
    step: float
    map_x: NDArray[np.float32]
    map_y: NDArray[np.float32]

    def first_px(self, xy: Floats) -> Floats:
        """Full-size pixels of the first photo for pixels of the laid picture."""
        return np.asarray((xy + 0.5) * self.step - 0.5 + self.offset)


#: Longest side of the pictures that are laid over each other for the refinement.
LAID_LONGEST_PX = 1800


def _lay(
    first: Bytes,
    second: Bytes,
    first_camera: Camera,
    second_camera: Camera,
    matrix: Floats,
    places: Floats,
) -> _Laid | None:
    """Lay the second photo over the part of the first that the two share."""
    box = _shared_box(first_camera, second_camera, matrix)
    if box is None:
        return None
    left, top, right, bottom = box
    rays = second_camera.ray_from_pixel(places)
    stretch = (
        np.linalg.svd(_local_scale(matrix, rays), compute_uv=False)
        * first_camera.fx_px
        / second_camera.fx_px
    )
    finest = float(np.median(np.sqrt(stretch[:, 0] * stretch[:, 1])))
    # at the coarser of the two photos, so that neither is blown up
    step = max(1.0, finest, max(right - left, bottom - top) / LAID_LONGEST_PX)
    size = (int((right - left) / step), int((bottom - top) / step))
    if min(size) < 48:
        return None
    offset = np.array([left, top], dtype=float)
    window = first[top:bottom, left:right]
    base: Bytes = (
        np.asarray(cv2.resize(window, size, interpolation=cv2.INTER_AREA), np.uint8)
        if step > 1.0
        else window
    )
    scale_x, scale_y = (right - left) / size[0], (bottom - top) / size[1]
    step = (scale_x + scale_y) / 2.0
    back = np.linalg.inv(matrix)
    lattice = 8
    gx, gy = np.meshgrid(
        np.arange(0, size[0] + lattice, lattice), np.arange(0, size[1] + lattice, lattice)
    )
    at = np.stack(
        [(gx + 0.5) * scale_x - 0.5 + left, (gy + 0.5) * scale_y - 0.5 + top], axis=-1
    ).reshape(-1, 2)
    pixel = second_camera.pixel_from_ray(apply_homography(back, first_camera.ray_from_pixel(at)))
    pixel = (
        np.where(np.isfinite(pixel), np.clip(pixel, -1e5, 1e5), -1e5)
        .reshape(*gx.shape, 2)
        .astype(np.float32)
    )
    zoom = np.array([[1.0 / lattice, 0, 0], [0, 1.0 / lattice, 0]])
    maps = cv2.warpAffine(
        pixel,
        zoom,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    map_x, map_y = (np.ascontiguousarray(maps[..., k], dtype=np.float32) for k in (0, 1))
    height, width = second.shape
    seen = (map_x >= 1) & (map_y >= 1) & (map_x <= width - 2) & (map_y <= height - 2)
    # a second photo finer than the lattice of the first is smoothed first, so that grain does not alias
    source = second
    fine = step / max(finest, 1e-6)
    if fine > 1.6:
        source = np.asarray(
            cv2.resize(
                second,
                (max(8, round(width / fine)), max(8, round(height / fine))),
                interpolation=cv2.INTER_AREA,
            )
        )
        sx, sy = width / source.shape[1], height / source.shape[0]
        laid = cv2.remap(
            source,
            (map_x + 0.5) / np.float32(sx) - np.float32(0.5),
            (map_y + 0.5) / np.float32(sy) - np.float32(0.5),
            cv2.INTER_CUBIC,
        )
    else:
        laid = cv2.remap(second, map_x, map_y, cv2.INTER_CUBIC)
    return _Laid(base, np.asarray(laid, dtype=np.uint8), seen, offset, step, map_x, map_y)


def _shared_box(first: Camera, second: Camera, matrix: Floats) -> tuple[int, int, int, int] | None:
    """Pixels of the first photo that the second shows: left, top, right, bottom."""
    gx, gy = np.meshgrid(
        np.linspace(0, first.width_px - 1, 41), np.linspace(0, first.height_px - 1, 41)
    )
    at = np.stack([gx.ravel(), gy.ravel()], axis=1)
    pixel = second.pixel_from_ray(apply_homography(np.linalg.inv(matrix), first.ray_from_pixel(at)))
    inside = np.isfinite(pixel).all(axis=1) & (pixel > 0).all(axis=1)
    inside &= (pixel[:, 0] < second.width_px - 1) & (pixel[:, 1] < second.height_px - 1)
    if np.count_nonzero(inside) < 4:
        return None
    margin = max(first.width_px, first.height_px) / 40
    left, top = np.maximum(np.floor(at[inside].min(axis=0) - margin), 0).astype(int)
    right = min(first.width_px, int(np.ceil(at[inside, 0].max() + margin)) + 1)
    bottom = min(first.height_px, int(np.ceil(at[inside, 1].max() + margin)) + 1)
    return int(left), int(top), right, bottom


def overlap_share(first: Camera, second: Camera, matrix: Floats) -> float:
    """Share of the first photo that the second shows, by a homography of rays."""
    gx, gy = np.meshgrid(
        np.linspace(0, first.width_px - 1, 31), np.linspace(0, first.height_px - 1, 31)
    )
    rays = first.ray_from_pixel(np.stack([gx.ravel(), gy.ravel()], axis=1))
    pixel = second.pixel_from_ray(apply_homography(np.linalg.inv(matrix), rays))
    inside = (
        (pixel >= 0).all(axis=1)
        & (pixel[:, 0] <= second.width_px - 1)
        & (pixel[:, 1] <= second.height_px - 1)
    )
    return float(np.mean(inside))


def _refined(
    first: Bytes,
    second: Bytes,
    first_camera: Camera,
    second_camera: Camera,
    rough: _Rough,
    a: Floats,
    b: Floats,
    limits: PairLimits,
    most_ties: int,
    *,
    known_lens: bool,
    turns: int,
) -> PairTies:
    """Lay the photos over each other, look closely where they differ, and fit again."""
    matrix = rough.matrix
    places = b[rough.inlier]
    ties: tuple[Floats, Floats] = (a[rough.inlier], places)
    cameras = (first_camera, second_camera)
    alike, rms = 0.0, 0.0
    for _ in range(turns):
        laid = _lay(first, second, *cameras, matrix, places)
        if laid is None:
            return _refused("the photos hardly overlap", inliers=rough.count)
        found = _track(laid, most_ties)
        alike = _alike_share(laid, limits.least_alike)
        if len(found[0]) < limits.least_ties:
            return _refused(
                f"laid over each other the photos agree in only {len(found[0])} places",
                inliers=rough.count,
                alike_share=alike,
            )
        ties = found
        matrix, cameras, rms, keep = _fit_pair(
            *ties, *cameras, matrix, limits, known_lens=known_lens
        )
        ties = (ties[0][keep], ties[1][keep])
        if len(ties[0]) < limits.least_ties:
            return _refused(
                "laid over each other the photos do not agree",
                inliers=rough.count,
                alike_share=alike,
            )
    if alike < limits.least_alike_share:
        # the ties may have mended what the features laid badly
        final = _lay(first, second, *cameras, matrix, places)
        alike = alike if final is None else _alike_share(final, limits.least_alike)
    if alike < limits.least_alike_share:
        return _refused(
            f"laid over each other only {alike:.0%} of the wall looks alike",
            inliers=rough.count,
            alike_share=alike,
        )
    return PairTies(
        joined=True,
        first_px=ties[0],
        second_px=ties[1],
        homography=matrix,
        k1=cameras[0].k1,
        inliers=rough.count,
        alike_share=alike,
        rms_px=rms,
    )


def _track(laid: _Laid, most: int) -> tuple[Floats, Floats]:
    """Places with texture in the laid pictures, followed from one to the other and back."""
    one, two = _evened(laid.first), _evened(laid.second)
    seen = cv2.erode(laid.seen.astype(np.uint8), np.ones((25, 25), np.uint8), borderValue=0)
    corner = np.asarray(cv2.cornerMinEigenVal(one, 5), dtype=np.float32)
    corner[seen == 0] = 0.0
    start = _best_of_cells(corner, most)
    if not len(start):
        return np.zeros((0, 2)), np.zeros((0, 2))
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 0.003)
    points = start.astype(np.float32)[:, None]
    nowhere: Any = None
    ahead, good, _ = cv2.calcOpticalFlowPyrLK(
        one, two, points, nowhere, None, None, (25, 25), 2, criteria
    )
    back, good_back, _ = cv2.calcOpticalFlowPyrLK(
        two, one, ahead, nowhere, None, None, (25, 25), 2, criteria
    )
    forth = ahead[:, 0].astype(float)
    keep = (good.ravel() > 0) & (good_back.ravel() > 0)
    keep &= np.hypot(*(back[:, 0] - points[:, 0]).T) < 0.3
    size = np.array(one.shape[::-1])
    keep &= ((forth >= 1) & (forth <= size - 2)).all(axis=1)
    # half of the way each: the mean of both directions has less noise
    centre = (start + back[:, 0].astype(float)) / 2.0
    first_px = laid.first_px(centre[keep])
    at = forth[keep].astype(np.float32)[:, None]
    second_px = np.stack(
        [cv2.remap(m, at, nowhere, cv2.INTER_LINEAR)[:, 0] for m in (laid.map_x, laid.map_y)],
        axis=1,
    )
    return first_px, second_px.astype(float)


def _evened(grey: Bytes) -> Bytes:
    """Local brightness and contrast evened, so that exposure and shadow do not matter."""
    value = grey.astype(np.float32)
    mean = _smooth(value, 29)
    spread = np.sqrt(np.maximum(_smooth((value - mean) ** 2, 39), 9.0))
    return np.clip((value - mean) / spread * 40.0 + 128.0, 0, 255).astype(np.uint8)


def _smooth(values: NDArray[np.float32], window_px: int) -> NDArray[np.float32]:
    """Two box means, nearly a Gaussian of a deviation of 0.41 windows and five times as quick."""
    once = cv2.blur(values, (window_px, window_px))
    return np.asarray(cv2.blur(once, (window_px, window_px)), np.float32)


def _best_of_cells(score: NDArray[np.float32], most: int) -> Floats:
    """The best place of every square cell, about ``most`` in all."""
    height, width = score.shape
    cell = max(12, int(np.sqrt(height * width / max(most, 1))))
    rows, columns = height // cell, width // cell
    if not rows or not columns:
        return np.zeros((0, 2))
    blocks = (
        score[: rows * cell, : columns * cell]
        .reshape(rows, cell, columns, cell)
        .transpose(0, 2, 1, 3)
    )
    flat = blocks.reshape(rows * columns, cell * cell)
    at = flat.argmax(axis=1)
    value = flat[np.arange(len(flat)), at]
    y = (np.arange(len(flat)) // columns) * cell + at // cell
    x = (np.arange(len(flat)) % columns) * cell + at % cell
    keep = value > max(1e-7, 0.02 * float(np.quantile(value, 0.9)))
    return np.stack([x[keep], y[keep]], axis=1).astype(float)


def _alike_share(laid: _Laid, least: float) -> float:
    """Share of the windows with texture in which the two pictures correlate."""
    one, two = laid.first.astype(np.float32), laid.second.astype(np.float32)
    window = (21, 21)

    def mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.blur(values, window))

    mean_1, mean_2 = mean(one), mean(two)
    spread_1, spread_2 = mean(one * one) - mean_1**2, mean(two * two) - mean_2**2
    both = mean(one * two) - mean_1 * mean_2
    seen = cv2.erode(laid.seen.astype(np.uint8), np.ones(window, np.uint8), borderValue=0) > 0
    textured = seen & (spread_1 > 12.0) & (spread_2 > 12.0)
    if np.count_nonzero(textured) < 400:
        return 0.0
    return float(np.mean(both[textured] > least * np.sqrt(spread_1[textured] * spread_2[textured])))


def _fit_pair(
    first_px: Floats,
    second_px: Floats,
    first: Camera,
    second: Camera,
    matrix: Floats,
    limits: PairLimits,
    *,
    known_lens: bool,
) -> tuple[Floats, tuple[Camera, Camera], float, NDArray[np.bool_]]:
    """Fit the homography, and distortion where it is needed; returns them, the rms and the ties that agree."""
    if known_lens:
        return _fit_with_lens(first_px, second_px, first, second, matrix, 0.0)
    plain = _fit_with_lens(
        first_px, second_px, replace(first, k1=0.0), replace(second, k1=0.0), matrix, 0.0
    )
    if len(first_px) < limits.least_ties_for_lens:
        return plain
    bent = _fit_with_lens(first_px, second_px, first, second, matrix, limits.lens_sigma)
    more = np.count_nonzero(bent[3]) > 1.15 * np.count_nonzero(plain[3])
    return bent if more or _needs_lens(plain[2], bent[2], limits) else plain


def _needs_lens(rms_plain_px: float, rms_bent_px: float, limits: PairLimits) -> bool:
    """Whether distortion explains so much that it is no guess (relief leaves residuals too)."""
    return (
        rms_plain_px > limits.lens_gain * rms_bent_px
        or rms_bent_px < rms_plain_px - limits.lens_gain_px
    )


def _fit_with_lens(
    first_px: Floats,
    second_px: Floats,
    first: Camera,
    second: Camera,
    matrix: Floats,
    lens_sigma: float,
) -> tuple[Floats, tuple[Camera, Camera], float, NDArray[np.bool_]]:
    n = len(first_px)
    rays = first.ray_from_pixel(first_px)
    usable = np.isfinite(rays).all(axis=1) & np.isfinite(
        apply_homography(np.linalg.inv(matrix), rays)
    ).all(axis=1)
    index = np.flatnonzero(usable)
    bundle = Bundle(
        cameras=(first, second),
        group=np.zeros(2, np.intp) if _alike_cameras(first, second) else np.arange(2),
        homographies=np.stack([np.eye(3), np.linalg.inv(matrix)]),
        held=np.array([True, False]),
        photo=np.repeat([0, 1], len(index)),
        point=np.tile(np.arange(len(index)), 2),
        pixel_px=np.concatenate([first_px[index], second_px[index]]),
        sigma_px=np.full(2 * len(index), 0.3),
        wall=rays[index],
        wall_sigma=np.full(len(index), np.inf),
        lens_sigma=(0.0, 0.0, lens_sigma, 0.0, 0.0, 0.0, 0.0),
    )
    result = adjust_bundle(bundle, rounds=3, steps=12)
    miss = np.hypot(*result.residual_px[len(index) :].T) + np.hypot(
        *result.residual_px[: len(index)].T
    )
    limit = max(1.0, 4.0 * float(np.median(miss)))
    keep = np.zeros(n, bool)
    keep[index] = miss < limit
    rms = float(np.sqrt(np.mean(miss[miss < limit] ** 2))) if np.any(miss < limit) else 0.0
    return np.linalg.inv(result.homographies[1]), (result.cameras[0], result.cameras[1]), rms, keep


def _alike_cameras(first: Camera, second: Camera) -> bool:
    return (first.width_px, first.height_px, first.fx_px) == (
        second.width_px,
        second.height_px,
        second.fx_px,
    )
