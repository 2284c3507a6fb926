"""One line of the audit, with the place it leads to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Finding", "Kind", "Level"]

Level = Literal["fault", "warning"]
#: What a finding is about, so that a list of them can be sorted and filtered.
Kind = Literal[
    "file", "contract", "reference", "stage", "settled", "missing", "overlap", "undecided", "unconfirmed",
    "assembly", "plan", "paper", "picture", "stone", "wanting",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that is wrong (fault) or wants a look (warning).

    Parameters
    ----------
    level : str
        ``fault`` or ``warning``.
    about : str
        What it is about, in words.
    problem, remedy : str
        What is wrong, and one sentence that says what to do.
    kind : str
        Sort of finding.
    table, row, field : str, optional
        The place it leads to.
    can_set_aside : bool
        Whether the row is damaged, so that it may be set aside.
    """

    level: Level
    about: str
    problem: str
    remedy: str
    kind: Kind = "wanting"
    table: str | None = None
    row: str | None = None
    field: str | None = None
    can_set_aside: bool = False
