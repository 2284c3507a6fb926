"""Points of the one table of control among tape measures: further distances, and the frame of the wall."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.survey_files import SurveyPoint
from facademap.photo.tape import TapeMeasure
from facademap.tasks.survey.outside import world_of

__all__ = ["known_measures", "onto_the_wall"]

Floats = NDArray[np.floating[Any]]

#: Precision of a surveyed point that states none, one sigma (common practice for a total station).
_USUAL_SIGMA_M = 0.002


def known_measures(points: Sequence[SurveyPoint], taped: set[str]) -> list[TapeMeasure]:
    """Distances between the known points that tape measures lead to, by their places on the wall, else in the world.

    Raises
    ------
    InputError
        Fewer than two of them.
    """
    known = [p for p in points if p.name in taped and p.role != "instrument"]
    if len(known) < 2:
        raise InputError(
            f"{len(known)} of the points of the control table are ends of tape measures",
            "Measure by tape from at least two of them, with the same names.",
        )
    measures = []
    for a, b in combinations(known, 2):
        length = _apart(a, b)
        if length is None:
            continue
        sigma = math.hypot(*(_USUAL_SIGMA_M if p.sigma_m is None else p.sigma_m for p in (a, b)))
        measures.append(
            TapeMeasure(
                kind="distance",
                start=a.name,
                end=b.name,
                length_m=length,
                sigma_m=max(sigma, 1e-4),
            )
        )
    return measures


def _apart(a: SurveyPoint, b: SurveyPoint) -> float | None:
    if a.u_m is not None and a.v_m is not None and b.u_m is not None and b.v_m is not None:
        return math.hypot(a.u_m - b.u_m, a.v_m - b.v_m)
    return math.dist(world_of(a), world_of(b)) if a.in_world and b.in_world else None


def onto_the_wall(
    names: Sequence[str], places_m: Floats, points: Sequence[SurveyPoint]
) -> tuple[Floats, str | None]:
    """Places in the frame of the known points (shift and turn of least squares), and how far these then miss.

    Parameters
    ----------
    names : sequence of str
    places_m : ndarray, shape (n, 2)
    points : sequence of SurveyPoint
        With fewer than two on the wall the places stay as they are.
    """
    wall = {p.name: (p.u_m, p.v_m) for p in points if p.on_wall and p.name in names}
    if len(wall) < 2:
        return places_m, None
    rows = [names.index(n) for n in wall]
    given, found = np.array(list(wall.values()), dtype=float), places_m[rows]
    middle, aim = found.mean(axis=0), given.mean(axis=0)
    a, b = (found - middle) @ [1, 1j], (given - aim) @ [1, 1j]
    turn = np.vdot(a, b)
    turned = ((places_m - middle) @ [1, 1j]) * (turn / abs(turn))
    placed = np.column_stack([turned.real, turned.imag]) + aim
    miss = np.hypot(*(placed[rows] - given).T)
    worst = int(np.argmax(miss))
    return placed, (
        f"placed on the wall by {len(wall)} known points, which the tape misses by up to "
        f"{miss[worst] * 1000:.0f} mm ({list(wall)[worst]})"
    )
