"""Projects in a PostgreSQL database: made, found, opened and brought up to date. One schema is one project."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import json
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from facademap.errors import FileError, ProjectError
from facademap.io.whole_files import STORE_NAME, make_folder, remove_file
from facademap.store.dialect_postgis import OWN_TABLES, POSTGIS, column_sql, create_table
from facademap.store.edit import Edit
from facademap.store.geopackage import sql_value
from facademap.store.schema import SCHEMA_VERSION, refuse_newer
from facademap.store.team import TeamConnection, connect_team, in_team_words
from facademap.store.team_address import (
    TEAM_FILE,
    Address,
    files_folder,
    keep_folder,
    kept_folder,
    read_team_file,
    schema_named,
    write_team_file,
)
from facademap.store.team_row_rules import keep_rules, missing_rules
from facademap.tables import TABLES

__all__ = [
    "build_team",
    "create_team",
    "join_team",
    "looked_at",
    "need_postgis",
    "open_team",
    "projects_in",
]


def projects_in(address: Address) -> dict[str, str]:
    """Projects of a database that this role may look into: name of the schema and name of the campaign."""
    with contextlib.closing(connect_team(address)) as raw, in_team_words(address):
        schemas = raw.execute(
            "SELECT nspname::text FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace "
            "WHERE relname = 'facademap_schema' AND relkind = 'r' AND has_schema_privilege(n.oid, 'USAGE') "
            "AND has_table_privilege(c.oid, 'SELECT') ORDER BY nspname"
        ).fetchall()
        found = {}
        for (schema,) in schemas:
            quoted = '"' + schema.replace('"', '""') + '"'
            row = raw.execute(f"SELECT value FROM {quoted}.settings WHERE id = 'name'").fetchone()
            found[schema] = str(json.loads(row[0])) if row and row[0] else schema
    return found


def need_room(address: Address) -> None:
    """Refuse a name that a project of the database has, or that none may have, before anything is done for it.

    Raises
    ------
    ProjectError
        There is one, or the name is kept for what projects share.
    """
    _need_own_name(address.project)
    with contextlib.closing(connect_team(address)) as raw, in_team_words(address):
        asked = "SELECT to_regnamespace(quote_ident(%s)) IS NOT NULL"
        if raw.execute(asked, (address.project,)).fetchone()[0]:
            raise _is_there(address)


def _need_own_name(schema: str) -> None:
    if schema.startswith("facademap_"):
        raise ProjectError(
            f"{schema!r}: names that begin so are for what projects of a database share",
            "Choose another --name.",
        )


def _is_there(address: Address) -> ProjectError:
    return ProjectError(
        f"database {address.database} holds a project {address.project!r} already",
        "Choose another --name, or work with the one that is there.",
    )


def create_team(
    address: Address, folder: Path, *, name: str, settings: Mapping[str, Any]
) -> Address:
    """Make a project in a database and let a folder stand for it; both are there or neither.

    Raises
    ------
    ProjectError
        The database holds a project of that name, has no PostGIS, or the role may not make schemas.
    """
    address = dataclasses.replace(address, project=address.project or schema_named(name))
    with contextlib.closing(TeamConnection(address)) as connection:
        need_postgis(connection)
        connection.begin()
        try:
            project_id = build_team(connection)
            edit = Edit(
                connection,
                who="facademap",
                what="new project",
                undoes=None,
                at=dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"),
            )
            for key, value in {"name": name, **settings}.items():
                edit.set(key, value)
            write_team_file(folder, address, project_id=project_id)
            connection.execute("COMMIT")
        except BaseException:
            remove_file(folder / TEAM_FILE, inside=folder)
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return address


def build_team(connection: TeamConnection, *, project_id: str = "") -> str:
    """Make the schema and its empty tables within the transaction that is open; returns the name of the project that no other has."""
    project_id = project_id or uuid.uuid4().hex
    schema = connection.address.project
    _need_own_name(schema)
    if connection.execute("SELECT to_regnamespace(quote_ident(?))", (schema,)).fetchone()[0]:
        raise _is_there(connection.address)
    connection.execute(f'CREATE SCHEMA "{schema}"')
    for statement in OWN_TABLES:
        connection.execute(statement)
    connection.execute("INSERT INTO facademap_schema VALUES (?, ?)", (SCHEMA_VERSION, project_id))
    for table in TABLES.values():
        create_table(connection, table)
    keep_rules(connection)
    return project_id


def need_postgis(connection: TeamConnection) -> None:
    """Make PostGIS known in the database where it is not; refused where it cannot be had."""
    (encoding,) = connection.execute("SHOW server_encoding").fetchone()
    if encoding != "UTF8":
        raise ProjectError(
            f"database {connection.address.database} keeps texts as {encoding}",
            "Make one with createdb --encoding UTF8 --template template0.",
        )
    there = "SELECT 1 FROM pg_extension WHERE extname = 'postgis'"
    if connection.execute(there).fetchone():
        return
    with contextlib.suppress(ProjectError):
        connection.execute("CREATE EXTENSION IF NOT EXISTS postgis WITH SCHEMA public")
    if not connection.execute(there).fetchone():
        raise ProjectError(
            f"database {connection.address.database} has no PostGIS",
            "Install Debian's postgresql-15-postgis-3 there, and let its administrator run CREATE EXTENSION postgis in this database.",
        )
    connection.close()  # the way in to its functions is found anew


def join_team(address: Address, folder: Path | None = None) -> Path:
    """The folder that stands for a project in a database, made where it is missing; returns it.

    Raises
    ------
    ProjectError
        There is no such project, or there are several and none is named.
    FileError
        The folder stands for another project.
    """
    if not address.project:
        there = projects_in(address)
        if len(there) != 1:
            named = ", ".join(there) or "none"
            raise ProjectError(
                f"database {address.database} holds {len(there)} projects ({named})",
                "Name one after #, as in postgresql://host/database#sail_loft."
                if there
                else "Make one with facademap new ADDRESS --name NAME.",
            )
        address = dataclasses.replace(address, project=next(iter(there)))
    chosen = folder
    folder = chosen or kept_folder(address) or files_folder(address)
    with contextlib.closing(TeamConnection(address, read_only=True)) as connection:
        _, project_id = _version_of(connection)
    if (folder / TEAM_FILE).exists():
        kept, its_id = read_team_file(folder)
        if its_id == project_id and kept.user == address.user:
            if chosen:
                keep_folder(address, chosen)
            return folder
        if its_id == project_id:
            raise FileError(
                f"{folder}: stands for this project as {kept.user or 'yourself'}, not as {address.user or 'yourself'}",
                "Work in that folder, or set FACADEMAP_FILES to another place for this role.",
            )
        raise FileError(
            f"{folder}: stands for another project",
            "Choose another folder, with facademap new ADDRESS --join --files FOLDER.",
        )
    if (folder / STORE_NAME).exists():
        raise FileError(f"{folder}: holds a project of its own", "Choose another folder.")
    make_folder(folder)
    for sub in ("photos", "elevations", "blocks", "cache", "out"):
        make_folder(sub, inside=folder)
    write_team_file(folder, address, project_id=project_id)
    if chosen:
        keep_folder(address, chosen)
    return folder


def open_team(folder: Path, *, read_only: bool) -> TeamConnection:
    """The connection to the project for which a folder stands.

    Raises
    ------
    ProjectError
        The database cannot be reached, holds another project by that name, or one of a newer facademap.
    """
    address, project_id = read_team_file(folder)
    connection = TeamConnection(address, read_only=read_only)
    try:
        version, there = _version_of(connection)
        if there != project_id:
            raise ProjectError(
                f"{folder}: the database holds another project by the name {address.project!r}",
                "Restore the one that belongs to this folder, or join the new one with a folder of its own.",
            )
        refuse_newer(version, str(folder))
        if version < SCHEMA_VERSION:
            _need_owner(connection)
            with contextlib.closing(TeamConnection(address)) as writing:
                _bring_up_to_date(writing)
        elif not read_only and missing_rules(connection):
            _put_rules(connection)
    except BaseException:
        connection.close()
        raise
    return connection


@contextlib.contextmanager
def looked_at(folder: Path) -> Iterator[tuple[TeamConnection, int]]:
    """The project for which a folder stands, to look at as it is, and the version of its tables.

    Raises
    ------
    ProjectError
        The database cannot be reached, or holds none by that name, or one of a newer facademap.
    """
    address, _ = read_team_file(folder)
    with contextlib.closing(TeamConnection(address, read_only=True)) as connection:
        version, _ = _version_of(connection)
        refuse_newer(version, str(folder))
        yield connection, version


def _put_rules(connection: TeamConnection) -> None:
    """Put the rules of rows on a project that was made before there were any, all or nothing."""
    connection.begin()
    try:
        keep_rules(connection)
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _version_of(connection: TeamConnection) -> tuple[int, str]:
    address = connection.address
    seen = connection.execute(
        "SELECT has_schema_privilege(oid, 'USAGE') FROM pg_namespace WHERE nspname = ?",
        (address.project,),
    ).fetchone()
    if seen is None or (seen[0] and not POSTGIS.columns_of(connection, "facademap_schema")):
        raise ProjectError(
            f"database {address.database} holds no project {address.project!r}",
            "Check the name after #, or make it with facademap new.",
        )
    if not seen[0]:
        raise ProjectError(
            f"database {address.database}: your role may not look into project {address.project!r}",
            "Ask the administrator of the database for the right.",
        )
    version, project_id = connection.execute(
        "SELECT version, project FROM facademap_schema"
    ).fetchone()
    return int(version), str(project_id)


def _need_owner(connection: TeamConnection) -> None:
    """Refuse to bring a project up to date for somebody who may not: tables are changed by their owner alone."""
    owner, me, owns = connection.execute(
        "SELECT pg_get_userbyid(nspowner)::text, current_user::text, pg_has_role(nspowner, 'USAGE') "
        "FROM pg_namespace WHERE nspname = ?",
        (connection.address.project,),
    ).fetchone()
    if not owns:
        raise ProjectError(
            f"project {connection.address.project!r} was made by an older facademap, and {me} may not bring it up to date",
            f"Let {owner}, who owns it, open it once with this facademap (facademap check).",
        )


def granted_roles(connection: TeamConnection) -> dict[str, bool]:
    """Roles that were given a right in a project, its owner left out, with whether they may edit."""
    rows = connection.execute(
        "SELECT pg_get_userbyid(grantee)::text, bool_or(privilege_type = 'INSERT') FROM pg_class c, aclexplode(c.relacl) "
        "WHERE relnamespace = current_schema()::regnamespace AND relname IN ('conditions', 'edit_log') "
        "AND grantee <> c.relowner AND grantee <> 0 GROUP BY grantee ORDER BY 1"
    ).fetchall()
    return {str(role): bool(edits) for role, edits in rows}


def _share_table(connection: TeamConnection, name: str) -> None:
    """Give a new table to those who have a right in the project already."""
    for role, edits in granted_roles(connection).items():
        (quoted,) = connection.execute("SELECT quote_ident(?)", (role,)).fetchone()
        rights = "SELECT, INSERT, UPDATE, DELETE" if edits else "SELECT"
        connection.execute(f'GRANT {rights} ON "{name}" TO {quoted}')


def _bring_up_to_date(connection: TeamConnection) -> None:
    """Add the tables and columns that a project of an older version lacks, all or nothing."""
    connection.begin()
    try:
        if _version_of(connection)[0] < SCHEMA_VERSION:
            for table in TABLES.values():
                present = POSTGIS.columns_of(connection, table.name)
                if not present:
                    create_table(connection, table)
                    _share_table(connection, table.name)
                for column in table.columns if present else ():
                    if column.name not in present:
                        connection.execute(
                            f'ALTER TABLE "{table.name}" ADD COLUMN {column_sql(column)}'
                        )
                        if column.default is not None:
                            connection.execute(
                                f'UPDATE "{table.name}" SET "{column.name}" = ?',
                                (sql_value(column, column.default),),
                            )
            connection.execute("UPDATE facademap_schema SET version = ?", (SCHEMA_VERSION,))
            keep_rules(connection)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
