"""Which rows of a project a role of the database sees and changes, as PostgreSQL itself holds it (row security).

A role may be limited to some elevations: it sees rows of their surfaces, and of what hangs on those, and no others, by whatever
program it comes. A connection of the desk is limited the same way by a setting of its session, which can only narrow. What is
kept of secrets is seen by those alone who work in the whole project. The owner of the tables is not limited.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from typing import Any

from facademap.errors import ProjectError, RightsError
from facademap.store.styles import STYLES_EDITION
from facademap.store.team_styles import COPY_TO_LAYER, keep_styles
from facademap.tables.settings import SECRET_SETTINGS

__all__ = [
    "RULES",
    "is_limited",
    "keep_rules",
    "missing_rules",
    "narrow",
    "need_whole_edit",
    "refuse_part",
]

#: Elevations to which roles are limited; a role that is not named here is not.
_LIMITS = (
    'CREATE TABLE IF NOT EXISTS facademap_limits (role TEXT COLLATE "C" NOT NULL, elevation TEXT COLLATE "C" NOT NULL, '
    "PRIMARY KEY (role, elevation))"
)
#: Setting of a session that narrows it to some elevations, as a JSON list.
_ONLY = "facademap.elevations"

_Of = Callable[[str], str]


def _on_surface(of: _Of) -> str:
    return f'{of("surface")} IN (SELECT "id" FROM "surfaces")'


def _hangs_on(table: str, column: str) -> Callable[[_Of], str]:
    return lambda of: f'{of(column)} IN (SELECT "id" FROM "{table}")'


def _is_about(of: _Of) -> str:
    return " OR ".join(
        f'({of("about_table")} = \'{t}\' AND {of("about")} IN (SELECT "id" FROM "{t}"))'
        for t in ("conditions", "repairs")
    )


def _of_elevation(column: str) -> Callable[[_Of], str]:
    return lambda of: f"{of(column)} IN (SELECT facademap_seen(current_user))"


def _everybody(of: _Of) -> str:
    return "true"


def _nobody(of: _Of) -> str:
    return "false"


#: For whoever is limited to some elevations: the rows of each table that are seen, and those that are changed.
#: What rests on the whole project (plans, and where stone goes) is for those who see the whole: a part would be judged blindly.
RULES: dict[str, tuple[Callable[[_Of], str], Callable[[_Of], str]]] = {
    "settings": (_everybody, _nobody),
    "elevations": (_of_elevation("id"), _nobody),
    "surfaces": (_of_elevation("elevation"), _of_elevation("elevation")),
    **dict.fromkeys(
        ("control_points", "wall_stones", "openings", "conditions", "repairs", "pieces", "gauges"),
        (_on_surface, _on_surface),
    ),
    "photos": (lambda of: f'{_on_surface(of)} OR {of("id")} IN (SELECT "photo" FROM "faces")', _on_surface),
    "observations": (_hangs_on("photos", "photo"),) * 2,
    "work_log": (_hangs_on("repairs", "repair"),) * 2,
    "gauge_readings": (_hangs_on("gauges", "gauge"),) * 2,
    "reviews": (_is_about, _is_about),
    "looks": (_is_about, _is_about),
    "variations": (_hangs_on("repairs", "repair"),) * 2,
    "placements": (_hangs_on("repairs", "repair"), _nobody),
    "plans": (_nobody, _nobody),
    # stone and approvals are the whole campaign's: work on one elevation rests on them
    **dict.fromkeys(("blocks", "faces", "trials", "consents", "orders"), (_everybody, _nobody)),
}  # fmt: skip

_FUNCTIONS = (
    """CREATE OR REPLACE FUNCTION facademap_roles(who name) RETURNS SETOF text LANGUAGE sql STABLE SECURITY DEFINER AS $$
  SELECT l.role FROM facademap_limits l
  WHERE (pg_has_role(who, to_regrole(quote_ident(l.role)), 'MEMBER') OR pg_has_role(session_user, to_regrole(quote_ident(l.role)), 'MEMBER'))
    AND NOT pg_has_role(session_user, (SELECT relowner FROM pg_class WHERE oid = 'facademap_limits'::regclass), 'USAGE') $$""",
    # asked by every statement, so the quick answers come first
    f"""CREATE OR REPLACE FUNCTION facademap_limited(who name) RETURNS boolean LANGUAGE plpgsql STABLE SECURITY DEFINER AS $$ BEGIN
  IF coalesce(current_setting('{_ONLY}', true), '') <> '' THEN RETURN true; END IF;
  IF NOT EXISTS (SELECT 1 FROM facademap_limits) THEN RETURN false; END IF;
  RETURN EXISTS (SELECT 1 FROM facademap_roles(who));
END $$""",
    f"""CREATE OR REPLACE FUNCTION facademap_seen(who name) RETURNS SETOF text LANGUAGE sql STABLE SECURITY DEFINER AS $$
  SELECT "id" FROM "elevations"
  WHERE (coalesce(current_setting('{_ONLY}', true), '') = ''
      OR "id" IN (SELECT json_array_elements_text(nullif(current_setting('{_ONLY}', true), '')::json)))
    AND (NOT EXISTS (SELECT 1 FROM facademap_roles(who))
      OR "id" IN (SELECT elevation FROM facademap_limits WHERE role IN (SELECT facademap_roles(who)))) $$""",
    """CREATE OR REPLACE FUNCTION facademap_entries(of_txn text) RETURNS bigint LANGUAGE sql STABLE SECURITY DEFINER AS $$
  SELECT count(*) FROM edit_log WHERE txn = of_txn $$""",
)
#: Roles that see the layers of a project and nothing else of it; layers that are made later are shown to them too.
_LOOKERS = (
    'CREATE TABLE IF NOT EXISTS facademap_lookers (role TEXT COLLATE "C" NOT NULL PRIMARY KEY)'
)
# layers belong to the owner of the project, whoever adds the surface; the text of the layer is made here alone
_LAYER_FUNCTION = f"""CREATE OR REPLACE FUNCTION facademap_layer(layer text, of_table text, of_surface text, wanted boolean) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER AS $$
DECLARE place text := (SELECT nspname FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace
  WHERE p.oid = 'facademap_layer'::regproc); names text; looker text;
  on_side text := (SELECT elevation FROM surfaces WHERE id = of_surface);
BEGIN
  SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) INTO names FROM pg_attribute
    WHERE attrelid = to_regclass(format('%I.%I', place, of_table)) AND attnum > 0 AND NOT attisdropped AND attname <> 'rev';
  IF names IS NULL OR layer NOT LIKE of_table || ' of %' THEN RAISE EXCEPTION 'no layer of this project'; END IF;
  IF on_side IS NOT NULL AND facademap_limited(session_user) AND on_side NOT IN (SELECT facademap_seen(session_user)) THEN
    RAISE EXCEPTION 'no layer of an elevation of yours';
  END IF;
  EXECUTE format('DROP VIEW IF EXISTS %I.%I', place, layer);{COPY_TO_LAYER}
  IF NOT wanted THEN RETURN; END IF;
  EXECUTE format('CREATE VIEW %I.%I WITH (security_barrier) AS SELECT %s FROM %I.%I WHERE "surface" = %L',
    place, layer, names, place, of_table, of_surface);
  FOR looker IN SELECT rolname FROM facademap_lookers JOIN pg_roles ON rolname = role
    WHERE NOT EXISTS (SELECT 1 FROM facademap_limits l WHERE l.role = rolname)
      OR EXISTS (SELECT 1 FROM facademap_limits l WHERE l.role = rolname AND l.elevation = on_side) LOOP
    EXECUTE format('GRANT SELECT ON %I.%I TO %I', place, layer, looker);
  END LOOP;
END$$"""
#: A function of one's own in a question would otherwise be asked of the rows of other surfaces too.
_BARRIERS = """DO $barriers$ DECLARE layer text; BEGIN
  FOR layer IN SELECT relname FROM pg_class WHERE relkind = 'v' AND relnamespace = current_schema()::regnamespace AND relname LIKE '% of %' LOOP
    EXECUTE format('ALTER VIEW %I SET (security_barrier)', layer);
  END LOOP;
END $barriers$"""
_FREE = "NOT (SELECT facademap_limited(current_user))"
_SECRET = ", ".join(f"'{name}'" for name in sorted(SECRET_SETTINGS))
#: Whoever works in the whole project, such as the desk's server, needs what is kept of secrets.
_WORKS = f"({_FREE} AND (SELECT has_table_privilege(current_user, 'settings'::regclass, 'INSERT')))"


def _cell(name: str) -> str:
    return f'"{name}"'


def _history_function(name: str, at: int) -> str:
    """Entries of the history that somebody who is limited sees (0) or adds (1): before and after are both of a row of theirs."""
    cases = []
    for table, rule in RULES.items():
        sides = [
            f"({side} IS NULL OR {rule[at](lambda c, side=side: f'({side} ->> {c!r})')})"  # type: ignore[misc]
            for side in ("was", "now_is")
        ]
        cases.append(f"WHEN '{table}' THEN RETURN {' AND '.join(sides)};")
    # with the rights of whoever asks, whose rows the rules of the tables show
    return (
        f"CREATE OR REPLACE FUNCTION {name}(of_table text, was json, now_is json) RETURNS boolean LANGUAGE plpgsql STABLE AS $$ "
        f"BEGIN CASE of_table {' '.join(cases)} ELSE RETURN false; END CASE; END $$"
    )


#: Functions of their own, since a rule of so many cases would be planned anew for every statement.
_HISTORY = (_history_function("facademap_shows", 0), _history_function("facademap_takes", 1))


def _policies() -> list[tuple[str, str, str, str, str]]:
    """Table, name of the policy, its command, who sees what, who writes what; several of a table add up."""
    made = []
    for name, (sees, writes) in RULES.items():
        seen, written = f"{_FREE} OR ({sees(_cell)})", f"{_FREE} OR ({writes(_cell)})"
        if name == "settings":
            seen = f'"id" NOT IN ({_SECRET}) OR {_WORKS}'
        made.append((name, "facademap_sees", "SELECT", seen, ""))
        made += [(name, f"facademap_{c.lower()}s", c, written, written) for c in ("INSERT", "UPDATE", "DELETE")]  # fmt: skip
    hidden = f"(table_name = 'settings' AND row_id IN ({_SECRET}))"
    made.append(("edit_log", "facademap_sees", "SELECT", f"({_FREE} OR facademap_shows(table_name, before, after)) AND (NOT {hidden} OR {_WORKS})", ""))  # fmt: skip
    made.append(
        (
            "edit_log",
            "facademap_inserts",
            "INSERT",
            "",
            f"{_FREE} OR facademap_takes(table_name, before, after)",
        )
    )
    made.append(("facademap_set_aside", "facademap_sees", "SELECT", f"{_FREE} AND (NOT {hidden} OR {_WORKS})", ""))  # fmt: skip
    made += [("facademap_set_aside", f"facademap_{c.lower()}s", c, _FREE, _FREE) for c in ("INSERT", "UPDATE")]  # fmt: skip
    return made


def _statements() -> list[str]:
    made, tables = [], dict.fromkeys(p[0] for p in _policies())
    for table, policy, command, seen, written in _policies():
        # what is added has no row before, what is taken away none after
        using = f" USING ({seen})" if seen and command != "INSERT" else ""
        check = f" WITH CHECK ({written})" if written and command != "DELETE" else ""
        made.append(f'DROP POLICY IF EXISTS {policy} ON "{table}"')
        made.append(f'CREATE POLICY {policy} ON "{table}" FOR {command}{using}{check}')
    return [*made, *(f'ALTER TABLE "{t}" ENABLE ROW LEVEL SECURITY' for t in tables)]


def _mark(connection: Any) -> str:
    # styles name their database, and one that was restored may be called otherwise
    styles = f"{STYLES_EDITION} {connection.address.database}"
    text = "\n".join(
        (_LIMITS, *_FUNCTIONS, *_HISTORY, _LAYER_FUNCTION, _BARRIERS, *_statements(), styles)
    )
    return f"rules {hashlib.sha256(text.encode()).hexdigest()[:16]}"


def keep_rules(connection: Any) -> None:
    """Put the rules on the tables of a project, within the transaction that is open; its owner alone can."""
    connection.execute("SET LOCAL client_min_messages = warning")
    for statement in (_LIMITS, _LOOKERS, *_FUNCTIONS, *_HISTORY, _LAYER_FUNCTION):
        connection.execute(statement)
    schema = f'"{connection.address.project}"'
    for name in (
        "facademap_roles(name)",
        "facademap_limited(name)",
        "facademap_seen(name)",
        "facademap_entries(text)",
        "facademap_shows(text, json, json)",
        "facademap_takes(text, json, json)",
        "facademap_layer",
    ):
        connection.execute(f"ALTER FUNCTION {name} SET search_path = {schema}, pg_temp")
    connection.execute("REVOKE ALL ON FUNCTION facademap_layer FROM PUBLIC")
    keep_styles(connection)
    connection.execute(_BARRIERS)
    connection.execute("DO $rules$ BEGIN " + "; ".join(_statements()) + "; END $rules$")
    connection.execute(f"COMMENT ON FUNCTION facademap_limited(name) IS '{_mark(connection)}'")


def missing_rules(connection: Any) -> bool:
    """Whether the project of a connection lacks these rules, and the role of the connection could put them there."""
    owns, mark = connection.execute(
        "SELECT pg_has_role(nspowner, 'USAGE'), obj_description(to_regprocedure(quote_ident(nspname) || '.facademap_limited(name)')) "
        "FROM pg_namespace WHERE nspname = current_schema()"
    ).fetchone()
    return bool(owns) and mark != _mark(connection)


def is_limited(connection: Any) -> bool:
    """Whether the role of a connection sees a part of its project only."""
    there = connection.execute(
        "SELECT to_regprocedure(quote_ident(current_schema()) || '.facademap_limited(name)') IS NOT NULL"
    ).fetchone()[0]
    if not there:
        return False
    found = connection.execute(
        "SELECT row_security_active('surfaces') AND facademap_limited(current_user)"
    ).fetchone()
    return bool(found[0])


def narrow(connection: Any, elevations: tuple[str, ...]) -> None:
    """Limit a raw connection to some elevations until it ends.

    Raises
    ------
    RightsError
        The database does not limit the role of this connection, since it owns the project.
    """
    connection.execute("SELECT set_config(%s, %s, false)", (_ONLY, json.dumps(list(elevations))))
    if not connection.execute("SELECT row_security_active('surfaces')").fetchone()[0]:
        raise RightsError(
            "this server comes to the database as the owner of the project, whom the database limits to no elevation",
            "Let the server come as a role of its own that was given facademap rights --may edit.",
        )


def need_whole_edit(connection: Any, txn: str, seen: int) -> None:
    """Refuse to take back an edit of which only a part is seen.

    Raises
    ------
    RightsError
        The edit changed rows that the role does not see.
    """
    if is_limited(connection):
        (there,) = connection.execute("SELECT facademap_entries(?)", (txn,)).fetchone()
        if there != seen:
            raise RightsError(
                f"this edit changed {there - seen} rows more than your rights show you",
                "Let somebody take it back who may see the whole project.",
            )


def refuse_part(connection: Any) -> None:
    """Refuse work that would take a part of a project for the whole.

    Raises
    ------
    ProjectError
        The role sees some elevations only.
    """
    if is_limited(connection):
        raise ProjectError(
            "your rights show some elevations of this project, and this needs the whole",
            "Let somebody do it who may see the whole project.",
        )
