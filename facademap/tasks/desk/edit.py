"""One edit from the survey desk: changes of rows, stored in one transaction, each found figure found again."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import geopandas as gpd
import shapely

from facademap.condition.glossary import find_term
from facademap.condition.measured_depth import depth_on_edit
from facademap.condition.records import (
    ATTACH_DISTANCE_M,
    attach_wall_stones,
    measure_area_m2,
    mend_outlines,
)
from facademap.errors import ConflictError, InputError, InUseError, StageError
from facademap.store.changes import Change, changes_of, edit_once, newest_change, outlines_near
from facademap.store.draft import LARGE, store_drafted
from facademap.store.edit import Edit, row_as_json
from facademap.store.gate import consequences_of, judge_edit, take_out
from facademap.store.project import Project
from facademap.tables import TABLES, UNDECIDED, Table, is_missing
from facademap.tables.settings import is_desk_setting, read_desk_setting
from facademap.tasks.desk.cutout import SHAPING, follow_cut_out
from facademap.tasks.desk.inverse import row_for_desk, takes_back
from facademap.tasks.desk.sound_plan import (
    give_back_unsawable,
    refuse_twice,
    refuse_unset,
    unsawable,
    unset,
)
from facademap.tasks.plan.moved_stones import told_of_moved_stones
from facademap.units import parse_length
from facademap.wall.mending import check_size

__all__ = [
    "KEY",
    "PREFIXES",
    "EditResult",
    "RowChange",
    "apply_changes",
    "read_changes",
]

#: Letters of the numbers that new rows get.
PREFIXES: Mapping[str, str] = {
    "conditions": "C",
    "wall_stones": "S",
    "openings": "O",
    "repairs": "R",
    "pieces": "P",
    "blocks": "B",
    "faces": "F",
    "placements": "M",
    "control_points": "K",
    "observations": "Q",
    "reviews": "V",
    "work_log": "W",
    "elevations": "E",
    "surfaces": "U",
    "photos": "H",
    "trials": "T",
    "variations": "N",
    "consents": "L",
    "orders": "A",
    "gauges": "G",
    "gauge_readings": "GR",
    "looks": "LK",
}
#: The record of the work and of reviews is only added to, never changed.
_APPEND_ONLY = frozenset({"work_log", "reviews"})
#: Photos come by upload, plans by the matching, settings other than those of the desk by their own commands.
_NOT_HERE = {
    "plans": "made by the matching, named and chosen",
    "work_log": "entered with its gate",
}
_PROVISIONAL = "new:"
MAX_CHANGES = 2_000
#: Name that a sender gives an edit.
KEY = re.compile(r"[0-9a-zA-Z-]{8,64}\Z")
Op = Literal["insert", "update", "delete", "restore"]
#: Columns of faces, pieces and placements that no saw cut depends on.
_NO_CUT = frozenset(
    {"note", "finish", "weathered", "wetness", "state", "lock_block", "forbid_blocks"}
)
_MEASURED_FROM = frozenset({"geometry", "term", "surface"})


@dataclass(frozen=True, slots=True, kw_only=True)
class RowChange:
    """One change of one row.

    Parameters
    ----------
    op : str
        ``insert``, ``update``, ``delete``, or ``restore`` (a row that was deleted comes back as it was).
    table, id : str
        Row; a new row may be called ``new:...`` and gets its number when it is stored.
    rev : int, optional
        Revision that the sender saw, for update and delete.
    values : mapping
        New values; geometry as a GeoJSON geometry in metres of the wall.
    """

    op: Op
    table: str
    id: str
    rev: int | None = None
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class EditResult:
    """What was stored: the transaction, the numbers given to new rows, the rows as they now stand (``was``: the revision before),
    whether more followed than was sent, and what a person should know of it (``told``: repair, stone, problem, remedy)."""

    txn: str
    seq: int
    ids: dict[str, str]
    rows: list[dict[str, Any]]
    repeated: bool = False
    followed: bool = False
    told: tuple[Mapping[str, str], ...] = ()


def read_changes(body: Any) -> tuple[str, list[RowChange]]:
    """Key and changes from the plain JSON of a request.

    Raises
    ------
    InputError
        Not the form that is expected, or more than may be sent at once.
    """
    if not isinstance(body, dict) or not isinstance(body.get("changes"), list):
        raise InputError(
            "an edit needs a list of changes",
            'Send {"key": .., "who": .., "what": .., "changes": [..]}.',
        )
    key = body.get("key")
    if not isinstance(key, str) or not KEY.match(key):
        raise InputError(
            "an edit needs a key of its own", "Send key as 8 to 64 letters, digits and hyphens."
        )
    if not 1 <= len(body["changes"]) <= MAX_CHANGES:
        raise InputError(
            f"an edit of {len(body['changes'])} changes",
            f"Send 1 to {MAX_CHANGES} changes at once.",
        )
    return key, [_read_change(item) for item in body["changes"]]


def _read_change(item: Any) -> RowChange:
    if not isinstance(item, dict):
        raise InputError("a change is not an object", "Send op, table, id, rev and values.")
    op, table, row_id, rev, values = (item.get(n) for n in ("op", "table", "id", "rev", "values"))
    if op not in ("insert", "update", "delete", "restore"):
        raise InputError(
            f"a change of kind {str(op)[:40]!r}", "Use insert, update, delete or restore."
        )
    if not isinstance(table, str) or table not in TABLES:
        raise InputError(
            f"there is no table {str(table)[:40]!r}", f"Use one of {', '.join(TABLES)}."
        )
    if table in _APPEND_ONLY and op != "insert":
        raise InputError(
            f"{TABLES[table].title.lower()}: entries are never changed",
            "Add a new entry that corrects the old one.",
        )
    if table in _NOT_HERE:
        raise InputError(
            f"{table} cannot be changed here ({_NOT_HERE[table]} elsewhere)",
            "Use the command for it.",
        )
    if not isinstance(row_id, str) or not 0 < len(row_id) <= 200:
        raise InputError(
            "a change without the id of its row", "Send the id as text, new:.. for a new row."
        )
    if table == "settings" and not is_desk_setting(row_id):
        raise InputError(
            f"setting {row_id[:60]!r} cannot be changed here", "Use the command for it."
        )
    if rev is not None and (not isinstance(rev, int) or isinstance(rev, bool)):
        raise InputError(
            f"{row_id}: a revision that is not a whole number",
            "Send the revision that the row had.",
        )
    if op in ("update", "delete") and rev is None:
        raise InputError(
            f"{row_id}: a change without the revision that was seen",
            "Send rev with update and delete.",
        )
    if values is not None and not isinstance(values, dict):
        raise InputError(
            f"{row_id}: values that are not an object", "Send values as column and value."
        )
    return RowChange(op=op, table=table, id=row_id, rev=rev, values=values or {})


def ready_outlines(changes: Sequence[RowChange]) -> list[RowChange]:
    """The changes with their outlines read and mended: costly work on what somebody sent, done before anybody waits for it.

    Raises
    ------
    InputError
        An outline that cannot be read or mended.
    """
    return [
        replace(c, values={**c.values, "geometry": _geometry(c.values["geometry"], c.id)})
        if TABLES[c.table].geometry and "geometry" in c.values
        else c
        for c in changes
    ]


def apply_changes(
    project: Project,
    changes: Sequence[RowChange],
    *,
    key: str,
    who: str,
    what: str,
    undoes: str | None = None,
    confirmed: str | bool = False,
) -> EditResult:
    """Store changes in one transaction, all or none; sent again, the first answer is given again.

    Many changes are judged apart from the file, so that others wait for their storing alone.

    Parameters
    ----------
    confirmed : str or bool
        What a person agreed to: the seal of the consequences shown, or true for whatever follows from deleting.

    Raises
    ------
    ConflictError
        A row was changed by somebody else; its ``table`` and ``id`` attributes name it.
    InUseError
        Something depends on a row that is deleted, and that was not confirmed.
    StageError
        Something is settled, or a stage was typed over.
    """
    new = {(c.table, c.id) for c in changes if c.op == "insert" and c.id.startswith(_PROVISIONAL)}
    numbers = Counter(PREFIXES[table] for table, _ in new)
    by = None if undoes is not None else who

    def store(apart: bool) -> _Stored:
        with edit_once(
            project, key, who=who, what=what, undoes=undoes, apart=apart, numbers=numbers
        ) as edit:
            if edit is None:
                return _Stored(repeated=True)
            return _store(
                project, edit, changes, key=key, by=by, undoes=undoes, confirmed=confirmed
            )

    done = store_drafted(store, large=len(changes) > LARGE)
    ids, touched = done.ids, done.touched
    if done.repeated:
        made = changes_of(project, key)
        ids = _ids_of(made, changes)
        touched = {(c.table, c.id): None for c in made}
    moves = any(t == "wall_stones" for t, _ in touched)
    was = _before(changes_of(project, key))
    rows = [
        {**row, "was": was.get((row["table"], row["id"]))} for row in rows_now(project, touched)
    ]
    return EditResult(
        txn=key,
        seq=newest_change(project),
        ids=ids,
        rows=rows,
        repeated=done.repeated,
        told=tuple(told_of_moved_stones(project, key)) if moves else (),
        followed=done.shaped or len(touched) > len({(c.table, c.id) for c in changes}),
    )


@dataclass(kw_only=True)
class _Stored:
    """What one try at an edit has done."""

    ids: dict[str, str] = field(default_factory=dict)
    touched: dict[tuple[str, str], None] = field(default_factory=dict)
    shaped: bool = False
    repeated: bool = False


def _store(
    project: Project,
    edit: Edit,
    changes: Sequence[RowChange],
    *,
    key: str,
    by: str | None,
    undoes: str | None,
    confirmed: str | bool,
) -> _Stored:
    """Make the changes with all that follows, and judge them together."""
    ids: dict[str, str] = {}
    touched: dict[tuple[str, str], None] = {}
    shaped: dict[str, tuple[dict[str, Any] | None, set[str]]] = {}
    # words about a stone change no saw cut, and looking at one takes longer than storing it
    about = [(c.table, c.id) for c in changes if set(c.values) - _NO_CUT]
    # rods stay where they are put, and what is wrong with them is said; approval waits for it
    # and what is taken back comes back as it was
    back = takes_back(project, changes, undoes)
    cut = [
        c.id
        for c in changes
        if c.table == "repairs"
        and c.op == "update"
        and not back
        and set(c.values) & {*SHAPING, "materials"}
        and "pins" not in c.values
    ]
    ill, unset_before = unsawable(project, about), unset(project, cut)
    for change in (c for c in changes if c.op != "delete"):
        table = TABLES[change.table]
        row_id = _name_of(change, edit, ids)
        # what is taken back comes back as it was, with everything that had followed from it
        if (
            table.name == "repairs"
            and not back
            and change.op in ("insert", "update")
            and set(change.values) & SHAPING
        ):
            shaped.setdefault(row_id, (_row_before(project, change), set()))[1].update(
                change.values
            )
        _apply_one(project, edit, table, change, row_id, ids, by=by)
        touched[(table.name, row_id)] = None
    # what is pointed elsewhere in the same edit does not depend on what is deleted any more
    gone = [(c, _name_of(c, edit, ids)) for c in changes if c.op == "delete"]
    outlines = [_outline_of(project, c, id) for c, id in gone]
    for place in _delete(project, edit, gone, confirmed=confirmed):
        touched[place] = None
    for place in _follow_up(project, edit, list(touched), [o for o in outlines if o]):
        touched[place] = None
    for repair, (before, given) in shaped.items():
        if any(c.table == "repairs" and id == repair for c, id in gone):
            continue
        for place in follow_cut_out(project, edit, repair, before=before, changed=frozenset(given)):
            touched[place] = None
    judge_edit(project, key, by_hand=True)
    refuse_twice(project, list(touched))
    refuse_unset(project, cut, before=unset_before)
    named = [(table, ids.get(id, id)) for table, id in about]
    for place in give_back_unsawable(project, edit, named, before=ill, confirmed=confirmed):
        touched[place] = None
    return _Stored(ids=ids, touched=touched, shaped=bool(shaped))


def _delete(
    project: Project,
    edit: Edit,
    gone: Sequence[tuple[RowChange, str]],
    *,
    confirmed: str | bool,
) -> list[tuple[str, str]]:
    """Delete rows with all that follows, once it was confirmed; returns the rows touched."""
    if not gone:
        return []
    for change, id in gone:
        row = _row_to_change(project, TABLES[change.table], id)
        if row["rev"] != change.rev:
            conflict = ConflictError(
                f"{TABLES[change.table].title.lower()}: {id} was changed by somebody else "
                f"(revision {row['rev']}, yours {change.rev})",
                "Look at both versions and choose.",
            )
            conflict.place = (change.table, id)  # type: ignore[attr-defined]
            raise conflict
    found = consequences_of(project, [(c.table, id) for c, id in gone])
    if not found.free and not found.refused and confirmed is not True and confirmed != found.seal:
        raise InUseError(
            f"{', '.join(id for _, id in gone[:3])}{' and others' if len(gone) > 3 else ''} cannot go alone: "
            + "; ".join(found.sentences()[:4]),
            "Confirm what follows, or leave it.",
            consequences=found.as_json(),
        )
    try:
        return take_out(edit, project, found)
    except StageError as refused:
        refused.consequences = found.as_json()  # type: ignore[attr-defined]
        raise


def _outline_of(project: Project, change: RowChange, id: str) -> tuple[str, str, Any] | None:
    """Where an opening or a wall stone lies that is about to go."""
    if change.table not in ("openings", "wall_stones"):
        return None
    row = _row_before(project, change if change.id == id else replace(change, id=id))
    if row is None or row.get("geometry") is None:
        return None
    return change.table, str(row["surface"]), row["geometry"]


def _row_before(project: Project, change: RowChange) -> dict[str, Any] | None:
    if change.op == "insert":
        return None
    try:
        return project.row(change.table, change.id)
    except InputError:
        return None


def _before(made: Sequence[Change]) -> dict[tuple[str, str], int]:
    """The revision that each row had before a transaction; 0 for a row that was made in it."""
    found: dict[tuple[str, str], int] = {}
    for change in made:
        found.setdefault(
            (change.table, change.id),
            0 if change.op == "insert" else change.rev - (change.op == "update"),
        )
    return found


def _ids_of(made: Sequence[Any], changes: Sequence[RowChange]) -> dict[str, str]:
    """Numbers given the first time: inserts of a transaction stand in the order they were sent."""
    numbered = iter([c for c in made if c.op == "insert"])
    result = {}
    for change in changes:
        if change.op == "insert":
            found = next(numbered, None)
            if found is not None and change.id.startswith(_PROVISIONAL):
                result[change.id] = found.id
    return result


def _name_of(change: RowChange, edit: Edit, ids: dict[str, str]) -> str:
    if change.op == "insert" and change.id.startswith(_PROVISIONAL):
        if change.id not in ids:
            ids[change.id] = edit.new_id(PREFIXES[change.table])
        return ids[change.id]
    return ids.get(change.id, change.id)


def _apply_one(
    project: Project,
    edit: Edit,
    table: Table,
    change: RowChange,
    id: str,
    ids: Mapping[str, str],
    *,
    by: str | None,
) -> None:
    """Store one change; ``by`` is who makes it, ``None`` where an edit is taken back and comes back as it was."""
    of_condition = table.name == "conditions" and by is not None
    values = {
        name: _resolve(value, ids)
        for name, value in change.values.items()
        if name not in ("id", "rev")
    }
    values = {name: _in_metres(table, id, name, value) for name, value in values.items()}
    if "geometry" in values:
        if table.geometry is None:
            raise InputError(f"{table.title.lower()}: {id} has no outline", "Leave geometry out.")
        values["geometry"] = _geometry(values["geometry"], id)
    if table.name == "settings" and change.op != "delete":
        values = {"value": _setting_text(id, values.get("value"))}
    try:
        if change.op == "insert":
            if table.name == "settings" and _current(project, table.name, id) is not None:
                raise ConflictError(
                    f"{id} was made by somebody else meanwhile", "Look at both versions and choose."
                )
            if of_condition:
                values = depth_on_edit({}, values, who=by or "")
            row = _completed(project, table, {**values, "id": id}, given=set(values))
            if change.id.startswith(_PROVISIONAL):
                # a number that was given just now is free; this way builds no frame
                edit.apply(table.name, id, row_as_json(table, table.check_row(row)))
            else:
                edit.insert(table.name, [row])
        elif change.op == "update":
            before = _row_to_change(project, table, id)
            if before["rev"] != change.rev:
                raise ConflictError(
                    f"{table.title.lower()}: {id} was changed by somebody else "
                    f"(revision {before['rev']}, yours {change.rev})",
                    "Look at both versions and choose.",
                )
            del before["rev"]
            if table.name == "repairs" and "pins" in values:
                values["pins"] = _with_rods(values["pins"], before["pins"])
            if of_condition:
                values = depth_on_edit({**before, "id": id}, values, who=by or "")
            whole = _completed(project, table, {**before, **values, "id": id}, given=set(values))
            if table.name == "repairs" and before["treatment"] == UNDECIDED != whole["treatment"]:
                whole = _decided(id, whole)
            edit.update(table.name, id, whole, rev=change.rev)
        else:
            row = table.check_row({**values, "id": id})
            edit.apply(table.name, id, row_as_json(table, row))
    except ConflictError as conflict:
        conflict.place = (table.name, id)  # type: ignore[attr-defined]
        raise


def _row_to_change(project: Project, table: Table, id: str) -> dict[str, Any]:
    """The row as it is; one that was there once and was deleted since is a conflict, not a wrong name."""
    try:
        return project.row(table.name, id)
    except InputError:
        if not len(project.history(table.name, id, last=1)):
            raise
        conflict = ConflictError(
            f"{table.title.lower()}: {id} was deleted by somebody else meanwhile",
            "Bring it back, or leave it deleted.",
        )
        conflict.place = (table.name, id)  # type: ignore[attr-defined]
        raise conflict from None


def _with_rods(given: Any, known: Any) -> Any:
    """Pins as sent; one that was only placed gets the rod and the holes of its neighbour."""
    if not isinstance(given, list) or is_missing(known) or not known:
        return given
    return [
        {**known[min(number, len(known) - 1)], **pin} if isinstance(pin, dict) else pin
        for number, pin in enumerate(given)
    ]


def _decided(id: str, row: dict[str, Any]) -> dict[str, Any]:
    """A repair that planning left undecided, once a person has decided it."""
    if is_missing(row["overruled_by"]) or is_missing(row["reason"]):
        raise InputError(
            f"{id}: a decision without a name or a reason",
            "Say who decides, and why, or enter what is wanted and plan again.",
        )
    return {**row, "asks": [], "held_back": None}


def _in_metres(table: Table, id: str, name: str, value: Any) -> Any:
    """A length that was typed as text, in metres; a number is metres already."""
    column = table.column(name) if name in table.names else None
    if column is None or column.unit != "m" or not isinstance(value, str) or is_missing(value):
        return value
    try:
        return parse_length(value)
    except InputError as error:
        raise InputError(
            f"{table.title.lower()}: {name} of {id}: {error.problem}", error.remedy
        ) from None


def _setting_text(name: str, text: Any) -> str:
    """The value of a setting as it is kept, once it has been checked."""
    value = read_desk_setting(name, text)
    if isinstance(value, dict) and "term" in value["values"]:
        value["values"]["term"] = find_term(str(value["values"]["term"])).name
    return json.dumps(value, ensure_ascii=False)


def _resolve(value: Any, ids: Mapping[str, str]) -> Any:
    """A column that names another new row gets that row's number."""
    if isinstance(value, str) and value.startswith(_PROVISIONAL):
        return ids.get(value, value)
    if isinstance(value, list):
        return [_resolve(v, ids) for v in value]
    return value


def _geometry(value: Any, id: str) -> shapely.Geometry | None:
    if value is None or isinstance(value, shapely.Geometry):
        return value
    try:
        shape = shapely.from_geojson(json.dumps(value))
    except (TypeError, ValueError, shapely.errors.ShapelyError):
        raise InputError(
            f"{id}: an outline that cannot be read",
            "Send a GeoJSON geometry in metres of the wall.",
        ) from None
    if shape is None:
        raise InputError(f"{id}: an outline of nothing", "Send a GeoJSON geometry.")
    check_size(shape, name=id)
    shape = shapely.force_2d(shape)
    if not shape.is_empty and shapely.get_dimensions(shape) == 2 and not shape.is_valid:
        frame = gpd.GeoDataFrame({"id": [id]}, geometry=[shape])
        shape = mend_outlines(frame)[0].iloc[0]
    return shape


def _completed(
    project: Project, table: Table, row: dict[str, Any], *, given: set[str]
) -> dict[str, Any]:
    """Figures and names that follow from the outline and the term."""
    if table.name != "conditions" or not given & _MEASURED_FROM or row.get("geometry") is None:
        return row
    shape = row["geometry"]
    if (
        is_missing(row.get("term"))
        or is_missing(row.get("surface"))
        or not isinstance(shape, shapely.Geometry)
        or shape.is_empty
    ):
        return row
    term, surface = find_term(str(row["term"])), str(row["surface"])
    (u0, v0, u1, v1), beside = shape.bounds, 2 * ATTACH_DISTANCE_M
    near = (u0 - beside, v0 - beside, u1 + beside, v1 + beside)
    dimension = int(shapely.get_dimensions(shape))
    result = {
        **row,
        "term": term.name,
        "family": term.family,
        "layer": term.layer,
        "area_m2": 0.0,
        "length_m": shape.length if dimension == 1 else None,
    }
    if dimension == 2:
        voids = [o for _, o in outlines_near(project, "openings", surface=surface, box=near)]
        result["area_m2"] = shape.difference(shapely.union_all(voids)).area if voids else shape.area
    if "wall_stone" not in given or is_missing(row.get("wall_stone")):
        result["wall_stone"] = _stone_of(
            shape, dimension, outlines_near(project, "wall_stones", surface=surface, box=near)
        )
    return result


def _stone_of(
    shape: shapely.Geometry, dimension: int, stones: Sequence[tuple[str, shapely.Geometry]]
) -> str | None:
    """The stone that most of a shape lies on, as `facademap.condition.records.attach_wall_stones` finds it for a table."""
    touched = [(i, s) for i, s in stones if s.intersects(shape)]
    if touched:

        def shared(item: tuple[str, shapely.Geometry]) -> tuple[float, str]:
            part = shape.intersection(item[1])
            return (-(part.area if dimension == 2 else part.length), item[0])

        return min(touched, key=shared)[0]
    beside = [(s.distance(shape), i) for i, s in stones if s.distance(shape) <= ATTACH_DISTANCE_M]
    return min(beside)[1] if beside else None


def _follow_up(
    project: Project,
    edit: Edit,
    touched: Sequence[tuple[str, str]],
    gone: Sequence[tuple[str, str, Any]] = (),
) -> list[tuple[str, str]]:
    """Conditions near a changed or deleted opening or wall stone: net areas and stones are found again."""
    more: list[tuple[str, str]] = []
    places = [*gone]
    for name, row_id in touched:
        row = _current(project, name, row_id) if name in ("openings", "wall_stones") else None
        if row is not None:
            shape = shapely.from_geojson(json.dumps(row["row"]["geometry"]))
            places.append((name, row["row"]["surface"], shape))
    for name, surface, shape in places:
        near = project.read("conditions", where={"surface": surface}, box=shape.buffer(0.06).bounds)
        if near.empty:
            continue
        near = near.set_crs(None, allow_override=True)
        box = tuple(near.total_bounds)
        others = project.read(name, where={"surface": surface}, box=box).set_crs(
            None, allow_override=True
        )
        if name == "openings":
            new = measure_area_m2(near, others)
            changed = [
                (i, {"area_m2": float(a)})
                for i, a, b in zip(near["id"], new, near["area_m2"], strict=True)
                if is_missing(b) or abs(a - b) > 1e-9
            ]
        else:
            new = attach_wall_stones(near, others)
            changed = [
                (i, {"wall_stone": a})
                for i, a, b in zip(near["id"], new, near["wall_stone"], strict=True)
                if is_missing(b) and not is_missing(a)
            ]
        for condition, values in changed:
            edit.update("conditions", condition, values)
            more.append(("conditions", condition))
    return more


def _current(project: Project, table_name: str, id: str) -> dict[str, Any] | None:
    try:
        row = project.row(table_name, id)
    except InputError:
        return None
    return {
        "table": table_name,
        "id": id,
        "rev": row["rev"],
        "row": row_for_desk(TABLES[table_name], row),
    }


def rows_now(project: Project, places: Iterable[tuple[str, str]]) -> list[dict[str, Any]]:
    """Rows as they stand, with table, id and revision, in the order asked for; ``row`` is ``None`` for one that is gone."""
    places = list(places)
    asked: dict[str, list[str]] = {}
    for name, row_id in places:
        asked.setdefault(name, []).append(row_id)
    found = {name: project.rows(name, ids) for name, ids in asked.items()}
    return [
        {
            "table": name,
            "id": row_id,
            "rev": None if row is None else row["rev"],
            "row": None if row is None else row_for_desk(TABLES[name], row),
        }
        for name, row_id in places
        for row in [found[name].get(row_id)]
    ]
