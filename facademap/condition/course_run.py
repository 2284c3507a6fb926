"""How a course runs: level, leaning as on a gable or a stair, or round an arch; and its stones laid flat to be judged.

Laid flat, stones of every course stand beside each other on a level line, so that one set of rules judges them all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["Run", "fit_circle", "run_of", "runs_along"]

Floats = NDArray[Any]
#: A course that leans less is level: nobody lays more exactly (common practice).
_LEVEL_RAD = math.radians(3.0)
#: Stones of one leaning course are turned alike within this.
_ALIKE_RAD = math.radians(6.0)
#: A course is an arch when its stones lie off a straight line by this share of their size, and off a circle by less than that.
_BENT, _ROUND = 0.3, 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """The way a course goes.

    Parameters
    ----------
    kind : {"level", "leaning", "arch"}
    lean_rad : float
        Of a leaning course: how much it rises to the right.
    centre_m, radius_m : tuple of float, float
        Of an arch.
    crown : tuple of float
        Of an arch: from its centre to the middle of its stones, of length 1.
    """

    kind: Literal["level", "leaning", "arch"] = "level"
    lean_rad: float = 0.0
    centre_m: tuple[float, float] = (0.0, 0.0)
    radius_m: float = 0.0
    crown: tuple[float, float] = (0.0, 1.0)

    def flat(self, shape: Any) -> Any:
        """A shape as it lies when the course is laid level."""
        return shape if self.kind == "level" else shapely.transform(shape, self._flat())

    def back(self, shape: Any) -> Any:
        """A shape of the level course as it lies in the wall."""
        return shape if self.kind == "level" else shapely.transform(shape, self._back())

    def _flat(self) -> Callable[[Floats], Floats]:
        if self.kind == "leaning":
            return _turning(-self.lean_rad)
        along, up, sign = self._axes()

        def flat(xy: Floats) -> Floats:
            beside = xy - self.centre_m
            angle = np.arctan2(beside @ along, beside @ up)
            out = np.hypot(*beside.T) - self.radius_m
            return np.column_stack([self.radius_m * angle, sign * out])

        return flat

    def _back(self) -> Callable[[Floats], Floats]:
        if self.kind == "leaning":
            return _turning(self.lean_rad)
        along, up, sign = self._axes()

        def back(st: Floats) -> Floats:
            angle, radius = st[:, :1] / self.radius_m, self.radius_m + sign * st[:, 1:]
            lies = radius * (np.cos(angle) * up + np.sin(angle) * along)
            return np.asarray(lies + self.centre_m)

        return back

    def _axes(self) -> tuple[Floats, Floats, float]:
        """Along the arch to the right at its middle, from the centre to there, and whether that is upward."""
        up = np.array(self.crown)
        along = np.array([up[1], -up[0]])
        return (along if along[0] >= 0 else -along), up, 1.0 if up[1] >= 0 else -1.0


def _turning(angle: float) -> Callable[[Floats], Floats]:
    c, s = math.cos(angle), math.sin(angle)
    matrix = np.array([[c, s], [-s, c]])
    return lambda xy: np.asarray(xy @ matrix)


def run_of(outlines: Sequence[Any]) -> Run:
    """How the stones of one course lie.

    Parameters
    ----------
    outlines : sequence of shapely polygons
        In metres of the wall.
    """
    if not len(outlines):
        return Run()
    middles = np.array([[o.centroid.x, o.centroid.y] for o in outlines])
    size = math.sqrt(float(np.median([o.area for o in outlines])))
    way = _way(middles)
    if len(outlines) >= 4 and (arch := _arch(middles, way, size)) is not None:
        return arch
    lean = float(np.median([_turned(o, way) for o in outlines]))
    return Run() if abs(lean) < _LEVEL_RAD else Run(kind="leaning", lean_rad=lean)


def runs_along(run: Run, outline: Any) -> bool:
    """Whether a stone is turned as those of a level or leaning course are."""
    return abs(_turned(outline, run.lean_rad) - run.lean_rad) < _ALIKE_RAD


def _way(middles: Floats) -> float:
    """Direction from the first stones to the last, within a right angle of level."""
    if len(middles) < 2:
        return 0.0
    spread = np.linalg.svd(middles - middles.mean(axis=0))[2][0]
    return math.atan2(*(spread if spread[0] >= 0 else -spread)[::-1])


def _turned(outline: Any, near: float) -> float:
    """By how much the sides of a stone are turned from level, the side nearest to a direction."""
    corners = shapely.get_coordinates(outline.minimum_rotated_rectangle)
    if len(corners) < 2:
        return near
    side = corners[1] - corners[0]
    angle = math.atan2(side[1], side[0])
    quarter = math.pi / 2
    return angle - quarter * round((angle - near) / quarter)


def _arch(middles: Floats, way: float, size: float) -> Run | None:
    across = np.array([-math.sin(way), math.cos(way)])
    off = (middles - middles.mean(axis=0)) @ across
    if float(np.ptp(off)) < _BENT * size:
        return None
    found = fit_circle(middles)
    if found is None:
        return None
    centre, radius = found
    beside = middles - centre
    if float(np.std(np.hypot(*beside.T))) > _ROUND * size:
        return None
    crown = (beside / np.hypot(*beside.T)[:, None]).sum(axis=0)
    length = float(np.hypot(*crown))
    if length < 0.3:  # stones nearly all the way round have no middle
        return None
    return Run(
        kind="arch",
        centre_m=(float(centre[0]), float(centre[1])),
        radius_m=radius,
        crown=(float(crown[0] / length), float(crown[1] / length)),
    )


def fit_circle(points: Floats) -> tuple[Floats, float] | None:
    """Centre and radius of the circle nearest to points (least squares of its equation); nothing for a straight line.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    """
    middle = points.mean(axis=0)
    p = points - middle
    system = np.column_stack([2 * p, np.ones(len(p))])
    solved, _, rank, _ = np.linalg.lstsq(system, (p**2).sum(axis=1), rcond=None)
    if rank < 3:
        return None
    radius = math.sqrt(max(float(solved[2] + solved[0] ** 2 + solved[1] ** 2), 0.0))
    return (solved[:2] + middle, radius) if math.isfinite(radius) and radius > 0 else None
