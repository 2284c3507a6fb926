"""What was done in a field copy, and the same done in the project that it came from."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from facademap.errors import FacademapError
from facademap.store.database import in_plain_words
from facademap.store.edit import Edit, read_entry, row_as_json, row_from_json
from facademap.store.gate import judge_edit
from facademap.store.part import Place
from facademap.store.project import Project
from facademap.tables import TABLES, Column
from facademap.tables.names import same_id, unique_id

__all__ = [
    "NEVER_RENAMED",
    "Names",
    "Row",
    "Step",
    "mark_of",
    "name_anew",
    "plain_row",
    "play",
    "put_columns",
    "renamed",
    "steps_after",
    "within",
]

#: Of which columns the name of a row is made.
_JOINED_FROM = {
    "control_points": ("surface", "name"),
    "observations": ("photo", "control_point"),
    "placements": ("plan", "repair"),
}
#: Rows of these are the same thing wherever they were entered; two of one name are never told apart by a new one.
NEVER_RENAMED = frozenset({"settings", "elevations", "surfaces", *_JOINED_FROM})
Row = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One change of a row in the field copy; rows as the history keeps them."""

    seq: int
    txn: str
    at: str
    who: str
    what: str
    table: str
    id: str
    before: Row | None
    after: Row | None

    @property
    def place(self) -> Place:
        """The row."""
        return self.table, self.id


@dataclass(slots=True)
class Names:
    """What rows that were made in the field are called in the project, where their own names were taken there."""

    given: dict[str, dict[str, str]] = field(default_factory=dict)

    def of(self, table: str, id: str) -> str:
        """The name of a row in the project."""
        return self.given.get(table, {}).get(id, id)


def mark_of(project: Project, seq: int) -> str | None:
    """The name of the edit that a change belongs to, which no other edit has; none where there is no such change."""
    with in_plain_words(project.path):
        row = project._connection.execute(
            "SELECT txn FROM edit_log WHERE seq = ?", (seq,)
        ).fetchone()
    return None if row is None else str(row[0])


def steps_after(project: Project, seq: int) -> list[Step]:
    """The changes later than one, oldest first."""
    columns = "seq, txn, at, who, what, table_name, row_id, before, after"
    with in_plain_words(project.path):
        rows = project._connection.execute(
            f"SELECT {columns} FROM edit_log WHERE seq > ? ORDER BY seq", (seq,)
        ).fetchall()
    return [
        Step(
            seq=r[0], txn=r[1], at=r[2], who=r[3], what=r[4], table=r[5], id=r[6],
            before=read_entry(r[7], r[0]), after=read_entry(r[8], r[0]),
        )
        for r in rows
    ]  # fmt: skip


def plain_row(project: Project, table: str, id: str) -> Row | None:
    """A row as it is, in the form of the history; none where there is none."""
    found = project.rows(table, [id]).get(id)
    return None if found is None else row_as_json(TABLES[table], found)


def renamed(table: str, row: Row | None, names: Names) -> Row | None:
    """A row of the field copy with the names that hold in the project."""
    if row is None:
        return None
    made = {**row, "id": names.of(table, str(row["id"]))}
    for column in TABLES[table].columns:
        if column.refers and row.get(column.name) is not None:
            made[column.name] = _names_in(column, row[column.name], names)
    if table == "reviews":
        made["about"] = names.of(str(row["about_table"]), str(row["about"]))
    parts = _JOINED_FROM.get(table)
    if parts and row["id"] == ":".join(str(row[p]) for p in parts):
        made["id"] = ":".join(str(made[p]) for p in parts)
    return made


def _names_in(column: Column, value: Any, names: Names) -> Any:
    if column.many:
        return [names.of(str(column.refers), str(v)) for v in value]
    return names.of(str(column.refers), str(value))


def name_anew(edit: Edit, project: Project, made: Mapping[str, list[str]], names: Names) -> None:
    """Find other names for rows that were made in the field, where the project gave theirs to others or once had them.

    Parameters
    ----------
    edit : Edit
        That is open.
    project : Project
    made : mapping of table to ids
        All that was made in the field, so that no new name is one of these.
    names : Names
        Gets the new ones.
    """
    for table, ids in made.items():
        there = {same_id(i) for i in project.revisions(table)}
        taken = [i for i in ids if same_id(i) in there or len(project.history(table, i, last=1))]
        if not taken:
            continue
        series = {i: _series(i) for i in ids}
        for prefix, number in filter(None, series.values()):
            edit.keep_number(prefix, number)
        known = [*there, *ids]
        for id in taken:
            found = series[id]
            new = (
                unique_id(id, known)
                if found is None
                else edit.new_id(found[0], digits=len(id) - len(found[0]) - 1)
            )
            known.append(new)
            names.given.setdefault(table, {})[id] = new


def _series(id: str) -> tuple[str, int] | None:
    """The series and number of a name that has one."""
    prefix, _, number = id.rpartition("-")
    return (prefix, int(number)) if prefix and number.isdigit() and len(number) < 10 else None


@contextlib.contextmanager
def within(project: Project, edit: Edit, *, who: str, what: str) -> Iterator[Edit]:
    """A part of an edit that is open, under a name of its own in the history and judged by itself.

    Where it is refused, what it did is taken back, the edit goes on, and the error is raised.
    """
    connection: Any = project._connection
    part = Edit(connection, who=who, what=what, at=edit._at, undoes=None)
    connection.execute("SAVEPOINT facademap_part")
    try:
        yield part
        judge_edit(project, part.txn)
    except FacademapError:
        connection.execute("ROLLBACK TO SAVEPOINT facademap_part")
        raise
    connection.execute("RELEASE SAVEPOINT facademap_part")
    for table, outlines in part.touched.items():
        edit.touched.setdefault(table, []).extend(outlines)


def play(edit: Edit, step: Step, names: Names) -> None:
    """Do one step of the field in the project: of a row that was changed, the columns that were."""
    before, after = (renamed(step.table, r, names) for r in (step.before, step.after))
    if after is None:
        edit.delete(step.table, str((before or {})["id"]))
    elif before is None:
        edit.apply(step.table, after["id"], after)
    else:
        put_columns(edit, step.table, after, [c for c in after if after[c] != before.get(c)])


def put_columns(edit: Edit, table: str, row: Row, columns: list[str]) -> None:
    """Give a row that is there some values of another."""
    whole: Mapping[str, Any] = row_from_json(TABLES[table], row)
    changes = {c: whole[c] for c in columns if c in whole}
    if changes:
        edit.update(table, row["id"], changes)
