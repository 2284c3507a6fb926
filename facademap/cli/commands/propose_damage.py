"""``facademap propose-damage``: damage with a border proposed from the picture, to be confirmed."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import check_project_or_picture, project_or_picture
from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("propose-damage")
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
    """Propose damage that has a border: patches, losses, black crusts, growth, efflorescence, open joints.

    The term is a guess with its confidence. In a project the proposals become conditions that count as assisted until they
    are confirmed at the desk; no repair is planned for one before, and one undo takes all back. Cracks are not looked for.
    """
    from facademap.tasks.survey.propose_damage import (
        propose_damage_in_photo,
        propose_damage_on_surface,
    )

    check_project_or_picture(
        "propose-damage", project, surface=surface, photo=photo, out=out, gsd_mm=gsd_mm
    )
    if photo is not None and out is not None:
        with show.progress("Looking for damage"):
            found = propose_damage_in_photo(photo, out=out, gsd_mm=gsd_mm)
    elif project is not None:
        with show.progress("Looking for damage"):
            found = propose_damage_on_surface(project, surface=surface)
    for note in found["notes"]:
        show.say(f"note: {note}")
    where = f"written to {out}" if out is not None else f"kept in {project}, to be confirmed"
    terms = ", ".join(f"{n} {term}" for term, n in sorted(found["terms"].items()))
    show.result(
        {**found, **({"out": out} if out is not None else {})},
        text=f"{found['proposed']} proposed{f' ({terms})' if terms else ''}; {where}",
    )
