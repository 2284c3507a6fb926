"""``facademap straighten``: true shape of a wall from its joints and one distance, without control."""

from __future__ import annotations

import math
from pathlib import Path

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

_FILE = click.Path(path_type=Path)


@click.command("straighten")
@click.option("--photo", type=_FILE, required=True, help="Picture with level and upright joints.")
@click.option(
    "--distance",
    "distance_text",
    metavar="X0,Y0,X1,Y1,METRES",
    help="Two pixels and the distance measured between them.",
)
@click.option(
    "--control",
    type=_FILE,
    help="Instead: table of control (name,x_px,y_px with u_m,v_m or east_m,north_m,height_m); its distances are compared.",
)
@click.option("--camera", type=_FILE, help="Camera file (JSON, or OpenCV calibration).")
@click.option("--gsd-mm", type=float, required=True, help="Ground sample distance, mm on the wall.")
@click.option("--out", type=_FILE, required=True, help="GeoTIFF to write.")
@stored_pixels_option
@table_words()
@command_options
def command(
    photo: Path,
    distance_text: str | None,
    control: Path | None,
    camera: Path | None,
    gsd_mm: float,
    out: Path,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Straighten a photo by its level and upright joints when no control was measured.

    The shape is true where the joints are; no accuracy is stated without control.
    """
    from facademap.errors import InputError
    from facademap.tasks.survey.rectify_surface import straighten_photo

    if (distance_text is None) == (control is None):
        raise InputError(
            "give either one distance or a table of control",
            "Use --distance x0,y0,x1,y1,metres, or --control FILE.",
        )
    start, end, distance_m = _distance(distance_text) if distance_text else (None, None, math.nan)
    with show.progress("straightening") as progress:
        done = straighten_photo(
            photo,
            out,
            gsd_m=gsd_mm / 1000,
            start_px=start,
            end_px=end,
            distance_m=distance_m,
            control=control,
            camera=camera,
            stored_pixels=stored_pixels,
            progress=progress,
        )
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    show.result(
        done,
        text=f"{out}: {done['width_px']} x {done['height_px']} px from {done['level_lines']} level and "
        f"{done['upright_lines']} upright lines",
    )


def _distance(text: str) -> tuple[tuple[float, float], tuple[float, float], float]:
    from facademap.errors import InputError

    try:
        x0, y0, x1, y1, distance_m = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            f"distance {text!r} is not five numbers", "Give --distance x0,y0,x1,y1,metres."
        ) from None
    return (x0, y0), (x1, y1), distance_m
