"""The yard that several buildings of a database share: take part, offer stone, reserve it, give it back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from facademap.errors import InputError, StageError
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.store.shared_yard import (
    RULES,
    Member,
    Rule,
    Stone,
    join_yard,
    member_of,
    moves_of,
    names_of_members,
    offer,
    reserve,
    return_stones,
    rows_to_keep,
    set_yard_rights,
    stones_in,
    team_connection,
)
from facademap.store.shared_yard_schema import yard_is_there
from facademap.tables import is_missing
from facademap.tables.names import LONGEST_ID, id_fault

#: Setting with what a piece from stone of another building counts more, and what it counts where nothing is set: a tenth of an
#: unmatched piece, and more than any difference in looks, so that own stone comes first and no piece is given up for it.
PROVENANCE, PROVENANCE_WEIGHT, MOST_WEIGHT = "provenance_weight", 100.0, 1e6

__all__ = [
    "crow_km",
    "forbids",
    "give_back",
    "join_shared_yard",
    "list_shared_yard",
    "need_may_have",
    "offer_blocks",
    "provenance_weight",
    "reserve_stones",
    "rights_in_shared_yard",
    "road_km",
    "shared_stone_of",
]


def crow_km(here: tuple[float, float], there: tuple[float, float]) -> float:
    """Distance of two places along the ellipsoid WGS 84.

    Parameters
    ----------
    here, there : (lon, lat)
        Degrees.

    Returns
    -------
    float
        Kilometres.
    """
    from pyproj import Geod

    return float(Geod(ellps="WGS84").inv(*here, *there)[2]) / 1000.0


def road_km(stone: Stone, member: Member) -> float | None:
    """How far a stone would be hauled to a building: the distance as the crow flies, times the detour; none where it is not known."""
    if stone.lon is None or stone.lat is None or member.lon is None or member.lat is None:
        return None
    return crow_km((stone.lon, stone.lat), (member.lon, member.lat)) * member.detour


def forbids(stone: Stone, member: Member, *, today: dt.date | None = None) -> str:
    """Why a project may not have a stone that is free; empty where nothing forbids it."""
    day = (today or dt.date.today()).isoformat()
    if stone.building != member.building:
        if stone.building_only:
            until = stone.building_until
            if until is None:
                return f"is kept for {stone.building}"
            if day <= until:
                return f"is kept for {stone.building} until {until}"
        if member.rule == "only":
            return f"comes from {stone.building}, and this project takes stone of its own building only"
    km = road_km(stone, member)
    if member.most_km is not None and km is not None and km > member.most_km:
        return f"lies {km:.0f} km away by road, more than {member.most_km:g} km"
    return ""


def need_may_have(stone: Stone, member: Member) -> None:
    """Refuse a stone that a project may not have.

    Raises
    ------
    StageError
        A rule of the yard or of the project forbids it.
    """
    if why := forbids(stone, member):
        raise StageError(
            f"stone {stone.stone} {why}",
            "Choose another, or change the rule with facademap shared-yard join.",
        )


def provenance_weight(project: Project) -> float:
    """How much more a piece from stone of another building counts for a project whose own comes first, when several are matched.

    Raises
    ------
    InputError
        The setting holds no such number.
    """
    given = project.setting(PROVENANCE, PROVENANCE_WEIGHT)
    if isinstance(given, bool) or not isinstance(given, (int, float)):
        raise InputError(
            f"setting {PROVENANCE} is {given!r}", "Set it with facademap shared-yard join --weight."
        )
    return _within(float(given), 0, MOST_WEIGHT, "weight of provenance")


def join_shared_yard(
    folder: str | Path,
    *,
    building: str | None = None,
    place: tuple[float, float] | None = None,
    rule: str | None = None,
    most_km: float | None = None,
    detour: float | None = None,
    haul_kg_per_tkm: float | None = None,
    weight: float | None = None,
) -> dict[str, Any]:
    """Let a project take part in the shared yard of its database, or change its settings there.

    Parameters
    ----------
    folder : path
        Project in a database.
    building : str, optional
        What the building is called, the same in every campaign on it; the name of the campaign at first.
    place : (lon, lat), optional
        Where it stands, degrees.
    rule : str, optional
        ``first``: stone of another building only where none of its own will do; ``only``: never; ``any``: alike.
    most_km, detour, haul_kg_per_tkm : float, optional
        Farthest way; way by road over the distance as the crow flies; kilogrammes to handle that a tonne over a kilometre counts as.
        What is not given stays as it is.
    weight : float, optional
        How much more a piece from stone of another building counts where several are matched at once and the rule is ``first``.

    Returns
    -------
    dict
        The settings as they are now.
    """
    with Project.open(folder) as project:
        connection = team_connection(project)
        name = str(project.setting("name", project.folder.name))
        here = project.project_id
        takes_part = yard_is_there(connection) and here in names_of_members(connection)
        now = (
            member_of(project)
            if takes_part
            else Member(project=here, schema_name="", name=name, building=name)
        )
        if rule is not None and rule not in RULES:
            raise InputError(f"there is no rule {rule!r}", f"Use one of {', '.join(RULES)}.")
        lon, lat = _place(place) if place else (now.lon, now.lat)
        kept: Rule = next((r for r in RULES if r == rule), now.rule)
        member = Member(
            project=here,
            schema_name=connection.address.project,
            name=name,
            building=_named(building) if building is not None else now.building,
            lon=lon,
            lat=lat,
            rule=kept,
            most_km=now.most_km if most_km is None else _within(most_km, 0, 20_000, "farthest way"),
            detour=now.detour if detour is None else _within(detour, 1, 10, "detour"),
            haul_kg_per_tkm=now.haul_kg_per_tkm
            if haul_kg_per_tkm is None
            else _within(haul_kg_per_tkm, 0, 1000, "cost of hauling"),
        )
        if weight is not None:
            _within(weight, 0, MOST_WEIGHT, "weight of provenance")
        join_yard(project, member)
        if weight is not None:
            with gated_edit(project, who="yard", what="rules of provenance") as edit:
                edit.set(PROVENANCE, float(weight))
        counts = provenance_weight(project)
    told = {n: getattr(member, n) for n in Member.__dataclass_fields__}
    return {**{k: v for k, v in told.items() if k != "project"}, "provenance_weight": counts}


def _named(text: str) -> str:
    name = " ".join(text.split())
    if not name or len(name) > 200 or not name.isprintable():
        raise InputError("the name of the building is empty or too long", "Give up to 200 letters.")
    return name


def _within(value: float, low: float, high: float, what: str) -> float:
    if not low <= value <= high:
        raise InputError(f"{what}: {value:g} is none", f"Give a number from {low:g} to {high:g}.")
    return float(value)


def _place(place: tuple[float, float]) -> tuple[float, float]:
    lon, lat = place
    return _within(lon, -180, 180, "longitude"), _within(lat, -90, 90, "latitude")


def offer_blocks(
    folder: str | Path,
    blocks: Sequence[str],
    *,
    who: str,
    place: tuple[float, float] | None = None,
    building_only: bool = False,
    until: dt.date | None = None,
) -> dict[str, Any]:
    """Move blocks of a project into the shared yard, all or none.

    Parameters
    ----------
    blocks : sequence of str
        Blocks that are available.
    place : (lon, lat), optional
        Where they lie; at the building when it is not given.
    building_only : bool
        Whether only a project of their own building may have them, ``until`` a day where one is given.

    Returns
    -------
    dict
        ``stones``: their names in the yard.

    Raises
    ------
    StageError
        A piece is planned from one, or it was sawn or rejected.
    """
    names = list(dict.fromkeys(blocks))
    with Project.open(folder) as project:
        member = member_of(project)
        connection = team_connection(project)
        where = _place(place) if place else (member.lon, member.lat)
        with gated_edit(project, who=who, what="blocks into the shared yard") as edit:
            known = stones_in(connection)
            offered = []
            for name in names:
                stone = _offered(project, member, name, known, where, building_only, until)
                offer(edit, project, stone, who=who)
                offered.append(stone.stone)
    return {"stones": offered}


def _offered(
    project: Project,
    member: Member,
    name: str,
    known: Sequence[Stone],
    where: tuple[float | None, float | None],
    building_only: bool,
    until: dt.date | None,
) -> Stone:
    row = project.row("blocks", name)
    if row["state"] != "available" or row["acceptance"] == "rejected":
        why = "rejected" if row["acceptance"] == "rejected" else row["state"]
        raise StageError(f"block {name} is {why} and cannot be offered", "Offer what is available.")
    if any(s.project == member.project and s.name_in(member.project) == name for s in known):
        raise StageError(
            f"block {name} came from the shared yard",
            "Give it back with facademap shared-yard release.",
        )
    block, faces = rows_to_keep(project, name)
    prefix = f"{member.schema_name}."
    if any(id_fault(prefix + n) for n in (name, *(f["id"] for f in faces))):
        raise InputError(
            f"block {name}: its name is too long together with that of the project",
            f"Give it a shorter one; both together have {LONGEST_ID} letters.",
        )
    return Stone(
        stone=prefix + name,
        origin=member.project,
        origin_block=name,
        prefix=prefix,
        building=_building_of(row, project, member, known),
        lon=where[0],
        lat=where[1],
        building_only=building_only or until is not None,
        building_until=until.isoformat() if until else None,
        block=block,
        faces=faces,
        project=None,
        block_there=None,
        who=None,
        at=None,
    )


def _building_of(
    row: dict[str, Any], project: Project, member: Member, known: Sequence[Stone]
) -> str:
    """The building that a stone comes from: what is left of one that came from the yard is of that one's building."""
    came = {s.name_in(member.project): s.building for s in known if s.project == member.project}
    parents = {b["id"]: b["parent"] for b in project.read("blocks").to_dict("records")}
    name, seen = row["parent"], set()
    while not is_missing(name) and name not in seen:
        if name in came:
            return came[name]
        seen.add(name)
        name = parents.get(name)
    return member.building


def reserve_stones(folder: str | Path, stones: Sequence[str], *, who: str) -> dict[str, Any]:
    """Promise stones of the yard to a project and enter them among its blocks, all or none.

    Returns
    -------
    dict
        ``blocks``: their names in the project.

    Raises
    ------
    InUseError
        One is promised already.
    StageError
        A rule of the yard or of the project forbids one.
    """
    with Project.open(folder) as project:
        member = member_of(project)

        with gated_edit(project, who=who, what="blocks from the shared yard") as edit:
            found = reserve(
                edit,
                project,
                list(dict.fromkeys(stones)),
                who=who,
                may=lambda s: need_may_have(s, member),
            )
    return {"blocks": [s.name_in(member.project) for s in found]}


def give_back(
    folder: str | Path,
    blocks: Sequence[str],
    *,
    who: str,
    place: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """Give blocks that came from the yard back to it, with what was found out about them, all or none.

    Returns
    -------
    dict
        ``stones``: their names in the yard.
    """
    with Project.open(folder) as project:
        member_of(project)
        where = _place(place) if place else None
        with gated_edit(project, who=who, what="blocks back into the shared yard") as edit:
            names = list(dict.fromkeys(blocks))
            found = return_stones(edit, project, names, who=who, place=where)
    return {"stones": [s.stone for s in found]}


def list_shared_yard(folder: str | Path, *, stone: str | None = None) -> dict[str, Any]:
    """The stones of the yard as a project sees them: its own building's first where that is its rule, then the shortest haul.

    Returns
    -------
    dict
        ``stones``: name, stone type, building, weight, ``km`` by road, ``tonne_km``, ``promised_to``, ``since``, ``forbidden`` (why this
        project may not have it), ``accepted``. ``moves`` of one that is named.
    """
    with Project.open(folder, read_only=True) as project:
        member, connection = member_of(project), team_connection(project)
        names = names_of_members(connection)
        found = [shared_stone_of(s, member, names) for s in stones_in(connection)]
        if stone is not None and not any(s["stone"] == stone for s in found):
            raise InputError(
                f"the shared yard has no stone {stone!r}", "Leave the name out to see all."
            )
        found = [s for s in found if stone is None or s["stone"] == stone]
        moves = [
            {"what": what, "project": names.get(p, p), "who": who, "at": at}
            for what, p, who, at in (moves_of(connection, stone) if stone else ())
        ]
    unknown = float("inf")
    found.sort(
        key=lambda s: (
            s["promised_to"] != "",
            s["forbidden"] != "",
            member.rule != "any" and s["building"] != member.building,
            unknown if s["tonne_km"] is None else s["tonne_km"],
            s["stone"],
        )
    )
    return {"building": member.building, "rule": member.rule, "stones": found, "moves": moves}


def shared_stone_of(stone: Stone, member: Member, names: dict[str, str]) -> dict[str, Any]:
    """What a project is told of a stone of the yard."""
    km, kg = road_km(stone, member), stone.block.get("weight_kg")
    taken = stone.project is not None
    return {
        "stone": stone.stone,
        "stone_type": stone.block["stone_type"],
        "building": stone.building,
        "weight_kg": kg,
        "km": km,
        "tonne_km": None if km is None or kg is None else km * kg / 1000.0,
        "accepted": stone.block["acceptance"] == "accepted",
        "faces": len(stone.faces),
        "promised_to": names.get(stone.project or "", "another project") if taken else "",
        "since": stone.at or "",
        "forbidden": "" if taken else forbids(stone, member),
    }


def rights_in_shared_yard(folder: str | Path, *, role: str, may: str) -> None:
    """Let a role of the database look at the yard, or take part with the projects it may edit, or neither."""
    with Project.open(folder) as project:
        set_yard_rights(project, role, may=may)
