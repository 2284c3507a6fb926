"""Issue papers: number and revision for each, what changed marked on it, one archive for those who get them.

A paper that says what it said when it was last issued, with the same status, goes out again as the same bytes.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from facademap.errors import InputError
from facademap.io.whole_files import make_folder, path_inside, remove_file, write_whole
from facademap.report.issue_index import write_index, write_transmittal_sheet
from facademap.report.issue_register import Document, Register, Transmittal
from facademap.report.pdf_sets import marked, page_count, struck
from facademap.report.revision import IssueMark, Revision, letter_after, status_named
from facademap.store.project import Project
from facademap.tasks.issue.drawn_rows import drawn_rows
from facademap.tasks.issue.kept_register import kept_transmittal, read_register
from facademap.tasks.issue.papers import code_print
from facademap.tasks.issue.papers_change import change_rows
from facademap.tasks.issue.papers_context import Choices, Context, DrawingIssue
from facademap.tasks.issue.papers_list import Paper, all_papers
from facademap.tasks.issue.papers_register import ISSUED
from facademap.tasks.issue.papers_relief import relief_rows
from facademap.tasks.issue.papers_state import paper_print

__all__ = ["ISSUED_FOLDER", "Transmitted", "transmit", "write_issued_folder"]

#: Where issued papers lie in the project.
ISSUED_FOLDER = "issued"
_NUMBERED = (".pdf", ".xlsx")
Progress = Callable[[float, str], None]
#: Papers drawn with a title block, and what tells which of their rows changed.
_DRAWN: Mapping[str, Callable[[Context, str], dict[str, str]]] = {
    "drawings": drawn_rows,
    "relief": relief_rows,
    "change": change_rows,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmitted:
    """What was handed out.

    Parameters
    ----------
    transmittal : Transmittal
    archive : Path
        Everything in it, with its index.
    unchanged : tuple of str
        Papers that went out again as they were.
    warnings : tuple of str
    """

    transmittal: Transmittal
    archive: Path
    unchanged: tuple[str, ...]
    warnings: tuple[str, ...]


def transmit(
    project: str | Path,
    *,
    to: Sequence[str],
    status: str,
    reason: str,
    drawn_by: str,
    checked_by: str = "",
    date: str = "",
    only: Sequence[str] = (),
    choices: Choices | None = None,
    who: str = "facademap transmit",
    progress: Progress = lambda share, what: None,
) -> Transmitted:
    """Issue papers of a project to people.

    Parameters
    ----------
    project : path
    to : sequence of str
        Who gets them.
    status : str
        for comment, for tender, for construction, or as built.
    reason : str
        Why, for the revision table.
    drawn_by, checked_by : str
        Who made them, and another person who checked them. Papers for construction and as built need one.
    date : str
        Day of issue, as 2026-11-30; today when empty.
    only : sequence of str
        Names of papers; all when empty.
    choices : Choices, optional
    who : str
        For the history.
    progress : callable

    Returns
    -------
    Transmitted

    Raises
    ------
    FacademapError
        Something is missing, or a paper cannot be made: then nothing is issued.
    """
    given = _Given.checked(to, status, reason, drawn_by, checked_by, date)
    unknown = sorted(set(only) - {p.name for p in all_papers()})
    if unknown:
        raise InputError(
            f"there is no paper {', '.join(unknown)}",
            f"Use {', '.join(p.name for p in all_papers())}.",
        )
    with Project.open(project, read_only=True) as opened:
        opened.need_whole()
        register, folder = read_register(opened), opened.folder
        context = Context(project=opened, choices=choices or Choices())
        papers = [p for p in all_papers() if not only or p.name in only]
        made = _Issue(context, register, given, folder / ISSUED_FOLDER)
        for i, paper in enumerate(papers):
            progress(i / len(papers), paper.title)
            made.add(paper)
        name = context.name
        warnings = tuple(dict.fromkeys(context.warnings))
    one = Transmittal(
        id=register.next_id, date=given.date, status=given.status, reason=given.reason, to=given.to, by=who,
        documents=tuple(d.name for d in made.documents), fresh=tuple(d for d in made.documents if d.number in made.fresh),
    )  # fmt: skip
    after = Register((*register.transmittals, one))
    folder = folder / ISSUED_FOLDER
    make_folder(folder.name, inside=folder.parent)
    sheet = write_transmittal_sheet(
        one, made.documents, project=name, paper=context.choices.paper, before=register
    )
    archive = f"{one.id}.zip"
    write_whole(archive, _zipped({f"{one.id}.pdf": sheet, **made.files}, given.date), inside=folder)
    with Project.open(project) as opened:
        if read_register(opened).next_id != one.id:
            raise InputError("somebody else issued papers meanwhile", "Issue them again.")
        with opened.edit(who=who, what=f"papers issued, {one.id}") as edit:
            edit.set(ISSUED + one.id, kept_transmittal(one))
    write_issued_folder(folder, after, made.files, project=name, paper=context.choices.paper)
    progress(1.0, "done")
    return Transmitted(
        transmittal=one,
        archive=folder / archive,
        unchanged=tuple(d.name for d in made.documents if d.number not in made.fresh),
        warnings=warnings,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Given:
    """What the person who issues says."""

    to: tuple[str, ...]
    status: Any
    reason: str
    drawn_by: str
    checked_by: str
    date: str

    @classmethod
    def checked(
        cls, to: Sequence[str], status: str, reason: str, drawn: str, checked: str, date: str
    ) -> _Given:
        names = tuple(dict.fromkeys(" ".join(t.split()) for t in to if t.strip()))
        drawn, checked, reason = (" ".join(t.split()) for t in (drawn, checked, reason))
        known = status_named(status)
        if not names:
            raise InputError("nobody is named who gets the papers", "Say who gets them, --to NAME.")
        for value, what, option in (
            (reason, "no reason", "--reason"),
            (drawn, "nobody", "--drawn"),
        ):
            if not value:
                raise InputError(
                    f"{what} is given for the revision table", f"Say it with {option}."
                )
        if known in ("for construction", "as built"):
            if not checked:
                raise InputError(
                    f"papers {known} that nobody checked", "Name who checked them, --checked NAME."
                )
            if checked.casefold() == drawn.casefold():
                raise InputError(
                    f"papers {known} were checked by the one who made them",
                    "Have another person check them.",
                )
        day = date.strip() or dt.date.today().isoformat()
        for text in (*names, reason, drawn, checked):
            if len(text) > 400:
                raise InputError(f"{text[:40]!r}... is longer than 400 letters", "Say it shorter.")
        given = cls(
            to=names, status=known, reason=reason, drawn_by=drawn, checked_by=checked, date=day
        )
        given.revision("A")  # the date is checked there
        return given

    def revision(self, letter: str) -> Revision:
        return Revision(
            letter=letter, date=self.date, status=self.status, reason=self.reason, drawn_by=self.drawn_by,
            checked_by=self.checked_by,
        )  # fmt: skip


class _Issue:
    """Papers being issued: what each becomes, and its files."""

    def __init__(self, context: Context, register: Register, given: _Given, folder: Path) -> None:
        self.context, self.register, self.given, self.folder = context, register, given, folder
        self.code = code_print()
        self.documents: list[Document] = []
        self.fresh: set[str] = set()
        self.files: dict[str, bytes] = {}

    def add(self, paper: Paper) -> None:
        """Make one paper, and settle number and revision of each of its documents."""
        context = self.context
        context.issue = DrawingIssue(marks={}, changed={}) if paper.name in _DRAWN else None
        plain = paper.make(context)
        key = paper_print(context, paper, self.code)
        marks: dict[str, IssueMark] = {}
        waiting: list[tuple[Document, tuple[str, ...]]] = []
        for file, companions in _documents(plain):
            before = self.register.of_file(paper.name, file)
            content = _digest({n: plain[n] for n in (file, *companions)})
            last = before[-1] if before else None
            same = last and (last.content, last.revision.status) == (content, self.given.status)
            if last and same and self._again(last):
                continue
            fresh = self._fresh(paper, file, key, content, before, plain[file])
            waiting.append((fresh, companions))
            marks[file] = IssueMark(
                number=fresh.number,
                title=fresh.title,
                revisions=(*(d.revision for d in before), fresh.revision),
            )
        files = self._drawn(paper, marks, waiting) if paper.name in _DRAWN else plain
        # a title block filled in is taller: what stood on one sheet may take two, with files of other names
        going = dict(_documents(files))
        for document, _ in waiting:
            self._keep(document, going[document.file], files, marks[document.file], paper)

    def _again(self, last: Document) -> bool:
        """The same revision once more, if its files are there to the last byte."""
        kept = {}
        for name, digest in last.files.items():
            try:
                data = path_inside(self.folder, f"current/{name}").read_bytes()
            except OSError:
                return False
            if hashlib.sha256(data).hexdigest() != digest:
                return False
            kept[name] = data
        self.documents.append(last)
        self.files |= kept
        return True

    def _fresh(
        self,
        paper: Paper,
        file: str,
        key: str,
        content: str,
        before: Sequence[Document],
        data: bytes,
    ) -> Document:
        taken = [d.number for d in self.documents] + [*self.fresh]
        number = before[-1].number if before else self.register.next_number(paper.code, taken)
        self.fresh.add(number)
        letter = letter_after([d.revision.letter for d in before])
        return Document(
            number=number,
            title=_title_of(file, data, paper),
            paper=paper.name,
            file=file,
            revision=self.given.revision(letter),
            made_from=key,
            content=content,
            files={},
            transmittal=self.register.next_id,
            rows=_DRAWN[paper.name](self.context, file) if paper.name in _DRAWN else {},
        )

    def _drawn(
        self,
        paper: Paper,
        marks: Mapping[str, IssueMark],
        waiting: Sequence[tuple[Document, tuple[str, ...]]],
    ) -> Mapping[str, bytes]:
        """Drawings once more, with their title block filled in and clouds round what changed."""
        if not marks:
            return {}
        changed = {}
        for document, _ in waiting:
            before = self.register.of_file(paper.name, document.file)
            was, now = before[-1].rows if before else {}, document.rows
            changed[document.file] = (
                frozenset(i for i, d in now.items() if was.get(i) != d) if was and now else None,
                tuple(sorted(set(was) - set(now))) if was and now else (),
            )
        known = (*self.register.current, *self.documents, *(d for d, _ in waiting))
        numbers = {d.file: d.number for d in known}
        self.context.issue = DrawingIssue(
            marks=marks,
            changed=changed,
            numbers=numbers,
            pages={d.file: d.pages for d in known if d.pages and d.file not in marks},
        )
        try:
            return paper.make(self.context)
        finally:
            self.context.issue = None

    def _keep(
        self,
        document: Document,
        companions: Sequence[str],
        files: Mapping[str, bytes],
        mark: IssueMark,
        paper: Paper,
    ) -> None:
        data = files[document.file]
        if document.file.endswith(".pdf"):
            data = marked(data, mark.words, date=self.given.date)
        own = f"{document.name} {PurePosixPath(document.file).name}"
        named = {own: data}
        for name in companions:
            named[f"{document.name} {name.replace('/', ' ')}"] = files[name]
        self.files |= named
        digests = {n: hashlib.sha256(d).hexdigest() for n, d in named.items()}
        pages = page_count(data) if document.file.endswith(".pdf") else 0
        self.documents.append(replace(document, files=digests, pages=pages))


def _documents(files: Mapping[str, bytes]) -> list[tuple[str, tuple[str, ...]]]:
    """Which files are papers with a number of their own, and which go with them."""
    own = [n for n in files if n.endswith(_NUMBERED)] or list(files)[:1]
    going: dict[str, list[str]] = {n: [] for n in own}
    for name in files:
        if name in going:
            continue
        stem = PurePosixPath(name).stem
        best = max(own, key=lambda n: (stem.startswith(PurePosixPath(n).stem), n == own[0]))
        going[best].append(name)
    return [(n, tuple(others)) for n, others in going.items()]


def _title_of(file: str, data: bytes, paper: Paper) -> str:
    if file.endswith(".pdf"):
        from pypdf import PdfReader

        info = PdfReader(io.BytesIO(data)).metadata
        if info and info.title:
            return str(info.title)[:400]
    return paper.title[:1].upper() + paper.title[1:]


def _digest(files: Mapping[str, bytes]) -> str:
    total = hashlib.sha256()
    for name, data in sorted(files.items()):
        total.update(f"{name} {len(data)}\n".encode())
        total.update(data)
    return total.hexdigest()


def _zipped(files: Mapping[str, bytes], date: str) -> bytes:
    """An archive that depends on nothing but its contents and the day of issue."""
    buffer, day = io.BytesIO(), dt.date.fromisoformat(date)
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            entry = zipfile.ZipInfo(name, (max(1980, day.year), day.month, day.day, 0, 0, 0))
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            archive.writestr(entry, data)
    return buffer.getvalue()


def write_issued_folder(
    folder: Path, register: Register, files: Mapping[str, bytes], *, project: str, paper: str
) -> None:
    """The current papers, superseded ones with their stamp, and the index of all.

    Parameters
    ----------
    folder : Path
    register : Register
        With the new transmittal.
    files : mapping of str to bytes
        Files of the current revisions that were just made or read.
    project, paper : str
        For the index.
    """
    for name in ("current", "superseded"):
        make_folder(name, inside=folder)
    for document in register.superseded:
        later = register.documents[document.number]
        new = later[later.index(document) + 1]
        for name, digest in document.files.items():
            _set_aside(folder, name, digest, new)
    current = {n for d in register.current for n in d.files}
    for name, data in files.items():
        if name in current:
            write_whole(f"current/{name}", data, inside=folder)
    write_whole("index.pdf", write_index(register, project=project, paper=paper), inside=folder)


def _set_aside(folder: Path, name: str, digest: str, new: Document) -> None:
    """Move a file that no longer holds out of the current ones, with its stamp if it is a sheet.

    What somebody altered meanwhile is theirs, and stays as it is.
    """
    path = path_inside(folder, f"current/{name}")
    if not path.is_file():
        return
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != digest:
        return
    words = f"by {new.name}, issued {new.revision.date} ({new.revision.reason})"
    stamped = None
    if name.endswith(".pdf"):
        stamped = struck(data, words, date=new.revision.date)
    elif name.endswith(".dxf"):
        from facademap.report.struck_dxf import struck_dxf

        stamped = struck_dxf(data, words)
    if stamped is not None:
        write_whole(f"superseded/{name}", stamped, inside=folder)
    remove_file(f"current/{name}", inside=folder, sha256=digest)
