"""Control without a total station: tape distances, a plumb line, a level line, a known rectangle.

References
----------
.. [1] E. M. Mikhail, "Observations and Least Squares", 1976: adjustment of distances with covariance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from facademap.errors import GeometryError, InputError
from facademap.values import frozen_value

__all__ = ["TapeMeasure", "TapedPlaces", "place_by_tape", "rectangle_places"]

Floats = NDArray[np.floating[Any]]

#: Surplus measures beyond this many standard deviations are named (common practice).
_BLUNDER_SIGMAS = 4.0


#: Bounds of a believable length and precision, and misfit in standard deviations that no figure may have (common
#: practice: the longest tapes have 100 m, laser meters reach 200 m).
SHORTEST_M, LONGEST_M = 0.005, 250.0
WORST_SIGMA_M = 0.5
CONTRADICTION_SIGMAS = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeMeasure:
    """One measure between two named points.

    Parameters
    ----------
    kind : {"distance", "level", "plumb"}
        ``level``: both points at one height (the second to the right of the first); ``plumb``: one above
        the other (the second above the first).
    start, end : str
    length_m : float
        For a distance; a level or plumb line may carry its length too (NaN: none).
    sigma_m : float
        One sigma of the length, and of the line's offset.
    """

    kind: Literal["distance", "level", "plumb"]
    start: str
    end: str
    length_m: float = math.nan
    sigma_m: float = 0.003

    def __post_init__(self) -> None:
        if self.start == self.end:
            raise InputError(
                f"a measure leads from point {self.start} to itself", "Name two different points."
            )
        if not (math.isfinite(self.sigma_m) and self.sigma_m > 0):
            raise InputError(
                f"measure {self.start} to {self.end}: precision {self.sigma_m} m is not positive",
                "Give a precision above zero.",
            )
        if self.kind == "distance" and not math.isfinite(self.length_m):
            raise InputError(
                f"distance {self.start} to {self.end} has no length", "Give the length."
            )
        if math.isfinite(self.length_m) and self.length_m <= 0:
            raise InputError(
                f"measure {self.start} to {self.end}: length {self.length_m} m is not positive",
                "Correct the length.",
            )
        if math.isfinite(self.length_m) and not SHORTEST_M <= self.length_m <= LONGEST_M:
            raise InputError(
                f"measure {self.start} to {self.end}: {self.length_m:g} m is no length that a tape measures on a wall",
                "Give lengths in metres.",
            )
        if self.sigma_m > WORST_SIGMA_M:
            raise InputError(
                f"measure {self.start} to {self.end}: a precision of {self.sigma_m * 1000:g} mm says nothing",
                "Give sigma_mm in millimetres (3 is usual for a steel tape).",
            )


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TapedPlaces:
    """Places of points on the wall from tape measures.

    Parameters
    ----------
    name : tuple of str
    wall_m : ndarray, shape (n, 2)
        u, v; the first point of the first measure is the origin.
    covariance_m2 : ndarray, shape (2 n, 2 n)
    residual_m : ndarray, shape (m,)
        Adjusted minus measured, per condition.
    redundancy : int
    sigma0 : float
        Scatter of the measures over their stated precision (1: as stated).
    flags : tuple of str
    """

    name: tuple[str, ...]
    wall_m: Floats
    covariance_m2: Floats
    residual_m: Floats
    redundancy: int
    sigma0: float
    flags: tuple[str, ...]


def rectangle_places(
    width_m: float, height_m: float, *, left_m: float = 0.0, bottom_m: float = 0.0
) -> Floats:
    """Corners of a known rectangle (upper left, upper right, lower right, lower left), shape (4, 2).

    Raises
    ------
    InputError
        A width or height that is not above 0.
    """
    if not (math.isfinite(width_m) and math.isfinite(height_m) and width_m > 0 and height_m > 0):
        raise InputError(
            f"a rectangle of {width_m} x {height_m} m is not possible",
            "Give positive width and height.",
        )
    right, top = left_m + width_m, bottom_m + height_m
    return np.array([(left_m, top), (right, top), (right, bottom_m), (left_m, bottom_m)])


def _misfits(measures: Sequence[TapeMeasure], index: Mapping[str, int], x: Floats) -> Floats:
    """By how many of its deviations each measure is missed; the first point lies at the origin."""
    p = np.vstack([np.zeros(2), x.reshape(-1, 2)])
    values = []
    for m in measures:
        d = p[index[m.end]] - p[index[m.start]]
        if m.kind != "distance":
            along, across = (d[0], d[1]) if m.kind == "level" else (d[1], d[0])
            values.append(across / m.sigma_m)
            if math.isfinite(m.length_m):
                values.append((along - m.length_m) / m.sigma_m)
        else:
            values.append((math.hypot(*d) - m.length_m) / m.sigma_m)
    return np.array(values)


def _fitted(
    conditions: Callable[[Floats], Floats],
    names: Sequence[str],
    *,
    size: float,
    guess_m: Mapping[str, tuple[float, float]],
    rng: np.random.Generator,
) -> Any:
    """The best adjustment: from the rough places, or from many figures by chance where there are none."""
    best = None
    for trial in range(1 if guess_m else 60):
        if guess_m:
            base = np.array(guess_m[names[0]])
            start = np.array([np.array(guess_m[name]) - base for name in names[1:]]).ravel()
        else:
            start = rng.normal(0, size, 2 * (len(names) - 1))
        answer = least_squares(conditions, start, method="trf", x_scale=size)
        if best is None or answer.cost < best.cost * (1 - 1e-9) - 1e-12:
            best = answer
        if best.cost < 1e-12 and trial > 20:
            break
    return best


def place_by_tape(
    measures: Sequence[TapeMeasure],
    *,
    guess_m: dict[str, tuple[float, float]] | None = None,
    rng: np.random.Generator | None = None,
) -> TapedPlaces:
    """Adjust tape measures to places on the wall.

    Parameters
    ----------
    measures : sequence of TapeMeasure
        At least one level or plumb line, which turns the frame upright.
    guess_m : dict of str to (u, v), optional
        Rough places (from the photo); they choose between mirrored figures.
    rng : numpy.random.Generator, optional

    Raises
    ------
    InputError, GeometryError
        No line, too few measures, or points that they leave free.
    """
    rng = np.random.default_rng(20084) if rng is None else rng
    names = tuple(dict.fromkeys(n for m in measures for n in (m.start, m.end)))
    if not any(m.kind in ("level", "plumb") for m in measures):
        raise GeometryError(
            "no level and no plumb line: the figure could lie at any slope",
            "Measure at least one level or plumb line.",
        )
    lengths = [m.length_m for m in measures if math.isfinite(m.length_m)]
    if not lengths:
        raise GeometryError(
            "no length was measured, so there is no scale", "Measure at least one distance."
        )
    index = {name: i for i, name in enumerate(names)}
    n = len(names)
    conditions = partial(_misfits, measures, index)
    best = _fitted(
        conditions, names, size=float(np.median(lengths)), guess_m=guess_m or {}, rng=rng
    )
    if not guess_m:
        best = _turned_upright(best, conditions, measures, index)
    _refuse_contradiction(best.fun, measures)
    jacobian = best.jac
    redundancy = len(best.fun) - 2 * (n - 1)
    if redundancy < 0 or np.linalg.matrix_rank(
        jacobian, tol=1e-6 * np.linalg.norm(jacobian)
    ) < 2 * (n - 1):
        loose = _loose_points(jacobian, names)
        raise GeometryError(
            f"the measures leave points free: {', '.join(loose)}",
            "Measure more distances (the diagonals first).",
        )
    cofactor = np.linalg.inv(jacobian.T @ jacobian)
    sigma0 = math.sqrt((3.0 + float(best.fun @ best.fun)) / (3.0 + redundancy))
    covariance = np.zeros((2 * n, 2 * n))
    covariance[2:, 2:] = cofactor * sigma0**2
    flags = _odd_measures(best.fun, jacobian, cofactor, measures)
    for kind, sense in (("level", "left and right"), ("plumb", "up and down")):
        if not guess_m and not any(m.kind == kind for m in measures):
            flags.append(
                f"no {kind} line was measured: {sense} may be exchanged; add one, or give rough places"
            )
    if redundancy == 0:
        flags.append("there is no surplus measure: an error of the tape would not be seen")
    sigma = np.array(
        [
            m.sigma_m
            for m in measures
            for _ in range(1 + (m.kind != "distance" and math.isfinite(m.length_m)))
        ]
    )
    return TapedPlaces(
        name=names,
        wall_m=np.vstack([np.zeros(2), best.x.reshape(-1, 2)]),
        covariance_m2=covariance,
        residual_m=best.fun * sigma,
        redundancy=redundancy,
        sigma0=sigma0,
        flags=tuple(flags),
    )


def _turned_upright(
    best: Any, conditions: Any, measures: Sequence[TapeMeasure], index: dict[str, int]
) -> Any:
    """Of a figure and its mirror images, the one in which level lines run right and plumb lines up."""
    choices: list[tuple[float, float, int, Any]] = []
    for flip in ((1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)):
        answer = least_squares(conditions, (best.x.reshape(-1, 2) * flip).ravel(), method="trf")
        p = np.vstack([np.zeros(2), answer.x.reshape(-1, 2)])
        wrong = sum(
            float(p[index[m.end]][k] < p[index[m.start]][k])
            for m in measures
            for k in ({"level": (0,), "plumb": (1,)}.get(m.kind, ()))
        )
        choices.append((wrong, answer.cost, len(choices), answer))
    least = min(c[1] for c in choices)
    return min((c for c in choices if c[1] <= 4 * least + 4.0), key=lambda c: (c[0], c[1], c[2]))[3]


def _loose_points(jacobian: Floats, names: tuple[str, ...]) -> list[str]:
    _, values, vectors = np.linalg.svd(jacobian, full_matrices=True)
    null = vectors[int((values > 1e-6 * values[0]).sum()) :]
    movement = (
        np.abs(null).max(axis=0).reshape(-1, 2).max(axis=1)
        if len(null)
        else np.ones(len(names) - 1)
    )
    return [name for name, m in zip(names[1:], movement, strict=True) if m > 0.1][:5]


def _refuse_contradiction(value: Floats, measures: Sequence[TapeMeasure]) -> None:
    """Measures that no figure can have: sides that do not close, a line in place of a length."""
    owners = [
        m for m in measures for _ in range(1 + (m.kind != "distance" and math.isfinite(m.length_m)))
    ]
    worst = int(np.argmax(np.abs(value))) if len(value) else 0
    if len(value) and abs(value[worst]) > CONTRADICTION_SIGMAS:
        named = list(
            dict.fromkeys(
                f"{owners[i].start} to {owners[i].end}" for i in np.argsort(-np.abs(value))[:3]
            )
        )
        raise GeometryError(
            f"the measures contradict each other by {abs(value[worst]) * owners[worst].sigma_m * 1000:.0f} mm; "
            f"look at {', '.join(named)}",
            "Measure these again: a length typed wrongly, or two points exchanged.",
        )


def _odd_measures(
    value: Floats, jacobian: Floats, cofactor: Floats, measures: Sequence[TapeMeasure]
) -> list[str]:
    owners = [
        m for m in measures for _ in range(1 + (m.kind != "distance" and math.isfinite(m.length_m)))
    ]
    surplus = 1.0 - np.einsum("ij,jk,ik->i", jacobian, cofactor, jacobian)
    checked = surplus > 0.02
    score = np.where(checked, np.abs(value) / np.sqrt(np.maximum(surplus, 1e-9)), 0.0)
    if not score.size or score.max() <= _BLUNDER_SIGMAS:
        return []
    i = int(np.argmax(score))
    m = owners[i]
    return [
        f"the {m.kind} measure {m.start} to {m.end} disagrees with the others by about "
        f"{abs(value[i]) * m.sigma_m / surplus[i] * 1000:.0f} mm: measure it again"
    ]
