"""What of a plan is settled: stages come from the record, and what was approved or sawn is not changed by the way.

Every function looks at rows before and after and raises ``StageError``; nothing is read or stored here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from facademap.errors import StageError
from facademap.tables import STAGES, is_missing

__all__ = [
    "FREE_STAGES",
    "RESERVED_STATES",
    "is_sawn",
    "is_settled",
    "refuse_change",
    "refuse_removal",
    "refuse_size_of_piece",
    "same_place",
    "stage_of_record",
]

Row = Mapping[str, Any]
#: Stages of a repair that is still being thought about.
FREE_STAGES = frozenset({"proposed", "on hold"})
#: States of a placement that are promises or facts.
RESERVED_STATES = frozenset({"approved", "reserved", "sawn"})
_SAWN_STAGES = frozenset(STAGES[STAGES.index("piece sawn") : STAGES.index("redo")])
#: What a repair is: none of it changes once it was approved.
_SETTLED_COLUMNS: Mapping[str, frozenset[str]] = {
    "repairs": frozenset(
        [
            "treatment",
            "geometry",
            "surface",
            "wall_stone",
            "conditions",
            "depth_m",
            "edges",
            "edge_kinds",
            "pins",
        ]
    ),
    "placements": frozenset(
        [
            "repair",
            "piece",
            "block",
            "face",
            "slab",
            "slab_thicknesses",
            "x_m",
            "y_m",
            "rotation_deg",
            "blank",
        ]
    ),
}
#: What a person does not type over on a repair that was approved, while planning and the record may.
_SETTLED_BY_HAND = frozenset({"materials", "removed_area_m2", "removed_volume_m3"})
#: What of a piece follows from its cut-out, or says which stone it is.
_OF_CUT_OUT = frozenset({"geometry", "width_m", "height_m", "depth_m"})
_OF_PIECE = _OF_CUT_OUT | {"repair", "surface", "bed", "stone_type", "turn_180", "exposed"}
#: What of a face its saw plans rest on.
_OF_FACE = frozenset({"block", "outline", "usable_depth_m", "flaws"})


#: What ticks a condition of a consent, and what it asked when it was ticked.
_TICK = frozenset(
    {
        "met",
        "met_by",
        "met_on",
        "evidence_file",
        "evidence_sha256",
        "evidence_photo",
        "evidence_trial",
    }
)
_OF_CONSENT = frozenset(
    {
        *("reference", "clause", "text", "before", "treatments", "repairs", "surfaces"),
        *("given_by", "given_on", "wants_trial"),
    }
)
#: What an enquiry for stone says was done, by whom and when.
_OF_ORDER = frozenset(
    {
        "state",
        "decided_by",
        "decided_on",
        "ordered_by",
        "ordered_on",
        "delivered_on",
        "blocks",
        "tests",
    }
)
#: The decision on a trial, and what it was made on and with.
_DECISION = frozenset({"result", "approved_by", "approved_on"})
_AGREEMENT = frozenset({"result", "agreed_by", "agreed_on"})
_OF_TRIAL = frozenset(
    {
        *("kind", "treatment", "stone_type", "soiling", "method", "mix", "uptake_m3_per_m2"),
        *("colour_before", "colour_dry", "colour_wet", "measured"),
    }
)


def is_settled(repair: Row) -> bool:
    """Whether a repair was approved or carried further."""
    return str(repair["stage"]) not in FREE_STAGES


def is_sawn(repair: Row | None) -> bool:
    """Whether the record says that the piece of a repair is sawn and stands."""
    return repair is not None and str(repair["stage"]) in _SAWN_STAGES


def stage_of_record(log: Iterable[Row]) -> str:
    """The stage that the entries of one repair, in the order they were entered, say it has."""
    stages = [str(e["stage"]) for e in log if not is_missing(e.get("stage"))]
    return stages[-1] if stages else "proposed"


def refuse_change(
    table: str,
    id: str,
    before: Row | None,
    after: Row,
    *,
    changed: frozenset[str],
    log: Iterable[Row] = (),
    repair: Row | None = None,
    places: Iterable[Row] = (),
    by_hand: bool = False,
) -> None:
    """Raise where a row of the plan was changed in a way that only the record, or opening it again, allows.

    Parameters
    ----------
    before, after : mapping
        The row before (``None`` for a new one) and after.
    changed : frozenset of str
        Columns that differ.
    log : iterable of mapping
        For a repair: its entries in the record, those of this edit included.
    repair : mapping, optional
        For a placement or a piece: its repair as it stands after the edit.
    places : iterable of mapping
        For a face or a block: the placements on it.
    by_hand : bool
        Whether a person typed it, rather than planning, matching or the record.

    Raises
    ------
    StageError
        The row is settled.
    """
    if table == "repairs":
        _refuse_repair(id, before, after, changed=changed, log=log, by_hand=by_hand)
    elif table == "placements":
        _refuse_placement(id, before, after, changed=changed, repair=repair, by_hand=by_hand)
    elif table == "pieces" and by_hand and changed & _OF_PIECE:
        if repair is not None and is_settled(repair):
            raise StageError(
                f"{id}: {repair['id']} is {repair['stage']}, and its piece is settled",
                f"Take {repair['id']} back to proposed with a reason, then change it.",
            )
    elif table == "trials" and by_hand:
        _refuse_trial(id, before, after, changed=changed)
    elif table == "variations" and by_hand:
        _refuse_variation(id, before, after, changed=changed)
    elif table == "consents" and by_hand:
        _refuse_tick(id, before, after, changed=changed)
    elif table == "orders" and by_hand:
        _refuse_order(id, before, after, changed=changed)
    elif table == "blocks" and by_hand and before is not None and after["state"] == "future":
        if changed & {"state", "after_repair", "parent"} and any(True for _ in places):
            raise StageError(
                f"block {id} holds pieces; it cannot become stone that is still to come out",
                "Delete its places first, then match again.",
            )
    elif table == "faces" and before is not None and changed & _OF_FACE:
        for place in places:
            if place["state"] in RESERVED_STATES:
                raise StageError(
                    f"face {id} holds the piece of {place['repair']}, which is {place['state']} on it as it was",
                    "Open that place again first, or enter a new face.",
                )


def _refuse_repair(
    id: str,
    before: Row | None,
    after: Row,
    *,
    changed: frozenset[str],
    log: Iterable[Row],
    by_hand: bool,
) -> None:
    if "stage" in changed and str(after["stage"]) != (said := stage_of_record(log)):
        raise StageError(
            f"{id}: its stage comes from the record of the work, which says {said}, not {after['stage']}",
            "Enter the stage in the record; its gate tells what has to be done before.",
        )
    if by_hand and before is not None and "measured" in changed:
        raise StageError(
            f"{id}: the cut-out as measured comes from the record of the work",
            "Enter the measures in the record.",
        )
    if by_hand and before is not None and _lets_go(before, after):
        raise StageError(
            f"{id} is held back: {before['held_back']}",
            "Settle that and plan again, or decide otherwise with a name and a reason.",
        )
    # rods follow the piece once its cut-out was measured as cut, by the record and not by hand
    follows = {"pins"} if "measured" in changed and not by_hand else set()
    holds = "held_back" in changed and not is_missing(after["held_back"])
    if before is not None and is_settled(before) and holds:
        raise StageError(
            f"{id} is {before['stage']}: it is held back through the record of the work",
            "Enter on hold or redo in the record, with the reason.",
        )
    columns = _SETTLED_COLUMNS["repairs"] | (_SETTLED_BY_HAND if by_hand else frozenset())
    settled = sorted((changed & columns) - follows)
    if before is not None and is_settled(before) and settled:
        raise StageError(
            f"{id} is {before['stage']}: its {settled[0]} is settled",
            "Take it back to proposed with a reason, then change it.",
        )


def _lets_go(before: Row, after: Row) -> bool:
    decided = not is_missing(after.get("overruled_by")) and not is_missing(after.get("reason"))
    return not is_missing(before["held_back"]) and is_missing(after["held_back"]) and not decided


def _refuse_placement(
    id: str,
    before: Row | None,
    after: Row,
    *,
    changed: frozenset[str],
    repair: Row | None,
    by_hand: bool,
) -> None:
    name, state = str(after["repair"]), str(after["state"])
    was = "proposed" if before is None else str(before["state"])
    typed = by_hand or before is not None
    if state == "sawn" and was != "sawn" and typed and not is_sawn(repair):
        raise StageError(
            f"{id}: the record of {name} does not say that its piece is sawn",
            "Enter the stage piece sawn in the record of the work first.",
        )
    if before is None:
        return
    if was in RESERVED_STATES and state != was and is_sawn(repair) and state != "sawn":
        raise StageError(
            f"{id}: the piece of {name} is sawn; its place cannot be opened again",
            "Send the repair to redo in the record, with a reason, where the piece is spoiled.",
        )
    moved = changed & _SETTLED_COLUMNS["placements"]
    if was in RESERVED_STATES and moved:
        raise StageError(
            f"the piece of {name} is {was} on block {before['block']}",
            "Open that place again first.",
        )


def _refuse_trial(id: str, before: Row | None, after: Row, *, changed: frozenset[str]) -> None:
    """A trial is approved by a decision with name and day, not typed over, and then stays as it was approved."""
    decided = str((after if before is None else before).get("result") or "open") != "open"
    if changed & _DECISION if before is not None else decided:
        raise StageError(
            f"trial {id}: whether it may be followed is decided, not typed",
            "Decide on it as a trial, with the name of who decides.",
        )
    if before is not None and decided and changed & _OF_TRIAL:
        raise StageError(
            f"trial {id} is {before['result']}: what was decided on stays as it was",
            "Take the decision back first, or enter a new trial.",
        )


def _refuse_variation(id: str, before: Row | None, after: Row, *, changed: frozenset[str]) -> None:
    """A variation is agreed by a decision with name and day, and then stays as it was agreed."""
    decided = str((after if before is None else before).get("result") or "open") != "open"
    if changed & _AGREEMENT if before is not None else decided:
        raise StageError(
            f"variation {id}: whether it counts is decided, not typed",
            "Decide on it as a variation, with the name of who decides.",
        )
    if before is not None and decided and changed - {"note"}:
        raise StageError(
            f"variation {id} is {before['result']}: what was decided on stays as it was",
            "Take the decision back first, or raise a new one.",
        )


def _refuse_tick(id: str, before: Row | None, after: Row, *, changed: frozenset[str]) -> None:
    """A condition is ticked with name, day and evidence, not typed over, and then asks what it asked."""
    if changed & _TICK if before is not None else bool(after.get("met")):
        raise StageError(
            f"condition {id}: whether it is met is ticked with evidence, not typed",
            "Tick it with a name and a file, photo or trial.",
        )
    if before is not None and bool(before.get("met")) and changed & _OF_CONSENT:
        raise StageError(
            f"condition {id} is met: what was met stays as it was",
            "Take the tick back first.",
        )


def _refuse_order(id: str, before: Row | None, after: Row, *, changed: frozenset[str]) -> None:
    """Steps of an enquiry are entered in their order, with who and when."""
    fresh = str(after.get("state") or "asked") != "asked"
    if changed & _OF_ORDER if before is not None else fresh:
        raise StageError(
            f"enquiry {id}: what became of it is entered step by step, not typed",
            "Enter samples, decisions, orders and deliveries as such, one after the other.",
        )


def refuse_size_of_piece(piece: Row, *, changed: frozenset[str], with_cut_out: bool) -> None:
    """Raise where a person types a size that follows from the cut-out.

    Parameters
    ----------
    piece : mapping
        The piece after the edit.
    changed : frozenset of str
        Columns that differ.
    with_cut_out : bool
        Whether the cut-out was changed in the same edit.

    Raises
    ------
    StageError
        The size of a piece was typed.
    """
    if changed & _OF_CUT_OUT and not with_cut_out:
        raise StageError(
            f"{piece['id']}: the size of a piece follows from its cut-out",
            f"Change the outline, depth or joints of {piece['repair']}; the piece follows.",
        )


def refuse_removal(
    table: str, row: Row, *, log: Iterable[Row] = (), repair: Row | None = None
) -> None:
    """Raise where a row may not be deleted, whatever depends on it.

    Parameters
    ----------
    row : mapping
        The row.
    log : iterable of mapping
        For a repair: its entries in the record.
    repair : mapping, optional
        For a placement or a piece: its repair.

    Raises
    ------
    StageError
        The row is settled, or belongs to the record.
    """
    id = str(row["id"])
    if table == "repairs":
        if is_settled(row):
            raise StageError(
                f"{id} is {row['stage']}: it is settled",
                "Take it back to proposed with a reason; with entries in its record it stays, and can be left or put on hold.",
            )
        if entries := len(list(log)):
            raise StageError(
                f"{id} has {entries} entr{'y' if entries == 1 else 'ies'} in the record of the work, which is never changed",
                "Decide to leave it, with a name and a reason, or put it on hold.",
            )
    elif table == "placements" and str(row["state"]) in RESERVED_STATES:
        remedy = "Open that place again first."
        if is_sawn(repair):
            remedy = (
                "Send the repair to redo in the record, with a reason, where the piece is spoiled."
            )
        raise StageError(
            f"the piece of {row['repair']} is {row['state']} on block {row['block']}", remedy
        )
    elif table == "pieces" and repair is not None and is_settled(repair):
        raise StageError(
            f"{id}: {repair['id']} is {repair['stage']}, and its piece is settled",
            f"Take {repair['id']} back to proposed with a reason first.",
        )
    elif table in ("work_log", "reviews"):
        raise StageError(f"{id}: entries of a record stay", "Add an entry that corrects it.")
    elif table == "trials" and str(row["result"]) == "approved":
        raise StageError(
            f"trial {id} is approved, and work may rest on it",
            "Take the decision back first.",
        )
    elif table == "variations" and str(row["result"]) == "agreed":
        raise StageError(
            f"variation {id} is agreed and stands in the bill",
            "Take the decision back first.",
        )
    elif table == "consents" and bool(row["met"]):
        raise StageError(
            f"condition {id} is met, and work may rest on it",
            "Take the tick back first.",
        )
    elif table == "orders" and str(row["state"]) in ("ordered", "delivered"):
        raise StageError(f"enquiry {id} is {row['state']}", "Leave it; it belongs to the record.")
    elif table == "plans" and row["current"]:
        raise StageError(f"plan {id} is in force", "Choose another plan first.")
    elif table == "blocks" and str(row["state"]) in ("sawn", "used"):
        raise StageError(
            f"block {id} is {row['state']}: it belongs to the record",
            "Leave it; it is not matched.",
        )


#: Places closer than this are the same place: nobody saws finer (common practice).
_SAME_PLACE_M = 0.0005


def same_place(one: Row, other: Row) -> bool:
    """Whether two placements hold the same piece at the same place of the same block."""
    names = ("repair", "piece", "block", "face", "slab", "rotation_deg")
    near = all(abs(float(one[n]) - float(other[n])) <= _SAME_PLACE_M for n in ("x_m", "y_m"))
    return near and all(one[n] == other[n] for n in names)
