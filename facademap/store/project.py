"""A project: its folder, its tables, its history."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import logging
import sqlite3
import uuid
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from facademap.errors import FileError, InputError, ProjectError
from facademap.io.whole_files import (
    STORE_NAME,
    clear_scratch_once,
    make_folder,
    move_whole,
    path_inside,
    remove_file,
    scratch_folder,
)
from facademap.store.aside import kept_aside
from facademap.store.cells import (
    UNREADABLE,
    column_from_sql,
    outlines_from_blobs,
    row_from_sql,
    setting_from_sql,
)
from facademap.store.damage import Damage, damaged_cells, missing_parts, unreadable
from facademap.store.database import connect, copy_in_memory, in_plain_words, nobody_writes
from facademap.store.draft import (
    LARGE,
    MOST_BYTES,
    MovedOnError,
    copied,
    hand_back,
    may_stand,
    reserve,
    store_drafted,
)
from facademap.store.edit import APPEND_ONLY_UPDATE, Edit, _where, read_entry, table_named
from facademap.store.geopackage import (
    column_sql,
    create_system_tables,
    create_table,
    register_reference_system,
    remake,
    sql_value,
    unique_names_sql,
)
from facademap.store.renaming import rename_odd_ids
from facademap.store.styles import renew_styles, styles_are_old, write_styles
from facademap.store.upright import turn_upright
from facademap.tables import TABLES, Table
from facademap.tables.names import as_id
from facademap.wall.world import wall_crs

__all__ = ["PACKED_FOLDER", "SCHEMA_VERSION", "Project"]

#: Version of the tables. A project with a larger number is refused, one with a smaller is migrated.
SCHEMA_VERSION = 7
#: Version since which pixels are those of the upright picture.
UPRIGHT_SINCE = 5
#: Tables that a project of an older version lacks without being damaged, and the version that brought each.
_TABLE_SINCE = {"trials": 6}
FOLDERS = ("photos", "elevations", "blocks", "cache", "out")
#: Whole tables in few bytes, made again when they are missing.
PACKED_FOLDER = "cache/tables"
_OWN_TABLES = """
CREATE TABLE facademap_schema (version INTEGER NOT NULL, project TEXT NOT NULL);
CREATE TABLE facademap_numbers (prefix TEXT NOT NULL PRIMARY KEY, last INTEGER NOT NULL);
CREATE TABLE edit_log (
  seq INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, txn TEXT NOT NULL, at TEXT NOT NULL, who TEXT NOT NULL,
  what TEXT NOT NULL, undoes TEXT, table_name TEXT NOT NULL, row_id TEXT NOT NULL, op TEXT NOT NULL,
  rev INTEGER NOT NULL, before TEXT, after TEXT);
CREATE INDEX edit_log_row ON edit_log (table_name, row_id);
CREATE INDEX edit_log_txn ON edit_log (txn);
CREATE TRIGGER edit_log_is_append_only_2 BEFORE DELETE ON edit_log
  BEGIN SELECT RAISE(ABORT, 'the history is append-only'); END;
"""


class Project:
    """One campaign on one building: a folder with one GeoPackage and the pictures beside it.

    Use :meth:`create` or :meth:`open`, and close it, best by ``with``.
    """

    def __init__(self, folder: Path, connection: sqlite3.Connection, *, read_only: bool) -> None:
        self.folder = folder
        self.read_only = read_only
        self._connection = connection
        self._file = _file_at(self.path)

    # -- opening ------------------------------------------------------------------------------

    @classmethod
    def create(
        cls, folder: str | Path, *, name: str, settings: Mapping[str, Any] | None = None
    ) -> Project:
        """Make a new project in an empty or missing folder.

        Raises
        ------
        FileError
            The folder holds a project already, or cannot be made.
        """
        folder = Path(folder)
        path = folder / STORE_NAME
        if path.exists():
            raise FileError(
                f"{folder}: holds a project already", "Choose another folder, or open this one."
            )
        if folder.exists() and not folder.is_dir():
            raise FileError(f"{folder}: is a file", "Choose a folder.")
        make_folder(folder)
        with scratch_folder(path) as building:
            _build(building / path.name, name=name, settings=settings or {})
            for sub in FOLDERS:
                make_folder(sub, inside=folder)
            move_whole(building / path.name, path)
        return cls.open(folder)

    @classmethod
    def open(cls, folder: str | Path, *, read_only: bool = False) -> Project:
        """Open a project; one of an older version is brought up to date, a newer one refused."""
        folder = Path(folder)
        if folder.name == STORE_NAME:
            folder = folder.parent
        path = folder / STORE_NAME
        connection = connect(path, read_only=read_only)
        if not read_only:
            clear_scratch_once(folder, (".", *FOLDERS))
        try:
            with in_plain_words(path):
                version = _version_of(connection, folder)
                older = version < SCHEMA_VERSION
                if older and read_only and nobody_writes(path):
                    with contextlib.closing(connection):
                        connection = copy_in_memory(connection)
                    _bring_up_to_date(connection, folder, version)
                elif older:
                    with contextlib.closing(connect(path)) as writing:
                        _bring_up_to_date(writing, folder, version)
                elif not read_only and styles_are_old(connection):
                    _draw_anew(path)
        except BaseException:
            connection.close()
            raise
        return cls(folder, connection, read_only=read_only)

    def close(self) -> None:
        """Close the file; the write-ahead log is folded in, so that one file remains."""
        self._connection.close()

    def __enter__(self) -> Project:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The GeoPackage."""
        return self.folder / STORE_NAME

    @property
    def project_id(self) -> str:
        """Name of the project that no other project has."""
        with in_plain_words(self.path):
            return str(
                self._connection.execute("SELECT project FROM facademap_schema").fetchone()[0]
            )

    def place(self, relative: str) -> Path:
        """A path inside the project folder; refuses one that leads out of it."""
        return path_inside(self.folder, relative)

    # -- reading ------------------------------------------------------------------------------

    def read(
        self,
        table_name: str,
        *,
        where: Mapping[str, Any] | None = None,
        box: tuple[float, float, float, float] | None = None,
    ) -> Any:
        """Rows of a table as its contract promises, in the order they were added.

        Parameters
        ----------
        table_name : str
            Name of the table.
        where : mapping, optional
            Column and value that the rows must have.
        box : (u_min_m, v_min_m, u_max_m, v_max_m), optional
            Only rows whose bounding box meets this one.

        Returns
        -------
        DataFrame or GeoDataFrame
            Index 0..n-1. The reference system is that of the surface when all rows lie on one.
        """
        table = table_named(table_name)
        clause, values = _where(table, where)
        if box is not None and table.geometry:
            clause += (" AND " if clause else " WHERE ") + (
                f'"fid" IN (SELECT id FROM "rtree_{table.name}_geom" '
                "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?)"
            )
            values += [box[0], box[2], box[1], box[3]]
        names = ", ".join(f'"{n}"' for n in table.names) + (', "geom"' if table.geometry else "")
        with in_plain_words(self.path):
            rows = self._connection.execute(
                f'SELECT {names} FROM "{table.name}"{clause} ORDER BY "fid"', values
            ).fetchall()
        columns = (
            list(zip(*rows, strict=True))
            if rows
            else [()] * (len(table.names) + bool(table.geometry))
        )
        data: dict[str, Any] = {}
        try:
            for column, stored in zip(table.columns, columns, strict=False):
                data[column.name] = _series(column_from_sql(column, stored), column.kind)
            shapes = outlines_from_blobs(table, columns[-1]) if rows and table.geometry else []
        except UNREADABLE as error:
            raise self._damaged(table, error) from None
        if not table.geometry:
            return pd.DataFrame(data)
        return gpd.GeoDataFrame(data, geometry=gpd.GeoSeries(shapes, crs=self._crs_of(table, data)))

    def row(self, table_name: str, id: str) -> dict[str, Any]:
        """One row with its ``rev``; geometry as a shapely object under ``geometry``. A photo may be named as its file was."""
        table = table_named(table_name)
        id = as_id(id) if table_name == "photos" else id
        names = ", ".join(f'"{n}"' for n in table.names) + (', "geom"' if table.geometry else "")
        with in_plain_words(self.path):
            found = self._connection.execute(
                f'SELECT {names}, "rev" FROM "{table.name}" WHERE "id" = ?', (id,)
            ).fetchone()
        if found is None:
            raise InputError(
                f"{table.title.lower()}: there is no {id!r}",
                "Check the id; it may have been deleted.",
            )
        try:
            return _row_of(table, found)
        except UNREADABLE as error:
            raise self._damaged(table, error) from None

    def rows(self, table_name: str, ids: Sequence[str]) -> dict[str, dict[str, Any]]:
        """Many rows as :meth:`row` gives them, by id; those that are not there are left out."""
        table = table_named(table_name)
        names = ", ".join(f'"{n}"' for n in table.names) + (', "geom"' if table.geometry else "")
        query = f'SELECT {names}, "rev" FROM "{table.name}" WHERE "id" IN (SELECT value FROM json_each(?))'
        with in_plain_words(self.path):
            found = self._connection.execute(query, (json.dumps(list(ids)),)).fetchall()
        try:
            return {str(row["id"]): row for row in (_row_of(table, values) for values in found)}
        except UNREADABLE as error:
            raise self._damaged(table, error) from None

    def revisions(self, table_name: str) -> dict[str, int]:
        """Revision of every row, by id."""
        table = table_named(table_name)
        with in_plain_words(self.path):
            return dict(
                self._connection.execute(f'SELECT "id", "rev" FROM "{table.name}"').fetchall()
            )

    def setting(self, name: str, default: Any = None) -> Any:
        """One project setting."""
        with in_plain_words(self.path):
            found = self._connection.execute(
                'SELECT "value" FROM "settings" WHERE "id" = ?', (name,)
            ).fetchone()
        if found is None or found[0] is None:
            return default
        try:
            value = setting_from_sql(name, found[0])
        except UNREADABLE as error:
            raise self._damaged(table_named("settings"), error) from None
        return default if value is None and default is not None else value

    def history(
        self, table_name: str | None = None, id: str | None = None, *, last: int | None = None
    ) -> pd.DataFrame:
        """Who changed what and when, newest first; ``before`` and ``after`` are mappings or ``None``."""
        clauses, values = [], []
        for name, value in (("table_name", table_name), ("row_id", id)):
            if value is not None:
                clauses.append(f"{name} = ?")
                values.append(value)
        sql = "SELECT seq, txn, at, who, what, undoes, table_name, row_id, op, rev, before, after FROM edit_log"
        sql += (" WHERE " + " AND ".join(clauses)) if clauses else ""
        sql += " ORDER BY seq DESC" + (f" LIMIT {int(last)}" if last else "")
        with in_plain_words(self.path):
            rows = self._connection.execute(sql, values).fetchall()
        names = [
            "seq",
            "txn",
            "at",
            "who",
            "what",
            "undoes",
            "table_name",
            "row_id",
            "op",
            "rev",
            "before",
            "after",
        ]
        frame = pd.DataFrame(rows, columns=names, dtype=object)
        for name in ("before", "after"):
            frame[name] = pd.Series(
                [read_entry(v, seq) for v, seq in zip(frame[name], frame["seq"], strict=True)],
                dtype=object,
            )
        return frame

    # -- writing ------------------------------------------------------------------------------

    @contextlib.contextmanager
    def edit(
        self,
        *,
        who: str,
        what: str,
        undoes: str | None = None,
        apart: bool = False,
        numbers: Mapping[str, int] | None = None,
    ) -> Iterator[Edit]:
        """One transaction: the body makes changes through the yielded :class:`Edit`; an error undoes them all.

        Parameters
        ----------
        who : str
            Who makes the edit, as the history will say.
        what : str
            What is done, in a few words.
        apart : bool
            Whether the body works on a copy in memory, so that others wait for the storing alone. What the body reads
            of this project is the copy too.
        numbers : mapping of str to int, optional
            How many new numbers of which series a body that works apart will take.

        Raises
        ------
        MovedOnError
            Apart only: others changed what the edit rests on; do it again.
        """
        if self.read_only:
            raise ProjectError(
                f"{self.folder}: the project was opened for reading only", "Open it for writing."
            )
        with in_plain_words(self.path):
            self._need_same_file()
            at = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")
            if apart and self.path.stat().st_size <= MOST_BYTES:
                with self._drafted(numbers or {}, who=who, what=what, undoes=undoes, at=at) as edit:
                    yield edit
                return
            with _locked(self._connection):
                edit = Edit(self._connection, who=who, what=what, undoes=undoes, at=at)
                yield edit
                _touch_tables(self._connection, edit)

    @contextlib.contextmanager
    def _drafted(self, numbers: Mapping[str, int], **about: Any) -> Iterator[Edit]:
        """An edit on a copy, stored in the file when the body ends."""
        live = self._connection
        reserved = reserve(live, numbers)
        try:
            with copied(live, copy_in_memory) as draft:
                self._connection = draft  # type: ignore[assignment]
                try:
                    edit = Edit(self._connection, reserved=reserved, **about)
                    yield edit
                    _touch_tables(self._connection, edit)
                finally:
                    self._connection = live
                self._need_same_file()
                with _locked(live):
                    if not may_stand(live, draft.connection, txn=edit.txn, reserved=reserved):
                        raise MovedOnError(
                            f"{self.folder}: somebody else changed what this edit rests on meanwhile",
                            "Do it again.",
                        )
                    draft.play(live)
        except BaseException:
            hand_back(live, reserved)
            raise

    def _need_same_file(self) -> None:
        """The open file lives on without a name; what is written to it then is gone when it is closed."""
        if _file_at(self.path) != self._file:
            raise ProjectError(
                f"{self.folder}: the project was moved, replaced or deleted while it was open; nothing was stored",
                "Put it back, or open it where it is now.",
            )

    def undo(self, txn: str, *, who: str) -> str:
        """Take one transaction back by a new one; returns the name of the new one (undo that to redo).

        Raises
        ------
        InputError
            A row was changed again since then, or there is no such transaction.
        """
        with in_plain_words(self.path):
            rows = self._connection.execute(
                "SELECT count(*) FROM edit_log WHERE txn = ?", (txn,)
            ).fetchone()[0]

        def take_back(apart: bool) -> str:
            with self.edit(who=who, what="undo", undoes=txn, apart=apart) as edit:
                self.turn_back(edit, txn)
            return edit.txn

        return store_drafted(take_back, large=rows > LARGE)

    def turn_back(self, edit: Edit, txn: str) -> None:
        """:meth:`undo` within an edit that is open, so that it can be judged before it is stored."""
        with in_plain_words(self.path):
            rows = self._connection.execute(
                "SELECT table_name, row_id, op, seq, before FROM edit_log WHERE txn = ? ORDER BY seq DESC",
                (txn,),
            ).fetchall()
        if not rows:
            raise InputError(f"there is no edit {txn!r}", "Choose an edit from the history.")
        seen: set[tuple[str, str]] = set()
        aside = kept_aside(self._connection, txn)
        for table_name, row_id, op, seq, before in rows:
            last = self._connection.execute(
                "SELECT op, rev, txn FROM edit_log WHERE table_name = ? AND row_id = ? AND txn <> ? ORDER BY seq DESC LIMIT 1",
                (table_name, row_id, edit.txn),
            ).fetchone()
            if (table_name, row_id) not in seen and last and last[2] != txn:
                raise InputError(
                    f"{row_id} was changed again after this edit", "Undo the later edit first."
                )
            seen.add((table_name, row_id))
            if (table_name, row_id) in aside:
                edit.put_back(table_name, row_id, aside[table_name, row_id])
                continue
            edit.apply(table_name, row_id, None if op == "insert" else read_entry(before, seq))

    def forget(self, table_name: str, column: str, *, who: str) -> int:
        """Blank one column of a table in the rows and in their whole history, for names that must go.

        The one exception to the append-only history: the entries stay with their time, their order and all other
        values, and the forgetting is an entry of its own.

        Returns
        -------
        int
            Entries of the history that held a value.
        """
        table = table_named(table_name)
        if not table.column(column).nullable:
            raise InputError(
                f"{table.title.lower()}: {column} cannot be empty", "Choose a column that may be."
            )
        with self.edit(who=who, what=f"forget {column}") as edit:
            for id, value in self._connection.execute(
                f'SELECT "id", "{column}" FROM "{table.name}"'
            ).fetchall():
                if value is not None:
                    edit.update(table_name, id, {column: None})
            path = f"$.{column}"
            held = f"(json_extract(before, '{path}') IS NOT NULL OR json_extract(after, '{path}') IS NOT NULL)"
            (count,) = self._connection.execute(
                f"SELECT count(*) FROM edit_log WHERE table_name = ? AND {held}", (table.name,)
            ).fetchone()
            self._connection.execute("DROP TRIGGER edit_log_is_append_only_1")
            for part in ("before", "after"):
                self._connection.execute(
                    f"UPDATE edit_log SET {part} = json_set({part}, '{path}', NULL) WHERE table_name = ? AND {part} IS NOT NULL",
                    (table.name,),
                )
            self._connection.execute(APPEND_ONLY_UPDATE)
        for packed in (self.folder / PACKED_FOLDER).glob(f"{table.name}.*"):
            remove_file(packed, inside=self.folder)
        return int(count)

    def snapshot(self, target: str | Path) -> Path:
        """A copy of the whole GeoPackage as it stands now, for exports and other programs."""
        target = Path(target)
        with scratch_folder(target) as folder:
            with in_plain_words(self.path):
                self._connection.execute("VACUUM INTO ?", (str(folder / "whole"),))
            return move_whole(folder / "whole", target)

    def damage(self, table_name: str) -> list[Damage]:
        """Cells of a table that cannot be read; the others are read one by one, whatever is damaged."""
        with in_plain_words(self.path):
            return list(damaged_cells(self._connection, table_named(table_name)))

    def missing_parts(self) -> list[tuple[Table, tuple[str, ...]]]:
        """Tables and columns that the file lacks."""
        with in_plain_words(self.path):
            return list(missing_parts(self._connection))

    def make_missing_parts(self) -> list[str]:
        """Make tables and columns that the file lacks again, empty; returns their names."""
        made: list[str] = []
        with in_plain_words(self.path), _locked(self._connection):
            for table, columns in self.missing_parts():
                made += remake(self._connection, table, columns)
        return made

    def set_aside_by(self, txn: str) -> list[str]:
        """Names of the rows that one transaction set aside and nobody put back."""
        with in_plain_words(self.path):
            return [f"{table}:{row}" for table, row in kept_aside(self._connection, txn)]

    def broken_history(self) -> list[int]:
        """Numbers of the entries of the history whose contents cannot be read."""
        with in_plain_words(self.path):
            rows = self._connection.execute(
                "SELECT seq FROM edit_log WHERE typeof(coalesce(before, '')) <> 'text' OR typeof(coalesce(after, '')) <> 'text' "
                "OR NOT json_valid(coalesce(before, 'null')) OR NOT json_valid(coalesce(after, 'null')) ORDER BY seq"
            ).fetchall()
        return [int(seq) for (seq,) in rows]

    def _damaged(self, table: Table, error: Exception) -> ProjectError:
        first = next(damaged_cells(self._connection, table), None)
        if first:
            return unreadable(first, where=f"{self.folder}: ")
        return ProjectError(
            f"{self.folder}: table {table.name}: {error}",
            "Run facademap check on the project, or restore it from a copy.",
        )

    def integrity(self) -> list[str]:
        """What SQLite finds wrong with the file; empty when it is sound."""
        try:
            rows = self._connection.execute("PRAGMA integrity_check").fetchall()
        except sqlite3.DatabaseError as error:
            return [str(error)]
        return [text for (text,) in rows if text != "ok"]

    def _crs_of(self, table: Table, data: Mapping[str, Any]) -> str | None:
        name = data.get("surface") if table.name != "surfaces" else data.get("id")
        surfaces = set(name) if name is not None else set()
        if len(surfaces) != 1:
            return None
        found = self._connection.execute(
            'SELECT "frame_wkt" FROM "surfaces" WHERE "id" = ?', (surfaces.pop(),)
        ).fetchone()
        return found[0] if found else None


def _row_of(table: Table, values: Sequence[Any]) -> dict[str, Any]:
    """A row from what the database gives for its columns, its geometry and its revision."""
    return {**row_from_sql(table, values), "rev": values[-1]}


def _file_at(path: Path) -> tuple[int, int] | None:
    """Which file stands at a path, whatever it is called; ``None`` for none."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino


def _series(values: list[Any], kind: str) -> pd.Series:
    if kind == "float":
        return pd.Series(values, dtype="float64")
    if kind in ("int", "bool") and values and all(v is not None for v in values):
        return pd.Series(values, dtype="int64" if kind == "int" else "bool")
    return pd.Series(values, dtype=object)


def _build(path: Path, *, name: str, settings: Mapping[str, Any]) -> None:
    project_id = uuid.uuid4().hex
    connection = connect(path, create=True)
    try:
        with in_plain_words(path):
            connection.execute("BEGIN IMMEDIATE")
            create_system_tables(connection)
            wkt = wall_crs(f"{name}, wall frames", f"{project_id} all surfaces")
            srs_id = register_reference_system(connection, wkt, name=f"{name}, wall frames")
            for statement in filter(
                str.strip,
                _OWN_TABLES.replace("END;", "END\x00").replace(";\n", ";\x00").split("\x00"),
            ):
                connection.execute(statement)
            connection.execute(APPEND_ONLY_UPDATE)
            connection.execute(
                "INSERT INTO facademap_schema VALUES (?, ?)", (SCHEMA_VERSION, project_id)
            )
            for table in TABLES.values():
                create_table(connection, table, srs_id=srs_id)
            connection.execute(
                "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
                "VALUES ('edit_log', 'attributes', 'edit_log', 'Who changed what and when; append-only.')"
            )
            write_styles(connection)
            edit = Edit(
                connection,
                who="facademap",
                what="new project",
                undoes=None,
                at=dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"),
            )
            for key, value in {"name": name, **settings}.items():
                edit.set(key, value)
            connection.execute("COMMIT")
    finally:
        connection.close()


def _version_of(connection: sqlite3.Connection, folder: Path) -> int:
    """Version of the tables; a newer one than ours is refused."""
    try:
        (version,) = connection.execute("SELECT version FROM facademap_schema").fetchone()
    except (sqlite3.OperationalError, TypeError):
        raise ProjectError(
            f"{folder}: project.gpkg is a GeoPackage, but not a facademap project",
            "Make a project with facademap new and import the layers of this file.",
        ) from None
    if version > SCHEMA_VERSION:
        raise ProjectError(
            f"{folder}: the project was written by a newer facademap (tables version {version}, "
            f"this one knows {SCHEMA_VERSION})",
            "Install a newer facademap; the project was not touched.",
        )
    return int(version)


def _bring_up_to_date(connection: sqlite3.Connection, folder: Path, version: int) -> None:
    """Add the tables and columns that a project of an older version lacks; what is stored stays as it is."""
    connection.execute("BEGIN IMMEDIATE")
    for table in TABLES.values():
        present = {row[1] for row in connection.execute(f'PRAGMA table_info("{table.name}")')}
        if not present and version < _TABLE_SINCE.get(table.name, 0):
            remake(connection, table, ())
        for column in table.columns if present else ():
            if column.name not in present:
                connection.execute(f'ALTER TABLE "{table.name}" ADD COLUMN {column_sql(column)}')
                if column.default is not None:
                    connection.execute(
                        f'UPDATE "{table.name}" SET "{column.name}" = ?',
                        (sql_value(column, column.default),),
                    )
    _rename_and_say(connection)
    if version < UPRIGHT_SINCE:
        _turn_and_say(connection, folder)
    renew_styles(connection)
    connection.execute("UPDATE facademap_schema SET version = ?", (SCHEMA_VERSION,))
    connection.execute("COMMIT")


def _draw_anew(path: Path) -> None:
    """The signs of a GIS as this version draws them. Who writes just now is not waited for: the next opening does it."""
    with contextlib.closing(connect(path)) as writing:
        writing.execute("PRAGMA busy_timeout = 0")
        with contextlib.suppress(sqlite3.OperationalError):
            writing.execute("BEGIN IMMEDIATE")
            renew_styles(writing)
            writing.execute("COMMIT")


def _rename_and_say(connection: sqlite3.Connection) -> None:
    """Ids of the grammar only from now on; who opens the project hears which were renamed, and the history says it."""
    names = rename_odd_ids(connection)
    for table in TABLES.values():
        if connection.execute(f'PRAGMA table_info("{table.name}")').fetchone():
            connection.execute(unique_names_sql(table))
    if not names:
        return
    edit = _own_edit(connection, "ids renamed: letters, digits, - _ . only")
    edit.set("renamed_ids", names)
    shown = [f"{t} {old!r} is {new!r}" for t, own in names.items() for old, new in own.items()]
    more = f" and {len(shown) - 5} more" if len(shown) > 5 else ""
    logging.getLogger("facademap").warning(
        "note: ids are letters, digits, '-', '_' and '.' now; renamed: %s%s",
        "; ".join(shown[:5]),
        more,
    )


def _own_edit(connection: sqlite3.Connection, what: str) -> Edit:
    return Edit(
        connection,
        who="facademap",
        what=what,
        undoes=None,
        at=dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"),
    )


def _turn_and_say(connection: sqlite3.Connection, folder: Path) -> None:
    """Pixels of the upright picture only from now on; who opens the project hears of what was turned."""
    turned = turn_upright(
        connection, folder, _own_edit(connection, "pixels are those of the upright picture")
    )
    if not turned:
        return
    more = f" and {len(turned) - 5} more" if len(turned) > 5 else ""
    logging.getLogger("facademap").warning(
        "note: pixels are those of the upright picture now; %s with control, faces, lens and chart: %s%s. "
        "What was picked in a program that showed them upright was wrong before and must be picked again.",
        f"{len(turned)} picture(s) turned",
        ", ".join(turned[:5]),
        more,
    )


@contextlib.contextmanager
def _locked(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction, wholly there when the body ends or not there."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _touch_tables(connection: sqlite3.Connection, edit: Edit) -> None:
    for name, added in edit.touched.items():
        _touch_contents(connection, TABLES[name], added)


def _touch_contents(
    connection: sqlite3.Connection, table: Table, added: Sequence[shapely.Geometry]
) -> None:
    """Note the change in the table of contents and widen the layer's box, which the standard calls informative."""
    connection.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') WHERE table_name = ?",
        (table.name,),
    )
    if added:
        box = [float(v) for v in shapely.total_bounds(added)]
        connection.execute(
            "UPDATE gpkg_contents SET min_x = min(coalesce(min_x, ?1), ?1), min_y = min(coalesce(min_y, ?2), ?2), "
            "max_x = max(coalesce(max_x, ?3), ?3), max_y = max(coalesce(max_y, ?4), ?4) WHERE table_name = ?5",
            (*box, table.name),
        )
