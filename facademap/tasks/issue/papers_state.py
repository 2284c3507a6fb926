"""Whether the papers in the folder still say what the project says, and why not; the page that tells it."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from facademap.errors import InputError
from facademap.io.whole_files import path_inside
from facademap.store.changes import Change, changes_after, newest_change
from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tables.settings import is_desk_setting
from facademap.tasks.issue.papers_context import Choices, Context
from facademap.tasks.issue.papers_list import MAP, Paper, all_papers
from facademap.tasks.issue.papers_parts import part_prints, stale_parts
from facademap.tasks.issue.papers_register import (
    is_of_register,
)

__all__ = [
    "MANIFEST",
    "PaperState",
    "choices_of",
    "paper_print",
    "read_manifest",
    "states_of",
    "when_said",
]

MANIFEST = ".papers.json"
State = Literal["current", "stale", "changed"]
_MOST_REASONS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperState:
    """Where one paper stands.

    Parameters
    ----------
    name, title : str
    state : str
        ``current``, ``stale`` (the project has moved on), or ``changed`` (its files were altered or lost).
    reasons : tuple of str
        Why, in words.
    more : int
        Further reasons.
    number, made_at : str
        As in the register; empty for one of an earlier version.
    plan : str or None
        Plan in force when it was made.
    stale_parts, held_parts : tuple of str
        Repairs or blocks whose sheets do not hold any more, and those whose sheets do.
    """

    name: str
    title: str
    state: State
    reasons: tuple[str, ...] = ()
    more: int = 0
    number: str = ""
    made_at: str = ""
    plan: str | None = None
    stale_parts: tuple[str, ...] = ()
    held_parts: tuple[str, ...] = ()


def read_manifest(folder: Path) -> dict[str, Any]:
    """What the folder of papers holds, by name of the paper."""
    try:
        data = json.loads((folder / MANIFEST).read_text("utf-8"))
        return {
            str(k): v
            for k, v in data.items()
            if isinstance(v, dict) and isinstance(v.get("files"), dict)
        }
    except (OSError, ValueError, AttributeError):
        return {}


def paper_print(
    context: Context, paper: Paper, code: str, parts_of: Mapping[str, str] | None = None
) -> str:
    """Digest of everything that a paper is made from; ``parts_of`` are the digests of its sheets, where they are known."""
    if paper.parts:
        sheets = part_prints(context, paper, code) if parts_of is None else parts_of
        content = json.dumps(dict(sheets), sort_keys=True)
    else:
        content = context.fingerprint(paper.tables, paper.settings)
    parts = [
        code,
        paper.name,
        content,
        context.pictures_print(paper.tables) if paper.pictures else "",
        context.texts_print(paper.texts) if paper.texts else "",
        repr(context.choices),
        context.name,
    ]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def states_of(project: Project, folder: Path, *, code: str) -> list[PaperState]:
    """The state of every paper that lies in a folder.

    Parameters
    ----------
    code : str
        Digest of the code that makes papers.
    """
    manifest, newest = read_manifest(folder), newest_change(project)
    contexts: dict[Choices, Context] = {}
    news: dict[int, list[Change]] = {}
    result = []
    for paper in (*all_papers(), MAP):
        entry = manifest.get(paper.name)
        if entry is None:
            continue
        choices = choices_of(entry.get("choices"))
        context = contexts.setdefault(choices, Context(project=project, choices=choices))
        seq = int(entry.get("seq", 0))
        if seq not in news:
            news[seq] = changes_after(project, seq) if 0 < seq < newest else []
        sheets = part_prints(context, paper, code)
        kept = entry["parts"] if isinstance(entry.get("parts"), dict) else {}
        gone, held = stale_parts(kept, sheets)
        state, reasons = _judge(context, paper, entry, folder, code, news[seq], sheets)
        if state == "stale" and held:
            reasons = [*reasons[:1], _sheets_told(paper, gone, held), *reasons[1:]]
        result.append(
            PaperState(
                name=paper.name,
                title=paper.title,
                state=state,
                reasons=tuple(reasons[:_MOST_REASONS]),
                more=max(0, len(reasons) - _MOST_REASONS),
                number=str(entry.get("number", "")),
                made_at=str(entry.get("made_at", "")),
                plan=entry.get("plan"),
                stale_parts=tuple(gone),
                held_parts=tuple(held),
            )
        )
    return result


def choices_of(kept: Any) -> Choices:
    """The choices that a paper was made with, as the folder keeps them."""
    try:
        return Choices(**kept)
    except TypeError:
        return Choices()


def _judge(
    context: Context,
    paper: Paper,
    entry: Mapping[str, Any],
    folder: Path,
    code: str,
    news: Sequence[Change],
    sheets: Mapping[str, str],
) -> tuple[State, list[str]]:
    wrong = [name for name, digest in entry["files"].items() if _differs(folder, name, digest)]
    if wrong:
        return "changed", [f"{name} was altered or is missing" for name in wrong]
    if entry["input"] == paper_print(context, paper, code, sheets):
        return "current", []
    told = _reasons(paper, news)
    if not told:
        same_code = entry.get("code") in (None, code)
        told = [
            "a picture that it shows was made again" if same_code else "made by an earlier version"
        ]
        if "seq" not in entry:
            told = ["made before papers knew what they were made from"]
    return "stale", told


def _sheets_told(paper: Paper, gone: Sequence[str], held: Sequence[str]) -> str:
    """Which sheets are out of date, in words."""
    if not gone:
        return f"new sheets are missing; the {len(held)} that were made hold"
    some = ", ".join(gone[:12]) + (f" and {len(gone) - 12} more" if len(gone) > 12 else "")
    return f"out of date: {some}; the other {len(held)} hold"


def _differs(folder: Path, name: str, digest: str) -> bool:
    """Whether a file is not as it was made; a name that leads elsewhere is no file of ours."""
    try:
        return hashlib.sha256(path_inside(folder, name).read_bytes()).hexdigest() != digest
    except (OSError, InputError):
        return True


def _reasons(paper: Paper, news: Sequence[Change]) -> list[str]:
    """What changed of what a paper is made from, each row once, the latest change first."""
    wanted = {*paper.tables, "settings"}
    own = paper.settings
    seen: dict[tuple[str, str], Change] = {}
    for change in reversed(news):
        quiet = change.table == "settings" and (
            is_of_register(change.id)
            or is_desk_setting(change.id)
            or (own is not None and change.id not in own)
        )
        if change.table in wanted and not quiet:
            seen.setdefault((change.table, change.id), change)
    word = {"insert": "is new", "delete": "was deleted", "update": "changed"}
    return [
        f"{TABLES[table].title.lower()}: {id} {word.get(c.op, 'changed')} ({c.what}), {c.who}, {when_said(c.at)}"
        for (table, id), c in seen.items()
    ]


def when_said(at: str) -> str:
    """A time as people read it."""
    try:
        return dt.datetime.fromisoformat(at).strftime("%-d %b %Y %H:%M")
    except ValueError:
        return at
