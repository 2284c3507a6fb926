"""Due dates as a calendar file that any calendar program takes.

References
----------
RFC 5545, "Internet Calendaring and Scheduling Core Object Specification (iCalendar)", 2009: 3.1 (lines folded at 75
octets), 3.3.11 (escapes), 3.6.1 (events), 3.8.5.3 (rules of recurrence).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["CalendarEntry", "calendar_text"]

_FOLD = 75


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarEntry:
    """A whole day in a calendar.

    Parameters
    ----------
    uid : str
        The same each time the same thing is written, so that a calendar updates it.
    day : datetime.date
    summary, description, place : str
    every_months : int or None
        Comes again.
    """

    uid: str
    day: dt.date
    summary: str
    description: str = ""
    place: str = ""
    every_months: int | None = None


def calendar_text(entries: Sequence[CalendarEntry], *, name: str, now: dt.datetime) -> str:
    """The file.

    Parameters
    ----------
    entries : sequence of CalendarEntry
    name : str
        Of the calendar.
    now : datetime.datetime
        With a time zone; when it was written.
    """
    stamp = now.astimezone(dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//facademap//maintenance//EN",
        "CALSCALE:GREGORIAN",
        f"NAME:{_escaped(name)}",
    ]
    for entry in entries:
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_escaped(entry.uid)}",
            f"DTSTAMP:{stamp}",
            f"DTSTART;VALUE=DATE:{entry.day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{entry.day + dt.timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_escaped(entry.summary)}",
            *([f"DESCRIPTION:{_escaped(entry.description)}"] if entry.description else []),
            *([f"LOCATION:{_escaped(entry.place)}"] if entry.place else []),
            *(
                [f"RRULE:FREQ=MONTHLY;INTERVAL={entry.every_months}"]
                if entry.every_months is not None
                else []
            ),
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{_folded(line)}\r\n" for line in lines)


def _escaped(text: str) -> str:
    """Backslash, semicolon, comma and line ends escaped; other control characters left out."""
    plain = "".join(c for c in text if c in "\n\t" or (ord(c) >= 32 and ord(c) != 127))
    for mark in ("\\", ";", ","):
        plain = plain.replace(mark, f"\\{mark}")
    return plain.replace("\n", "\\n")


def _folded(line: str) -> str:
    """Lines of 75 octets at most, no letter torn."""
    parts, room, part = [], _FOLD, ""
    for letter in line:
        size = len(letter.encode())
        if size > room:
            parts.append(part)
            part, room = "", _FOLD - 1
        part += letter
        room -= size
    return "\r\n ".join([*parts, part])
