"""Size and area of a face from its outline in a photo, each with its uncertainty at 95 %."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError, InputError
from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoint, ControlPoints
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.values import frozen_value

__all__ = [
    "FaceScale",
    "FaceSize",
    "OneLengthScale",
    "PlaneScale",
    "check_outline",
    "fit_face_plane",
    "measure_outline",
    "scale_from_length",
    "scale_from_two_lengths",
]

Floats = NDArray[np.floating[Any]]

#: One-sigma uncertainty of where an edge lies, in pixels and in metres of arris (common practice: an
#: arris of a salvaged stone is no line).
EDGE_SIGMA_PX = 0.8
EDGE_SIGMA_M = 0.0004
#: One-sigma precision of a length taken with a tape between control points, per axis (common practice).
TAPE_SIGMA_M = 0.0005
#: Relative one-sigma error of a picture that is only said to be taken square on: a tilt of 5 degrees
#: shortens one direction by 0.4 % and lets the scale run across the face (common practice).
SQUARE_ON_SIGMA = 0.006
#: Where the box along the axes is at most this much larger than the smallest box, the axes are the bed.
_BOX_EXCESS = 0.015
LEAST_SIZE_M, MOST_SIZE_M = 0.02, 6.0
#: Two scales of one picture may differ by this share before they contradict each other.
SCALE_AGREEMENT = 0.02


class FaceScale(Protocol):
    """What turns pixels into metres of the face (x right, y up)."""

    def metres(self, pixel: ArrayLike) -> Floats:
        """Places on the face of pixels, shape (n, 2)."""
        ...

    def covariance(self, places_m: Floats) -> Floats:
        """Joint covariance of places by the scale alone, shape (2 n, 2 n), square metres."""
        ...

    def metres_per_px(self, places_m: Floats) -> float:
        """Typical size of a pixel on the face."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneScale:
    """A scale by control points in the plane of the face."""

    view: PlaneView

    def metres(self, pixel: ArrayLike) -> Floats:
        xy = np.asarray(pixel, dtype=float)
        return self.view.wall_from_pixel(xy[..., 0], xy[..., 1])

    @property
    def marks_px(self) -> Floats:
        """Where the control points lie in the picture."""
        return np.asarray(self.view.points.pixel_px, dtype=float)

    @property
    def vanishing_px(self) -> Floats:
        """Where lines square to the face meet in the picture (without the bend of the lens)."""
        normal = np.cross(self.view.homography[:, 0], self.view.homography[:, 1])
        depth = (
            normal[2]
            if abs(normal[2]) > 1e-6 * np.linalg.norm(normal)
            else 1e-6 * np.linalg.norm(normal)
        )
        at = self.view.camera.matrix @ (normal / depth)
        return np.asarray(at[:2])

    def covariance(self, places_m: Floats) -> Floats:
        return self.view.joint_covariance_m2(places_m, pick_px=0.0)

    def metres_per_px(self, places_m: Floats) -> float:
        return float(np.median(self.view.sample_distance_m(places_m[:, 0], places_m[:, 1])))


@dataclass(frozen=True, slots=True, kw_only=True)
class OneLengthScale:
    """One scale for the whole picture, which must have been taken square on.

    Parameters
    ----------
    m_per_px : float
    relative_sigma : float
        One-sigma relative uncertainty of the scale.
    stretch : float
        Scale along y over scale along x.
    """

    m_per_px: float
    relative_sigma: float
    stretch: float = 1.0

    def metres(self, pixel: ArrayLike) -> Floats:
        return np.asarray(pixel, dtype=float) * [self.m_per_px, -self.m_per_px * self.stretch]

    def covariance(self, places_m: Floats) -> Floats:
        centred = (places_m - places_m.mean(axis=0)) * self.relative_sigma
        along_x, along_y = np.zeros(2 * len(centred)), np.zeros(2 * len(centred))
        along_x[0::2], along_y[1::2] = centred[:, 0], centred[:, 1]
        both = along_x + along_y  # half of the error is common to both directions, half is not
        return np.asarray(
            0.5 * (np.outer(both, both) + np.outer(along_x, along_x) + np.outer(along_y, along_y))
        )

    def metres_per_px(self, places_m: Floats) -> float:
        return self.m_per_px


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class FaceSize:
    """Measured face.

    Parameters
    ----------
    width_m, height_m : float
        Smallest enclosing rectangle, width along the bed.
    area_m2 : float
    width_pm95_m, height_pm95_m, area_pm95_m2 : float
        Half widths of the 95 % intervals.
    bed_deg : float
        Direction of the width, counter-clockwise from the x axis of the scale.
    outline_m : ndarray, shape (n, 2)
        Ring in the frame of the face: x along the bed, y square to it, the box's corner at (0, 0).
    corner_m : ndarray, shape (2,)
        That corner in the scale's own frame, turned to the bed.
    flags : tuple of str
    """

    width_m: float
    height_m: float
    area_m2: float
    width_pm95_m: float
    height_pm95_m: float
    area_pm95_m2: float
    bed_deg: float
    outline_m: Floats
    corner_m: Floats
    flags: tuple[str, ...] = ()


def fit_face_plane(
    names: list[str],
    pixel_px: ArrayLike,
    face_m: ArrayLike,
    *,
    width_px: int,
    height_px: int,
    camera: Camera | None = None,
) -> PlaneScale:
    """Fit the scale of a face from four or more points in its plane.

    Parameters
    ----------
    names : list of str
    pixel_px, face_m : array_like, shape (n, 2)
        Pixels (y down) and metres on the face; y may run up or down there.
    width_px, height_px : int
    camera : Camera, optional

    Raises
    ------
    InputError, GeometryError, SolveError
        As `facademap.photo.plane.fit_plane_view`.
    """
    pixel, face = np.asarray(pixel_px, dtype=float), np.array(face_m, dtype=float)
    if len(face) >= 3 and np.isfinite(face).all() and np.isfinite(pixel).all():
        design = np.column_stack([face, np.ones(len(face))])
        terms = np.linalg.lstsq(design, pixel, rcond=None)[0]
        if (
            np.linalg.det(terms[:2]) > 0
        ):  # y of the face runs down, as in the picture, or the points are mirrored
            across, down = terms[:2]
            if across[0] <= 0.5 * np.hypot(*across) or down[1] <= 0.5 * np.hypot(*down):
                raise InputError(
                    "the control points are mirrored: they run the other way round on the face than in the picture",
                    "Give x to the right along the face and y up (or down) as the picture shows it; check which "
                    "point is which.",
                )
            face[:, 1] *= -1
    points = ControlPoints.from_points(
        [
            ControlPoint(
                name=n,
                u_m=float(f[0]),
                v_m=float(f[1]),
                x_px=float(p[0]),
                y_px=float(p[1]),
                sigma_m=TAPE_SIGMA_M,
            )
            for n, p, f in zip(names, pixel, face, strict=True)
        ]
    )
    return PlaneScale(
        view=fit_plane_view(points, width_px=width_px, height_px=height_px, camera=camera)
    )


def scale_from_length(
    start_px: tuple[float, float],
    end_px: tuple[float, float],
    length_m: float,
    *,
    pick_px: float = 0.7,
) -> OneLengthScale:
    """Scale of a picture taken square on from one known length.

    Raises
    ------
    InputError
        A length that is not above 0, or that spans too few pixels.
    """
    distance = math.hypot(end_px[0] - start_px[0], end_px[1] - start_px[1])
    if not (math.isfinite(distance) and distance >= 10):
        raise InputError(
            f"the known length spans {distance:.1f} px of the picture",
            "Mark a length that reaches across the face, at least 10 px.",
        )
    if not (math.isfinite(length_m) and length_m > 0):
        raise InputError(
            f"the known length is {length_m * 1000:g} mm", "Give a positive length in millimetres."
        )
    relative = math.hypot(
        SQUARE_ON_SIGMA, math.sqrt(2) * pick_px / distance, TAPE_SIGMA_M / length_m
    )
    return OneLengthScale(m_per_px=length_m / distance, relative_sigma=relative)


def scale_from_two_lengths(
    first: tuple[float, float, float, float, float],
    second: tuple[float, float, float, float, float],
    *,
    most_tilt_deg: float = 25.0,
) -> OneLengthScale:
    """Scale from two known lengths ``x0, y0, x1, y1, length_m``.

    Two lengths of nearly one direction must agree; of two that cross, one gives the scale along x and
    one along y, which takes up the shortening by a tilt about one of the axes.

    Raises
    ------
    InputError
        The two contradict each other.
    """
    scales = [scale_from_length(s[:2], s[2:4], s[4]) for s in (first, second)]
    directions = [math.atan2(abs(s[3] - s[1]), abs(s[2] - s[0])) for s in (first, second)]
    ratio = scales[1].m_per_px / scales[0].m_per_px
    crossing = max(directions) > math.radians(60) and min(directions) < math.radians(30)
    if crossing and abs(math.log(ratio)) <= -math.log(math.cos(math.radians(most_tilt_deg))):
        lying, standing = sorted(range(2), key=lambda k: directions[k])
        return OneLengthScale(
            m_per_px=scales[lying].m_per_px,
            stretch=scales[standing].m_per_px / scales[lying].m_per_px,
            relative_sigma=max(s.relative_sigma for s in scales),
        )
    if crossing or abs(ratio - 1) > SCALE_AGREEMENT:
        raise InputError(
            f"the two known lengths contradict each other: {scales[0].m_per_px * 1000:.4g} and "
            f"{scales[1].m_per_px * 1000:.4g} mm a pixel",
            "Measure both again, or give only the one you trust.",
        )
    return OneLengthScale(
        m_per_px=math.sqrt(scales[0].m_per_px * scales[1].m_per_px),
        relative_sigma=min(s.relative_sigma for s in scales),
    )


def check_outline(
    ring: ArrayLike,
    *,
    width_px: int | None = None,
    height_px: int | None = None,
    what: str = "the outline",
) -> shapely.Polygon:
    """A simple polygon from a ring, or an error that says what is wrong with it.

    Raises
    ------
    GeometryError
        Fewer than three finite points, a ring that crosses itself, or one that reaches the frame of the picture.
    """
    points = np.asarray(ring, dtype=float)
    if (
        points.ndim != 2
        or points.shape[1:] != (2,)
        or len(points) < 3
        or not np.isfinite(points).all()
    ):
        raise GeometryError(f"{what} has no three finite points", "Draw it again.")
    polygon = shapely.Polygon(points)
    if not polygon.is_valid:
        raise GeometryError(
            f"{what} crosses itself ({shapely.is_valid_reason(polygon)})",
            "Move its points so that no two sides cross.",
        )
    if width_px and height_px:
        low, high = points.min(axis=0), points.max(axis=0)
        if low.min() < 0.5 or high[0] > width_px - 1.5 or high[1] > height_px - 1.5:
            raise GeometryError(
                f"{what} reaches the frame of the picture: the face is cut off",
                "Photograph the whole face with some ground around it.",
            )
    return polygon


def measure_outline(
    ring_px: ArrayLike,
    scale: FaceScale,
    *,
    bed_deg: float | None = None,
    flags: tuple[str, ...] = (),
) -> FaceSize:
    """Measure a face from its outline.

    Parameters
    ----------
    ring_px : array_like, shape (n, 2)
    scale : FaceScale
    bed_deg : float, optional
        Direction of the bed, counter-clockwise from the x axis of the scale. Without it the smallest
        enclosing rectangle is taken, and its side nearest to the x axis is the bed.

    Raises
    ------
    GeometryError
        The outline crosses itself or runs beyond the horizon.
    InputError
        An absurd size.
    """
    check_outline(ring_px)
    places = scale.metres(ring_px)
    if not np.isfinite(places).all():
        raise GeometryError(
            "a part of the outline lies beyond the horizon of the face",
            "Check that the control points lie in the plane of this face.",
        )
    polygon = check_outline(places)
    angle = _bed_angle(polygon) if bed_deg is None else math.radians(bed_deg)
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    turned = places @ turn.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    width, height = (float(v) for v in high - low)
    for name, value in (("width", width), ("height", height)):
        if not LEAST_SIZE_M <= value <= MOST_SIZE_M:
            raise InputError(
                f"the {name} of the face would be {value * 1000:.0f} mm",
                "Check the scale: lengths are in millimetres, the click must be on the face.",
            )
    pm_width, pm_height, pm_area = _uncertainty(places, turn, scale)
    return FaceSize(
        width_m=width,
        height_m=height,
        area_m2=float(polygon.area),
        width_pm95_m=pm_width,
        height_pm95_m=pm_height,
        area_pm95_m2=pm_area,
        bed_deg=math.degrees(angle),
        outline_m=turned - low,
        corner_m=low,
        flags=flags,
    )


def _bed_angle(polygon: shapely.Polygon) -> float:
    """Direction of the smallest box, within 45 degrees of x; 0 where the upright box is nearly as small."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(polygon))
    smallest = shapely.Polygon(box).area
    x0, y0, x1, y1 = polygon.bounds
    if (x1 - x0) * (y1 - y0) <= (1 + _BOX_EXCESS) * smallest:
        return 0.0
    side = box[1] - box[0]
    angle = math.atan2(side[1], side[0]) % (math.pi / 2)
    return angle - math.pi / 2 if angle > math.pi / 4 else angle


def _uncertainty(places: Floats, turn: Floats, scale: FaceScale) -> tuple[float, float, float]:
    thin = places[:: max(1, len(places) // 60)]
    joint = scale.covariance(thin)
    pixel = scale.metres_per_px(places)
    edge = math.hypot(EDGE_SIGMA_PX * pixel, EDGE_SIGMA_M)
    turned = thin @ turn.T
    halves = []
    for axis in range(2):
        gradient = np.zeros(2 * len(thin))
        for end, sign in (
            (int(turned[:, axis].argmax()), 1.0),
            (int(turned[:, axis].argmin()), -1.0),
        ):
            gradient[2 * end : 2 * end + 2] += sign * turn[axis]
        halves.append(1.96 * math.sqrt(max(0.0, float(gradient @ joint @ gradient)) + 2 * edge**2))
    x, y = thin.T
    gradient = np.zeros(2 * len(thin))
    gradient[0::2] = 0.5 * (np.roll(y, -1) - np.roll(y, 1))
    gradient[1::2] = 0.5 * (np.roll(x, 1) - np.roll(x, -1))
    sides = 2 * (np.ptp(turned, axis=0) ** 2).sum()  # four sides, each moved as a whole
    area = 1.96 * math.sqrt(max(0.0, float(gradient @ joint @ gradient)) + sides * edge**2)
    return halves[0], halves[1], area
