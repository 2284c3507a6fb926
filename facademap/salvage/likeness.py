"""How alike two appearances are: every part of the answer shown, and what makes it unsafe said."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.photo.lab import difference_ciede2000
from facademap.salvage.appearance import Appearance
from facademap.salvage.pattern import pattern_vectors

__all__ = ["Likeness", "LikenessWeights", "appearance_distance", "appearance_distances"]

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class LikenessWeights:
    """Weight of each part, as CIEDE2000 units of the mean for one unit of the part (common practice, editable).

    Parameters
    ----------
    mean : float
        Of the CIEDE2000 difference of the means.
    spread : float
        Of the difference of the spreads.
    distribution : float
        Of the mean difference of the colour quantiles about the medians (CIELAB units).
    grain : float
        Of the difference in grain, 1 = as two different stones typically differ in one part.
    """

    mean: float = 1.0
    spread: float = 0.5
    distribution: float = 0.5
    grain: float = 1.0

    def __post_init__(self) -> None:
        for name in ("mean", "spread", "distribution", "grain"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise InputError(
                    f"weight {name} = {value} is negative or not finite",
                    "Give a weight of 0 or more.",
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """Distance of two appearances in its parts; smaller = more alike.

    Parameters
    ----------
    total : float
        Weighted sum.
    mean, spread, distribution, grain : float
        The parts, before their weights.
    rank_only : bool
        At least one picture is not calibrated: the total ranks, and may exclude nothing.
    flags : tuple of str
        Mismatches of state that make the comparison unsafe.
    """

    total: float
    mean: float
    spread: float
    distribution: float
    grain: float
    rank_only: bool
    flags: tuple[str, ...] = field(default_factory=tuple)


def appearance_distance(
    a: Appearance, b: Appearance, *, weights: LikenessWeights | None = None
) -> Likeness:
    """Compare two appearances.

    Returns
    -------
    Likeness
        With a flag for each difference of state: dry against wet, one finish against another,
        weathered against fresh, uncalibrated colour.
    """
    w = weights or LikenessWeights()
    mean = float(difference_ciede2000(a.lab, b.lab))
    spread = abs(a.spread - b.spread)
    distribution = float(np.abs(a.quantiles - b.quantiles).mean())
    first, second = pattern_vectors([a.pattern, b.pattern], weights={"tone": 0.0})
    grain = float(np.abs(first - second).sum())
    return Likeness(
        total=w.mean * mean + w.spread * spread + w.distribution * distribution + w.grain * grain,
        mean=mean,
        spread=spread,
        distribution=distribution,
        grain=grain,
        rank_only=not (a.calibrated and b.calibrated),
        flags=_flags(a, b),
    )


def _flags(a: Appearance, b: Appearance) -> tuple[str, ...]:
    flags = []
    if a.wetness != b.wetness:
        flags.append(
            f"{a.wetness} compared with {b.wetness}: wetting darkens stone, photograph both in one state"
        )
    if a.finish and b.finish and a.finish != b.finish:
        flags.append(
            f"finish {a.finish} compared with {b.finish}: tooling changes lightness, dress a test patch"
        )
    if a.weathered is not None and b.weathered is not None and a.weathered != b.weathered:
        flags.append("a weathered face compared with a fresh one")
    if a.is_coarse or b.is_coarse:
        flags.append(
            "a picture is too coarse for its grain: compare colour only, or photograph nearer"
        )
    if not (a.calibrated and b.calibrated):
        flags.append("colour not calibrated by a chart: good for ranking only, excludes nothing")
    return tuple(flags)


def appearance_distances(
    targets: Sequence[Appearance],
    faces: Sequence[Appearance],
    *,
    weights: LikenessWeights | None = None,
) -> Floats:
    """Totals of `appearance_distance` for all pairs, shape (len(targets), len(faces)).

    Notes
    -----
    In blocks of rows, so that memory stays below about 100 MB whatever the number of pairs.
    """
    from scipy.spatial.distance import cdist

    w = weights or LikenessWeights()
    result = np.zeros((len(targets), len(faces)))
    if not len(targets) or not len(faces):
        return result
    lab_t, lab_f = (np.array([x.lab for x in side], dtype=float) for side in (targets, faces))
    vectors_t, vectors_f = (_vectors(side, w) for side in (targets, faces))
    rows = max(1, 100_000 // len(faces))

    def fill(start: int) -> None:
        part = slice(start, start + rows)
        result[part] = cdist(vectors_t[part], vectors_f, "cityblock")
        if w.mean:
            result[part] += w.mean * difference_ciede2000(lab_t[part, None], lab_f[None])

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(fill, range(0, len(targets), rows)))
    return result


def _vectors(side: Sequence[Appearance], weights: LikenessWeights) -> Floats:
    """Vectors whose city-block distance is the weighted sum of spread, distribution and grain."""
    grain = (
        pattern_vectors([x.pattern for x in side], weights={"tone": 0.0}).astype(float)[:, :-3]
        * weights.grain
    )
    quantiles = np.array([x.quantiles.ravel() for x in side])
    return np.column_stack(
        [
            np.array([[x.spread * weights.spread] for x in side]),
            quantiles * weights.distribution / quantiles.shape[1],
            grain,
        ]
    )
