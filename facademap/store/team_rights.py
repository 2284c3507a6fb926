"""What the roles of a database may do with a project: look, work in it, or neither."""

from __future__ import annotations

from typing import Any, Literal

from facademap.errors import InputError, ProjectError
from facademap.store.dialect_postgis import LAYER_FUNCTION, LOOKERS, POSTGIS
from facademap.store.project import Project
from facademap.store.team import TeamConnection
from facademap.store.team_schema import granted_roles
from facademap.tables import TABLES

__all__ = ["MAY", "May", "rights_of", "set_rights"]

May = Literal["nothing", "layers", "read", "edit"]
#: ``layers``: what is drawn on each surface, for a GIS, and neither settings, names of people nor the history.
MAY: tuple[May, ...] = ("nothing", "layers", "read", "edit")


def _team(project: Project) -> TeamConnection:
    connection: Any = project._connection
    if not isinstance(connection, TeamConnection):
        raise InputError(
            f"{project.folder}: lies in a file, which knows no roles",
            "Set the permissions of its folder, or copy it into a database.",
        )
    return connection


def set_rights(project: Project, role: str, may: May) -> None:
    """Give a role of the database its right in a project, instead of whatever it had there.

    Raises
    ------
    InputError
        The project lies in a file, or there is no such role.
    ProjectError
        The caller does not own the project, or the role does.
    """
    connection = _team(project)
    schema = f'"{connection.address.project}"'
    found = connection.execute(
        "SELECT quote_ident(rolname), rolname = (SELECT pg_get_userbyid(nspowner)::text FROM pg_namespace WHERE nspname = ?) "
        "FROM pg_roles WHERE rolname = ?",
        (connection.address.project, role),
    ).fetchone()
    if found is None:
        raise InputError(f"there is no role {role!r}", "Make it with createuser first.")
    name, owns = found
    if owns:
        raise ProjectError(f"{role} owns the project", "Its owner may do everything.")
    connection.begin()
    try:
        for statement in [*_taken(schema, name), *_given(schema, name, may)]:
            connection.execute(statement)
        _show_layers(connection, role, name, shown=may == "layers")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _taken(schema: str, name: str) -> list[str]:
    return [
        f"REVOKE ALL ON ALL TABLES IN SCHEMA {schema} FROM {name}",
        f"REVOKE ALL ON ALL FUNCTIONS IN SCHEMA {schema} FROM {name}",
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA {schema} REVOKE ALL ON TABLES FROM {name}",
        f"REVOKE ALL ON SCHEMA {schema} FROM {name}",
    ]


def _given(schema: str, name: str, may: May) -> list[str]:
    if may in ("nothing", "layers"):
        return []
    given = [
        f"GRANT USAGE ON SCHEMA {schema} TO {name}",
        f"GRANT SELECT ON ALL TABLES IN SCHEMA {schema} TO {name}",
        # layers of surfaces that are made later
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA {schema} GRANT SELECT ON TABLES TO {name}",
    ]
    if may == "edit":
        tables = ", ".join(f'{schema}."{t}"' for t in (*TABLES, "facademap_numbers"))
        given += [
            f"GRANT INSERT, UPDATE, DELETE ON {tables} TO {name}",
            f"GRANT INSERT, UPDATE ON {schema}.facademap_set_aside TO {name}",
            f"GRANT INSERT ON {schema}.edit_log TO {name}",
            f"GRANT EXECUTE ON FUNCTION {schema}.facademap_layer TO {name}",
        ]
    return given


def _show_layers(connection: TeamConnection, role: str, name: str, *, shown: bool) -> None:
    """Show a role the layers that there are and those to come, or no more of them."""
    schema = f'"{connection.address.project}"'
    # a project that was made before knows neither the list nor the function that heeds it
    connection.execute(LOOKERS)
    connection.execute(LAYER_FUNCTION)
    connection.execute(f"ALTER FUNCTION facademap_layer SET search_path = {schema}, pg_temp")
    connection.execute("DELETE FROM facademap_lookers WHERE role = ?", (role,))
    if not shown:
        return
    connection.execute("INSERT INTO facademap_lookers VALUES (?)", (role,))
    connection.execute(f"GRANT USAGE ON SCHEMA {schema} TO {name}")
    layers = connection.execute(
        "SELECT quote_ident(relname) FROM pg_class WHERE relnamespace = current_schema()::regnamespace AND relkind = 'v'"
    ).fetchall()
    for (layer,) in layers:
        connection.execute(f"GRANT SELECT ON {schema}.{layer} TO {name}")


def rights_of(project: Project) -> dict[str, May]:
    """Roles that were given a right in a project, its owner left out."""
    connection = _team(project)
    found: dict[str, May] = {
        role: "edit" if edits else "read" for role, edits in granted_roles(connection).items()
    }
    if POSTGIS.columns_of(connection, "facademap_lookers"):
        lookers = connection.execute(
            "SELECT role FROM facademap_lookers JOIN pg_roles ON rolname = role ORDER BY 1"
        ).fetchall()
        found |= dict.fromkeys([role for (role,) in lookers], "layers")
    return found
