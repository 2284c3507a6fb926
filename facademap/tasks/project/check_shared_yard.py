"""What a project and the shared yard of its database say differently."""

from __future__ import annotations

from typing import Any

from facademap.store.project import Project
from facademap.store.shared_yard import names_of_members, stones_in, team_connection
from facademap.store.shared_yard_schema import took_part, yard_is_there
from facademap.tasks.project.finding import Finding

__all__ = ["shared_yard_of"]


def shared_yard_of(project: Project) -> list[Finding]:
    """Stone that is entered in two places, or in none."""
    if not project.in_database:
        return []
    connection, here = team_connection(project), project.project_id
    if not yard_is_there(connection):
        return _lost_yard() if took_part(connection) else []
    blocks = set(project.read("blocks")["id"])
    found: list[Finding] = []

    def fault(row: str, problem: str, remedy: str) -> None:
        found.append(
            Finding(level="fault", about=f"block {row}", problem=problem, remedy=remedy, kind="stone", table="blocks", row=row)
        )  # fmt: skip

    names = names_of_members(connection)
    for stone in stones_in(connection):
        name, mine = stone.name_in(here), stone.project == here
        if name in blocks and not mine:
            where = (
                f"is promised to {names.get(stone.project, 'another project')}"
                if stone.project
                else "lies in the shared yard"
            )
            fault(name, f"is entered here and {where}: it would be used twice", "Decide who has the stone, and take the other entry out.")  # fmt: skip
        elif mine and name not in blocks:
            fault(name, f"is promised to this project by the shared yard as {stone.stone}, and not entered here", "Restore the project and the yard from one backup.")  # fmt: skip
    return [*found, *_copies(connection, here)]


def _lost_yard() -> list[Finding]:
    return [
        Finding(
            level="fault", about="shared yard", kind="stone",
            problem="the project took part in a shared yard that the database does not have, or not whole",
            remedy="Restore the whole database from a backup: stones and promises belong together.",
        )
    ]  # fmt: skip


def _copies(connection: Any, project_id: str) -> list[Finding]:
    """Other copies of the same project in the database: both would hold the same promises."""
    schemas = connection.execute(
        "SELECT quote_ident(nspname) FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace WHERE relname = 'facademap_schema' "
        "AND relkind = 'r' AND n.nspname <> current_schema() AND has_schema_privilege(n.oid, 'USAGE') "
        "AND has_table_privilege(c.oid, 'SELECT')"
    ).fetchall()
    return [
        Finding(
            level="fault", about="shared yard", kind="stone",
            problem=f"project {schema} of this database is a copy of this one: stone promised to one would be used in both",
            remedy="Go on with one of the two, and drop the schema of the other.",
        )
        for (schema,) in schemas
        if connection.execute(f"SELECT project FROM {schema}.facademap_schema").fetchone()[0] == project_id
    ]  # fmt: skip
