"""Stone asked for where the yard lacks it: enquiries, samples with their tests, orders, deliveries that become blocks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.io.block_files import BlockRow
from facademap.photo.lab import difference_ciede2000
from facademap.store.edit import Edit
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tables.names import same_id
from facademap.tasks.record.days import day_of
from facademap.tasks.record.plain_rows import plain_row, plain_rows
from facademap.tasks.record.trials import need_colour
from facademap.tasks.yard.add_blocks import add_blocks

__all__ = [
    "add_test",
    "ask_for_stone",
    "colour_difference",
    "decide_sample",
    "list_orders",
    "order_stone",
    "orders_of",
    "take_delivery",
    "take_sample",
]

_WHO = "facademap stone"
#: What an enquiry holds of its sample, as it stands before one came.
_OF_SAMPLE: Mapping[str, Any] = {
    "sample_photo": None,
    "lab_sample": None,
    "tests": [],
    "decided_by": None,
    "decided_on": None,
    "finding": None,
}


def ask_for_stone(
    folder: str | Path,
    *,
    stone_type: str,
    supplier: str,
    pieces: Sequence[str] = (),
    on: str | None = None,
    note: str | None = None,
    who: str = _WHO,
) -> dict[str, Any]:
    """Enter an enquiry for stone that no block of the yard can serve.

    Parameters
    ----------
    folder : path
        Project.
    stone_type : str
        Local name of the stone.
    supplier : str
        Quarry or yard asked.
    pieces : sequence of str
        Pieces that wait for it; all of this stone that have no block where none is named.

    Raises
    ------
    InputError
        No supplier, a piece that has its block already or is of another stone, or nothing is wanting.
    """
    if not supplier.strip() or not stone_type.strip():
        raise InputError(
            "the enquiry names no stone or nobody asked", "Give the stone and who is asked."
        )
    day = day_of(on)
    with Project.open(folder) as project:
        rows = {str(p["id"]): p for p in project.read("pieces").to_dict("records")}
        placed = {str(p) for p in project.read("placements")["piece"]}
        for name in pieces:
            row = rows.get(name) or project.row("pieces", name)
            if name in placed:
                raise InputError(f"piece {name} has its block already", "Leave it out.")
            if not _same(row["stone_type"], stone_type) and not any(
                _same(a, stone_type) for a in row["accept"] or ()
            ):
                raise InputError(
                    f"piece {name} is of {row['stone_type']}, not {stone_type}",
                    "Ask for its own stone, or accept this one for the piece first.",
                )
        wanted = list(pieces) or [
            n for n, p in rows.items() if n not in placed and _same(p["stone_type"], stone_type)
        ]
        if not wanted:
            raise InputError(
                f"no piece waits for {stone_type}",
                "See the list of stone wanted; give the stone as it is written there.",
            )
        own = next((rows[n]["stone_type"] for n in wanted if _same(rows[n]["stone_type"], stone_type)), stone_type)  # fmt: skip
        with gated_edit(project, who=who, what=f"{stone_type} asked for at {supplier}") as edit:
            row = {
                "id": edit.new_id("A"),
                "stone_type": str(own).strip(),
                "supplier": supplier.strip(),
                "pieces": sorted(wanted),
                "asked_on": day,
                "lab_wanted": _mean_colour([rows[n] for n in wanted]),
                "note": note or None,
            }
            edit.insert("orders", [row])
        return _with_difference(project.row("orders", row["id"]))


def take_sample(
    folder: str | Path,
    name: str,
    *,
    on: str | None = None,
    photo: str | None = None,
    lab: Sequence[float] | None = None,
    who: str = _WHO,
) -> dict[str, Any]:
    """Enter that a sample came, with its photo and its measured colour (CIELAB D50, dry) where there is one.

    After one that was refused it is another stone: what was tested and measured on that says nothing of it, and is kept in
    the history alone.
    """
    need_colour(lab)
    day = day_of(on)

    def came(row: Mapping[Any, Any]) -> dict[str, Any]:
        anew: dict[str, Any] = dict(_OF_SAMPLE) if row["state"] == "refused" else {}
        if photo:
            anew["sample_photo"] = photo
        if lab is not None:
            anew["lab_sample"] = [float(v) for v in lab]
        return {**anew, "state": "sample here", "sample_on": day}

    return _step(folder, name, ("asked", "sample here", "refused"), came, who=who, photo=photo)


def add_test(
    folder: str | Path,
    name: str,
    *,
    test: str,
    value: str,
    by: str,
    result: str = "open",
    on: str | None = None,
    who: str = _WHO,
) -> dict[str, Any]:
    """Enter a test of the sample: what was tested, what came out with its unit, by whom, and whether that is enough.

    Raises
    ------
    InputError
        Nothing tested, no value, nobody named, or no sample is here.
    """
    for told, what in ((test, "the test has no name"), (value, "the test has no value"), (by, "nobody is named who tested")):  # fmt: skip
        if not told.strip():
            raise InputError(what, "Give the test, its value with its unit, and who tested.")
    entry = {
        "name": test.strip(),
        "value": value.strip(),
        "by": by.strip(),
        "on": day_of(on),
        "result": result,
    }

    def tested(row: Mapping[Any, Any]) -> dict[str, Any]:
        return {"tests": [*(row["tests"] or ()), entry]}

    return _step(folder, name, ("sample here",), tested, who=who)


def decide_sample(
    folder: str | Path,
    name: str,
    *,
    approve: bool,
    by: str,
    finding: str | None = None,
    on: str | None = None,
    who: str = _WHO,
) -> dict[str, Any]:
    """Approve or refuse a sample, by name and day.

    Raises
    ------
    InputError
        Nobody is named; a refusal says nothing; or an approval of what was not tested, failed a test, or has a test open.
    """
    if not by.strip():
        raise InputError("nobody is named who decides", "Name who decides.")
    if not approve and not (finding or "").strip():
        raise InputError("a refusal says nothing", "Give the finding: what the sample showed.")
    changed = {
        "state": "approved" if approve else "refused",
        "decided_by": by.strip(),
        "decided_on": day_of(on),
        "finding": finding or None,
    }

    def decided(row: Mapping[Any, Any]) -> dict[str, Any]:
        if approve:
            _need_passed(row)
        return changed

    return _step(folder, name, ("sample here",), decided, who=who)


def _need_passed(row: Mapping[Any, Any]) -> None:
    """A sample is approved on tests that it passed; the last word on a test counts, one done again replaces the one before."""
    tests = row["tests"] or ()
    if not tests:
        raise InputError(
            f"{row['id']}: the sample was not tested",
            "Enter what was tested, its value and by whom: strength, water taken up, salts, density, colour.",
        )
    last = {t["name"]: t for t in tests}
    wrong = [t for t in last.values() if t.get("result") != "pass"]
    if wrong:
        raise InputError(
            f"{row['id']}: {wrong[0]['name']} is {wrong[0].get('result', 'open')}",
            "Test again, or refuse the sample.",
        )


def order_stone(
    folder: str | Path,
    name: str,
    *,
    by: str,
    volume_m3: float,
    price: str | None = None,
    due: str | None = None,
    on: str | None = None,
    who: str = _WHO,
) -> dict[str, Any]:
    """Enter an order of stone whose sample was approved.

    Raises
    ------
    InputError
        Nobody is named, no volume, or the sample is not approved.
    """
    if not by.strip():
        raise InputError("nobody is named who orders", "Name who orders.")
    if not volume_m3 > 0:
        raise InputError(f"{volume_m3:g} m3 is no order", "Give a volume above 0.")
    changed = {
        "state": "ordered",
        "ordered_by": by.strip(),
        "ordered_on": day_of(on),
        "volume_m3": float(volume_m3),
        "price": price or None,
        "due_on": due or None,
    }
    return _step(folder, name, ("approved",), lambda row: changed, who=who)


def take_delivery(
    folder: str | Path, name: str, path: Path, *, on: str | None = None, who: str = _WHO
) -> dict[str, Any]:
    """Read the blocks that came with an order into the yard, and write down that they came with it.

    Every block must be of the stone that was ordered; blocks come in as the file says, untested where it says nothing, so
    that they are not matched before they were accepted.

    Raises
    ------
    InputError
        Nothing was ordered, or the file holds other stone or blocks that the yard knows already.
    """
    day = day_of(on)
    with Project.open(folder, read_only=True) as project:
        order = project.row("orders", name)
        _need_state(order, name, ("ordered",))
        known = {same_id(b) for b in project.read("blocks")["id"]}

    def wanted(rows: Sequence[BlockRow]) -> None:
        for block in (row.block for row in rows):
            if not _same(block.get("stone_type"), str(order["stone_type"])):
                raise InputError(
                    f"block {block['id']} is {block.get('stone_type')}, but {order['stone_type']} was ordered",
                    "Send it back, or read it with facademap add-blocks as other stone.",
                )
            if same_id(str(block["id"])) in known:
                raise InputError(
                    f"block {block['id']} is in the yard already",
                    "Give what came a number of its own.",
                )

    def delivered(edit: Edit, rows: Sequence[BlockRow]) -> None:
        names = sorted(str(row.block["id"]) for row in rows)
        values = {"state": "delivered", "delivered_on": day, "blocks": names}
        edit.update("orders", name, values, rev=order["rev"])
        for row in rows:
            if is_missing(row.block.get("provenance")):
                came = {"provenance": f"delivery {name}, {order['supplier']}"}
                edit.update("blocks", str(row.block["id"]), came)

    found = add_blocks(folder, path, judge=wanted, along=delivered, who=who)
    with Project.open(folder, read_only=True) as project:
        return {**_with_difference(project.row("orders", name)), "notes": found["notes"]}


def colour_difference(row: Mapping[Any, Any]) -> float | None:
    """CIEDE2000 between the colour wanted and that of the sample; ``None`` where one is not known."""
    if is_missing(row.get("lab_wanted")) or is_missing(row.get("lab_sample")):
        return None
    return float(difference_ciede2000(np.array(row["lab_wanted"]), np.array(row["lab_sample"])))


def orders_of(project: Project) -> list[dict[str, Any]]:
    """All enquiries of a project, by id, each with the colour difference of its sample."""
    return [_with_difference(r) for r in plain_rows(project, "orders")]


def list_orders(folder: str | Path) -> list[dict[str, Any]]:
    """:func:`orders_of` a project that is not open."""
    with Project.open(folder, read_only=True) as project:
        return orders_of(project)


def _step(
    folder: str | Path,
    name: str,
    before: Sequence[str],
    change: Callable[[Mapping[Any, Any]], Mapping[str, Any]],
    *,
    who: str,
    photo: str | None = None,
) -> dict[str, Any]:
    """Change an enquiry by what its row says when it is changed: two who enter at once lose nothing."""
    with Project.open(folder) as project:
        row = project.row("orders", name)
        _need_state(row, name, before)
        if photo:
            project.row("photos", photo)
        changed = change(row)
        what = f"{name}: {changed.get('state', 'tested')}"
        with gated_edit(project, who=who, what=what) as edit:
            edit.update("orders", name, dict(changed), rev=row["rev"])
        return _with_difference(project.row("orders", name))


_NEXT: Mapping[str, str] = {
    "asked": "Enter the sample first.",
    "sample here": "Approve or refuse the sample first.",
    "approved": "Enter the order first.",
    "refused": "Enter a new sample, or ask elsewhere.",
    "ordered": "Enter what came with facademap stone.",
    "delivered": "It is finished; ask anew for more stone.",
}


def _need_state(row: Mapping[Any, Any], name: str, before: Sequence[str]) -> None:
    state = str(row["state"])
    if state not in before:
        raise InputError(f"{name} is {state}", _NEXT[state])


def _same(one: Any, other: str) -> bool:
    return not is_missing(one) and str(one).strip().lower() == other.strip().lower()


def _mean_colour(pieces: Sequence[Mapping[Any, Any]]) -> list[float] | None:
    known = [p["lab"] for p in pieces if isinstance(p["lab"], list) and len(p["lab"]) == 3]
    return [round(float(v), 2) for v in np.mean(known, axis=0)] if known else None


def _with_difference(row: Mapping[Any, Any]) -> dict[str, Any]:
    return {**plain_row("orders", row), "colour_difference": colour_difference(row)}
