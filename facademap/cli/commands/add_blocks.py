"""``facademap add-blocks``."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("add-blocks")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--faces",
    type=click.Path(path_type=Path),
    help="CSV of further faces; the one beside FILE whose name ends in _faces.csv without it.",
)
@click.option(
    "--photos",
    type=click.Path(path_type=Path),
    help="Folder of the face photos; beside FILE without it.",
)
@command_options
def command(project: Path, file: Path, faces: Path | None, photos: Path | None, show: Show) -> None:
    """Read salvaged blocks from FILE (CSV or XLSX) into PROJECT and measure the colour of their faces."""
    from facademap.tasks.yard.add_blocks import add_blocks

    with show.progress("reading blocks") as progress:
        result = add_blocks(project, file, faces=faces, photos=photos, progress=progress)
    for note in result["notes"]:
        show.say(f"note: {note}")
    show.result(
        result,
        text=f"{result['added']} blocks with {result['faces']} faces read, {result['measured']} of them with colour",
    )
