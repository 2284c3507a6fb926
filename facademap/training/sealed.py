"""A test that was sealed: questions, criteria and passing standard, fixed and dated before anybody is assessed.

References
----------
Criterion-referenced, as certificate programmes are asked to be (ASTM E2659 in sense, from memory: verify): performance is
compared with a stated standard, which is fixed before; assessors, retakes and appeals are settled beforehand as well.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from facademap.errors import InputError
from facademap.training.questions import Question

__all__ = ["SealedTest", "digest_of", "sealed_from"]


def digest_of(value: Any) -> str:
    """SHA-256 of a value, written in one way only."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedTest:
    """What is asked of a person before a certificate.

    Parameters
    ----------
    name : str
    sealed_on : date
    sealed_by : str
    questions : tuple of Question
    pass_share : float
        Share of the questions that has to be right.
    standard, standard_seal : str
        Passing standard of the work, fixed in the project, and its seal; empty where no work is asked.
    criteria_seal : str
        Digest of the criteria of that standard; empty where no work is asked.
    attendance_share : float
        Share of the sessions held that has to be attended; 0 asks for none.
    exercises : int
        Exercises that have to be passed.
    attempts : int
        How often the questions may be answered.
    wait_days : int
        Days between two attempts.
    appeal_days : int
        Days within which an appeal may be made.
    validity_months : int
        How long a certificate holds.
    scope : str
        What a certificate says that its holder can do.
    """

    name: str
    sealed_on: dt.date
    sealed_by: str
    questions: tuple[Question, ...]
    pass_share: float
    scope: str
    standard: str = ""
    standard_seal: str = ""
    criteria_seal: str = ""
    attendance_share: float = 0.0
    exercises: int = 0
    attempts: int = 3
    wait_days: int = 7
    appeal_days: int = 30
    validity_months: int = 36

    def __post_init__(self) -> None:
        if not 0 < self.pass_share <= 1 or not 0 <= self.attendance_share <= 1:
            raise InputError(
                f"test {self.name}: a share lies outside 0 to 1", "Give shares from 0 to 1."
            )
        if self.attempts < 1 or min(self.wait_days, self.appeal_days, self.exercises) < 0:
            raise InputError(
                f"test {self.name}: less than one attempt, or days below 0",
                "Allow at least one attempt, and count days from 0.",
            )
        if not 1 <= self.validity_months <= 240:
            raise InputError(
                f"test {self.name}: valid for {self.validity_months} months",
                "Give 1 to 240 months.",
            )
        for word, said in (("name", self.name), ("scope", self.scope), ("sealer", self.sealed_by)):
            if not said.strip():
                raise InputError(f"the test has no {word}", f"Give its {word}.")

    def as_json(self) -> dict[str, Any]:
        """Plain mapping; the same test is always written the same."""
        plain = {f.name: getattr(self, f.name) for f in fields(self)}
        questions = [q.as_json() for q in self.questions]
        return {**plain, "sealed_on": self.sealed_on.isoformat(), "questions": questions}

    @property
    def digest(self) -> str:
        """SHA-256 of everything that is asked."""
        return digest_of(self.as_json())

    @property
    def seal(self) -> str:
        """The first twelve letters of the digest, as printed."""
        return self.digest[:12]


def sealed_from(kept: Mapping[str, Any], digest: str) -> SealedTest:
    """A test as it was sealed.

    Raises
    ------
    InputError
        It was changed after it was sealed.
    """
    try:
        questions = tuple(
            Question(**{**q, "options": tuple(q["options"])}) for q in kept["questions"]
        )
        day = dt.date.fromisoformat(kept["sealed_on"])
        test = SealedTest(**{**kept, "sealed_on": day, "questions": questions})
    except (KeyError, TypeError, ValueError):
        test = None
    if test is None or test.digest != digest:
        raise InputError(
            f"test {str(kept.get('name', ''))[:60]!r} was changed after it was sealed",
            "Put it back as it was, or seal a test of another name; nothing is judged by a changed one.",
        )
    return test
