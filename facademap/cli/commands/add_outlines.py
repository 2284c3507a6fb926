"""``facademap add-outlines``: outlines, lines or points of conditions, stones and openings from a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_options

if TYPE_CHECKING:
    from facademap.io.csv_tables import TableWords


@click.command("add-outlines")
@click.argument("kind", type=click.Choice(["wall-stones", "openings", "conditions"]))
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--surface", help="Surface they lie on; may be left out where there is one.")
@click.option("--layer", help="Layer of a GeoPackage or a drawing.")
@click.option("--term", help="Term of the glossary, for conditions that name none.")
@click.option("--dry-run", is_flag=True, help="Say what was understood and store nothing.")
@click.option("--accept-doubts", is_flag=True, help="Store in spite of doubts about size or place.")
@table_options
@command_options
def command(
    kind: str,
    project: Path,
    file: Path,
    surface: str | None,
    layer: str | None,
    term: str | None,
    dry_run: bool,
    accept_doubts: bool,
    words: TableWords,
    show: Show,
) -> None:
    """Read outlines, lines or points of KIND from FILE into PROJECT.

    FILE is a GeoPackage, GeoJSON, shapefile, FlatGeobuf, DXF, KML, or a table of points. Coordinates are metres of the wall
    (u to the right seen from outside, v up), or what FILE or --unit says: millimetres, feet, pixels of the picture; a
    projected system or degrees with heights where the surface has its place in the world. Doubts stop with the remedy.
    """
    from facademap.tasks.survey.add_features import add_features

    result = add_features(
        project,
        kind.replace("-", "_"),  # type: ignore[arg-type]
        file,
        surface=surface,
        layer=layer,
        words=words,
        term=term,
        accept_doubts=accept_doubts,
        dry_run=dry_run,
    )
    show.say(f"understood: {result['understood']}")
    for note in result["notes"]:
        show.say(note)
    show.result(
        result,
        text="nothing was stored (--dry-run)"
        if dry_run
        else f"{result['added']} {kind} read from {file}",
    )
