"""The tables of the shared yard of a database, and the triggers by which a project keeps to what the yard says.

A stone has one row in ``stones`` and at most one in ``promises``, whose key is the stone: the database itself holds that
nothing is promised twice. A project that takes part gets a trigger on its blocks, so that no edit, and no undoing of one, brings in a
stone that it was not promised, or loses one that it was.
"""

from __future__ import annotations

import json
from typing import Any

__all__ = ["GUARD", "YARD", "YARD_TABLES", "make_yard", "took_part", "yard_is_there"]

#: Name of the schema; no project can have it.
YARD = "facademap_yard"
#: Name of the trigger on the blocks of a project that takes part.
GUARD = "facademap_yard_guard"
#: Our part of the numbers by which PostgreSQL names locks that programs agree on.
_LOCK = 0x464D5953
_TEXT = 'TEXT COLLATE "C"'

YARD_TABLES = ("members", "stones", "promises", "moves")
_TABLES = (
    f"""CREATE TABLE {YARD}.members (
  project {_TEXT} PRIMARY KEY, schema_name {_TEXT} NOT NULL, name TEXT NOT NULL, building TEXT NOT NULL,
  lon DOUBLE PRECISION CHECK (lon BETWEEN -180 AND 180), lat DOUBLE PRECISION CHECK (lat BETWEEN -90 AND 90),
  rule TEXT NOT NULL CHECK (rule IN ('first', 'only', 'any')), most_km DOUBLE PRECISION CHECK (most_km >= 0),
  detour DOUBLE PRECISION NOT NULL CHECK (detour BETWEEN 1 AND 10),
  haul_kg_per_tkm DOUBLE PRECISION NOT NULL CHECK (haul_kg_per_tkm BETWEEN 0 AND 1000))""",
    f"""CREATE TABLE {YARD}.stones (
  stone {_TEXT} PRIMARY KEY, origin {_TEXT} NOT NULL, origin_block {_TEXT} NOT NULL, prefix {_TEXT} NOT NULL,
  building TEXT NOT NULL, lon DOUBLE PRECISION CHECK (lon BETWEEN -180 AND 180),
  lat DOUBLE PRECISION CHECK (lat BETWEEN -90 AND 90), building_only BOOLEAN NOT NULL, building_until {_TEXT},
  block JSON NOT NULL, faces JSON NOT NULL, offered_by TEXT NOT NULL, offered_at TEXT NOT NULL,
  UNIQUE (origin, origin_block))""",
    f"""CREATE TABLE {YARD}.promises (
  stone {_TEXT} PRIMARY KEY REFERENCES {YARD}.stones, project {_TEXT} NOT NULL REFERENCES {YARD}.members,
  block {_TEXT} NOT NULL, who TEXT NOT NULL, at TEXT NOT NULL, UNIQUE (project, block))""",
    f"""CREATE TABLE {YARD}.moves (
  seq BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, stone {_TEXT} NOT NULL, what TEXT NOT NULL,
  project {_TEXT} NOT NULL, who TEXT NOT NULL, at TEXT NOT NULL)""",
)
_FUNCTION = f"""CREATE FUNCTION {YARD}.guard() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
SET search_path = {YARD}, pg_temp AS $$
DECLARE here text := TG_ARGV[0]; promised boolean;
BEGIN
  IF TG_OP = 'DELETE' THEN
    IF EXISTS (SELECT 1 FROM promises WHERE project = here AND block = OLD.id) THEN
      RAISE EXCEPTION 'block % is promised to this project by the shared yard', OLD.id
        USING HINT = 'Give it back with facademap shared-yard release.';
    END IF;
    RETURN OLD;
  END IF;
  SELECT bool_and(EXISTS (SELECT 1 FROM promises p WHERE p.stone = s.stone AND p.project = here AND p.block = NEW.id))
    INTO promised FROM stones s WHERE s.stone = NEW.id OR (s.origin = here AND s.origin_block = NEW.id);
  IF NOT promised THEN
    RAISE EXCEPTION 'block % lies in the shared yard, or is promised to another project', NEW.id
      USING HINT = 'Ask for it with facademap shared-yard reserve.';
  END IF;
  RETURN NEW;
END$$"""


def yard_is_there(connection: Any) -> bool:
    """Whether the database has a shared yard."""
    (found,) = connection.execute(
        "SELECT bool_and(to_regclass(t) IS NOT NULL) FROM json_array_elements_text(?::json) t",
        (json.dumps([f"{YARD}.{t}" for t in YARD_TABLES]),),
    ).fetchone()
    return bool(found)


def took_part(connection: Any) -> bool:
    """Whether the project of a connection keeps to what a yard says, whether that is there or not."""
    found = connection.execute(
        "SELECT 1 FROM pg_trigger WHERE tgname = ? AND tgrelid = '\"blocks\"'::regclass", (GUARD,)
    ).fetchone()
    return found is not None


def make_yard(connection: Any, *, project_id: str) -> None:
    """Make the yard where there is none, and put its trigger on the blocks of a project, within the transaction that is open."""
    connection.execute("SELECT pg_advisory_xact_lock(?)", (_LOCK,))
    if not yard_is_there(connection):
        for statement in (f"CREATE SCHEMA {YARD}", *_TABLES, _FUNCTION):
            connection.execute(statement)
    if not took_part(connection):
        (named,) = connection.execute("SELECT quote_literal(?)", (project_id,)).fetchone()
        connection.execute(
            f'CREATE TRIGGER {GUARD} BEFORE INSERT OR DELETE ON "blocks" FOR EACH ROW EXECUTE FUNCTION {YARD}.guard({named})'
        )
