"""Planning a few changed conditions again, without planning the wall."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from facademap.repair.handling import StoneDensity
from facademap.repair.pieces import Gap, is_inset
from facademap.repair.planning import RepairPlan, carry_ids, plan_repairs
from facademap.repair.rows import rows_of
from facademap.repair.rules import RuleTable
from facademap.repair.settings import Settings
from facademap.repair.stonework import Stonework
from facademap.repair.treatments import Overrule, decide_treatments

__all__ = ["Replan", "replan"]


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
    overrules: Mapping[str, Overrule] | None = None,
    fixed: gpd.GeoDataFrame | None = None,
) -> Replan:
    """Plan changed, new or deleted conditions again, with every condition that shares a stone to be cut with them.

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
    rules, settings, densities, overrules, fixed
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
    old = rows_of(previous)
    by_condition: dict[str, list[dict[str, Any]]] = {}
    for row in old:
        for name in row["conditions"] or ():
            by_condition.setdefault(name, []).append(row)

    found = {str(c) for c in changed}
    stones: set[str] = set()
    frontier = set(found)
    while frontier:
        present = sorted(place[n] for n in frontier if n in place)
        part = conditions.iloc[present]
        decided = decide_treatments(part, wall_stones, rules=rules, overrules=overrules)
        fresh: set[str] = set()
        for surface, shape, treatment in zip(part["surface"], part.geometry, decided["treatment"], strict=True):
            if is_inset(treatment) and shape is not None:
                fresh |= {s.id for s in stonework.near(str(surface), shape)} - stones
        for name in frontier:
            for row in by_condition.get(name, ()):
                if is_inset(row["treatment"]):
                    fresh |= {str(row["wall_stone"])} - stones
        stones |= fresh
        reached: set[str] = set()
        for stone in fresh:
            if stone in stonework.stones:
                reached |= {ids[k] for k in tree.query(stonework.stones[stone].drawn.buffer(settings.joint_search_m), predicate="intersects")}
        # what an old cut-out answered is looked at again with it
        reached |= {c for row in old if is_inset(row["treatment"]) and str(row["wall_stone"]) in fresh for c in row["conditions"] or ()}
        frontier = reached - found
        found |= reached

    looked_at = conditions.iloc[sorted(place[n] for n in found if n in place)]
    plan = plan_repairs(looked_at, wall_stones, wall_stones.iloc[:0], rules=rules, settings=settings, densities=densities,
                        overrules=overrules, fixed=fixed, stonework=stonework)
    touched = [k for k, row in enumerate(old) if found & set(row["conditions"] or ()) and (
        not is_inset(row["treatment"]) or str(row["wall_stone"]) in stones)]
    keep = [k for k, row in enumerate(old) if is_inset(row["treatment"]) and str(row["wall_stone"]) not in stones
            and found & set(row["conditions"] or ())]
    plan = _without_stones(plan, {str(old[k]["wall_stone"]) for k in keep})
    plan = carry_ids(plan, previous.iloc[touched], new_id=new_id)
    fresh_ids = set(plan.repairs["id"]) if len(plan.repairs) else set()
    return Replan(repairs=plan.repairs, pieces=plan.pieces, gaps=plan.gaps, conditions=tuple(sorted(found)),
                  dropped=tuple(sorted(str(old[k]["id"]) for k in touched if old[k]["id"] not in fresh_ids)))


def _without_stones(plan: RepairPlan, stones: set[str]) -> RepairPlan:
    """The plan without cut-outs in stones that were not looked at."""
    if not stones or not len(plan.repairs):
        return plan
    out = plan.repairs["wall_stone"].isin(stones) & plan.repairs["treatment"].isin(["inset", "whole stone"])
    gone = set(plan.repairs[out]["id"])
    return RepairPlan(repairs=plan.repairs[~out].reset_index(drop=True),
                      pieces=plan.pieces[~plan.pieces["repair"].isin(gone)].reset_index(drop=True), gaps=plan.gaps)
