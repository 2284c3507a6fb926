"""What turns an edit back: a row each with what it expects to find, and whether an edit that was sent is just that."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from typing import Any, Protocol

import shapely

from facademap.store.changes import contents_of
from facademap.store.edit import row_from_json
from facademap.store.project import Project
from facademap.tables import TABLES, Table, is_missing

__all__ = ["Sent", "inverse_of", "row_for_desk", "takes_back"]

#: Rows that follow from one another: a piece from its cut-out, its place from both.
_TOGETHER = frozenset({"repairs", "pieces", "placements"})
#: Outlines reach the desk rounded; what is nearer than this is the same.
_ALIKE = 1e-5


class Sent(Protocol):
    """A change of a row as it was sent."""

    @property
    def op(self) -> str: ...
    @property
    def table(self) -> str: ...
    @property
    def id(self) -> str: ...
    @property
    def values(self) -> Mapping[str, Any]: ...


def takes_back(project: Project, changes: Iterable[Sent], undoes: str | None) -> bool:
    """Whether changes bring repairs, pieces and places back together as they were, and do nothing else with them.

    What is taken back comes back as it was. A part of it, or anything else sent under that name, is an edit like every other:
    what follows from it follows.
    """
    if undoes is None:
        return False
    wanted = {(c["table"], c["id"]): c for c in inverse_of(project, undoes)}
    wanted = {place: c for place, c in wanted.items() if place[0] in _TOGETHER}
    sent = {(c.table, c.id): c for c in changes if c.table in _TOGETHER}
    return wanted.keys() == sent.keys() and all(
        c["op"] == sent[place].op
        and (c["op"] == "delete" or _alike(c["values"], dict(sent[place].values)))
        for place, c in wanted.items()
    )


def _alike(one: Any, other: Any) -> bool:
    if isinstance(other, shapely.Geometry):
        other = json.loads(shapely.to_geojson(other))
    if isinstance(one, dict) and isinstance(other, dict):
        return all(_alike(one.get(k), other.get(k)) for k in one.keys() | other.keys())
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(_alike, one, other))
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=_ALIKE)
    return bool(one == other)


def inverse_of(project: Project, txn: str) -> list[dict[str, Any]]:
    """The changes that turn one edit back, a row each, with what they expect to find."""
    net: dict[tuple[str, str], list[Any]] = {}
    for change, before, after in contents_of(project, txn):
        found = net.setdefault((change.table, change.id), [before, after, change.rev])
        found[1:] = [after, change.rev]
    changes = []
    for (table, id), (before, after, rev) in reversed(net.items()):
        old, new = _plain(table, before), _plain(table, after)
        place = {"table": table, "id": id}
        if old is None and new is not None:
            changes.append(
                {
                    "op": "delete",
                    **place,
                    # what was empty too: a value that somebody else gave since is not lost
                    "expect": {k: v for k, v in new.items() if k != "id"},
                }
            )
        elif old is not None and new is None:
            changes.append({"op": "restore", **place, "values": old, "rev": rev})
        elif old is not None and new is not None:
            names = [n for n in new if n != "id" and old.get(n) != new.get(n)]
            if names:
                changes.append(
                    {
                        "op": "update",
                        **place,
                        "values": {n: old.get(n) for n in names},
                        "expect": {n: new[n] for n in names},
                    }
                )
    return changes


def _plain(table: str, stored: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """A row of the history as the desk knows rows."""
    if stored is None:
        return None
    contract = TABLES[table]
    whole = row_from_json(contract, stored)
    if contract.geometry and whole.get("geometry") is not None:
        whole["geometry"] = shapely.force_2d(whole["geometry"])
    plain: dict[str, Any] = json.loads(json.dumps(row_for_desk(contract, whole), default=str))
    return plain


def row_for_desk(table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
    """A row as plain JSON with its geometry as GeoJSON."""
    plain = {c.name: None if is_missing(row.get(c.name)) else row[c.name] for c in table.columns}
    if table.geometry:
        shape = row.get("geometry")
        plain["geometry"] = None if shape is None else json.loads(shapely.to_geojson(shape))
    return plain
