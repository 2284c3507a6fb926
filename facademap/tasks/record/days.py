"""Days on which something was done, as people give them."""

from __future__ import annotations

import datetime as dt

from facademap.errors import InputError

__all__ = ["day_of"]


def day_of(
    on: str | None,
    remedy: str = "Give the day on which it was done.",
    *,
    today: dt.date | None = None,
) -> str:
    """A day that has come, as YYYY-MM-DD; today where none is given.

    Raises
    ------
    InputError
        No day, or one that has not come yet; ``remedy`` says what to give then.
    """
    today = today or dt.datetime.now(dt.UTC).date()
    try:
        day = dt.date.fromisoformat(on) if on else today
    except ValueError:
        raise InputError(f"{(on or '')[:40]!r} is no day", "Write it as YYYY-MM-DD.") from None
    if day > today:
        raise InputError(f"{day} has not come yet", remedy)
    return day.isoformat()
