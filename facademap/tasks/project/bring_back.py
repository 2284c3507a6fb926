"""Bring what was done in a field copy back into the project that it was taken from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from facademap.errors import FacademapError, FileError, InputError
from facademap.io.pictures import hash_file
from facademap.io.whole_files import copy_whole
from facademap.store.changes import newest_change
from facademap.store.edit import Edit
from facademap.store.field_steps import (
    NEVER_RENAMED,
    Names,
    Row,
    Step,
    mark_of,
    name_anew,
    plain_row,
    play,
    put_columns,
    renamed,
    steps_after,
    within,
)
from facademap.store.part import Place, paths_in
from facademap.store.project import FOLDERS, Project
from facademap.store.team_address import is_address
from facademap.tables import TABLES
from facademap.tasks.project.brought_before import leave_out_brought, words_of_field
from facademap.tasks.project.field_copy import FIELD_COPY, FieldCopy, field_copy_of
from facademap.tasks.project.team import join_project, need_pictures

__all__ = ["WAYS", "Conflict", "bring_back"]

#: Setting of a project with what it took from its field copies.
FIELD_COPIES = "field_copies"
#: How all conflicts can be decided at once: by the field, by the project, or both where they changed different values.
WAYS = ("mine", "theirs", "merge")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A row that was changed in the field and in the project since.

    Parameters
    ----------
    table, id : str
        Its name in the project.
    base, mine, theirs : mapping or None
        The row when it was copied, as it is in the field, and as it is in the project; none where it is not there.
    why : str
        What keeps it from being brought back, where it is not that both changed it.
    """

    table: str
    id: str
    base: Row | None
    mine: Row | None
    theirs: Row | None
    why: str = ""

    @property
    def fields(self) -> tuple[str, ...]:
        """Values that are not the same in the field and in the project."""
        mine, theirs = self.mine or {}, self.theirs or {}
        return tuple(n for n in {**theirs, **mine} if n != "id" and mine.get(n) != theirs.get(n))

    @property
    def by_both(self) -> tuple[str, ...]:
        """Of those, the values that both changed."""
        base = self.base or {}
        mine, theirs = self.mine or {}, self.theirs or {}
        return tuple(
            n for n in self.fields if mine.get(n) != base.get(n) and theirs.get(n) != base.get(n)
        )

    @property
    def seal(self) -> str:
        """A word for exactly these two versions, so that a decision is about what was seen."""
        return hashlib.sha256(json.dumps([self.mine, self.theirs]).encode()).hexdigest()[:12]

    def as_json(self) -> dict[str, Any]:
        """As it is told and written for a decision."""
        sides = {"base": self.base, "mine": self.mine, "theirs": self.theirs}
        return {
            "table": self.table,
            "id": self.id,
            "why": self.why,
            "fields": {
                n: {side: None if row is None else row.get(n) for side, row in sides.items()}
                for n in self.fields
            }
            if self.mine is not None and self.theirs is not None
            else {},
            "deleted": "mine" if self.mine is None else "theirs" if self.theirs is None else "",
            "by_both": list(self.by_both),
            "seal": self.seal,
            "decide": None,
        }


@dataclass(slots=True)
class _Work:
    """What a bringing back knows while it goes on."""

    field_project: Project
    project: Project
    copy: FieldCopy
    #: Under which name the project remembers what it took from this folder.
    key: str
    names: Names
    #: The last change of the field that was looked at, and rows that wait since an earlier one.
    up_to: int
    waiting: dict[Place, int]
    steps: dict[Place, list[Step]] = field(default_factory=dict)
    conflicts: dict[Place, Conflict] = field(default_factory=dict)
    brought: set[Place] = field(default_factory=set)
    moved_paths: dict[str, str] = field(default_factory=dict)
    files: int = 0
    #: Pictures that rows name and that lie neither in the field copy nor in the project.
    missing: list[str] = field(default_factory=list)


def bring_back(
    field_folder: str | Path,
    target: str,
    *,
    take: str | None = None,
    decisions: Sequence[Mapping[str, Any]] = (),
    who: str = "surveyor",
    dry_run: bool = False,
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Bring the edits of a field copy back: those of rows that nobody changed meanwhile go through, edit by edit, by who made them.

    All that goes through is stored in one transaction with a note of what was taken, so that a bringing back that was broken off is done
    again and nothing twice. Rows that both changed wait in the copy, which may be worked in further and brought back again. Pictures
    come first.

    Parameters
    ----------
    field_folder : path
        The field copy.
    target : str
        Folder or address of the project that it was taken from.
    take : str, optional
        One of :data:`WAYS`, for every row that both changed.
    decisions : sequence of mapping
        For single ones, as ``conflicts`` of an earlier call with ``decide`` set to ``mine``, ``theirs``, ``merge``, or a mapping of
        value to ``mine`` or ``theirs``. One about versions that are no longer so counts for nothing.
    who : str
        Who decides.
    dry_run : bool
        Say what would be done, and do nothing.

    Returns
    -------
    dict
        ``brought`` (rows), ``edits``, ``files``, ``files_missing`` (paths), ``renamed`` (table, id, to), ``decided``, ``conflicts`` (:class:`Conflict` as JSON),
        ``taken_from`` (when and by whom).

    Raises
    ------
    InputError
        It is no field copy, or one of another project; a decision that is none.
    """
    if take is not None and take not in WAYS:
        raise InputError(f"there is no way {take!r} to decide", f"Use one of {', '.join(WAYS)}.")
    decision = _Decided.of(take, decisions)
    home = join_project(target) if is_address(target) else Path(target)
    with (
        Project.open(field_folder, read_only=True) as copied,
        Project.open(home, read_only=dry_run) as project,
    ):
        copy = field_copy_of(copied)
        if copy.of != project.project_id:
            raise InputError(
                f"{field_folder}: was not taken from this project",
                f"Bring it back to {copy.source}.",
            )
        if is_address(target):
            need_pictures(project)
        work = _begun(copied, project, copy)
        progress(0.1)
        if dry_run:
            _look(work)
            return _result(work, edits=0, decided=0)
        work.files = _bring_files(work)
        progress(0.5)
        newest = newest_change(copied)
        with project.edit(who=who, what="back from the field") as edit:
            # what another bringing back did meanwhile is seen under the lock
            now = _begun(copied, project, copy)
            now.files, now.moved_paths, now.missing = work.files, work.moved_paths, work.missing
            work = now
            _name_anew(work, edit)
            _look(work)
            edits = _play_all(work, edit)
            decided = _decide_all(work, edit, decision, who=who)
            if work.steps:
                _note(work, edit, newest)
    progress(1.0)
    return _result(work, edits=edits, decided=decided)


def _begun(copied: Project, project: Project, copy: FieldCopy) -> _Work:
    key, told = _taken_before(copied, project, copy)
    waiting = {
        (t, i): int(seq)
        for key, seq in told.get("waiting", {}).items()
        for t, _, i in [key.partition(":")]
    }
    up_to = int(told.get("up_to", copy.here))
    work = _Work(
        field_project=copied,
        project=project,
        copy=copy,
        key=key,
        names=Names({t: dict(n) for t, n in told.get("renamed", {}).items()}),
        up_to=up_to,
        waiting=waiting,
    )
    for step in steps_after(copied, min([up_to, *waiting.values()])):
        if step.seq > waiting.get(step.place, up_to) and step.place != ("settings", FIELD_COPY):
            work.steps.setdefault(step.place, []).append(step)
    if not told:  # what a folder took back that this one was copied from, or the other way round
        known: Any = project.setting(FIELD_COPIES, {}) or {}
        others = [t["renamed"] for n, t in known.items() if n.partition("-")[0] == copy.copy]
        if others:
            work.names.given = leave_out_brought(project, work.steps, others)
    return work


def _taken_before(
    copied: Project, project: Project, copy: FieldCopy
) -> tuple[str, Mapping[str, Any]]:
    """What the project took from this folder, and under which name it remembers that.

    A folder that was copied, or restored, went another way than the one that was brought back: its changes have the same
    numbers and are others, so nothing is taken for brought back already.
    """
    known: Any = project.setting(FIELD_COPIES, {}) or {}
    key, others = copy.copy, 1
    while told := known.get(key):
        if told.get("mark") in (None, mark_of(copied, int(told["up_to"]))):
            return key, told
        others += 1
        key = f"{copy.copy}-{others}"
    return key, {}


def _name_anew(work: _Work, edit: Edit) -> None:
    """New names for rows of the field whose own the project gave to others meanwhile."""
    made: dict[str, list[str]] = {}
    for (table, id), steps in work.steps.items():
        named = id in work.names.given.get(table, {})
        if steps[0].before is not None or table in NEVER_RENAMED or named:
            continue
        if plain_row(work.project, table, id) != _moved(
            work, steps[-1].after
        ):  # else both entered the same, as one picture
            made.setdefault(table, []).append(id)
    name_anew(edit, work.project, made, work.names)


def _there(work: _Work, table: str, row: Row | None) -> Row | None:
    """A row of the field as the project would have it."""
    return _moved(work, renamed(table, row, work.names))


def _now(work: _Work, table: str, *versions: Row | None) -> tuple[str, Row | None]:
    """What a row is called in the project, and how it is there."""
    name = next(str(v["id"]) for v in versions if v is not None)
    return name, plain_row(work.project, table, name)


def _look(work: _Work) -> None:
    """Find the rows that both changed."""
    for (table, id), steps in work.steps.items():
        base, mine = (_there(work, table, r) for r in (steps[0].before, steps[-1].after))
        if base is None and mine is None:
            continue
        name, theirs = _now(work, table, mine, base)
        if theirs not in (base, mine):
            work.conflicts[(table, id)] = Conflict(
                table=table, id=name, base=base, mine=mine, theirs=theirs
            )


def _play_all(work: _Work, edit: Edit) -> int:
    """Do the edits of the field one after the other; what a rule of the project refuses waits with its reason."""
    txns: dict[str, list[Step]] = {}
    for steps in work.steps.values():
        for step in steps:
            txns.setdefault(step.txn, []).append(step)
    done = 0
    for steps in sorted(txns.values(), key=lambda s: min(x.seq for x in s)):
        mine = [s for s in sorted(steps, key=lambda s: s.seq) if s.place not in work.conflicts]
        mine = [s for s in mine if not _is_there(work, s)]
        if not mine:
            continue
        first = mine[0]
        try:
            with within(
                work.project,
                edit,
                who=first.who,
                what=words_of_field(first),
            ) as part:
                for step in mine:
                    play(part, _with_moved_paths(work, step), work.names)
        except FacademapError as error:
            for step in mine:
                _holds_up(work, step, error)
            continue
        done += 1
        work.brought |= {s.place for s in mine}
    return done


def _is_there(work: _Work, step: Step) -> bool:
    """Whether the project says already what the field made of a row in the end."""
    if step.place in work.brought:
        return False
    steps = work.steps[step.place]
    base, last = (_there(work, step.table, r) for r in (steps[0].before, steps[-1].after))
    return (base is None and last is None) or _now(work, step.table, last, base)[1] == last


def _holds_up(work: _Work, step: Step, error: FacademapError) -> None:
    """An edit was refused: its rows wait from here on."""
    if step.place in work.conflicts:
        return
    last = work.steps[step.place][-1].after
    before, mine = (_there(work, step.table, r) for r in (step.before, last))
    name, theirs = _now(work, step.table, mine, before, _there(work, step.table, step.after))
    work.conflicts[step.place] = Conflict(
        table=step.table, id=name, base=before, mine=mine, theirs=theirs, why=str(error)
    )
    work.waiting[step.place] = step.seq - 1


@dataclass(frozen=True, slots=True)
class _Decided:
    """What was decided, for all or for single rows."""

    take: str | None
    single: Mapping[tuple[str, str, str], Any]

    @classmethod
    def of(cls, take: str | None, given: Iterable[Mapping[str, Any]]) -> _Decided:
        single: dict[tuple[str, str, str], Any] = {}
        for one in given:
            if one.get("decide") is None:
                continue
            try:
                key = (str(one["table"]), str(one["id"]), str(one["seal"]))
            except KeyError:
                raise InputError("a decision names no table, id or seal", _REMEDY) from None
            how = one["decide"]
            if how not in WAYS and not (
                isinstance(how, dict) and all(side in ("mine", "theirs") for side in how.values())
            ):
                raise InputError(f"{key[1]}: {str(how)[:60]!r} is no decision", _REMEDY)
            single[key] = how
        return cls(take, single)

    def about(self, conflict: Conflict) -> Any:
        key = (conflict.table, conflict.id, conflict.seal)
        if key in self.single:
            return self.single[key]
        return None if conflict.why else self.take


_REMEDY = 'Take the file that --conflicts wrote, and set "decide" to "mine", "theirs", "merge" or to a value by name.'


def _decide_all(work: _Work, edit: Edit, decided: _Decided, *, who: str) -> int:
    count = 0
    for place, conflict in list(work.conflicts.items()):
        how = decided.about(conflict)
        columns = None if how is None else _columns_of(conflict, how)
        if columns is None:
            continue
        try:
            with within(
                work.project, edit, who=who, what="decided between the field and the project"
            ) as part:
                _put(part, conflict, columns)
        except FacademapError as error:
            work.conflicts[place] = Conflict(
                table=conflict.table, id=conflict.id, base=conflict.base, mine=conflict.mine,
                theirs=conflict.theirs, why=str(error),
            )  # fmt: skip
            continue
        del work.conflicts[place]
        work.waiting.pop(place, None)
        work.brought.add(place)
        count += 1
    return count


def _columns_of(conflict: Conflict, how: Any) -> list[str] | None:
    """The values that come from the field; none where that does not decide it."""
    if how == "theirs":
        return []
    if how == "mine":
        return list(conflict.fields) or ["id"]
    if conflict.mine is None or conflict.theirs is None:
        return None  # a row that is gone on one side has no values to choose from
    if how == "merge":
        base = conflict.base or {}
        mine = [n for n in conflict.fields if conflict.mine.get(n) != base.get(n)]
        return None if conflict.by_both else mine
    if strange := sorted(set(how) - set(conflict.fields)):
        raise InputError(
            f"{conflict.id}: {strange[0]} is no value in which the two differ", _REMEDY
        )
    open_ones = [n for n in conflict.by_both if n not in how]
    taken = [
        n
        for n in conflict.fields
        if how.get(n, "mine" if n not in conflict.by_both and _is_mine(conflict, n) else "theirs")
        == "mine"
    ]
    return None if open_ones else taken


def _is_mine(conflict: Conflict, name: str) -> bool:
    return (conflict.mine or {}).get(name) != (conflict.base or {}).get(name)


def _put(part: Edit, conflict: Conflict, columns: list[str]) -> None:
    if not columns:
        return
    if conflict.mine is None:
        part.delete(conflict.table, conflict.id)
    elif conflict.theirs is None:
        part.apply(conflict.table, conflict.id, conflict.mine)
    else:
        put_columns(part, conflict.table, conflict.mine, columns)


def _note(work: _Work, edit: Edit, newest: int) -> None:
    """Write into the project what it took from this copy, in the same transaction."""
    waiting = {f"{t}:{i}": work.waiting.get((t, i), work.up_to) for t, i in work.conflicts}
    told = work.project.setting(FIELD_COPIES, {}) or {}
    told[work.key] = {
        "who": work.copy.who,
        "taken_at": work.copy.at,
        "surfaces": list(work.copy.surfaces),
        "up_to": newest,
        "mark": mark_of(work.field_project, newest),
        "waiting": waiting,
        "renamed": work.names.given,
    }
    edit.set(FIELD_COPIES, told)


def _bring_files(work: _Work) -> int:
    """Pictures that the changed rows name; one whose name another picture has meanwhile gets its own."""
    count = 0
    for steps in work.steps.values():
        for path in {p for s in steps for p in paths_in(s.after)}:
            if path.partition("/")[0] not in FOLDERS or path in work.moved_paths:
                continue
            try:
                source = work.field_project.place(path)
            except (InputError, FileError):
                continue
            there, path_there = work.project.place(path), path
            if not source.is_file():
                if not there.is_file() and path in paths_in(steps[-1].after):
                    work.missing.append(path)
                continue
            if there.is_file() and hash_file(there) != hash_file(source):
                head, dot, tail = path.rpartition(".")
                digest = hash_file(source)[:8]
                path_there = f"{head}-{digest}{dot}{tail}" if dot else f"{path}-{digest}"
                work.moved_paths[path] = path_there
                there = work.project.place(path_there)
            if there.is_file():
                continue
            copy_whole(source, Path(path_there), inside=work.project.folder)
            count += 1
    return count


def _moved(work: _Work, row: Row | None) -> Row | None:
    """A row with the paths under which its pictures lie in the project."""
    if row is None or not work.moved_paths:
        return row
    moved: Row = _paths_moved(row, work.moved_paths)
    return moved


def _paths_moved(value: Any, moved: Mapping[str, str]) -> Any:
    if isinstance(value, str):
        return moved.get(value, value)
    if isinstance(value, dict):
        return {k: _paths_moved(v, moved) for k, v in value.items()}
    return [_paths_moved(v, moved) for v in value] if isinstance(value, list) else value


def _with_moved_paths(work: _Work, step: Step) -> Step:
    if not work.moved_paths or step.after is None:
        return step
    return Step(
        seq=step.seq, txn=step.txn, at=step.at, who=step.who, what=step.what, table=step.table, id=step.id,
        before=step.before, after=_moved(work, step.after),
    )  # fmt: skip


def _result(work: _Work, *, edits: int, decided: int) -> dict[str, Any]:
    return {
        "taken_from": {
            "at": work.copy.at,
            "who": work.copy.who,
            "surfaces": list(work.copy.surfaces),
        },
        "changed_in_field": len(work.steps),
        "brought": len(work.brought),
        "edits": edits,
        "files": work.files,
        "files_missing": sorted(work.missing),
        "decided": decided,
        "renamed": [
            {"table": t, "id": old, "to": new}
            for t, names in work.names.given.items()
            for old, new in names.items()
        ],
        "conflicts": [c.as_json() for c in work.conflicts.values()],
        "titles": {c.table: TABLES[c.table].title for c in work.conflicts.values()},
    }
