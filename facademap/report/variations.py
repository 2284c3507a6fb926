"""What variations come to: those that are agreed change the sum, those that are open are told beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from facademap.report.costs import Rates
from facademap.report.quantities import MEASURES, Measure, Quantities, measured_by
from facademap.report.rows import rows_of
from facademap.tables import UNDECIDED, is_missing, text_of

__all__ = [
    "Contract",
    "Line",
    "Variation",
    "against_contract",
    "read_contract",
    "sum_agreed",
    "value_variations",
]

_MEASURE: Mapping[str, Measure] = {m.name: m for m in MEASURES}


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """One variation and what it comes to.

    Parameters
    ----------
    id, what, reason : str
    about : str
        Repair or elevation; empty for the whole contract.
    result : str
        ``open``, ``agreed`` or ``refused``.
    raised_on, by, on : str
        Day it was raised; who decided and when, empty while it is open.
    treatment : str
    measure : Measure or None
    quantity, rate : float or None
        In the stored unit of the measure.
    amount : float or None
        Likely amount; ``None`` where nothing prices it.
    fixed : bool
        Whether the amount is a fixed one.
    currency : str
        Of the bill.
    unpriced : str
        Why it has no amount.
    note : str
    """

    id: str
    what: str
    reason: str
    about: str = ""
    result: str = "open"
    raised_on: str = ""
    by: str = ""
    on: str = ""
    treatment: str = ""
    measure: Measure | None = None
    quantity: float | None = None
    rate: float | None = None
    amount: float | None = None
    fixed: bool = False
    currency: str = ""
    unpriced: str = ""
    note: str = ""

    @property
    def agreed(self) -> bool:
        """Whether it counts."""
        return self.result == "agreed"


def value_variations(frame: pd.DataFrame, rates: Rates | None) -> tuple[Variation, ...]:
    """Variations by number, each with its amount.

    A fixed amount stands as it is; else quantity times the rate of the variation, else times the likely rate of the
    office for its treatment and measure. An amount in another currency than the bill is not added.

    Parameters
    ----------
    frame : DataFrame
        Table ``variations``.
    rates : Rates, optional
        Rates of the office.

    Returns
    -------
    tuple of Variation
    """
    rows = list(rows_of(frame.sort_values("id"))) if len(frame) else []
    said = [c for r in rows if (c := text_of(r["currency"]))]
    currency = rates.currency if rates else said[0] if said else ""
    return tuple(_valued(row, rates, currency) for row in rows)


def sum_agreed(variations: Sequence[Variation]) -> tuple[float, int]:
    """Sum of what is agreed, and how many that are agreed have no amount."""
    agreed = [v for v in variations if v.agreed]
    return sum(v.amount or 0.0 for v in agreed), sum(v.amount is None for v in agreed)


def _valued(row: Mapping[Any, Any], rates: Rates | None, currency: str) -> Variation:
    quantity, amount = _number(row["quantity"]), _number(row["amount"])
    fixed = amount is not None
    rate, said, why = _number(row["rate"]), text_of(row["currency"]), ""
    treatment, measure = text_of(row["treatment"]), text_of(row["measure"])
    if amount is None and quantity is not None:
        if rate is None and rates is not None:
            rate = next(
                (r.likely for r in rates.rates if (r.treatment, r.measure) == (treatment, measure)),
                None,
            )
            said = ""
        amount = None if rate is None else quantity * rate
        why = "" if rate is not None else "no rate"
    elif amount is None:
        why = "no amount"
    if amount is not None and said and said != currency:
        amount, why = None, f"in {said}, not {currency}"
    return Variation(
        id=str(row["id"]),
        what=text_of(row["what"]),
        reason=text_of(row["reason"]),
        about=text_of(row["repair"]) or text_of(row["elevation"]),
        result=text_of(row["result"]) or "open",
        raised_on=text_of(row["raised_on"]),
        by=text_of(row["agreed_by"]),
        on=text_of(row["agreed_on"]),
        treatment=treatment,
        measure=_MEASURE.get(measure),
        quantity=quantity,
        rate=rate,
        amount=amount,
        fixed=fixed,
        currency=currency,
        unpriced=why,
        note=text_of(row["note"]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Contract:
    """Quantities that were agreed at the beginning.

    Parameters
    ----------
    on, by : str
        Day, and who agreed.
    quantities : mapping of (treatment, measure) to float
        In the stored unit of the measure.
    """

    on: str
    by: str
    quantities: Mapping[tuple[str, str], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One quantity of the contract beside what became of it, in the stored unit of its measure.

    Parameters
    ----------
    treatment : str
    measure : Measure
    contract, agreed, now : float
        In the contract; agreed since; as designed, or as measured where it has been cut.
    """

    treatment: str
    measure: Measure
    contract: float
    agreed: float
    now: float

    @property
    def beyond_agreed(self) -> float:
        """What is there now and nobody agreed to; less than nothing where less is done than was agreed."""
        return self.now - self.contract - self.agreed


def read_contract(kept: Any) -> Contract | None:
    """The contract as the project keeps it; ``None`` where none is kept."""
    if not isinstance(kept, Mapping) or not isinstance(kept.get("quantities"), list):
        return None
    return Contract(
        on=str(kept.get("on", "")),
        by=str(kept.get("by", "")),
        quantities={
            (str(q["treatment"]), str(q["measure"])): float(q["quantity"])
            for q in kept["quantities"]
        },
    )


def against_contract(
    contract: Contract, variations: Sequence[Variation], quantities: Quantities
) -> tuple[Line, ...]:
    """Each quantity of the contract, what was agreed since, and what it is now.

    Parameters
    ----------
    contract : Contract
    variations : sequence of Variation
        Those with a fixed amount have no quantity and are in no line.
    quantities : Quantities

    Returns
    -------
    tuple of Line
        By treatment, each by the measures of the bill and by those in which something was agreed; without lines of
        nothing.
    """
    now = quantities.breakdown("repairs", "treatment")
    agreed: dict[tuple[str, str], float] = {}
    for v in variations:
        if v.agreed and v.measure is not None and v.quantity is not None:
            key = (v.treatment, v.measure.name)
            agreed[key] = agreed.get(key, 0.0) + v.quantity
    treatments = {t for t, _ in (*contract.quantities, *agreed)} | {str(t) for t in now.index}
    lines = (
        Line(
            treatment=treatment,
            measure=_MEASURE[name],
            contract=contract.quantities.get((treatment, name), 0.0),
            agreed=agreed.get((treatment, name), 0.0),
            now=float(now[name].get(treatment, 0.0)),
        )
        for treatment in sorted(treatments - {"leave", UNDECIDED})
        for name in dict.fromkeys(
            (*measured_by(treatment), *(m for t, m in agreed if t == treatment))
        )
    )
    return tuple(line for line in lines if line.contract or line.agreed or line.now)


def _number(value: Any) -> float | None:
    return None if is_missing(value) else float(value)
