"""What happens in a training, entered: people, sessions, exercises, the sealed test, sittings, work, appeals, certificates."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.repair.settings import parse_toml
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.record.work import assess_project, criteria_of_office, fixed_standard
from facademap.tasks.training.kept import (
    key_of,
    opened,
    read_kept,
    read_names,
    write_names,
)
from facademap.tasks.training.programme import programme_of, questions_of, read_own
from facademap.training import (
    Book,
    Certificate,
    SealedTest,
    Standing,
    certificate_from,
    code_of,
    months_after,
    name_mark,
    need_appeal,
    need_decision,
    need_same_criteria,
    need_sitting,
    person_of,
    read_answers,
    same_code,
    sittings_of,
    standing_of,
    test_of,
)

__all__ = [
    "add_person",
    "appeal",
    "assess_work",
    "certify",
    "criteria_seal_of",
    "decide",
    "forget_names",
    "hold_session",
    "judge_exercise",
    "seal_test",
    "sit",
    "standing_in",
    "verify",
    "withdraw",
]

#: What a file of a test may say, and as what.
_TEST_KEYS: Mapping[str, tuple[type, ...]] = {
    "name": (str,),
    "scope": (str,),
    "standard": (str,),
    "questions": (list,),
    "pass_share": (int, float),
    "attendance_share": (int, float),
    "exercises": (int,),
    "attempts": (int,),
    "wait_days": (int,),
    "appeal_days": (int,),
    "validity_months": (int,),
}
_LETTER = {"trainee": "P", "assessor": "A"}
SESSIONS = ("lecture", "demonstration", "questions", "exercise")


def add_person(folder: str | Path, *, role: str = "trainee", name: str = "") -> str:
    """Give a person a label; the name is kept apart, or not at all. Returns the label."""
    with opened(folder) as book:
        count = sum(e.body["role"] == role for e in book[0].of("person"))
        label = f"{_LETTER[role]}{count + 1:02d}"
        book[0] = _add(book[0], "person", {"label": label, "role": role})
        if name.strip():
            names = read_names(folder)
            names[label] = {"name": " ".join(name.split())[:200], "salt": secrets.token_hex(16)}
            write_names(folder, names)
    return label


def hold_session(
    folder: str | Path,
    title: str,
    *,
    kind: str,
    on: str | None,
    hours: float,
    present: Sequence[str],
) -> dict[str, Any]:
    """Enter a session and who was there."""
    if kind not in SESSIONS:
        raise InputError(f"{kind!r} is no session", f"Use {', '.join(SESSIONS)}.")
    if not title.strip() or not 0 < hours <= 24:
        raise InputError(
            "a session without title, or of no hours", "Give its title, and hours up to 24."
        )
    with opened(folder) as book:
        there = sorted({person_of(book[0], p) for p in present})
        body = {
            "title": title.strip()[:200],
            "kind": kind,
            "on": _day(on).isoformat(),
            "hours": hours,
            "present": there,
        }
        book[0] = _add(book[0], "session", body)
    return body


def judge_exercise(
    folder: str | Path,
    person: str,
    exercise: str,
    result: str,
    *,
    assessor: str,
    on: str | None,
    finding: str = "",
) -> dict[str, Any]:
    """Enter what an exercise showed: pass, or redo with what to practise."""
    if result not in ("pass", "redo"):
        raise InputError(f"{result!r} is no result", "Say pass or redo.")
    if result == "redo" and not finding.strip():
        raise InputError("a redo says nothing", "Give --finding: what is to be practised.")
    with Project.open(folder, read_only=True) as project:
        found = programme_of(project)
    offered = {e.id for e in (*found.exercises, *found.spare)}
    with opened(folder) as book:
        known = offered | {str(e.body["exercise"]) for e in book[0].of("exercise")}
        if exercise not in known:
            raise InputError(
                f"{exercise[:40]!r} is no exercise of this project",
                f"Use one of {', '.join(sorted(offered)[:8]) or 'none: no repair is low in risk'}.",
            )
        person_of(book[0], person, role="trainee")
        person_of(book[0], assessor, role="assessor")
        body = {
            "person": person,
            "exercise": exercise,
            "result": result,
            "assessor": assessor,
            "on": _day(on).isoformat(),
            "finding": finding.strip()[:1000],
        }
        book[0] = _add(book[0], "exercise", body)
    return body


def seal_test(
    folder: str | Path,
    path: Path | None = None,
    *,
    by: str,
    given: Mapping[str, Any] | None = None,
    today: dt.date | None = None,
) -> SealedTest:
    """Seal questions, criteria and passing standard, from today on; they cannot be changed after.

    Parameters
    ----------
    folder : path
    path : Path, optional
        A TOML text with ``[test]``; packaged values without it.
    by : str
        Label of an assessor.
    given : mapping, optional
        What stands under ``[test]``, where there is no file.
    """
    if path is not None:
        given = parse_toml(read_own(path), where=str(path)).get("test", {})
    given = {} if given is None else _checked_test(given, where=str(path or "the test"))
    with Project.open(folder, read_only=True) as project:
        questions = questions_of(project)
        wanted = given.get("questions")
        if wanted is not None:
            by_id = {q.id: q for q in questions}
            strange = [w for w in wanted if w not in by_id]
            if strange or not wanted:
                raise InputError(
                    f"no question is called {str(strange[0])[:40]!r}"
                    if strange
                    else "no question is asked",
                    f"Use some of {', '.join(by_id)}.",
                )
            questions = tuple(by_id[w] for w in dict.fromkeys(wanted))
        standard = str(given.get("standard", ""))
        fixed = fixed_standard(project, standard) if standard else None
        asked = {*fixed.shares, *fixed.critical} if fixed else set()
        criteria = criteria_of_office(project).seal(asked) if fixed else ""
    plain = {k: v for k, v in given.items() if k not in ("questions", "standard")}
    test = SealedTest(
        **{
            "name": "masons, first test",
            "scope": "insets, joints and small repairs on this wall, by its guide",
            "pass_share": 0.8,
            **plain,
        },
        sealed_on=today or _today(),
        sealed_by=by,
        questions=questions,
        standard=standard,
        standard_seal=fixed.seal if fixed else "",
        criteria_seal=criteria,
    )
    with opened(folder) as book:
        person_of(book[0], by, role="assessor")
        if any(e.body["test"]["name"] == test.name for e in book[0].of("test")):
            sealed = test_of(book[0], test.name)
            raise InputError(
                f"a test named {test.name!r} was sealed on {sealed.sealed_on}",
                "Give the new one another name; a sealed test does not change.",
            )
        book[0] = _add(book[0], "test", {"test": test.as_json(), "digest": test.digest})
    return test


def _checked_test(given: Any, *, where: str) -> Mapping[str, Any]:
    """What is said of a test, each entry of its kind."""
    unknown = set(given) - set(_TEST_KEYS) if isinstance(given, Mapping) else {"test"}
    if unknown or not given:
        raise InputError(
            f"{where}: no [test], or unknown {', '.join(sorted(unknown))}",
            f"Begin with [test] and use {', '.join(sorted(_TEST_KEYS))}.",
        )
    for name, value in given.items():
        wrong = not isinstance(value, _TEST_KEYS[name]) or isinstance(value, bool)
        if wrong or (name == "questions" and not all(isinstance(q, str) for q in value)):
            raise InputError(
                f"{where}: {name} is {str(value)[:40]!r}",
                "Give texts in quotes, numbers without, and questions as a list of their ids.",
            )
    checked: Mapping[str, Any] = given
    return checked


def sit(
    folder: str | Path,
    test: str,
    person: str,
    answers: str,
    *,
    assessor: str,
    on: str | None = None,
) -> dict[str, Any]:
    """Enter the answers of a person; returns the result."""
    day = _day(on)
    with opened(folder) as book:
        sealed = test_of(book[0], test)
        person_of(book[0], person, role="trainee")
        person_of(book[0], assessor, role="assessor")
        need_same_criteria(sealed, criteria_seal_of(folder, sealed))
        need_sitting(book[0], sealed, person, on=day)
        given = read_answers(answers, len(sealed.questions))
        far = [
            q.id
            for q, a in zip(sealed.questions, given, strict=True)
            if a is not None and a >= len(q.options)
        ]
        if far:
            raise InputError(f"question {far[0]!r} has no such answer", "Look at the sheet again.")
        body = {
            "test": test,
            "person": person,
            "answers": list(given),
            "assessor": assessor,
            "on": day.isoformat(),
        }
        book[0] = _add(book[0], "sitting", body)
        last = sittings_of(book[0], sealed)[-1]
    return {
        "sitting": last.number,
        "person": person,
        "share": last.share,
        "passed": last.passed,
        "missed_critical": list(last.missed_critical),
    }


def assess_work(
    folder: str | Path,
    test: str,
    person: str,
    repairs: Sequence[str],
    *,
    mason: str = "",
    assessor: str,
    out: str | Path | None = None,
) -> dict[str, Any]:
    """Assess recorded work of a person by the standard of a test, with :func:`assess_project`.

    ``mason`` is the name under which the work was recorded, where that is not the label.
    """
    called = mason or person
    book = read_kept(folder)
    sealed = test_of(book, test)
    person_of(book, person, role="trainee")
    person_of(book, assessor, role="assessor")
    if not sealed.standard:
        raise InputError(f"test {test!r} asks for no work", "Seal a test that names a standard.")
    need_same_criteria(sealed, criteria_seal_of(folder, sealed))
    known = read_names(folder).get(person, {}).get("name", "")
    if mason and known and " ".join(mason.split()).casefold() != known.casefold():
        raise InputError(
            f"{person} is not known by that name", "Give the name that was entered with the person."
        )
    _need_own_work(folder, repairs, called)
    result = assess_project(
        folder, chosen=repairs, standard=sealed.standard, mason=called, assessor=assessor, out=out
    )
    body = {
        "test": test,
        "person": person,
        "repairs": list(repairs),
        "standard_seal": result["seal"],
        "passed": result["passed"] and result["seal"] == sealed.standard_seal,
        "assessor": assessor,
        "on": result["assessed_on"],
    }
    with opened(folder) as kept:
        kept[0] = _add(kept[0], "work", body)
    return {**body, "reasons": result["reasons"]}


def appeal(
    folder: str | Path, sitting: int, *, ground: str, on: str | None = None
) -> dict[str, Any]:
    """Enter an appeal about a sitting."""
    if not ground.strip():
        raise InputError("the appeal says nothing", "Give --ground: what was wrong.")
    day = _day(on)
    with opened(folder) as book:
        about = need_appeal(book[0], sitting, on=day)
        body = {
            "sitting": sitting,
            "test": about.body["test"],
            "person": about.body["person"],
            "ground": ground.strip()[:2000],
            "on": day.isoformat(),
        }
        book[0] = _add(book[0], "appeal", body)
        return {"appeal": len(book[0].entries), **body}


def decide(
    folder: str | Path, number: int, outcome: str, *, by: str, reason: str, question: str = ""
) -> dict[str, Any]:
    """Decide an appeal: ``dismiss`` it, count the sitting as ``void``, or ``strike`` a question for everybody."""
    if outcome not in ("dismiss", "void", "strike"):
        raise InputError(f"{outcome!r} is no decision", "Use dismiss, void or strike.")
    if not reason.strip():
        raise InputError("the decision gives no reason", "Give --reason.")
    with opened(folder) as book:
        person_of(book[0], by, role="assessor")
        about = need_decision(book[0], number, by=by)
        sealed = test_of(book[0], str(about.body["test"]))
        if outcome == "strike" and question not in {q.id for q in sealed.questions}:
            raise InputError(
                f"{question[:40]!r} is no question of that test", "Name the question to strike."
            )
        body = {
            "appeal": number,
            "outcome": outcome,
            "question": question if outcome == "strike" else "",
            "by": by,
            "reason": reason.strip()[:2000],
            "on": _today().isoformat(),
        }
        book[0] = _add(book[0], "decision", body)
    return body


def standing_in(folder: str | Path, test: str, person: str) -> Standing:
    """Where a person stands with a test."""
    book = read_kept(folder)
    sealed = test_of(book, test)
    person_of(book, person, role="trainee")
    return standing_of(book, sealed, person, criteria_seal=criteria_seal_of(folder, sealed))


def certify(
    folder: str | Path, test: str, person: str, *, by: str, on: str | None = None
) -> tuple[Certificate, str]:
    """Give a certificate to a person who reached everything that a test asks; returns it with its code.

    Raises
    ------
    InputError
        The person was not assessed or did not reach the standard, or holds one already.
    """
    day = _day(on)
    with opened(folder) as book:
        sealed = test_of(book[0], test)
        person_of(book[0], person, role="trainee")
        person_of(book[0], by, role="assessor")
        seal = criteria_seal_of(folder, sealed)
        standing = standing_of(book[0], sealed, person, criteria_seal=seal)
        if not standing.passed:
            raise InputError(
                f"{person} gets no certificate: {'; '.join(standing.wanting)}",
                "Reach what is wanting first.",
            )
        last = max(s.on for s in standing.sittings)
        if day < last:
            raise InputError(
                f"{day} lies before the assessment ({last})", "Date it on or after the assessment."
            )
        gone = {str(w.body["number"]) for w in book[0].of("withdrawal")}
        for e in book[0].of("certificate"):
            same = (e.body["person"], e.body["test"]) == (person, test)
            if same and e.body["number"] not in gone and e.body["valid_until"] >= day.isoformat():
                raise InputError(
                    f"{person} holds certificate {e.body['number']} until {e.body['valid_until']}",
                    "Print that one again, or withdraw it first.",
                )
        count = sum(1 for _ in book[0].of("certificate")) + 1
        kept = read_names(folder).get(person)
        certificate = Certificate(
            number=f"{day.year}-{count:03d}",
            person=person,
            test=test,
            seal=sealed.digest,
            scope=sealed.scope,
            issued_on=day.isoformat(),
            valid_until=months_after(day, sealed.validity_months).isoformat(),
            issued_by=by,
            mark=name_mark(kept["name"], kept["salt"]) if kept else "",
        )
        code = code_of(certificate, key_of(folder, make=True))
        book[0] = _add(book[0], "certificate", certificate.as_json())
    return certificate, code


def verify(
    folder: str | Path, number: str, code: str, *, name: str = "", on: str | None = None
) -> dict[str, Any]:
    """Whether a certificate that somebody shows was given by this office, and still holds.

    Returns
    -------
    dict
        ``genuine``, ``holds``, ``why``; scope and days only where the code is right. No name is ever told: one that is given is
        compared (``name_fits``: true, false, or ``None`` where it was removed).
    """
    book = read_kept(folder)
    entry = next((e for e in book.of("certificate") if e.body["number"] == number), None)
    wrong = {"genuine": False, "holds": False, "why": "no certificate of this number has this code"}
    if entry is None:
        return wrong
    certificate = certificate_from(entry.body)
    if not same_code(code, code_of(certificate, key_of(folder, make=False))):
        return wrong
    day = _day(on, ahead=True).isoformat()
    gone = next((w for w in book.of("withdrawal") if w.body["number"] == number), None)
    why = ""
    if gone is not None and gone.body["on"] <= day:
        why = f"withdrawn on {gone.body['on']}"
    elif not certificate.issued_on <= day <= certificate.valid_until:
        why = f"valid from {certificate.issued_on} to {certificate.valid_until}"
    fits: bool | None = None
    if name.strip():
        kept = read_names(folder).get(certificate.person)
        fits = name_mark(name, kept["salt"]) == certificate.mark if kept else None
        if fits is False:
            why = why or "it was given to somebody of another name"
    return {
        "genuine": True,
        "holds": not why,
        "why": why,
        "scope": certificate.scope,
        "issued_on": certificate.issued_on,
        "valid_until": certificate.valid_until,
        "seal": certificate.seal[:12],
        "name_fits": fits,
    }


def withdraw(folder: str | Path, number: str, *, by: str, reason: str) -> dict[str, Any]:
    """Withdraw a certificate, with a reason."""
    if not reason.strip():
        raise InputError("the withdrawal gives no reason", "Give --reason.")
    with opened(folder) as book:
        person_of(book[0], by, role="assessor")
        known = {str(e.body["number"]) for e in book[0].of("certificate")}
        gone = {str(e.body["number"]) for e in book[0].of("withdrawal")}
        if number not in known or number in gone:
            raise InputError(
                f"certificate {number[:20]!r} was not given, or is withdrawn already",
                "Give the number of one that holds.",
            )
        body = {
            "number": number,
            "by": by,
            "reason": reason.strip()[:2000],
            "on": _today().isoformat(),
        }
        book[0] = _add(book[0], "withdrawal", body)
    return body


def forget_names(folder: str | Path, person: str = "") -> int:
    """Remove a name, or all; results and certificates stay under their labels. Returns how many were removed."""
    with opened(folder) as book:
        names = read_names(folder)
        if person:
            person_of(book[0], person)
        kept = {k: v for k, v in names.items() if person and k != person}
        write_names(folder, kept)
    return len(names) - len(kept)


def criteria_seal_of(folder: str | Path, test: SealedTest) -> str:
    """Digest of the criteria of a test as they are in the project now."""
    if not test.standard:
        return ""
    with Project.open(folder, read_only=True) as project:
        fixed = fixed_standard(project, test.standard)
        if fixed.seal != test.standard_seal:
            raise InputError(
                f"standard {test.standard!r} is not the one that test {test.name!r} was sealed with",
                "Put the standard back as it was, or seal a test of another name.",
            )
        return criteria_of_office(project).seal({*fixed.shares, *fixed.critical})


def _need_own_work(folder: str | Path, repairs: Sequence[str], mason: str) -> None:
    """Refuse work that does not say by whom it was done: a certificate rests on it."""
    with Project.open(folder, read_only=True) as project:
        log = project.read("work_log")
    for repair in repairs:
        own = log[log["repair"] == repair]
        if not any(not is_missing(m) and str(m) == mason for m in own["mason"]):
            raise InputError(
                f"{repair}: no entry of the work record names {mason}",
                "Assess work that was recorded under the label, or give --mason.",
            )


def _add(book: Book, kind: str, body: Mapping[str, Any]) -> Book:
    return book.with_entry(kind, body, at=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"))


def _today() -> dt.date:
    return dt.datetime.now(dt.UTC).date()


def _day(text: str | None, *, ahead: bool = False) -> dt.date:
    if not text:
        return _today()
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text[:40]!r} is no day", "Write it as YYYY-MM-DD.") from None
    if day > _today() and not ahead:
        raise InputError(f"{day} has not come yet", "Give the day on which it was.")
    return day
