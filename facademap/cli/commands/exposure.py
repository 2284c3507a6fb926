"""``facademap exposure``: vibration and noise of a day with tools."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from facademap.cli.show import Show, command_options

if TYPE_CHECKING:
    from facademap.repair.exposure import ToolUse


@click.command("exposure")
@click.option(
    "--tool",
    "tools",
    multiple=True,
    metavar="NAME=HOURS,M/S2,DB",
    help="A tool with its trigger time in hours, its vibration in m/s² and its noise level in dB(A); - where not known.",
)
@command_options
def command(tools: tuple[str, ...], show: Show) -> None:
    """Say what a day of several tools comes to in vibration A(8) and noise LEX,8h.

    Values come from the sheets of your own tools or from measurement, for the stone at hand. A risk assessment by a competent
    person goes before this sum; local law sets the limits.
    """
    from facademap.repair.exposure import NOISE_LIMITS_DB, VIBRATION_LIMITS_M_PER_S2, day_exposure

    day = day_exposure([_read(t) for t in tools])
    low, high = VIBRATION_LIMITS_M_PER_S2
    lines = [
        "vibration: not known"
        if day.vibration_a8_m_per_s2 is None
        else f"vibration: A(8) {day.vibration_a8_m_per_s2:.1f} m/s², {day.points:.0f} points: {_words(day.vibration)} "
        f"(action value {low:g}, limit value {high:g} m/s²)",
        "noise: not known"
        if day.noise_lex_db is None
        else f"noise: LEX,8h {day.noise_lex_db:.1f} dB(A): {_words(day.noise)} (action values {NOISE_LIMITS_DB[0]:g} and "
        f"{NOISE_LIMITS_DB[1]:g}, limit value {NOISE_LIMITS_DB[2]:g} dB(A) at the ear)",
        *(f"not known: {n}" for n in day.not_known),
        "Limits from memory of Directives 2002/44/EC and 2003/10/EC: verify, and follow local law and a competent person.",
    ]
    show.result(asdict(day), text=lines)


def _words(standing: str | None) -> str:
    return {
        "below": "below the action value",
        "action": "at or above the action value: measures and health surveillance",
        "upper action": "at or above the upper action value: hearing protection is worn, noise is cut down",
        "limit": "AT OR ABOVE THE LIMIT: not to be worked so",
    }[str(standing)]


def _read(text: str) -> ToolUse:
    from facademap.errors import InputError
    from facademap.repair.exposure import ToolUse

    name, _, rest = text.partition("=")
    parts = [p.strip() for p in rest.split(",")]
    try:
        hours, *values = (None if p in ("-", "") else float(p) for p in parts)
        a, db = [*values, None, None][:2]
    except ValueError:
        hours = None
    if not name.strip() or hours is None or len(parts) > 3:
        raise InputError(
            f"--tool {text!r} cannot be read",
            'Write it as "rotary drill=0.75,9.5,92"; - where a value is not known.',
        )
    return ToolUse(tool=name.strip(), hours=hours, vibration_m_per_s2=a, noise_db=db)
