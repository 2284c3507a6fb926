"""Control and check points of one photo, and whether they can carry a rectification."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError
from facademap.limits import hold_within
from facademap.values import frozen_value

__all__ = ["ControlPoint", "ControlPoints", "check_control", "describe_spread", "hold_points"]

Floats = NDArray[np.floating[Any]]
Role = Literal["control", "check"]

#: Width over length of the points' scatter below which they count as lying on one line
#: (common practice; the error across the line grows with its inverse).
MIN_SPREAD_RATIO = 0.02
#: Share of the picture's diagonal that the control must span (common practice).
MIN_SPAN_SHARE = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlPoint:
    """One named point seen in a photo and known on the wall.

    Parameters
    ----------
    name : str
    u_m, v_m : float
        Place on the wall, metres, u right and v up as seen from outside.
    x_px, y_px : float
        Place in the upright picture.
    role : {"control", "check"}
        A check point is never used in a fit.
    sigma_px, sigma_m : float
        Stated one-sigma precision of picking and of the survey, per axis.
    """

    name: str
    u_m: float
    v_m: float
    x_px: float
    y_px: float
    role: Role = "control"
    sigma_px: float = 0.5
    sigma_m: float = 0.0


def hold_points(count: int) -> None:
    """Refuse more points than a fit is made for."""
    hold_within(
        "control_points",
        count,
        what=f"{count} control points in one fit",
        remedy="Keep those that were measured best",
    )


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ControlPoints:
    """The points of one photo as arrays, in the order of the file.

    Parameters
    ----------
    name : tuple of str
    wall_m : ndarray, shape (n, 2)
    pixel_px : ndarray, shape (n, 2)
    is_control : ndarray of bool, shape (n,)
    sigma_px, sigma_m : ndarray, shape (n,)
    """

    name: tuple[str, ...]
    wall_m: Floats
    pixel_px: Floats
    is_control: NDArray[np.bool_]
    sigma_px: Floats
    sigma_m: Floats

    @classmethod
    def from_points(cls, points: Sequence[ControlPoint]) -> ControlPoints:
        """Collect points; the order is kept.

        Raises
        ------
        InputError
            More than a fit is made for: what is told of each grows with their number, 4,000 took two minutes.
        """
        hold_points(len(points))
        return cls(
            name=tuple(p.name for p in points),
            wall_m=np.array([(p.u_m, p.v_m) for p in points], dtype=float).reshape(-1, 2),
            pixel_px=np.array([(p.x_px, p.y_px) for p in points], dtype=float).reshape(-1, 2),
            is_control=np.array([p.role == "control" for p in points], dtype=bool),
            sigma_px=np.array([p.sigma_px for p in points], dtype=float),
            sigma_m=np.array([p.sigma_m for p in points], dtype=float),
        )

    def __len__(self) -> int:
        return len(self.name)

    def select(self, keep: NDArray[np.bool_]) -> ControlPoints:
        """The points where ``keep`` is true."""
        return ControlPoints(
            name=tuple(n for n, k in zip(self.name, keep, strict=True) if k),
            wall_m=self.wall_m[keep],
            pixel_px=self.pixel_px[keep],
            is_control=self.is_control[keep],
            sigma_px=self.sigma_px[keep],
            sigma_m=self.sigma_m[keep],
        )

    @property
    def control(self) -> ControlPoints:
        """The control points only."""
        return self.select(self.is_control)

    @property
    def check(self) -> ControlPoints:
        """The check points only."""
        return self.select(~self.is_control)


def describe_spread(points: Floats) -> tuple[float, float]:
    """Length and width of a scatter: two standard deviations along its principal axes, times sqrt(2)."""
    centred = points - points.mean(axis=0)
    values = (
        np.linalg.svd(centred, compute_uv=False) / math.sqrt(max(len(points), 1)) * 2 * math.sqrt(2)
    )
    return float(values[0]), float(values[1]) if len(values) > 1 else 0.0


def check_control(points: ControlPoints, *, width_px: int, height_px: int) -> None:
    """Refuse control that cannot carry a rectification, naming the fault and the remedy.

    Raises
    ------
    InputError
        Names given twice, values that are not finite, points outside the picture.
    GeometryError
        Fewer than four control points, no four in general position, clustered, mirrored.
    """
    _check_names(points)
    for i, name in enumerate(points.name):
        if not np.isfinite(np.r_[points.wall_m[i], points.pixel_px[i]]).all():
            raise InputError(
                f"point {name}: a coordinate is not a finite number", "Correct its row."
            )
        x, y = points.pixel_px[i]
        if not (-0.5 <= x <= width_px - 0.5 and -0.5 <= y <= height_px - 0.5):
            raise InputError(
                f"point {name}: pixel ({x:g}, {y:g}) lies outside the picture of {width_px} x {height_px} px",
                "Pick the point again in the upright picture, drop its row, or say --stored-pixels if it was picked before the turn by EXIF.",
            )
        if not (points.sigma_px[i] > 0 and points.sigma_m[i] >= 0):
            raise InputError(
                f"point {name}: its stated precision is not positive",
                "Give sigma_px above 0 and sigma_mm of 0 or more.",
            )
    control = points.control
    if len(control) < 4:
        raise GeometryError(
            f"only {len(control)} control points; a wall needs at least 4",
            "Add control points (six to eight give residuals that mean something).",
        )
    _check_coincident(control)
    for what, array in (("on the wall", control.wall_m), ("in the picture", control.pixel_px)):
        _check_general_position(control.name, array, what)
    length, _ = describe_spread(control.pixel_px)
    if length < MIN_SPAN_SHARE * math.hypot(width_px, height_px):
        raise GeometryError(
            f"the control points are clustered: they span {length:.0f} px of a {width_px} x {height_px} px picture",
            "Spread the control over the part of the wall that is wanted, near its corners.",
        )


def _check_names(points: ControlPoints) -> None:
    seen: set[str] = set()
    for name in points.name:
        if name in seen:
            raise InputError(f"point name {name} is given twice", "Give every point its own name.")
        seen.add(name)


def _check_coincident(control: ControlPoints) -> None:
    for what, array, unit in (
        ("on the wall", control.wall_m, "m"),
        ("in the picture", control.pixel_px, "px"),
    ):
        size = float(np.ptp(array, axis=0).max())
        for i in range(len(control)):
            gap = np.hypot(*(array[i + 1 :] - array[i]).T)
            close = np.flatnonzero(gap <= 1e-9 * max(size, 1e-12))
            if len(close):
                j = i + 1 + int(close[0])
                raise GeometryError(
                    f"points {control.name[i]} and {control.name[j]} have the same place {what} "
                    f"({array[i, 0]:g}, {array[i, 1]:g} {unit})",
                    "Correct one of the two rows or drop it.",
                )


def _check_general_position(names: tuple[str, ...], array: Floats, what: str) -> None:
    """Four points in general position exist unless all points, or all but one, lie on one line."""
    length, width = describe_spread(array)
    if width < MIN_SPREAD_RATIO * length:
        raise GeometryError(
            f"the control points lie on one line {what}",
            "Add control points off that line, best near the four corners of the wanted area.",
        )
    for left_out in range(len(array)):
        rest = np.delete(array, left_out, axis=0)
        length, width = describe_spread(rest)
        if width < MIN_SPREAD_RATIO * length:
            raise GeometryError(
                f"all control points but {names[left_out]} lie on one line {what}",
                "Add control points off that line, best near the four corners of the wanted area.",
            )
