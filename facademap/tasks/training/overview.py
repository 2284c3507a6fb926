"""What the desk shows of a training: by labels alone, names stay in their file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from facademap.errors import FacademapError, InputError
from facademap.store.project import Project
from facademap.tasks.training.kept import read_kept
from facademap.tasks.training.programme import programme_of
from facademap.tasks.training.record import SESSIONS, criteria_seal_of
from facademap.training import Book, Exercise, SealedTest, need_sitting, standing_of, test_of

__all__ = ["training_overview"]


def training_overview(project: Project) -> dict[str, Any]:
    """Programme, people by labels, sessions, where each stands in each test, and certificates.

    Parameters
    ----------
    project : Project

    Returns
    -------
    dict
        No name of a person and no answer to a question stands in it.
    """
    book, programme = read_kept(project.folder), programme_of(project)
    return {
        "programme": {
            "questions": len(programme.questions),
            "exercises": [_exercise(e) for e in programme.exercises],
            "spare": [_exercise(e) for e in programme.spare],
            "kinds": list(SESSIONS),
        },
        "people": [{k: e.body[k] for k in ("label", "role")} for e in book.of("person")],
        "sessions": [dict(e.body) for e in book.of("session")],
        "tests": [
            _test(project, book, test_of(book, str(e.body["test"]["name"])))
            for e in book.of("test")
        ],
        "certificates": _certificates(book),
    }


def _exercise(exercise: Exercise) -> dict[str, Any]:
    return {n: getattr(exercise, n) for n in ("id", "what", "where", "why")}


def _test(project: Project, book: Book, test: SealedTest) -> dict[str, Any]:
    told: dict[str, Any] = {
        "name": test.name,
        "sealed_on": test.sealed_on.isoformat(),
        "pass_share": test.pass_share,
        "standings": [],
        "fault": "",
    }
    try:
        seal = criteria_seal_of(project.folder, test)
        told["standings"] = [
            _standing(book, test, str(e.body["label"]), seal)
            for e in book.of("person")
            if e.body["role"] == "trainee"
        ]
    except (
        FacademapError
    ) as fault:  # a criterion was changed after it was sealed: nobody stands anywhere
        told["fault"] = f"{fault.problem}. {fault.remedy}"
    return told


def _standing(book: Book, test: SealedTest, person: str, seal: str) -> dict[str, Any]:
    standing = standing_of(book, test, person, criteria_seal=seal)
    why = ""
    try:
        need_sitting(book, test, person, on=dt.datetime.now(dt.UTC).date())
    except InputError as fault:
        why = fault.problem
    return {
        "person": person,
        "attended": standing.sessions[0],
        "exercises": standing.exercises,
        "sittings": [
            {"on": s.on.isoformat(), "share": s.share, "passed": s.passed, "void": s.void}
            for s in standing.sittings
        ],
        "passed": standing.passed,
        "wanting": list(standing.wanting),
        "may_sit": not why,
        "why_not": why,
    }


def _certificates(book: Book) -> list[Mapping[str, Any]]:
    today = dt.datetime.now(dt.UTC).date().isoformat()
    gone = {str(w.body["number"]) for w in book.of("withdrawal")}
    return [
        {
            **{k: e.body[k] for k in ("number", "person", "test", "issued_on", "valid_until")},
            "state": "withdrawn"
            if e.body["number"] in gone
            else "run out"
            if e.body["valid_until"] < today
            else "holds",
        }
        for e in book.of("certificate")
    ]
