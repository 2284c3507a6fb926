"""Packed tables for the survey desk, kept so that a large project opens without being read row by row."""

from __future__ import annotations

import contextlib
import hashlib
import threading
from pathlib import Path
from typing import Any

from facademap import __version__
from facademap.errors import FacademapError
from facademap.io.whole_files import keep_file, remove_file
from facademap.store.changes import changes_after
from facademap.store.edit import table_named
from facademap.store.packed import pack_table, packed_head
from facademap.store.project import PACKED_FOLDER, Project
from facademap.store.team import limit_now

__all__ = ["PackedTables"]

#: A packed table stays in use while no more than this was changed since; the page asks for the rest as news.
MOST_NEWS = 400
#: From here on it is packed again beside the requests, so that no page waits for that.
RENEW_NEWS = 150


class PackedTables:
    """The packed tables of one project. Safe to be used by several threads."""

    def __init__(self, folder: Path) -> None:
        self._project_folder = folder
        self._folder = folder / PACKED_FOLDER
        self._kept: dict[str, tuple[dict[str, Any], bytes]] = {}
        self._locks: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()
        self._renewing: set[str] = set()

    def table(self, project: Project, name: str) -> tuple[bytes, int]:
        """A table and the change at which it stood so, which is not more than a few edits ago."""
        table_named(name)
        if limit_now() is not None:  # what is kept is the whole
            data = pack_table(project, name)
            head = packed_head(data)
            assert head is not None
            return data, int(head["seq"])
        with self._lock:
            lock = self._locks.setdefault(name, threading.Lock())
        with lock:
            kept = self._kept.get(name) or self._from_file(name)
            since = None if kept is None else _changes_since(project, kept[0])
            if kept is None or since is None:
                kept = self._pack(project, name)
            else:
                self._kept[name] = kept
        if since is not None and since > RENEW_NEWS:
            self._renew(name)
        return kept[1], int(kept[0]["seq"])

    def _pack(self, project: Project, name: str) -> tuple[dict[str, Any], bytes]:
        data = pack_table(project, name)
        head = packed_head(data)
        assert head is not None
        # the file first: what this desk hands out is there for the next one too
        self._to_file(name, data)
        kept = self._kept[name] = (_outside_of(head), data)
        return kept

    def _renew(self, name: str) -> None:
        with self._lock:
            if name in self._renewing:
                return
            self._renewing.add(name)

        def work() -> None:
            try:
                # a fault is told to the next page that asks
                with (
                    contextlib.suppress(FacademapError),
                    Project.open(self._project_folder, read_only=True) as project,
                ):
                    self._pack(project, name)
            finally:
                self._renewing.discard(name)

        threading.Thread(target=work, daemon=True).start()

    def _path(self, name: str) -> Path:
        layout = ",".join(table_named(name).names)
        stamp = hashlib.sha256(f"{__version__} {layout}".encode()).hexdigest()[:10]
        return self._folder / f"{name}.{stamp}.pack"

    def _from_file(self, name: str) -> tuple[dict[str, Any], bytes] | None:
        try:
            data = self._path(name).read_bytes()
        except OSError:
            return None
        head = packed_head(data)
        return None if head is None else (_outside_of(head), data)

    def _to_file(self, name: str, data: bytes) -> None:
        target = self._path(name)
        if keep_file(self._project_folder, target.relative_to(self._project_folder), data):
            with contextlib.suppress(OSError):
                for other in target.parent.glob(f"{name}.*.pack"):
                    if other != target:
                        remove_file(other, inside=self._folder)


def _outside_of(head: dict[str, Any]) -> dict[str, Any]:
    """What is needed to judge whether a packed table can still be used."""
    return {name: head[name] for name in ("seq", "txn", "project")}


def _changes_since(project: Project, head: dict[str, Any]) -> int | None:
    """How many changes were made since a table was packed; ``None`` where it cannot be used any more."""
    if head["project"] != project.project_id:
        return None
    made = changes_after(project, head["seq"] - 1, most=MOST_NEWS + 2)
    if head["seq"]:
        # the same change stands at that place of the history, so this is no older copy of the project that went another way
        if not made or made[0].seq != head["seq"] or made[0].txn != head["txn"]:
            return None
        made = made[1:]
    elif made:
        return None
    # names that were to be forgotten are not handed out from an older packing
    return (
        None
        if len(made) > MOST_NEWS or any(c.what.startswith("forget ") for c in made)
        else len(made)
    )
