"""Options that say what a table does not say of itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import click

__all__ = ["table_options", "table_words"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def table_options(function: _Function) -> _Function:
    """Add ``--unit --decimal --dates --column --sheet``; the command receives one ``words`` argument."""

    @click.option(
        "--unit",
        type=click.Choice(["m", "cm", "mm", "in", "ft", "ftus", "px"]),
        help="Unit of lengths or coordinates where the file names none.",
    )
    @click.option(
        "--decimal",
        type=click.Choice(["comma", "point"]),
        help="Decimal sign, where it cannot be told.",
    )
    @click.option(
        "--dates",
        type=click.Choice(["day-first", "month-first"]),
        help="Order of dates such as 03/04/2026.",
    )
    @click.option(
        "--column",
        "columns",
        multiple=True,
        metavar="THEIRS=OURS",
        help="A column of the file and what it is here; the project remembers it.",
    )
    @click.option("--sheet", help="Sheet of a spreadsheet.")
    def wrapped(
        *args: Any,
        unit: str | None,
        decimal: str | None,
        dates: str | None,
        columns: tuple[str, ...],
        sheet: str | None,
        **named: Any,
    ) -> Any:
        from facademap.io.csv_tables import TableWords

        words = TableWords(
            unit=unit, decimal=decimal, dates=dates, columns=_pairs(columns), sheet=sheet
        )
        return function(*args, words=words, **named)

    wrapped.__click_params__ = getattr(function, "__click_params__", []) + wrapped.__click_params__  # type: ignore[attr-defined]
    wrapped.__doc__ = function.__doc__
    wrapped.__name__ = function.__name__
    return wrapped  # type: ignore[return-value]


def table_words(*, without: tuple[str, ...] = ()) -> Callable[[_Function], _Function]:
    """Add the same options to a command that reads its tables through other hands; they hold for all of them.

    Parameters
    ----------
    without : tuple of str
        Options that the command has for something else.
    """

    def decorate(function: _Function) -> _Function:
        def wrapped(*args: Any, **named: Any) -> Any:
            from facademap.io.csv_tables import TableWords, spoken_words

            said = {name: named.pop(f"table_{name}", None) for name in _OPTIONS}
            words = TableWords(**{**said, "columns": _pairs(said["columns"] or ())})
            with spoken_words(words):
                return function(*args, **named)

        wrapped.__click_params__ = getattr(function, "__click_params__", [])  # type: ignore[attr-defined]
        wrapped.__doc__ = function.__doc__
        wrapped.__name__ = function.__name__
        for name in reversed(tuple(_OPTIONS)):
            if name not in without:
                wrapped = _OPTIONS[name](wrapped)
        return wrapped  # type: ignore[return-value]

    return decorate


#: Options of a table by the word that they fill.
_OPTIONS: Mapping[str, Callable[[Any], Any]] = {
    "unit": click.option(
        "--unit",
        "table_unit",
        type=click.Choice(["m", "cm", "mm", "in", "ft", "ftus"]),
        help="Unit of lengths where a table names none.",
    ),
    "decimal": click.option(
        "--decimal",
        "table_decimal",
        type=click.Choice(["comma", "point"]),
        help="Decimal sign of a table, where it cannot be told.",
    ),
    "columns": click.option(
        "--column",
        "table_columns",
        multiple=True,
        metavar="THEIRS=OURS",
        help="A column of a table and what it is here.",
    ),
    "sheet": click.option("--sheet", "table_sheet", help="Sheet of a spreadsheet."),
}


def _pairs(texts: tuple[str, ...]) -> dict[str, str]:
    from facademap.errors import InputError

    pairs: dict[str, str] = {}
    for text in texts:
        theirs, sign, ours = text.rpartition("=")
        if not sign or not theirs.strip() or not ours.strip():
            raise InputError(
                f"--column {text!r} is not a pair",
                "Give --column THEIRS=OURS, such as Lg=length_mm.",
            )
        pairs[theirs.strip()] = ours.strip()
    return pairs
