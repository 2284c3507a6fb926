"""Plan the repairs of a project: treatments, cut-outs, pieces; what people approved is left alone."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from facademap.condition.gauges import Gauge
from facademap.errors import InputError
from facademap.io.rule_files import load_profile, load_rules
from facademap.repair.adjust import BY_HAND
from facademap.repair.cautions import DEFER
from facademap.repair.dust import DUST_TASKS, dust_controls
from facademap.repair.fixings import BEFORE, fixing_named
from facademap.repair.handling import stack_loads
from facademap.repair.make_safe import COLUMNS as MAKE_SAFE_COLUMNS
from facademap.repair.make_safe import make_safe_list
from facademap.repair.mix_choice import choose_mixes
from facademap.repair.mixes import DEFAULT_MIX, mix_named
from facademap.repair.pieces import Gap, is_inset
from facademap.repair.planning import RepairPlan, carry_ids, plan_repairs
from facademap.repair.replanning import replan
from facademap.repair.settings import Settings
from facademap.repair.settled import RESERVED_STATES
from facademap.repair.stonework import Stonework
from facademap.repair.treatments import Overrule, decide_treatments
from facademap.repair.way_choice import choose_ways
from facademap.repair.ways import Way
from facademap.store.edit import Edit, row_as_json
from facademap.store.gate import consequences_of, gated_edit, store_large, take_out
from facademap.store.project import Project
from facademap.tables import TABLES, is_missing
from facademap.tasks.plan.densities import densities_of_project
from facademap.tasks.survey.kept_gauges import gauges_in

__all__ = [
    "choose_dust_tasks",
    "choose_mix",
    "dust_advice",
    "make_safe_of_project",
    "overrule_condition",
    "plan_project",
    "profile_of_project",
    "replan_project",
    "settings_of_project",
    "ways_of_project",
]

#: What becomes of a repair that planning does not want any more, but that has a record.
_LEFT: Mapping[str, Any] = {
    "treatment": "leave",
    "conditions": [],
    "asks": [],
    "held_back": "Planning does not want it any more; it stays for its record.",
    "removed_area_m2": 0.0,
    "removed_volume_m3": 0.0,
}
#: A repair of another stage is a promise or a fact: planning does not touch it.
_FREE_STAGES = frozenset({"proposed"})
#: What the matching found out about a piece that no block serves.
_FOUND = ("unmatched_reason", "source_size")


def profile_of_project(project: Project, *, profile: str | Path | None = None) -> Settings:
    """The profile of the project as it was published, told in the units that the project reads."""
    chosen = load_profile(profile or project.setting("profile", "metric"))
    return replace(chosen, reads=str(project.setting("units") or ""))


def settings_of_project(project: Project, *, profile: str | Path | None = None) -> Settings:
    """The profile of the project with the values that were decided for it, told in the units that it reads."""
    settings = profile_of_project(project, profile=profile)
    changes = project.setting("trade_values", {}) or {}
    return settings.with_values(changes, source="decided for this project") if changes else settings


def ways_of_project(project: Project) -> dict[str, Way]:
    """The ways of setting that people chose for single repairs, by repair."""
    return {str(n): Way.read(w) for n, w in (project.setting("fixings", {}) or {}).items()}


def plan_project(
    folder: str | Path,
    *,
    profile: str | Path | None = None,
    rules_path: str | Path | None = None,
    fixing: str | None = None,
    who: str = "facademap plan",
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Plan all conditions of a project and store repairs and pieces in one transaction.

    Parameters
    ----------
    folder : path
        Project.
    profile : str or path, optional
        ``metric``, ``inch`` or a file; the project's own setting, else ``metric``, when not given.
    rules_path : path, optional
        Rule table; the project's own setting, else the packaged one, when not given.
    fixing : str, optional
        How rods are set (``before``, ``through face`` or ``resin``); the project's own choice, else before the piece.
    who : str
        Named in the history.
    progress : callable, optional
        Told the share done.

    Returns
    -------
    dict
        Counts by treatment, original stone removed, gaps and ids that were kept, new or dropped.

    Notes
    -----
    Repairs that were approved or carried further, and cut-outs drawn by hand, are not touched, and the conditions that they answer are not
    planned again. Decisions of persons against the rules are kept. Ids are kept where a repair answers the same
    conditions in the same stone.
    """
    tell = progress or (lambda share: None)
    if fixing is not None:
        fixing_named(fixing)
    with Project.open(folder) as project:
        settings = settings_of_project(project, profile=profile)
        rules = load_rules(rules_path or project.setting("rules_path"))
        conditions, stones, openings = (
            project.read(n) for n in ("conditions", "wall_stones", "openings")
        )
        everything, conditions = len(conditions), _looked_at(conditions)
        repairs, pieces = project.read("repairs"), project.read("pieces")
        tell(0.2)
        fixed, free = _standing(repairs, project.read("placements"))
        overrules = _overrules(project, free)
        densities, mix = densities_of_project(project), project.setting("mix", None) or DEFAULT_MIX
        work = Stonework.from_frames(
            stones, openings, profiles=project.setting("profile_lines", {}) or {}
        )
        planned = plan_repairs(
            conditions,
            stones,
            openings,
            rules=rules,
            settings=settings,
            densities=densities,
            overrules=overrules,
            fixed=fixed,
            fixing=fixing or project.setting("fixing", BEFORE),
            mix=mix,
            stonework=work,
        )
        tell(0.7)

        def store(edit: Edit) -> tuple[RepairPlan, list[str]]:
            plan = carry_ids(planned, free, new_id=lambda: edit.new_id("R"))
            plan = choose_ways(
                _keep_choices(plan, pieces),
                ways_of_project(project),
                stonework=work,
                settings=settings,
                densities=densities,
                mix=mix,
            )
            plan = _with_dust(plan, project.setting("dust_tasks", []) or [])
            plan = _own_mixes(project, plan, settings)
            dropped = sorted(set(free["id"]) - set(plan.repairs["id"])) if len(free) else []
            _store(project, edit, plan, pieces, dropped=dropped)
            edit.set("plan_gaps", [g.as_json() for g in plan.gaps])
            edit.set("overrules", _as_kept(overrules))
            if fixing is not None:
                edit.set("fixing", fixing)
            edit.set("profile", str(profile or project.setting("profile", "metric")))
            return plan, dropped

        plan, dropped = store_large(project, store, who=who, what="plan repairs")
        tell(1.0)
        summary = _summary(
            plan,
            conditions=conditions,
            stones=stones,
            fixed=fixed,
            dropped=dropped,
            before=set(free["id"]),
            settings=settings,
            rules_name=rules.name,
        )
        return {**summary, "unconfirmed": everything - len(conditions)}


def replan_project(
    folder: str | Path, changed: Iterable[str], *, who: str = "facademap plan"
) -> dict[str, Any]:
    """Plan a few changed, new or deleted conditions again and store what follows, in one transaction.

    Returns
    -------
    dict
        ``repairs`` and ``dropped`` (ids), ``conditions`` looked at, and ``gaps`` of these.
    """
    with Project.open(folder) as project:
        settings, rules = settings_of_project(project), load_rules(project.setting("rules_path"))
        conditions, stones, openings = (
            project.read(n) for n in ("conditions", "wall_stones", "openings")
        )
        conditions = _looked_at(conditions)
        repairs, pieces = project.read("repairs"), project.read("pieces")
        fixed, free = (
            part.reset_index(drop=True) for part in _standing(repairs, project.read("placements"))
        )
        work = Stonework.from_frames(
            stones, openings, profiles=project.setting("profile_lines", {}) or {}
        )
        densities, mix = densities_of_project(project), project.setting("mix", None) or DEFAULT_MIX

        def store(edit: Edit) -> tuple[RepairPlan, Any]:
            overrules = _overrules(project, free)
            delta = replan(
                changed,
                conditions,
                stones,
                free,
                stonework=work,
                rules=rules,
                settings=settings,
                new_id=lambda: edit.new_id("R"),
                densities=densities,
                overrules=overrules,
                fixed=fixed,
                fixing=project.setting("fixing", BEFORE),
                mix=mix,
            )
            plan = choose_ways(
                _keep_choices(
                    RepairPlan(repairs=delta.repairs, pieces=delta.pieces, gaps=delta.gaps), pieces
                ),
                ways_of_project(project),
                stonework=work,
                settings=settings,
                densities=densities,
                mix=mix,
            )
            plan = _with_dust(plan, project.setting("dust_tasks", []) or [])
            plan = _own_mixes(project, plan, settings)
            _store(project, edit, plan, pieces, dropped=delta.dropped)
            kept = [
                g
                for g in project.setting("plan_gaps", []) or []
                if g["about"] not in {*delta.conditions, *delta.dropped, *plan.repairs["id"]}
            ]
            edit.set("overrules", _as_kept(overrules))
            edit.set("plan_gaps", kept + [g.as_json() for g in plan.gaps])
            return plan, delta

        plan, delta = store_large(project, store, who=who, what="plan again")
    return {
        "repairs": list(plan.repairs["id"]),
        "dropped": list(delta.dropped),
        "conditions": list(delta.conditions),
        "gaps": [g.as_json() for g in plan.gaps],
    }


def _standing(
    repairs: gpd.GeoDataFrame, placements: pd.DataFrame
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Repairs that stand (approved or further, drawn by hand, or promised a place), and those that may be planned anew."""
    if not len(repairs):
        return repairs, repairs
    promised = set(placements["repair"][placements["state"].isin(RESERVED_STATES)])
    free = (
        repairs["stage"].isin(_FREE_STAGES)
        & (repairs["rule"] != BY_HAND)
        & ~repairs["id"].isin(promised)
    )
    return repairs[~free], repairs[free]


def _store(
    project: Project, edit: Edit, plan: RepairPlan, pieces: pd.DataFrame, *, dropped: Iterable[str]
) -> None:
    """Put the rows of a plan; what falls away goes with its pieces and places, but not what has a record."""
    for repair in dropped:
        if project.read("work_log", where={"repair": repair}).empty:
            take_out(edit, project, consequences_of(project, [("repairs", repair)]))
            continue
        edit.clear("placements", where={"repair": repair})
        edit.clear("pieces", where={"repair": repair})
        edit.update("repairs", repair, dict(_LEFT))
    planned, wanted = set(plan.repairs["id"]), set(plan.pieces["id"])
    for row in pieces.to_dict("records"):
        if row["repair"] in planned and row["id"] not in wanted:
            edit.clear("placements", where={"piece": row["id"]})
            edit.delete("pieces", row["id"])
    if len(plan.repairs):
        edit.put("repairs", plan.repairs)
    if len(plan.pieces):
        edit.put("pieces", _with_findings(plan.pieces, pieces))


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def _with_findings(planned: pd.DataFrame, pieces: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of pieces; one that is planned as it was keeps why no block serves it, one that changed waits for matching."""
    table = TABLES["pieces"]
    before = {row["id"]: row for row in _rows(pieces)}
    rows = [table.check_row(row) for row in _rows(planned)]
    for row in rows:
        old = before.get(row["id"])
        if old is not None:
            found = {name: old[name] for name in _FOUND}
            if row_as_json(table, {**row, **found}) == row_as_json(table, old):
                row.update(found)
    return rows


def choose_dust_tasks(
    folder: str | Path, tasks: Iterable[Sequence[str]], *, who: str = "facademap plan"
) -> list[str]:
    """Keep the dusty tasks that the user chose (task, hours a shift, place); returns the advice for each.

    A task of no row of the table is kept all the same: its advice is that exposure must be assessed.
    """
    kept, advice = [], []
    for entry in tasks:
        parts = [p.strip() for p in entry]
        # the table's own names hold commas, so the hours are looked for from the right
        place = parts.pop() if parts and parts[-1] in ("outdoors", "enclosed") else "outdoors"
        try:
            hours = float(parts.pop())
        except (ValueError, IndexError):
            raise InputError(
                f"dusty task {', '.join(entry)!r} has no hours",
                "Write it as TASK,HOURS,PLACE, such as 'handheld power saw,3,outdoors'.",
            ) from None
        task = ", ".join(parts)
        if not task:
            raise InputError(
                "a dusty task without a name",
                f"Use {'; '.join(DUST_TASKS)}, or name your own for an assessment.",
            )
        advice.append(dust_controls(task, hours=hours, place=place).sentence)  # type: ignore[arg-type]
        kept.append({"task": task, "hours": hours, "place": place})
    with Project.open(folder) as project, project.edit(who=who, what="choose dusty tasks") as edit:
        edit.set("dust_tasks", kept)
    return advice


def choose_mix(
    folder: str | Path, mix: str, *, repairs: Iterable[str] = (), who: str = "facademap plan"
) -> None:
    """Choose the lime mix of the project, or of some repairs; plan again for it to take effect.

    Raises
    ------
    InputError
        The mix is unknown, or a repair is not in the project.
    """
    mix_named(mix)
    names = [str(r) for r in repairs]
    with Project.open(folder) as project:
        for name in names:
            project.row("repairs", name)
        with project.edit(who=who, what=f"choose the mix {mix}") as edit:
            if names:
                own = dict(project.setting("mixes", {}) or {})
                edit.set("mixes", own | dict.fromkeys(names, mix))
            else:
                edit.set("mix", mix)


def _own_mixes(project: Project, plan: RepairPlan, settings: Settings) -> RepairPlan:
    """The plan with the mix that a person chose for single repairs."""
    stones = dict(
        zip(
            *(project.read("wall_stones")[c].astype(str) for c in ("id", "stone_type")), strict=True
        )
    )
    types = {
        str(r): stones.get(str(s))
        for r, s in zip(plan.repairs["id"], plan.repairs["wall_stone"], strict=True)
    }
    chosen = project.setting("mixes", {}) or {}
    return replace(plan, repairs=choose_mixes(plan.repairs, types, chosen, settings=settings))


def overrule_condition(
    folder: str | Path, condition: str, *, treatment: str | None, by: str, reason: str
) -> None:
    """Decide a condition against the rules, with a reason that is kept; ``treatment=None`` takes the decision back.

    Plan again for it to take effect.
    """
    with Project.open(folder) as project:
        project.row("conditions", condition)
        kept = dict(project.setting("overrules", {}) or {})
        if treatment is None:
            if kept.pop(condition, None) is None:
                raise InputError(
                    f"no decision of a person is kept for {condition}",
                    "Check the id of the condition.",
                )
            what = f"take back the decision on {condition}: {reason}"
        else:
            rule = Overrule(treatment=treatment, by=by, reason=reason)
            kept[condition] = {
                "treatment": rule.treatment,
                "by": rule.by,
                "reason": rule.reason,
                "planned": False,
            }
            what = f"decide {treatment} for {condition}"
        with gated_edit(project, who=by or "facademap plan", what=what) as edit:
            edit.set("overrules", kept)
            for row in project.read("repairs").to_dict("records") if treatment is None else ():
                names = row["conditions"] or ()
                if (
                    condition in names
                    and row["stage"] in _FREE_STAGES
                    and not any(n in kept for n in names)
                ):
                    edit.update("repairs", row["id"], {"overruled_by": None})


def make_safe_of_project(folder: str | Path) -> list[dict[str, Any]]:
    """The make-safe list of a project as plain rows, the most pressing first."""
    with Project.open(folder, read_only=True) as project:
        rules = load_rules(project.setting("rules_path"))
        conditions, stones, repairs = (
            project.read(n) for n in ("conditions", "wall_stones", "repairs")
        )
        decisions = decide_treatments(
            conditions, stones, rules=rules, overrules=_overrules(project, repairs)
        )
        listed = make_safe_list(conditions, stones, decisions=decisions)
        moving = [
            _moving(row, gauge) for row, gauge in gauges_in(project) if gauge.verdict == _BEYOND
        ]
    return moving + [
        {str(k): None if is_missing(v) else v for k, v in row.items()}
        for row in listed.to_dict("records")
    ]


_BEYOND = "beyond the limit"


def _moving(row: Mapping[str, Any], gauge: Gauge) -> dict[str, Any]:
    """A gauge beyond its limit as a row of the list: the wall moves, and that comes first."""
    place = row["geometry"]
    u, v = (0.0, 0.0) if place is None or place.is_empty else (float(place.x), float(place.y))
    return {
        **dict.fromkeys(MAKE_SAFE_COLUMNS),
        "condition": gauge.name,
        "surface": str(row["surface"]),
        "term": "gauge beyond its limit",
        "safety": "unsafe",
        "danger": "the wall may move",
        "u_m": u,
        "v_m": v,
        "height_m": v,
        "action": f"{gauge.change_m * 1000:+.2f} mm since the first reading: tell the engineer of the wall today. {DEFER}",
    }


def _overrules(project: Project, repairs: gpd.GeoDataFrame) -> dict[str, Overrule]:
    """Decisions of persons, by condition.

    They are kept in the project's settings. A mark set on a repair by hand counts for all its conditions and is taken
    over; a mark taken off a repair that had been planned with it is a decision taken back.
    """
    kept: dict[str, dict[str, Any]] = dict(project.setting("overrules", {}) or {})
    rows = repairs.to_dict("records") if len(repairs) else []
    marked: set[str] = set()
    listed: set[str] = set()
    for row in rows:
        names = [str(c) for c in row["conditions"] or ()]
        listed.update(names)
        if is_missing(row["overruled_by"]):
            continue
        marked.update(names)
        decided = [n for n in names if n in kept]
        if decided and any(_same_kind(kept[n]["treatment"], row["treatment"]) for n in decided):
            continue
        reason = row["reason"] if not is_missing(row["reason"]) else "not written down"
        for name in decided or names:
            kept[name] = {
                "treatment": row["treatment"],
                "by": row["overruled_by"],
                "reason": reason,
                "planned": True,
            }
    return {
        n: Overrule(treatment=k["treatment"], by=k["by"], reason=k["reason"])
        for n, k in kept.items()
        if not (k.get("planned") and n in listed and n not in marked)
    }


def _as_kept(overrules: Mapping[str, Overrule]) -> dict[str, dict[str, Any]]:
    return {
        n: {"treatment": o.treatment, "by": o.by, "reason": o.reason, "planned": True}
        for n, o in overrules.items()
    }


def _same_kind(one: str, two: str) -> bool:
    """Whether two treatments come from one decision: an inset may have become a whole stone."""
    return one == two or (is_inset(one) and is_inset(two))


def dust_advice(tasks: Iterable[Mapping[str, Any]]) -> list[str]:
    """The dust controls of the tasks chosen for a project, a sentence each."""
    return [
        dust_controls(
            str(t["task"]), hours=float(t["hours"]), place=t.get("place", "outdoors")
        ).sentence
        for t in tasks
    ]


def _with_dust(plan: RepairPlan, tasks: Iterable[Mapping[str, Any]]) -> RepairPlan:
    """The dust controls of the tasks chosen for the project among the cautions of every cut-out."""
    advice = dust_advice(tasks)
    if not advice or not len(plan.repairs):
        return plan
    repairs = plan.repairs.copy()
    repairs["cautions"] = pd.Series(
        [
            [*c, *advice] if is_inset(t) else c
            for c, t in zip(repairs["cautions"], repairs["treatment"], strict=True)
        ],
        index=repairs.index,
        dtype=object,
    )
    return RepairPlan(repairs=repairs, pieces=plan.pieces, gaps=plan.gaps)


def _keep_choices(plan: RepairPlan, pieces: pd.DataFrame) -> RepairPlan:
    """What people and the matching set on a piece stays: locks, accepted stones, colour wanted."""
    if not len(pieces) or not len(plan.pieces):
        return plan
    old = {row["id"]: row for row in pieces.to_dict("records")}
    fresh = plan.pieces.copy()
    for column in (
        "accept",
        "weathered",
        "lab",
        "appearance",
        "de_tolerance",
        "lock_block",
        "forbid_blocks",
    ):
        values = [
            old[i][column] if i in old and not is_missing(old[i][column]) else v
            for i, v in zip(fresh["id"], fresh[column], strict=True)
        ]
        fresh[column] = pd.Series(values, index=fresh.index, dtype=fresh[column].dtype)
    return RepairPlan(repairs=plan.repairs, pieces=fresh, gaps=plan.gaps)


def _looked_at(conditions: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Conditions that a person drew or confirmed: what the machine proposed and nobody has looked at is not planned for."""
    waits = (conditions["origin"] == "assisted") & conditions["confirmed_by"].map(is_missing)
    return conditions[~waits.astype(bool)].reset_index(drop=True)


def _summary(
    plan: RepairPlan,
    *,
    conditions: gpd.GeoDataFrame,
    stones: gpd.GeoDataFrame,
    fixed: gpd.GeoDataFrame,
    dropped: list[str],
    before: set[str],
    settings: Settings,
    rules_name: str,
) -> dict[str, Any]:
    repairs = plan.repairs
    everything = (
        pd.concat(
            [
                repairs[["treatment", "removed_area_m2", "removed_volume_m3"]],
                fixed[["treatment", "removed_area_m2", "removed_volume_m3"]],
            ]
        )
        if len(fixed)
        else repairs
    )
    area = float(pd.to_numeric(everything["removed_area_m2"]).sum()) if len(everything) else 0.0
    volume = float(pd.to_numeric(everything["removed_volume_m3"]).sum()) if len(everything) else 0.0
    face = float(stones.geometry.area.sum()) if len(stones) else 0.0
    names = set(repairs["id"]) if len(repairs) else set()
    loads = stack_loads(plan.pieces, repairs, settings=settings)
    return {
        "conditions": len(conditions),
        "repairs": len(repairs) + len(fixed),
        "pieces": len(plan.pieces),
        "treatments": {str(k): int(v) for k, v in everything["treatment"].value_counts().items()}
        if len(everything)
        else {},
        "held_back": int(sum(not is_missing(h) for h in repairs["held_back"]))
        if len(repairs)
        else 0,
        "removed_area_m2": area,
        "removed_volume_m3": volume,
        "removed_share": area / face if face else 0.0,
        "untouched": len(fixed),
        "kept": len(names & before),
        "new": len(names - before),
        "dropped": dropped,
        "bays_overloaded": [
            {str(k): v for k, v in row.items()}
            for row in loads[~loads["within"]].to_dict("records")
        ],
        "profile": settings.name,
        "inches": settings.inches,
        "rules": rules_name,
        "gaps": [Gap.as_json(g) for g in plan.gaps],
    }
