"""``facademap maintenance``: what is to be looked at when, as table, page and calendar."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("maintenance")
@click.argument("project", type=click.Path())
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Folder for maintenance.csv, .html and .ics. Default: the project's folder out.",
)
@click.option(
    "--on", metavar="YYYY-MM-DD", help="Day from which is looked ahead.  [default: today]"
)
@command_options
def command(project: str, out: Path | None, on: str | None, show: Show) -> None:
    """Plan the looks at a wall: conditions by class, activity and growth, repairs done, the wall and its water.

    Every span is a trade value (maintain.* and watch.*) that a project may change. A plan is no inspection; local rules
    come first.
    """
    import datetime as dt

    from facademap.errors import InputError
    from facademap.tasks.plan.maintenance import plan_maintenance

    try:
        day = None if on is None else dt.date.fromisoformat(on)
    except ValueError:
        raise InputError(f"{(on or '')[:40]!r} is no day", "Give it as YYYY-MM-DD.") from None
    plan = plan_maintenance(project, out=out, today=day)
    for note in plan.notes:
        show.say(f"note: {note}")
    today = day or dt.datetime.now(dt.UTC).date()
    due = [k for k in plan.looks if k.due_on <= today]
    show.result(
        {
            "files": list(plan.files),
            "due_now": len(due),
            "looks": [
                {
                    "due_on": str(k.due_on),
                    "kind": k.kind,
                    "id": k.id,
                    "subject": k.subject,
                    "surface": k.surface,
                    "months": k.months,
                    "why": k.why,
                }
                for k in plan.looks
            ],
        },
        text=[
            f"{len(plan.looks)} looks, {len(due)} of them due now; the next on "
            f"{min((k.due_on for k in plan.looks if k.due_on > today), default=None) or 'no day yet'}",
            *plan.files,
        ],
    )
