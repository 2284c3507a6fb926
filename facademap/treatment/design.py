"""The designed treatments of a project: one job for each repair that is not a piece of stone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd
import shapely

from facademap.repair.cautions import DEFER
from facademap.repair.consents import open_consents
from facademap.repair.rows import rows_of
from facademap.repair.schedule import amounts_of
from facademap.repair.settings import Settings
from facademap.repair.work_hours import Hours, WorkRates, hours_of_repair
from facademap.tables import PIECED, is_missing
from facademap.treatment.carrying import carrying_cautions, carrying_parts
from facademap.treatment.case import Case
from facademap.treatment.cleaning import design_cleaning
from facademap.treatment.consolidate import design_consolidation
from facademap.treatment.crack import design_crack
from facademap.treatment.job import Job, sentences
from facademap.treatment.metal import design_metal
from facademap.treatment.mortar_repair import design_mortar_repair
from facademap.treatment.poisons import poison_flags
from facademap.treatment.refix import design_refix
from facademap.treatment.repoint import design_repointing
from facademap.treatment.shelter import design_shelter
from facademap.treatment.values import TreatmentValues
from facademap.treatment.watch import design_leave, design_make_safe

__all__ = ["DESIGNS", "Visit", "cases_of", "design_jobs", "visits_of"]

#: How each treatment is designed; insets and whole stones have a room of their own.
DESIGNS: Mapping[str, Callable[[Case], Job]] = {
    "leave": design_leave,
    "clean": design_cleaning,
    "repoint": design_repointing,
    "crack repair": design_crack,
    "mortar repair": design_mortar_repair,
    "consolidate": design_consolidation,
    "make safe": design_make_safe,
    "re-fix": design_refix,
    "metal": design_metal,
    "shelter": design_shelter,
}
#: Stones whose outlines are looked at round a repair.
_NEAR_M = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """Repairs on one stone that are done and priced as one visit.

    Parameters
    ----------
    surface, wall_stone : str
    repairs : tuple of str
        Ids, in order of work.
    treatments : tuple of str
        In the same order.
    hours : Hours
        Of a crew, with one setting up instead of one a repair.
    saved : Hours
        What that saves.
    """

    surface: str
    wall_stone: str
    repairs: tuple[str, ...]
    treatments: tuple[str, ...]
    hours: Hours
    saved: Hours


#: Order of work on one stone: safety, then what is loose, then stone, then joints; cleaning before colour is matched.
_ORDER = (
    "make safe", "metal", "re-fix", "consolidate", "clean", "crack repair", "whole stone", "inset", "mortar repair", "repoint", "shelter", "leave",
)  # fmt: skip


def cases_of(
    frames: Mapping[str, pd.DataFrame], *, settings: Settings, values: TreatmentValues
) -> list[Case]:
    """What every repair with a designed treatment is designed from, by id.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``repairs``, ``conditions``, ``wall_stones`` and, where there are any, ``trials``.
    settings : Settings
    values : TreatmentValues
    """
    conditions = {str(c["id"]): c for c in rows_of(frames["conditions"])}
    stones = {str(s["id"]): s for s in rows_of(frames["wall_stones"])}
    trials = list(rows_of(frames["trials"])) if "trials" in frames else []
    trees = _trees(list(stones.values()))
    found = []
    for repair in rows_of(frames["repairs"]):
        if str(repair["treatment"]) not in DESIGNS:
            continue
        own = [conditions[str(c)] for c in repair["conditions"] or () if str(c) in conditions]
        stone = (
            None if is_missing(repair.get("wall_stone")) else stones.get(str(repair["wall_stone"]))
        )
        near = _near(trees.get(str(repair["surface"])), repair["geometry"])
        found.append(
            Case(
                repair=repair,
                conditions=own,
                stone=stone,
                near=[s for s, _ in near],
                parts=near,
                settings=settings,
                values=values,
                trials=[t for t in trials if _concerns(t, repair, stone)],
            )
        )
    return sorted(found, key=lambda c: c.name)


def design_jobs(
    frames: Mapping[str, pd.DataFrame], *, settings: Settings, values: TreatmentValues
) -> list[Job]:
    """The designed treatment of every repair that is not a piece of stone, by id.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``repairs``, ``conditions``, ``wall_stones`` and, where there are any, ``trials`` and ``consents``.
    settings : Settings
        Trade values of the profile.
    values : TreatmentValues
        Trade values of treatments.
    """
    consents = rows_of(frames["consents"]) if "consents" in frames else []
    return [
        _flagged(
            _with_what_holds_it(
                DESIGNS[str(case.repair["treatment"])](case), case.repair, consents
            ),
            case,
        )
        for case in cases_of(frames, settings=settings, values=values)
    ]


def _with_what_holds_it(
    job: Job, repair: Mapping[str, Any], consents: Sequence[Mapping[str, Any]]
) -> Job:
    """The job with what keeps its repair waiting: a cause that is not settled, a consent whose conditions are not met."""
    held = repair.get("held_back")
    own = () if is_missing(held) else (str(held),)
    return replace(job, holds=(*own, *open_consents(consents, repair), *job.holds))


def _flagged(job: Job, case: Case) -> Job:
    """The job with what may be poisonous there and what may carry, which are assessed before work begins."""
    carrying = carrying_parts(case.repair, case.stone, case.parts)
    flags = poison_flags(case.conditions)
    if job.treatment == "leave" or not (flags or carrying):
        return job
    told = [c for c in job.cautions if c != DEFER]
    last = [DEFER] if DEFER in job.cautions or carrying else []
    return replace(
        job,
        cautions=sentences(
            [c for c in carrying_cautions(carrying) if c != DEFER], flags, told, last
        ),
    )


def visits_of(repairs: Sequence[Mapping[str, Any]]) -> list[Visit]:
    """Stones with more than one repair that is done, each with its repairs in order of work.

    What is only left and looked at again, and what lies on no stone, makes no visit.
    """
    by_stone: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for repair in repairs:
        if is_missing(repair.get("wall_stone")) or str(repair["treatment"]) not in _ORDER[:-1]:
            continue
        by_stone.setdefault((str(repair["surface"]), str(repair["wall_stone"])), []).append(repair)
    found = []
    for (surface, stone), own in sorted(by_stone.items()):
        if len(own) < 2:
            continue
        own.sort(key=lambda r: (_ORDER.index(str(r["treatment"])), str(r["id"])))
        hours, saved = _hours_of_visit(own)
        found.append(
            Visit(
                surface=surface,
                wall_stone=stone,
                repairs=tuple(str(r["id"]) for r in own),
                treatments=tuple(str(r["treatment"]) for r in own),
                hours=hours,
                saved=saved,
            )
        )
    return found


def _hours_of_visit(own: Sequence[Mapping[str, Any]]) -> tuple[Hours, Hours]:
    """Hours of repairs that are done together, each without its setting up, the longest setting up once; and what is saved."""
    rates = WorkRates()
    hours = []
    for r in own:
        lift = 0 if is_missing(r.get("lift")) else int(r["lift"])
        shape = r["geometry"]
        told = {} if shape is None else amounts_of(r, shape)
        hours.append(hours_of_repair(str(r["treatment"]), told, lift=lift, rates=rates))
    starts = [rates.set_up if str(r["treatment"]) in PIECED else rates.small_set_up for r in own]
    longest = max(starts, key=lambda s: s.likely_h)

    def saved_of(name: str) -> float:
        return float(sum(getattr(s, name) for s in starts) - getattr(longest, name))

    def apart_of(name: str) -> float:
        return float(sum(getattr(h, name) for h in hours))

    saved = {n: saved_of(n) for n in ("low_h", "likely_h", "high_h")}
    return Hours(**{n: apart_of(n) - s for n, s in saved.items()}), Hours(**saved)


Stones = tuple[shapely.STRtree, list[tuple[Any, str]]]


def _trees(stones: Sequence[Mapping[str, Any]]) -> dict[str, Stones]:
    by_surface: dict[str, list[tuple[Any, str]]] = {}
    for stone in stones:
        shape = stone.get("geometry")
        if shape is not None and not shape.is_empty and shape.is_valid:
            part = "" if is_missing(stone.get("part")) else str(stone["part"])
            by_surface.setdefault(str(stone["surface"]), []).append((shape, part))
    return {
        name: (shapely.STRtree([s for s, _ in pairs]), pairs) for name, pairs in by_surface.items()
    }


def _near(tree: Stones | None, shape: Any) -> list[tuple[Any, str]]:
    """Outlines of the stones near a shape, with their parts."""
    if tree is None or shape is None or shape.is_empty:
        return []
    found = tree[0].query(shape, predicate="dwithin", distance=_NEAR_M)
    return [tree[1][k] for k in sorted(found.tolist())]


def _concerns(
    trial: Mapping[str, Any], repair: Mapping[str, Any], stone: Mapping[str, Any] | None
) -> bool:
    """Whether a trial is of this treatment and of this kind of stone; one that names no stone counts for none."""
    if str(trial.get("treatment")) != str(repair["treatment"]):
        return False
    of = trial.get("stone_type")
    own = None if stone is None else stone.get("stone_type")
    return (
        not is_missing(of)
        and not is_missing(own)
        and str(of).strip().lower() == str(own).strip().lower()
    )
