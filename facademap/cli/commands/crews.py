"""``facademap crews``: who works when, hours booked, and rates of one's own."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("crews")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--set",
    "set_path",
    type=click.Path(path_type=Path),
    help="Put the crews of this TOML file in place: [[crew]] with name, hours, days, skills, away, first, last, certificates.",
)
@click.option("--book", "repair", metavar="REPAIR", help="Book hours on this repair.")
@click.option("--crew", help="Crew that worked.")
@click.option("--hours", type=float, help="Hours of the crew.")
@click.option("--on", help="Day as YYYY-MM-DD; today when not given.")
@click.option(
    "--rates",
    "out",
    type=click.Path(path_type=Path),
    help="Write rates from what was booked to this file, for schedule --work-rates.",
)
@command_options
def command(
    project: Path,
    set_path: Path | None,
    repair: str | None,
    crew: str | None,
    hours: float | None,
    on: str | None,
    out: Path | None,
    show: Show,
) -> None:
    """Set the crews of PROJECT, book their hours, make rates from them, or list both."""
    from facademap.errors import InputError
    from facademap.store.project import Project
    from facademap.tasks.record import crews as task

    if set_path is not None:
        found = [c.name for c in task.set_crews(project, set_path)]
        show.result({"crews": found}, text=f"crews: {', '.join(found)}")
    elif repair is not None:
        if crew is None or hours is None:
            raise InputError("hours need a crew and a number", "Give both --crew and --hours.")
        entry = task.book_hours(project, repair, hours, crew=crew, on=on)
        show.result(entry, text=f"{entry['id']}: {hours:g} h of {crew} on {repair}")
    elif out is not None:
        rates = task.write_own_rates(project, out)
        show.result(
            {"rates": rates, "out": out},
            text=[
                f"{t}: {r['likely']:.2f} times the hours of common practice, from {r['repairs']} repairs"
                for t, r in rates.items()
            ],
        )
    else:
        with Project.open(project, read_only=True) as opened:
            known, booked = task.crews_of(opened), task.booked_hours(opened)
        lines = [
            f"{c.name}: {c.hours_h:g} h a day; {', '.join(sorted(c.skills)) or 'all treatments'}"
            for c in known
        ]
        lines += [
            f"{b.repair} ({b.treatment}, {b.stage}): {b.hours_h:g} h booked, {b.told_h:.1f} h by common practice"
            for b in booked
        ]
        show.result(
            {
                "crews": [c.name for c in known],
                "booked": [
                    {"repair": b.repair, "hours_h": b.hours_h, "told_h": b.told_h} for b in booked
                ],
            },
            text=lines,
        )
