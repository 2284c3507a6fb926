"""``facademap measure``: lengths and areas picked in a photo, with their range at 95 %."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

_FILE = click.Path(path_type=Path)


@click.command("measure")
@click.option(
    "--photo",
    type=_FILE,
    required=True,
    help="Picture (its size and EXIF are read).",
)
@click.option(
    "--control",
    type=_FILE,
    required=True,
    help="Table: name,x_px,y_px,role (control or check) and u_m,v_m or east_m,north_m,height_m.",
)
@click.option("--camera", type=_FILE, help="Camera file; else the lens is estimated.")
@click.option(
    "--shapes", type=_FILE, required=True, help="CSV: shape,kind,x_px,y_px (kind: length or area)."
)
@click.option(
    "--out", type=_FILE, required=True, help="CSV to write: shape,kind,value,unit,plus_minus_95."
)
@click.option(
    "--pick-px",
    type=click.FloatRange(0),
    help="Precision of the picked pixels, one sigma per axis.",
)
@click.option(
    "--relief-mm",
    type=click.FloatRange(0),
    default=0.0,
    help="How far what is measured stands out of the plane of the control, one sigma.",
)
@stored_pixels_option
@table_words()
@command_options
def command(
    photo: Path,
    control: Path,
    camera: Path | None,
    shapes: Path,
    out: Path,
    pick_px: float | None,
    relief_mm: float,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Measure lengths and areas on a flat wall in one photo, with plus or minus at 95 %."""
    from facademap.tasks.survey.measure_photo import measure_in_photo

    done = measure_in_photo(
        photo,
        control,
        shapes,
        out,
        camera=camera,
        stored_pixels=stored_pixels,
        pick_px=pick_px,
        relief_m=relief_mm / 1000,
    )
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    show.result(
        done,
        text=[
            f"{s['shape']}: {s['value']:.4f} {_range(s['plus_minus_95'])}{s['unit']}"
            for s in done["shapes"]
        ]
        + ([done["frame"]] if "frame" in done else []),
    )


def _range(half: float | None) -> str:
    return "" if half is None else f"± {half:.4f} "
