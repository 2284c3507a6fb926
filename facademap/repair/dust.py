"""Silica dust: what OSHA Table 1 asks for the task that the user names. No task is mapped by guess."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from facademap.errors import InputError

__all__ = ["DUST_TASKS", "DustAdvice", "dust_controls"]

Place = Literal["outdoors", "enclosed"]
_STANDARD = "29 CFR 1926.1153 Table 1"
_RULES_CA = "wording and figures read in the same table of California title 8 section 1532.3"
_RESTATED = "wording from public guides, figures from a restated public code table and from memory"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    row: str
    control: str
    outdoors: tuple[int, int]
    enclosed: tuple[int, int]
    source: str
    status: str


#: Tasks of the stone repair and their row of the table, as the table words them; factors for up to / over 4 hours.
DUST_TASKS: Mapping[str, _Row] = {
    "stationary masonry saw": _Row(
        row="(i)",
        control="integrated water supply that feeds water to the blade without a break",
        outdoors=(0, 0),
        enclosed=(0, 0),
        source=_RULES_CA,
        status="confirmed",
    ),
    "handheld power saw": _Row(
        row="(ii)",
        control="integrated water supply that feeds water to the blade without a break",
        outdoors=(0, 10),
        enclosed=(10, 10),
        source=_RULES_CA,
        status="confirmed",
    ),
    "handheld or stand drill": _Row(
        row="(vii)",
        control="shroud or cowling with dust collector, filter of 99 % or better "
        "with filter cleaning; vacuum with a high-efficiency filter for the holes",
        outdoors=(0, 0),
        enclosed=(0, 0),
        source=_RESTATED,
        status="memory",
    ),
    "powered chipping tool": _Row(
        row="(x)",
        control="water spray at the point of impact, or shroud with dust collector",
        outdoors=(0, 10),
        enclosed=(10, 10),
        source=_RESTATED,
        status="memory",
    ),
    "handheld grinder, mortar removal": _Row(
        row="(xi)",
        control="shroud with dust collector of at least 25 ft3/min per inch "
        "of wheel diameter, with cyclonic or filter cleaning",
        outdoors=(10, 25),
        enclosed=(10, 25),
        source="read in a public transcription of the table, which agrees with memory: no exception outdoors",
        status="memory",
    ),
    "handheld grinder, other": _Row(
        row="(xii)",
        control="outdoors water to the grinding surface, or shroud with dust collector",
        outdoors=(0, 0),
        enclosed=(0, 10),
        source=_RESTATED,
        status="memory",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DustAdvice:
    """What the table asks, or that the task stands in no row and needs an assessment."""

    task: str
    row: str
    control: str
    respirator_factor: int
    needs_assessment: bool
    source: str
    status: str

    @property
    def sentence(self) -> str:
        """The advice in words for a ticket."""
        if self.needs_assessment:
            return (
                f"Dust of {self.task}: stands in no row of {_STANDARD}; exposure must be assessed by a competent person "
                "before work starts."
            )
        mask = (
            f"respirator with protection factor {self.respirator_factor} or better"
            if self.respirator_factor
            else "no respirator asked by the table"
        )
        said = " (figures from memory: verify)" if self.status == "memory" else ""
        return f"Dust of {self.task}, {_STANDARD} row {self.row}: {self.control}; {mask}{said}. Local rules may ask for more."


def dust_controls(task: str, *, hours: float, place: Place = "outdoors") -> DustAdvice:
    """Controls and respirator that OSHA 1926.1153 Table 1 asks for a task.

    Parameters
    ----------
    task : str
        A key of ``DUST_TASKS``, chosen by the user; any other task (hand chisel, dry sweeping, ..) is said to
        need an assessment.
    hours : float
        Hours of the task in a shift.
    place : {'outdoors', 'enclosed'}
        Indoors and in enclosed places count as enclosed; so does a sheeted scaffold, to be safe.

    Raises
    ------
    InputError
        Hours that a shift does not have, an unknown place or an unknown task.

    References
    ----------
    29 CFR 1926.1153 Table 1. Row i and ii read in title 8 CCR 1532.3; rows vii, x, xi, xii restated or from memory.
    """
    if not 0 < hours <= 24:
        raise InputError(
            f"{hours!r} hours of {task}",
            "Give the hours of the task in a shift, more than 0, at most 24.",
        )
    if place not in ("outdoors", "enclosed"):
        raise InputError(f"place {place!r}", "Use outdoors or enclosed.")
    row = DUST_TASKS.get(task.strip().lower())
    if row is None:
        return DustAdvice(
            task=task,
            row="",
            control="",
            respirator_factor=0,
            needs_assessment=True,
            source=_STANDARD,
            status="derived",
        )
    factor = (row.outdoors if place == "outdoors" else row.enclosed)[1 if hours > 4 else 0]
    return DustAdvice(
        task=task,
        row=row.row,
        control=row.control,
        respirator_factor=factor,
        needs_assessment=False,
        source=f"{_STANDARD}; {row.source}",
        status=row.status,
    )
