"""One gate for every change of the record: what depends on a row, what is settled, which names must exist.

The desk, the command line and other programs make their edits through :func:`gated_edit`, which looks at the whole
edit before it is stored; :func:`consequences_of` tells beforehand what a deletion takes along.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

from facademap.errors import InputError, StageError
from facademap.repair.settled import (
    is_settled,
    refuse_change,
    refuse_removal,
    refuse_size_of_piece,
    same_place,
)
from facademap.salvage.lineage import is_own_ancestor
from facademap.store.changes import contents_of, rows_naming, rows_where
from facademap.store.draft import store_drafted
from facademap.store.edit import Edit
from facademap.store.gate_cutouts import refuse_overlaps
from facademap.store.project import Project
from facademap.tables import TABLES, Column, is_missing

__all__ = [
    "BY_RECORD",
    "WHEN_GONE",
    "Consequences",
    "consequences_of",
    "gated_edit",
    "judge_edit",
    "judge_return",
    "names_of",
    "store_large",
    "take_out",
]

Row = Mapping[str, Any]
Place = tuple[str, str]
Done = TypeVar("Done")
Way = Literal["goes", "unlinked", "refused"]

#: What becomes of a row whose name in this column is deleted: it goes too, loses the name, or stands in the way.
WHEN_GONE: Mapping[tuple[str, str], Way] = {
    ("surfaces", "elevation"): "refused",
    ("photos", "surface"): "unlinked",
    ("control_points", "surface"): "refused",
    ("observations", "photo"): "goes",
    ("observations", "control_point"): "goes",
    ("wall_stones", "surface"): "refused",
    ("openings", "surface"): "refused",
    ("conditions", "surface"): "refused",
    ("conditions", "wall_stone"): "unlinked",
    ("conditions", "photo"): "unlinked",
    ("repairs", "surface"): "refused",
    ("repairs", "conditions"): "unlinked",
    ("repairs", "wall_stone"): "unlinked",
    ("pieces", "surface"): "refused",
    ("pieces", "repair"): "goes",
    ("pieces", "lock_block"): "unlinked",
    ("pieces", "forbid_blocks"): "unlinked",
    ("blocks", "after_repair"): "unlinked",
    ("blocks", "parent"): "unlinked",
    ("faces", "block"): "goes",
    ("faces", "photo"): "unlinked",
    ("placements", "plan"): "unlinked",
    ("placements", "repair"): "goes",
    ("placements", "piece"): "goes",
    ("placements", "block"): "goes",
    ("placements", "face"): "goes",
    ("work_log", "repair"): "refused",
    ("work_log", "photo"): "refused",
    ("work_log", "corrects"): "refused",
    ("trials", "wall_stone"): "unlinked",
    ("trials", "photo_before"): "refused",
    ("trials", "photo_after"): "refused",
    ("variations", "repair"): "refused",
    ("variations", "elevation"): "refused",
    ("consents", "repairs"): "unlinked",
    # without its surface it would be about the whole wall
    ("consents", "surfaces"): "refused",
    ("consents", "evidence_photo"): "refused",
    ("consents", "evidence_trial"): "refused",
    ("orders", "pieces"): "unlinked",
    ("orders", "sample_photo"): "refused",
    ("orders", "blocks"): "refused",
    ("gauges", "surface"): "refused",
    ("gauges", "condition"): "unlinked",
    ("gauge_readings", "gauge"): "goes",
    ("looks", "photo"): "unlinked",
}
#: Stone that exists only through another stone or repair goes with it.
_ONLY_THROUGH = frozenset({("blocks", "after_repair"), ("blocks", "parent")})


#: Columns that nobody types: they come from the record of the work.
BY_RECORD = frozenset({("repairs", "stage"), ("repairs", "measured")})


@dataclass(frozen=True, slots=True, kw_only=True)
class Consequences:
    """What deleting some rows would do.

    Parameters
    ----------
    deletes : tuple of (table, id)
        What was asked for.
    taken_out : tuple of (place, because)
        Rows that go too.
    unlinked : tuple of (place, column, because)
        Rows that stay and lose a name.
    kept : tuple of (place, because)
        Entries of a record that go on naming what is gone.
    refused : tuple of (place, problem, remedy)
        Why it cannot be done at all.
    """

    deletes: tuple[Place, ...]
    taken_out: tuple[tuple[Place, Place], ...] = ()
    unlinked: tuple[tuple[Place, str, Place], ...] = ()
    kept: tuple[tuple[Place, Place], ...] = ()
    refused: tuple[tuple[Place, str, str], ...] = ()

    @property
    def free(self) -> bool:
        """Whether nothing depends on any of it."""
        return not (self.taken_out or self.unlinked or self.kept or self.refused)

    @property
    def seal(self) -> str:
        """A word for exactly these consequences, to confirm them by."""
        parts = [
            sorted(self.deletes),
            sorted(self.taken_out),
            sorted(self.unlinked),
            sorted(self.kept),
        ]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]

    def sentences(self) -> tuple[str, ...]:
        """The consequences in words."""
        found = [
            _counted(n, t, "goes too", "go too")
            for t, n in Counter(t for (t, _), _ in self.taken_out).items()
        ]
        found += [
            _counted(n, t, f"loses its {_words(c)}", f"lose their {_words(c)}")
            for (t, c), n in Counter((t, c) for (t, _), c, _ in self.unlinked).items()
        ]
        found += [
            _counted(n, t, "stays and goes on naming it", "stay and go on naming it")
            for t, n in Counter(t for (t, _), _ in self.kept).items()
        ]
        return (*found, *(p for _, p, _ in self.refused))

    def as_json(self) -> dict[str, Any]:
        """As told to the desk and other programs."""
        ways = (
            ("taken_out", [t for (t, _), _ in self.taken_out]),
            ("unlinked", [t for (t, _), _, _ in self.unlinked]),
            ("kept", [t for (t, _), _ in self.kept]),
        )
        return {
            "free": self.free,
            "refused": [{**_at(p), "problem": w, "remedy": r} for p, w, r in self.refused],
            "taken_out": [{**_at(p), "because": _at(b)} for p, b in self.taken_out],
            "unlinked": [{**_at(p), "column": c, "because": _at(b)} for p, c, b in self.unlinked],
            "kept": [{**_at(p), "because": _at(b)} for p, b in self.kept],
            "counts": [
                {"what": way, "table": t, "n": n}
                for way, all_ in ways
                for t, n in Counter(all_).items()
            ],
            "text": list(self.sentences()),
            "seal": self.seal,
        }


def _at(place: Place) -> dict[str, str]:
    return {"table": place[0], "id": place[1]}


def _words(column: str) -> str:
    return column.removesuffix("s").replace("_", " ")


def _counted(n: int, table: str, one: str, many: str) -> str:
    noun = TABLES[table].title.lower()
    if n == 1:
        return f"1 {_SINGULAR.get(table, noun.removesuffix('s'))} {one}"
    return f"{n} {noun} {many}"


_SINGULAR = {"faces": "face of a block", "work_log": "entry of the work record"}


def consequences_of(project: Project, deletes: Sequence[Place]) -> Consequences:
    """Look at everything that names these rows, directly or through what goes with them; nothing is changed.

    Raises
    ------
    InputError
        One of the rows is not there.
    """
    asked = list(dict.fromkeys(deletes))
    gone: dict[Place, Place] = {}
    unlinked: dict[tuple[Place, str], Place] = {}
    kept: dict[Place, Place] = {}
    refused: dict[Place, tuple[str, str]] = {}
    queue = [(place, place) for place in asked]
    while queue:
        place, because = queue.pop()
        if place in gone:
            continue
        gone[place] = because
        row = project.row(*place)
        try:
            refuse_removal(place[0], row, **_around(project, place[0], row))
        except StageError as error:
            refused[place] = (error.problem, error.remedy)
        for table, column in _columns_naming(place[0]):
            for other in rows_naming(project, table, column.name, place[1], many=column.many):
                at = (table, str(other["id"]))
                way, why = _way_of(table, column, other)
                if at in asked or at in gone:
                    continue
                if way == "goes":
                    queue.append((at, place))
                elif way == "unlinked":
                    unlinked[(at, column.name)] = place
                elif at not in refused:
                    refused[at] = (f"{at[1]} {why} {place[1]}", _REMEDY_IN_USE)
        for review in _reviews_of(project, place):
            kept[("reviews", review)] = place
    return Consequences(
        deletes=tuple(asked),
        taken_out=tuple((p, b) for p, b in gone.items() if p not in asked),
        unlinked=tuple((p, c, b) for (p, c), b in unlinked.items() if p not in gone),
        kept=tuple(kept.items()),
        refused=tuple((p, w, r) for p, (w, r) in refused.items()),
    )


_REMEDY_IN_USE = "Take back or delete what depends on it first."


def _way_of(table: str, column: Column, row: Row) -> tuple[Way, str]:
    way = WHEN_GONE[(table, column.name)]
    if (table, column.name) in _ONLY_THROUGH and str(row["state"]) == "future":
        return "goes", ""
    if table == "repairs" and way == "unlinked" and is_settled(row):
        return "refused", f"is {row['stage']} and rests on"
    return (
        way,
        "shows or names"
        if table in ("work_log", "trials", "variations", "consents", "orders")
        else "lies on"
        if column.name == "surface"
        else "names",
    )


def _columns_naming(target: str) -> Iterator[tuple[str, Column]]:
    for table in TABLES.values():
        for column in table.columns:
            if column.refers == target:
                yield table.name, column


def _reviews_of(project: Project, place: Place) -> list[str]:
    return [
        str(r["id"])
        for r in rows_where(project, "reviews", "about", place[1])
        if r["about_table"] == place[0]
    ]


def _around(project: Project, table: str, row: Row) -> dict[str, Any]:
    """What a row of the plan is judged with: the record of a repair, the repair of a placement."""
    if table == "repairs":
        return {"log": rows_where(project, "work_log", "repair", str(row["id"]))}
    if table in ("placements", "pieces"):
        return {"repair": _row_or_none(project, "repairs", str(row["repair"]))}
    return {}


def _row_or_none(project: Project, table: str, id: str) -> dict[str, Any] | None:
    try:
        return project.row(table, id)
    except InputError:
        return None


def take_out(edit: Edit, project: Project, found: Consequences) -> list[Place]:
    """Carry out the consequences and the deletions themselves; returns the rows touched.

    Raises
    ------
    StageError
        Something stands in the way.
    """
    if found.refused:
        (_, problem, remedy), *more = found.refused
        raise StageError(problem + (f" (and {len(more)} more)" if more else ""), remedy)
    touched: list[Place] = []
    for (table, id), name, (_, gone) in found.unlinked:
        column = TABLES[table].column(name)
        left = [v for v in project.row(table, id)[name] if v != gone] if column.many else None
        edit.update(table, id, {name: left})
        touched.append((table, id))
    for table, id in [*reversed([p for p, _ in found.taken_out]), *found.deletes]:
        edit.delete(table, id)
        touched.append((table, id))
    return touched


@contextlib.contextmanager
def gated_edit(project: Project, *, who: str, what: str, apart: bool = False) -> Iterator[Edit]:
    """:meth:`Project.edit` that is judged as a whole before it is stored."""
    with project.edit(who=who, what=what, apart=apart) as edit:
        yield edit
        judge_edit(project, edit.txn)


def store_large(project: Project, body: Callable[[Edit], Done], *, who: str, what: str) -> Done:
    """:func:`gated_edit` of many rows, worked out apart so that others wait for the storing alone.

    Parameters
    ----------
    body : callable
        Makes the changes; it may be called again when others were quicker.
    """

    def work(apart: bool) -> Done:
        with gated_edit(project, who=who, what=what, apart=apart) as edit:
            return body(edit)

    return store_drafted(work)


def judge_edit(project: Project, txn: str, *, by_hand: bool = False) -> None:
    """Judge what an edit that is about to be stored has done, row by row; it is stored wholly or not at all.

    Parameters
    ----------
    txn : str
        Name of the edit; its changes are in the history already, and not yet committed.
    by_hand : bool
        Whether a person typed it.

    Raises
    ------
    StageError
        Something settled was changed or taken out, or a stage was typed over.
    InputError
        A name of something that is not there, a row that others still name was deleted, or a cut-out that was changed
        by hand takes the stone of another.
    """
    net: dict[Place, list[Any]] = {}
    for change, before, after in contents_of(project, txn):
        net.setdefault((change.table, change.id), [before, None])[1] = after
    given_back = {
        str(after["repair"])
        for (table, _), (_, after) in net.items()
        if table == "work_log" and after is not None and after["stage"] in ("proposed", "redo")
    }
    known: set[Place] = set()
    for (table, id), (before, after) in net.items():
        if after is None:
            if before is not None:
                _judge_removal(project, table, before, given_back)
            continue
        columns = [*TABLES[table].names, *(["geometry"] if TABLES[table].geometry else [])]
        changed = frozenset(
            n for n in columns if before is None or _plain(before.get(n)) != _plain(after.get(n))
        )
        around: dict[str, Any]
        if table in ("placements", "pieces") or (table == "repairs" and "stage" in changed):
            around = _around(project, table, after)
        elif table in ("faces", "blocks") and before is not None:
            around = {"places": rows_where(project, "placements", table.removesuffix("s"), id)}
        else:
            around = {}
        refuse_change(table, id, before, after, changed=changed, by_hand=by_hand, **around)
        if by_hand and table == "pieces" and before is not None:
            cut_out = ("repairs", str(after["repair"]))
            refuse_size_of_piece(after, changed=changed, with_cut_out=cut_out in net)
        _need_names(project, table, id, after, changed, known)
        _need_kin(project, table, id, after, changed)
    if by_hand:
        refuse_overlaps(project, net)


def judge_return(project: Project, txn: str) -> None:
    """Judge rows that were set aside and are put back, damage and all: what can be read of them names what is there.

    Raises
    ------
    InputError
        A row names something that is gone since, or two rows no longer belong together.
    """
    for change, before, after in contents_of(project, txn):
        if before is None and after is not None:
            changed = frozenset(n for n, v in after.items() if not is_missing(v))
            _need_names(project, change.table, change.id, after, changed, set())
            _need_kin(project, change.table, change.id, after, changed)


def names_of(project: Project, place: Place) -> list[tuple[Place, str]]:
    """The rows that name a row, each with the column."""
    return [
        ((table, str(other["id"])), column.name)
        for table, column in _columns_naming(place[0])
        for other in rows_naming(project, table, column.name, place[1], many=column.many)
    ]


def _plain(value: Any) -> Any:
    return None if is_missing(value) else value


def _judge_removal(project: Project, table: str, row: Row, given_back: Set[str]) -> None:
    """``given_back``: repairs that the record sends back in the same edit; places that are not sawn go with that."""
    id = str(row["id"])
    carried = table == "placements" and any(
        same_place(row, p) and p["state"] == row["state"]
        for p in rows_where(project, "placements", "repair", str(row["repair"]))
    )
    returned = table == "placements" and row["state"] != "sawn" and row["repair"] in given_back
    if not carried and not returned:
        refuse_removal(table, row, **_around(project, table, row))
    for other, column in _columns_naming(table):
        for row in rows_naming(project, other, column.name, id, many=column.many):
            raise InputError(
                f"{TABLES[other].title.lower()}: {row['id']} still names {id} as its {_words(column.name)}",
                "Take that name out, or delete that row as well.",
            )


#: A place holds a piece of its own repair, on a face of its own block.
_KIN = (("piece", "pieces", "repair"), ("face", "faces", "block"))


def _need_kin(project: Project, table: str, id: str, row: Row, changed: Set[str]) -> None:
    if table == "blocks" and "parent" in changed:
        _need_parent(project, id, row)
    if table == "placements" and "piece" in changed:
        for lies in rows_where(project, "placements", "piece", str(row["piece"])):
            if lies["id"] != id:
                raise InputError(
                    f"placement {id}: piece {row['piece']} lies on block {lies['block']} already",
                    f"Change or delete {lies['id']} instead.",
                )
    for own, other, shared in _KIN:
        if table == "placements" and changed & {own, shared}:
            places: Sequence[Row] = [row]
        elif table == other and shared in changed:
            places = rows_where(project, "placements", own, id)
        else:
            continue
        for place in places:
            told = _row_or_none(project, other, str(place[own]))
            if told is not None and told[shared] != place[shared]:
                raise InputError(
                    f"placement {place['id']}: its {own} {place[own]} is of {told[shared]}, not of {place[shared]}",
                    f"Name a {own} of {place[shared]}, or delete the place.",
                )


def _need_parent(project: Project, id: str, row: Row) -> None:
    def parent_of(name: str) -> str | None:
        found = row if name == id else _row_or_none(project, "blocks", name)
        return None if found is None or is_missing(found["parent"]) else str(found["parent"])

    if is_own_ancestor(id, parent_of):
        raise InputError(
            f"block {id} would be cut from itself ({row['parent']})",
            "Name the block it was cut from, or none.",
        )


def _need_names(
    project: Project, table: str, id: str, row: Row, changed: frozenset[str], known: set[Place]
) -> None:
    """``known``: rows that were found to be there; the rows of one edit mostly name the same few."""
    if table == "reviews" and "about" in changed:
        _need_subject(project, row)
    for column in TABLES[table].columns:
        for name in column.names(row.get(column.name)) if column.name in changed else ():
            if (column.refers, name) in known:
                continue
            if _row_or_none(project, column.refers, name) is not None:
                known.add((column.refers, name))
            else:
                raise InputError(
                    f"{TABLES[table].title.lower()}: {id} names {name} as its {_words(column.name)}, "
                    f"which is not among the {TABLES[column.refers].title.lower()}",
                    "Correct the name, or add what it names first.",
                )


def _need_subject(project: Project, review: Row) -> None:
    """A review outlives what it is about, but it must once have been there."""
    table, about = str(review["about_table"]), str(review["about"])
    if _row_or_none(project, table, about) is None and not len(
        project.history(table, about, last=1)
    ):
        raise InputError(
            f"review {review['id']} is about {about}, which never was in {table}",
            "Name what is reviewed as the project names it.",
        )
