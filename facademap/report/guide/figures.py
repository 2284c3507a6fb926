"""Every figure, table and drawing that a guide may name, from the project."""

from __future__ import annotations

import re
import statistics
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import partial
from typing import Any, cast

import numpy as np
import pandas as pd

from facademap.condition.glossary import TERMS
from facademap.photo.lab import difference_ciede2000
from facademap.repair.cautions import CARRYING, CAUTIONS, DEFER
from facademap.repair.consents import about_said, consent_said
from facademap.repair.criteria import Criteria
from facademap.repair.settings import Settings, TradeValue
from facademap.repair.steps import STEPS
from facademap.report.guide.blocks import Block, Drawing, Grid, Heading, Items, Run, Words
from facademap.report.guide.chapters import Figures
from facademap.report.guide.criterion_pictures import picture_of, raking_picture
from facademap.report.guide.photos import Photo, photos_of
from facademap.report.guide.whole_wall import draw_walls
from facademap.report.page import Page
from facademap.report.piece_sketch import draw_piece, draw_section
from facademap.report.rows import rows_of
from facademap.report.setting_sheet import step_lines
from facademap.report.ticket_content import Ticket
from facademap.report.wall_window import Crop, draw_wall_window
from facademap.tables import PIECED, TREATMENTS, is_missing, text_of
from facademap.treatment import Figure, Job, TreatmentValues
from facademap.treatment.job import Kind
from facademap.treatment.words import say
from facademap.units import (
    CUBIC_M_PER_CUBIC_FT,
    format_inches,
    kg_per_m3_from_lb_per_ft3,
    kn_per_m2_from_psf,
)
from facademap.values import frozen_value

__all__ = ["Wall", "figures_of", "shown_value"]

_STATUS: Mapping[str, str] = {
    "confirmed": "read",
    "derived": "worked out",
    "memory": "from memory, verify",
    "practice": "common practice",
    "project": "decided for this project",
}
#: A mile is 1,609.344 m by the international yard.
MPH_PER_M_PER_S = 3600 / 1609.344
KN_PER_M2_OF_PSF, KG_PER_M3_OF_LB_PER_FT3 = kn_per_m2_from_psf(1), kg_per_m3_from_lb_per_ft3(1)
Row = Mapping[str, Any]
#: A weight in the other unit, as papers that go to a yard give it beside the first.
_OTHER_WEIGHT = re.compile(r" \([\d.,]+ (?:kg|lb)\)")


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wall:
    """A project as the guide needs it.

    Parameters
    ----------
    name : str
    frames : mapping of table name to frame
    settings : Settings
    values : TreatmentValues
    criteria : Criteria
    jobs : sequence of Job
    tickets : sequence of Ticket
    urgent : sequence of mapping
        Rows of the make-safe list.
    crop : callable, optional
        Gives the rectified picture of a surface.
    photo : callable, optional
        Gives a photo of the record by its id.
    """

    name: str
    frames: Mapping[str, pd.DataFrame]
    settings: Settings
    values: TreatmentValues
    criteria: Criteria
    jobs: Sequence[Job]
    tickets: Sequence[Ticket]
    urgent: Sequence[Row] = ()
    crop: Crop | None = None
    photo: Photo | None = None

    @property
    def inches(self) -> bool:
        """Whether people read inches."""
        return self.settings.inches

    def rows(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table."""
        return rows_of(self.frames[table])

    def area(self, value: float) -> str:
        """An area as read."""
        return say(value, "area", inches=self.inches)


def figures_of(wall: Wall) -> Figures:
    """What the chapters of a guide may name.

    Parameters
    ----------
    wall : Wall

    Returns
    -------
    Figures
        Trade values by the names of the profile (``joint``) and of the treatments (``repoint.layer``), counts of the project, and
        tables, drawings, typical jobs and sheets to tick.
    """
    words = {**_trade_words(wall), **_counts(wall)}
    blocks: dict[str, Callable[[], Sequence[Block]]] = {
        f"table: {name}": partial(_alone, make, wall) for name, make in _TABLES.items()
    }
    blocks["drawing: inset"] = lambda: _inset_drawing(wall)
    blocks["drawing: wall"] = lambda: draw_walls(wall.rows, wall.crop)
    blocks["drawing: criteria"] = lambda: _criteria_drawn(wall)
    blocks["steps: inset"] = lambda: [_steps(wall), *_photos(wall, "inset")]
    blocks["ticks: inset"] = lambda: [_ticks_inset(wall)]
    blocks["ticks: others"] = lambda: _ticks_others(wall)
    for treatment in TREATMENTS:
        blocks[f"job: {treatment}"] = partial(_job_words, wall, treatment)
        if treatment != "inset":
            blocks[f"drawing: {treatment}"] = partial(_job_drawing, wall, treatment)
    return Figures(words=words, blocks=blocks)


def _alone(make: Callable[[Wall], Grid], wall: Wall) -> Sequence[Block]:
    return [make(wall)]


# ---------------------------------------------------------------- words
def shown_value(value: TradeValue, si: float, *, kind: str = "", inches: bool) -> str:
    """A trade value as people read it, in the units of the project."""
    match value.unit:
        case "in" if inches:
            return format_inches(si, denominator=32)
        case "mm" | "m" | "in":
            return say(si, "depth" if si >= 0.01 else "width", inches=inches)
        case "m2" | "in2":
            return say(si, "area", inches=inches)
        case "kg" | "lb" if (value.unit == "lb") != inches:
            return say(si, "mass", inches=inches)
        case "kN/m2" | "psf" if (value.unit == "psf") != inches:
            return _shown_si(si, "load", inches=inches)
        case "degF" if not inches:
            return say(si, "temperature")
        case "L/m2":
            return say(si, "litres_per_m2", inches=inches)
        case "degC":
            return say(si, "temperature", inches=inches)
        case "h":
            return say(si, "hours")
        case "months":
            return say(si, "months")
        case "deg":
            return say(si, "angle")
        case "%":
            return f"{value.value:g} %"
        case "1":
            return f"{value.value:g}"
        case "degF":
            return f"{value.value:g} °F"
        case "m/s":
            return _shown_si(si, "speed", inches=inches)
        case "d":
            return f"{value.value:g} days"
        case "SI":
            return _shown_si(si, kind, inches=inches)
        case other:
            return f"{value.value:g} {other.replace('m3', 'm³').replace('m2', 'm²')}"


def _shown_si(si: float, kind: str, *, inches: bool) -> str:
    """A value that was decided for the project, which is kept in SI whatever the profile."""
    match kind:
        case "length":
            return say(si, "depth" if si >= 0.01 else "width", inches=inches)
        case "area" | "mass" | "temperature" | "hours" | "angle":
            return say(si, cast("Kind", kind), inches=inches)
        case "share":
            return f"{si * 100:g} %"
        case "load":
            return f"{si / KN_PER_M2_OF_PSF:.0f} psf" if inches else f"{si:g} kN/m²"
        case "density":
            return f"{si / KG_PER_M3_OF_LB_PER_FT3:.0f} lb/ft³" if inches else f"{si:g} kg/m³"
        case "speed":
            return f"{si * MPH_PER_M_PER_S:.0f} mph" if inches else f"{si:g} m/s"
        case "litres_per_m3":
            return f"{si:g} L/m³"
        case _:
            return f"{si:g}"


def _said_of(value: TradeValue) -> str:
    return _cited(value.source, value.status)


def _cited(source: str, status: str) -> str:
    """Where something comes from, and how far that was read; said once where both are the same."""
    how = _STATUS[status]
    return how if source.strip() == how else f"{source} ({how})"


def _trade_words(wall: Wall) -> dict[str, Run]:
    found: dict[str, Run] = {}
    kinds = _kinds(wall.settings)
    for name, value in wall.settings.values.items():
        si = float(getattr(wall.settings, name))
        key = _short(name)
        shown = shown_value(value, si, kind=kinds[name], inches=wall.inches)
        found[key] = Run(text=shown, source=_said_of(value))
    for name, value in wall.values.values.items():
        shown = shown_value(value, wall.values[name], inches=wall.inches)
        found[name] = Run(text=shown, source=_said_of(value))
    return found


def _kinds(settings: Settings) -> dict[str, str]:
    """What each trade value of a profile measures."""
    return {f.name: str(f.metadata["kind"]) for f in fields(settings) if f.metadata}


def _short(name: str) -> str:
    for suffix in ("_kn_per_m2", "_m_per_s", "_deg_c", "_deg", "_kg", "_h", "_m2", "_m"):
        if name.endswith(suffix):
            return name.removesuffix(suffix)
    return name


def _counts(wall: Wall) -> dict[str, Run]:
    repairs = wall.rows("repairs")
    by_treatment = Counter(str(r["treatment"]) for r in repairs)

    def total(column: str) -> float:
        return sum(float(r[column]) for r in repairs if not is_missing(r[column]))

    def unknown(column: str) -> str:
        """Cut-outs that the sum lacks, since nobody knows their size yet."""
        cut = [r for r in repairs if r["treatment"] in PIECED]
        lacking = sum(is_missing(r[column]) for r in cut)
        return (
            f" and what {lacking} of {len(cut)} cut-outs take that are not worked out"
            if lacking
            else ""
        )

    counted = "counted in the project"
    names = [str(e["name"]) for e in wall.rows("elevations")]
    return {
        "project": Run(text=wall.name, strong=True),
        "profile": Run(text=wall.settings.title, strong=True),
        "elevations": Run(text=", ".join(names) or "no elevation yet"),
        "defer": Run(text=DEFER, strong=True),
        "count.conditions": Run(text=str(len(wall.rows("conditions"))), source=counted),
        "count.repairs": Run(text=str(len(repairs)), source=counted),
        "count.leave": Run(text=str(by_treatment["leave"]), source=counted),
        "removed.area": Run(
            text=wall.area(total("removed_area_m2")) + unknown("removed_area_m2"),
            source="sum of the cut-outs",
        ),
        "removed.volume": Run(
            text=_stone_volume(total("removed_volume_m3"), inches=wall.inches)
            + unknown("removed_volume_m3"),
            source="sum of the cut-outs, face by depth",
        ),
    }


def _stone_volume(volume_m3: float, *, inches: bool) -> str:
    """A volume of stone as people speak of it, to what the outlines can tell."""
    return f"{volume_m3 / CUBIC_M_PER_CUBIC_FT:.3g} ft³" if inches else f"{volume_m3:.3g} m³"


# ---------------------------------------------------------------- tables
def _surfaces(wall: Wall) -> Grid:
    stones = Counter(str(s["surface"]) for s in wall.rows("wall_stones"))
    rows = [
        (
            str(s["id"]),
            str(s["name"] if not is_missing(s["name"]) else ""),
            str(stones[str(s["id"])]),
        )
        for s in wall.rows("surfaces")
    ]
    return Grid(
        title="Surfaces",
        head=("Surface", "Name", "Stones drawn"),
        rows=tuple(rows),
        shares=(0.35, 0.45, 0.2),
        empty="No surface has been surveyed.",
    )


def _stones(wall: Wall) -> Grid:
    groups: dict[str, list[Row]] = defaultdict(list)
    for s in wall.rows("wall_stones"):
        groups["not known" if is_missing(s["stone_type"]) else str(s["stone_type"])].append(s)
    rows = []
    for name, own in sorted(groups.items(), key=lambda g: -len(g[1])):
        beds = Counter("unknown" if is_missing(s["bed"]) else str(s["bed"]) for s in own)
        finish = Counter("" if is_missing(s["finish"]) else str(s["finish"]) for s in own)
        area = sum(float(s["geometry"].area) for s in own if s["geometry"] is not None)
        said = ", ".join(f for f, _ in finish.most_common(2) if f)
        rows.append(
            (
                name,
                str(len(own)),
                wall.area(area),
                ", ".join(f"{b} {n}" for b, n in beds.most_common(3)),
                said,
            )
        )
    return Grid(
        title="Stone in this wall",
        head=("Stone", "Stones", "Face", "Natural bed", "Finish"),
        rows=tuple(rows),
        shares=(0.3, 0.1, 0.15, 0.27, 0.18),
        empty="No wall stone has been drawn.",
    )


def _conditions(wall: Wall) -> Grid:
    meaning = {t.name: t.meaning for t in TERMS}
    groups: dict[str, list[Row]] = defaultdict(list)
    for c in wall.rows("conditions"):
        groups[str(c["term"])].append(c)
    rows = []
    for term, own in sorted(groups.items(), key=lambda g: (-len(g[1]), g[0])):
        area = sum(float(c["area_m2"]) for c in own if not is_missing(c["area_m2"]))
        length = sum(float(c["length_m"]) for c in own if not is_missing(c["length_m"]))
        extent = (
            wall.area(area)
            if area > 0
            else say(length, "length", inches=wall.inches)
            if length > 0
            else "at points"
        )
        urgent = sum(1 for c in own if not is_missing(c["uc"]) and int(c["uc"]) >= 2)
        rows.append((term, str(len(own)), extent, str(urgent), meaning.get(term, "")))
    return Grid(
        title="Conditions by term",
        head=("Term", "Number", "Extent", "Urgent", "What it is"),
        rows=tuple(rows),
        shares=(0.19, 0.09, 0.13, 0.09, 0.5),
        empty="No condition has been mapped.",
    )


def _causes(wall: Wall) -> Grid:
    groups: dict[str, list[str]] = defaultdict(list)
    for c in wall.rows("conditions"):
        if not bool(c["cause_settled"]):
            cause = "cause not named" if is_missing(c["cause"]) else str(c["cause"])
            groups[cause].append(str(c["id"]))
    rows = [
        (cause, str(len(ids)), ", ".join(ids[:12]) + (" …" if len(ids) > 12 else ""))
        for cause, ids in sorted(groups.items(), key=lambda g: -len(g[1]))
    ]
    return Grid(
        title="Causes that are not settled",
        head=("Cause", "Number", "Conditions"),
        rows=tuple(rows),
        shares=(0.35, 0.1, 0.55),
        empty="Every cause is named as settled.",
    )


def _treatments(wall: Wall) -> Grid:
    groups: dict[str, list[Row]] = defaultdict(list)
    for r in wall.rows("repairs"):
        groups[str(r["treatment"])].append(r)
    rows = []
    for treatment, own in sorted(groups.items(), key=lambda g: -len(g[1])):
        rules = Counter(
            f"{r['rule']} ({_STATUS.get(str(r['rule_status']), 'status unknown')})"
            for r in own
            if not is_missing(r["rule"])
        )
        rows.append(
            (
                treatment,
                str(len(own)),
                "; ".join(f"{rule}: {n}" for rule, n in rules.most_common(4)),
            )
        )
    return Grid(
        title="Decisions by treatment",
        head=("Treatment", "Number", "Rule, and how far its source was read"),
        rows=tuple(rows),
        shares=(0.2, 0.1, 0.7),
        empty="Nothing has been decided.",
    )


def _held(wall: Wall) -> Grid:
    groups: dict[str, list[str]] = defaultdict(list)
    for r in wall.rows("repairs"):
        if not is_missing(r["held_back"]):
            groups[str(r["held_back"])].append(str(r["id"]))
    for job in wall.jobs:
        for hold in job.holds:
            if job.repair not in groups[hold]:
                groups[hold].append(job.repair)
    for ticket in wall.tickets:
        for wait in ticket.waits:
            if str(ticket.repair["id"]) not in groups[wait]:
                groups[wait].append(str(ticket.repair["id"]))
    rows = [
        (why, str(len(ids)), ", ".join(ids[:10]) + (" …" if len(ids) > 10 else ""))
        for why, ids in sorted(groups.items(), key=lambda g: -len(g[1]))
        if ids
    ]
    return Grid(
        title="What waits",
        head=("Why", "Number", "Repairs"),
        rows=tuple(rows),
        shares=(0.58, 0.1, 0.32),
        empty="Nothing waits.",
    )


def _trials(wall: Wall) -> Grid:
    rows = [
        (
            str(t["id"]),
            str(t["kind"]),
            text_of(t["stone_type"]),
            _trial_said(t),
            str(t["result"])
            + ("" if is_missing(t["approved_by"]) else f", {t['approved_by']}, {t['approved_on']}"),
        )
        for t in wall.rows("trials")
    ]
    return Grid(
        title="Trials and samples",
        head=("Trial", "What", "Stone", "Method and measures", "Result"),
        rows=tuple(rows),
        shares=(0.09, 0.17, 0.2, 0.32, 0.22),
        empty="No trial has been entered: cleaning, consolidation and mortar repairs wait.",
    )


def _trial_said(trial: Row) -> str:
    """How a trial was made and what was measured on it."""
    words = [str(trial[k]) for k in ("mix", "method", "measured") if not is_missing(trial[k])]
    before, dry = trial["colour_before"], trial["colour_dry"]
    if not is_missing(before) and not is_missing(dry):
        change = float(difference_ciede2000(np.array(before), np.array(dry)))
        words.append(f"colour dry {change:.1f} CIEDE2000 from before")
    return "; ".join(words) or "–"


def _consents(wall: Wall) -> Grid:
    rows = []
    for c in sorted(wall.rows("consents"), key=lambda c: str(c["id"])):
        proof = next(
            (
                str(c[k])
                for k in ("evidence_file", "evidence_photo", "evidence_trial")
                if not is_missing(c[k])
            ),
            "",
        )
        about = about_said(c, inches=wall.inches)
        state = (
            f"met: {c['met_by']}, {c['met_on']}; {proof}"
            if c["met"]
            else "open: kept in mind throughout"
            if c["before"] == "nothing"
            else f"open: holds until met ({c['before']})"
        )
        rows.append((str(c["id"]), consent_said(c), str(c["text"]), about, state))
    return Grid(
        title="Conditions of the consents",
        head=("No.", "Consent", "What it asks", "About", "State"),
        rows=tuple(rows),
        shares=(0.08, 0.19, 0.36, 0.15, 0.22),
        empty="No condition of a consent has been entered. That none is entered does not say that none is needed: ask whoever protects this building before any work.",
    )


def _criteria(wall: Wall, *, drawn: bool = True) -> Grid:
    rows = [
        (c.name, c.before, c.said(inches=wall.inches), _cited(c.source, c.status))
        for c in wall.criteria.criteria
        if drawn or picture_of(c, wall.settings, source="") is None
    ]
    return Grid(
        title=f"Criteria: {wall.criteria.name}{'' if drawn else ', those that no drawing shows'}",
        head=("Criterion", "Before", "Passes when", "Source"),
        rows=tuple(rows),
        shares=(0.17, 0.13, 0.42, 0.28),
        empty="No criterion is set." if drawn else "",
    )


def _criteria_undrawn(wall: Wall) -> Grid:
    return _criteria(wall, drawn=False)


def _criteria_drawn(wall: Wall) -> Sequence[Block]:
    """Every criterion that can be drawn, with what passes and what is redone; then how deep a joint is raked."""
    pictures = [
        picture_of(c, wall.settings, source=_cited(c.source, c.status))
        for c in wall.criteria.criteria
    ]
    widths = wall.values.values["repoint.rake_widths"]
    raked = raking_picture(
        widths=wall.values["repoint.rake_widths"],
        least_m=wall.values["repoint.rake_minimum"],
        inches=wall.inches,
        source=_cited(widths.source, widths.status),
    )
    return [p for p in (*pictures, raked) if p is not None]


def _values(wall: Wall) -> Grid:
    kinds = _kinds(wall.settings)
    meaning = {f.name: str(f.metadata.get("meaning", "")) for f in fields(wall.settings)}
    rows = [
        (
            meaning[name],
            shown_value(
                v, float(getattr(wall.settings, name)), kind=kinds[name], inches=wall.inches
            ),
            v.source,
            _STATUS[v.status],
        )
        for name, v in wall.settings.values.items()
    ]
    rows += [
        (
            name.replace(".", ": ").replace("_", " "),
            shown_value(v, wall.values[name], inches=wall.inches),
            v.source,
            _STATUS[v.status],
        )
        for name, v in wall.values.values.items()
    ]
    return Grid(
        title="Trade values",
        head=("What", "Value", "Source", "Status"),
        rows=tuple(rows),
        shares=(0.37, 0.12, 0.35, 0.16),
    )


def _cautions(_wall: Wall) -> Grid:
    rows = [
        (c.about, c.text.replace("{kg:.0f} kg saturated", "weighed saturated").replace(" {index:.1f}", " above one").replace("{share:.0%}", "more than half").replace("{fault}", "what its sheet names").replace(" ({parts})", ""),
         _cited(c.source, c.status))
        for c in (*CAUTIONS.values(), CARRYING)
    ]  # fmt: skip
    return Grid(
        title="Cautions",
        head=("About", "Caution", "Source"),
        rows=tuple(rows),
        shares=(0.13, 0.57, 0.3),
    )


def _urgent(wall: Wall) -> Grid:
    groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for r in wall.urgent:
        if str(r["safety"]) == "unsafe":
            action = str(r["action"]).replace(DEFER, "").strip()
            groups[(str(r["term"]), str(r["danger"]), action)].append(r)
    rows = [
        (
            ", ".join(str(r["condition"]) for r in own),
            ", ".join(dict.fromkeys(text_of(r["wall_stone"]) for r in own)),
            term,
            danger,
            action,
        )
        for (term, danger, action), own in groups.items()
    ]
    return Grid(
        title="Urgent on this wall",
        head=("Conditions", "On stones", "Term", "Danger", "What to do"),
        rows=tuple(rows),
        shares=(0.14, 0.15, 0.14, 0.12, 0.45),
        empty="Nothing on this wall is classed as unsafe; that is a survey from a distance, not a promise.",
    )


def _words(wall: Wall) -> Grid:
    used = {str(c["term"]) for c in wall.rows("conditions")}
    rows = [(t.name, t.meaning) for t in TERMS if t.name in used]
    return Grid(
        title="Terms of damage used on this wall",
        head=("Term", "Meaning"),
        rows=tuple(rows),
        shares=(0.25, 0.75),
        empty="No term has been used yet.",
    )


_TABLES: Mapping[str, Callable[[Wall], Grid]] = {
    "surfaces": _surfaces,
    "stones": _stones,
    "conditions": _conditions,
    "causes": _causes,
    "treatments": _treatments,
    "held": _held,
    "trials": _trials,
    "consents": _consents,
    "criteria": _criteria,
    "criteria others": _criteria_undrawn,
    "values": _values,
    "cautions": _cautions,
    "urgent": _urgent,
    "words": _words,
}


# ---------------------------------------------------------------- drawings, jobs, steps
def _inset_drawing(wall: Wall) -> Sequence[Block]:
    ticket = _typical_ticket(wall)
    if ticket is None:
        return [Words(runs=(Run(text="No inset of this wall can be drawn yet."),))]
    page = Page(width_mm=170, height_mm=100, title=f"inset {ticket.piece['id']}")
    draw_piece(page, ticket, 0, 0, 98, 100)
    draw_section(page, ticket, 100, 0, 70, 100)
    legend = f"A typical inset of this wall: {ticket.repair['id']}, piece {ticket.piece['id']}; sizes as planned, measured before it is sawn; the scale holds on paper only."
    return [Drawing(page=page, legend=legend)]


def _typical_ticket(wall: Wall) -> Ticket | None:
    """The inset whose face is the middle one, among those whose setting was gone through without a fault."""
    good = [t for t in wall.tickets if t.repair["treatment"] == "inset" and not t.faults]
    if not good:
        return None
    good.sort(key=lambda t: (float(t.piece["geometry"].area), str(t.piece["id"])))
    return good[(len(good) - 1) // 2]


def _typical_job(wall: Wall, treatment: str) -> Job | None:
    """The job with the middle extent, those worked out before those that are held."""
    own = [j for j in wall.jobs if j.treatment == treatment and j.figures]
    if not own:
        return None
    sizes = {
        j.repair: next((f.value for f in j.figures if f.name in ("length", "area")), 0.0)
        for j in own
    }
    middle = statistics.median_low(sorted(sizes.values()))
    return min(own, key=lambda j: (j.held, abs(sizes[j.repair] - middle), j.repair))


def _job_drawing(wall: Wall, treatment: str) -> Sequence[Block]:
    from facademap.report.job_sheets import draw_places

    job = _typical_job(wall, treatment)
    if job is None:
        return []
    repair = next(r for r in wall.rows("repairs") if str(r["id"]) == job.repair)
    named = {str(c) for c in repair["conditions"] or ()}
    own = [c for c in wall.rows("conditions") if str(c["id"]) in named]
    page = Page(width_mm=120, height_mm=80, title=f"{treatment} {job.repair}")
    put = draw_wall_window(
        page, wall.crop, repair, own, box=(0, 0, 120, 80), inches=wall.inches, least_m=0.12
    )
    if put is None:
        return []
    draw_places(page, job, put)
    return [
        Drawing(
            page=page, legend=f"{treatment.capitalize()} on this wall: {job.repair}. {job.method}."
        )
    ]


def _job_words(wall: Wall, treatment: str) -> Sequence[Block]:
    job = _typical_job(wall, treatment)
    if job is None:
        return [Words(runs=(Run(text="None is planned on this wall.", slanted=True),))]
    lines = [
        f"{f.name}: {say(f.value, f.kind, inches=wall.inches)} ({_said_in_job(f)})"
        for f in job.figures
    ]
    grid = Grid(
        title=f"A typical one: {job.repair}",
        head=("What", "Figure"),
        rows=tuple(tuple(line.split(": ", 1)) for line in lines),
        shares=(0.5, 0.5),
    )
    waits = [Run(text=f"Held, do not begin: {h}", strong=True) for h in job.holds]
    unsure = [Run(text=f"Not known: {d}", slanted=True) for d in job.doubts]
    told = [Items(items=tuple((run,) for run in (*waits, *unsure)))] if waits or unsure else []
    found: list[Block] = [
        grid,
        *told,
        Items(items=tuple((Run(text=s),) for s in job.steps), look="numbers"),
    ]
    if job.never:
        found.append(Items(items=tuple((Run(text=n, strong=True),) for n in job.never)))
    return [*found, *_photos(wall, treatment)]


def _photos(wall: Wall, treatment: str) -> list[Block]:
    """What the record shows of a treatment."""
    log = wall.rows("work_log") if "work_log" in wall.frames else []
    tables = {"repairs": wall.rows("repairs"), "log": log, "trials": wall.rows("trials")}
    return photos_of(treatment, photo=wall.photo, **tables)


def _said_in_job(known: Figure) -> str:
    if known.is_typed:
        return "as the survey tells"
    return f"measured: {known.source}" if known.is_measured else _STATUS[known.status]


def _steps(wall: Wall) -> Items:
    """The setting in order, with the figures of the typical inset where there is one."""
    ticket = _typical_ticket(wall)
    lines = {} if ticket is None else step_lines(ticket)

    def told(key: str) -> str:
        return _OTHER_WEIGHT.sub("", " ".join(lines.get(key, ())))

    return Items(
        items=tuple(
            (
                Run(text=f"{s.title}.", strong=True),
                *((Run(text=f" {words}"),) if (words := told(s.key)) else ()),
                *((Run(text=f" Hold point: {s.hold}.", strong=True),) if s.hold else ()),
                *((Run(text=f" Photo: {s.photo}.", slanted=True),) if s.photo else ()),
            )
            for s in STEPS
        ),
        look="numbers",
    )


def _ticks_inset(wall: Wall) -> Items:
    asked = wall.criteria.for_treatment("inset")
    return Items(
        items=tuple((Run(text=f"{c.name}: {c.said(inches=wall.inches)}"),) for c in asked),
        look="ticks",
    )


def _ticks_others(wall: Wall) -> Sequence[Block]:
    found: list[Block] = []
    for treatment in dict.fromkeys(j.treatment for j in wall.jobs if j.criteria):
        job = _typical_job(wall, treatment)
        if job is None:
            continue
        found.append(Heading(level=2, text=treatment.capitalize()))
        found.append(Items(items=tuple((Run(text=c),) for c in job.criteria), look="ticks"))
    return found
