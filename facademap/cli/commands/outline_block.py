"""``facademap outline-block``: the face of a salvaged block, traced and measured."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


class _Numbers(click.ParamType):
    """Numbers with commas between them."""

    def __init__(self, names: str) -> None:
        self.name = names

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        if isinstance(value, tuple):
            return value
        wanted = len(self.name.split(","))
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) != wanted or any(n != n or abs(n) > 1e9 for n in numbers):
            self.fail(f"{value!r} is not {self.name} ({wanted} numbers with commas between them)", param, ctx)
        return numbers


@click.command("outline-block")
@click.option("--photo", type=click.Path(path_type=Path), required=True, help="Photo of the whole face.")
@click.option("--control", type=click.Path(path_type=Path),
              help="Table name,x_px,y_px,x_mm,y_mm: four or more points in the plane of the face.")
@click.option("--camera", type=click.Path(path_type=Path), help="Camera JSON (with --control).")
@click.option("--scale", type=_Numbers("x0,y0,x1,y1,length_mm"),
              help="One known length, for a picture taken square on to the face.")
@click.option("--sheet", is_flag=True, help="Take the scale from the printed target sheet in the photo.")
@click.option("--click", "click_px", type=_Numbers("x,y"), required=True, help="A place on the face, in pixels.")
@click.option("--bed-deg", type=float, help="Direction of the bed, counter-clockwise from the x axis of the control.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="GeoJSON to write, outline in pixels.")
@command_options
def command(photo: Path, control: Path | None, camera: Path | None, scale: tuple[float, ...] | None,
            sheet: bool, click_px: tuple[float, float], bed_deg: float | None, out: Path, show: Show) -> None:
    """Trace the face under a click and measure it.

    Sizes are those of the smallest enclosing rectangle, its width along the bed, each with its
    uncertainty at 95 %.
    """
    from facademap.tasks.outline_block import outline_block

    with show.progress("Tracing the face"):
        found = outline_block(photo, click_px=click_px, out=out, control=control, camera=camera,
                              scale=scale, bed_deg=bed_deg, sheet=sheet)  # type: ignore[arg-type]
    for warning in found["warnings"]:
        show.say(f"note: {warning}")
    show.result({**found, "out": out}, text=[
        f"width {found['width_mm']:.1f} mm +/- {found['width_mm_pm95']:.1f}, "
        f"height {found['height_mm']:.1f} mm +/- {found['height_mm_pm95']:.1f} (95 %)",
        f"area {found['area_mm2'] / 1e6:.4f} m2 +/- {found['area_mm2_pm95'] / 1e6:.4f}; outline written to {out}",
    ])
