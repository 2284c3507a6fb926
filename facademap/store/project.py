"""A project: its folder, its tables, its history."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import geopandas as gpd
import pandas as pd

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
from facademap.store.dialect import Connection, dialect_of, selected
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
from facademap.store.edit import Edit, _where, read_entry, table_named
from facademap.store.schema import (
    SCHEMA_VERSION,
    bring_up_to_date,
    build,
    draw_anew,
    version_of,
)
from facademap.store.styles import styles_are_old
from facademap.store.team_address import TEAM_FILE, Address
from facademap.store.team_row_rules import need_whole_edit, refuse_part
from facademap.store.upright import refuse_stored_pixels
from facademap.tables import Table, is_missing
from facademap.tables.names import as_id

__all__ = ["PACKED_FOLDER", "SCHEMA_VERSION", "Project"]

FOLDERS = ("photos", "elevations", "blocks", "cache", "out")
#: Whole tables in few bytes, made again when they are missing.
PACKED_FOLDER = "cache/tables"


class Project:
    """One campaign on one building: a folder with one GeoPackage and the pictures beside it.

    Use :meth:`create` or :meth:`open`, and close it, best by ``with``.
    """

    def __init__(self, folder: Path, connection: Connection, *, read_only: bool) -> None:
        self.folder = folder
        self.read_only = read_only
        self._connection = connection
        self._dialect = dialect_of(connection)
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
            build(building / path.name, name=name, settings=settings or {})
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
        if not path.exists() and (folder / TEAM_FILE).exists():
            return cls._open_team(folder, read_only=read_only)
        connection = connect(path, read_only=read_only)
        if not read_only:
            clear_scratch_once(folder, (".", *FOLDERS))
        try:
            with in_plain_words(path):
                version = version_of(connection, folder)
                older = version < SCHEMA_VERSION
                if older and read_only and nobody_writes(path):
                    with contextlib.closing(connection):
                        connection = copy_in_memory(connection)
                    bring_up_to_date(connection, folder, version)
                elif older:
                    with contextlib.closing(connect(path)) as writing:
                        bring_up_to_date(writing, folder, version)
                elif not read_only and styles_are_old(connection):
                    draw_anew(path)
        except BaseException:
            connection.close()
            raise
        return cls(folder, connection, read_only=read_only)

    @classmethod
    def create_in(
        cls,
        address: Address,
        folder: str | Path,
        *,
        name: str,
        settings: Mapping[str, Any] | None = None,
    ) -> Project:
        """Make a new project in a database, and the folder that stands for it and holds its pictures.

        Raises
        ------
        FileError, ProjectError
            The folder or the database holds such a project already, or the database cannot be reached.
        """
        from facademap.store.team_schema import create_team, need_room

        folder = Path(folder)
        for taken in (STORE_NAME, TEAM_FILE):
            if (folder / taken).exists():
                raise FileError(
                    f"{folder}: holds a project already", "Choose another folder, or open this one."
                )
        need_room(address)
        make_folder(folder)
        create_team(address, folder, name=name, settings=settings or {})
        for sub in FOLDERS:
            make_folder(sub, inside=folder)
        return cls.open(folder)

    @classmethod
    def _open_team(cls, folder: Path, *, read_only: bool) -> Project:
        from facademap.store.team_schema import open_team

        connection = open_team(folder, read_only=read_only)
        if not read_only:
            clear_scratch_once(folder, (".", *FOLDERS))
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
    def in_database(self) -> bool:
        """Whether the rows lie in a database that other servers use too, rather than in a file beside the pictures."""
        return not self._dialect.copies

    def need_whole(self) -> None:
        """Refuse what speaks of the whole project where the role in the database sees a part of it.

        Raises
        ------
        ProjectError
            The role is limited to some elevations.
        """
        if self.in_database:
            refuse_part(self._connection)

    @property
    def is_newer(self) -> bool:
        """Whether a newer facademap brought the project up to date since it was opened."""
        with in_plain_words(self.path):
            (version,) = self._connection.execute("SELECT version FROM facademap_schema").fetchone()
        return int(version) > SCHEMA_VERSION

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
        columns: Sequence[str] | None = None,
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
        columns : sequence of str, optional
            These alone, in the order of the contract and without outlines, which is read much sooner.

        Returns
        -------
        DataFrame or GeoDataFrame
            Index 0..n-1. The reference system is that of the surface when all rows lie on one.

        Raises
        ------
        ProjectError
            What is stored cannot be read.
        """
        table = table_named(table_name)
        clause, values = _where(table, where)
        if box is not None and table.geometry:
            within, bounds = self._dialect.within(table, box)
            clause += (" AND " if clause else " WHERE ") + within
            values += bounds
        shaped = bool(table.geometry) and columns is None
        asked = [c for c in table.columns if columns is None or c.name in columns]
        plain = ", ".join(f'"{c.name}"' for c in asked)
        names = selected(self._connection, table) if shaped else plain
        with in_plain_words(self.path):
            rows = self._connection.execute(
                f'SELECT {names} FROM "{table.name}"{clause} ORDER BY "fid"', values
            ).fetchall()
        found = list(zip(*rows, strict=True)) if rows else [()] * (len(asked) + shaped)
        data: dict[str, Any] = {}
        try:
            for column, stored in zip(asked, found, strict=False):
                data[column.name] = _series(column_from_sql(column, stored), column.kind)
            shapes = outlines_from_blobs(table, found[-1]) if rows and shaped else []
        except UNREADABLE as error:
            raise self._damaged(table, error) from None
        if not shaped:
            return pd.DataFrame(data)
        return gpd.GeoDataFrame(data, geometry=gpd.GeoSeries(shapes, crs=self._crs_of(table, data)))

    def row(self, table_name: str, id: str) -> dict[str, Any]:
        """One row with its ``rev``; geometry as a shapely object under ``geometry``. A photo may be named as its file was.

        Raises
        ------
        InputError, ProjectError
            There is no such row; what is stored cannot be read.
        """
        table = table_named(table_name)
        id = as_id(id) if table_name == "photos" else id
        names = selected(self._connection, table)
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
        """Many rows as :meth:`row` gives them, by id; those that are not there are left out.

        Raises
        ------
        ProjectError
            What is stored cannot be read.
        """
        table = table_named(table_name)
        names = selected(self._connection, table)
        query = f'SELECT {names}, "rev" FROM "{table.name}" WHERE "id" IN {self._dialect.among}'
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
        """One project setting.

        Raises
        ------
        ProjectError
            What is stored cannot be read.
        """
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
        ProjectError
            The project was opened for reading only.
        """
        if self.read_only:
            raise ProjectError(
                f"{self.folder}: the project was opened for reading only", "Open it for writing."
            )
        with in_plain_words(self.path):
            self._need_same_file()
            at = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")
            if apart and self._dialect.copies and self.path.stat().st_size <= MOST_BYTES:
                with self._drafted(numbers or {}, who=who, what=what, undoes=undoes, at=at) as edit:
                    yield edit
                return
            with _locked(self._connection):
                self._need_known_tables()
                edit = Edit(self._connection, who=who, what=what, undoes=undoes, at=at)
                yield edit
                self._dialect.after_edit(self._connection, edit.touched)

    @contextlib.contextmanager
    def _drafted(self, numbers: Mapping[str, int], **about: Any) -> Iterator[Edit]:
        """An edit on a copy, stored in the file when the body ends."""
        live: Any = self._connection  # sqlite3's, the only one that is copied
        reserved = reserve(live, numbers)
        try:
            with copied(live, copy_in_memory) as draft:
                self._connection = draft
                try:
                    edit = Edit(self._connection, reserved=reserved, **about)
                    yield edit
                    self._dialect.after_edit(self._connection, edit.touched)
                finally:
                    self._connection = live
                self._need_same_file()
                with _locked(live):
                    self._need_known_tables()
                    if not may_stand(live, draft.connection, txn=edit.txn, reserved=reserved):
                        raise MovedOnError(
                            f"{self.folder}: somebody else changed what this edit rests on meanwhile",
                            "Do it again.",
                        )
                    draft.play(live)
        except BaseException:
            hand_back(live, reserved)
            raise

    def _need_known_tables(self) -> None:
        """While a desk is open a newer facademap may bring its project up to date, and give what is stored another meaning."""
        (version,) = self._connection.execute("SELECT version FROM facademap_schema").fetchone()
        if version > SCHEMA_VERSION:
            raise ProjectError(
                "the project was taken up by a newer facademap while it was open here; nothing was stored",
                "Start this program anew with it. A desk keeps what it has, and goes on in a moment by itself.",
            )

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
        """:meth:`undo` within an edit that is open, so that it can be judged before it is stored.

        Raises
        ------
        InputError
            There is no such edit, or a row was changed again after it.
        """
        with in_plain_words(self.path):
            refuse_stored_pixels(self._connection, txn)
            rows = self._connection.execute(
                "SELECT table_name, row_id, op, seq, before FROM edit_log WHERE txn = ? ORDER BY seq DESC",
                (txn,),
            ).fetchall()
        if not rows:
            raise InputError(f"there is no edit {txn!r}", "Choose an edit from the history.")
        if self.in_database:
            need_whole_edit(self._connection, txn, len(rows))
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

    def forget(
        self,
        table_name: str,
        column: str,
        *,
        who: str,
        instead: Callable[[Mapping[str, Any]], Any] = lambda row: None,
        retitled: Callable[[str], str] | None = None,
    ) -> int:
        """Blank one column of a table in the rows and in their whole history, for names that must go.

        ``instead`` gives what stands in its place, from the row with its value; ``retitled`` the title of an edit from its
        title, where titles held names too.

        The one exception to the append-only history: the entries stay with their time, their order and all other
        values, and the forgetting is an entry of its own.

        Returns
        -------
        int
            Entries of the history that held a value.

        Raises
        ------
        InputError
            The column cannot be empty.
        """
        table = table_named(table_name)
        if not table.column(column).nullable:
            raise InputError(
                f"{table.title.lower()}: {column} cannot be empty", "Choose a column that may be."
            )
        with self.edit(who=who, what=f"forget {column}") as edit:
            for row in self.read(table_name).to_dict("records"):
                told = None if is_missing(row[column]) else row[column]
                if told is not None and (other := instead(row)) != told:
                    edit.update(table_name, str(row["id"]), {column: other})
            count = self._forget_in_history(table, column, instead)
            if retitled is not None:
                self._retitle(retitled)
        for packed in (self.folder / PACKED_FOLDER).glob(f"{table.name}.*"):
            remove_file(packed, inside=self.folder)
        return count

    def _forget_in_history(
        self, table: Table, column: str, instead: Callable[[Mapping[str, Any]], Any]
    ) -> int:
        """Blank a column in every entry of a table; how many held a value that had to go."""
        blank: list[tuple[str | None, str | None, int]] = []
        for seq, *texts in self._connection.execute(
            "SELECT seq, before, after FROM edit_log WHERE table_name = ?", (table.name,)
        ).fetchall():
            rows = [read_entry(text, seq) for text in texts]
            turned = [
                row if not row or row.get(column) is None else {**row, column: instead(row)}
                for row in rows
            ]
            if turned != rows:
                before, after = (
                    None if row is None else json.dumps(row, ensure_ascii=False) for row in turned
                )
                blank.append((before, after, seq))
        self._connection.execute(self._dialect.lift_promise)
        self._connection.executemany(
            "UPDATE edit_log SET before = ?, after = ? WHERE seq = ?", blank
        )
        self._connection.execute(self._dialect.keep_promise)
        return len(blank)

    def _retitle(self, retitled: Callable[[str], str]) -> None:
        """Put other titles on the edits of the history that held a name."""
        kept = self._connection.execute("SELECT DISTINCT what FROM edit_log").fetchall()
        turned = [(new, old) for (old,) in kept if (new := retitled(str(old))) != old]
        self._connection.execute(self._dialect.lift_promise)
        self._connection.executemany("UPDATE edit_log SET what = ? WHERE what = ?", turned)
        self._connection.execute(self._dialect.keep_promise)

    def snapshot(self, target: str | Path) -> Path:
        """A GeoPackage of the whole project as it stands now, for exports and other programs."""
        target = Path(target)
        with scratch_folder(target) as folder:
            if not self._dialect.copies:
                from facademap.store.copying import copy_to_file

                copy_to_file(self, folder / "whole")
                return move_whole(folder / "whole", target)
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
                made += self._dialect.remake(self._connection, table, columns)
        return made

    def set_aside_by(self, txn: str) -> list[str]:
        """Names of the rows that one transaction set aside and nobody put back."""
        with in_plain_words(self.path):
            return [f"{table}:{row}" for table, row in kept_aside(self._connection, txn)]

    def broken_history(self) -> list[int]:
        """Numbers of the entries of the history whose contents cannot be read."""
        with in_plain_words(self.path):
            rows = self._connection.execute(self._dialect.broken_entries).fetchall()
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
        """What the database engine finds wrong; empty when all is sound."""
        return self._dialect.integrity(self._connection)

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


@contextlib.contextmanager
def _locked(connection: Connection) -> Iterator[None]:
    """One transaction, wholly there when the body ends or not there."""
    dialect_of(connection).begin(connection)
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
