"""Conditions of two surveys paired: what is the same, grown, shrunk, split, merged, new, gone or repaired."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from facademap.tables import is_missing

__all__ = ["Fate", "PairRules", "Paired", "pair_surveys"]

Fate = Literal[
    "same",
    "grown",
    "shrunk",
    "split",
    "merged",
    "regrouped",
    "new",
    "first drawn",
    "gone",
    "repaired",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairRules:
    """Settings of pairing.

    Parameters
    ----------
    least_overlap : float
        Share of the smaller of two outlines that must be common.
    line_m, point_m : float
        Half width that a line, and reach that a point is given.
    outline_sigma_m : float
        How far two people's outlines of one thing lie apart (habit of ours).
    """

    least_overlap: float = 0.25
    line_m: float = 0.015
    point_m: float = 0.030
    outline_sigma_m: float = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Paired:
    """What became of one condition, or of several that belong together.

    Parameters
    ----------
    old, new : tuple of str
        Ids in each survey; empty where there are none.
    fate : str
    size_old, size_new, plus_minus_95 : float
        Square metres of areas, metres of lines; the plus or minus is that of the difference.
    unit : {"m2", "m", ""}
        Empty for points.
    shape : shapely.Geometry
        All outlines together.
    classes : tuple of str
        Classes that differ, such as ``cc 1 to 2``.
    """

    old: tuple[str, ...]
    new: tuple[str, ...]
    fate: Fate
    size_old: float
    size_new: float
    plus_minus_95: float
    unit: str
    shape: shapely.Geometry
    classes: tuple[str, ...]


def pair_surveys(
    old: Sequence[Mapping[str, Any]],
    new: Sequence[Mapping[str, Any]],
    *,
    repaired: Iterable[str] = (),
    rules: PairRules | None = None,
) -> list[Paired]:
    """Pair the conditions of one surface.

    Parameters
    ----------
    old, new : sequence of mapping
        Rows of the table of conditions.
    repaired : iterable of str
        Old conditions whose repair is done.
    rules : PairRules, optional

    Returns
    -------
    list of Paired
        Grown and new first.
    """
    rules, done = rules or PairRules(), set(repaired)
    rows = [*old, *new]
    if not rows:
        return []
    wide = np.array([_widened(r["geometry"], rules) for r in rows], dtype=object)
    one, other = shapely.STRtree(wide[len(old) :]).query(wide[: len(old)], predicate="intersects")
    links = [
        (a, len(old) + b)
        for a, b in zip(one, other, strict=True)
        if _kind(old[a]) == _kind(new[b])
        and wide[a].intersection(wide[len(old) + b]).area
        >= rules.least_overlap * min(wide[a].area, wide[len(old) + b].area)
    ]
    starts, ends = (np.array([link[k] for link in links], dtype=int) for k in (0, 1))
    graph = coo_matrix((np.ones(len(links)), (starts, ends)), shape=(len(rows), len(rows)))
    count, label = connected_components(graph, directed=False)
    found = []
    for number in range(count):
        members = np.flatnonzero(label == number)
        olds = [rows[k] for k in members if k < len(old)]
        news = [rows[k] for k in members if k >= len(old)]
        found.append(_paired(olds, news, done, rules))
    order = ("new", "grown", "split", "merged", "regrouped", "same", "shrunk", "gone", "repaired")
    return sorted(found, key=lambda p: (order.index(p.fate), (*p.new, *p.old)))


def _kind(row: Mapping[str, Any]) -> tuple[int, str]:
    """Areas pair with areas, lines with lines, and stone with stone, joint with joint."""
    layer = row.get("layer")
    return int(shapely.get_dimensions(row["geometry"])), "" if is_missing(layer) else str(layer)


def _widened(shape: shapely.Geometry, rules: PairRules) -> shapely.Geometry:
    dimension = int(shapely.get_dimensions(shape))
    reach = (rules.point_m, rules.line_m, 0.0)[dimension]
    return shapely.buffer(shape, reach)


def _size(rows: Sequence[Mapping[str, Any]]) -> float:
    shapes = [r["geometry"] for r in rows]
    if not shapes:
        return 0.0
    if int(shapely.get_dimensions(shapes[0])) == 2:
        return float(shapely.union_all(shapes).area)
    return float(sum(s.length for s in shapes))


def _paired(
    olds: list[Mapping[str, Any]],
    news: list[Mapping[str, Any]],
    done: set[str],
    rules: PairRules,
) -> Paired:
    shapes = [r["geometry"] for r in (*olds, *news)]
    dimension = int(shapely.get_dimensions(shapes[0]))
    before, after = _size(olds), _size(news)
    doubt = 1.96 * math.sqrt(2) * rules.outline_sigma_m
    # an outline that lies off all along shifts its area by its length; a line by its two ends
    edge = max(shapely.union_all(shapes).length, 0.0) if dimension == 2 else 2.0
    more = doubt * edge if dimension else 0.0
    return Paired(
        old=tuple(str(r["id"]) for r in olds),
        new=tuple(str(r["id"]) for r in news),
        fate=_fate(olds, news, after - before, more, done),
        size_old=before,
        size_new=after,
        plus_minus_95=more,
        unit=("", "m", "m2")[dimension],
        shape=shapely.union_all([_widened(s, rules) for s in shapes]),
        classes=_classes(olds, news),
    )


def _fate(
    olds: list[Mapping[str, Any]],
    news: list[Mapping[str, Any]],
    growth: float,
    more: float,
    done: set[str],
) -> Fate:
    if not olds:
        return "new"
    if not news:
        return "repaired" if all(str(r["id"]) in done for r in olds) else "gone"
    if len(olds) > 1:
        return "merged" if len(news) == 1 else "regrouped"
    if len(news) > 1:
        return "split"
    if abs(growth) <= more:
        return "same"
    return "grown" if growth > 0 else "shrunk"


def _classes(olds: list[Mapping[str, Any]], news: list[Mapping[str, Any]]) -> tuple[str, ...]:
    """The worst class of each survey, where it differs."""
    told = []
    for name in ("cc", "uc") if olds and news else ():
        was, now = (
            max((int(r[name]) for r in rows if not is_missing(r.get(name))), default=None)
            for rows in (olds, news)
        )
        if was != now:
            told.append(f"{name} {'-' if was is None else was} to {'-' if now is None else now}")
    return tuple(told)
