"""Questions of a training: from the trade values of this project, so that a right answer is what holds on this wall."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.repair.settings import parse_toml

__all__ = ["LETTERS", "Known", "Question", "read_answers", "read_questions"]

LETTERS = "ABCDEF"


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A figure that holds on this wall, as people read it.

    Parameters
    ----------
    shown : str
        With its unit.
    others : tuple of str
        The same figure times a few factors, as wrong answers.
    source : str
        Where it comes from.
    """

    shown: str
    others: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A question with one right answer.

    Parameters
    ----------
    id, chapter, text : str
    options : tuple of str
        Answers, in the order in which they are printed.
    right : int
        Which of them is right, from 0.
    source : str
        Where the right answer comes from.
    critical : bool
        Whether nobody passes who answers it wrongly.
    """

    id: str
    chapter: str
    text: str
    options: tuple[str, ...]
    right: int
    source: str
    critical: bool = False

    @property
    def letter(self) -> str:
        """Letter of the right answer."""
        return LETTERS[self.right]

    def as_json(self) -> dict[str, Any]:
        """Plain mapping."""
        return {
            "id": self.id,
            "chapter": self.chapter,
            "text": self.text,
            "options": list(self.options),
            "right": self.right,
            "source": self.source,
            "critical": self.critical,
        }


def read_questions(
    text: str, known: Mapping[str, Known], *, where: str = "questions"
) -> tuple[Question, ...]:
    """Questions of a TOML text, with the figures of a project put in.

    Parameters
    ----------
    text : str
        Tables ``[[question]]`` with ``id, chapter, text`` and either ``value`` (name of a figure) or ``right``, ``wrong`` and
        ``source``; ``critical`` where nobody passes who errs.
    known : mapping of name to Known
        Figures of the project.
    where : str
        Named in errors.

    Returns
    -------
    tuple of Question
        A question whose wrong answers all read like the right one is left out: rounding has made them the same.

    Raises
    ------
    InputError
        A question lacks something, names a figure that is not known, or has an id that is taken.
    """
    found: dict[str, Question] = {}
    entries = parse_toml(text, where=where).get("question", [])
    if not isinstance(entries, list) or not all(isinstance(e, Mapping) for e in entries):
        raise InputError(f"{where}: questions are no list", "Begin each with [[question]].")
    for n, entry in enumerate(entries, start=1):
        place = f"{where}, question {n}"
        lacking = [k for k in ("id", "chapter", "text") if not str(entry.get(k, "")).strip()]
        if lacking:
            raise InputError(f"{place}: no {', '.join(lacking)}", "Add what is missing.")
        name = str(entry["id"]).strip()
        if name in found:
            raise InputError(f"{place}: {name!r} is asked twice", "Give it an id of its own.")
        right, wrong, source = _answers(entry, known, place)
        if wrong:
            found[name] = _question(entry, name, right, wrong, source)
    if not found:
        raise InputError(f"{where}: no question", "Add at least one [[question]].")
    return tuple(found.values())


def read_answers(text: str, count: int) -> tuple[int | None, ...]:
    """Answers as letters, ``A B - D``; a dash where none was given.

    Raises
    ------
    InputError
        Their number is not that of the questions, or a letter is none of the answers.
    """
    marks = [c for c in text.upper() if c not in " ,;\t\n"]
    if len(marks) != count:
        raise InputError(
            f"{len(marks)} answers, {count} questions", "Give one letter a question, - for none."
        )
    wrong = [m for m in marks if m != "-" and m not in LETTERS]
    if wrong:
        raise InputError(f"{wrong[0]!r} is no answer", f"Use {LETTERS[0]} to {LETTERS[-1]}, or -.")
    return tuple(None if m == "-" else LETTERS.index(m) for m in marks)


def _answers(
    entry: Mapping[str, Any], known: Mapping[str, Known], place: str
) -> tuple[str, tuple[str, ...], str]:
    if "value" in entry:
        name = str(entry["value"])
        if name not in known:
            raise InputError(
                f"{place}: nothing is known of {name!r}", "Name a trade value of this project."
            )
        figure = known[name]
        wrong = tuple(dict.fromkeys(o for o in figure.others if o != figure.shown))
        return figure.shown, wrong, figure.source
    right, wrong_said = entry.get("right"), entry.get("wrong")
    if not isinstance(right, str) or not isinstance(wrong_said, list) or not wrong_said:
        raise InputError(
            f"{place}: neither value, nor right and wrong answers", "Give right, wrong and source."
        )
    if not str(entry.get("source", "")).strip():
        raise InputError(f"{place}: the right answer has no source", "Add source.")
    wrong = tuple(str(w) for w in wrong_said)
    if right in wrong or len(set(wrong)) != len(wrong):
        raise InputError(f"{place}: two answers are the same", "Let each answer differ.")
    return right, wrong, str(entry["source"])


def _question(
    entry: Mapping[str, Any], name: str, right: str, wrong: Sequence[str], source: str
) -> Question:
    # the place of the right answer follows from the id, so that the sheet is the same each time and shows no pattern
    options = list(wrong[: len(LETTERS) - 1])
    at = int(hashlib.sha256(name.encode()).hexdigest(), 16) % (len(options) + 1)
    options.insert(at, right)
    return Question(
        id=name,
        chapter=str(entry["chapter"]),
        text=str(entry["text"]).strip(),
        options=tuple(options),
        right=at,
        source=source,
        critical=bool(entry.get("critical", False)),
    )
