"""The wall in a point cloud: a plane or a cylinder fitted against scaffold, ground and people."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError
from facademap.values import frozen_value

__all__ = ["CloudPlane", "fit_cloud_plane", "frame_of_plane", "places_in_frame"]

Floats = NDArray[np.floating[Any]]

#: Points so near a trial plane vote for it: rough masonry and the noise of a scanner (common practice).
VOTE_M = 0.03
_TRIALS = 400
_TRIAL_POINTS = 4_000
#: A wall leans less than this; ground and ceilings have more points than many a wall.
MOST_LEAN_DEG = 30.0
#: Share of the points that must lie on the wall.
LEAST_SHARE = 0.1
#: A residual is left out from so many standard deviations, but never below the roughness of stone.
_SIGMAS, _LEAST_M = 3.0, 0.005


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class CloudPlane:
    """A plane of best fit.

    Parameters
    ----------
    centre, normal : ndarray, shape (3,)
    sigma_m : float
        Robust standard deviation of the points about it: roughness of the wall and noise together.
    share : float
        Of the points, those that lie on it.
    """

    centre: Floats
    normal: Floats
    sigma_m: float
    share: float


def fit_cloud_plane(
    points_m: Floats, *, rng: np.random.Generator, near: tuple[Floats, Floats] | None = None
) -> CloudPlane:
    """The upright plane with the most points, then least squares of those that agree.

    Parameters
    ----------
    points_m : ndarray, shape (n, 3)
        A sample of the cloud, z up.
    rng : numpy.random.Generator
    near : (centre, normal), optional
        A plane that is known; without it the largest upright one is looked for.

    Raises
    ------
    GeometryError
        No upright plane with a tenth of the points.

    References
    ----------
    .. [1] M. Fischler and R. Bolles, "Random sample consensus", Comm. ACM 24 (1981) 381.
    """
    if len(points_m) < 100:
        raise GeometryError(
            f"{len(points_m)} points are too few for a wall", "Give a denser cloud."
        )
    middle = points_m.mean(axis=0)
    local = points_m - middle
    if near is None:
        centre, normal = _most_votes(local, rng)
    else:
        centre, normal = near[0] - middle, near[1]
    used = np.abs((local - centre) @ normal) < 2 * VOTE_M
    for _ in range(15):
        if used.sum() < 50:
            break
        centre = local[used].mean(axis=0)
        normal = np.linalg.svd(local[used] - centre, full_matrices=False)[2][-1]
        distance = (local - centre) @ normal
        sigma = 1.4826 * float(np.median(np.abs(distance[used])))
        new = np.abs(distance) < max(_LEAST_M, _SIGMAS * sigma)
        if (new == used).all():
            break
        used = new
    share = float(used.mean())
    if used.sum() < 50 or share < (LEAST_SHARE if near is None else 0.0):
        raise GeometryError(
            f"no upright plane holds more than {share * 100:.0f} % of the cloud",
            "Cut the wall out of the cloud, or give its frame with --points.",
        )
    distance = ((local - centre) @ normal)[used]
    return CloudPlane(
        centre=centre + middle,
        normal=normal,
        sigma_m=1.4826 * float(np.median(np.abs(distance))),
        share=share,
    )


def _most_votes(local: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    few = local[rng.choice(len(local), min(_TRIAL_POINTS, len(local)), replace=False)]
    best, found = -1, None
    lean = math.sin(math.radians(MOST_LEAN_DEG))
    for _ in range(_TRIALS):
        a, b, c = few[rng.choice(len(few), 3, replace=False)]
        normal = np.cross(b - a, c - a)
        length = float(np.linalg.norm(normal))
        if length < 1e-6 or abs(normal[2]) > lean * length:
            continue
        normal = normal / length
        votes = int((np.abs((few - a) @ normal) < VOTE_M).sum())
        if votes > best:
            best, found = votes, (a, normal)
    if found is None:
        raise GeometryError(
            "no upright plane was found in the cloud", "Check that its third coordinate is height."
        )
    return found


def frame_of_plane(plane: CloudPlane, points_m: Floats, *, outside_m: Floats) -> Floats:
    """Wall frame of a plane: u level to the right seen from outside, v up, w out; shape (3, 4).

    The origin is the lower left corner of the points on the wall (one in a thousand may lie beyond).
    """
    normal = plane.normal
    if (outside_m - plane.centre) @ normal < 0:
        normal = -normal
    along = np.array([-normal[1], normal[0], 0.0])
    along /= np.linalg.norm(along)
    up = np.cross(normal, along)
    axes = np.stack([along, up, normal], axis=1)
    places = (points_m - plane.centre) @ axes
    on_wall = places[np.abs(places[:, 2]) < max(0.1, 5 * plane.sigma_m)]
    corner = np.array([*np.quantile(on_wall[:, :2], 0.001, axis=0), 0.0])
    return np.asarray(np.c_[axes, plane.centre + axes @ corner])


def places_in_frame(points_m: Floats, matrix: Floats, *, radius_m: float | None) -> Floats:
    """u, v, w of points: in a plane, or unrolled from a cylinder whose u = 0 lies at the origin.

    Parameters
    ----------
    points_m : ndarray, shape (n, 3)
    matrix : ndarray, shape (3, 4)
        Wall to world.
    radius_m : float, optional
        Of a cylinder, negative when seen from inside.
    """
    local = (points_m - matrix[:, 3]) @ matrix[:, :3]
    if radius_m is None:
        return np.asarray(local)
    inside = radius_m < 0
    r = abs(radius_m)
    # the axis stands a radius behind the surface, or before it when seen from inside
    depth = r - local[:, 2] if inside else r + local[:, 2]
    distance = np.hypot(local[:, 0], depth)
    out = r - distance if inside else distance - r
    return np.stack([r * np.arctan2(local[:, 0], depth), local[:, 1], out], axis=1)
