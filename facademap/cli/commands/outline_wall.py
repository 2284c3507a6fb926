"""``facademap outline-wall``: all stones of a wall proposed at once."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import check_project_or_picture, project_or_picture
from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("outline-wall")
@project_or_picture
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

    check_project_or_picture(
        "outline-wall", project, surface=surface, photo=photo, out=out, gsd_mm=gsd_mm
    )
    if photo is not None and out is not None:
        with show.progress("Looking for stones"):
            found = outline_photo(photo, out=out, gsd_mm=gsd_mm)
    elif project is not None:
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
