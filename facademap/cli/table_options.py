"""Options that say what a table does not say of itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

__all__ = ["table_options"]

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
