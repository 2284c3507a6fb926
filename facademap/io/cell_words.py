"""What the cells of a table mean: names of columns with their units, decimal signs, dates.

A file is read in one way throughout: what one row shows holds for all, and rows that contradict each other stop.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from facademap.errors import InputError
from facademap.units import LENGTH_UNITS_M, WEIGHT_UNITS_KG, length_m_from_text, unit_named

__all__ = [
    "DayOrder",
    "HeaderMatch",
    "cell_in_unit",
    "column_unit",
    "day_order",
    "decimal_sign",
    "iso_date",
    "match_column",
    "plain_number",
]

#: Words that mean the same column; the first match in a table's own columns counts.
_SAME = (
    ("east", "e", "easting"),
    ("north", "n", "northing"),
    ("height", "h", "elev", "level", "rl"),
    ("length", "l"),
    ("depth", "d"),
    ("name", "point", "point_name", "pt", "point_no", "point_id"),
    ("id", "no", "block_no", "stone_no"),
    ("photo", "picture", "image", "file"),
    ("stone_type", "stone", "material"),
    ("note", "notes", "remark", "remarks", "comment", "comments"),
    ("sigma", "sd", "std", "precision"),
)
#: World coordinates whose header names no unit are in metres, the unit of nearly every projected system.
_WORLD = frozenset({"e", "n", "h", "east", "north", "height", "easting", "northing"})
_SUFFIXES = ("ftus", "mm", "cm", "in", "ft", "kg", "lb", "px", "deg", "m", "t")
_PLAIN = re.compile(r"^[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?$", re.IGNORECASE)
_COMMA = re.compile(r"^[+-]?(\d{1,3}(\.\d{3})+|\d*),\d+$")
_THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2}(,\d{3})+$")
_POINT_THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2}(,\d{3})+\.\d+$")
_SPACED = re.compile(r"^([+-]?\d{1,3}(?:[   '’]\d{3})+)([.,]\d+)?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderMatch:
    """A header cell understood: our column, the unit its cells are in (None where none is said)."""

    column: str
    unit: str | None
    stated: bool


def column_unit(column: str) -> tuple[str, str | None]:
    """Base and unit of one of our column names: ``depth_mm`` is ``depth`` in ``mm``."""
    for suffix in _SUFFIXES:
        if column.endswith(f"_{suffix}"):
            return column.removesuffix(f"_{suffix}"), suffix
    return column, None


def match_column(
    header: str, columns: Sequence[str], *, mapping: Mapping[str, str] | None = None
) -> HeaderMatch | None:
    """Our column that a header cell names, in any case, with its unit behind it or in brackets.

    Parameters
    ----------
    header : str
    columns : sequence of str
        Our columns of this table.
    mapping : mapping, optional
        An office's own names to ours, before all else; ours may carry another unit than the table's.
    """
    text = " ".join(header.replace("\ufeff", "").split())
    for theirs, ours in (mapping or {}).items():
        if text.lower() == theirs.strip().lower():
            text = ours
    if text in columns:
        return HeaderMatch(column=text, unit=column_unit(text)[1], stated=True)
    base, unit = _base_and_unit(text)
    for wanted in (base, *_same_words(base)):
        for column in columns:
            known, own = column_unit(column)
            if known != wanted and column.lower() != wanted:
                continue
            if column.lower() == wanted and unit is None:
                return HeaderMatch(column=column, unit=own, stated=True)
            if unit is None:
                assumed = own in (None, "px", "deg") or (own == "m" and wanted in _WORLD)
                return HeaderMatch(column=column, unit=own if assumed else None, stated=assumed)
            if _convertible(unit, own):
                return HeaderMatch(column=column, unit=unit, stated=True)
    return None


def _base_and_unit(text: str) -> tuple[str, str | None]:
    """``Length [mm]``, ``length (in)``, ``length, mm``, ``Length_IN``, ``length`` alone."""
    bracket = re.match(r"^(.*?)\s*[\[(]\s*([^\])]+?)\s*[\])]\s*$", text)
    if bracket and unit_named(bracket[2]):
        return _folded(bracket[1]), unit_named(bracket[2])
    folded = _folded(text)
    if folded.lower() == folded and "_" in folded:
        base, _, last = folded.rpartition("_")
        if unit_named(last) and base:
            return base, unit_named(last)
    return folded, None


def _folded(text: str) -> str:
    return re.sub(r"[^0-9a-z]+", "_", text.lower()).strip("_")


def _same_words(base: str) -> tuple[str, ...]:
    return next((tuple(w for w in group if w != base) for group in _SAME if base in group), ())


def _convertible(unit: str, own: str | None) -> bool:
    if own is None or unit == own:
        return unit == own
    return any({unit, own} <= set(units) for units in (LENGTH_UNITS_M, WEIGHT_UNITS_KG))


def decimal_sign(
    cells: Iterable[tuple[str, str]], *, separator: str = "", stated: str | None = None
) -> str:
    """The decimal sign of a table from all its numbers, ``.`` or ``,``.

    Parameters
    ----------
    cells : iterable of (where, text)
        Cells of columns that hold numbers.
    separator : str
        What parts the columns: where it is a semicolon, commas are decimal signs.
    stated : str, optional
        What the user said.

    Raises
    ------
    InputError
        Rows contradict each other, or nothing tells a decimal comma from one between thousands.
    """
    comma = point = doubtful = None
    for where, text in cells:
        if "," in text and _COMMA.match(text) and not _THOUSANDS.match(text):
            comma = comma or (where, text)
        elif "." in text and (_PLAIN.match(text) or _POINT_THOUSANDS.match(text)):
            point = point or (where, text)
        elif _THOUSANDS.match(text):
            doubtful = doubtful or (where, text)
    if stated:
        return stated
    if comma and point:
        raise InputError(
            f"{comma[0]}: {comma[1]} has a decimal comma, and {point[0]} has {point[1]} with a decimal point",
            "Use one decimal sign in the whole table, or state it with --decimal.",
        )
    if doubtful and not comma:
        if separator == ";" and not point:
            return ","
        raise InputError(
            f"{doubtful[0]}: {doubtful[1]} may have a decimal comma or one between thousands",
            "Write it without a comma, or state the sign with --decimal comma or --decimal point.",
        )
    return "," if comma else "."


def plain_number(text: str, sign: str) -> str:
    """A number with a decimal point and nothing between thousands; other text as it is."""
    spaced = _SPACED.match(text)
    if spaced:
        text = re.sub(r"[   '’]", "", spaced[1]) + (spaced[2] or "")
    if sign == "," and _COMMA.match(text):
        return text.replace(".", "").replace(",", ".")
    if sign == "." and (_THOUSANDS.match(text) or _POINT_THOUSANDS.match(text)):
        return text.replace(",", "")
    return text


def cell_in_unit(text: str, *, unit: str | None, own: str, sign: str) -> str:
    """A cell of a dimension as a plain number in its column's own unit.

    Raises
    ------
    ValueError
        With what is wrong. Lists of corners are scaled number by number.
    """
    plain = plain_number(text.strip(), sign)
    if not plain:
        return ""
    if own in ("px", "deg") or own in WEIGHT_UNITS_KG:
        return _in_other_unit(plain, unit, own)
    if _is_list(plain):
        if sign == ",":
            plain = re.sub(r"(?<=\d),(?=\d)", ".", plain)
        if unit is None:
            raise ValueError("lengths without their unit")
        return plain if unit == own else _scaled(plain, LENGTH_UNITS_M[unit] / LENGTH_UNITS_M[own])
    if unit == own and _PLAIN.match(plain):
        return plain
    if not any(c.isdigit() for c in plain) and "½" not in plain:
        return plain
    if sign == ",":
        plain = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    length = length_m_from_text(plain, unit=unit) / LENGTH_UNITS_M[own]
    return repr(round(length, 9) + 0.0)


def _in_other_unit(plain: str, unit: str | None, own: str) -> str:
    if own not in WEIGHT_UNITS_KG:
        return plain
    found = re.match(r"^([+-]?[\d.]+(?:e[+-]?\d+)?)\s*([a-z]+)$", plain, re.IGNORECASE)
    if found and unit_named(found[2]) in WEIGHT_UNITS_KG:
        plain, unit = found[1], unit_named(found[2])
    if unit is None:
        raise ValueError("a weight without its unit")
    if unit == own or not _PLAIN.match(plain):
        return plain
    return repr(round(float(plain) * WEIGHT_UNITS_KG[unit] / WEIGHT_UNITS_KG[own], 9))


def _is_list(text: str) -> bool:
    """Whether the cell holds corners or flaws: pairs of numbers, parted by commas."""
    return bool(re.search(r"\d\s+[-+]?[\d.,]+\s*[,;]\s*[-+]?[\d.]", text)) or ":" in text


def _scaled(text: str, factor: float) -> str:
    return re.sub(r"\d+(?:\.\d*)?|\.\d+", lambda n: repr(round(float(n[0]) * factor, 6)), text)


DayOrder = str
_DMY = re.compile(r"^(\d{1,2})([./-])(\d{1,2})\2(\d{4})$")


def day_order(cells: Iterable[tuple[str, str]], *, stated: DayOrder | None = None) -> DayOrder:
    """Whether dates such as 03/04/2026 have the day first, from all dates of a column.

    Returns
    -------
    str
        ``day-first`` or ``month-first``.

    Raises
    ------
    InputError
        The dates contradict each other, or all of them can be read both ways.
    """
    if stated:
        return stated
    day = month = doubtful = None
    for where, text in cells:
        found = _DMY.match(text.strip())
        if not found:
            continue
        first, second = int(found[1]), int(found[3])
        if first > 12 or found[2] == ".":
            day = day or (where, text)
        elif second > 12:
            month = month or (where, text)
        elif first != second:
            doubtful = doubtful or (where, text)
    if day and month:
        raise InputError(
            f"{day[0]}: {day[1]} has the day first, and {month[0]} has {month[1]} with the month first",
            "Write all dates as YYYY-MM-DD.",
        )
    if doubtful and not day and not month:
        raise InputError(
            f"{doubtful[0]}: {doubtful[1]} may have the day or the month first",
            "Write it as YYYY-MM-DD, or say --dates day-first or --dates month-first.",
        )
    return "month-first" if month else "day-first"


def iso_date(text: str, order: DayOrder) -> str:
    """A date as YYYY-MM-DD; text that is no date as it is, for its column to refuse."""
    found = _DMY.match(text.strip())
    if not found:
        return text
    first, second, year = int(found[1]), int(found[3]), int(found[4])
    day, month = (first, second) if order == "day-first" else (second, first)
    try:
        return dt.date(year, month, day).isoformat()
    except ValueError:
        return text
