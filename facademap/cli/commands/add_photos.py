"""``facademap add-photos``: photos of a surface."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("add-photos")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--surface", help="Surface they show; may be left out where there is one.")
@click.option(
    "--camera", type=click.Path(path_type=Path), help="camera.json of the lens that took them."
)
@command_options
def command(
    project: Path, photos: tuple[Path, ...], surface: str | None, camera: Path | None, show: Show
) -> None:
    """Copy PHOTOS of a surface into PROJECT."""
    from facademap.tasks.survey.add_photos import add_photos

    with show.progress("copying photos") as progress:
        result = add_photos(project, photos, surface=surface, camera_path=camera, progress=progress)
    show.result(
        result, text=f"{len(result['added'])} photo(s) added, the project holds {result['photos']}"
    )
