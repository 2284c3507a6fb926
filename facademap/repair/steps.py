"""The setting of an inset in order, from safe access to cure: steps, hold points, what is checked, what is photographed.

The setting sheet and the record follow the same steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.repair.criteria import Criteria
from facademap.repair.stages import effective_entries
from facademap.tables import STAGES, is_missing

__all__ = [
    "PHOTO_SLOTS",
    "STEPS",
    "Step",
    "photo_note",
    "photos_taken",
    "slot_of",
    "slot_rules",
    "steps_for",
]

#: What is photographed on every repair, in order.
PHOTO_SLOTS = ("before", "cut out", "dry fit", "bond side", "set", "after")
_NOTE = "photo: "


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step.

    Parameters
    ----------
    key, title : str
        Short name, and what is done.
    before : str
        Stage that is entered when it is done.
    checks : tuple of str
        Criteria that are checked here.
    photo : str
        Photo slot that is filled here; empty where none is.
    hold : str
        Hold point: nothing goes on before this.
    """

    key: str
    title: str
    before: str
    checks: tuple[str, ...] = ()
    photo: str = ""
    hold: str = ""


STEPS: tuple[Step, ...] = (
    Step(
        key="access",
        title="Safe access",
        before="cut out",
        photo="before",
        hold="repair approved; scaffold passed; protection below; propping as decided",
    ),
    Step(key="tools", title="Tools and dust control", before="cut out"),
    Step(
        key="cut",
        title="Cut out",
        before="cut-out measured",
        checks=("sound stone all round",),
        photo="cut out",
    ),
    Step(key="key-wall", title="Key the cut-out", before="cut-out measured"),
    Step(
        key="measure",
        title="Measure as cut",
        before="piece sawn",
        checks=("cut-out square", "even depth"),
        hold="nothing is sawn before the sizes as cut are recorded",
    ),
    Step(
        key="piece",
        title="Piece from the saw",
        before="dry-fitted",
        checks=("stone and bed right", "look again"),
    ),
    Step(key="key-piece", title="Key the piece", before="dry-fitted"),
    Step(key="holes", title="Drill the holes", before="dry-fitted"),
    Step(key="protect-face", title="Protect the faces", before="dry-fitted"),
    Step(
        key="dry-fit",
        title="Dry fit",
        before="bedded",
        checks=("joint widths",),
        photo="dry fit",
        hold="no mortar before the joints are right and the piece comes off again",
    ),
    Step(
        key="weather",
        title="Weather",
        before="bedded",
        checks=("air temperature", "not too hot", "frost, sun and wind"),
    ),
    Step(key="rods", title="Rods", before="bedded"),
    Step(key="wet", title="Wet, first coat", before="bedded", checks=("wetted",)),
    Step(key="set", title="Set the piece", before="sounded", photo="set"),
    Step(
        key="look",
        title="Take out and look",
        before="sounded",
        checks=("full bed", "number of beddings"),
        photo="bond side",
        hold="full bed seen on the bond side",
    ),
    Step(
        key="sound",
        title="Sound",
        before="pointed",
        checks=("sounding",),
        hold="no hollow ring",
    ),
    Step(key="point", title="Clean and point", before="curing", checks=("pointing",)),
    Step(key="cover", title="Cover and cure", before="accepted", checks=("protection",)),
    Step(key="dress", title="Work back the face", before="accepted", checks=("face flush",)),
    Step(
        key="accept",
        title="Accept",
        before="accepted",
        checks=("work seen",),
        photo="after",
        hold="looked at by the person responsible",
    ),
)

#: Slot that a photo of an entry fills where the entry does not say: by its stage, else by its check.
_BY_STAGE: Mapping[str, str] = {
    "proposed": "before",
    "approved": "before",
    "cut out": "cut out",
    "cut-out measured": "cut out",
    "dry-fitted": "dry fit",
    "bedded": "set",
    "sounded": "set",
    "pointed": "set",
    "curing": "after",
    "accepted": "after",
}
_BY_CHECK: Mapping[str, str] = {
    "joint widths": "dry fit",
    "full bed": "bond side",
    "number of beddings": "bond side",
}


def steps_for(criteria: Criteria, *, treatment: str) -> tuple[tuple[Step, tuple[str, ...]], ...]:
    """The steps with the criteria of an office: what no step names is checked in the last step before its stage."""
    asked = {c.name: c.before for c in criteria.for_treatment(treatment)}
    known = {name for step in STEPS for name in step.checks}
    result: list[tuple[Step, tuple[str, ...]]] = []
    for k, step in enumerate(STEPS):
        own = [n for n in step.checks if n in asked]
        later = {s.before for s in STEPS[k + 1 :]}
        if step.before not in later:
            # stages that have no step of their own fall to the step that comes last before them
            following = STEPS[k + 1].before if k + 1 < len(STEPS) else None
            last = STAGES.index(following) if following else len(STAGES)
            own += [
                n
                for n, before in asked.items()
                if n not in known and STAGES.index(step.before) <= STAGES.index(before) < last
            ]
            if not result or all(s.before == step.before for s, _ in result):
                own += [
                    n
                    for n, before in asked.items()
                    if n not in known and STAGES.index(before) < STAGES.index(step.before)
                ]
        result.append((step, tuple(dict.fromkeys(own))))
    return tuple(result)


def photo_note(slot: str) -> str:
    """What an entry says whose photo fills a slot.

    Raises
    ------
    InputError
        There is no such slot.
    """
    if slot not in PHOTO_SLOTS:
        raise InputError(f"no photo is called {slot!r}", f"Use one of {', '.join(PHOTO_SLOTS)}.")
    return _NOTE + slot


def photos_taken(entries: Iterable[Mapping[Any, Any]]) -> dict[str, list[Mapping[Any, Any]]]:
    """Entries with a photo under the slot that it fills; every slot is there, in order. What was corrected does not count."""
    found: dict[str, list[Mapping[Any, Any]]] = {slot: [] for slot in PHOTO_SLOTS}
    for entry in effective_entries(entries):
        slot = "" if is_missing(entry.get("photo")) else slot_of(entry)
        if slot in found:
            found[slot].append(entry)
    return found


def slot_of(entry: Mapping[Any, Any]) -> str:
    """Slot that the photo of an entry fills: as the entry says, else by its check, else by its stage; empty where none is."""
    note = "" if is_missing(entry.get("note")) else str(entry["note"])
    said = note.removeprefix(_NOTE) if note.startswith(_NOTE) else ""
    return (
        said
        or _BY_CHECK.get(str(entry.get("check")), "")
        or _BY_STAGE.get(str(entry.get("stage")), "")
    )


def slot_rules() -> dict[str, Any]:
    """The slots in order, each with the stage before which it is taken, and how entries fill them; for other programs."""
    due = {s.photo: s.before for s in STEPS if s.photo}
    return {
        "slots": [{"name": slot, "before": due[slot]} for slot in PHOTO_SLOTS],
        "note": _NOTE,
        "by_check": dict(_BY_CHECK),
        "by_stage": dict(_BY_STAGE),
    }
