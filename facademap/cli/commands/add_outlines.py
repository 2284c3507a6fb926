"""``facademap add-outlines``."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("add-outlines")
@click.argument("kind", type=click.Choice(["wall-stones", "openings", "conditions"]))
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--surface", help="Surface they lie on; may be left out where there is one.")
@click.option("--layer", help="Only this layer of a GeoPackage.")
@command_options
def command(
    kind: str, project: Path, file: Path, surface: str | None, layer: str | None, show: Show
) -> None:
    """Read outlines, lines or points of KIND from FILE (GeoPackage, GeoJSON, CSV) into PROJECT.

    Coordinates are metres of the wall frame: u to the right seen from outside, v up.
    """
    from facademap.tasks.survey.add_features import add_features

    result = add_features(project, kind.replace("-", "_"), file, surface=surface, layer=layer)  # type: ignore[arg-type]
    for note in result["notes"]:
        show.say(note)
    show.result(result, text=f"{result['added']} {kind} read from {file}")
