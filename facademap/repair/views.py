"""Views that are photographed of a repair, and which of them are missing at its stage."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from facademap.repair.stages import effective_entries
from facademap.repair.steps import PHOTO_SLOTS, photos_taken, slot_of, slot_rules
from facademap.tables import PIECED, STAGES, is_missing

__all__ = ["SURFACE_VIEWS", "missing_views", "views_of", "views_taken"]

#: Views of work that sets no piece, each with the stages from which it is missing (common practice).
SURFACE_VIEWS: Mapping[str, frozenset[str]] = {
    "before": frozenset({"pointed", "curing", "accepted", "redo"}),
    "during": frozenset({"curing", "accepted", "redo"}),
    "after": frozenset({"accepted"}),
}
_SURFACE_SLOT: Mapping[str, str] = {"before": "before", "after": "after"}
_WAITING = frozenset({"proposed", "undecided", "on hold", "approved"})


def views_of(treatment: str) -> tuple[str, ...]:
    """Views that a treatment asks for, in order; what is left alone is photographed at every survey instead."""
    if treatment in PIECED:
        return PHOTO_SLOTS
    return () if treatment in ("leave", "undecided") else tuple(SURFACE_VIEWS)


def views_taken(
    repair: Mapping[str, Any], entries: Iterable[Mapping[Any, Any]]
) -> dict[str, list[Mapping[Any, Any]]]:
    """Entries with a photo under the view that each shows, in order of time."""
    own = [e for e in entries if e["repair"] == repair["id"]]
    if str(repair["treatment"]) in PIECED:
        return photos_taken(own)
    found: dict[str, list[Mapping[Any, Any]]] = {v: [] for v in views_of(str(repair["treatment"]))}
    for entry in effective_entries(own):
        if found and not is_missing(entry.get("photo")):
            found[_SURFACE_SLOT.get(slot_of(entry), "during")].append(entry)
    return found


def missing_views(
    repair: Mapping[str, Any], entries: Iterable[Mapping[Any, Any]]
) -> tuple[str, ...]:
    """Views that should be there at the stage of a repair and are not.

    Parameters
    ----------
    repair : mapping
        Row of the repairs table.
    entries : iterable of mapping
        Of the work record.
    """
    stage, treatment = str(repair["stage"]), str(repair["treatment"])
    taken = views_taken(repair, entries)
    if stage in _WAITING:
        return ()
    if treatment in PIECED:
        due = {s["name"]: s["before"] for s in slot_rules()["slots"]}
        at = STAGES.index(stage)
        return tuple(
            v for v in taken if not taken[v] and (stage == "redo" or at >= STAGES.index(due[v]))
        )
    return tuple(v for v in taken if not taken[v] and stage in SURFACE_VIEWS[v])
