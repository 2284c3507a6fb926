"""A whole project from one store into another: every row with its number and revision, and the whole history.

All rows go in one transaction of the target, are read back there and compared one by one with the source as it stood when the copy
began; they are there whole, or not at all.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.errors import ProjectError
from facademap.io.whole_files import (
    STORE_NAME,
    make_folder,
    move_whole,
    remove_file,
    scratch_folder,
)
from facademap.store.aside import TABLE_SQL
from facademap.store.database import connect, in_plain_words
from facademap.store.dialect import Connection, dialect_of
from facademap.store.geopackage import wkb_of_blob
from facademap.store.project import FOLDERS, Project
from facademap.store.schema import build_empty
from facademap.store.team_address import TEAM_FILE, Address, write_team_file
from facademap.tables import TABLES, Table

__all__ = ["Copied", "Kept", "copy_into_database", "copy_into_folder", "copy_to_file", "digests_of"]

#: Which rows a copy of a part takes along, told by their table and name.
Kept = Callable[[str, str], bool]
_ROWS_AT_ONCE = 2_000
_HISTORY = ("seq", "txn", "at", "who", "what", "undoes", "table_name", "row_id", "op", "rev", "before", "after")  # fmt: skip
_ASIDE = ("seq", "txn", "at", "who", "table_name", "row_id", "cells", "put_back")


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """What a copy holds, read back from it.

    Parameters
    ----------
    rows : mapping
        Rows of every table.
    digests : mapping
        SHA-256 over the rows of every table, the same in both stores.
    """

    rows: Mapping[str, int]
    digests: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """A table as it is copied: its key first, its outline, where it has one, last."""

    name: str
    columns: tuple[str, ...]
    table: Table | None = None

    @property
    def has_outline(self) -> bool:
        return self.table is not None and bool(self.table.geometry)

    @property
    def truths(self) -> frozenset[int]:
        """Places of yes-or-no values, which SQLite keeps as numbers."""
        kinds = {c.name: c.kind for c in self.table.columns} if self.table else {}
        return frozenset(n for n, c in enumerate(self.columns) if kinds.get(c) == "bool")

    def is_kept(self, row: Any, kept: Kept) -> bool:
        """Whether a row is taken along: a row of a table, or what the history says of one that is."""
        if self.table is not None:
            return kept(self.name, str(row[self.columns.index("id")]))
        if self.name == "edit_log":
            return kept(*(str(row[self.columns.index(c)]) for c in ("table_name", "row_id")))
        return self.name == "facademap_numbers"


def _parts() -> Iterator[_Part]:
    for table in TABLES.values():
        outline = ("geom",) if table.geometry else ()
        yield _Part(name=table.name, columns=("fid", *table.names, "rev", *outline), table=table)
    yield _Part(name="edit_log", columns=_HISTORY)
    yield _Part(name="facademap_numbers", columns=("prefix", "last"))
    yield _Part(name="facademap_set_aside", columns=_ASIDE)


def _read(
    connection: Connection, part: _Part, kept: Kept | None = None
) -> Iterator[list[list[Any]]]:
    """The rows of a part in the order of their key, some at once, outlines as well-known binary of one form."""
    dialect = dialect_of(connection)
    if not dialect.columns_of(connection, part.name):
        return
    key = part.columns[0]
    asked = ", ".join(dialect.outline if c == "geom" else f'"{c}"' for c in part.columns)
    after: Any = "" if key == "prefix" else -1
    while rows := connection.execute(
        f'SELECT {asked} FROM "{part.name}" WHERE "{key}" > ? ORDER BY "{key}" LIMIT {_ROWS_AT_ONCE}',
        (after,),
    ).fetchall():
        after = rows[-1][0]
        plain = [list(row) for row in rows if kept is None or part.is_kept(row, kept)]
        for place in part.truths:
            for row in plain:
                row[place] = None if row[place] is None else bool(row[place])
        if part.has_outline:
            outlines = _same_form([row[-1] for row in plain])
            for row, outline in zip(plain, outlines, strict=True):
                row[-1] = outline
        yield plain


def _same_form(blobs: list[Any]) -> list[bytes | None]:
    shapes = shapely.from_wkb(np.array([wkb_of_blob(b) for b in blobs], dtype=object))
    return list(shapely.to_wkb(shapes, byte_order=1, output_dimension=2))


def _digest(connection: Connection, part: _Part, kept: Kept | None) -> tuple[int, str]:
    count, told = 0, hashlib.sha256()
    for rows in _read(connection, part, kept):
        count += len(rows)
        for row in rows:
            told.update(repr(row).encode("utf-8", "surrogatepass"))
    return count, told.hexdigest()


def digests_of(project: Project) -> Copied:
    """Rows and digests of every table of a project, its history included, at one moment."""
    connection = project._connection
    with in_plain_words(project.path), _one_moment(connection):
        return _digests(connection)


def _digests(connection: Connection, kept: Kept | None = None) -> Copied:
    found = {part.name: _digest(connection, part, kept) for part in _parts()}
    return Copied(
        rows={name: count for name, (count, _) in found.items()},
        digests={name: digest for name, (_, digest) in found.items()},
    )


@contextlib.contextmanager
def _one_moment(connection: Connection) -> Iterator[None]:
    connection.execute(dialect_of(connection).begin_reading)
    try:
        yield
    finally:
        if connection.in_transaction:
            connection.execute("COMMIT")


def _need_sound(project: Project) -> None:
    """What cannot be read cannot be copied; it is named rather than left behind."""
    project.need_whole()
    for table, columns in project.missing_parts():
        raise ProjectError(
            f"{project.folder}: table {table.name} lacks {', '.join(columns) or 'everything'}",
            "Run facademap check on it, and mend what it names, before it is copied.",
        )
    for name in TABLES:
        project.read(name)  # names what cannot be read
    if broken := project.broken_history():
        raise ProjectError(
            f"{project.folder}: entry {broken[0]} of the history cannot be read",
            "Restore the project from a copy before it is copied.",
        )


def _fill(source: Connection, target: Connection, kept: Kept | None = None) -> Copied:
    """Every row of the source that is taken along into empty tables, read back and compared."""
    for part in _parts():
        for rows in _read(source, part, kept):
            _put(target, part, rows)
        _number_on(target, part)
    there, here = _digests(target), _digests(source, kept)
    for name, digest in here.digests.items():
        if there.digests[name] != digest:
            raise ProjectError(
                f"table {name} did not come across as it is ({there.rows[name]} of {here.rows[name]} rows)",
                "Nothing was kept; run facademap check on the project and copy it again.",
            )
    return there


def _put(target: Connection, part: _Part, rows: list[list[Any]]) -> None:
    names = ", ".join(f'"{c}"' for c in part.columns)
    copied_in = getattr(target, "copied_in", None)
    if copied_in is not None:
        with copied_in(f'COPY "{part.name}" ({names}) FROM STDIN') as into:
            for row in rows:
                outline = row[-1].hex() if part.has_outline and row[-1] is not None else row[-1]
                into.write_row([*row[:-1], outline])
        return
    if part.has_outline:
        blob = dialect_of(target).to_blob(target, TABLES[part.name])
        shapes = shapely.from_wkb(np.array([row[-1] for row in rows], dtype=object))
        rows = [[*row[:-1], blob(shape)] for row, shape in zip(rows, shapes, strict=True)]
    marks = ",".join("?" * len(part.columns))
    target.executemany(f'INSERT INTO "{part.name}" ({names}) VALUES ({marks})', rows)


def _number_on(target: Connection, part: _Part) -> None:
    """The next row is numbered after the last; SQLite does so by itself."""
    key = part.columns[0]
    if hasattr(target, "copied_in") and key != "prefix":
        target.execute(
            f'SELECT setval(pg_get_serial_sequence(quote_ident(?), ?), coalesce((SELECT max("{key}") FROM "{part.name}"), 0) + 1, false)',
            (part.name, key),
        )


def copy_to_file(
    project: Project, path: Path, *, kept: Kept | None = None, project_id: str | None = None
) -> Copied:
    """A GeoPackage of a project, at a path where nothing is.

    Parameters
    ----------
    project : Project
        The source.
    path : Path
        Of the file.
    kept : callable, optional
        Which rows it takes along, with their history; all by default.
    project_id : str, optional
        What the copy is called, that no other project is; as the source by default.

    Raises
    ------
    ProjectError
        The project holds what cannot be read, or did not come across whole.
    """
    _need_sound(project)
    name = str(project.setting("name", ""))
    with contextlib.closing(connect(path, create=True)) as target, in_plain_words(path):
        target.execute("PRAGMA journal_mode = DELETE")
        target.execute("BEGIN IMMEDIATE")
        build_empty(target, name=name, project_id=project_id or project.project_id)
        target.execute(TABLE_SQL)
        with in_plain_words(project.path), _one_moment(project._connection):
            copied = _fill(project._connection, target, kept)
        _dress(target)
        target.execute("COMMIT")
    return copied


def _dress(target: Connection) -> None:
    """The layers of single surfaces, and what a GeoPackage says of its layers."""
    dialect = dialect_of(target)
    surfaces = target.execute('SELECT "id", "frame_wkt" FROM "surfaces" ORDER BY "fid"').fetchall()
    for surface, wkt in surfaces:
        for table in TABLES.values():
            if table.geometry and "surface" in table.names:
                dialect.keep_view(target, table, surface, {"frame_wkt": wkt})
    touched: dict[str, list[shapely.Geometry]] = {}
    for part in _parts():
        if part.has_outline:
            shapes = [
                shapely.from_wkb(row[-1])
                for rows in _read(target, part)
                for row in rows
                if row[-1] is not None
            ]
            touched[part.name] = [s for s in shapes if not s.is_empty]
    dialect.after_edit(target, touched)


def copy_into_folder(
    project: Project, folder: Path, *, kept: Kept | None = None, project_id: str | None = None
) -> Copied:
    """The rows of a project into the embedded store of a folder that has none; ``kept`` and ``project_id`` as of a file."""
    make_folder(folder)
    path = folder / STORE_NAME
    with scratch_folder(path) as building:
        copied = copy_to_file(project, building / path.name, kept=kept, project_id=project_id)
        for sub in FOLDERS:
            make_folder(sub, inside=folder)
        move_whole(building / path.name, path)
    return copied


def copy_into_database(project: Project, address: Address, folder: Path) -> Copied:
    """The rows of a project into a schema of a database, and the file by which a folder stands for it.

    Parameters
    ----------
    project : Project
        The source.
    address : Address
        With the name that the project gets there.
    folder : Path
        For pictures and papers; there or not, but of no project.
    """
    from facademap.store.team import TeamConnection
    from facademap.store.team_schema import build_team, need_postgis

    _need_sound(project)
    make_folder(folder)
    with contextlib.closing(TeamConnection(address)) as target:
        need_postgis(target)
        target.begin()
        try:
            build_team(target, project_id=project.project_id)
            with in_plain_words(project.path), _one_moment(project._connection):
                copied = _fill(project._connection, target)
            _dress(target)
            for sub in FOLDERS:
                make_folder(sub, inside=folder)
            write_team_file(folder, address, project_id=project.project_id)
            target.execute("COMMIT")
        except BaseException:
            remove_file(folder / TEAM_FILE, inside=folder)
            if target.in_transaction:
                target.execute("ROLLBACK")
            raise
    return copied
