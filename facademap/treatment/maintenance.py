"""The plan of maintenance: what is looked at when, from class, activity, growth and repairs done.

Every span is a trade value that a project may change (`facademap.treatment.values`); the shortest that applies counts,
and its reason stands beside the date. A plan is no inspection, and a local rule that asks for more comes first.
"""

from __future__ import annotations

import calendar
import datetime as dt
import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from facademap.condition.gauges import Gauge
from facademap.condition.survey_pairs import Paired, pair_surveys
from facademap.repair.make_safe import MOST_URGENT, safety_class
from facademap.tables import is_missing
from facademap.treatment.follow_up import last_looks
from facademap.treatment.values import TreatmentValues

__all__ = [
    "DONE_STAGES",
    "JUDGED_BY",
    "DueLook",
    "compared_surveys",
    "look_at_condition",
    "looks_due",
    "months_later",
]

#: Stages in which the damage is out of the wall.
DONE_STAGES = frozenset({"bedded", "sounded", "pointed", "curing", "accepted"})
_BY_URGENCY = {
    3: ("maintain.urgent", "urgency class 3"),
    2: ("maintain.short_term", "urgency class 2"),
    1: ("maintain.intermediate_term", "urgency class 1"),
}
_BY_ACTIVITY = {
    "active": ("watch.active", "the damage goes on"),
    "stable": ("watch.stable", "stable"),
    "unknown": ("watch.unknown", "not known whether it goes on"),
}
_OF_CONDITION = "Photograph from the same place with a scale; compare outline, depth and class; tap what may be hollow."
#: What decides when a condition is looked at again, where nothing else is known of it.
JUDGED_BY = ("term", "cc", "uc", "activity", "observed_on")
_OF_CRACK = "Read the gauge or tell-tale, or measure the width at the marked places; photograph with a scale; compare the length."
_OF_REPAIR = {
    "inset": "Tap for hollow places, look for open joints and loose edges, compare the colour with the stone beside it, dry.",
    "whole stone": "Tap for hollow places, look for open joints, compare the colour with the stones beside it, dry.",
    "mortar repair": "Tap for hollow places, look for cracks along the edge, compare the colour with the stone beside it, dry.",
    "repoint": "Look for open and cracked joints and for hard mortar on soft arrises; scratch for sanding.",
    "crack repair": "Look whether it has opened again beside the fill; tap along it.",
    "consolidate": "Look for sanding and for a crust that comes away; brush lightly.",
    "clean": "Compare with the sample that was approved: soiling that comes again, salts, growth.",
    "make safe": "Look whether what holds it still holds, and whether the repair can be done now.",
}
_LOOK_AGAIN = "Look whether it holds: edges, joints, hollow places, colour."
_OF_WALL = "The whole wall near enough to touch: loose stone first, then every condition and repair; photographs from the same places."
_OF_WATER = (
    "Gutters, pipes, drains, flashings and growth: clear them, and look where water has run."
)
_OF_GAUGE = "Read it at the same hour and, where it is kept, with the warmth; look whether it is still fast."
_BEYOND = "Beyond its limit: tell the engineer of the wall today. "
#: What a look found that brings the next one forward.
_WORSE, _FAILED = "worse", "failed"
_URGENT_FIRST = "Make it safe first: see the make-safe list. "


@dataclass(frozen=True, slots=True, kw_only=True)
class DueLook:
    """One look that is due.

    Parameters
    ----------
    kind : {"condition", "repair", "gauge", "wall", "water"}
    id : str
        Of the condition or repair; of the surface for the whole wall and its water.
    surface, wall_stone, subject : str
        ``subject`` is the term, the treatment, or what is looked at.
    seen_on : datetime.date or None
        Last look that is recorded.
    months : int
        From then.
    due_on : datetime.date
    why : str
        What decided the span, with the name of its trade value.
    look_at : str
    repeats : bool
        Whether the same span runs again after each look whatever is found.
    at_once : bool
        Unsafe or most urgent: before everything else.
    """

    kind: str
    id: str
    surface: str
    wall_stone: str
    subject: str
    seen_on: dt.date | None
    months: int
    due_on: dt.date
    why: str
    look_at: str
    repeats: bool = False
    at_once: bool = False


@lru_cache(maxsize=4096)
def months_later(day: dt.date, months: int) -> dt.date:
    """The same day so many months on, or the last of a shorter month.

    Examples
    --------
    >>> months_later(dt.date(2026, 8, 31), 6)
    datetime.date(2027, 2, 28)
    """
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return dt.date(year, month + 1, min(day.day, last))


def looks_due(
    *,
    surfaces: Mapping[str, dt.date | None],
    conditions: Iterable[Mapping[str, Any]],
    repairs: Iterable[Mapping[str, Any]],
    done_on: Mapping[str, dt.date],
    values: TreatmentValues,
    today: dt.date,
    grown: Mapping[str, str] | None = None,
    replaced: Iterable[str] = (),
    looks_made: Iterable[Mapping[str, Any]] = (),
    gauges: Iterable[tuple[Mapping[str, Any], Gauge]] = (),
) -> list[DueLook]:
    """Everything that is to be looked at, the most pressing first.

    Parameters
    ----------
    surfaces : mapping of str to date or None
        Surfaces, and when each was surveyed last.
    conditions, repairs : iterable of mapping
        Rows of these tables.
    done_on : mapping of str to date
        Repairs that are in the wall, and since when.
    values : TreatmentValues
    today : datetime.date
        Due when nothing is known of an earlier look.
    grown : mapping of str to str, optional
        Conditions that have grown, and by how much in words.
    replaced : iterable of str
        Conditions that a later survey shows again (`compared_surveys`).
    looks_made : iterable of mapping
        Rows of the table of looks: the next one counts from the last of them.
    gauges : iterable of (mapping, Gauge)
        Monitoring points: their row, and what their readings tell.

    Returns
    -------
    list of DueLook
    """
    grown, repairs, replaced = grown or {}, list(repairs), set(replaced)
    last = last_looks(looks_made)
    mended = {
        str(c) for r in repairs if r["stage"] in DONE_STAGES for c in _listed(r["conditions"])
    }
    held = {
        str(c) for r in repairs if r["treatment"] == "make safe" for c in _listed(r["conditions"])
    }
    gone = mended | replaced
    special = {*grown, *held, *(id for table, id in last if table == "conditions")}
    like: dict[tuple[Any, ...], DueLook] = {}
    looks = []
    for row in conditions:
        id = str(row["id"])
        if id in gone:
            continue
        if id in special:
            look = last.get(("conditions", id))
            looks.append(_of_condition(row, values, today, grown, held, look))
            continue
        # thousands of conditions of a wall are judged alike
        key = tuple(row[name] for name in JUDGED_BY)
        known = like.get(key)
        if known is None:
            known = like[key] = _of_condition(row, values, today, grown, held, None)
        looks.append(_same_of(known, row))
    looks += [
        _of_repair(
            row, values, done_on.get(str(row["id"])), today, last.get(("repairs", str(row["id"])))
        )
        for row in repairs
        if row["stage"] in DONE_STAGES
    ]
    looks += [_of_gauge(row, gauge, values, today) for row, gauge in gauges]
    for surface, surveyed in surfaces.items():
        look = last.get(("surfaces", surface))
        seen = _later(surveyed, None if look is None else _day(look["looked_on"]))
        looks.append(_of_surface(surface, seen, values, today, "wall"))
        looks.append(_of_surface(surface, None, values, today, "water"))
    return sorted(looks, key=lambda k: (not k.at_once, k.due_on, k.kind, k.surface, k.id))


def look_at_condition(row: Mapping[str, Any], values: TreatmentValues, today: dt.date) -> DueLook:
    """The look at a condition of which nothing else is known: neither growth, nor an earlier look, nor what holds it.

    Parameters
    ----------
    row : mapping
        With :data:`JUDGED_BY`; all with the same of these are judged alike.
    values : TreatmentValues
    today : datetime.date
    """
    return _of_condition(row, values, today, {}, set(), None)


def compared_surveys(
    conditions: Sequence[Mapping[str, Any]], days: Mapping[str, dt.date | None]
) -> tuple[dict[str, str], set[str]]:
    """What the surveys of a surface tell one after the other: what has grown, and what a later outline stands for.

    Parameters
    ----------
    conditions : sequence of mapping
        Of one surface.
    days : mapping of str to date or None
        Surveys and their days; those without a day are left out.

    Returns
    -------
    grown : dict
        Conditions of the newest survey that are larger or deeper than in the one before, by more than can be chance, with
        words.
    replaced : set of str
        Conditions that a later survey shows again. What it does not show stays: it may not have been looked at.
    """
    known = [name for _, name in sorted((d, n) for n, d in days.items() if d is not None)]
    rows = {str(r["id"]): r for r in conditions}
    grown: dict[str, str] = {}
    replaced: set[str] = set()
    for older, newer in itertools.pairwise(known):
        olds, news = ([r for r in conditions if str(r["survey"]) == s] for s in (older, newer))
        if not olds or not news or days[older] == days[newer]:
            continue
        grown = {}
        for pair in pair_surveys(olds, news):
            if not pair.new:
                continue
            replaced |= set(pair.old)
            words = _growth_words(pair, rows)
            if words:
                grown |= dict.fromkeys(pair.new, f"{words} since survey {older}")
    return grown, replaced


def _growth_words(pair: Paired, rows: Mapping[str, Mapping[str, Any]]) -> str:
    words = []
    if pair.fate == "grown":
        words.append(f"{pair.size_new / max(pair.size_old, 1e-9) - 1:.0%} larger")
    deeper = _deeper_m(rows, pair.old, pair.new)
    if deeper is not None:
        words.append(f"{deeper * 1000:.0f} mm deeper")
    return " and ".join(words)


def _deeper_m(
    rows: Mapping[str, Mapping[str, Any]], old: Sequence[str], new: Sequence[str]
) -> float | None:
    """How much deeper, where one outline became one and both depths were measured with what can be chance."""
    if len(old) != 1 or len(new) != 1:
        return None
    depths = [rows[i]["measured_depth"] for i in (old[0], new[0])]
    if not all(isinstance(d, Mapping) for d in depths):
        return None
    more = float(depths[1]["mean_m"]) - float(depths[0]["mean_m"])
    chance = sum(float(d["plus_minus_95_m"]) ** 2 for d in depths) ** 0.5
    return more if more > chance else None


def _listed(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else []


def _same_of(look: DueLook, row: Mapping[str, Any]) -> DueLook:
    """The look at another condition that is judged alike."""
    return DueLook(
        kind=look.kind,
        id=str(row["id"]),
        surface=str(row["surface"]),
        wall_stone="" if is_missing(row["wall_stone"]) else str(row["wall_stone"]),
        subject=look.subject,
        seen_on=look.seen_on,
        months=look.months,
        due_on=look.due_on,
        why=look.why,
        look_at=look.look_at,
        repeats=look.repeats,
        at_once=look.at_once,
    )


def _of_condition(
    row: Mapping[str, Any],
    values: TreatmentValues,
    today: dt.date,
    grown: Mapping[str, str],
    held: set[str],
    last: Mapping[str, Any] | None,
) -> DueLook:
    id, term = str(row["id"]), str(row["term"])
    cc, uc = (None if is_missing(row[k]) else int(row[k]) for k in ("cc", "uc"))
    activity = "unknown" if is_missing(row["activity"]) else str(row["activity"])
    found = "" if last is None else str(last["finding"])
    unsafe = (
        uc == MOST_URGENT
        or found == _FAILED
        or id in held
        or safety_class(term, cc=cc, uc=uc, treatment=None) == "unsafe"
    )
    spans = [_BY_ACTIVITY.get(activity, _BY_ACTIVITY["unknown"])]
    if unsafe:
        spans.append(("maintain.urgent", "unsafe or most urgent"))
    elif uc in _BY_URGENCY:
        spans.append(_BY_URGENCY[uc])
    if id in grown:
        spans.append(("maintain.growing", grown[id]))
    if last is not None and found in (_WORSE, _FAILED):
        spans.append(("maintain.growing", f"found {found} on {str(last['looked_on'])[:10]}"))
    key, why = min(spans, key=lambda s: values[s[0]])
    seen = _later(_day(row["observed_on"]), None if last is None else _day(last["looked_on"]))
    look = _OF_CRACK if "crack" in term.lower() or "fracture" in term.lower() else _OF_CONDITION
    return _look(
        "condition",
        id,
        str(row["surface"]),
        "" if is_missing(row["wall_stone"]) else str(row["wall_stone"]),
        term,
        (key, why),
        values,
        seen,
        today,
        (_URGENT_FIRST if unsafe else "") + look,
        at_once=unsafe,
    )


def _of_repair(
    row: Mapping[str, Any],
    values: TreatmentValues,
    done: dt.date | None,
    today: dt.date,
    last: Mapping[str, Any] | None,
) -> DueLook:
    treatment = str(row["treatment"])
    key, why, since = "maintain.repair_first", "first look after the repair", done
    found = "" if last is None else str(last["finding"])
    looked_on = None if last is None else _day(last["looked_on"])
    if looked_on is not None and (done is None or looked_on >= done):
        key, why, since = "maintain.repair_again", "a repair that is in the wall", looked_on
        if found in (_WORSE, _FAILED):
            key, why = "maintain.growing", f"found {found} on {looked_on}"
    elif done is not None and months_later(done, round(values[key])) < today:
        # no look is recorded: the next of the row that runs from when the first was due
        since = months_later(done, round(values[key]))
        key, why = "maintain.repair_again", "a repair that is in the wall"
    return _look(
        "repair",
        str(row["id"]),
        str(row["surface"]),
        "" if is_missing(row["wall_stone"]) else str(row["wall_stone"]),
        treatment,
        (key, why),
        values,
        since,
        today,
        _OF_REPAIR.get(treatment, _LOOK_AGAIN),
        at_once=found == _FAILED and since == looked_on,
    )


def _of_gauge(
    row: Mapping[str, Any], gauge: Gauge, values: TreatmentValues, today: dt.date
) -> DueLook:
    beyond = gauge.verdict == "beyond the limit"
    own = None if is_missing(row["every_months"]) else int(row["every_months"])
    kind = "gauge" if is_missing(row["kind"]) else str(row["kind"])
    look = _look(
        "gauge",
        gauge.name,
        str(row["surface"]),
        "",
        f"{kind}: {gauge.verdict}",
        ("maintain.gauge", gauge.why),
        values,
        gauge.readings[-1].read_on,
        today,
        (_BEYOND if beyond else "") + _OF_GAUGE,
        at_once=beyond,
    )
    if own is None:
        return look
    due = look.due_on if beyond else months_later(gauge.readings[-1].read_on, own)
    return replace(look, months=own, due_on=due, why=f"{gauge.why} (its own span)")


def _of_surface(
    surface: str, seen: dt.date | None, values: TreatmentValues, today: dt.date, kind: str
) -> DueLook:
    wall = kind == "wall"
    key = "maintain.whole_wall" if wall else "maintain.water"
    return _look(
        kind,
        surface,
        surface,
        "",
        "whole wall" if wall else "gutters and drains",
        (key, "every wall" if wall else "water is what harms most"),
        values,
        seen,
        today,
        _OF_WALL if wall else _OF_WATER,
        repeats=True,
    )


def _look(
    kind: str,
    id: str,
    surface: str,
    wall_stone: str,
    subject: str,
    span: tuple[str, str],
    values: TreatmentValues,
    seen: dt.date | None,
    today: dt.date,
    look_at: str,
    *,
    at_once: bool = False,
    repeats: bool = False,
) -> DueLook:
    key, why = span
    months = max(1, round(values[key]))
    due = today if seen is None or at_once else months_later(seen, months)
    unknown = "; no earlier look is recorded" if seen is None else ""
    return DueLook(
        kind=kind,
        id=id,
        surface=surface,
        wall_stone=wall_stone,
        subject=subject,
        seen_on=seen,
        months=months,
        due_on=due,
        why=f"{why}{unknown} ({key})",
        look_at=look_at,
        repeats=repeats,
        at_once=at_once,
    )


def _later(first: dt.date | None, second: dt.date | None) -> dt.date | None:
    return max((d for d in (first, second) if d is not None), default=None)


def _day(value: Any) -> dt.date | None:
    if is_missing(value):
        return None
    return value if type(value) is dt.date else dt.date.fromisoformat(str(value)[:10])
