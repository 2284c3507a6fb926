"""``facademap consent``: conditions of consents, ticked with evidence, and the work that waits for them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.numbers import Numbers
from facademap.cli.show import Show, command_options

_KINDS = ("cleaning panel", "consolidation panel", "mortar sample", "mock-up", "other")
_POINTS = ("work begins", "work is accepted", "nothing")


@click.command("consent")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("condition", required=False)
@click.option("--reference", help="Reference of the consent, for a new condition.")
@click.option("--clause", help="Number of the condition in the consent.")
@click.option("--text", help="What it asks, in its own words.")
@click.option("--given-by", help="Who gave the consent.")
@click.option("--given-on", help="When: YYYY-MM-DD.")
@click.option(
    "--before",
    type=click.Choice(_POINTS),
    default=_POINTS[0],
    show_default=True,
    help="What waits until it is met.",
)
@click.option("--treatment", "treatments", multiple=True, help="Treatment it is about; repeatable.")
@click.option("--surface", "surfaces", multiple=True, help="Surface it is about; repeatable.")
@click.option(
    "--area",
    "area_m",
    type=Numbers("left,bottom,right,top"),
    help="Part of its one surface that it is about, metres of the wall.",
)
@click.option("--repair", "repairs", multiple=True, help="Repair it is about; repeatable.")
@click.option(
    "--wants-trial",
    type=click.Choice(_KINDS),
    help="Kind of trial, sample or mock-up that must prove it, for a new condition.",
)
@click.option("--met", is_flag=True, help="Tick CONDITION: it is met.")
@click.option("--take-back", is_flag=True, help="Take the tick of CONDITION back.")
@click.option("--by", default="", help="Who ticks it.")
@click.option("--on", help="Day on which it was met: YYYY-MM-DD; today when not given.")
@click.option(
    "--file",
    type=click.Path(path_type=Path),
    help="What proves it: a letter, a report; it is copied.",
)
@click.option("--photo", help="Id of a photo that proves it.")
@click.option("--trial", help="Id of an approved trial, sample or mock-up that proves it.")
@click.option("--note", help="Remarks.")
@command_options
def command(
    project: Path,
    condition: str | None,
    reference: str | None,
    text: str | None,
    before: str,
    treatments: tuple[str, ...],
    repairs: tuple[str, ...],
    surfaces: tuple[str, ...],
    area_m: tuple[float, ...] | None,
    met: bool,
    take_back: bool,
    by: str,
    on: str | None,
    file: Path | None,
    photo: str | None,
    trial: str | None,
    note: str | None,
    show: Show,
    **told: Any,
) -> None:
    """Enter a condition of a consent on PROJECT, tick CONDITION, or list all with what waits.

    Work that a condition is about cannot be entered as begun, or as accepted, before it is ticked with a name and evidence.
    """
    from facademap.errors import InputError
    from facademap.tasks.record import consents as task

    if condition is not None:
        if met == take_back:
            raise InputError(
                f"nothing is said of {condition}",
                "Give --met with --by and evidence, or --take-back.",
            )
        row = (
            task.take_consent_back(project, condition)
            if take_back
            else task.meet_consent(
                project, condition, by=by, on=on, file=file, photo=photo, trial=trial, note=note
            )
        )
        show.result(row, text=_line(row))
    elif reference is not None or text is not None:
        row = task.add_consent(
            project,
            reference=reference or "",
            text=text or "",
            before=before,
            treatments=treatments,
            repairs=repairs,
            surfaces=surfaces,
            area_m=area_m,
            note=note,
            **told,
        )
        show.result(row, text=_line(row))
    elif met or take_back or by:
        raise InputError("no condition is named", "Name one, such as L-001, after the project.")
    else:
        rows = task.list_consents(project)
        show.result(
            {"consents": rows}, text=[_line(r) for r in rows] or "no consent has been entered"
        )


def _line(row: dict[str, Any]) -> str:
    from facademap.repair.consents import about_said

    clause = f", condition {row['clause']}" if row["clause"] else ""
    about = about_said(row)
    proof = row["evidence_file"] or row["evidence_photo"] or row["evidence_trial"]
    state = (
        f"met, {row['met_by']}, {row['met_on']}, by {proof}"
        if row["met"]
        else "open"
        if row["before"] == "nothing"
        else f"open: holds {about} until then ({row['before']})"
    )
    return f"{row['id']}: {row['reference']}{clause}: {row['text']} [{state}]"
