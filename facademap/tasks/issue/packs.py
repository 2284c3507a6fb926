"""All papers that one person works from, as one PDF in the order of the work, with an index in front."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from facademap.errors import InputError
from facademap.io.whole_files import path_inside, write_whole
from facademap.report.pack_index import Entry, write_pack_index
from facademap.report.pdf_sets import picked
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.issue.papers_context import Choices, Context
from facademap.tasks.issue.papers_list import all_papers
from facademap.tasks.issue.papers_state import read_manifest

__all__ = ["PERSONS", "Person", "papers_for", "refresh_packs", "write_pack"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who works from papers.

    Parameters
    ----------
    title : str
    files : tuple of str
        Beginnings of the files that they need, in the order they need them.
    by_piece : tuple of str
        Files whose sheets are put together piece by piece, in working order, in place of the first of them.
    """

    title: str
    files: tuple[str, ...]
    by_piece: tuple[str, ...] = ()


PERSONS: Mapping[str, Person] = {
    "mason": Person(
        title="Papers for the mason",
        files=("drawings/repair-", "cut-tickets.pdf", "job-sheets.pdf", "templates-"),
        by_piece=("cut-tickets.pdf",),
    ),
    "yard": Person(
        title="Papers for the yard", files=("stone-wanted.pdf", "saw-plans.pdf", "labels.pdf")
    ),
    "planner": Person(
        title="Papers for the planner",
        files=(
            "drawings/cover",
            "drawings/condition-",
            "drawings/repair-",
            "drawings/as-built-",
            "relief/",
            "change/",
            "records.pdf",
        ),
    ),
    "cost": Person(
        title="Papers for the cost plan", files=("bill-of-quantities.pdf", "drawings/repair-")
    ),
    "tender": Person(
        title="Papers for tender",
        files=(
            "drawings/cover",
            "bill-of-quantities.pdf",
            "drawings/condition-",
            "drawings/repair-",
            "relief/",
            "job-sheets.pdf",
        ),
    ),
}
_PAPER_OF = {
    "drawings/": "drawings",
    "relief/": "relief",
    "change/": "change",
    "cut-tickets": "tickets",
    "job-sheets": "job-sheets",
    "templates-": "templates",
    "stone-wanted": "lists",
    "labels": "lists",
    "saw-plans": "saw-plans",
    "records": "records",
    "bill-of": "quantities",
}


def papers_for(person: str) -> tuple[str, ...]:
    """Names of the papers that a person needs.

    Raises
    ------
    InputError
        No such person.
    """
    who = _person(person)
    names = [paper for f in who.files for start, paper in _PAPER_OF.items() if f.startswith(start)]
    known = {p.name for p in all_papers()}
    return tuple(n for n in dict.fromkeys(names) if n in known)


def write_pack(project: str | Path, person: str, *, out: Path | None = None) -> str:
    """Put the pack of a person together from the papers in the folder.

    Parameters
    ----------
    project : path
    person : str
        mason, yard, planner, cost or tender.
    out : Path, optional
        Folder of the papers; the project's own when missing.

    Returns
    -------
    str
        Name of the file in the folder of papers.
    """
    who = _person(person)
    with Project.open(project, read_only=True) as opened:
        opened.need_whole()
        folder = out or opened.folder / "out"
        context = Context(project=opened, choices=Choices())
        manifest = read_manifest(folder)
        numbers = {f: str(m.get("number", "")) for m in manifest.values() for f in m["files"]}
        there = [n for n in numbers if n.endswith(".pdf")]
        parts: list[tuple[str, str, bytes, Sequence[int] | None]] = []
        for start in who.files:
            for name in sorted(n for n in there if n.startswith(start)):
                data = path_inside(folder, name).read_bytes()
                if name in who.by_piece:
                    ranked = working_order(context)
                    parts += [(t, name, data, pages) for t, pages in _by_piece(data, ranked)]
                else:
                    parts.append((_title(data, name), name, data, None))
        if not parts:
            raise InputError(
                f"there are no papers for the {person} yet", "Make the papers of the project first."
            )
        day = context.last_day(("repairs", "pieces", "conditions", "placements", "blocks"))
        data = _joined(who, parts, numbers, context, day or "2000-01-01")
    file = f"for-{person}.pdf"
    write_whole(file, data, inside=folder)
    return file


def refresh_packs(project: str | Path, folder: Path) -> None:
    """Put together again the packs that lie in the folder, so that none shows papers of before."""
    for person in PERSONS:
        if (folder / f"for-{person}.pdf").is_file():
            write_pack(project, person, out=folder)


def working_order(context: Context) -> list[str]:
    """Pieces in the order they are set: stone that serves others first, then from the top lift down, bay by bay."""
    repairs = {str(r["id"]): r for r in context.frame("repairs").to_dict("records")}
    blocks = {str(b["id"]): b for b in context.frame("blocks").to_dict("records")}
    before = {
        str(p["repair"]): str(donor)
        for p in context.frame("placements").to_dict("records")
        if not is_missing(donor := blocks.get(str(p["block"]), {}).get("after_repair"))
    }

    def rank(piece: Mapping[str, Any]) -> tuple[int, float, float, str, str]:
        repair = str(piece["repair"])
        depth, seen = 0, {repair}
        while (repair := before.get(repair, "")) and repair not in seen:
            depth += 1
            seen.add(repair)
        row = repairs.get(str(piece["repair"]), {})
        lift, bay = (0.0 if is_missing(row.get(n)) else float(row[n]) for n in ("lift", "bay"))
        return depth, -lift, bay, str(row.get("surface")), str(piece["id"])

    return [str(p["id"]) for p in sorted(context.frame("pieces").to_dict("records"), key=rank)]


def _by_piece(data: bytes, order: Sequence[str]) -> Iterator[tuple[str, list[int]]]:
    """Sheets of each piece by the names that they bear in the file, in working order; others at the end."""
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(data))
    found: dict[str, list[int]] = {}
    named: dict[int, str] = {
        int(reader.get_destination_page_number(o) or 0): str(o.title).split(", ")[0]
        for o in reader.outline
        if not isinstance(o, list)
    }
    name = ""
    for page in range(len(reader.pages)):
        name = named.get(page, name)
        found.setdefault(name, []).append(page)
    for piece in (*[p for p in order if p in found], *[n for n in found if n not in set(order)]):
        yield piece or "further sheets", found[piece]


def _joined(
    who: Person,
    parts: Sequence[tuple[str, str, bytes, Sequence[int] | None]],
    numbers: Mapping[str, str],
    context: Context,
    day: str,
) -> bytes:
    counts = [len(pages) if pages is not None else _pages_of(data) for _, _, data, pages in parts]
    index_pages = 1
    write: Callable[[int], bytes] = lambda first: write_pack_index(  # noqa: E731
        who.title, list(_entries(parts, counts, numbers, first)), project=context.name, day=day, paper=context.choices.paper
    )  # fmt: skip
    # the index is as long as it is, whatever page it says that the rest begins on
    index_pages = _pages_of(write(1))
    index = write(index_pages + 1)
    whole = [("Index", index, None), *((t, d, p) for t, _, d, p in parts)]
    return picked(whole, title=f"{who.title}, {context.name}", date=day)


def _entries(
    parts: Sequence[tuple[str, str, bytes, Sequence[int] | None]],
    counts: Sequence[int],
    numbers: Mapping[str, str],
    first: int,
) -> Iterator[Entry]:
    page = first
    for (title, file, _, _), count in zip(parts, counts, strict=True):
        yield Entry(title=title, number=numbers.get(file, ""), page=page, sheets=count)
        page += count


def _pages_of(data: bytes) -> int:
    from pypdf import PdfReader

    return len(PdfReader(io.BytesIO(data)).pages)


def _title(data: bytes, name: str) -> str:
    from pypdf import PdfReader

    info = PdfReader(io.BytesIO(data)).metadata
    return str(info.title) if info and info.title else PurePosixPath(name).stem


def _person(name: str) -> Person:
    try:
        return PERSONS[name]
    except KeyError:
        raise InputError(
            f"there is no pack for {name[:40]!r}", f"Use {', '.join(PERSONS)}."
        ) from None
