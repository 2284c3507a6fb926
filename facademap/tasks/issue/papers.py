"""All papers of a project: only what changed is made again, one that fails does not hold up the others."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from facademap.errors import FacademapError, FileError, InputError
from facademap.io.whole_files import need_folder, remove_file, write_whole
from facademap.report.paper import paper_named
from facademap.store.project import Project
from facademap.tasks.issue.papers_context import Choices, Context
from facademap.tasks.issue.papers_list import PAPERS, Paper

__all__ = ["Choices", "PapersResult", "make_papers", "paper_names", "read_rates_file"]

_MANIFEST = ".papers.json"
Progress = Callable[[float, str], None]


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
    return tuple(p.name for p in PAPERS)


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

    Returns
    -------
    PapersResult
        A paper that could not be made stands in ``failed``; the old one, if any, is left as it was.

    Raises
    ------
    FacademapError
        The project cannot be opened, the folder cannot be written, or a name is unknown.
    """
    unknown = sorted(set(only) - set(paper_names()))
    if unknown:
        raise InputError(
            f"there is no paper {', '.join(unknown)}", f"Use {', '.join(paper_names())}."
        )
    choices = choices or Choices()
    for size in (choices.paper, choices.sheet):
        paper_named(size)
    wanted = [p for p in PAPERS if not only or p.name in only]
    with Project.open(project, read_only=True) as opened:
        folder = Path(out) if out is not None else opened.folder / "out"
        need_folder(folder)
        context = Context(project=opened, choices=choices)
        return _run(
            context, wanted, folder, again=again, progress=progress or (lambda share, what: None)
        )


def _run(
    context: Context, wanted: Sequence[Paper], folder: Path, *, again: bool, progress: Progress
) -> PapersResult:
    manifest = _read_manifest(folder)
    code = _code_print()
    made, unchanged, failed, seconds = [], [], {}, {}
    weights = [p.weight for p in wanted]
    for i, paper in enumerate(wanted):
        progress(sum(weights[:i]) / max(1e-9, sum(weights)), paper.title)
        key = _paper_print(context, paper, code)
        if not again and _is_current(folder, manifest.get(paper.name), key):
            unchanged.append(paper.name)
            continue
        start = time.perf_counter()
        try:
            files = paper.make(context)
            _keep(folder, files, manifest.get(paper.name, {}))
            manifest[paper.name] = {
                "input": key,
                "files": {n: hashlib.sha256(d).hexdigest() for n, d in sorted(files.items())},
            }
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
    write_whole(_MANIFEST, json.dumps(manifest, indent=1, sort_keys=True), inside=folder)
    return PapersResult(
        folder=folder,
        made=tuple(made),
        unchanged=tuple(unchanged),
        failed=failed,
        seconds=seconds,
        files={n: tuple(m["files"]) for n, m in sorted(manifest.items())},
        warnings=tuple(dict.fromkeys(context.warnings)),
    )


def _code_print() -> str:
    """Hash of the code that makes papers, so that a new version makes them again."""
    import facademap

    house, total = Path(facademap.__path__[0]), hashlib.sha256()
    rooms = [
        p for room in ("report", "match", "repair", "salvage") for p in (house / room).glob("*.py")
    ]
    for path in sorted(rooms) + sorted(Path(__file__).parent.glob("papers*.py")):
        total.update(path.read_bytes())
    return total.hexdigest()


def _paper_print(context: Context, paper: Paper, code: str) -> str:
    text = "\n".join(
        [
            code,
            paper.name,
            context.fingerprint(paper.tables),
            context.pictures_print(paper.tables) if paper.pictures else "",
            repr(context.choices),
            context.name,
        ]
    )
    return hashlib.sha256(text.encode()).hexdigest()


def _read_manifest(folder: Path) -> dict[str, Any]:
    try:
        data = json.loads((folder / _MANIFEST).read_text("utf-8"))
        return {
            str(k): v
            for k, v in data.items()
            if isinstance(v, dict) and isinstance(v.get("files"), dict)
        }
    except (OSError, ValueError, AttributeError):
        return {}


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
