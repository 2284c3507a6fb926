"""``facademap issued``: what was issued, and whether a sheet is current."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("issued")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--sheet", metavar="NUMBER", help='Say whether this sheet is current, as in "DR-001 rev A".'
)
@click.option(
    "--file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Say which issued paper this file is, and whether it is current.",
)
@command_options
def command(project: Path, sheet: str | None, file: Path | None, show: Show) -> None:
    """List the issued papers of PROJECT, or say whether a sheet or a file is current."""
    from facademap.errors import InputError
    from facademap.tasks.issue.issued import file_issued, list_issued, sheet_issued

    if sheet and file:
        raise InputError("--sheet and --file at once", "Give one of them.")
    if sheet or file:
        found = sheet_issued(project, sheet) if sheet else file_issued(project, file or Path())
        show.result(found, text=[f"{found['name']}, {found['title']}: {found['says']}"])
        return
    listed = list_issued(project)
    text = [
        f"{d['name']}  {d['status']}, {d['date']}  {d['title']}: {d['says']}"
        for d in listed["current"]
    ]
    text += [f"{d['name']}  superseded  {d['title']}" for d in listed["superseded"]]
    text += [
        f"{t['id']}  {t['date']}, {t['status']}, to {'; '.join(t['to'])}: {', '.join(t['documents'])}"
        for t in listed["transmittals"]
    ]
    show.result(listed, text=text or ["nothing was issued yet"])
