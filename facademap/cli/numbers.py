"""Numbers with commas between them, as an option of a command."""

from __future__ import annotations

import click

__all__ = ["Numbers"]


class Numbers(click.ParamType):  # type: ignore[type-arg]
    """So many numbers with commas between them.

    Parameters
    ----------
    names : str
        What they are, such as ``x,y``; also how many.
    """

    def __init__(self, names: str) -> None:
        self.name = names

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        if isinstance(value, tuple):
            return value
        wanted = len(self.name.split(","))
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) != wanted or any(n != n or abs(n) > 1e9 for n in numbers):
            self.fail(
                f"{value!r} is not {self.name} ({wanted} numbers with commas between them)",
                param,
                ctx,
            )
        return numbers
