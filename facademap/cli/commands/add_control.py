"""``facademap add-control``: control and check points, and where they lie in the photos."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from facademap.cli.numbers import Numbers
from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_options

if TYPE_CHECKING:
    from facademap.io.csv_tables import TableWords


@click.command("add-control")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("points", type=click.Path(path_type=Path))
@click.option(
    "--observations",
    type=click.Path(path_type=Path),
    help="photo,name,x_px,y_px: where photos show the points.",
)
@click.option("--surface", help="Surface they lie on; may be left out where there is one.")
@click.option("--epsg", type=int, help="Code of the projected system of the world coordinates.")
@click.option(
    "--outside",
    type=Numbers("E,N,H"),
    metavar="E,N,H",
    help="A place before the wall, such as the instrument, where points have no u_m and v_m.",
)
@stored_pixels_option
@table_options
@command_options
def command(
    project: Path,
    points: Path,
    observations: Path | None,
    surface: str | None,
    epsg: int | None,
    outside: tuple[float, float, float] | None,
    words: TableWords,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Read control and check POINTS (name,role,u_m,v_m and/or east_m,north_m,height_m) into PROJECT."""
    from facademap.tasks.survey.add_control import add_control

    result = add_control(
        project,
        points,
        observations_path=observations,
        stored_pixels=stored_pixels,
        surface=surface,
        epsg=epsg,
        outside_enh=outside,
        words=words,
    )
    for note in result["notes"]:
        show.say(f"note: {note}")
    lines = [
        f"{result['control']} control and {result['check']} check points, seen {result['observations']} times"
    ]
    if result["world"]:
        rmse_m = result["world"]["rmse_m"]
        lines.append(
            "placed in the world exactly by three points: not proved, survey a fourth"
            if rmse_m is None
            else f"placed in the world: RMSE {rmse_m * 1000:.1f} mm, largest distance from the plane "
            f"{result['world']['largest_out_of_plane_m'] * 1000:.1f} mm"
        )
        lines.append(result["world"]["frame"])
    show.result(result, text=lines)
