"""The papers that were made, for reading in the desk, and the cut ticket of one repair as it would be issued now."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from typing import Any

from facademap.errors import FacademapError, FileError, InputError
from facademap.io.code_pictures import read_codes
from facademap.io.pictures import read_picture
from facademap.report.issue_register import is_sheet_number
from facademap.store.project import Project
from facademap.tasks.issue.issued import list_issued, sheet_issued
from facademap.tasks.issue.papers import code_print
from facademap.tasks.issue.papers_context import Choices, Context
from facademap.tasks.issue.papers_list import MAP, all_papers
from facademap.tasks.issue.papers_page import Answered, papers_page
from facademap.tasks.issue.papers_parts import part_prints, stale_parts
from facademap.tasks.issue.papers_register import recalled_sheets, registered, state_in_register
from facademap.tasks.issue.papers_state import (
    PaperState,
    choices_of,
    read_manifest,
    states_of,
)

__all__ = [
    "asked_about",
    "asked_by_picture",
    "list_papers",
    "page_of_papers",
    "paper_numbered",
    "papers_now",
    "read_paper",
    "ticket_svg",
]

_MANIFEST = ".papers.json"
_TABLES = (
    "elevations",
    "surfaces",
    "wall_stones",
    "repairs",
    "pieces",
    "placements",
    "blocks",
    "faces",
    "conditions",
    "consents",
)


#: Codes of one picture that are answered, and letters of one that are looked at.
_MOST_CODES, _LONGEST_CODE = 6, 200
#: The number of a paper that was made, with the sheet that may follow it.
_NUMBER = re.compile(r"\b[0-9A-F]{4}-[0-9A-F]{4}(?: [\w.-]+)?\Z", re.IGNORECASE)


def list_papers(folder: Path) -> list[dict[str, Any]]:
    """Every paper that stands in the project's folder ``out``: name, title, files with size and time."""
    made = _made(folder)
    titles = {p.name: p.title for p in (*all_papers(), MAP)}
    states, register = papers_now(folder)
    by_name = {s.name: s for s in states}
    recalled = {r["number"] for r in register if r.get("recalled_at")}
    papers = []
    for name in [*titles, *sorted(set(made) - set(titles))]:
        files = []
        for file in made.get(name, ()):
            path = _inside(folder, file)
            if path is not None:
                state = path.stat()
                at = dt.datetime.fromtimestamp(state.st_mtime, dt.UTC).isoformat(timespec="seconds")
                files.append({"name": file, "bytes": state.st_size, "made_at": at})
        if files:
            found = by_name.get(name)
            told = {
                "state": found.state if found else "current",
                "reasons": list(found.reasons) if found else [],
                "more": found.more if found else 0,
                "number": found.number if found else "",
                "made_at": found.made_at if found else "",
                "plan": found.plan if found else None,
                "stale_parts": list(found.stale_parts) if found else [],
                "held_parts": list(found.held_parts) if found else [],
                "recalled": bool(found and found.number in recalled),
            }
            papers.append({"name": name, "title": titles.get(name, name), "files": files, **told})
    return papers


def papers_now(folder: Path) -> tuple[list[PaperState], list[dict[str, Any]]]:
    """State of every paper in the project's folder ``out``, and the register with the state of each entry, newest first."""
    with Project.open(folder, read_only=True) as project:
        states = states_of(project, project.folder / "out", code=code_print())
        by_name = {s.name: (s.number, s.state) for s in states}
        entries = [{**r, "state": state_in_register(r, by_name)} for r in registered(project)]
    return states, entries[::-1]


def paper_numbered(folder: Path, number: str) -> dict[str, Any]:
    """One entry of the register, with its state, why it does not hold any more, and which of its sheets hold.

    A repair or block may follow the number, as on a ticket: ``3F2A-91C7 R-001`` asks about that sheet alone. The
    number of an issued paper, ``DR-001 rev A``, is answered from the register of issued papers.
    """
    if is_sheet_number(number):  # the number of an issued paper, such as DR-001 rev A
        return sheet_issued(folder, number)
    name, _, part = number.strip().partition(" ")
    name, part = name.upper(), part.strip()
    states, register = papers_now(folder)
    entry = next((r for r in register if r["number"] == name), None)
    if entry is None:
        raise InputError(
            f"there is no paper {number[:40]!r}",
            "Read the number in the lower margin of the paper.",
        )
    reasons = next((list(s.reasons) for s in states if s.number == name), [])
    sheets = _sheets(folder, entry)
    if part and part not in sheets:
        raise InputError(
            f"paper {name} has no sheet {part[:40]!r}",
            "Give the repair or block that the sheet names.",
        )
    plain = {k: v for k, v in entry.items() if k != "parts"}
    held = {"sheets": sheets} if sheets else {}
    if not part:
        return {**plain, "reasons": reasons, **held}
    # a sheet that says what it would say today holds, whatever became of the others
    state = entry["state"] if entry["state"] == "recalled" else sheets[part]
    told = {**plain, **recalled_sheets(entry).get(part, {})}
    return {**told, "part": part, "state": state, "reasons": [] if state == "current" else reasons}


def _sheets(folder: Path, entry: dict[str, Any]) -> dict[str, str]:
    """Which sheets of a paper hold still."""
    paper = next((p for p in (*all_papers(), MAP) if p.name == entry["paper"]), None)
    if paper is None or not paper.parts or not isinstance(entry.get("parts"), dict):
        return {}
    kept = entry["parts"]
    with Project.open(folder, read_only=True) as project:
        manifest = read_manifest(project.folder / "out").get(paper.name, {})
        context = Context(project=project, choices=choices_of(manifest.get("choices")))
        gone, _ = stale_parts(kept, part_prints(context, paper, code_print()))
    back = recalled_sheets(entry)
    return {id: "recalled" if id in back else "stale" if id in gone else "current" for id in kept}


def page_of_papers(folder: Path, asked: str = "") -> str:
    """The page that tells which papers hold, as of now, with what is known of a paper that somebody asked about."""
    answers = asked_about(folder, asked) if asked.strip() else ()
    with Project.open(folder, read_only=True) as project:
        states = states_of(project, project.folder / "out", code=code_print())
        now = dt.datetime.now(dt.UTC)
        return papers_page(project, states, now=now, asked=asked, answers=answers)


def asked_about(folder: Path, words: str) -> list[Answered]:
    """Whether a sheet still holds, by the number on it or by what its code says.

    Parameters
    ----------
    folder : Path
        Project.
    words : str
        ``3F2A-91C7``, ``3F2A-91C7 R-001``, ``DR-001 rev A``, or the text or address of a code, such as ``P-001, block B-07,
        repair R-001``.

    Returns
    -------
    list of Answered
        A code names a piece and no paper: then each paper that has a sheet about it is told.
    """
    words = " ".join(words.split())
    by_number = _NUMBER.search(words)
    try:
        found = paper_numbered(folder, by_number[0] if by_number else words)
    except InputError as error:
        if by_number or is_sheet_number(words):
            return [Answered(what=words, state="unknown", says=f"{error.problem}. {error.remedy}")]
        return _about_thing(folder, words)
    name = " ".join(str(found.get(k) or "") for k in ("title", "part")).strip()
    # why somebody recalled it comes before what changed since
    why = found.get("why") if found["state"] == "recalled" else None
    says = found.get("says") or why or "; ".join(found.get("reasons", ()))
    return [Answered(what=f"{words} ({name})", state=str(found["state"]), says=str(says))]


def asked_by_picture(folder: Path, path: Path) -> tuple[str, list[Answered]]:
    """Whether the sheets whose codes a picture shows still hold: what the codes say, and the answers.

    Raises
    ------
    InputError
        No code can be read in it.
    """
    codes = read_codes(path)[:_MOST_CODES]
    answers = [a for words in codes for a in asked_about(folder, words[:_LONGEST_CODE])]
    return "; ".join(codes), answers


def _about_thing(folder: Path, words: str) -> list[Answered]:
    """The sheets about a repair, piece or block that a text names."""
    with Project.open(folder, read_only=True) as project:
        pieces = project.read("pieces")
        known = {*project.read("repairs")["id"], *project.read("blocks")["id"]}
    of_piece = dict(zip(pieces["id"], pieces["repair"], strict=True))
    named = [w for w in re.split(r"[\s,;:/?=&]+", words) if w in known or w in of_piece]
    things = dict.fromkeys(of_piece.get(w, w) for w in named)
    states, register = papers_now(folder)
    entries = {r["number"]: r for r in register}
    told: list[Answered] = []
    behind: set[str] = set()
    for paper in states:
        sheets = (
            _sheets(folder, entries[paper.number]) if things and paper.number in entries else {}
        )
        if any(sheets[thing] != "current" for thing in things if thing in sheets):
            behind.add(paper.name)
        told += [
            Answered(
                what=f"{paper.title}, {thing}",
                state=sheets[thing],
                says=f"The one that holds has the number {paper.number} in its margin."
                if sheets[thing] == "current"
                else "The last one that was made is not to be worked from.",
            )
            for thing in things
            if thing in sheets
        ]
    about = {p.name for p in all_papers() if p.parts} if things else set()
    told += [
        Answered(
            what=f"{one['title']}, as issued",
            state="stale" if one["paper"] in behind else "current",
            says=f"{one['name']} was issued last, and what it shows changed or was recalled since: ask before working from it."
            if one["paper"] in behind
            else f"The one that holds says {one['name']} in its margin; another revision is superseded.",
        )
        for one in list_issued(folder)["current"]
        if one["paper"] in about
    ]
    return told or [
        Answered(
            what=words[:200], state="unknown", says="No paper about it was made in this project."
        )
    ]


def read_paper(folder: Path, name: str) -> bytes:
    """One file of the papers; only names that the list of made papers holds are read.

    Raises
    ------
    FileError
        No such paper.
    """
    known = {file for files in _made(folder).values() for file in files}
    path = _inside(folder, name) if name in known else None
    if path is None:
        raise FileError(
            "there is no such paper", "Issue the papers, then choose one from the list."
        )
    return path.read_bytes()


def _made(folder: Path) -> dict[str, list[str]]:
    try:
        values = json.loads((folder / "out" / _MANIFEST).read_text("utf-8"))
        return {str(k): [str(f) for f in v["files"]] for k, v in values.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _inside(folder: Path, name: str) -> Path | None:
    """The file of that name if it really lies in ``out``, links followed."""
    out = (folder / "out").resolve()
    try:
        path = (out / name).resolve()
        return path if path.is_relative_to(out) and path.is_file() else None
    except (OSError, ValueError):
        return None


def _block_of(project: Project, repair: str) -> str:
    places = project.read("placements", where={"repair": repair})
    return "" if places.empty else str(places["block"].iloc[0])


def ticket_svg(project: Project, repair: str) -> bytes:
    """The cut ticket of a repair as a picture that can be enlarged.

    Raises
    ------
    InputError
        The repair has no piece to cut.
    """
    from facademap.report import make_tickets
    from facademap.report.face_picture import rectify_face
    from facademap.report.refusal_page import draw_refusal
    from facademap.report.svg import write_svg
    from facademap.report.ticket_page import draw_ticket

    project.row("repairs", repair)
    context = Context(project=project, choices=Choices())
    tickets = make_tickets(
        context.frames(_TABLES),
        project=context.name,
        settings=context.trade_values,
        link=context.link,
        criteria=context.criteria,
        sawing=context.sawing_of(_block_of(project, repair)),
        steps=context.steps,
    )
    number, ticket = next(
        ((n, t) for n, t in enumerate(tickets, start=1) if t.repair["id"] == repair), (0, None)
    )
    if ticket is None:
        raise InputError(
            f"repair {repair} has no piece to cut", "Plan it as an inset or a whole stone."
        )
    if ticket.faults:
        return write_svg(draw_refusal(ticket, paper="A4"))
    picture = None
    if ticket.face is not None and ticket.face["photo"] and ticket.face["photo_matrix"]:
        try:
            rgb, _ = read_picture(
                project.place(str(project.row("photos", ticket.face["photo"])["path"]))
            )
            picture = rectify_face(rgb, ticket.face["photo_matrix"], outline=ticket.face["outline"])
        except FacademapError:
            picture = None  # the ticket itself says that the face is drawn as an outline
    return write_svg(draw_ticket(ticket, picture, paper="A4", number=number, total=len(tickets)))
