"""Trade values of treatments other than insets: each with unit, source and status."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from facademap.errors import InputError
from facademap.repair.settings import STATUSES, TradeValue, parse_toml
from facademap.units import M_PER_INCH

__all__ = ["TreatmentValues", "read_treatment_values"]

#: Factor to SI (months and degrees Celsius stay as they are).
_UNITS: Mapping[str, float] = {
    "1": 1.0,
    "%": 0.01,
    "mm": 0.001,
    "m": 1.0,
    "in": M_PER_INCH,
    "m2": 1.0,
    "deg": 1.0,
    "degC": 1.0,
    "h": 1.0,
    "months": 1.0,
    "L/m2": 0.001,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentValues:
    """Values by name (``repoint.layer``), in SI, with where each comes from.

    Parameters
    ----------
    numbers : mapping of str to float
        In SI: metres, square metres, cubic metres a square metre; hours, months, degrees and degrees Celsius as named.
    values : mapping of str to TradeValue
        As they stand in the table, with unit, source, status and note.
    """

    numbers: Mapping[str, float]
    values: Mapping[str, TradeValue]

    def __getitem__(self, name: str) -> float:
        return self.numbers[name]

    def with_values(self, changes: Mapping[str, Any], *, source: str) -> TreatmentValues:
        """The same table with values decided for a project, each in the unit of the table.

        Parameters
        ----------
        changes : mapping of name to number
            In the unit that the table gives for that value.
        source : str
            Who or what decided.

        Raises
        ------
        InputError
            A name is unknown, or a value is no positive number.
        """
        numbers, values = dict(self.numbers), dict(self.values)
        for name, value in changes.items():
            if name not in values:
                raise InputError(
                    f"no treatment value is named {name!r}", f"Use one of {', '.join(values)}."
                )
            unit = values[name].unit
            numbers[name] = _si(value, unit, where=f"treatment value {name}")
            values[name] = TradeValue(
                name=name, value=float(value), unit=unit, source=source, status="project"
            )
        return TreatmentValues(numbers=MappingProxyType(numbers), values=MappingProxyType(values))


def read_treatment_values(text: str, *, where: str = "treatment values") -> TreatmentValues:
    """The values of a TOML text: a table ``[FAMILY.NAME]`` with ``value, unit, source, status`` for each.

    Parameters
    ----------
    text : str
    where : str
        Named in errors.

    Raises
    ------
    InputError
        A value lacks a number, a unit, a source or a status, or has one that is unknown.
    """
    numbers: dict[str, float] = {}
    values: dict[str, TradeValue] = {}
    for family, entries in parse_toml(text, where=where).items():
        for key, entry in entries.items():
            name = f"{family}.{key}"
            place = f"{where}, {name}"
            if not {"value", "unit", "source", "status"} <= set(entry):
                raise InputError(
                    f"{place}: value, unit, source and status are not all given",
                    "Add what is missing.",
                )
            if entry["status"] not in STATUSES:
                raise InputError(
                    f"{place}: status {entry['status']!r} is unknown",
                    f"Use one of {', '.join(STATUSES)}.",
                )
            numbers[name] = _si(entry["value"], str(entry["unit"]), where=place)
            values[name] = TradeValue(
                name=name,
                value=float(entry["value"]),
                unit=str(entry["unit"]),
                source=str(entry["source"]),
                status=entry["status"],
                note=str(entry.get("note", "")),
            )
    return TreatmentValues(numbers=MappingProxyType(numbers), values=MappingProxyType(values))


def _si(value: Any, unit: str, *, where: str) -> float:
    if unit not in _UNITS:
        raise InputError(f"{where}: unit {unit!r} is unknown", f"Use one of {', '.join(_UNITS)}.")
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{where}: {value!r} is not a number", "Give a finite number.")
    if value <= 0:
        raise InputError(f"{where}: {value:g} is not positive", "Give a number above 0.")
    return float(value) * _UNITS[unit]
