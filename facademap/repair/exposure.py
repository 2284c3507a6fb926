"""Vibration of hand and arm, and noise, over a day's work with several tools."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from facademap.errors import InputError

__all__ = [
    "NOISE_LIMITS_DB",
    "VIBRATION_LIMITS_M_PER_S2",
    "DayExposure",
    "ToolUse",
    "day_exposure",
    "noise_level_db",
    "vibration_points",
]

DAY_H = 8.0
#: Daily action and limit values, A(8): Directive 2002/44/EC, article 3 (from memory: verify before citing).
VIBRATION_LIMITS_M_PER_S2 = (2.5, 5.0)
#: Lower and upper action value and limit value, LEX,8h: Directive 2003/10/EC, article 3 (from memory: verify before citing).
#: The limit counts under the hearing protection, the action values without it.
NOISE_LIMITS_DB = (80.0, 85.0, 87.0)
#: Points of an hour at 1 m/s2, so that 100 points in a day are the action value.
_POINTS = 100.0 / (VIBRATION_LIMITS_M_PER_S2[0] ** 2 * DAY_H)

Standing = Literal["below", "action", "upper action", "limit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolUse:
    """One tool in one day.

    Parameters
    ----------
    tool : str
    hours : float
        Trigger time: how long it runs in the hands, not how long the job takes.
    vibration_m_per_s2 : float, optional
        Vibration total value of the tool at this work, from its maker or measured; without it vibration is not known.
    noise_db : float, optional
        A-weighted level at the ear, LAeq; without it noise is not known.
    """

    tool: str
    hours: float
    vibration_m_per_s2: float | None = None
    noise_db: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.hours) and 0 < self.hours <= 24):
            raise InputError(
                f"{self.tool}: {self.hours:g} hours in a day", "Give hours above 0 and up to 24."
            )
        a, db = self.vibration_m_per_s2, self.noise_db
        if a is not None and not (math.isfinite(a) and 0 <= a <= 100):
            raise InputError(
                f"{self.tool}: a vibration of {a:g} m/s²", "Give the value of its sheet, 0 to 100."
            )
        if db is not None and not (math.isfinite(db) and 0 <= db <= 160):
            raise InputError(
                f"{self.tool}: a noise level of {db:g} dB", "Give LAeq at the ear, 0 to 160."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class DayExposure:
    """What a day of several tools comes to.

    Parameters
    ----------
    vibration_a8_m_per_s2 : float or None
        A(8); ``None`` where a tool's vibration is not known.
    points : float or None
        The same in points; 100 are the action value, 400 the limit value.
    noise_lex_db : float or None
        LEX,8h; ``None`` where a tool's level is not known.
    vibration, noise : str or None
        Where the day stands.
    not_known : tuple of str
        Tools that lack a value.
    """

    vibration_a8_m_per_s2: float | None
    points: float | None
    noise_lex_db: float | None
    vibration: Standing | None
    noise: Standing | None
    not_known: tuple[str, ...]


def vibration_points(vibration_m_per_s2: float, hours: float) -> float:
    """Points of one tool: they add up over a day, 100 are the action value and 400 the limit value.

    References
    ----------
    ``2 a^2 T`` with T in hours, which follows from ``A(8) = a sqrt(T / 8)`` and an action value of 2.5 m/s2 (Directive
    2002/44/EC; ISO 5349-1 for A(8); from memory).

    Examples
    --------
    >>> round(vibration_points(2.5, 8), 6), round(vibration_points(10, 0.5), 6)
    (100.0, 100.0)
    """
    return _POINTS * vibration_m_per_s2**2 * hours


def noise_level_db(uses: Sequence[tuple[float, float]]) -> float:
    """Daily level LEX,8h of several stretches.

    Parameters
    ----------
    uses : sequence of (level in dB, hours)

    References
    ----------
    ``10 lg(sum T_i 10^(L_i / 10) / 8)``, ISO 9612 and Directive 2003/10/EC (from memory).

    Examples
    --------
    >>> round(noise_level_db([(85.0, 8.0)]), 6), round(noise_level_db([(88.0, 4.0)]), 2)
    (85.0, 84.99)
    """
    total = sum(hours * 10 ** (level / 10) for level, hours in uses)
    return 10 * math.log10(total / DAY_H)


def day_exposure(uses: Sequence[ToolUse]) -> DayExposure:
    """Vibration and noise of a day.

    Parameters
    ----------
    uses : sequence of ToolUse
        All tools of the day. Where one lacks a value the day is not known: a sum without it would look safe.

    Raises
    ------
    InputError
        No tool, or more than 24 hours of them.
    """
    if not uses:
        raise InputError("no tool is named", "Give each tool with its hours.")
    hours = sum(u.hours for u in uses)
    if hours > 24:
        raise InputError(f"{hours:g} hours in a day", "Give the hours of one day.")
    shaken = [(u.vibration_m_per_s2, u.hours) for u in uses if u.vibration_m_per_s2 is not None]
    loud = [(u.noise_db, u.hours) for u in uses if u.noise_db is not None]
    points = sum(vibration_points(a, h) for a, h in shaken) if len(shaken) == len(uses) else None
    lex = noise_level_db(loud) if len(loud) == len(uses) else None
    a8 = None if points is None else math.sqrt(points / 100.0) * VIBRATION_LIMITS_M_PER_S2[0]
    return DayExposure(
        vibration_a8_m_per_s2=a8,
        points=points,
        noise_lex_db=lex,
        vibration=None if a8 is None else _stands(a8, VIBRATION_LIMITS_M_PER_S2, _OF_TWO),
        noise=None if lex is None else _stands(lex, NOISE_LIMITS_DB, _OF_THREE),
        not_known=tuple(
            f"{u.tool}: {' and '.join(w for w, v in (('vibration', u.vibration_m_per_s2), ('noise', u.noise_db)) if v is None)}"
            for u in uses
            if u.vibration_m_per_s2 is None or u.noise_db is None
        ),
    )


_OF_TWO: tuple[Standing, ...] = ("below", "action", "limit")
_OF_THREE: tuple[Standing, ...] = ("below", "action", "upper action", "limit")


def _stands(value: float, limits: Sequence[float], words: Sequence[Standing]) -> Standing:
    """An action value counts when it is reached; so does a limit, on the safe side."""
    return words[sum(round(value, 6) >= limit for limit in limits)]
