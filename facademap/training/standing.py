"""Where a person stands with a sealed test: what was reached, what is wanting, and what may be entered next."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.training.book import Book, Entry
from facademap.training.sealed import SealedTest, sealed_from

__all__ = [
    "Sitting",
    "Standing",
    "need_appeal",
    "need_decision",
    "need_same_criteria",
    "need_sitting",
    "person_of",
    "sittings_of",
    "standing_of",
    "struck_questions",
    "test_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """One attempt at the questions, counted without those that were struck.

    Parameters
    ----------
    number : int
        Of its entry in the book.
    person, assessor : str
        Labels.
    on : date
    right : tuple of bool
        For every question of the test; a struck one is counted as neither.
    share : float
        Right of those that count.
    missed_critical : tuple of str
        Critical questions that were answered wrongly.
    passed : bool
    void : bool
        An appeal was granted: it counts as no attempt.
    """

    number: int
    person: str
    assessor: str
    on: dt.date
    right: tuple[bool, ...]
    share: float
    missed_critical: tuple[str, ...]
    passed: bool
    void: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a person has reached of a test.

    Parameters
    ----------
    person, test : str
    sittings : tuple of Sitting
    sessions : tuple of int
        Attended, held.
    exercises : int
        Passed, each once.
    work : str
        Seal of the standard under which work was passed; empty where none was.
    wanting : tuple of str
        What is not reached, in sentences; empty where all is.
    """

    person: str
    test: SealedTest
    sittings: tuple[Sitting, ...]
    sessions: tuple[int, int]
    exercises: int
    work: str
    wanting: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether everything is reached."""
        return not self.wanting


_A = {"trainee": "a trainee", "assessor": "an assessor"}


def person_of(book: Book, label: str, *, role: str | None = None) -> str:
    """A label that stands in the book.

    Raises
    ------
    InputError
        Nobody has it, or another role.
    """
    known = {str(e.body["label"]): str(e.body["role"]) for e in book.of("person")}
    if label not in known:
        raise InputError(
            f"nobody in this training is {label[:40]!r}", "Enter the person first: training person."
        )
    if role and known[label] != role:
        raise InputError(
            f"{label} is {_A[known[label]]}, not {_A[role]}", f"Give the label of {_A[role]}."
        )
    return label


def test_of(book: Book, name: str) -> SealedTest:
    """A test as it was sealed.

    Raises
    ------
    InputError
        There is none of that name, or it was changed.
    """
    for entry in book.of("test"):
        if entry.body["test"]["name"] == name:
            return sealed_from(entry.body["test"], str(entry.body["digest"]))
    raise InputError(f"no test {name[:60]!r} is sealed", "Seal it before anybody is assessed.")


def sittings_of(book: Book, test: SealedTest) -> list[Sitting]:
    """All attempts at a test, in order."""
    struck, void = _granted(book, test)
    return [
        _sitting(e, test, struck, void) for e in book.of("sitting") if e.body["test"] == test.name
    ]


def standing_of(book: Book, test: SealedTest, person: str, *, criteria_seal: str) -> Standing:
    """Where a person stands.

    Parameters
    ----------
    book : Book
    test : SealedTest
    person : str
        Label.
    criteria_seal : str
        Digest of the criteria as they are now; others than those sealed are refused.

    Raises
    ------
    InputError
        A criterion was changed after the test was sealed.
    """
    need_same_criteria(test, criteria_seal)
    own = tuple(s for s in sittings_of(book, test) if s.person == person)
    sessions = list(book.of("session"))
    attended = sum(person in e.body["present"] for e in sessions)
    done = {
        str(e.body["exercise"])
        for e in book.of("exercise")
        if e.body["person"] == person and e.body["result"] == "pass"
    }
    work = next(
        (
            str(e.body["standard_seal"])
            for e in book.of("work")
            if e.body["person"] == person and e.body["test"] == test.name and e.body["passed"]
        ),
        "",
    )
    wanting = [_questions_wanting(own, test)]
    if test.attendance_share and attended < test.attendance_share * len(sessions) - 1e-9:
        wanting.append(
            f"{attended} of {len(sessions)} sessions attended, {test.attendance_share:.0%} are asked"
        )
    if test.attendance_share and not sessions:
        wanting.append("no session was held")
    if len(done) < test.exercises:
        wanting.append(f"{len(done)} exercises passed, {test.exercises} are asked")
    if test.standard and not work:
        wanting.append(f"no work assessed that reaches the standard {test.standard!r}")
    if any(a.body["person"] == person for a in _open_appeals(book, test)):
        wanting.append("an appeal is not decided yet")
    return Standing(
        person=person,
        test=test,
        sittings=own,
        sessions=(attended, len(sessions)),
        exercises=len(done),
        work=work,
        wanting=tuple(w for w in wanting if w),
    )


def need_same_criteria(test: SealedTest, criteria_seal: str) -> None:
    """Refuse to judge by criteria other than those that were sealed.

    Raises
    ------
    InputError
    """
    if test.standard and test.criteria_seal != criteria_seal:
        raise InputError(
            f"a criterion of {test.standard!r} was changed after test {test.name!r} was sealed",
            "Put the criteria back as they were, or seal a test of another name for those who come later.",
        )


def need_sitting(book: Book, test: SealedTest, person: str, *, on: dt.date) -> None:
    """Refuse an attempt that may not be.

    Raises
    ------
    InputError
        Before the seal, after the attempts are used up, too soon, or after it was passed.
    """
    if on < test.sealed_on:
        raise InputError(
            f"{on} lies before the day on which the test was sealed ({test.sealed_on})",
            "Assess after the standard is fixed, never before.",
        )
    own = [s for s in sittings_of(book, test) if s.person == person and not s.void]
    if any(s.passed for s in own):
        raise InputError(
            f"{person} has passed the questions of {test.name!r}", "Nothing is to be repeated."
        )
    if len(own) >= test.attempts:
        raise InputError(
            f"{person} has used all {test.attempts} attempts at {test.name!r}",
            "Teach again, and seal another test.",
        )
    if own and (on - own[-1].on).days < test.wait_days:
        earliest = own[-1].on + dt.timedelta(days=test.wait_days)
        raise InputError(
            f"{person} sat this test on {own[-1].on}; the next attempt is on {earliest} at the earliest",
            "Wait, and practise what was missed.",
        )


def need_appeal(book: Book, number: int, *, on: dt.date) -> Entry:
    """The sitting that an appeal is about.

    Raises
    ------
    InputError
        There is none, it is too late, or one is made already.
    """
    sitting = next((e for e in book.of("sitting") if e.number == number), None)
    if sitting is None:
        raise InputError(f"entry {number} is no sitting", "Give the number of a sitting.")
    test = test_of(book, str(sitting.body["test"]))
    days = (on - dt.date.fromisoformat(sitting.body["on"])).days
    if days < 0 or days > test.appeal_days:
        raise InputError(
            f"{days} days lie between the sitting and the appeal; {test.appeal_days} are allowed",
            "Make an appeal after the sitting and within that time.",
        )
    if any(a.body["sitting"] == number for a in book.of("appeal")):
        raise InputError(f"an appeal about entry {number} is made already", "One is enough.")
    return sitting


def need_decision(book: Book, number: int, *, by: str) -> Entry:
    """The appeal that is decided, by somebody who did not assess.

    Raises
    ------
    InputError
        There is none, it is decided, or by the assessor of that sitting.
    """
    appeal = next((e for e in book.of("appeal") if e.number == number), None)
    if appeal is None:
        raise InputError(f"entry {number} is no appeal", "Give the number of an appeal.")
    if any(d.body["appeal"] == number for d in book.of("decision")):
        raise InputError(f"appeal {number} is decided", "A decision stands.")
    sitting = next(e for e in book.of("sitting") if e.number == appeal.body["sitting"])
    if by == sitting.body["assessor"]:
        raise InputError(
            f"{by} assessed that sitting", "Let somebody decide who did not assess it."
        )
    return appeal


def _questions_wanting(own: tuple[Sitting, ...], test: SealedTest) -> str:
    valid = [s for s in own if not s.void]
    if not valid:
        return "not assessed: the questions were not answered"
    if any(s.passed for s in valid):
        return ""
    last = valid[-1]
    missed = f"; critical: {', '.join(last.missed_critical)}" if last.missed_critical else ""
    return f"{last.share:.0%} of the questions right, {test.pass_share:.0%} are asked{missed}"


def _sitting(
    entry: Entry, test: SealedTest, struck: frozenset[str], void: frozenset[int]
) -> Sitting:
    given = entry.body["answers"]
    right = tuple(a == q.right for a, q in zip(given, test.questions, strict=True))
    counted = [k for k, q in enumerate(test.questions) if q.id not in struck]
    share = sum(right[k] for k in counted) / len(counted) if counted else 0.0
    missed = tuple(
        test.questions[k].id for k in counted if test.questions[k].critical and not right[k]
    )
    return Sitting(
        number=entry.number,
        person=str(entry.body["person"]),
        assessor=str(entry.body["assessor"]),
        on=dt.date.fromisoformat(entry.body["on"]),
        right=right,
        share=share,
        missed_critical=missed,
        passed=bool(counted) and share >= test.pass_share - 1e-9 and not missed,
        void=entry.number in void,
    )


def _granted(book: Book, test: SealedTest) -> tuple[frozenset[str], frozenset[int]]:
    """Questions that were struck for everybody, and sittings that count as none."""
    about: Mapping[int, Any] = {a.number: a.body for a in book.of("appeal")}
    struck, void = set(), set()
    for decision in book.of("decision"):
        appeal = about[decision.body["appeal"]]
        if appeal["test"] != test.name:
            continue
        if decision.body["outcome"] == "strike":
            struck.add(str(decision.body["question"]))
        elif decision.body["outcome"] == "void":
            void.add(int(appeal["sitting"]))
    return frozenset(struck), frozenset(void)


def struck_questions(book: Book, test: SealedTest) -> frozenset[str]:
    """Questions of a test that count for nobody any more."""
    return _granted(book, test)[0]


def _open_appeals(book: Book, test: SealedTest) -> list[Entry]:
    decided = {d.body["appeal"] for d in book.of("decision")}
    return [a for a in book.of("appeal") if a.number not in decided and a.body["test"] == test.name]
