"""Planning a few changed conditions again, without planning the wall."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from facademap.repair.fixings import BEFORE
from facademap.repair.mixes import DEFAULT_MIX
from facademap.repair.pieces import Gap, is_inset
from facademap.repair.planning import carry_ids, plan_repairs
from facademap.repair.rows import rows_of
from facademap.repair.rules import RuleTable
from facademap.repair.settings import Settings
from facademap.repair.stonework import Stonework
from facademap.repair.treatments import Overrule
from facademap.salvage.densities import StoneDensity
from facademap.values import frozen_value

__all__ = ["Replan", "replan"]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Replan:
    """What changes in a plan: rows to put, ids that fall away, and the conditions that were looked at."""

    repairs: gpd.GeoDataFrame
    pieces: gpd.GeoDataFrame
    dropped: tuple[str, ...]
    conditions: tuple[str, ...]
    gaps: tuple[Gap, ...]


def replan(
    changed: Iterable[str],
    conditions: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    previous: gpd.GeoDataFrame,
    *,
    stonework: Stonework,
    rules: RuleTable,
    settings: Settings,
    new_id: Callable[[], str],
    densities: Mapping[str, StoneDensity | float] | None = None,
    fixing: str = BEFORE,
    mix: str = DEFAULT_MIX,
    overrules: Mapping[str, Overrule] | None = None,
    fixed: gpd.GeoDataFrame | None = None,
) -> Replan:
    """Plan changed, new or deleted conditions again, with every condition that bears on the same stones.

    Parameters
    ----------
    changed : iterable of str
        Ids of conditions; one that is no longer in ``conditions`` was deleted.
    conditions, wall_stones : GeoDataFrame
        The whole tables as they stand now.
    previous : GeoDataFrame
        Repairs of the last plan that are still proposed.
    stonework : Stonework
        Made once and kept.
    rules, settings, densities, mix, fixing, overrules, fixed
        As for :func:`plan_repairs`.
    new_id : callable
        Gives the id of a repair that is new.

    Returns
    -------
    Replan
        Together with the rows of ``previous`` that are not named in it, the same plan as planning everything again.
    """
    shapes = np.asarray(conditions.geometry.array)
    ids = [str(i) for i in conditions["id"]]
    place = {name: k for k, name in enumerate(ids)}
    tree = shapely.STRtree(shapes)
    new = {str(c) for c in changed}
    answers = [set(a or ()) for a in previous["conditions"]] if len(previous) else []
    pieced = [is_inset(t) for t in previous["treatment"]] if len(previous) else []
    stone_of = [str(s) for s in previous["wall_stone"]] if len(previous) else []

    # the stones whose needs change: those under the changed conditions now, and those cut for them before
    stones: set[str] = {
        s for a, p, s in zip(answers, pieced, stone_of, strict=True) if p and a & new
    }
    present = conditions.iloc[sorted(place[n] for n in new if n in place)]
    for surface, shape in zip(present["surface"], present.geometry, strict=True):
        if shape is not None and not shape.is_empty:
            stones |= {s.id for s in stonework.near(str(surface), shape)}
    # every condition that bears on them, and what their old cut-outs answered
    found = set(new)
    for stone in stones & stonework.stones.keys():
        found |= {
            ids[k]
            for k in tree.query(
                stonework.stones[stone].drawn.buffer(settings.joint_search_m),
                predicate="intersects",
            )
        }
    for a, p, s in zip(answers, pieced, stone_of, strict=True):
        if p and s in stones:
            found |= a
    looked_at = conditions.iloc[sorted(place[n] for n in found if n in place)]

    standing = _standing(
        previous,
        looked_at,
        [k for k, (p, s) in enumerate(zip(pieced, stone_of, strict=True)) if p and s not in stones],
    )
    plan = plan_repairs(
        looked_at,
        wall_stones,
        wall_stones.iloc[:0],
        rules=rules,
        settings=settings,
        densities=densities,
        mix=mix,
        fixing=fixing,
        overrules=overrules,
        fixed=fixed,
        stonework=stonework,
        only_stones=stones,
        standing=standing,
    )
    grown = set(plan.repairs["wall_stone"]) if len(plan.repairs) else set()
    touched = [
        k
        for k, (a, p, s) in enumerate(zip(answers, pieced, stone_of, strict=True))
        if (p and (s in stones or s in grown & {str(r["wall_stone"]) for r in standing}))
        or (not p and a & found)
    ]
    kept = {stone_of[k] for k in touched if pieced[k] and stone_of[k] not in stones}
    plan = carry_ids(plan, previous.iloc[touched], new_id=new_id)
    here = set(plan.repairs["id"]) if len(plan.repairs) else set()
    names = [str(i) for i in previous["id"]] if len(previous) else []
    dropped = tuple(
        sorted(names[k] for k in touched if names[k] not in here and stone_of[k] not in kept)
    )
    return Replan(
        repairs=plan.repairs,
        pieces=plan.pieces,
        gaps=plan.gaps,
        conditions=tuple(sorted(found)),
        dropped=dropped,
    )


def _standing(
    previous: gpd.GeoDataFrame, conditions: gpd.GeoDataFrame, candidates: list[int]
) -> list[dict[str, Any]]:
    """Cut-outs outside the stones planned again that may answer surface work among the conditions."""
    if not candidates or not len(conditions):
        return []
    rows = previous.iloc[candidates]
    near = shapely.STRtree(np.asarray(rows.geometry.array)).query(
        np.asarray(conditions.geometry.array), predicate="intersects"
    )[1]
    return rows_of(rows.iloc[sorted(set(near.tolist()))])
