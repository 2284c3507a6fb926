"""``facademap add-elevation``."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.numbers import Numbers
from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("add-elevation")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--surface", help="Surface it shows; may be left out where there is one.")
@click.option(
    "--known-length",
    "known_length_m",
    type=click.FloatRange(min=0, min_open=True),
    help="A length on the wall, metres.",
)
@click.option(
    "--between", "between_px", type=Numbers("x1,y1,x2,y2"), help="The two pixels of --known-length."
)
@click.option(
    "--points",
    type=click.Path(path_type=Path),
    help="Table name,x_px,y_px,u_m,v_m,role: two or more control points place the picture, check points state its accuracy.",
)
@click.option(
    "--unit",
    type=click.Choice(["m", "cm", "mm", "in", "ft"]),
    help="Unit of the place that the file or its world file states; metres without it.",
)
@click.option("--replace", is_flag=True, help="Put it in the place of an earlier elevation.")
@command_options
def command(
    project: Path,
    file: Path,
    surface: str | None,
    known_length_m: float | None,
    between_px: tuple[float, float, float, float] | None,
    points: Path | None,
    unit: str | None,
    replace: bool,
    show: Show,
) -> None:
    """Take a rectified picture from elsewhere as the elevation of a surface of PROJECT.

    FILE is a GeoTIFF, or a TIFF, JPEG or PNG with a world file, a known length or known points. Its accuracy is what check
    points show, else it is not stated.
    """
    from facademap.tasks.survey.add_elevation import add_elevation

    with show.progress("taking in the picture") as progress:
        done = add_elevation(
            project,
            file,
            surface=surface,
            known_length_m=known_length_m,
            between_px=between_px,
            points=points,
            unit=unit,
            replace=replace,
            progress=progress,
        )
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    if done["disagreement"]:
        show.say(f"note: {done['disagreement']['text']}")
    box = done["extent_m"]
    show.result(
        done,
        text=f"{file}: {done['width_px']} x {done['height_px']} px of {done['gsd_m'] * 1000:.3g} mm, u {box[0]:.2f} to "
        f"{box[2]:.2f} m, v {box[1]:.2f} to {box[3]:.2f} m, placed by {done['placed_by']}; accuracy {done['accuracy']}",
    )
