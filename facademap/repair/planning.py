"""From conditions to repairs and pieces: the whole plan, and the plan of a few conditions again."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import Polygon

from facademap.errors import GeometryError
from facademap.repair.cautions import cautions_for
from facademap.repair.cutouts import CutOut, Need, damage_in, set_out, whole_stone
from facademap.repair.fixings import BEFORE
from facademap.repair.mixes import DEFAULT_MIX
from facademap.repair.offsets import clean_ring, offset_edges
from facademap.repair.pieces import Gap, design_rows, piece_id
from facademap.repair.rows import frame_of, rows_of
from facademap.repair.rules import RuleTable
from facademap.repair.settings import Settings
from facademap.repair.stonework import Edge, Stone, Stonework
from facademap.repair.treatments import NO_RULE, Overrule, decide_treatments
from facademap.salvage.densities import StoneDensity
from facademap.tables import PIECED, PIECES, REPAIRS, UNDECIDED, is_missing
from facademap.values import frozen_value

__all__ = ["RepairPlan", "carry_ids", "plan_cut_outs", "plan_repairs", "reach_through_joints"]

#: Treatments of the surface that are no longer needed where the stone is cut out.
_ABSORBED = frozenset({"leave", "clean", "mortar repair", "consolidate", "crack repair", UNDECIDED})
_ABSORBED_SHARE = 0.95
#: More than the joints of a wall can be.
_OFF_STONES = 0.2
#: A joint narrower than measured by less than this is not worth a remark.
_NOTICED_M = 0.0005
#: Shares of the measured joint that are tried, where a stone across a corner stands in the way.
_REACHES = (1.0, 0.97, 0.9, 0.75, 0.5, 0.25)


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class RepairPlan:
    """Repairs and pieces, what could not be planned, and the original stone that the plan takes out."""

    repairs: gpd.GeoDataFrame
    pieces: gpd.GeoDataFrame
    gaps: tuple[Gap, ...]


def plan_repairs(
    conditions: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    openings: gpd.GeoDataFrame,
    *,
    rules: RuleTable,
    settings: Settings,
    densities: Mapping[str, StoneDensity | float] | None = None,
    overrules: Mapping[str, Overrule] | None = None,
    fixed: gpd.GeoDataFrame | None = None,
    profiles: Mapping[str, Sequence[Sequence[float]]] | None = None,
    fixing: str = BEFORE,
    mix: str = DEFAULT_MIX,
    stonework: Stonework | None = None,
    only_stones: Set[str] | None = None,
    standing: Sequence[dict[str, Any]] = (),
) -> RepairPlan:
    """Plan every condition: treatment, cut-outs, pieces, fixings, materials, cautions.

    Parameters
    ----------
    conditions, wall_stones, openings : GeoDataFrame
        Rows of these tables, in wall coordinates.
    rules : RuleTable
        Decides the treatments.
    settings : Settings
        Trade values of one profile.
    densities : mapping, optional
        Density by local name of the stone.
    overrules : mapping of condition id to Overrule, optional
        Decisions of persons against the rules.
    fixed : GeoDataFrame, optional
        Repairs that are approved or further: what they answer is not planned again, and no new cut-out may meet theirs.
    profiles : mapping, optional
        Profile line (out_m, v_m) of moulded stones, by id of the wall stone or by part of the building.
    mix : str
        Mortar mix by name.
    fixing : str
        How rods are set: before the piece, through its face, or in resin.
    stonework : Stonework, optional
        Made once from the wall stones and openings where several plans follow each other.
    only_stones : set of str, optional
        Set out cut-outs in these stones only; used when a part is planned again.
    standing : sequence of mapping
        Cut-outs in other stones, as rows of the repairs table, that may answer surface work; one that answers more than
        before is part of the result.

    Returns
    -------
    RepairPlan
        Ids of repairs are ``R-001`` on, in reading order; use :func:`carry_ids` to keep those of an earlier plan.
        What cannot be planned is named in ``gaps``; the rest is planned all the same.
    """
    stonework = stonework or Stonework.from_frames(wall_stones, openings, profiles=profiles)
    decisions = decide_treatments(conditions, wall_stones, rules=rules, overrules=overrules)
    gaps = [
        Gap(about=i, problem="the wall stone has no outline", remedy=r) for i, r in stonework.gaps
    ]
    approved = _Fixed.of(fixed)
    rows, found = _cut_out_rows(
        conditions,
        decisions,
        stonework=stonework,
        settings=settings,
        fixed=approved,
        only_stones=only_stones,
    )
    gaps += found
    hosts = [{**r, "conditions": list(r["conditions"] or ())} for r in standing]
    counts = [len(h["conditions"]) for h in hosts]
    rows += _other_rows(
        conditions,
        decisions,
        [*rows, *hosts],
        stonework=stonework,
        settings=settings,
        gaps=gaps,
        fixed=approved,
    )
    rows += [h for h, n in zip(hosts, counts, strict=True) if len(h["conditions"]) > n]
    rows.sort(
        key=lambda r: (
            str(r["surface"]),
            -round(r["geometry"].centroid.y, 1),
            r["geometry"].centroid.x,
        )
    )
    for number, row in enumerate(rows, start=1):
        row["id"] = f"R-{number:03d}"
    pieces, found = design_rows(
        rows, stonework, settings=settings, densities=densities, mix=mix, fixing=fixing
    )
    return RepairPlan(
        repairs=frame_of(REPAIRS, rows, crs=conditions.crs),
        pieces=frame_of(PIECES, pieces, crs=conditions.crs),
        gaps=(*gaps, *found),
    )


def plan_cut_outs(
    conditions: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    openings: gpd.GeoDataFrame,
    *,
    settings: Settings,
) -> tuple[gpd.GeoDataFrame, tuple[Gap, ...]]:
    """Cut-outs for conditions that are all to be pieced in, one or a few in each wall stone they touch.

    Returns
    -------
    repairs : GeoDataFrame
        Rows of the repairs table with outline, depth, edges and original stone removed.
    gaps : tuple of Gap
        Conditions for which no cut-out could be set out.
    """
    decisions = pd.DataFrame(
        {
            "treatment": "inset",
            "rule": "",
            "rule_source": "",
            "rule_status": "",
            "priority": 1.0,
            "held_back": None,
            "overruled_by": None,
            "reason": "",
        },
        index=conditions.index,
        dtype=object,
    )
    stonework = Stonework.from_frames(wall_stones, openings)
    rows, gaps = _cut_out_rows(
        conditions, decisions, stonework=stonework, settings=settings, fixed=_Fixed.of(None)
    )
    gaps = [
        Gap(about=i, problem="the wall stone has no outline", remedy=r) for i, r in stonework.gaps
    ] + gaps
    for number, row in enumerate(rows, start=1):
        row["id"] = f"R-{number:03d}"
    return frame_of(REPAIRS, rows, crs=conditions.crs), tuple(gaps)


def carry_ids(
    plan: RepairPlan,
    existing: gpd.GeoDataFrame,
    *,
    new_id: Callable[[], str],
) -> RepairPlan:
    """The plan with the ids of an earlier one wherever a repair answers the same conditions in the same stone.

    A repair that answers exactly the same conditions in the same stone (or, for repairs of no stone, the same
    conditions) keeps its id; then one of the same stone and kind that shares most conditions; the rest get
    fresh ids from ``new_id``. Consent, notes and what a person set on the old row are carried over.
    """
    old = [
        {**r, "_conditions": frozenset(r["conditions"] or ())}
        for r in rows_of(existing.drop(columns="geometry"))
    ]
    taken: set[str] = set()
    names: dict[str, str] = {}
    kept: dict[str, dict[str, Any]] = {}
    records = rows_of(plan.repairs)

    def claim(record: dict[str, Any], match: dict[str, Any]) -> None:
        taken.add(match["id"])
        names[record["id"]] = match["id"]
        kept[match["id"]] = match

    exact: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for o in old:
        exact.setdefault((o["surface"], o["wall_stone"], o["_conditions"]), []).append(o)
    for record in records:
        for o in exact.get(
            (record["surface"], record["wall_stone"], frozenset(record["conditions"] or ())), ()
        ):
            if o["id"] not in taken:
                claim(record, o)
                break
    by_stone: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for o in old:
        by_stone.setdefault((o["surface"], o["wall_stone"]), []).append(o)
    for record in records:
        if record["id"] in names:
            continue
        mine = frozenset(record["conditions"] or ())
        near = [
            (len(mine & o["_conditions"]), o["id"], o)
            for o in by_stone.get((record["surface"], record["wall_stone"]), ())
            if o["id"] not in taken
            and mine & o["_conditions"]
            and (o["treatment"] in PIECED) == (record["treatment"] in PIECED)
        ]
        if near:
            claim(record, max(near, key=lambda n: (n[0], n[1]))[2])
        else:
            names[record["id"]] = new_id()
    repairs, pieces = plan.repairs.copy(), plan.pieces.copy()
    repairs["id"] = [names[i] for i in repairs["id"]]
    for column in ("consent_reference", "consent_conditions", "note"):
        repairs[column] = pd.Series(
            [
                kept[i][column] if i in kept and not is_missing(kept[i][column]) else v
                for i, v in zip(repairs["id"], repairs[column], strict=True)
            ],
            index=repairs.index,
            dtype=object,
        )
    if len(pieces):
        pieces["repair"] = [names[i] for i in pieces["repair"]]
        pieces["id"] = [piece_id(i) for i in pieces["repair"]]
    return RepairPlan(
        repairs=repairs,
        pieces=pieces,
        gaps=tuple(replace(g, about=names.get(g.about, g.about)) for g in plan.gaps),
    )


@dataclass(slots=True, kw_only=True)
class _Wanted:
    """What the conditions ask of the stones, gathered one after the other."""

    #: What must be cut out of every stone, and the stones that go whole.
    needs: dict[str, list[Need]] = field(default_factory=dict)
    whole: set[str] = field(default_factory=set)
    #: The decision on every condition that lies on a stone, and the stones that it only touches.
    facts: dict[str, Mapping[Any, Any]] = field(default_factory=dict)
    overdrawn: dict[str, list[str]] = field(default_factory=dict)

    def add(
        self, need: Need, stones: Sequence[Stone], *, fixed: _Fixed, settings: Settings
    ) -> None:
        """What a condition needs of the stones that it lies on."""
        for stone in stones:
            if (need.condition, stone.id) in fixed.cut_out:
                continue
            drawn_too_wide = (
                stone.id not in self.whole
                and damage_in(stone, need.shape, settings=settings) is None
            )
            if drawn_too_wide:
                self.overdrawn.setdefault(need.condition, []).append(stone.id)
            else:
                self.needs.setdefault(stone.id, []).append(need)

    def on_joints_only(self, fixed: _Fixed) -> list[str]:
        """Conditions that no stone gets a cut-out for."""
        answered = {n.condition for wanted in self.needs.values() for n in wanted}
        answered |= {condition for condition, _ in fixed.cut_out}
        return [name for name in self.facts if name in self.overdrawn and name not in answered]

    def note_on(self, conditions: Sequence[str], *, settings: Settings) -> str:
        """What was taken as drawn too wide."""
        return " ".join(
            f"{c} reaches less than {settings.overdrawn_m * 1000:.0f} mm into {', '.join(self.overdrawn[c])}: "
            "taken as drawn too wide."
            for c in conditions
            if c in self.overdrawn
        )


def _cut_out_rows(
    conditions: gpd.GeoDataFrame,
    decisions: pd.DataFrame,
    *,
    stonework: Stonework,
    settings: Settings,
    fixed: _Fixed,
    only_stones: Set[str] | None = None,
) -> tuple[list[dict[str, Any]], list[Gap]]:
    """One row a cut-out, stone by stone."""
    wanted, gaps = _wanted_of(
        conditions, decisions, stonework=stonework, settings=settings, fixed=fixed
    )
    rows: list[dict[str, Any]] = []
    for stone_id, needs in wanted.needs.items():
        if only_stones is not None and stone_id not in only_stones:
            continue
        stone = stonework.stones[stone_id]
        cuts = (
            [whole_stone(stone, needs, settings=settings)]
            if stone_id in wanted.whole
            else set_out(stone, needs, settings=settings)
        )
        for cut in cuts:
            facts = [wanted.facts[c] for c in cut.conditions]
            row = _cut_out_row(cut, stone, facts, stonework=stonework, settings=settings)
            near = fixed.too_near(stone_id, row["geometry"], settings.strip_minimum_m)
            if near:
                gaps.append(
                    Gap(
                        about=", ".join(cut.conditions),
                        problem=f"its cut-out in {stone_id} would meet or leave a sliver beside "
                        f"repair {near}, which is approved or further",
                        remedy=f"Take the approval of {near} back and plan again, or widen {near} by hand.",
                    )
                )
                continue
            rows.append(row)
    gaps += [
        Gap(
            about=name,
            problem="it lies on joints only, so no cut-out was set out",
            remedy="Check its outline, or treat it as a joint condition.",
        )
        for name in wanted.on_joints_only(fixed)
    ]
    for row in rows:
        if said := wanted.note_on(row["conditions"], settings=settings):
            row["note"] = " ".join(filter(None, [row["note"], said]))
    return rows, gaps


def _wanted_of(
    conditions: gpd.GeoDataFrame,
    decisions: pd.DataFrame,
    *,
    stonework: Stonework,
    settings: Settings,
    fixed: _Fixed,
) -> tuple[_Wanted, list[Gap]]:
    """What the conditions that get pieces ask of the stones, and what they leave open."""
    wanted = _Wanted()
    gaps: list[Gap] = []
    depths = conditions["depth_m"] if "depth_m" in conditions else [None] * len(conditions)
    for name, surface, shape, depth, decision in zip(
        conditions["id"],
        conditions["surface"],
        conditions.geometry,
        depths,
        rows_of(decisions),
        strict=True,
    ):
        if decision["treatment"] not in PIECED or name in fixed.surface_work:
            continue
        drawn = shape is not None and not shape.is_empty
        stones = stonework.near(str(surface), shape) if drawn else []
        known = None if is_missing(depth) else float(depth)
        gaps += _open_about(name, shape if drawn else None, stones, known)
        if not stones:
            continue
        wanted.facts[name] = decision
        if decision["treatment"] == "whole stone":
            best = max(stones, key=lambda s: (shapely.intersection(s.drawn, shape).area, s.id))
            wanted.whole.add(best.id)
            stones = [best]
        need = Need(condition=name, shape=shape, depth_m=known)
        wanted.add(need, stones, fixed=fixed, settings=settings)
    return wanted, gaps


def _open_about(name: str, shape: Any, stones: Sequence[Stone], depth_m: float | None) -> list[Gap]:
    """What is not known of a condition that gets a piece; without outline or stone there is none."""
    if shape is None:
        return [
            Gap(
                about=name,
                problem="the condition has no outline",
                remedy="Draw it, and plan again.",
            )
        ]
    if not stones:
        return [
            Gap(
                about=name,
                problem="no wall stone lies under this condition, so no cut-out can be set out",
                remedy="Outline the wall stones there, or move the condition.",
            )
        ]
    gaps = []
    on_stones = sum(shapely.intersection(shape, s.drawn).area for s in stones)
    off = 1 - on_stones / shape.area if shape.area > 0 else 0.0
    if off > _OFF_STONES:
        gaps.append(
            Gap(
                about=name,
                problem=f"{off:.0%} of it lies on no wall stone (an opening, the edge of the wall, or stones not outlined); "
                "only the part on stones is planned",
                remedy="Correct its outline, or outline the stones there.",
            )
        )
    if depth_m is None:
        gaps.append(
            Gap(
                about=name,
                problem="its depth was not measured; the least depth of the profile is taken",
                remedy="Sound and measure the depth, and plan again.",
                asks=("depth_m",),
            )
        )
    return gaps


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fixed:
    """Repairs that stand: what they answer, and where they are cut."""

    surface_work: frozenset[str]
    cut_out: frozenset[tuple[str, str]]
    outlines: Mapping[str, list[tuple[str, Any]]]

    @classmethod
    def of(cls, repairs: gpd.GeoDataFrame | None) -> _Fixed:
        surface: set[str] = set()
        cut: set[tuple[str, str]] = set()
        outlines: dict[str, list[tuple[str, Any]]] = {}
        if repairs is None or not len(repairs):
            return cls(surface_work=frozenset(), cut_out=frozenset(), outlines={})
        for row in rows_of(repairs):
            names = row["conditions"] or ()
            if row["treatment"] in PIECED:
                cut.update((c, row["wall_stone"]) for c in names)
                outlines.setdefault(row["wall_stone"], []).append((row["id"], row["geometry"]))
            else:
                surface.update(names)
        return cls(surface_work=frozenset(surface), cut_out=frozenset(cut), outlines=outlines)

    def too_near(self, stone: str, outline: Any, strip_m: float) -> str | None:
        """Id of the standing repair in this stone that the outline meets or nearly meets."""
        for name, other in self.outlines.get(stone, ()):
            if shapely.distance(outline, other) < strip_m - 1e-9:
                return str(name)
        return None


def _cut_out_row(
    cut: CutOut,
    stone: Stone,
    facts: Sequence[Mapping[Any, Any]],
    *,
    stonework: Stonework,
    settings: Settings,
) -> dict[str, Any]:
    ring = clean_ring(cut.outline)
    edges = [
        stonework.edge(ring[i], ring[(i + 1) % len(ring)], stone=stone, settings=settings)
        for i in range(len(ring))
    ]
    outline, edges, notes = reach_through_joints(
        ring, edges, stone, stonework, least_m=settings.joint_minimum_m
    )
    removed = float(shapely.intersection(outline, stone.drawn).area)
    lead = max(facts, key=lambda f: f["priority"])
    held = list(dict.fromkeys(f["held_back"] for f in facts if f["held_back"]))
    notes = list(dict.fromkeys([*cut.notes, *(e.note for e in edges if e.note), *notes]))
    overruled = next((f for f in facts if f["overruled_by"]), None)
    return {
        "surface": stone.surface,
        "treatment": "whole stone" if cut.whole else "inset",
        "conditions": list(cut.conditions),
        "wall_stone": stone.id,
        "priority": lead["priority"],
        "stage": "proposed",
        "depth_m": cut.depth_m,
        "edges": [round(e.joint_m, 7) for e in edges],
        "edge_kinds": [e.kind for e in edges],
        "removed_area_m2": removed,
        "removed_volume_m3": removed * cut.depth_m,
        "rule": lead["rule"],
        "rule_source": lead["rule_source"],
        "rule_status": lead["rule_status"],
        "overruled_by": overruled["overruled_by"] if overruled else None,
        "reason": (overruled or lead)["reason"],
        "held_back": " ".join(held) or None,
        "note": " ".join(n[0].upper() + n[1:].rstrip(".") + "." for n in notes) or None,
        "cautions": [],
        "geometry": outline,
        **_place(outline, settings),
    }


def reach_through_joints(
    ring: np.ndarray, edges: list[Edge], stone: Stone, stonework: Stonework, *, least_m: float
) -> tuple[Polygon, list[Edge], list[str]]:
    """The cut-out goes through the mortar of an existing joint to the stone across it, so that the joint keeps its width.

    A joint that is left thinner than ``least_m`` could not be filled: the piece is cut back until it can.
    """
    reach = np.array([e.reach_m for e in edges])
    if not reach.any():
        return Polygon(ring), edges, []
    for share in _REACHES:
        try:
            outline = offset_edges(ring, np.round(-reach * share, 7).tolist())
        except GeometryError:
            continue
        others = [s.drawn for s in stonework.near(stone.surface, outline) if s.id != stone.id]
        if (
            others
            and float(
                shapely.area(shapely.intersection(outline, np.array(others, dtype=object))).sum()
            )
            >= 1e-9
        ):
            continue
        lost = (1 - share) * float(reach.max())
        notes = (
            []
            if lost < _NOTICED_M
            else ["the joints round this stone are uneven: their narrowest width is kept"]
        )
        return (
            outline,
            [
                Edge(
                    kind=e.kind,
                    joint_m=max(least_m, round(e.reach_m * share, 7)) if e.reach_m else e.joint_m,
                    reach_m=e.reach_m,
                    note=e.note,
                )
                for e in edges
            ],
            notes,
        )
    return (
        Polygon(ring),
        edges,
        ["the joints round this stone are too uneven to follow: the cut-out stops at its arris"],
    )


def _place(shape: Any, settings: Settings) -> dict[str, Any]:
    centre = shape.centroid
    return {
        "lift": max(0, math.floor(centre.y / settings.lift_height_m)),
        "bay": max(0, math.floor(centre.x / settings.bay_length_m)),
    }


def _other_rows(
    conditions: gpd.GeoDataFrame,
    decisions: pd.DataFrame,
    cut_outs: Iterable[dict[str, Any]],
    *,
    stonework: Stonework,
    settings: Settings,
    gaps: list[Gap],
    fixed: _Fixed,
) -> list[dict[str, Any]]:
    """Repairs that need no piece, one a condition; what an inset takes away anyway is added to that inset."""
    by_surface: dict[str, list[dict[str, Any]]] = {}
    for row in cut_outs:
        by_surface.setdefault(row["surface"], []).append(row)
    trees = {s: shapely.STRtree([r["geometry"] for r in rows]) for s, rows in by_surface.items()}
    result = []
    for record, decision in zip(rows_of(conditions), rows_of(decisions), strict=True):
        if decision["treatment"] in PIECED:
            continue
        name, surface, shape = str(record["id"]), str(record["surface"]), record["geometry"]
        if name in fixed.surface_work or any(c == name for c, _ in fixed.cut_out):
            continue
        if shape is None or shape.is_empty:
            gaps.append(
                Gap(
                    about=name,
                    problem="the condition has no outline",
                    remedy="Draw it, and plan again.",
                )
            )
            continue
        if decision["treatment"] in _ABSORBED and surface in trees:
            hosts = [
                by_surface[surface][k] for k in trees[surface].query(shape, predicate="intersects")
            ]
            host = next(
                (h for h in hosts if _share_within(shape, h["geometry"]) >= _ABSORBED_SHARE), None
            )
            if host is not None:
                if name not in host["conditions"]:
                    host["conditions"].append(name)
                continue
        if decision["asks"]:
            gaps.append(
                Gap(
                    about=name,
                    problem=f"undecided: {decision['reason']}",
                    remedy="Measure or judge it on the wall, enter it, and plan again.",
                    asks=tuple(decision["asks"]),
                )
            )
        elif decision["rule"] == NO_RULE and not decision["overruled_by"]:
            gaps.append(
                Gap(
                    about=name,
                    problem=f"no rule of the table holds for {record.get('term')}",
                    remedy="Decide by hand with a reason, or add a rule.",
                )
            )
        stone = record.get("wall_stone")
        part = (
            stonework.stones[str(stone)].part
            if not is_missing(stone) and str(stone) in stonework.stones
            else "walling"
        )
        result.append(
            {
                "surface": surface,
                "treatment": decision["treatment"],
                "conditions": [name],
                "wall_stone": None if is_missing(stone) else str(stone),
                "priority": decision["priority"],
                "stage": "proposed",
                "depth_m": math.nan
                if is_missing(record.get("depth_m"))
                else float(record["depth_m"]),
                "removed_area_m2": 0.0,
                "removed_volume_m3": 0.0,
                "rule": decision["rule"],
                "rule_source": decision["rule_source"],
                "rule_status": decision["rule_status"],
                "overruled_by": decision["overruled_by"],
                "reason": decision["reason"],
                "held_back": decision["held_back"],
                "asks": list(decision["asks"]),
                "cautions": cautions_for(treatment=decision["treatment"], part=part),
                "geometry": shape,
                **_place(shape, settings),
            }
        )
    return result


def _share_within(shape: Any, outline: Polygon) -> float:
    for measure in (shapely.area, shapely.length):
        size = float(measure(shape))
        if size > 0:
            return float(measure(shapely.intersection(shape, outline))) / size
    return 1.0 if outline.covers(shape) else 0.0
