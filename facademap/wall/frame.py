"""A wall frame in the world: origin, along, up and out, as one rigid motion with its quality."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError, InputError
from facademap.values import frozen_value
from facademap.wall.plane_fit import (
    FLOOR_M2,
    OFF_PLANE_M,
    FittedPlane,
    common_variance,
    fit_plane,
    stated_sigmas,
)

__all__ = ["WorldPlacement", "fit_surface", "fit_world_placement"]

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

#: Four points this far from a plane are doubted as a whole (common practice).
UNEVEN_FOUR_M = 0.010
#: Distance between scale one and the scale that the points ask for, above which a flag is raised.
SCALE_TOLERANCE = 0.001
#: Points in a strip narrower than this share of its length hardly tell how the wall turns about it; a flag is raised (common practice).
NARROW = 0.1


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class WorldPlacement:
    """Where a wall frame stands in a projected coordinate system with heights.

    Parameters
    ----------
    matrix : ndarray, shape (3, 4)
        Wall (u, v, w) in metres to (E, N, H): ``matrix[:, :3] @ uvw + matrix[:, 3]``.
    epsg : int or None
        Code of the projected system.
    names : tuple of str
    residual_m : ndarray, shape (n, 3)
        Along, up, out: place surveyed minus place fitted, in the wall frame; NaN in u and v where a
        point fixes only the plane.
    out_of_plane_m : ndarray, shape (n,)
        Positive: the point stands out of the wall plane.
    used : ndarray of bool, shape (n,)
    rmse_m : float
        Of the used points.
    flags : tuple of str
        Points left out and other limits, in sentences.
    """

    matrix: Floats
    epsg: int | None = None
    names: tuple[str, ...] = ()
    residual_m: Floats
    out_of_plane_m: Floats
    used: Flags
    rmse_m: float
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        rotation = self.matrix[:, :3]
        if self.matrix.shape != (3, 4) or not np.isfinite(self.matrix).all():
            raise InputError(
                "a world placement is not a finite 3 x 4 matrix", "Fit the placement again."
            )
        if (
            not np.allclose(rotation.T @ rotation, np.eye(3), atol=1e-6)
            or np.linalg.det(rotation) < 0
        ):
            raise InputError("a world placement is not a rigid motion", "Fit the placement again.")

    def world_from_wall(self, uvw_m: ArrayLike) -> Floats:
        """E, N, H of places in the wall frame, shape (..., 3); two coordinates mean w = 0."""
        uvw = np.asarray(uvw_m, dtype=float)
        if uvw.shape[-1] == 2:
            uvw = np.concatenate([uvw, np.zeros_like(uvw[..., :1])], axis=-1)
        return np.asarray(uvw @ self.matrix[:, :3].T + self.matrix[:, 3])

    def wall_from_world(self, enh_m: ArrayLike) -> Floats:
        """u, v, w of points of the world, shape (..., 3)."""
        return np.asarray((np.asarray(enh_m, dtype=float) - self.matrix[:, 3]) @ self.matrix[:, :3])

    @property
    def lean_deg(self) -> float:
        """Angle between the wall's up axis and the vertical (a battered or leaning wall)."""
        return math.degrees(math.acos(min(1.0, abs(float(self.matrix[2, 1])))))

    @property
    def facing_deg(self) -> float:
        """Azimuth of the outward normal, clockwise from grid north."""
        return math.degrees(math.atan2(self.matrix[0, 2], self.matrix[1, 2])) % 360.0

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "epsg": self.epsg,
            "matrix": self.matrix.tolist(),
            "names": list(self.names),
            "residual_m": [
                [None if math.isnan(x) else x for x in row] for row in self.residual_m.tolist()
            ],
            "out_of_plane_m": self.out_of_plane_m.tolist(),
            "used": self.used.tolist(),
            "rmse_m": self.rmse_m,
            "flags": list(self.flags),
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> WorldPlacement:
        """Inverse of `to_dict`.

        Raises
        ------
        InputError
            What is stored cannot be read.
        """
        try:
            residual = [
                [math.nan if x is None else float(x) for x in row] for row in values["residual_m"]
            ]
            return cls(
                matrix=np.array(values["matrix"], dtype=float),
                epsg=values.get("epsg"),
                names=tuple(values["names"]),
                residual_m=np.array(residual, dtype=float).reshape(-1, 3),
                out_of_plane_m=np.array(values["out_of_plane_m"], dtype=float),
                used=np.array(values["used"], dtype=bool),
                rmse_m=float(values["rmse_m"]),
                flags=tuple(values.get("flags", ())),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(
                f"a stored world placement cannot be read ({error})", "Fit the placement again."
            ) from None


def _checked(
    points: ArrayLike, names: Sequence[str] | None, least: int
) -> tuple[Floats, tuple[str, ...]]:
    p = np.asarray(points, dtype=float)
    if p.ndim != 2 or p.shape[1] != 3:
        raise InputError(
            f"survey points of shape {p.shape} are not rows of E, N, H",
            "Give three coordinates a point.",
        )
    labels = tuple(names) if names is not None else tuple(str(i + 1) for i in range(len(p)))
    if len(labels) != len(p):
        raise InputError(
            f"{len(labels)} names for {len(p)} survey points", "Give one name a point."
        )
    bad = [labels[i] for i in range(len(p)) if not np.isfinite(p[i]).all()]
    if bad:
        raise InputError(
            f"survey point {bad[0]} holds a value that is not a finite number", "Correct its row."
        )
    if len(set(labels)) < len(labels):
        double = next(name for name in labels if labels.count(name) > 1)
        raise InputError(f"survey point {double} is given twice", "Give every point its own name.")
    if len(p) < least:
        raise GeometryError(
            f"{len(p)} survey points are too few, {least} are needed",
            "Survey more points, spread over the wall.",
        )
    return p, labels


def fit_surface(
    points_enh: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    outside_enh: ArrayLike,
    origin_enh: ArrayLike | None = None,
    epsg: int | None = None,
    upright: bool = False,
    sigma_m: ArrayLike | None = None,
) -> WorldPlacement:
    """Derive a plane wall frame from surveyed points alone.

    Parameters
    ----------
    points_enh : array_like, shape (n, 3)
        E, N, H (or any right-handed local x, y, z with z up), at least three.
    names : sequence of str, optional
    outside_enh : array_like, shape (3,)
        Any place before the wall, such as the total station: points alone do not tell which way is out.
    origin_enh : array_like, shape (3,), optional
        Point whose foot on the plane is the frame's origin; default: left and bottom of the points.
    epsg : int, optional
    upright : bool
        Force the plane to be vertical (points all near one height cannot tell a lean).
    sigma_m : array_like, shape (n,), optional
        Stated one-sigma precision; NaN where a point states none.

    Returns
    -------
    WorldPlacement
        ``up`` is the steepest direction in the plane, ``along`` is level.

    Raises
    ------
    InputError, GeometryError
        Unusable points, points on one line, or a plane that lies flat.
    """
    points, labels = _checked(points_enh, names, 3)
    shift = points[np.lexsort(points.T)].mean(axis=0)  # the same sum for every order of rows
    local = points - shift
    plane = _plane(local, stated_sigmas(sigma_m, len(labels)), upright)
    centre, normal, used = plane.centre, plane.normal, plane.used
    horizontal = math.hypot(normal[0], normal[1])
    if horizontal < 0.1:
        raise GeometryError(
            "the surveyed plane lies almost flat, so it has no level direction along the wall",
            "Give points of a wall; a soffit or a floor needs its axes from a neighbouring wall.",
        )
    along = np.array([-normal[1], normal[0], 0.0]) / horizontal
    outside = np.asarray(outside_enh, dtype=float) - shift
    if (outside - centre) @ normal < 0:
        normal, along = -normal, -along
    up = np.cross(normal, along)
    axes = np.stack([along, up, normal], axis=1)
    places = (local - centre) @ axes
    if origin_enh is not None:
        foot = (np.asarray(origin_enh, dtype=float) - shift - centre) @ axes
        corner = np.array([foot[0], foot[1], 0.0])
    else:
        corner = np.array([places[used, 0].min(), places[used, 1].min(), 0.0])
    origin = centre + axes @ corner + shift
    out = places[:, 2]
    residual = np.full((len(points), 3), np.nan)
    residual[:, 2] = out
    return WorldPlacement(
        matrix=np.c_[axes, origin],
        epsg=epsg,
        names=labels,
        residual_m=residual,
        out_of_plane_m=out,
        used=used,
        rmse_m=float(np.sqrt(np.mean(out[used] ** 2))),
        flags=(*_off_plane(labels, out, used), *_uneven(out, used)),
    )


def _plane(local: Floats, sigma_m: Floats, upright: bool) -> FittedPlane:
    plane = fit_plane(local, sigma_m, upright=upright)
    if not upright and plane.spread < 0.01:
        raise GeometryError(
            "the survey points that agree lie on one line, so they do not fix a plane",
            "Survey points at other heights too, or ask for an upright wall.",
        )
    return plane


def _off_plane(names: tuple[str, ...], out_m: Floats, used: Flags) -> tuple[str, ...]:
    return tuple(
        f"point {name} lies {abs(out) * 1000:.0f} mm {'before' if out > 0 else 'behind'} the wall plane and was "
        "left out: check whether it is on this surface"
        for name, out, ok in zip(names, out_m, used, strict=True)
        if not ok
    )


def _uneven(out_m: Floats, used: Flags) -> tuple[str, ...]:
    """Four points of which one is off: nobody can tell which."""
    worst = float(np.abs(out_m[used]).max())
    if used.sum() != 4 or worst < UNEVEN_FOUR_M:
        return ()
    return (
        f"the four points lie up to {worst * 1000:.0f} mm off a plane, and which of them is wrong cannot be told: "
        "survey a fifth",
    )


def fit_world_placement(
    wall_m: ArrayLike,
    points_enh: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    epsg: int | None = None,
    sigma_m: ArrayLike | None = None,
) -> WorldPlacement:
    """Place an existing wall frame in the world from points known in both.

    Parameters
    ----------
    wall_m : array_like, shape (n, 2) or (n, 3)
        u, v (w = 0) or u, v, w.
    points_enh : array_like, shape (n, 3)
    names : sequence of str, optional
    epsg : int, optional
    sigma_m : array_like, shape (n,), optional
        Stated one-sigma precision, per axis; NaN where a point states none.

    Returns
    -------
    WorldPlacement
        Rigid motion of least squares; points that contradict the others are set aside and named.

    Raises
    ------
    InputError, GeometryError

    Notes
    -----
    The scale is one, since both systems are in metres; a projected system's scale factor (usually
    within 1 mm in 2.5 m) shows as a flag when it matters.

    References
    ----------
    .. [1] W. Kabsch, "A solution for the best rotation to relate two sets of vectors", Acta Cryst. A32
       (1976) 922.
    """
    points, labels = _checked(points_enh, names, 3)
    wall = np.asarray(wall_m, dtype=float)
    if wall.shape[0] != len(points) or wall.ndim != 2 or wall.shape[1] not in (2, 3):
        raise InputError(
            f"wall places of shape {wall.shape} do not go with {len(points)} survey points",
            "Give u, v (and w) for every point.",
        )
    if not np.isfinite(wall).all():
        raise InputError("a wall place is not a finite number", "Correct its row.")
    if wall.shape[1] == 2:
        wall = np.c_[wall, np.zeros(len(wall))]
    sigma = stated_sigmas(sigma_m, len(labels))
    # sums are then the same for every order of rows
    order = np.lexsort((*points.T, *wall.T, sigma))
    rotation, shift, kept = _agreeing(wall[order], points[order], sigma[order])
    used = np.empty(len(points), dtype=bool)
    used[order] = kept
    residual = (points - shift) @ rotation - wall
    length = np.linalg.norm(residual, axis=1)
    flags = [
        f"point {labels[i]} misses its place by {length[i] * 1000:.0f} mm and was left out: check its name and "
        "coordinates"
        for i in np.flatnonzero(~used)
    ]
    ratio = float(
        np.linalg.norm(points[used] - points[used].mean(axis=0))
        / np.linalg.norm(wall[used] - wall[used].mean(axis=0))
    )
    if abs(ratio - 1) > SCALE_TOLERANCE:
        flags.append(
            f"the survey is {ratio:.4f} times the size of the wall coordinates: check units and grid scale"
        )
    extents = np.linalg.svd(wall[used] - wall[used].mean(axis=0), compute_uv=False)
    if extents[1] < NARROW * extents[0]:
        flags.append(
            "the points known in both systems lie in a narrow strip, so that its turn about itself is hardly known: "
            "add points far off it"
        )
    return WorldPlacement(
        matrix=np.c_[rotation, shift],
        epsg=epsg,
        names=labels,
        residual_m=residual,
        out_of_plane_m=residual[:, 2] + wall[:, 2],
        used=used,
        rmse_m=float(np.sqrt(np.mean(np.sum(residual[used] ** 2, axis=1)))),
        flags=tuple(flags),
    )


def _agreeing(wall: Floats, points: Floats, sigma_m: Floats) -> tuple[Floats, Floats, Flags]:
    """Rigid motion by the points that agree: each is judged against what the others say of its size."""
    used = np.ones(len(points), dtype=bool)
    while True:
        rotation, shift, spread, variance = _weighted_rigid(wall, points, sigma_m, used)
        if spread < 0.01:
            raise GeometryError(
                "the points known in both systems lie on one line", "Add points off that line."
            )
        length = np.linalg.norm((points - shift) @ rotation - wall, axis=1)
        expected = np.sqrt(sigma_m**2 + variance + OFF_PLANE_M**2)
        worst = int(np.argmax(np.where(used, length / expected, -1.0)))
        others = used.copy()
        others[worst] = False
        if others.sum() < 4:
            return rotation, shift, used
        trial, there, trial_spread, _ = _weighted_rigid(wall, points, sigma_m, others)
        misses = np.linalg.norm((points - there) @ trial - wall, axis=1)
        typical = float(np.sqrt(np.mean(misses[others] ** 2)))
        allowed = max(2 * OFF_PLANE_M, math.hypot(5.0 * typical, 5.0 * float(sigma_m[worst])))
        if trial_spread < 0.01 or misses[worst] <= allowed:
            return rotation, shift, used
        used = others


def _weighted_rigid(
    wall: Floats, points: Floats, sigma_m: Floats, used: Flags
) -> tuple[Floats, Floats, float, float]:
    """Rotation, shift, spread and the variance common to all used points beside what they state."""
    a, b, s = wall[used], points[used], sigma_m[used]
    variance = 0.0
    for _ in range(30):
        rotation, shift, spread = _rigid(a, b, 1.0 / (s**2 + variance + FLOOR_M2))
        before = variance
        misses = ((b - shift) @ rotation - a).ravel()
        variance = common_variance(misses, np.repeat(s, 3), 3 * len(a) - 6)
        if abs(variance - before) <= 1e-3 * variance + 1e-12:
            break
    return rotation, shift, spread, variance


def _rigid(source: Floats, target: Floats, weight: Floats) -> tuple[Floats, Floats, float]:
    weight = weight / weight.sum()
    a, b = weight @ source, weight @ target
    u, values, vt = np.linalg.svd((weight[:, None] * (target - b)).T @ (source - a))
    sign = np.diag([1.0, 1.0, float(np.sign(np.linalg.det(u @ vt)))])
    rotation = u @ sign @ vt
    # the values are squares of extents
    spread = math.sqrt(float(values[1] / values[0])) if values[0] else 0.0
    return rotation, b - rotation @ a, spread
