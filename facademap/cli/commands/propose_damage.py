"""``facademap propose-damage``: damage with a border proposed from the picture, to be confirmed."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options
from facademap.errors import InputError

__all__ = ["command"]


@click.command("propose-damage")
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
    """Propose damage that has a border: patches, losses, black crusts, growth, efflorescence, open joints.

    The term is a guess with its confidence. In a project the proposals become conditions that count as assisted until they
    are confirmed at the desk; no repair is planned for one before, and one undo takes all back. Cracks are not looked for.
    """
    from facademap.tasks.survey.propose_damage import (
        propose_damage_in_photo,
        propose_damage_on_surface,
    )

    if (project is None) == (photo is None):
        raise InputError(
            "propose-damage needs a project or a picture",
            "Give the folder of a project, or --photo and --out.",
        )
    if photo is not None:
        if out is None or surface is not None:
            raise InputError(
                "a picture needs a file for the result and has no surface",
                "Give --out, and leave --surface out.",
            )
        with show.progress("Looking for damage"):
            found = propose_damage_in_photo(photo, out=out, gsd_mm=gsd_mm)
    elif project is not None:
        if out is not None or gsd_mm is not None:
            raise InputError(
                "--out and --gsd-mm belong to a picture",
                "Leave them out: a project knows its sample distance and keeps the conditions.",
            )
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
