"""``facademap transmit``: issue papers to people: numbered, revised and registered."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("transmit")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--to",
    multiple=True,
    required=True,
    metavar="NAME",
    help="Who gets the papers (may be given several times).",
)
@click.option(
    "--status",
    required=True,
    metavar="STATUS",
    help="for comment, for tender, for construction, or as built.",
)
@click.option("--reason", required=True, metavar="TEXT", help="Why, for the revision table.")
@click.option("--drawn", required=True, metavar="NAME", help="Who made them.")
@click.option(
    "--checked",
    default="",
    metavar="NAME",
    help="Another person who checked them; needed for construction and as built.",
)
@click.option(
    "--date", default="", metavar="DAY", help="Day of issue, as 2026-11-30; today when not given."
)
@click.option(
    "--only",
    multiple=True,
    metavar="PAPER",
    help="Issue only this paper (may be given several times).",
)
@click.option(
    "--for",
    "person",
    metavar="WHO",
    help="Issue the papers of mason, yard, planner, cost or tender.",
)
@click.option(
    "--paper",
    default="A4",
    show_default=True,
    metavar="SIZE",
    help="Sheet of tickets, lists and templates.",
)
@click.option("--sheet", default="A3", show_default=True, metavar="SIZE", help="Sheet of drawings.")
@click.option(
    "--scale", type=float, metavar="N", help="Scale 1:N of drawings; chosen to fit when not given."
)
@click.option("--line-only", is_flag=True, help="Draw without the picture.")
@command_options
def command(
    project: Path,
    to: tuple[str, ...],
    status: str,
    reason: str,
    drawn: str,
    checked: str,
    date: str,
    only: tuple[str, ...],
    person: str | None,
    paper: str,
    sheet: str,
    scale: float | None,
    line_only: bool,
    show: Show,
) -> None:
    """Issue papers of PROJECT: numbered, revised, and registered with who got them.

    What says the same as when it was last issued goes out again at its revision. Everything stands in
    PROJECT/issued: an archive for each transmittal, the current papers, the superseded ones with their stamp, and
    the index.
    """
    from facademap.errors import InputError
    from facademap.tasks.issue.packs import papers_for
    from facademap.tasks.issue.papers import Choices
    from facademap.tasks.issue.transmit import transmit

    if person:
        if only:
            raise InputError("--for and --only at once", "Give one of them.")
        only = papers_for(person)
    with show.progress("papers") as progress:
        done = transmit(
            project,
            to=to,
            status=status,
            reason=reason,
            drawn_by=drawn,
            checked_by=checked,
            date=date,
            only=only,
            choices=Choices(paper=paper, sheet=sheet, scale=scale, pictures=not line_only),
            progress=lambda share, what: progress(share),
        )
    for line in done.warnings:
        show.say(f"note: {line}")
    one = done.transmittal
    fresh = {d.name for d in one.fresh}
    text = [f"{name}{'' if name in fresh else '  as issued before'}" for name in one.documents]
    text.append(f"{one.id}, {one.status}, {one.date}, to {'; '.join(one.to)}: {done.archive}")
    show.result(
        {
            "transmittal": one.id,
            "status": one.status,
            "date": one.date,
            "to": one.to,
            "documents": one.documents,
            "new": sorted(fresh),
            "archive": str(done.archive),
            "warnings": done.warnings,
        },
        text=text,
    )
