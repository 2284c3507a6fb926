"""Cameras round a wall: their common lens and their places from targets, and from the wall itself.

Targets alone leave a camera free by a few tenths of a millimetre at the wall, and a lens that is estimated from a
dozen of them bends the relief. So a second round sees the same small pieces of stone in all photos: their places are
unknowns that are worked out anew for every trial of the cameras, and never tied to the plane of the wall, so that
relief does not leak into the cameras.

References
----------
.. [1] B. Triggs et al., "Bundle adjustment, a modern synthesis", 2000 (points eliminated at every step).
.. [2] D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855-866.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from facademap.errors import GeometryError, InputError
from facademap.photo.camera import Camera
from facademap.relief.developed import axes_at, developed, straight
from facademap.values import frozen_value

__all__ = [
    "Station",
    "StationFit",
    "TargetPicks",
    "TiePicks",
    "depth_sigma_m",
    "fit_stations",
    "spread_of_sight",
]

Floats = NDArray[np.floating[Any]]

#: Fewest targets that place a photo.
FEWEST_TARGETS = 4
#: Factors on the first guess of the focal length.
_FOCAL_TRIALS = (0.6, 0.8, 1.0, 1.25, 1.6, 2.2, 3.2)
#: What is believed of a lens before the targets are looked at: principal point in widths, k1, k2 (common practice).
_PRIOR_CENTRE, _PRIOR_K1, _PRIOR_K2 = 0.02, 0.3, 0.3
#: A round surface is seen down to this share of the distance out of it.
_GRAZING = 0.05
#: A pick is named and left out when it misses by so many times the usual miss, and by so many pixels.
_BLUNDER_TIMES, _BLUNDER_PX = 6.0, 2.5


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A photo with its lens and its place before the wall.

    Parameters
    ----------
    camera : Camera
    rotation : ndarray, shape (3, 3)
        Wall axes (u right, v up, w out) to camera axes (x right, y down, z forward).
    centre_m : ndarray, shape (3,)
        In the wall frame; of a round surface the straight axes at arc 0 (`facademap.relief.developed`).
    radius_m : float, optional
        Of a round surface, negative when seen from within; places are then developed ones.
    """

    camera: Camera
    rotation: Floats
    centre_m: Floats
    radius_m: float | None = None

    def pixel_from_wall(self, uvw_m: ArrayLike) -> Floats:
        """Pixels of places in the wall frame; NaN behind the camera, beyond the lens, and where the surface turns away.

        Parameters
        ----------
        uvw_m : array_like, shape (..., 3)

        Returns
        -------
        ndarray, shape (..., 2)
        """
        place = straight(uvw_m, self.radius_m)
        if self.radius_m is not None:
            sight = self.sight_m(uvw_m)
            away = sight[..., 2] <= _GRAZING * np.linalg.norm(sight, axis=-1)
            place = np.where(away[..., None], np.nan, place)
        seen = (place - self.centre_m) @ self.rotation.T
        with np.errstate(divide="ignore", invalid="ignore"):
            ray = np.where(seen[..., 2:] > 0, seen[..., :2] / seen[..., 2:], np.nan)
        return self.camera.pixel_from_ray(ray)

    def sight_m(self, uvw_m: ArrayLike) -> Floats:
        """From places to the camera, along, up and out at the place; shape (..., 3).

        Parameters
        ----------
        uvw_m : array_like, shape (..., 3)
        """
        uvw = np.asarray(uvw_m, dtype=float)
        toward = self.centre_m - straight(uvw, self.radius_m)
        if self.radius_m is None:
            return np.asarray(toward)
        axes = axes_at(uvw[..., 0], self.radius_m)
        return np.asarray(np.einsum("...ij,...j->...i", axes, toward))

    def direction_from_pixel(self, pixel_px: ArrayLike) -> Floats:
        """Unit directions of pixels along the straight axes of the frame, shape (..., 3)."""
        ray = self.camera.ray_from_pixel(pixel_px)
        along = np.concatenate([ray, np.ones((*ray.shape[:-1], 1))], axis=-1) @ self.rotation
        return np.asarray(along / np.linalg.norm(along, axis=-1, keepdims=True))


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TargetPicks:
    """Targets picked in photos.

    Parameters
    ----------
    photo : ndarray of int, shape (n,)
        Number of the photo.
    names : tuple of str
    uvw_m : ndarray, shape (n, 3)
        Surveyed place.
    pixel_px : ndarray, shape (n, 2)
    sigma_px : float
        Precision of picking and survey together, at the picture.
    radius_m : float, optional
        Of a round surface, negative when seen from within; ``uvw_m`` is then developed.
    """

    photo: NDArray[np.intp]
    names: tuple[str, ...]
    uvw_m: Floats
    pixel_px: Floats
    sigma_px: float = 0.5
    radius_m: float | None = None

    @property
    def straight_m(self) -> Floats:
        """Places along the straight axes of the frame, shape (n, 3)."""
        return straight(self.uvw_m, self.radius_m)


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TiePicks:
    """The same pieces of stone in several photos.

    Parameters
    ----------
    photo, place : ndarray of int, shape (n,)
    pixel_px : ndarray, shape (n, 2)
    sigma_px : float
    out_m : ndarray, shape (places,), optional
        Surveyed depth of places at targets; NaN elsewhere.
    out_sigma_m : float
        How well a target's depth is that of the stone at it.
    radius_m : float, optional
        Of a round surface.
    """

    photo: NDArray[np.intp]
    place: NDArray[np.intp]
    pixel_px: Floats
    sigma_px: float = 0.15
    out_m: Floats | None = None
    out_sigma_m: float = 0.0004
    radius_m: float | None = None


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class StationFit:
    """Photos with their lens and places.

    Parameters
    ----------
    stations : tuple of Station
    residual_px : ndarray, shape (n, 2)
        Of the targets, projected minus picked.
    kept : ndarray of bool, shape (n,)
        Targets that were used.
    rmse_px : float
        Radial, of the targets that were used.
    tie_rmse_px : float
        Radial, of the ties; NaN without.
    """

    stations: tuple[Station, ...]
    residual_px: Floats
    kept: NDArray[np.bool_]
    rmse_px: float
    tie_rmse_px: float = math.nan


def fit_stations(
    targets: TargetPicks,
    camera: Camera,
    *,
    photos: int,
    estimate_lens: bool,
    ties: TiePicks | None = None,
    start: Sequence[Station] | None = None,
) -> StationFit:
    """One lens and the places of all photos, by least squares on the picked pixels; stations for straight places.

    Parameters
    ----------
    targets : TargetPicks
    camera : Camera
        Given, or the first guess.
    photos : int
        How many.
    estimate_lens : bool
        Whether focal length, principal point, k1 and k2 are unknowns too.
    ties : TiePicks, optional
        Pieces of stone seen in several photos.
    start : sequence of Station, optional
        From an earlier fit.

    Raises
    ------
    InputError
        A photo has too few targets.
    GeometryError
        No place of a camera explains the picks.
    """
    _check_enough(targets, photos)
    if start is None:
        start = _first_places(targets, camera, photos, estimate_lens)
    kept = np.ones(len(targets.photo), dtype=bool)
    # a wrong pick pulls its neighbours: the first fit lets it go, the second does without it
    stations = _adjusted(targets, kept, ties, tuple(start), estimate_lens, robust=True)
    kept = _without_blunders(targets, stations, photos)
    stations = _adjusted(targets, kept, ties, stations, estimate_lens)
    miss = _target_miss(targets, stations)
    size = np.hypot(*miss.T)
    tie_rmse = math.nan
    if ties is not None:
        tie_miss = _tie_miss(ties, stations, _tie_places(ties, stations))
        tie_rmse = float(np.sqrt(np.median(np.sum(tie_miss**2, axis=1)) / math.log(2)))
    return StationFit(
        stations=stations,
        residual_px=miss,
        kept=kept,
        rmse_px=float(np.sqrt(np.mean(size[kept] ** 2))),
        tie_rmse_px=tie_rmse,
    )


def _without_blunders(
    targets: TargetPicks, stations: Sequence[Station], photos: int
) -> NDArray[np.bool_]:
    """Which targets to use: all but those that miss by far, as long as enough are left in their photo."""
    size = np.hypot(*_target_miss(targets, stations).T)
    usual = 1.4826 * float(np.median(size)) / 1.1774
    wrong = size > max(_BLUNDER_PX, _BLUNDER_TIMES * usual)
    for photo in range(photos):
        here = targets.photo == photo
        if (here & ~wrong).sum() < FEWEST_TARGETS:
            wrong[here] = False
    return np.asarray(~wrong)


def spread_of_sight(stations: Sequence[Station], centre_m: ArrayLike) -> float:
    """Largest difference of the directions of sight at a place: base over distance, no unit.

    Parameters
    ----------
    stations : sequence of Station
    centre_m : array_like, shape (3,)
    """
    toward = np.array([s.sight_m(centre_m) for s in stations])
    slopes = toward[:, :2] / toward[:, 2:]
    return float(np.linalg.norm(slopes[:, None] - slopes[None], axis=-1).max())


def _check_enough(targets: TargetPicks, photos: int) -> None:
    for photo in range(photos):
        here = targets.photo == photo
        places = {n for n, yes in zip(targets.names, here, strict=True) if yes}
        if len(places) < FEWEST_TARGETS:
            raise InputError(
                f"photo {photo + 1} shows {len(places)} control points",
                f"Give at least {FEWEST_TARGETS} in every photo.",
            )


def _first_places(
    targets: TargetPicks, camera: Camera, photos: int, estimate_lens: bool
) -> tuple[Station, ...]:
    best: tuple[float, tuple[Station, ...]] | None = None
    for factor in _FOCAL_TRIALS if estimate_lens else (1.0,):
        trial = replace(camera, fx_px=camera.fx_px * factor, fy_px=camera.fy_px * factor)
        try:
            found = tuple(_placed(targets, trial, k) for k in range(photos))
        except GeometryError:
            continue
        miss = _target_miss(targets, found)
        cost = float(np.median(np.sum(miss**2, axis=1)))
        if best is None or cost < best[0]:
            best = cost, found
    if best is None:
        raise GeometryError(
            "no place of the cameras explains the control points",
            "Check that pixels and names belong together, and the camera file.",
        )
    return best[1]


def _placed(targets: TargetPicks, camera: Camera, photo: int) -> Station:
    here = targets.photo == photo
    points, rays = targets.straight_m[here], camera.ray_from_pixel(targets.pixel_px[here])
    good = np.isfinite(rays).all(axis=1)
    if good.sum() >= FEWEST_TARGETS:
        found, turn, move = cv2.solvePnP(
            points[good], rays[good], np.eye(3), None, flags=cv2.SOLVEPNP_SQPNP
        )
        if found:
            rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=float)
            centre = np.asarray(-rotation.T @ move[:, 0], dtype=float)
            station = Station(camera=camera, rotation=rotation, centre_m=centre)
            before = replace(station, radius_m=targets.radius_m).sight_m(targets.uvw_m[here])
            if before[:, 2].min() > 0 and ((points - centre) @ rotation.T)[:, 2].min() > 0:
                return station
    raise GeometryError(
        f"no place of a camera explains the control points of photo {photo + 1}",
        "Check that pixels and names belong together, and the camera file.",
    )


def _target_miss(targets: TargetPicks, stations: Sequence[Station]) -> Floats:
    miss = np.empty((len(targets.photo), 2))
    for k, station in enumerate(stations):
        here = targets.photo == k
        miss[here] = station.pixel_from_wall(targets.straight_m[here]) - targets.pixel_px[here]
    return np.nan_to_num(miss, nan=1e4)


def _tie_places(ties: TiePicks, stations: Sequence[Station]) -> Floats:
    """Places nearest to the sight lines of all photos that show them, shape (places, 3)."""
    count = int(ties.place.max()) + 1
    normal, right = np.zeros((count, 3, 3)), np.zeros((count, 3))
    for k, station in enumerate(stations):
        here = ties.photo == k
        d = station.direction_from_pixel(ties.pixel_px[here])
        across = np.eye(3) - d[:, :, None] * d[:, None, :]
        np.add.at(normal, ties.place[here], across)
        np.add.at(right, ties.place[here], across @ station.centre_m)
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])


def _tie_miss(ties: TiePicks, stations: Sequence[Station], places: Floats) -> Floats:
    miss = np.empty((len(ties.photo), 2))
    for k, station in enumerate(stations):
        here = ties.photo == k
        miss[here] = station.pixel_from_wall(places[ties.place[here]]) - ties.pixel_px[here]
    return np.nan_to_num(miss, nan=1e4)


def _depth_miss(ties: TiePicks, places: Floats) -> Floats:
    """Depth of the stone at targets minus their surveyed depth, over its precision; a target that stands off counts less."""
    if ties.out_m is None:
        return np.empty(0)
    known = np.isfinite(ties.out_m)
    miss = developed(places[known], ties.radius_m)[:, 2] - ties.out_m[known]
    return _robust(miss[:, None] / ties.out_sigma_m).ravel()


def _with_unknowns(stations: Sequence[Station], x: Floats, estimate_lens: bool) -> list[Station]:
    """Stations moved by small turns, moves and lens terms."""
    lens = x[6 * len(stations) :]
    out = []
    for k, station in enumerate(stations):
        turn, move = x[6 * k : 6 * k + 3], x[6 * k + 3 : 6 * k + 6]
        camera = station.camera
        if estimate_lens:
            factor = math.exp(lens[0])
            camera = replace(
                camera,
                fx_px=camera.fx_px * factor,
                fy_px=camera.fy_px * factor,
                cx_px=camera.cx_px + lens[1] * camera.width_px,
                cy_px=camera.cy_px + lens[2] * camera.width_px,
                k1=camera.k1 + lens[3],
                k2=camera.k2 + lens[4],
            )
        out.append(
            Station(
                camera=camera,
                rotation=np.asarray(
                    cv2.Rodrigues(np.asarray(turn))[0] @ station.rotation, dtype=float
                ),
                centre_m=station.centre_m + move,
            )
        )
    return out


def _adjusted(
    targets: TargetPicks,
    kept: NDArray[np.bool_],
    ties: TiePicks | None,
    stations: Sequence[Station],
    estimate_lens: bool,
    *,
    robust: bool = False,
) -> tuple[Station, ...]:
    miss = _misses(targets, kept, ties, stations, estimate_lens, robust=robust)
    scale = np.r_[
        np.full(6 * len(stations), 1e-3), [1e-3, 1e-3, 1e-3, 1e-2, 1e-2] if estimate_lens else []
    ]
    answer = least_squares(
        miss,
        np.zeros(len(scale)),
        x_scale=scale,
        method="trf",
        diff_step=1e-6,
        # the sum of squares is some hundreds: a share of a millionth moves no camera
        ftol=1e-6,
        max_nfev=40,
    )
    return tuple(_with_unknowns(stations, answer.x, estimate_lens))


def depth_sigma_m(
    targets: TargetPicks,
    fit: StationFit,
    places_m: ArrayLike,
    *,
    estimate_lens: bool,
    ties: TiePicks | None = None,
) -> Floats:
    """How far the cameras leave the depth of places in doubt, as one standard deviation.

    Parameters
    ----------
    targets : TargetPicks
    fit : StationFit
    places_m : array_like, shape (n, 3)
    estimate_lens : bool
    ties : TiePicks, optional

    Returns
    -------
    ndarray, shape (n,)
        Metres along w. The doubt of the surveyed places themselves is not in it.
    """
    stations, radius_m = fit.stations, targets.radius_m
    used = 2 * int(fit.kept.sum())
    count = 6 * len(stations) + (5 if estimate_lens else 0)
    if used > count:
        # the stated precision is scaled by what the targets themselves show, though never to a fifth of it
        shown = max(fit.rmse_px / math.sqrt(2), 0.2 * targets.sigma_px)
        targets = replace(targets, sigma_px=shown)
    miss = _misses(targets, fit.kept, ties, stations, estimate_lens)
    places = straight(np.asarray(places_m, dtype=float).reshape(-1, 3), radius_m)
    pixels = [s.pixel_from_wall(places) for s in stations]
    seen = TiePicks(
        photo=np.repeat(np.arange(len(stations)), len(places)),
        place=np.tile(np.arange(len(places)), len(stations)),
        pixel_px=np.concatenate(pixels),
    )
    at, step = miss(np.zeros(count)), 1e-5
    jacobian, depth = np.empty((len(at), count)), np.empty((len(places), count))
    for k in range(count):
        x = np.zeros(count)
        x[k] = step
        jacobian[:, k] = (miss(x) - miss(-x)) / (2 * step)
        up, down = (
            developed(
                _tie_places(seen, _with_unknowns(stations, sign * x, estimate_lens)), radius_m
            )[:, 2]
            for sign in (1, -1)
        )
        depth[:, k] = (up - down) / (2 * step)
    column = np.linalg.norm(jacobian, axis=0)
    covariance = np.linalg.pinv((jacobian / column).T @ (jacobian / column), hermitian=True)
    depth = depth / column
    spread = np.einsum("nk,kl,nl->n", depth, covariance, depth)
    return np.asarray(np.sqrt(np.maximum(spread, 0.0)))


def _misses(
    targets: TargetPicks,
    kept: NDArray[np.bool_],
    ties: TiePicks | None,
    stations: Sequence[Station],
    estimate_lens: bool,
    *,
    robust: bool = False,
) -> Callable[[Floats], Floats]:
    """Misses of targets, ties and of what is believed of the lens, over their precision."""

    def miss(x: Floats) -> Floats:
        moved = _with_unknowns(stations, x, estimate_lens)
        aim = _target_miss(targets, moved)[kept] / targets.sigma_px
        parts = [(_robust(aim) if robust else aim).ravel()]
        if ties is not None:
            places = _tie_places(ties, moved)
            parts.append(_robust(_tie_miss(ties, moved, places) / ties.sigma_px).ravel())
            parts.append(_depth_miss(ties, places))
        if estimate_lens:
            camera = moved[0].camera
            parts.append(
                np.array(
                    [
                        (camera.cx_px - (camera.width_px - 1) / 2)
                        / (_PRIOR_CENTRE * camera.width_px),
                        (camera.cy_px - (camera.height_px - 1) / 2)
                        / (_PRIOR_CENTRE * camera.width_px),
                        camera.k1 / _PRIOR_K1,
                        camera.k2 / _PRIOR_K2,
                    ]
                )
            )
        return np.concatenate(parts)

    return miss


def _robust(miss: Floats) -> Floats:
    """Misses whose square grows no longer beyond a few standard deviations (Cauchy), direction kept."""
    size = np.linalg.norm(miss, axis=-1, keepdims=True) / 2.0
    with np.errstate(invalid="ignore"):
        factor = np.where(size > 1e-9, np.sqrt(np.log1p(size**2)) / np.maximum(size, 1e-9), 1.0)
    return np.asarray(miss * factor)
