"""How the embedded file of a project is made, and how one of an older version is brought up to date."""

from __future__ import annotations

import contextlib
import datetime as dt
import logging
import sqlite3
import uuid
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from facademap.errors import ProjectError
from facademap.store.database import connect, in_plain_words
from facademap.store.dialect_geopackage import GEOPACKAGE
from facademap.store.edit import Edit
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
from facademap.store.styles import renew_styles, write_styles
from facademap.store.upright import TURNED, turn_upright
from facademap.tables import TABLES
from facademap.wall.world import wall_crs

__all__ = [
    "SCHEMA_VERSION",
    "bring_up_to_date",
    "build",
    "build_empty",
    "draw_anew",
    "refuse_newer",
    "version_of",
]

#: Version of the tables. A project with a larger number is refused, one with a smaller is migrated.
SCHEMA_VERSION = 12
#: Version since which pixels are those of the upright picture.
UPRIGHT_SINCE = 5
#: Tables that a project of an older version lacks without being damaged, and the version that brought each.
_TABLE_SINCE = {
    "trials": 6,
    "variations": 8,
    "consents": 9,
    "orders": 9,
    "gauges": 10,
    "gauge_readings": 10,
    "looks": 10,
}
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


def build(path: Path, *, name: str, settings: Mapping[str, Any]) -> None:
    """Make the file of a new project with its first settings."""
    project_id = uuid.uuid4().hex
    connection = connect(path, create=True)
    try:
        with in_plain_words(path):
            connection.execute("BEGIN IMMEDIATE")
            build_empty(connection, name=name, project_id=project_id)
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


def build_empty(connection: sqlite3.Connection, *, name: str, project_id: str) -> None:
    """Make the tables of a project in an empty file, within the transaction that is open."""
    create_system_tables(connection)
    wkt = wall_crs(f"{name}, wall frames", f"{project_id} all surfaces")
    srs_id = register_reference_system(connection, wkt, name=f"{name}, wall frames")
    for statement in filter(
        str.strip,
        _OWN_TABLES.replace("END;", "END\x00").replace(";\n", ";\x00").split("\x00"),
    ):
        connection.execute(statement)
    connection.execute(GEOPACKAGE.keep_promise)
    connection.execute("INSERT INTO facademap_schema VALUES (?, ?)", (SCHEMA_VERSION, project_id))
    for table in TABLES.values():
        create_table(connection, table, srs_id=srs_id)
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES ('edit_log', 'attributes', 'edit_log', 'Who changed what and when; append-only.')"
    )
    write_styles(connection)


def version_of(connection: sqlite3.Connection, folder: Path) -> int:
    """Version of the tables; a newer one than ours is refused."""
    try:
        (version,) = connection.execute("SELECT version FROM facademap_schema").fetchone()
    except (sqlite3.OperationalError, TypeError):
        raise ProjectError(
            f"{folder}: project.gpkg is a GeoPackage, but not a facademap project",
            "Make a project with facademap new and import the layers of this file.",
        ) from None
    refuse_newer(version, str(folder))
    return int(version)


def refuse_newer(version: int, where: str) -> None:
    """Refuse a project that a later facademap has written."""
    if version > SCHEMA_VERSION:
        raise ProjectError(
            f"{where}: the project was written by a newer facademap (tables version {version}, "
            f"this one knows {SCHEMA_VERSION})",
            "Install a newer facademap; the project was not touched.",
        )


def bring_up_to_date(connection: sqlite3.Connection, folder: Path, version: int) -> None:
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


def draw_anew(path: Path) -> None:
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
    turned = turn_upright(connection, folder, _own_edit(connection, TURNED))
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
