"""What the roles of a database may do with a project: look, work in it, or neither; in all of it or on some elevations."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from facademap.errors import InputError, ProjectError
from facademap.store.dialect_postgis import POSTGIS, layer_name
from facademap.store.project import Project
from facademap.store.team import TeamConnection
from facademap.store.team_row_rules import keep_rules
from facademap.store.team_schema import granted_roles
from facademap.tables import TABLES

__all__ = ["MAY", "May", "elevations_of_roles", "rights_of", "set_rights"]

May = Literal["nothing", "layers", "read", "edit"]
#: ``layers``: what is drawn on each surface, for a GIS, and neither settings, names of people nor the history.
MAY: tuple[May, ...] = ("nothing", "layers", "read", "edit")
#: Tables of ours that whoever reads a project reads too.
_OWN = ("facademap_schema", "facademap_numbers", "edit_log", "facademap_set_aside")


def _team(project: Project) -> TeamConnection:
    connection: Any = project._connection
    if not isinstance(connection, TeamConnection):
        raise InputError(
            f"{project.folder}: lies in a file, which knows no roles",
            "Set the permissions of its folder, or copy it into a database.",
        )
    return connection


def set_rights(project: Project, role: str, may: May, *, elevations: Sequence[str] = ()) -> None:
    """Give a role of the database its right in a project, instead of whatever it had there.

    Parameters
    ----------
    project : Project
    role : str
    may : str
    elevations : sequence of str
        Those to which the role is limited; none for the whole project.

    Raises
    ------
    InputError
        The project lies in a file, or there is no such role or elevation.
    ProjectError
        The caller does not own the project, or the role does.
    """
    connection = _team(project)
    schema = f'"{connection.address.project}"'
    found = connection.execute(
        "SELECT quote_ident(rolname), rolname = (SELECT pg_get_userbyid(nspowner)::text FROM pg_namespace WHERE nspname = ?), "
        "rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = ?",
        (connection.address.project, role),
    ).fetchone()
    if found is None:
        raise InputError(f"there is no role {role!r}", "Make it with createuser first.")
    name, owns, passes = found
    if owns:
        raise ProjectError(f"{role} owns the project", "Its owner may do everything.")
    if may == "nothing" and elevations:
        raise InputError(
            "nothing is taken back by elevation",
            "Give --may read or edit with the elevations that are left, or --may nothing alone.",
        )
    if passes and elevations:
        raise InputError(
            f"{role} is a superuser or passes row security, and the database limits it to nothing",
            "Take that from it (ALTER ROLE ... NOSUPERUSER NOBYPASSRLS), or choose another role.",
        )
    if unknown := sorted(set(elevations) - set(project.read("elevations", columns=("id",))["id"])):
        raise InputError(
            f"there is no elevation {unknown[0]!r}", "See them in the table of elevations."
        )
    connection.begin()
    try:
        keep_rules(connection)
        whole = not elevations
        for statement in [*_taken(schema, name), *_given(schema, name, may, whole=whole)]:
            connection.execute(statement)
        connection.execute("DELETE FROM facademap_limits WHERE role = ?", (role,))
        for elevation in dict.fromkeys(elevations if may != "nothing" else ()):
            connection.execute("INSERT INTO facademap_limits VALUES (?, ?)", (role, elevation))
        shown = may == "layers" or (may != "nothing" and not whole)
        _show_layers(connection, role, name, shown=shown)
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


def _given(schema: str, name: str, may: May, *, whole: bool) -> list[str]:
    if may in ("nothing", "layers"):
        return []
    given = [f"GRANT USAGE ON SCHEMA {schema} TO {name}"]
    if whole:
        given += [
            f"GRANT SELECT ON ALL TABLES IN SCHEMA {schema} TO {name}",
            # layers of surfaces that are made later
            f"ALTER DEFAULT PRIVILEGES IN SCHEMA {schema} GRANT SELECT ON TABLES TO {name}",
        ]
    else:
        # a layer shows its rows whoever looks, so each is given by itself
        read = ", ".join(f'{schema}."{t}"' for t in (*TABLES, *_OWN))
        given.append(f"GRANT SELECT ON {read} TO {name}")
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
    """Show a role the layers that there are and those to come, or no more of them; of its elevations where it is limited."""
    schema = f'"{connection.address.project}"'
    connection.execute("DELETE FROM facademap_lookers WHERE role = ?", (role,))
    if not shown:
        return
    connection.execute("INSERT INTO facademap_lookers VALUES (?)", (role,))
    connection.execute(f"GRANT USAGE ON SCHEMA {schema} TO {name}")
    surfaces = connection.execute(
        "SELECT id FROM surfaces WHERE NOT EXISTS (SELECT 1 FROM facademap_limits WHERE role = ?) "
        "OR elevation IN (SELECT elevation FROM facademap_limits WHERE role = ?)",
        (role, role),
    ).fetchall()
    for (surface,) in surfaces:
        for table in TABLES.values():
            layer = layer_name(table, surface)
            if POSTGIS.columns_of(connection, layer):
                quoted = connection.execute("SELECT quote_ident(?)", (layer,)).fetchone()[0]
                connection.execute(f"GRANT SELECT ON {schema}.{quoted} TO {name}")


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
        for (role,) in lookers:
            found.setdefault(role, "layers")
    return found


def elevations_of_roles(project: Project) -> dict[str, list[str]]:
    """Elevations to which roles are limited; those that see the whole are left out."""
    connection = _team(project)
    if not POSTGIS.columns_of(connection, "facademap_limits"):
        return {}
    rows = connection.execute(
        "SELECT role, elevation FROM facademap_limits JOIN pg_roles ON rolname = role ORDER BY 1, 2"
    ).fetchall()
    found: dict[str, list[str]] = {}
    for role, elevation in rows:
        found.setdefault(role, []).append(elevation)
    return found
