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

__all__ = ["training_overview", "training_results"]


def training_overview(project: Project) -> dict[str, Any]:
    """Programme, people by labels, sessions, and what was sealed; of what anybody reached, nothing.

    Parameters
    ----------
    project : Project

    Returns
    -------
    dict
        No name of a person, no answer and no result stands in it.
    """
    book, programme = read_kept(project.folder), programme_of(project)
    return {
        "programme": {
            "questions": [q.id for q in programme.questions],
            "exercises": [_exercise(e) for e in programme.exercises],
            "spare": [_exercise(e) for e in programme.spare],
            "kinds": list(SESSIONS),
        },
        "people": [{k: e.body[k] for k in ("label", "role")} for e in book.of("person")],
        "sessions": [dict(e.body) for e in book.of("session")],
        "tests": [_test(project, book, str(e.body["test"]["name"])) for e in book.of("test")],
        "standards": sorted(project.setting("standards", {}) or {}),
    }


def training_results(project: Project) -> dict[str, Any]:
    """Where each stands in each test, appeals and certificates: for who may see them, by labels.

    Parameters
    ----------
    project : Project

    Returns
    -------
    dict
        No name of a person and no answer to a question stands in it.
    """
    book = read_kept(project.folder)
    decided = {d.body["appeal"]: d.body["outcome"] for d in book.of("decision")}
    return {
        "tests": [_results(project, book, str(e.body["test"]["name"])) for e in book.of("test")],
        "appeals": [
            {
                "number": e.number,
                "outcome": decided.get(e.number, ""),
                **{k: e.body[k] for k in ("sitting", "test", "person", "ground", "on")},
            }
            for e in book.of("appeal")
        ],
        "certificates": _certificates(book),
    }


def _exercise(exercise: Exercise) -> dict[str, Any]:
    return {n: getattr(exercise, n) for n in ("id", "what", "where", "why")}


def _test(project: Project, book: Book, name: str) -> dict[str, Any]:
    told: dict[str, Any] = {"name": name, "fault": ""}
    try:
        test = test_of(book, name)
        told |= {
            "sealed_on": test.sealed_on.isoformat(),
            "sealed_by": test.sealed_by,
            "seal": test.seal,
            "questions": [q.id for q in test.questions],
            **{k: getattr(test, k) for k in ("scope", "pass_share", "standard", *_ASKED)},
        }
        criteria_seal_of(project.folder, test)
    except FacademapError as fault:  # the test or its standard was changed after it was sealed
        told["fault"] = f"{fault.problem}. {fault.remedy}"
    return told


_ASKED = ("attendance_share", "exercises", "attempts", "wait_days", "appeal_days", "validity_months")  # fmt: skip


def _results(project: Project, book: Book, name: str) -> dict[str, Any]:
    told: dict[str, Any] = {"name": name, "standings": [], "fault": ""}
    try:
        test = test_of(book, name)
        seal = criteria_seal_of(project.folder, test)
        told["standings"] = [
            _standing(book, test, str(e.body["label"]), seal)
            for e in book.of("person")
            if e.body["role"] == "trainee"
        ]
    except FacademapError as fault:  # nobody stands anywhere by what was changed
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
            {
                "number": s.number,
                "on": s.on.isoformat(),
                "share": s.share,
                "passed": s.passed,
                "missed": list(s.missed_critical),
                "void": s.void,
            }
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
