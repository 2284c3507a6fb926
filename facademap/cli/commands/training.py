"""``facademap training``: teach from the guide, assess by a sealed test, give certificates."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]

_PROJECT = click.argument("project", type=click.Path(path_type=Path))
_ON = click.option("--on", help="Day as YYYY-MM-DD; today when not given.")
_ASSESSOR = click.option("--assessor", required=True, help="Label of the assessor.")
_BY = click.option("--by", required=True, help="Label of the assessor who decides.")
_TEST = click.option(
    "--test", default="masons, first test", show_default=True, help="Name of the sealed test."
)
_PAPER = click.option(
    "--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True
)
_OUT = click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder to write to."
)


@click.group("training")
def command() -> None:
    """Teach from the guide, assess by a sealed test, give certificates that can be verified.

    People stand in the book by labels; names lie apart in PROJECT/training, for its owner's eyes alone, and can be removed.
    """


@command.command("programme")
@_PROJECT
@click.option("--test", default="", help="Print the questions of this sealed test.")
@_PAPER
@_OUT
@command_options
def programme(project: Path, test: str, paper: str, out: Path, show: Show) -> None:
    """Programme, exercise sheets and question sheet of PROJECT; the key apart."""
    from facademap.tasks.training.papers import programme_papers

    made = [str(p) for p in programme_papers(project, out, test=test, paper=paper)]
    show.result({"files": made}, text=made)


@command.command("person")
@_PROJECT
@click.option("--role", type=click.Choice(["trainee", "assessor"]), default="trainee")
@click.option("--name", default="", help="Kept apart from everything else; may be left out.")
@command_options
def person(project: Path, role: str, name: str, show: Show) -> None:
    """Give a person a label."""
    from facademap.tasks.training.record import add_person

    label = add_person(project, role=role, name=name)
    show.result({"label": label, "role": role}, text=label)


@command.command("key")
@_PROJECT
@click.argument("assessor")
@command_options
def key(project: Path, assessor: str, show: Show) -> None:
    """Give ASSESSOR a key for the desk, in place of one given before; it is told once.

    Where people sign in to the desk, results are shown and entered with it alone.
    """
    from facademap.tasks.training.assessors import give_key

    given = give_key(project, assessor)
    show.result({"assessor": assessor, "key": given}, text=f"key of {assessor}: {given}")


@command.command("session")
@_PROJECT
@click.argument("title")
@click.option(
    "--kind",
    type=click.Choice(["lecture", "demonstration", "questions", "exercise"]),
    default="lecture",
    show_default=True,
)
@_ON
@click.option("--hours", type=float, required=True)
@click.option("--present", multiple=True, help="Label; once for each who was there.")
@command_options
def session(
    project: Path,
    title: str,
    kind: str,
    on: str | None,
    hours: float,
    present: tuple[str, ...],
    show: Show,
) -> None:
    """Enter a session and who was there."""
    from facademap.tasks.training.record import hold_session

    body = hold_session(project, title, kind=kind, on=on, hours=hours, present=present)
    show.result(body, text=f"{body['on']}: {body['title']}, {len(body['present'])} present")


@command.command("exercise")
@_PROJECT
@click.argument("person")
@click.argument("exercise")
@click.argument("result", type=click.Choice(["pass", "redo"]))
@_ASSESSOR
@_ON
@click.option("--finding", default="", help="What it showed; a redo needs it.")
@command_options
def exercise(
    project: Path,
    person: str,
    exercise: str,
    result: str,
    assessor: str,
    on: str | None,
    finding: str,
    show: Show,
) -> None:
    """Enter what an exercise showed."""
    from facademap.tasks.training.record import judge_exercise

    body = judge_exercise(
        project, person, exercise, result, assessor=assessor, on=on, finding=finding
    )
    show.result(body, text=f"{person}, {exercise}: {result}")


@command.command("seal")
@_PROJECT
@click.argument("test_file", type=click.Path(path_type=Path), required=False)
@_BY
@command_options
def seal(project: Path, test_file: Path | None, by: str, show: Show) -> None:
    """Seal a test, from today on: questions, criteria and passing standard.

    TEST_FILE is a TOML text with [test]: name, scope, pass_share, questions, standard (fixed with facademap workmanship),
    attendance_share, exercises, attempts, wait_days, appeal_days, validity_months.
    """
    from facademap.tasks.training.record import seal_test

    test = seal_test(project, test_file, by=by)
    show.result(
        {"name": test.name, "sealed_on": test.sealed_on.isoformat(), "digest": test.digest},
        text=f"test {test.name!r} sealed on {test.sealed_on} under {test.seal}: {len(test.questions)} questions",
    )


@command.command("sit")
@_PROJECT
@click.argument("person")
@click.option("--answers", required=True, help="One letter a question, - for none.")
@_TEST
@_ASSESSOR
@_ON
@command_options
def sit(
    project: Path, person: str, answers: str, test: str, assessor: str, on: str | None, show: Show
) -> None:
    """Enter the answers of a person."""
    from facademap.tasks.training.record import sit as enter

    found = enter(project, test, person, answers, assessor=assessor, on=on)
    missed = (
        f"; critical: {', '.join(found['missed_critical'])}" if found["missed_critical"] else ""
    )
    show.result(
        found,
        text=f"entry {found['sitting']}: {person} {'passed' if found['passed'] else 'not passed'}, {found['share']:.0%} right{missed}",
    )


@command.command("work")
@_PROJECT
@click.argument("person")
@click.argument("repairs", nargs=-1, required=True)
@_TEST
@_ASSESSOR
@click.option("--mason", default="", help="Name in the work record, where it is not the label.")
@click.option("--report", "report", type=click.Path(), help="Report to this path, .txt and .html.")
@command_options
def work(
    project: Path,
    person: str,
    repairs: tuple[str, ...],
    test: str,
    assessor: str,
    mason: str,
    report: str | None,
    show: Show,
) -> None:
    """Assess recorded work on REPAIRS by the standard of the test."""
    from facademap.tasks.training.record import assess_work

    body = assess_work(project, test, person, repairs, mason=mason, assessor=assessor, out=report)
    reached = "standard reached" if body["passed"] else "standard not reached yet"
    show.result(body, text=[f"{person}: {reached}", *(f"to work on: {r}" for r in body["reasons"])])


@command.command("appeal")
@_PROJECT
@click.argument("sitting", type=int)
@click.option("--ground", required=True, help="What was wrong.")
@_ON
@command_options
def appeal(project: Path, sitting: int, ground: str, on: str | None, show: Show) -> None:
    """Appeal about SITTING, the number of its entry."""
    from facademap.tasks.training.record import appeal as enter

    body = enter(project, sitting, ground=ground, on=on)
    show.result(body, text=f"appeal {body['appeal']} about sitting {sitting}")


@command.command("decide")
@_PROJECT
@click.argument("appeal", type=int)
@click.argument("outcome", type=click.Choice(["dismiss", "void", "strike"]))
@click.option("--question", default="", help="Question that is struck for everybody.")
@_BY
@click.option("--reason", required=True)
@command_options
def decide(
    project: Path, appeal: int, outcome: str, question: str, by: str, reason: str, show: Show
) -> None:
    """Decide APPEAL: dismiss it, count the sitting as void, or strike a question."""
    from facademap.tasks.training.record import decide as enter

    body = enter(project, appeal, outcome, by=by, reason=reason, question=question)
    show.result(body, text=f"appeal {appeal}: {outcome}")


@command.command("report")
@_PROJECT
@_TEST
@click.option("--person", default="", help="Label; the group and its questions when not given.")
@click.option("--with-name", is_flag=True, help="Print the name instead of the label.")
@_PAPER
@_OUT
@command_options
def report(
    project: Path, test: str, person: str, with_name: bool, paper: str, out: Path, show: Show
) -> None:
    """Report of one person, or of the group without anybody in it."""
    from facademap.tasks.training.papers import report_papers

    made = [
        str(p)
        for p in report_papers(
            project, out, test=test, person=person, with_name=with_name, paper=paper
        )
    ]
    show.result({"files": made}, text=made)


@command.command("certify")
@_PROJECT
@click.argument("person")
@_TEST
@_BY
@_ON
@click.option("--without-name", is_flag=True, help="Leave a line for the name.")
@_PAPER
@_OUT
@command_options
def certify(
    project: Path,
    person: str,
    test: str,
    by: str,
    on: str | None,
    without_name: bool,
    paper: str,
    out: Path,
    show: Show,
) -> None:
    """Give a certificate to a person who reached all that the test asks."""
    from facademap.tasks.training.papers import certificate_paper
    from facademap.tasks.training.record import certify as give

    certificate, code = give(project, test, person, by=by, on=on)
    path = certificate_paper(
        project, certificate.number, out, with_name=not without_name, paper=paper
    )
    show.result(
        {
            "number": certificate.number,
            "code": code,
            "valid_until": certificate.valid_until,
            "out": path,
        },
        text=f"certificate {certificate.number}, code {code}, valid until {certificate.valid_until}: {path}",
    )


@command.command("verify")
@_PROJECT
@click.argument("number")
@click.argument("code")
@click.option("--name", default="", help="Name on the certificate, to be compared.")
@click.option("--on", help="Day on which it should hold; today when not given.")
@command_options
def verify(project: Path, number: str, code: str, name: str, on: str | None, show: Show) -> int:
    """Whether a certificate was given by this office and holds; ends with 1 when not."""
    from facademap.tasks.training.record import verify as look

    found = look(project, number, code, name=name, on=on)
    if not found["genuine"]:
        lines = [f"not genuine: {found['why']}"]
    else:
        lines = [
            f"genuine; {'holds' if found['holds'] else found['why']}",
            f"scope: {found['scope']}",
        ]
        if name and found["name_fits"] is None:
            lines.append("the name was removed, or none was kept: it cannot be compared")
    show.result(found, text=lines)
    return 0 if found["genuine"] and found["holds"] else 1


@command.command("withdraw")
@_PROJECT
@click.argument("number")
@_BY
@click.option("--reason", required=True)
@command_options
def withdraw(project: Path, number: str, by: str, reason: str, show: Show) -> None:
    """Withdraw a certificate."""
    from facademap.tasks.training.record import withdraw as enter

    enter(project, number, by=by, reason=reason)
    show.result({"number": number, "withdrawn": True}, text=f"certificate {number} is withdrawn")


@command.command("forget")
@_PROJECT
@click.option("--person", default="", help="Label; all names when not given.")
@command_options
def forget(project: Path, person: str, show: Show) -> None:
    """Remove names; results and certificates stay under their labels."""
    from facademap.tasks.training.record import forget_names

    count = forget_names(project, person)
    show.result({"names": count}, text=f"{count} names removed")
