"""``facademap copy``: a whole project into another folder or a database, proved row by row."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("copy")
@click.argument("source")
@click.argument("target")
@click.option(
    "--files",
    type=click.Path(path_type=Path, file_okay=False),
    help="Of a copy in a database: the folder for its pictures and papers, which then stands for it.",
)
@command_options
def command(source: str, target: str, files: Path | None, show: Show) -> None:
    """Copy the project SOURCE to TARGET: folder to database, back, or two of either.

    Rows, history, undo, pictures, papers, issues and an office's own texts come along; names and certificates of
    training stay where they are. A copy that was broken off is started again with the same words.
    """
    from facademap.tasks.project.copy_project import copy_project
    from facademap.tasks.project.team import is_address

    if files and not is_address(target):
        raise click.UsageError("--files is for a copy in a database")
    with show.progress("copying") as progress:
        result = copy_project(source, target, files=files, progress=progress)
    show.result(
        result,
        text=f"{result['address'] or result['project']}: {result['rows']} rows and {result['changes']} changes, read back and "
        f"the same; {result['files']} files copied, {result['files_there']} were there",
    )
