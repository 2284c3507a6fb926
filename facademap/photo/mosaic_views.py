"""Many photos of one flat wall brought into wall coordinates by one adjustment.

Photos are joined by tie points found on reduced copies; control points may lie in any of them. The
start values come from chains of pairs and one homography to the control of each connected group;
then everything is adjusted at once: every photo, one lens, all ties, all control. Photos that do
not fit are left out and named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError, SolveError
from facademap.photo.bundle import Bundle, BundleResult, adjust_bundle
from facademap.photo.camera import Camera
from facademap.photo.features import reduced
from facademap.photo.homography import apply_homography, homography_depth
from facademap.photo.join import join_photos
from facademap.photo.photo_graph import (
    PhotoGraph,
    TieRows,
    camera_groups,
    chained_homographies,
    tie_rows,
)
from facademap.photo.threads import in_order
from facademap.photo.ties import PairTies
from facademap.values import frozen_value

__all__ = [
    "MosaicPoint",
    "MosaicViews",
    "PointMiss",
    "WallView",
    "fit_mosaic_views",
    "join_reduced",
]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

#: Longest side of the copies on which tie points are placed, and on which features are looked for (settings).
TIES_LONGEST_PX = 1600
FEATURES_LONGEST_PX = 1000
#: Photos above this size are decoded one at a time.
LARGE_PX = 40_000_000
#: Priors of an unknown lens, as in the fit of one photo (common practice): principal point in shares of
#: the longer side, k1, k2; focal length as the logarithm of a factor; trust in the rotation constraint.
PRINCIPAL_SHARE = 0.01
RADIAL_SIGMA = (0.25, 0.2)
FOCAL_SIGMA = 0.35
ROTATION_SIGMA = 0.004
#: Residuals so many times the stated precision raise the question whether the photos are those of one camera.
FORCED_STRAIN = 4.0
#: A control point is named as a blunder beyond so many times the usual residual, and beyond these pixels.
BLUNDER_TIMES = 6.0
BLUNDER_PX = 4.0
#: A photo is left out when its ties lie off by more than this many pixels and times the usual.
MISFIT_PX = 3.0
MISFIT_TIMES = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MosaicPoint:
    """A control or check point seen in one photo.

    Attributes
    ----------
    photo : int
    name : str
    pixel_px, wall_m : tuple of float
    is_control : bool
        False for a check point, which is never fitted.
    sigma_px, sigma_m : float
        Stated precision, per axis.
    """

    photo: int
    name: str
    pixel_px: tuple[float, float]
    wall_m: tuple[float, float]
    is_control: bool = True
    sigma_px: float = 0.5
    sigma_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PointMiss:
    """Place seen in a photo minus the place given, metres; NaN beyond the horizon."""

    point: MosaicPoint
    du_m: float
    dv_m: float
    used: bool


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class WallView:
    """How one photo of the group sees the wall.

    Attributes
    ----------
    camera : Camera
        With the common lens.
    homography : ndarray, shape (3, 3)
        Wall metres to rays, third coordinate positive before the camera.
    """

    camera: Camera
    homography: Floats

    def pixel_from_wall(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Pixels of places, shape (..., 2), NaN where the photo cannot show them."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        return self.camera.pixel_from_ray(
            apply_homography(self.homography, np.stack([u, v], axis=-1))
        )

    def wall_from_pixel(self, x_px: ArrayLike, y_px: ArrayLike) -> Floats:
        """Places seen at pixels, shape (..., 2), NaN beyond the horizon."""
        x, y = np.broadcast_arrays(np.asarray(x_px, dtype=float), np.asarray(y_px, dtype=float))
        rays = self.camera.ray_from_pixel(np.stack([x, y], axis=-1).reshape(-1, 2))
        return apply_homography(np.linalg.inv(self.homography), rays).reshape(*x.shape, 2)

    def depth(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Relative distance before the camera: 1 at the middle of the photo, 0 on the horizon."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        middle = self.wall_from_pixel(self.camera.cx_px, self.camera.cy_px)
        at_middle = float(homography_depth(self.homography, middle))
        return homography_depth(self.homography, np.stack([u, v], axis=-1)) / at_middle


@dataclass(frozen=True, slots=True, kw_only=True)
class MosaicViews:
    """The adjusted photos.

    Attributes
    ----------
    views : tuple of WallView or None
        One a photo, none for those left out.
    left_out : tuple of (int, str)
        Photos that do not fit, with the reason.
    misses : tuple of PointMiss
        Control and check points.
    blunders : tuple of str
        Names of control points that the others contradict.
    tie_rms_px : float
        Root mean square of the tie points, pixels of the photos.
    ties : int
        Tie points in the adjustment.
    focal_factor : float
        Estimated over assumed focal length (1 when it was not estimated).
    sigma0 : float
        Scale of the residuals against the stated precision.
    """

    views: tuple[WallView | None, ...]
    left_out: tuple[tuple[int, str], ...]
    misses: tuple[PointMiss, ...]
    blunders: tuple[str, ...]
    tie_rms_px: float
    ties: int
    focal_factor: float
    sigma0: float

    def rmse_m(self, *, control: bool) -> tuple[float | None, int]:
        """Radial root mean square of control (used) or check points, and their number."""
        chosen = [
            m
            for m in self.misses
            if m.point.is_control == control and (m.used or not control) and np.isfinite(m.du_m)
        ]
        if not chosen:
            return None, 0
        return float(np.sqrt(np.mean([m.du_m**2 + m.dv_m**2 for m in chosen]))), len(chosen)


def join_reduced(
    load: Callable[[int], Bytes],
    cameras: Sequence[Camera],
    *,
    known_lens: bool = False,
    longest_px: int = TIES_LONGEST_PX,
    progress: Callable[[float], None] | None = None,
    thorough: bool = False,
) -> PhotoGraph:
    """Join photos on reduced copies, which are all that is kept in memory.

    Parameters
    ----------
    load : callable
        Grey picture of photo number ``i`` in full size; called once a photo.
    cameras : sequence of Camera
        Of the full-size photos.
    known_lens : bool
    longest_px : int
        Longest side of the copies.
    progress : callable, optional
    thorough : bool
        Whether photos left alone are tried again with simulated tilts.

    Returns
    -------
    PhotoGraph
        With tie points in full-size pixels.
    """
    small: list[Bytes] = []
    factors: list[float] = []
    say = progress or (lambda fraction: None)
    threads = 1 if max(c.width_px * c.height_px for c in cameras) > LARGE_PX else 2
    for i, (copy, factor) in in_order(
        lambda i: reduced(load(i), longest_px), range(len(cameras)), threads=threads
    ):
        small.append(copy)
        factors.append(factor)
        say(0.2 * (i + 1) / len(cameras))
    scaled = [_scaled_camera(c, s.shape) for c, s in zip(cameras, small, strict=True)]
    graph = join_photos(
        lambda i: small[i],
        scaled,
        known_lens=known_lens,
        thorough=thorough,
        most_ties=150,
        most_features=2400,
        longest_px=FEATURES_LONGEST_PX,
        one_lens=True,
        progress=lambda f: say(0.2 + 0.8 * f),
    )
    pairs = {
        pair: _enlarged(ties, factors[pair[0]], factors[pair[1]])
        for pair, ties in graph.pairs.items()
    }
    return replace(graph, cameras=tuple(cameras), pairs=pairs)


def _scaled_camera(camera: Camera, shape: tuple[int, ...]) -> Camera:
    """The camera of a reduced copy: rays stay the same."""
    sx, sy = shape[1] / camera.width_px, shape[0] / camera.height_px
    return replace(
        camera,
        width_px=shape[1],
        height_px=shape[0],
        fx_px=camera.fx_px * sx,
        fy_px=camera.fy_px * sy,
        cx_px=(camera.cx_px + 0.5) * sx - 0.5,
        cy_px=(camera.cy_px + 0.5) * sy - 0.5,
    )


def _enlarged(ties: PairTies, first: float, second: float) -> PairTies:
    return replace(
        ties,
        first_px=(ties.first_px + 0.5) * first - 0.5,
        second_px=(ties.second_px + 0.5) * second - 0.5,
        rms_px=ties.rms_px * max(first, second),
    )


def fit_mosaic_views(
    graph: PhotoGraph,
    points: Sequence[MosaicPoint],
    *,
    known_focal: bool = False,
) -> MosaicViews:
    """Adjust all photos to control and ties.

    Parameters
    ----------
    graph : PhotoGraph
        From :func:`join_reduced`.
    points : sequence of MosaicPoint
        Control and check points in any of the photos.
    known_focal : bool
        Whether the focal length is known (else it is estimated along).

    Returns
    -------
    MosaicViews

    Raises
    ------
    GeometryError
        No connected group of photos has four control points in general position.
    """
    count = len(graph.cameras)
    left_out: dict[int, str] = {}
    control = [p for p in points if p.is_control]
    for _ in range(count):
        starts, loose = _starts(graph, control, left_out)
        if not starts:
            reason = next(iter(loose.values()), "no photo is left")
            raise GeometryError(
                f"no group of connected photos can be placed on the wall: {reason}",
                "Pick at least four control points, not on one line, in photos that overlap.",
            )
        result, members, rows, blunders = _adjust(graph, control, starts, known_focal=known_focal)
        worst = _worst_photo(result, members, rows)
        if worst is None:
            break
        left_out[worst] = (
            "its tie points contradict those of the other photos (blurred, moved, or another wall?)"
        )
    views: list[WallView | None] = [None] * count
    for k, photo in enumerate(members):
        views[photo] = WallView(camera=result.cameras[k], homography=result.homographies[k])
    count_rows = len(rows.photo)
    miss = np.hypot(*result.residual_px[:count_rows].T)
    good = result.weight[:count_rows] > 0.1
    reasons = {**loose, **left_out}
    return MosaicViews(
        views=tuple(views),
        left_out=tuple(
            (i, reasons.get(i, graph.reason(i))) for i in range(count) if views[i] is None
        ),
        misses=_misses(views, points, blunders),
        blunders=tuple(sorted(blunders)),
        tie_rms_px=float(np.sqrt(np.mean(miss[good] ** 2))) if good.any() else 0.0,
        ties=count_rows // 2,
        focal_factor=float(result.focal_factor[0]) if len(result.focal_factor) else 1.0,
        sigma0=result.sigma0,
    )


def _without(graph: PhotoGraph, left_out: Sequence[int]) -> PhotoGraph:
    kept = {pair: ties for pair, ties in graph.pairs.items() if not set(pair) & set(left_out)}
    return replace(graph, pairs=kept)


def _starts(
    graph: PhotoGraph, control: Sequence[MosaicPoint], left_out: dict[int, str]
) -> tuple[dict[int, Floats], dict[int, str]]:
    """Homographies from wall to rays of every photo that can be reached, and reasons for the others."""
    thinned = _without(graph, list(left_out))
    matrices: dict[int, Floats] = {}
    loose: dict[int, str] = {}
    seen: set[int] = set(left_out)
    order = sorted(
        range(len(graph.cameras)), key=lambda i: (-sum(p.photo == i for p in control), i)
    )
    for photo in order:
        if photo in seen:
            continue
        group = thinned.reached_from(photo)
        seen |= set(group)
        mine = [p for p in control if p.photo in group]
        if len({p.name for p in mine}) < 4:
            words = (
                (
                    f"its group of {len(group)} connected photos has {len({p.name for p in mine})} control points, "
                    "four are needed"
                )
                if len(group) > 1 or mine
                else thinned.reason(photo)
            )
            loose |= dict.fromkeys(group, words)
            continue
        placed = _place_group(thinned, group, mine)
        if placed is None:
            loose |= dict.fromkeys(
                group,
                "the control points of its group lie on one line, are mirrored or contradict each other",
            )
        else:
            matrices |= placed
    return matrices, loose


def _place_group(
    graph: PhotoGraph, group: Sequence[int], control: Sequence[MosaicPoint]
) -> dict[int, Floats] | None:
    """Chain the photos of a group and lay the whole on its control."""
    bent = _start_cameras(graph)
    chained = chained_homographies(graph, group)
    frame, wall = [], []
    for p in control:
        k = group.index(p.photo)
        ray = bent[p.photo].ray_from_pixel(np.array([p.pixel_px]))
        frame.append(apply_homography(np.linalg.inv(chained[k]), ray)[0])
        wall.append(p.wall_m)
    source, target = np.array(wall), np.array(frame)
    good = np.isfinite(target).all(axis=1)
    if np.count_nonzero(good) < 4:
        return None
    centre, size = source[good].mean(axis=0), max(float(np.ptp(source[good], axis=0).max()), 1e-6)
    shift = np.array(
        [[1 / size, 0, -centre[0] / size], [0, 1 / size, -centre[1] / size], [0, 0, 1.0]]
    )
    spread = np.linalg.svd((source[good] - centre) / size, compute_uv=False)
    if spread[1] < 0.02 * spread[0]:
        return None
    cv2.setRNGSeed(1)
    scale = max(float(np.ptp(target[good], axis=0).max()), 1e-9)
    robust = cv2.RANSAC if np.count_nonzero(good) > 5 else 0
    found, _ = cv2.findHomography(
        (source[good] - centre) / size, target[good] / scale, robust, 0.01
    )
    if found is None or not np.isfinite(found).all():
        return None
    matrix = np.diag([scale, scale, 1.0]) @ found @ shift
    placed: dict[int, Floats] = {}
    for k, photo in enumerate(group):
        total = chained[k] @ matrix
        middle = bent[photo].ray_from_pixel(np.array([[bent[photo].cx_px, bent[photo].cy_px]]))[0]
        place = np.linalg.inv(total) @ np.array([*middle, 1.0])
        # before the camera the third coordinate is positive
        total = total * np.sign(float((total @ np.array([*(place[:2] / place[2]), 1.0]))[2]))
        if np.linalg.det(total) > 0:
            return None  # v points up and y down, so a photo that is not mirrored turns the sense
        placed[photo] = total
    return placed


def _start_cameras(graph: PhotoGraph) -> list[Camera]:
    k1 = [t.k1 for t in graph.joined().values()]
    start = 0.0 if graph.known_lens or not k1 else float(np.median(k1))
    return [c if graph.known_lens else replace(c, k1=start) for c in graph.cameras]


def _adjust(
    graph: PhotoGraph,
    control: Sequence[MosaicPoint],
    starts: dict[int, Floats],
    *,
    known_focal: bool,
) -> tuple[BundleResult, list[int], TieRows, set[str]]:
    """One adjustment; again without control points that turn out as blunders."""
    blunders: set[str] = set()
    while True:
        result, members, rows, names = _adjust_once(
            graph, control, starts, blunders, known_focal=known_focal
        )
        miss = np.hypot(*result.residual_px[len(rows.photo) :].T)
        ties = np.hypot(*result.residual_px[: len(rows.photo)].T)
        usual = max(
            float(np.median(np.r_[miss, ties])) if len(ties) else 0.0, float(np.median(miss)), 0.3
        )
        bad = miss > max(BLUNDER_PX, BLUNDER_TIMES * usual)
        remaining = {n for n in names if n not in blunders}
        if not bad.any() or len(remaining) <= 4:
            return result, members, rows, blunders
        blunders.add(names[int(np.argmax(miss))])


def _adjust_once(
    graph: PhotoGraph,
    control: Sequence[MosaicPoint],
    starts: dict[int, Floats],
    blunders: set[str],
    *,
    known_focal: bool,
) -> tuple[BundleResult, list[int], TieRows, list[str]]:
    members = sorted(starts)
    at = {photo: k for k, photo in enumerate(members)}
    cameras = [_start_cameras(graph)[i] for i in members]
    matrices = np.stack([starts[i] for i in members])
    rows = tie_rows(graph, members, cameras, matrices)
    count = len(rows.wall)
    used = [p for p in control if p.photo in at and p.name not in blunders]
    names = list(dict.fromkeys(p.name for p in used))
    survey = {p.name: p for p in used}
    tie_sigma = 0.3 * max(1.0, max(c.width_px for c in cameras) / TIES_LONGEST_PX / 2.0)
    long_side = max(cameras[0].width_px, cameras[0].height_px)
    lens = (
        (0.0,) * 7
        if graph.known_lens
        else (
            PRINCIPAL_SHARE * long_side,
            PRINCIPAL_SHARE * long_side,
            *RADIAL_SIGMA,
            0.0,
            0.0,
            0.0,
        )
    )
    bundle = Bundle(
        cameras=cameras,
        group=camera_groups(cameras),
        homographies=matrices,
        held=np.zeros(len(members), bool),
        photo=np.r_[rows.photo, np.array([at[p.photo] for p in used], dtype=np.intp)],
        point=np.r_[
            rows.point, np.array([count + names.index(p.name) for p in used], dtype=np.intp)
        ],
        pixel_px=np.r_[rows.pixel_px, np.array([p.pixel_px for p in used]).reshape(-1, 2)],
        sigma_px=np.r_[np.full(len(rows.photo), tie_sigma), [p.sigma_px for p in used]],
        wall=np.r_[rows.wall, np.array([survey[n].wall_m for n in names]).reshape(-1, 2)],
        wall_sigma=np.r_[np.full(count, np.inf), [max(survey[n].sigma_m, 1e-5) for n in names]],
        lens_sigma=lens,
        right_angle_sigma=ROTATION_SIGMA,
        focal_sigma=0.02 if known_focal else FOCAL_SIGMA,
    )
    try:
        result = adjust_bundle(bundle)
        if _strain(result, bundle) > FORCED_STRAIN:
            # cropped or squeezed photos are no views of one pinhole camera: then each keeps its own eight terms
            free = adjust_bundle(replace(bundle, right_angle_sigma=float("inf"), focal_sigma=0.0))
            result = free if _strain(free, bundle) < 0.5 * _strain(result, bundle) else result
        return result, members, rows, [p.name for p in used]
    except SolveError as error:
        raise GeometryError(
            f"the photos cannot be adjusted together: {error.problem}", error.remedy
        ) from error


def _strain(result: BundleResult, bundle: Bundle) -> float:
    """Usual residual of the ties, or of the control where that is worse, against the stated precision."""
    miss = np.hypot(*result.residual_px.T) / bundle.sigma_px
    surveyed = np.isfinite(bundle.wall_sigma[bundle.point])
    return max(float(np.median(miss[part])) for part in (surveyed, ~surveyed) if part.any())


def _worst_photo(result: BundleResult, members: Sequence[int], rows: TieRows) -> int | None:
    """The photo whose ties fit worst, when they do not fit at all."""
    if not rows.of_pair:
        return None
    each, of_tie = [], []
    for pair, at in rows.of_pair.items():
        each.append(np.hypot(*result.residual_px[at].T).reshape(2, -1).sum(axis=0))
        of_tie.append(np.tile(pair, (len(at) // 2, 1)))
    miss, shown = np.concatenate(each), np.concatenate(of_tie)
    medians = {
        p: float(np.median(miss[(shown == p).any(axis=1)])) for p in members if (shown == p).any()
    }
    usual = float(np.median(list(medians.values())))
    worst = max(medians, key=lambda p: medians[p])
    return worst if medians[worst] > max(MISFIT_PX, MISFIT_TIMES * usual) else None


def _misses(
    views: Sequence[WallView | None], points: Sequence[MosaicPoint], blunders: set[str]
) -> tuple[PointMiss, ...]:
    found = []
    for p in points:
        view = views[p.photo]
        if view is not None:
            du, dv = view.wall_from_pixel(*p.pixel_px) - np.array(p.wall_m)
            found.append(
                PointMiss(
                    point=p,
                    du_m=float(du),
                    dv_m=float(dv),
                    used=p.is_control and p.name not in blunders,
                )
            )
    return tuple(found)
