"""Stones that several projects of a database share: offered, promised to one of them, given back.

Each act is part of one edit of a project, so that the promise and the block are there together or not at all. Who asks for
stones locks their rows in the order of their names; a second one waits for the first, and then sees what it did.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from facademap.errors import InputError, InUseError, ProjectError
from facademap.store.edit import Edit, row_as_json, row_from_json
from facademap.store.gate import consequences_of, take_out
from facademap.store.project import Project
from facademap.store.shared_yard_schema import YARD, YARD_TABLES, make_yard, yard_is_there
from facademap.store.team import TeamConnection
from facademap.tables import TABLES

__all__ = [
    "RULES",
    "Member",
    "Rule",
    "Stone",
    "hold_stones",
    "join_yard",
    "member_of",
    "moves_of",
    "offer",
    "reserve",
    "return_stones",
    "set_yard_rights",
    "stones_in",
]

Rule = Literal["first", "only", "any"]
#: Whose stone a project takes: that of its own building first, that alone, or any.
RULES: tuple[Rule, ...] = ("first", "only", "any")
#: What of a block and a face names rows that another project does not have.
_OF_HOME = {
    "blocks": ("parent", "after_repair"),
    "faces": ("photo", "photo_matrix"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A project that takes part, with its settings of the yard.

    Parameters
    ----------
    project : str
        Name of the project that no other has.
    schema_name, name, building : str
        What it is called in the database and by people, and which building it is about.
    lon, lat : float, optional
        Where the building stands, degrees (WGS 84).
    rule : str
        One of :data:`RULES`.
    most_km : float, optional
        Stone that lies farther away is not offered to it.
    detour : float
        Length of a way by road over the distance as the crow flies.
    haul_kg_per_tkm : float
        A tonne hauled over a kilometre counts as much as so many kilogrammes more to handle.
    """

    project: str
    schema_name: str
    name: str
    building: str
    lon: float | None = None
    lat: float | None = None
    rule: Rule = "first"
    most_km: float | None = None
    detour: float = 1.3
    haul_kg_per_tkm: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stone:
    """A stone that was offered, and who has it.

    Parameters
    ----------
    stone, origin, origin_block, prefix, building : str
        Its name in the yard; the project that offered it, its name there, and what tells its names from others; its building.
    lon, lat : float, optional
        Where it lies.
    building_only : bool
        Whether only a project of its building may have it.
    building_until : str, optional
        Day up to which that holds for a stone that others may have later.
    block : mapping
        Its row.
    faces : sequence of mapping
        Their rows.
    project, block_there, who, at : str, optional
        To whom it is promised, as what, by whom and when.
    """

    stone: str
    origin: str
    origin_block: str
    prefix: str
    building: str
    lon: float | None
    lat: float | None
    building_only: bool
    building_until: str | None
    block: Mapping[str, Any]
    faces: Sequence[Mapping[str, Any]]
    project: str | None
    block_there: str | None
    who: str | None
    at: str | None

    def name_in(self, project: str) -> str:
        """What it is called in a project."""
        return self.origin_block if project == self.origin else self.stone

    def rows_for(self, project: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        """Block and faces as a project enters them, without names of rows that only its home has."""
        home = project == self.origin
        block = {**self.block, "id": self.name_in(project), "state": "available"}
        faces = [
            {**f, "id": f["id"] if home else self.prefix + f["id"], "block": block["id"]}
            for f in self.faces
        ]
        if not home:
            block |= dict.fromkeys(_OF_HOME["blocks"])
            faces = [{**f, **dict.fromkeys(_OF_HOME["faces"])} for f in faces]
        return block, faces


_STONE = (
    "SELECT s.stone, s.origin, s.origin_block, s.prefix, s.building, s.lon, s.lat, s.building_only, s.building_until, s.block, "
    f"s.faces, p.project, p.block, p.who, p.at FROM {YARD}.stones s LEFT JOIN {YARD}.promises p ON p.stone = s.stone"
)


def _stone(row: Sequence[Any]) -> Stone:
    names = Stone.__dataclass_fields__
    told = dict(zip(names, row, strict=True))
    return Stone(**{**told, "block": json.loads(told["block"]), "faces": json.loads(told["faces"])})


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def team_connection(project: Project) -> TeamConnection:
    """The connection of a project that lies in a database.

    Raises
    ------
    InputError
        It lies in a file.
    """
    connection: Any = project._connection
    if not isinstance(connection, TeamConnection):
        raise InputError(
            f"{project.folder}: lies in a file, and a yard is shared by projects of one database",
            "Copy it into the database first: facademap copy FOLDER postgresql://...",
        )
    return connection


def join_yard(project: Project, member: Member) -> None:
    """Let a project take part in the yard of its database, or change its settings there; the first one makes the yard.

    Raises
    ------
    InputError, ProjectError
        It lies in a file; the role may not make the yard.
    """
    connection = team_connection(project)
    fields = tuple(Member.__dataclass_fields__)
    changed = ", ".join(f"{n} = excluded.{n}" for n in fields[1:])
    connection.begin()
    try:
        make_yard(connection, project_id=project.project_id)
        connection.execute(
            f"INSERT INTO {YARD}.members ({', '.join(fields)}) VALUES ({', '.join('?' * len(fields))}) "
            f"ON CONFLICT (project) DO UPDATE SET {changed}",
            [getattr(member, n) for n in fields],
        )
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def member_of(project: Project) -> Member:
    """The settings of a project that takes part.

    Raises
    ------
    ProjectError
        It does not.
    """
    connection = team_connection(project)
    fields = tuple(Member.__dataclass_fields__)
    found = (
        connection.execute(
            f"SELECT {', '.join(fields)} FROM {YARD}.members WHERE project = ?",
            (project.project_id,),
        ).fetchone()
        if yard_is_there(connection)
        else None
    )
    if found is None:
        raise ProjectError(
            f"{project.setting('name', project.folder.name)}: takes no part in a shared yard",
            "Let its owner run facademap shared-yard join.",
        )
    return Member(**dict(zip(fields, found, strict=True)))


def names_of_members(connection: TeamConnection) -> dict[str, str]:
    """Campaigns that take part, by the inner name of their project."""
    return dict(connection.execute(f"SELECT project, name FROM {YARD}.members").fetchall())


def stones_in(connection: TeamConnection) -> list[Stone]:
    """Every stone that was offered, in the order of names."""
    return [_stone(row) for row in connection.execute(f"{_STONE} ORDER BY s.stone").fetchall()]


def moves_of(connection: TeamConnection, stone: str) -> list[tuple[str, str, str, str]]:
    """What became of a stone: what, project, who and when, oldest first."""
    rows = connection.execute(
        f"SELECT what, project, who, at FROM {YARD}.moves WHERE stone = ? ORDER BY seq", (stone,)
    )
    return list(rows.fetchall())


def hold_stones(project: Project, names: Iterable[str]) -> None:
    """Let nobody else reserve these stones until the transaction ends that is open."""
    _locked(team_connection(project), "stone", names)


def _locked(connection: TeamConnection, column: str, names: Iterable[str]) -> list[Stone]:
    """Stones by name, their rows locked until the edit ends. Always in one order, so that two never wait for each other."""
    wanted = sorted(set(names))
    rows = connection.execute(
        f"SELECT stone FROM {YARD}.stones WHERE {column} IN {connection.dialect.among} ORDER BY stone FOR UPDATE",
        (json.dumps(wanted),),
    ).fetchall()
    # read anew: what was seen before the lock may have changed while it was waited for
    found = [connection.execute(f"{_STONE} WHERE s.stone = ?", row).fetchone() for row in rows]
    return [_stone(row) for row in found]


def _moved(connection: TeamConnection, stone: str, what: str, project: str, who: str) -> None:
    connection.execute(
        f"INSERT INTO {YARD}.moves (stone, what, project, who, at) VALUES (?, ?, ?, ?, ?)",
        (stone, what, project, who, _now()),
    )


def offer(edit: Edit, project: Project, stone: Stone, *, who: str) -> None:
    """Move a block of a project into the yard: it leaves the project within the edit that is open.

    Raises
    ------
    StageError
        A piece is planned from it.
    """
    connection = team_connection(project)
    connection.execute(
        f"INSERT INTO {YARD}.stones (stone, origin, origin_block, prefix, building, lon, lat, building_only, building_until, "
        "block, faces, offered_by, offered_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            stone.stone, stone.origin, stone.origin_block, stone.prefix, stone.building, stone.lon, stone.lat,
            stone.building_only, stone.building_until, json.dumps(stone.block), json.dumps(stone.faces), who, _now(),
        ),
    )  # fmt: skip
    _moved(connection, stone.stone, "offered", stone.origin, who)
    _take_out(edit, project, stone.origin_block)


def _take_out(edit: Edit, project: Project, block: str) -> None:
    faces = project.read("faces", where={"block": block})["id"]
    places = [*(("faces", f) for f in faces), ("blocks", block)]
    take_out(edit, project, consequences_of(project, places))


def reserve(
    edit: Edit, project: Project, names: Sequence[str], *, who: str, may: Any
) -> list[Stone]:
    """Promise stones to a project and enter them there, all or none, within the edit that is open.

    Parameters
    ----------
    names : sequence of str
        Of the yard.
    may : callable
        Told a stone that is free; raises what forbids it.

    Raises
    ------
    InputError, InUseError
        There is no such stone; it is promised already.
    """
    connection, here = team_connection(project), project.project_id
    found = _locked(connection, "stone", names)
    if missing := sorted(set(names) - {s.stone for s in found}):
        raise InputError(
            f"the shared yard has no stone {missing[0]!r}",
            "See its stones with facademap shared-yard list.",
        )
    for stone in found:
        if stone.project is not None:
            holder = names_of_members(connection).get(stone.project, "another project")
            raise InUseError(
                f"stone {stone.stone} is promised to {holder} since {stone.at} (by {stone.who})",
                "Choose another, or ask them to give it back.",
            )
        may(stone)
        block, faces = stone.rows_for(here)
        connection.execute(
            f"INSERT INTO {YARD}.promises (stone, project, block, who, at) VALUES (?, ?, ?, ?, ?)",
            (stone.stone, here, block["id"], who, _now()),
        )
        _moved(connection, stone.stone, "promised", here, who)
        edit.apply("blocks", block["id"], block)
        for face in faces:
            edit.apply("faces", face["id"], face)
    return found


def return_stones(
    edit: Edit,
    project: Project,
    blocks: Sequence[str],
    *,
    who: str,
    place: tuple[float, float] | None,
) -> list[Stone]:
    """Give promised stones back with what was found out about them, within the edit that is open.

    Parameters
    ----------
    blocks : sequence of str
        What they are called in the project.
    place : (lon, lat), optional
        Where they lie now; where they lay when it is not given.

    Raises
    ------
    InputError, StageError
        It is no stone of the yard; it was sawn, or a piece is planned from it.
    """
    connection, here = team_connection(project), project.project_id
    held = dict(
        connection.execute(
            f"SELECT block, stone FROM {YARD}.promises WHERE project = ?", (here,)
        ).fetchall()
    )
    if strange := [b for b in blocks if b not in held]:
        raise InputError(
            f"block {strange[0]!r} was not promised to this project by the shared yard",
            "Blocks of the project itself go there with facademap shared-yard offer.",
        )
    found = _locked(connection, "stone", [held[b] for b in blocks])
    for stone in found:
        name = stone.name_in(here)
        row = project.row("blocks", name)
        if row["state"] != "available":
            raise InUseError(
                f"block {name} is {row['state']} and cannot be given back",
                "What sawing left of it can be offered as stones of their own.",
            )
        block, faces = rows_to_keep(project, name, was=stone)
        lon, lat = place or (stone.lon, stone.lat)
        connection.execute(
            f"UPDATE {YARD}.stones SET block = ?, faces = ?, lon = ?, lat = ? WHERE stone = ?",
            (json.dumps(block), json.dumps(faces), lon, lat, stone.stone),
        )
        connection.execute(f"DELETE FROM {YARD}.promises WHERE stone = ?", (stone.stone,))
        _moved(connection, stone.stone, "given back", here, who)
        _take_out(edit, project, name)
    return found


def rows_to_keep(
    project: Project, block: str, *, was: Stone | None = None
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Block and faces of a project as the yard keeps them, under the names of their home."""
    row = _plain("blocks", project.row("blocks", block))
    faces = [
        _plain("faces", project.row("faces", f))
        for f in project.read("faces", where={"block": block})["id"]
    ]
    if was is None or was.origin == project.project_id:
        return row, faces
    before = {f["id"]: f for f in was.faces}
    row |= {"id": was.origin_block, **{n: was.block.get(n) for n in _OF_HOME["blocks"]}}
    for face in faces:
        face["id"], face["block"] = face["id"].removeprefix(was.prefix), was.origin_block
        home = before.get(face["id"], {})
        face |= {n: home.get(n) for n in _OF_HOME["faces"]}
    return row, faces


def _plain(name: str, row: Mapping[str, Any]) -> dict[str, Any]:
    table = TABLES[name]
    plain: dict[str, Any] = json.loads(json.dumps(row_as_json(table, row)))
    row_from_json(table, plain)  # what could not be read back is not given away
    return plain


def set_yard_rights(project: Project, role: str, *, may: str) -> None:
    """Let a role of the database look at the yard, or take part with its projects, or neither.

    Raises
    ------
    InputError
        There is no such role, or no yard.
    ProjectError
        The caller does not own the yard.
    """
    connection = team_connection(project)
    member_of(project)
    found = connection.execute(
        "SELECT quote_ident(rolname) FROM pg_roles WHERE rolname = ?", (role,)
    ).fetchone()
    if found is None:
        raise InputError(f"there is no role {role!r}", "Make it with createuser first.")
    name, tables = found[0], ", ".join(f"{YARD}.{t}" for t in YARD_TABLES)
    statements = [f"REVOKE ALL ON {tables} FROM {name}", f"REVOKE ALL ON SCHEMA {YARD} FROM {name}"]
    if may != "nothing":
        statements += [
            f"GRANT USAGE ON SCHEMA {YARD} TO {name}",
            f"GRANT SELECT ON {tables} TO {name}",
        ]
    if may == "edit":
        statements += [
            f"GRANT INSERT, UPDATE ON {YARD}.stones TO {name}",
            f"GRANT INSERT, DELETE ON {YARD}.promises TO {name}",
            f"GRANT INSERT ON {YARD}.moves TO {name}",
        ]
    connection.begin()
    try:
        for statement in statements:
            connection.execute(statement)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
