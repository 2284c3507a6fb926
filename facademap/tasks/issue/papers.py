"""All papers of a project: only what changed is made again, one that fails does not hold up the others."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from facademap.errors import FacademapError, FileError, InputError, ProjectError
from facademap.io.whole_files import need_folder, remove_file, write_whole
from facademap.report.label_sheets import label_tape_mm
from facademap.report.measures import Measures
from facademap.report.paper import paper_named
from facademap.report.pdf import dated, stamped
from facademap.report.template_nesting import sheet_sides
from facademap.report.typeface import missing_letters
from facademap.store.changes import newest_change
from facademap.store.project import Project
from facademap.tasks.issue.packs import refresh_packs
from facademap.tasks.issue.papers_context import Choices, Context
from facademap.tasks.issue.papers_list import MAP, Paper, all_papers
from facademap.tasks.issue.papers_page import papers_page
from facademap.tasks.issue.papers_parts import part_prints
from facademap.tasks.issue.papers_register import enter_papers, number_of
from facademap.tasks.issue.papers_state import (
    MANIFEST,
    PaperState,
    paper_print,
    read_manifest,
    states_of,
)

__all__ = [
    "Choices",
    "PapersResult",
    "code_print",
    "keep_map",
    "make_papers",
    "map_seen",
    "paper_names",
    "read_rates_file",
    "write_papers_page",
]

#: The page in the folder of papers that tells which of them hold.
PAGE = "papers.html"

Progress = Callable[[float, str], None]
#: Digest of what a condition map is made from, number of the last edit, and the plan in force.
MapSeen = tuple[str, int, str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class PapersResult:
    """What a run did.

    Parameters
    ----------
    made, unchanged : tuple of str
        Names of papers.
    files : mapping of paper to tuple of str
        Files of every paper that stands in the folder now.
    failed : mapping of paper to (problem, remedy)
    warnings : tuple of str
    seconds : mapping of paper to float
    """

    folder: Path
    made: tuple[str, ...]
    unchanged: tuple[str, ...]
    files: Mapping[str, tuple[str, ...]]
    failed: Mapping[str, tuple[str, str]]
    warnings: tuple[str, ...] = ()
    seconds: Mapping[str, float] = field(default_factory=dict)


def paper_names() -> tuple[str, ...]:
    """Names of all papers, in the order they are made."""
    return tuple(p.name for p in all_papers())


def read_rates_file(path: Path) -> str:
    """Text of a rates file."""
    try:
        if path.stat().st_size > 1_000_000:
            raise InputError(
                f"{path}: is larger than 1 MB, so no rates file", "Give the rates as TOML."
            )
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not text in UTF-8", "Save the rates as UTF-8.") from None
    except OSError as error:
        raise FileError(
            f"{path}: cannot be read ({error.strerror})", "Check the path of the rates."
        ) from None


def make_papers(
    project: str | Path,
    *,
    choices: Choices | None = None,
    only: Sequence[str] = (),
    again: bool = False,
    out: str | Path | None = None,
    progress: Progress | None = None,
    who: str = "facademap papers",
) -> PapersResult:
    """Make the papers of a project in its folder ``out``.

    Parameters
    ----------
    project : path
        Project folder.
    choices : Choices, optional
        Sheets, scale, link, rates.
    only : sequence of str
        Names of the papers wanted; all when empty.
    again : bool
        Make also what did not change.
    out : path, optional
        Another folder.
    progress : callable, optional
        Called with the share done and what is being made.
    who : str
        Named in the register.

    Returns
    -------
    PapersResult
        A paper that could not be made stands in ``failed``; the old one, if any, is left as it was.

    Raises
    ------
    FacademapError
        The project cannot be opened, the folder cannot be written, or a name is unknown.
    """
    known = (*paper_names(), MAP.name)
    unknown = sorted(set(only) - set(known))
    if unknown:
        raise InputError(f"there is no paper {', '.join(unknown)}", f"Use {', '.join(known)}.")
    choices = choices or Choices()
    for size in (choices.paper, choices.sheet):
        paper_named(size)
    if choices.template_sheet:
        sheet_sides(choices.template_sheet)
    if choices.label_sheet and label_tape_mm(choices.label_sheet) is None:
        paper_named(choices.label_sheet)
    wanted = [p for p in all_papers() if not only or p.name in only]
    with Project.open(project, read_only=True) as opened:
        opened.need_whole()
        folder = Path(out) if out is not None else opened.folder / "out"
        need_folder(folder)
        context = Context(project=opened, choices=choices)
        result = _run(
            context, wanted, folder, again=again, progress=progress or (lambda share, what: None)
        )
    if result.made:
        refresh_packs(project, result.folder)
    if out is not None:
        return result
    result = _register(project, result, who=who)
    return _with_map(project, result, only=only, again=again, who=who)


def _with_map(
    project: str | Path, result: PapersResult, *, only: Sequence[str], again: bool, who: str
) -> PapersResult:
    """The condition map is made again too where one was made before and does not hold, or where it is asked for."""
    from facademap.tasks.issue.condition_map import make_condition_map

    states = {s.name: s.state for s in write_papers_page(project)}
    asked, there = MAP.name in only, MAP.name in states
    if not (asked or (there and not only)):
        return result
    if states.get(MAP.name) == "current" and not again:
        return replace(result, unchanged=(*result.unchanged, MAP.name))
    try:
        made = make_condition_map(project, who=who)
    except FacademapError as error:
        return replace(result, failed={**result.failed, MAP.name: (error.problem, error.remedy)})
    files = {**result.files, MAP.name: (Path(made["path"]).name,)}
    return replace(result, made=(*result.made, MAP.name), files=files)


def _run(
    context: Context, wanted: Sequence[Paper], folder: Path, *, again: bool, progress: Progress
) -> PapersResult:
    manifest = read_manifest(folder)
    code = code_print()
    if letters := _not_printed(context):
        context.warnings.append(
            f"no font here has {letters}: the sign ¤ stands for each on paper; "
            'pip install "facademap[scripts]" brings fonts for many scripts'
        )
    made, unchanged, failed, seconds = [], [], {}, {}
    weights = [p.weight for p in wanted]
    seq, plan = newest_change(context.project), _plan_in_force(context.project)
    for i, paper in enumerate(wanted):
        progress(sum(weights[:i]) / max(1e-9, sum(weights)), paper.title)
        parts = part_prints(context, paper, code)
        key = paper_print(context, paper, code, parts)
        if not again and _is_current(folder, manifest.get(paper.name), key):
            unchanged.append(paper.name)
            continue
        start = time.perf_counter()
        try:
            number = number_of(key)
            words = (
                f"Paper {number}, a working print, not issued. "
                f"Whether it still holds: facademap papers PROJECT --number {number}"
            )
            with stamped(words), dated(context.last_day(paper.tables)):
                files = paper.make(context)
            _keep(folder, files, manifest.get(paper.name, {}))
            manifest[paper.name] = _entry(context, key, files, code=code, seq=seq, plan=plan) | (
                {"parts": parts} if parts else {}
            )
            made.append(paper.name)
        except FacademapError as error:
            failed[paper.name] = (error.problem, error.remedy)
        except OSError as error:
            failed[paper.name] = (
                f"{error.filename or folder}: {error.strerror or error}",
                "Check the disk and the permissions of the folder, and try again.",
            )
        except MemoryError:
            failed[paper.name] = ("not enough memory", "Choose a smaller sheet or a coarser scale.")
        seconds[paper.name] = round(time.perf_counter() - start, 3)
    progress(1.0, "done")
    write_whole(MANIFEST, json.dumps(manifest, indent=1, sort_keys=True), inside=folder)
    return PapersResult(
        folder=folder,
        made=tuple(made),
        unchanged=tuple(unchanged),
        failed=failed,
        seconds=seconds,
        files={n: tuple(m["files"]) for n, m in sorted(manifest.items())},
        warnings=tuple(
            dict.fromkeys(Measures(context.inches).sentence(w) for w in context.warnings)
        ),
    )


def _not_printed(context: Context) -> str:
    """Letters in what people named and noted that papers cannot show."""
    texts = {context.name}
    for name in (
        "elevations",
        "surfaces",
        "wall_stones",
        "conditions",
        "repairs",
        "pieces",
        "blocks",
    ):
        frame = context.frame(name)
        for column in frame.columns:
            if column != "geometry" and frame[column].dtype == object:
                texts.update(v for v in frame[column] if isinstance(v, str) and not v.isascii())
    return missing_letters("".join(texts))[:40]


def _entry(
    context: Context,
    key: str,
    files: Mapping[str, bytes],
    *,
    code: str,
    seq: int,
    plan: str | None,
) -> dict[str, Any]:
    return {
        "input": key,
        "number": number_of(key),
        "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "seq": seq,
        "plan": plan,
        "code": code,
        "choices": asdict(context.choices),
        "files": {n: hashlib.sha256(d).hexdigest() for n, d in sorted(files.items())},
    }


def keep_map(project: str | Path, page: Path, seen: MapSeen, *, who: str) -> None:
    """Enter the condition map, as it lies in the folder of papers, into what the folder holds and into the register.

    Parameters
    ----------
    page : Path
        The page that was written.
    seen : tuple
        What it was made from: its digest, the number of the last edit, and the plan in force.
    """
    key, seq, plan = seen
    with Project.open(project, read_only=True) as opened:
        context = Context(project=opened, choices=Choices())
        manifest = read_manifest(page.parent)
        manifest[MAP.name] = _entry(
            context, key, {page.name: page.read_bytes()}, code=code_print(), seq=seq, plan=plan
        )
        write_whole(MANIFEST, json.dumps(manifest, indent=1, sort_keys=True), inside=page.parent)
    _register(
        project,
        PapersResult(folder=page.parent, made=(), unchanged=(), files={}, failed={}),
        who=who,
    )


def map_seen(project: Project) -> MapSeen:
    """What a condition map that is made now is made from."""
    context = Context(project=project, choices=Choices())
    key = paper_print(context, MAP, code_print())
    return key, newest_change(project), _plan_in_force(project)


def _plan_in_force(project: Project) -> str | None:
    ids = project.read("plans", where={"current": True})["id"]
    return str(ids.iloc[-1]) if len(ids) else None


def _register(project: str | Path, result: PapersResult, *, who: str) -> PapersResult:
    """Enter what was made into the register, and write the page that tells which papers hold."""
    manifest, titles = read_manifest(result.folder), {p.name: p.title for p in (*all_papers(), MAP)}
    entries = [
        {
            "number": m["number"],
            "paper": name,
            "title": titles[name],
            **{k: m[k] for k in ("made_at", "seq", "plan", "parts") if k in m},
        }
        for name, m in manifest.items()
        if name in titles and "number" in m
    ]
    try:
        with Project.open(project) as opened:
            enter_papers(opened, entries, who=who)
    except ProjectError as error:
        told = (*result.warnings, f"the papers were not registered: {error.problem}")
        return replace(result, warnings=told)
    write_papers_page(project)
    return result


def write_papers_page(folder: str | Path) -> list[PaperState]:
    """Write the page of the project that tells which papers hold; returns the state of each."""
    with Project.open(folder, read_only=True) as project:
        out = project.folder / "out"
        states = states_of(project, out, code=code_print())
        if states:
            page = papers_page(project, states, now=dt.datetime.now(dt.UTC))
            write_whole(PAGE, page, inside=out)
    return states


def code_print() -> str:
    """Hash of the code that makes papers, so that a new version makes them again."""
    import facademap

    house, total = Path(facademap.__path__[0]), hashlib.sha256()
    rooms = [
        p
        for room in ("report", "match", "repair", "salvage", "condition")
        for p in (house / room).glob("*.py")
    ]
    rooms += (house / "report" / "map_page").glob("*.*")
    for path in sorted(rooms) + sorted(Path(__file__).parent.glob("*.py")):
        total.update(path.read_bytes())
    return total.hexdigest()


def _is_current(folder: Path, entry: Mapping[str, Any] | None, key: str) -> bool:
    if not entry or entry.get("input") != key:
        return False
    for name, digest in entry["files"].items():
        path = folder / name
        if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != digest:
            return False
    return True


def _keep(folder: Path, files: Mapping[str, bytes], before: Mapping[str, Any]) -> None:
    """Write every file whole or not at all, then take away what the paper no longer has."""
    for name, data in files.items():
        write_whole(name, data, inside=folder)
    for name, digest in before.get("files", {}).items():
        if name not in files:
            remove_file(name, inside=folder, sha256=str(digest))
