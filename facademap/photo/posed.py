"""A camera with a known place before the wall, and the surfaces it sees: set-back planes, reveals, round piers.

A surface turns its own flat coordinates into points of the main wall frame (u right, v up, w out), so
that one photo with one set of control feeds several surfaces.

References
----------
.. [1] R. Hartley, A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd ed. 2004, chapter 6: a finite projective camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from facademap.errors import GeometryError, InputError
from facademap.photo.camera import Camera
from facademap.photo.pose import CameraPose
from facademap.values import frozen_value

__all__ = ["CylinderSurface", "PlaneSurface", "PosedView", "fit_cylinder_view", "resect_camera"]

Floats = NDArray[np.floating[Any]]


class Surface(Protocol):
    """A developable piece of wall."""

    def points(self, u_m: Floats, v_m: Floats) -> tuple[Floats, Floats]:
        """Points (..., 3) and outward normals (..., 3) of flat coordinates."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneSurface:
    """A plane in the main wall frame: a set-back plane, a reveal, a return, a soffit.

    Parameters
    ----------
    origin_m : tuple of float
        Where its own (0, 0) lies.
    along, up : tuple of float
        Its axes, of unit length and at right angles.
    """

    origin_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    along: tuple[float, float, float] = (1.0, 0.0, 0.0)
    up: tuple[float, float, float] = (0.0, 1.0, 0.0)

    def __post_init__(self) -> None:
        a, b = np.array(self.along), np.array(self.up)
        if abs(a @ b) > 1e-6 or abs(a @ a - 1) > 1e-6 or abs(b @ b - 1) > 1e-6:
            raise GeometryError(
                "the axes of a plane are not at right angles and of unit length",
                "Give two perpendicular unit vectors.",
            )

    @classmethod
    def set_back(cls, depth_m: float) -> PlaneSurface:
        """The plane parallel to the wall, ``depth_m`` behind it (negative: before it); same u and v."""
        return cls(origin_m=(0.0, 0.0, -depth_m))

    @classmethod
    def reveal(cls, edge_u_m: float, *, faces_right: bool) -> PlaneSurface:
        """The reveal that runs into the wall at ``edge_u_m``; its u counts from left to right as one faces it.

        Parameters
        ----------
        edge_u_m : float
        faces_right : bool
            True for the left jamb of an opening (it faces right): as one faces it, right is into the wall,
            so u is 0 at the wall face and grows with depth. For a right jamb u runs out of the wall, and
            its depth has negative u.
        """
        return cls(origin_m=(edge_u_m, 0.0, 0.0), along=(0.0, 0.0, -1.0 if faces_right else 1.0))

    def points(self, u_m: Floats, v_m: Floats) -> tuple[Floats, Floats]:
        """Points and normals."""
        along, up = np.array(self.along), np.array(self.up)
        points = np.array(self.origin_m) + u_m[..., None] * along + v_m[..., None] * up
        return points, np.broadcast_to(np.cross(along, up), points.shape)


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderSurface:
    """A round pier, turret or apse, unrolled: u is the length of arc, v runs along the axis.

    Parameters
    ----------
    radius_m : float
    axis_u_m, axis_w_m : float
        Where the (upright) axis stands in the main wall frame; u = 0 on the side that faces out.
    concave : bool
        Seen from within (a niche or an apse's inner face).
    """

    radius_m: float
    axis_u_m: float = 0.0
    axis_w_m: float = 0.0
    concave: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.radius_m) and self.radius_m > 0):
            raise InputError(
                f"cylinder radius {self.radius_m} m is not positive", "Give the radius in metres."
            )

    def points(self, u_m: Floats, v_m: Floats) -> tuple[Floats, Floats]:
        """Points and normals; arcs beyond half the way round have no point."""
        angle = np.where(np.abs(u_m) <= math.pi * self.radius_m, u_m / self.radius_m, np.nan)
        side = -1.0 if self.concave else 1.0
        normal = np.stack([np.sin(angle), np.zeros_like(angle), side * np.cos(angle)], axis=-1)
        foot = np.stack(
            [
                np.full_like(angle, self.axis_u_m),
                v_m + 0 * angle,
                np.full_like(angle, self.axis_w_m),
            ],
            axis=-1,
        )
        return foot + self.radius_m * normal, side * normal


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PosedView:
    """A camera of known place that looks at one surface.

    Parameters
    ----------
    camera : Camera
    pose : CameraPose
    surface : PlaneSurface or CylinderSurface
    rmse_px : float
        Of the points that fixed the pose; NaN when it was taken over from another fit.
    residual_px : ndarray, shape (n, 2)
    aperture : tuple of float, optional
        u0, v0, u1, v1 of the opening in the main wall through which the surface is seen: places behind it are
        hidden where the line of sight meets the wall beside the opening.
    """

    camera: Camera
    pose: CameraPose
    surface: Surface
    rmse_px: float = math.nan
    residual_px: Floats | None = None
    aperture: tuple[float, float, float, float] | None = None

    def pixel_from_wall(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Pixels of places in the surface's own coordinates, shape (..., 2); NaN where it turns away."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        points, normals = self.surface.points(u, v)
        towards = self.pose.centre_m - points
        facing = np.sum(towards * normals, axis=-1) > 0.05 * np.linalg.norm(towards, axis=-1)
        seen = -towards @ self.pose.rotation.T
        with np.errstate(divide="ignore", invalid="ignore"):
            ray = np.where(
                (facing & (seen[..., 2] > 0) & self._unhidden(points))[..., None],
                seen[..., :2] / seen[..., 2:],
                np.nan,
            )
        return self.camera.pixel_from_ray(ray)

    def obliqueness_deg(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Angle between the line of sight and the surface's normal at places of the surface; NaN where it turns away."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        points, normals = self.surface.points(u, v)
        towards = self.pose.centre_m - points
        cosine = np.sum(towards * normals, axis=-1) / np.linalg.norm(towards, axis=-1)
        return np.where(cosine > 0, np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), np.nan)

    def _unhidden(self, points: Floats) -> NDArray[np.bool_]:
        """Whether the line of sight to each point passes the opening."""
        if self.aperture is None:
            return np.ones(points.shape[:-1], dtype=bool)
        u0, v0, u1, v1 = self.aperture
        share = points[..., 2:] / (points[..., 2:] - self.pose.centre_m[2])
        crossing = points + share * (self.pose.centre_m - points)
        loose = 1e-6
        through = (crossing[..., 0] >= u0 - loose) & (crossing[..., 0] <= u1 + loose)
        through &= (crossing[..., 1] >= v0 - loose) & (crossing[..., 1] <= v1 + loose)
        return np.asarray(through | (points[..., 2] >= 0))

    def residual_on_surface_m(self, wall_m: ArrayLike, pixel_px: ArrayLike) -> Floats:
        """Place seen at picked pixels minus place given, shape (n, 2), metres, to first order; NaN where hidden."""
        wall, picked = (np.asarray(a, dtype=float).reshape(-1, 2) for a in (wall_m, pixel_px))
        u, v = wall.T
        here = self.pixel_from_wall(u, v)
        step = 1e-4
        jacobian = np.stack(
            [
                (self.pixel_from_wall(u + step, v) - here) / step,
                (self.pixel_from_wall(u, v + step) - here) / step,
            ],
            axis=-1,
        )
        miss = picked - here
        result = np.full_like(miss, np.nan)
        good = np.isfinite(jacobian).all(axis=(1, 2))
        result[good] = np.linalg.solve(jacobian[good], miss[good][..., None])[..., 0]
        return result


def _rotation(vector: Floats) -> Floats:
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    a, b, c = vector / angle
    cross = np.array([[0, -c, b], [c, 0, -a], [-b, a, 0]])
    return np.asarray(np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross)


def resect_camera(
    points_m: ArrayLike, pixel_px: ArrayLike, camera: Camera
) -> tuple[CameraPose, Floats]:
    """Camera pose from points of known place, on any surface.

    Parameters
    ----------
    points_m : array_like, shape (n, 3)
        In the main wall frame; at least four.
    pixel_px : array_like, shape (n, 2)
    camera : Camera

    Returns
    -------
    pose : CameraPose
    residual_px : ndarray, shape (n, 2)
        Projected minus picked.

    Raises
    ------
    GeometryError
        Too few points, or no pose that sees them.
    """
    points, pixels = np.asarray(points_m, dtype=float), np.asarray(pixel_px, dtype=float)
    if len(points) < 4:
        raise GeometryError(
            f"{len(points)} points are too few to place a camera", "Give at least four points."
        )
    centre = points.mean(axis=0)
    size = float(np.ptp(points, axis=0).max())
    best = None
    for side in (-0.6, 0.0, 0.6):
        for rise in (-0.4, 0.0, 0.4):
            for away in (1.5, 4.0):
                direction = np.array([math.sin(side), math.sin(rise), math.cos(side)])
                place = centre + direction / np.linalg.norm(direction) * size * away
                found = _refine(points, pixels, camera, place, centre)
                if found is not None and (best is None or found[2] < best[2] * (1 - 1e-6)):
                    best = found
            if best is not None and best[2] < 1.0:
                break
    if best is None:
        raise GeometryError(
            "no camera place explains the points", "Check the points and the camera file."
        )
    pose, residual, _ = best
    return pose, residual


def _refine(
    points: Floats, pixels: Floats, camera: Camera, place: Floats, target: Floats
) -> tuple[CameraPose, Floats, float] | None:
    forward = (target - place) / np.linalg.norm(target - place)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    start = np.stack([right, np.cross(forward, right), forward])

    def miss(x: Floats) -> Floats:
        seen = (points - x[3:]) @ (_rotation(x[:3]) @ start).T
        depth = np.maximum(seen[:, 2], 1e-3)
        distorted, _ = camera._distorted_with_jacobian(seen[:, :2] / depth[:, None])
        pixel = distorted * np.array([camera.fx_px, camera.fy_px]) + np.array(
            [camera.cx_px, camera.cy_px]
        )
        return np.asarray(np.clip(pixel - pixels, -1e5, 1e5).ravel())

    answer = least_squares(
        miss, np.r_[np.zeros(3), place], x_scale="jac", method="trf", loss="soft_l1", max_nfev=80
    )
    answer = least_squares(miss, answer.x, x_scale="jac", method="lm", max_nfev=400)
    rotation = _rotation(answer.x[:3]) @ start
    if ((points - answer.x[3:]) @ rotation.T)[:, 2].min() <= 0:
        return None
    residual = miss(answer.x).reshape(-1, 2)
    pose = CameraPose(
        centre_m=answer.x[3:], rotation=rotation, focal_px=camera.fx_px, focal_is_known=True
    )
    return pose, residual, float(np.sqrt(np.mean(np.sum(residual**2, axis=1))))


def fit_cylinder_view(
    wall_m: ArrayLike, pixel_px: ArrayLike, camera: Camera, surface: CylinderSurface
) -> PosedView:
    """View of a round surface from points in unrolled coordinates.

    Parameters
    ----------
    wall_m : array_like, shape (n, 2)
        Arc and height.
    pixel_px : array_like, shape (n, 2)
    camera : Camera
        Must be known: a curved surface and a lens cannot be told apart from few points.
    surface : CylinderSurface

    Raises
    ------
    InputError
        A point lies beyond half the way round, or the points do not give a view.
    """
    wall = np.asarray(wall_m, dtype=float)
    points, _ = surface.points(wall[:, 0], wall[:, 1])
    if not np.isfinite(points).all():
        raise InputError(
            "a point lies beyond half the way round the cylinder",
            "Measure arcs from the side that faces the camera.",
        )
    pose, residual = resect_camera(points, pixel_px, camera)
    return PosedView(
        camera=camera,
        pose=pose,
        surface=surface,
        residual_px=residual,
        rmse_px=float(np.sqrt(np.mean(np.sum(residual**2, axis=1)))),
    )
