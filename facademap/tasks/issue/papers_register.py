"""The register of papers: each paper that was made has a number, by which it can be looked up and recalled.

The number comes from what the paper was made from, so that the same paper made again keeps it.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from facademap.errors import InputError
from facademap.store.project import Project

__all__ = [
    "ISSUED",
    "REGISTERED",
    "enter_papers",
    "is_of_register",
    "number_of",
    "recall_paper",
    "recalled_sheets",
    "registered",
    "state_in_register",
]

#: Settings whose names begin so are the register.
REGISTERED = "paper:"
#: Settings whose names begin so are transmittals: what was issued, when, and to whom.
ISSUED = "issue:"
_NUMBER = re.compile(r"[0-9A-F]{4}-[0-9A-F]{4}\Z")


def number_of(made_from: str) -> str:
    """The number of a paper from the digest of what it was made from.

    Examples
    --------
    >>> number_of("3f2a91c7d0")
    '3F2A-91C7'
    """
    return f"{made_from[:4]}-{made_from[4:8]}".upper()


def is_of_register(setting: str) -> bool:
    """Whether a setting is an entry of the register, which says nothing on a paper."""
    return setting.startswith((REGISTERED, ISSUED))


def registered(project: Project) -> list[dict[str, Any]]:
    """Every paper that was made, oldest first."""
    rows = project.read("settings").to_dict("records")
    return [
        {"number": r["id"].removeprefix(REGISTERED), **json.loads(r["value"])}
        for r in rows
        if r["id"].startswith(REGISTERED)
    ]


def enter_papers(project: Project, papers: Iterable[Mapping[str, Any]], *, who: str) -> None:
    """Enter papers that were made; one that is there already stays as it is."""
    fresh = [p for p in papers if project.setting(REGISTERED + p["number"]) is None]
    if not fresh:
        return
    with project.edit(who=who, what="papers made") as edit:
        for paper in fresh:
            edit.set(
                REGISTERED + paper["number"], {k: v for k, v in paper.items() if k != "number"}
            )


def recall_paper(project: Project, number: str, *, why: str, who: str) -> dict[str, Any]:
    """Say that a paper that was handed out does not hold any more, or one of its sheets.

    Parameters
    ----------
    number : str
        Number of the paper; a repair or block may follow, as on a ticket (``3F2A-91C7 R-001``): then that sheet alone.

    Raises
    ------
    InputError
        No such number or sheet, no reason, or recalled already.
    """
    name, _, part = number.strip().partition(" ")
    name, part = name.upper(), part.strip()
    found = project.setting(REGISTERED + name) if _NUMBER.match(name) else None
    if found is None:
        raise InputError(
            f"there is no paper {number[:40]!r}",
            "Read the number in the lower margin of the paper.",
        )
    sheets = recalled_sheets(found)
    if found.get("recalled_at"):
        raise InputError(f"paper {name} was recalled already", f"It was: {found['why']}.")
    if part and part not in (found.get("parts") or {}):
        raise InputError(
            f"paper {name} has no sheet {part[:40]!r}",
            "Give the repair or block that the sheet names.",
        )
    if part in sheets:
        raise InputError(
            f"sheet {part} of paper {name} was recalled already", f"It was: {sheets[part]['why']}."
        )
    if not why.strip():
        raise InputError("a recall without a reason", "Say why.")
    at = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    told = {"recalled_at": at, "recalled_by": who, "why": why.strip()}
    entry = {**found, "sheets_recalled": {**sheets, part: told}} if part else {**found, **told}
    with project.edit(who=who, what=f"recall paper {name} {part}".strip()) as edit:
        edit.set(REGISTERED + name, entry)
    return {"number": name, **entry, **({"part": part, **told} if part else {})}


def recalled_sheets(entry: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    """Sheets of a paper that were recalled alone, each with when, by whom and why."""
    return dict(entry.get("sheets_recalled") or {})


def state_in_register(entry: Mapping[str, Any], states: Mapping[str, tuple[str, str]]) -> str:
    """Where a paper of the register stands: recalled, replaced, or as its present state is.

    ``states`` holds number and state of the papers that lie in the folder, by name.
    """
    if entry.get("recalled_at"):
        return "recalled"
    number, state = states.get(str(entry["paper"]), ("", "replaced"))
    return state if number == entry["number"] else "replaced"
