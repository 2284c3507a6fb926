"""The way of setting that a person chose for single repairs of a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from facademap.repair.mixes import DEFAULT_MIX
from facademap.repair.pieces import design_rows
from facademap.repair.planning import RepairPlan
from facademap.repair.rows import rows_of
from facademap.repair.settings import Settings
from facademap.repair.stonework import Stonework
from facademap.repair.ways import Way
from facademap.salvage.densities import StoneDensity

__all__ = ["choose_ways"]

_FOLLOWS = ("pins", "materials", "cautions")


def choose_ways(
    plan: RepairPlan,
    ways: Mapping[str, Way],
    *,
    stonework: Stonework,
    settings: Settings,
    densities: Mapping[str, StoneDensity | float] | None = None,
    mix: str = DEFAULT_MIX,
) -> RepairPlan:
    """The plan in which the repairs named have a way of setting of their own.

    Parameters
    ----------
    plan : RepairPlan
        With the ids that its repairs keep.
    ways : mapping of repair id to Way
        A repair that is not in the plan is passed over.
    stonework, settings, densities, mix
        As for :func:`facademap.repair.planning.plan_repairs`.

    Returns
    -------
    RepairPlan
        Pins, materials, cautions and gaps of these repairs follow their way; their pieces keep their sizes.
    """
    mine = {n: w for n, w in ways.items() if n in set(plan.repairs["id"])}
    if not mine:
        return plan
    records = rows_of(plan.repairs[plan.repairs["id"].isin(mine)])
    _, gaps = design_rows(
        records, stonework, settings=settings, densities=densities, mix=mix, ways=mine
    )
    fresh = {r["id"]: r for r in records}
    repairs = plan.repairs.copy()
    for column in _FOLLOWS:
        repairs[column] = pd.Series(
            [
                fresh[i][column] if i in fresh else v
                for i, v in zip(repairs["id"], repairs[column], strict=True)
            ],
            index=repairs.index,
            dtype=object,
        )
    kept = tuple(g for g in plan.gaps if g.about not in mine)
    return replace(plan, repairs=repairs, gaps=(*kept, *gaps))
