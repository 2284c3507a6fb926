"""Where a training is kept: the book by labels, the names apart from it, the key of the office, digests of keys of assessors.

All lie in PROJECT/training and can be read by their owner alone. They are no tables of the project, since whoever may look at
the wall may not look at what people reached, and since the history of a table would keep names that were taken out.
"""

from __future__ import annotations

import contextlib
import json
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.whole_files import STORE_NAME, open_hold, remove_file, write_whole
from facademap.training import Book, read_book

__all__ = [
    "FOLDER",
    "Names",
    "book_folder",
    "key_of",
    "opened",
    "read_kept",
    "read_names",
    "text_kept",
    "write_names",
]

FOLDER = "training"
_BOOK, _NAMES, _KEY = f"{FOLDER}/book.jsonl", f"{FOLDER}/names.json", f"{FOLDER}/office.key"
_LARGEST = 50_000_000
#: Name and salt of each label.
Names = dict[str, dict[str, str]]


def read_kept(folder: str | Path) -> Book:
    """The book of a project; empty where nobody was taught."""
    path = book_folder(folder) / _BOOK
    return read_book(text_kept(path), where=str(path)) if path.exists() else Book()


@contextlib.contextmanager
def opened(folder: str | Path) -> Iterator[list[Book]]:
    """The book, to be put back longer: one at a time, whole or not at all.

    Yields
    ------
    list of one Book
        What it holds at the end of the body is kept.
    """
    project = book_folder(folder)
    with _held(project):
        book = [read_kept(project)]
        before = book[0].head
        yield book
        if book[0].head != before:
            write_whole(_BOOK, book[0].text(), inside=project, private=True)


def read_names(folder: str | Path) -> Names:
    """Names by label; empty where none are kept or all were removed."""
    path = book_folder(folder) / _NAMES
    if not path.exists():
        return {}
    try:
        kept: Any = json.loads(text_kept(path))
        return {str(k): {"name": str(v["name"]), "salt": str(v["salt"])} for k, v in kept.items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        raise FileError(
            f"{path}: cannot be read", "Put back a copy, or remove it: then no name is known."
        ) from None


def write_names(folder: str | Path, names: Names) -> None:
    """Keep names; with none the file goes."""
    project = book_folder(folder)
    if names:
        write_whole(
            _NAMES, json.dumps(names, ensure_ascii=False, indent=1), inside=project, private=True
        )
    else:
        remove_file(_NAMES, inside=project)


def key_of(folder: str | Path, *, make: bool) -> bytes:
    """The key of the office.

    Raises
    ------
    InputError
        There is none, and none is to be made.
    """
    project = book_folder(folder)
    path = project / _KEY
    if not path.exists():
        if not make:
            raise InputError(
                f"{path}: no certificate was given here, so that none can be verified",
                "Verify with the project of the office that gave it.",
            )
        write_whole(_KEY, secrets.token_hex(32), inside=project, private=True)
    try:
        return bytes.fromhex(text_kept(path).strip())
    except ValueError:
        raise FileError(f"{path}: is no key", "Put back a copy of the key.") from None


def book_folder(folder: str | Path) -> Path:
    """Folder of the project in which the training is kept."""
    path = Path(folder)
    path = path.parent if path.name == STORE_NAME else path
    if not (path / STORE_NAME).is_file():
        raise FileError(f"{path}: holds no project", "Give the folder of a project.")
    return path


def text_kept(path: Path) -> str:
    """Text of one of its files, which is no link and no larger than it can be."""
    if path.is_symlink() or not path.is_file() or path.stat().st_size > _LARGEST:
        raise FileError(f"{path}: is no plain file of a training", "Put back a copy.")
    try:
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        raise FileError(f"{path}: is no UTF-8 text", "Put back a copy.") from None


@contextlib.contextmanager
def _held(project: Path) -> Iterator[None]:
    with open_hold(f"{FOLDER}/.hold", inside=project) as hold:
        try:
            import fcntl
        except ImportError:  # another system: two who write at once are not kept apart
            yield
            return
        fcntl.flock(hold, fcntl.LOCK_EX)
        yield
