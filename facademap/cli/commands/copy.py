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
@click.option("--elevation", "elevations", multiple=True, help="Only this elevation, for work in the field without a network.")  # fmt: skip
@click.option("--surface", "surfaces", multiple=True, help="Only this surface, likewise.")
@click.option("--who", default="surveyor", show_default=True, help="Who takes a field copy.")
@command_options
def command(
    source: str,
    target: str,
    files: Path | None,
    elevations: tuple[str, ...],
    surfaces: tuple[str, ...],
    who: str,
    show: Show,
) -> None:
    """Copy the project SOURCE to TARGET: folder to database, back, or two of either.

    Rows, history, undo, pictures, papers, issues and an office's own texts come along; names and certificates of
    training stay where they are. A copy that was broken off is started again with the same words.

    With --elevation or --surface the folder TARGET becomes a field copy: what lies there and what belongs to it, to be brought back
    with facademap bring-back.
    """
    from facademap.tasks.project.copy_project import copy_project
    from facademap.tasks.project.team import is_address

    if files and not is_address(target):
        raise click.UsageError("--files is for a copy in a database")
    with show.progress("copying") as progress:
        result = copy_project(
            source, target, files=files, elevations=elevations, surfaces=surfaces, who=who, progress=progress
        )  # fmt: skip
    show.result(
        result,
        text=f"{result['address'] or result['project']}: {result['rows']} rows and {result['changes']} changes, read back and "
        f"the same; {result['files']} files copied, {result['files_there']} were there",
    )
