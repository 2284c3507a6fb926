"""Addresses of the training: attendance for the team, what people reached for assessors alone, nothing of it for reviewers.

On a desk of one's own machine nobody signs in, and whoever sits there may read the book from the shell as well. Where people
sign in, an assessor gives the key that the office gave: the secret of the team is known to those who are assessed.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from facademap.errors import InputError
from facademap.io.whole_files import temporary_folder, write_whole
from facademap.tasks.desk.outlines import file_content
from facademap.tasks.record.work import fix_standard
from facademap.tasks.training import record
from facademap.tasks.training.assessors import need_key
from facademap.tasks.training.kept import read_kept
from facademap.tasks.training.overview import training_overview, training_results
from facademap.tasks.training.papers import certificate_paper
from facademap.training import person_of
from facademap.web.answers import names_of, number_of, text_of, threaded
from facademap.web.desk import Desk

__all__ = ["routes"]


def routes(desk: Desk) -> list[Route]:
    """What there is, attendance, and what an assessor does."""

    def state(request: Request, body: Any) -> Any:
        granted = request.scope.get("facademap_pass")
        if granted and granted.kind == "review":
            return {"training": None}
        return {"training": {**training_overview(desk.reading()), "asks_key": _is_shared(request)}}

    def person(request: Request, body: Any) -> Any:
        role = text_of(body, "role", most=40) or "trainee"
        if role not in ("trainee", "assessor"):
            raise InputError(f"{role!r} is no role", "Use trainee or assessor.")
        return {"row": {"label": record.add_person(desk.folder, role=role)}}

    def session(request: Request, body: Any) -> Any:
        row = record.hold_session(
            desk.folder,
            text_of(body, "title", most=200),
            kind=text_of(body, "kind", most=40),
            on=text_of(body, "on", most=40) or None,
            hours=number_of(body, "hours"),
            present=names_of(body, "present"),
        )
        return {"row": row}

    def verify(request: Request, body: Any) -> Any:
        # who shows number and code holds the certificate: nothing is told that does not stand on it
        number, code = (text_of(body, n, most=80, required=True) for n in ("number", "code"))
        return {"row": record.verify(desk.folder, number, code)}

    def results(request: Request, body: Any) -> Any:
        _assessor(request, body, desk.folder)
        return {"results": training_results(desk.reading())}

    def assessing(act: Callable[[Path, Any, str], Any]) -> Any:
        def done(request: Request, body: Any) -> Any:
            return {"row": act(desk.folder, body, _assessor(request, body, desk.folder))}

        return done

    open_acts = {"person": person, "session": session, "verify": verify, "results": results}
    acts = {**open_acts, **{name: assessing(act) for name, act in _ACTS.items()}}
    return [
        Route("/api/training", threaded(state)),
        *(
            Route(f"/api/training/{name}", threaded(act), methods=["POST"])
            for name, act in acts.items()
        ),
    ]


def _is_shared(request: Request) -> bool:
    granted = request.scope.get("facademap_pass")
    return bool(granted and granted.session)


def _assessor(request: Request, body: Any, folder: Path) -> str:
    by = text_of(body, "by", most=40, required=True)
    if _is_shared(request):
        return need_key(folder, by, text_of(body, "key", most=200))
    return person_of(read_kept(folder), by, role="assessor")


def _person(body: Any) -> str:
    return text_of(body, "person", most=40, required=True)


def _test(body: Any) -> str:
    return text_of(body, "test", most=400, required=True)


def _day(body: Any) -> str | None:
    return text_of(body, "on", most=40) or None


_COUNTS = ("exercises", "attempts", "wait_days", "appeal_days", "validity_months")


def _seal(folder: Path, body: Any, by: str) -> Any:
    given: dict[str, Any] = {
        n: told for n in ("name", "scope", "standard") if (told := text_of(body, n, most=400))
    }
    given |= {n: number_of(body, n) for n in ("pass_share", "attendance_share") if n in body}
    for name in _COUNTS:
        if name in body:
            count = number_of(body, name)
            if not count.is_integer():
                raise InputError(f"{name} is {count:g}", "Give a whole number.")
            given[name] = int(count)
    if body.get("questions"):
        given["questions"] = names_of(body, "questions")
    test = record.seal_test(folder, by=by, given=given or None)
    return {"name": test.name, "sealed_on": test.sealed_on.isoformat(), "seal": test.seal}


def _standard(folder: Path, body: Any, by: str) -> Any:
    if not body.get("content"):
        fixed = fix_standard(folder, who=by)
    else:
        with temporary_folder() as kept:
            path = write_whole(kept / "standard.toml", file_content(body))
            fixed = fix_standard(folder, path, who=by)
    return {"name": fixed.name, "fixed_on": fixed.fixed_on.isoformat(), "seal": fixed.seal}


def _sit(folder: Path, body: Any, by: str) -> Any:
    answers = text_of(body, "answers", most=1_000, required=True)
    return record.sit(folder, _test(body), _person(body), answers, assessor=by, on=_day(body))


def _exercise(folder: Path, body: Any, by: str) -> Any:
    return record.judge_exercise(
        folder,
        _person(body),
        text_of(body, "exercise", most=200, required=True),
        text_of(body, "result", most=40, required=True),
        assessor=by,
        on=_day(body),
        finding=text_of(body, "finding", most=1_000),
    )


def _work(folder: Path, body: Any, by: str) -> Any:
    repairs = names_of(body, "repairs")
    mason = text_of(body, "mason", most=200)
    return record.assess_work(folder, _test(body), _person(body), repairs, mason=mason, assessor=by)


def _appeal(folder: Path, body: Any, by: str) -> Any:
    number, ground = _entry(body, "sitting"), text_of(body, "ground", most=2_000)
    return record.appeal(folder, number, ground=ground, on=_day(body))


def _decide(folder: Path, body: Any, by: str) -> Any:
    outcome = text_of(body, "outcome", most=40, required=True)
    reason, question = (text_of(body, n, most=2_000) for n in ("reason", "question"))
    number = _entry(body, "appeal")
    return record.decide(folder, number, outcome, by=by, reason=reason, question=question)


def _certify(folder: Path, body: Any, by: str) -> Any:
    certificate, code = record.certify(folder, _test(body), _person(body), by=by, on=_day(body))
    return {"number": certificate.number, "code": code, "valid_until": certificate.valid_until}


def _print(folder: Path, body: Any, by: str) -> Any:
    """The sheet of a certificate, with a line for the name: names are not told on the desk."""
    number = text_of(body, "number", most=80, required=True)
    with temporary_folder() as kept:
        path = certificate_paper(folder, number, kept, with_name=False)
        return {"file": path.name, "content": base64.b64encode(path.read_bytes()).decode()}


def _withdraw(folder: Path, body: Any, by: str) -> Any:
    number = text_of(body, "number", most=80, required=True)
    return record.withdraw(folder, number, by=by, reason=text_of(body, "reason", most=2_000))


def _entry(body: Any, name: str) -> int:
    number = number_of(body, name)
    if not number.is_integer():
        raise InputError(f"{name} is {number:g}", "Give the number of the entry.")
    return int(number)


_ACTS: Mapping[str, Callable[[Path, Any, str], Any]] = {
    "standard": _standard,
    "seal": _seal,
    "sit": _sit,
    "exercise": _exercise,
    "work": _work,
    "appeal": _appeal,
    "decide": _decide,
    "certify": _certify,
    "certificate": _print,
    "withdraw": _withdraw,
}
