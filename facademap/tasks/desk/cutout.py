"""What follows when a cut-out is drawn or changed at the desk: its joints, its piece, its place on a block."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import geopandas as gpd
import shapely

from facademap.errors import StageError
from facademap.repair.adjust import NO_STONE, adjust_cut_out, can_be_adjusted
from facademap.repair.fixings import BEFORE
from facademap.repair.mixes import DEFAULT_MIX
from facademap.repair.pieces import is_inset
from facademap.repair.stonework import Stonework
from facademap.store.changes import outlines_near, rows_where
from facademap.store.edit import Edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.plan.densities import densities_of_project
from facademap.tasks.plan.plan import settings_of_project

__all__ = ["SHAPING", "follow_cut_out"]

#: Columns of a repair that its piece follows from.
SHAPING = frozenset({"geometry", "edges", "pins", "depth_m", "treatment", "wall_stone"})
_RESERVED = ("approved", "reserved", "sawn")
#: What people and the matching set on a piece stays when it is designed again.
_KEPT = ("accept", "weathered", "lab", "appearance", "de_tolerance", "lock_block", "forbid_blocks")


def follow_cut_out(
    project: Project,
    edit: Edit,
    repair: str,
    *,
    before: Mapping[str, Any] | None,
    changed: frozenset[str],
) -> list[tuple[str, str]]:
    """Design the piece of a repair again after a person changed what it follows from.

    Parameters
    ----------
    before : mapping or None
        The repair as it was; ``None`` for a new one.
    changed : frozenset of str
        Columns that the person gave.

    Returns
    -------
    list of (table, id)
        Rows that changed with it.

    Raises
    ------
    StageError
        The repair is past its design, or its piece is promised to a block.
    """
    row = project.row("repairs", repair)
    was_inset = before is not None and is_inset(before["treatment"])
    if (
        not changed & SHAPING
        or not (was_inset or is_inset(row["treatment"]))
        or (before is not None and not _differs(before, row))
    ):
        return []
    places = rows_where(project, "placements", "repair", repair)
    if before is not None and was_inset and not can_be_adjusted(before):
        raise StageError(
            f"{repair} is {before['stage']}: its cut-out is settled",
            "Take it back to proposed with a reason, then change it.",
        )
    promised = next((p for p in places if p["state"] in _RESERVED), None)
    if promised is not None:
        raise StageError(
            f"the piece of {repair} is {promised['state']} on block {promised['block']}",
            "Open that place again first.",
        )
    pieces = rows_where(project, "pieces", "repair", repair)
    touched: list[tuple[str, str]] = []
    for place in places:
        edit.delete("placements", place["id"])
        touched.append(("placements", place["id"]))
    if not is_inset(row["treatment"]):
        for piece in pieces:
            edit.delete("pieces", piece["id"])
            touched.append(("pieces", piece["id"]))
        return touched
    old = (
        {}
        if before is None or before.get("geometry") is None
        else {"edge_ring": shapely.get_coordinates(before["geometry"])[:-1].tolist()}
    )
    settings = settings_of_project(project)
    near = row["geometry"].buffer(settings.joint_search_m + 0.05).bounds
    surface = str(row["surface"])

    def around(table: str) -> list[dict[str, Any]]:
        return [
            project.row(table, id)
            for id, _ in outlines_near(project, table, surface=surface, box=near)
        ]

    stones = around("wall_stones")
    if not stones:
        return [*touched, *_without_stone(edit, repair, row, pieces)]
    openings = gpd.GeoDataFrame({"surface": [], "geometry": []}, geometry="geometry")
    if voids := around("openings"):
        openings = gpd.GeoDataFrame(voids, geometry="geometry")
    work = Stonework.from_frames(
        gpd.GeoDataFrame(stones, geometry="geometry"),
        openings,
        profiles=project.setting("profile_lines", {}) or {},
    )
    found = adjust_cut_out(
        {**row, **old},
        stonework=work,
        conditions=_conditions(around("conditions")),
        settings=settings,
        changed=changed if before is not None else changed | {"geometry"},
        fixing=project.setting("fixing", BEFORE),
        densities=densities_of_project(project),
        mix=(project.setting("mixes", {}) or {}).get(str(row["id"]))
        or project.setting("mix", None)
        or DEFAULT_MIX,
    )
    values = {k: v for k, v in found.repair.items() if k != "edge_ring"}
    note, said = _note(row, found.notes)
    materials = values.get("materials", row["materials"])
    if not is_missing(materials):
        values["materials"] = {**materials, "said": said}
    if note != (None if is_missing(row["note"]) else row["note"]) and "note" not in changed:
        values["note"] = note
    if values:
        edit.update("repairs", repair, values)
        touched.append(("repairs", repair))
    return [*touched, *_store_piece(edit, repair, pieces, found.piece)]


def _differs(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool:
    for name in SHAPING:
        a, b = before.get(name), after.get(name)
        if name == "geometry":
            if a is None or b is None or not a.equals_exact(b, 0.0):
                return True
        elif not (is_missing(a) and is_missing(b)) and (is_missing(a) or is_missing(b) or a != b):
            return True
    return False


def _conditions(rows: Iterable[Mapping[str, Any]]) -> list[tuple[str, Any, float | None]]:
    return [
        (str(r["id"]), r["geometry"], None if is_missing(r["depth_m"]) else float(r["depth_m"]))
        for r in rows
        if r["layer"] == "stone" and r["geometry"] is not None
    ]


def _note(row: Mapping[str, Any], notes: Iterable[str]) -> tuple[str | None, list[str]]:
    """The note of a repair: what a person wrote stays, what was said at the last change gives way to what is said now."""
    own = "" if is_missing(row["note"]) else str(row["note"])
    for sentence in (
        (row.get("materials") or {}) if not is_missing(row.get("materials")) else {}
    ).get("said", ()):
        own = own.replace(sentence, "")
    own = " ".join(own.replace(NO_STONE, "").split())
    said = [n for n in notes if n not in own]
    return " ".join([own, *said]).strip() or None, said


def _without_stone(
    edit: Edit, repair: str, row: Mapping[str, Any], pieces: list[dict[str, Any]]
) -> list[tuple[str, str]]:
    """No stone is outlined there yet: the cut-out stays as drawn, and says so."""
    note, _ = _note(row, (NO_STONE,))
    if row["note"] != note:
        edit.update("repairs", repair, {"note": note})
    return [("repairs", repair), *_store_piece(edit, repair, pieces, None)]


def _store_piece(
    edit: Edit, repair: str, pieces: list[dict[str, Any]], piece: Mapping[str, Any] | None
) -> list[tuple[str, str]]:
    if piece is None:
        for old in pieces:
            edit.delete("pieces", old["id"])
        return [("pieces", str(old["id"])) for old in pieces]
    if pieces:
        old = pieces[0]
        kept = {k: old[k] for k in _KEPT if not is_missing(old[k])}
        edit.update(
            "pieces",
            old["id"],
            {
                **{k: v for k, v in piece.items() if k != "id"},
                **kept,
                "unmatched_reason": None,
                "source_size": None,
            },
        )
        return [("pieces", str(old["id"]))]
    edit.insert("pieces", [dict(piece)])
    return [("pieces", str(piece["id"]))]
