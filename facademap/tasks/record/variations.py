"""Variations of the contract: raised with a reason, agreed by name and day."""

from __future__ import annotations

import math
from typing import Any

from facademap.errors import InputError
from facademap.report.quantities import MEASURES, unit_said
from facademap.report.variations import read_contract
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import UNDECIDED, VARIATION_MEASURES, is_missing
from facademap.tasks.plan.reading import reads_inches
from facademap.tasks.record.days import day_of
from facademap.tasks.record.plain_rows import plain_row, plain_rows

__all__ = [
    "CONTRACT",
    "decide_variation",
    "fix_contract",
    "list_variations",
    "list_variations_said",
    "measures_said",
    "raise_variation",
]

#: Setting that holds the quantities of the contract.
CONTRACT = "contract"
_MEASURE = {m.name: m for m in MEASURES}


def raise_variation(
    folder: Any,
    *,
    what: str,
    reason: str,
    quantity: float | None = None,
    rate: float | None = None,
    amount: float | None = None,
    who: str = "facademap variation",
    **told: Any,
) -> dict[str, Any]:
    """Enter a variation; it counts for nothing until it is agreed.

    Parameters
    ----------
    folder : path
        Project.
    what, reason : str
        What is added or left out, and why.
    quantity, rate : float, optional
        More of a measure (less than nothing for an omission), and the price of one unit, both in the unit in which the
        office reads the bill: square metres, or square feet in a project that reads inches first.
    amount : float, optional
        A fixed amount in place of them.
    who : str
        Named in the history.
    **told
        ``repair``, ``elevation``, ``treatment``, ``measure``, ``currency``, ``raised_on``, ``note``.

    Returns
    -------
    dict
        The row.

    Raises
    ------
    InputError
        It says nothing of its size, or says it twice; a quantity without its measure and treatment; money without
        its currency.
    """
    values = {k: v for k, v in told.items() if not is_missing(v)}
    for name, text in (("what", what), ("reason", reason)):
        if not text.strip():
            raise InputError(f"the variation does not say its {name}", f"Give its {name}.")
    _need_size(values, quantity, rate, amount)
    with Project.open(folder) as project:
        if quantity is not None:
            measure = _MEASURE[str(values["measure"])]
            _, many = unit_said(measure, inches=reads_inches(project))
            values["quantity"] = quantity / many
            if rate is not None:
                values["rate"] = rate * many
        if amount is not None:
            values["amount"] = amount
        values["raised_on"] = day_of(
            values.get("raised_on"), "Give the day on which it was raised."
        )
        with gated_edit(project, who=who, what=f"variation: {what[:60]}") as edit:
            row = {"id": edit.new_id("N"), "what": what, "reason": reason, **values}
            edit.insert("variations", [{**row, "result": "open"}])
        return plain_row("variations", project.row("variations", row["id"]))


def _need_size(
    values: dict[str, Any], quantity: float | None, rate: float | None, amount: float | None
) -> None:
    if (quantity is None) == (amount is None):
        raise InputError(
            "a variation has either a quantity or a fixed amount",
            "Give a quantity with its treatment and measure, or an amount with its currency.",
        )
    size = quantity if amount is None else amount
    if not math.isfinite(size or 0.0) or size == 0:
        raise InputError(
            "a variation of nothing changes nothing", "Give how much more, or less with a minus."
        )
    if quantity is not None and not ("treatment" in values and "measure" in values):
        raise InputError(
            "the quantity does not say of what",
            "Give its treatment and its measure, as in the bill.",
        )
    if values.get("measure") not in (None, *VARIATION_MEASURES):
        raise InputError(
            f"{values['measure']!r} is no measure of the bill",
            f"Use one of {', '.join(VARIATION_MEASURES)}.",
        )
    if quantity is None and (rate is not None or "measure" in values):
        raise InputError(
            "a fixed amount has no rate and no measure",
            "Leave rate and measure out, or give a quantity in place of the amount.",
        )
    if rate is not None and (rate < 0 or not math.isfinite(rate)):
        raise InputError(f"the rate {rate:g} is no price", "Give a number of 0 or more.")
    if (rate is not None or amount is not None) and "currency" not in values:
        raise InputError("money without its currency", "Give the currency, such as EUR.")


def decide_variation(
    folder: Any,
    variation: str,
    result: str,
    *,
    by: str,
    on: str | None = None,
    note: str | None = None,
    who: str = "facademap variation",
) -> dict[str, Any]:
    """Agree to a variation or refuse it, by name and day.

    Parameters
    ----------
    folder : path
    variation : str
        Its number.
    result : str
        ``agreed``, ``refused``, or ``open`` to take a decision back.
    by : str
        Who decided.
    on : str, optional
        Day as YYYY-MM-DD; today when not given.
    note : str, optional
        Remark; a refusal needs it.

    Raises
    ------
    InputError
        No name, a refusal without a reason, a decision over another, or a day that has not come or lies before the
        day on which it was raised.
    """
    if result != "open" and not by.strip():
        raise InputError("nobody is named who decides", "Name who decides.")
    if result == "refused" and not (note or "").strip():
        raise InputError("a refusal says nothing", "Give a note: why it was refused.")
    day = day_of(on, "Give the day on which it was decided.")
    with Project.open(folder) as project:
        row = project.row("variations", variation)
        _need_turn(row, result, day)
        taken_back = result == "open"
        changed: dict[str, Any] = {
            "result": result,
            "agreed_by": None if taken_back else by.strip(),
            "agreed_on": None if taken_back else day,
        }
        if note:
            changed["note"] = note
        with gated_edit(project, who=who, what=f"variation {variation}: {result}") as edit:
            edit.update("variations", variation, changed, rev=row["rev"])
        return plain_row("variations", project.row("variations", variation))


def _need_turn(row: Any, result: str, day: str) -> None:
    """A decision goes on what is open; taking back goes on what is decided."""
    was = str(row["result"])
    if (was == "open") == (result == "open"):
        decided = f"by {row['agreed_by']} on {row['agreed_on']}" if was != "open" else ""
        raise InputError(
            f"variation {row['id']} is {was} {decided}".strip(),
            "Take the decision back first." if was != "open" else "There is nothing to take back.",
        )
    if result != "open" and not is_missing(row["raised_on"]) and day < row["raised_on"]:
        raise InputError(
            f"variation {row['id']} was raised on {row['raised_on']}, after {day}",
            "Give the day on which it was decided.",
        )


def fix_contract(
    folder: Any,
    *,
    by: str,
    on: str | None = None,
    again: bool = False,
    who: str = "facademap variation",
) -> dict[str, Any]:
    """Keep the quantities as they stand now for those of the contract; undone like every edit.

    Parameters
    ----------
    folder : path
    by : str
        Who agreed to the contract.
    on : str, optional
        Day as YYYY-MM-DD; today when not given.
    again : bool
        Whether one that is kept already is replaced.

    Returns
    -------
    dict
        ``on``, ``by`` and ``quantities``: treatment, measure and quantity in its stored unit.

    Raises
    ------
    InputError
        Nobody is named, nothing is planned, or a contract is kept already.
    """
    from facademap.tasks.issue.papers_context import Choices, Context
    from facademap.tasks.issue.papers_list import measured_as_planned

    if not by.strip():
        raise InputError("nobody is named who agreed", "Give --by.")
    day = day_of(on)
    with Project.open(folder) as project:
        kept = read_contract(project.setting(CONTRACT))
        if kept is not None and not again:
            raise InputError(
                f"the contract of {kept.on}, agreed by {kept.by}, is kept already",
                "Enter what changed as variations, or give --again to replace it.",
            )
        table = measured_as_planned(Context(project=project, choices=Choices())).breakdown(
            "repairs", "treatment"
        )
        quantities = [
            {"treatment": str(t), "measure": m, "quantity": float(table[m][t])}
            for t in table.index
            for m in VARIATION_MEASURES
            if t not in ("leave", UNDECIDED) and table[m][t] > 0
        ]
        if not quantities:
            raise InputError(
                "no repair is planned, so there are no quantities", "Make a plan first."
            )
        value = {"on": day, "by": by.strip(), "quantities": quantities}
        with gated_edit(
            project, who=who, what=f"contract of {day}, agreed by {by.strip()}"
        ) as edit:
            edit.set(CONTRACT, value)
    return value


def list_variations(folder: Any) -> list[dict[str, Any]]:
    """All variations of a project, by number."""
    with Project.open(folder, read_only=True) as project:
        return plain_rows(project, "variations")


def measures_said(project: Project) -> list[dict[str, str]]:
    """Figures by which a variation may be measured: ``name``, ``title`` and ``unit`` as the office reads the bill."""
    inches = reads_inches(project)
    measures = [_MEASURE[name] for name in VARIATION_MEASURES]
    return [
        {"name": m.name, "title": m.title, "unit": unit_said(m, inches=inches)[0]} for m in measures
    ]


def list_variations_said(project: Project) -> list[dict[str, Any]]:
    """All variations by number, each with its ``size`` in words: quantity in the unit of the bill, rate, or amount."""
    inches = reads_inches(project)
    return [
        {**row, "size": _size_said(row, inches=inches)} for row in plain_rows(project, "variations")
    ]


def _size_said(row: dict[str, Any], *, inches: bool) -> str:
    money = f" {row['currency']}" if row["currency"] else ""
    if row["amount"] is not None:
        return f"{row['amount']:+,.2f}{money}"
    measure = _MEASURE.get(str(row["measure"]))
    if row["quantity"] is None or measure is None:
        return ""
    unit, many = unit_said(measure, inches=inches)
    rate = "" if row["rate"] is None else f" at {row['rate'] / many:,.2f}{money}"
    return f"{row['quantity'] * many:+,.{measure.decimals}f} {unit} {measure.title.lower()}{rate}"
