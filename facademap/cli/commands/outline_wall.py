"""``facademap outline-wall``: all stones of a wall proposed at once."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options
from facademap.errors import InputError

__all__ = ["command"]


@click.command("outline-wall")
@click.argument("project", type=click.Path(path_type=Path), required=False)
@click.option("--surface", help="Surface; may be left out where the project has one.")
@click.option(
    "--photo", type=click.Path(path_type=Path), help="Picture of a wall, instead of a project."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="GeoJSON to write for a picture, in its pixels, upright.",
)
@click.option("--gsd-mm", type=float, help="Millimetres of the wall to a pixel of the picture.")
@command_options
def command(
    project: Path | None,
    surface: str | None,
    photo: Path | None,
    out: Path | None,
    gsd_mm: float | None,
    show: Show,
) -> None:
    """Propose every stone of a wall, with its course and number; look at each before it is used.

    In a project the proposals become wall stones that count as assisted until they are confirmed at the desk; stones drawn
    before are kept, and one undo takes all proposals back. With --photo they go to a file.
    """
    from facademap.tasks.survey.outline_wall import outline_photo, outline_surface

    if (project is None) == (photo is None):
        raise InputError(
            "outline-wall needs a project or a picture",
            "Give the folder of a project, or --photo and --out.",
        )
    if photo is not None:
        if out is None or surface is not None:
            raise InputError(
                "a picture needs a file for the result and has no surface",
                "Give --out, and leave --surface out.",
            )
        with show.progress("Looking for stones"):
            found = outline_photo(photo, out=out, gsd_mm=gsd_mm)
    elif project is not None:
        if out is not None or gsd_mm is not None:
            raise InputError(
                "--out and --gsd-mm belong to a picture",
                "Leave them out: a project knows its sample distance and keeps the stones.",
            )
        with show.progress("Looking for stones"):
            found = outline_surface(project, surface=surface)
    for note in found["notes"]:
        show.say(f"note: {note}")
    if found.get("not_seen"):
        show.say(
            f"note: {found['not_seen']} parts of courses show no stone (growth, plaster, things before the wall"
            f"{', openings' if photo is not None else ''}): "
            "how many lie there is not known, numbers after them may be wrong"
        )
    where = f"written to {out}" if out is not None else f"kept in {project}, to be confirmed"
    show.result(
        {**found, **({"out": out} if out is not None else {})},
        text=f"{found['stones']} stones proposed, {found['doubtful']} of them doubtful; {where}",
    )
