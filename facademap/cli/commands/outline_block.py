"""``facademap outline-block``: the face of a salvaged block, traced and measured."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.numbers import Numbers
from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

__all__ = ["command"]


@click.command("outline-block")
@click.option(
    "--photo", type=click.Path(path_type=Path), required=True, help="Photo of the whole face."
)
@click.option(
    "--control",
    type=click.Path(path_type=Path),
    help="Table name,x_px,y_px,x_mm,y_mm: four or more points in the plane of the face.",
)
@click.option(
    "--camera", type=click.Path(path_type=Path), help="Camera JSON (with --control or --sheet)."
)
@click.option(
    "--scale",
    type=Numbers("x0,y0,x1,y1,length_mm"),
    multiple=True,
    help="One known length, for a picture taken square on to the face; twice for two lengths.",
)
@click.option(
    "--sheet", is_flag=True, help="Take the scale from the printed target sheet in the photo."
)
@click.option(
    "--sheet-bar-mm",
    type=click.FloatRange(min=0, min_open=True),
    help="Length of the sheet's check bar, if it is not 100 mm.",
)
@click.option(
    "--click",
    "click_px",
    type=Numbers("x,y"),
    required=True,
    help="A place on the face, in pixels.",
)
@click.option(
    "--bed-deg",
    type=float,
    help="Direction of the bed, counter-clockwise from the x axis of the control.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="GeoJSON to write, outline in pixels.",
)
@click.option("--block", help="Name of the block; that of the photo without it.")
@click.option("--stone-type", help="Its stone; unknown without it.")
@click.option(
    "--depth-mm",
    type=click.FloatRange(min=0, min_open=True),
    help="How deep it is, sound all through; with it add-blocks reads the file as it is.",
)
@stored_pixels_option
@table_words(without=("sheet",))
@command_options
def command(
    photo: Path,
    control: Path | None,
    camera: Path | None,
    scale: tuple[tuple[float, ...], ...],
    sheet: bool,
    sheet_bar_mm: float | None,
    click_px: tuple[float, float],
    bed_deg: float | None,
    out: Path,
    block: str | None,
    stone_type: str | None,
    depth_mm: float | None,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Trace the face under a click and measure it.

    Sizes are those of the smallest enclosing rectangle, its width along the bed, each with its
    uncertainty at 95 %. With --scale alone the picture is taken to be square on to the face.
    """
    from facademap.tasks.yard.face_scale import ScaleChoice
    from facademap.tasks.yard.outline_block import outline_block

    lengths = tuple((x0, y0, x1, y1, mm / 1000) for x0, y0, x1, y1, mm in scale)
    choice = ScaleChoice(
        control=control,
        camera=camera,
        stored_pixels=stored_pixels,
        lengths=lengths,
        sheet=sheet,
        sheet_bar_m=None if sheet_bar_mm is None else sheet_bar_mm / 1000,
    )
    with show.progress("Tracing the face"):
        found = outline_block(
            photo,
            click_px=click_px,
            out=out,
            scale=choice,
            bed_deg=bed_deg,
            block=block,
            stone_type=stone_type,
            depth_m=None if depth_mm is None else depth_mm / 1000,
        )
    for warning in found["warnings"]:
        show.say(f"note: {warning}")
    show.result(
        {**found, "out": out},
        text=[
            f"width {found['width_mm']:.1f} mm +/- {found['width_mm_pm95']:.1f}, "
            f"height {found['height_mm']:.1f} mm +/- {found['height_mm_pm95']:.1f} (95 %)",
            f"area {found['area_mm2'] / 1e6:.4f} m2 +/- {found['area_mm2_pm95'] / 1e6:.4f}; outline written to {out}",
        ],
    )
