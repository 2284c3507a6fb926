"""``facademap locate``: pixels picked in a photo become places on the wall."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

_FILE = click.Path(path_type=Path)


@click.command("locate")
@click.option("--photo", type=_FILE, help="Picture (its size and EXIF are read).")
@click.option(
    "--size", "size_text", metavar="W,H", help="Size of the picture in pixels, instead of --photo."
)
@click.option(
    "--control",
    type=_FILE,
    required=True,
    help="Table: name,x_px,y_px,role (control or check) and u_m,v_m or east_m,north_m,height_m.",
)
@click.option(
    "--camera",
    type=_FILE,
    help="Camera file (JSON, or OpenCV calibration); else the lens is estimated.",
)
@click.option("--points", type=_FILE, required=True, help="CSV: name,x_px,y_px.")
@click.option(
    "--out",
    type=_FILE,
    required=True,
    help="CSV to write: name,u_m,v_m,sigma_mm (one sigma, radial).",
)
@click.option("--no-lens", is_flag=True, help="Do not estimate the lens.")
@click.option(
    "--pick-px",
    type=click.FloatRange(0),
    help="Precision of the picked pixels, one sigma per axis.",
)
@stored_pixels_option
@table_words()
@command_options
def command(
    photo: Path | None,
    size_text: str | None,
    control: Path,
    camera: Path | None,
    points: Path,
    out: Path,
    no_lens: bool,
    pick_px: float | None,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Measure places on a flat wall from pixels picked in one photo."""
    from facademap.tasks.survey.locate import locate_points

    done = locate_points(
        control,
        points,
        out,
        photo=photo,
        size_px=_size(size_text) if size_text else None,
        camera=camera,
        stored_pixels=stored_pixels,
        estimate_lens=not no_lens,
        pick_px=pick_px,
    )
    for sentence in (*(b.sentence() for b in done.view.blunders), *done.view.flags, *done.notes):
        show.say(f"note: {sentence}")
    beyond = f", {done.beyond} beyond the horizon of the wall" if done.beyond else ""
    show.result(
        {
            "out": str(out),
            **({"frame": done.frame} if done.frame else {}),
            "found": done.found,
            "beyond_horizon": done.beyond,
            "lens": done.view.lens,
            "sigma_px": done.view.sigma_px,
            "blunders": [b.name for b in done.view.blunders],
        },
        text=[
            f"{out}: {done.found} places{beyond}, lens {done.view.lens}",
            *([done.frame] if done.frame else []),
        ],
    )


def _size(text: str) -> tuple[int, int]:
    from facademap.errors import InputError

    try:
        width, height = (int(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            f"size {text!r} is not two whole numbers", "Give --size W,H in pixels."
        ) from None
    if width < 1 or height < 1:
        raise InputError(f"size {text} is not positive", "Give --size W,H in pixels.")
    return width, height
