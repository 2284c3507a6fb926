"""``facademap add-blocks``: salvaged blocks from a table or from outlines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_options

if TYPE_CHECKING:
    from facademap.io.csv_tables import TableWords


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
@click.option("--dry-run", is_flag=True, help="Say what was understood and store nothing.")
@stored_pixels_option
@table_options
@command_options
def command(
    project: Path,
    file: Path,
    faces: Path | None,
    photos: Path | None,
    dry_run: bool,
    words: TableWords,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Read salvaged blocks from FILE (CSV, XLSX, ODS, or the GeoJSON of outline-block) into PROJECT and measure the colour of their faces.

    Name, stone and length, height and depth are enough to begin; outlines, faces and photos refine it.
    """
    from facademap.tasks.yard.add_blocks import add_blocks

    with show.progress("reading blocks") as progress:
        result = add_blocks(
            project,
            file,
            faces=faces,
            photos=photos,
            words=words,
            dry_run=dry_run,
            stored_pixels=stored_pixels,
            progress=progress,
        )
    for note in result["notes"]:
        show.say(f"note: {note}")
    show.say(f"understood: {result['understood']}")
    show.result(
        {**result, "stored": not dry_run},
        text="nothing was stored (--dry-run)"
        if dry_run
        else f"{result['added']} blocks with {result['faces']} faces read, {result['measured']} of them with colour",
    )
