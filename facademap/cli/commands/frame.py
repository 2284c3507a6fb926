"""``facademap frame``: surveyed points become wall coordinates and the wall's place in the world."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

_FILE = click.Path(path_type=Path)


@click.command("frame")
@click.option(
    "--survey",
    type=_FILE,
    required=True,
    help="Table: name,e_m,n_m,h_m; role, u_m,v_m and sigma_mm may be added (role instrument: where it stood).",
)
@click.option("--out", type=_FILE, required=True, help="CSV to write: name,u_m,v_m,w_m,on_surface.")
@click.option("--placement", type=_FILE, help="Place of the wall in the world to write (JSON).")
@click.option("--outside", metavar="E,N,H", help="A place before the wall, such as the instrument.")
@click.option(
    "--observations", type=_FILE, help="Table photo,name,x_px,y_px: photos tell the outside."
)
@click.option("--epsg", type=int, help="Code of the projected coordinate system of the survey.")
@click.option("--upright", is_flag=True, help="Hold the wall plane vertical.")
@click.option("--cylinder", is_flag=True, help="A round pier or turret: u is arc.")
@click.option("--concave", is_flag=True, help="The round surface is seen from within.")
@table_words()
@command_options
def command(
    survey: Path,
    out: Path,
    placement: Path | None,
    outside: str | None,
    observations: Path | None,
    epsg: int | None,
    upright: bool,
    cylinder: bool,
    concave: bool,
    show: Show,
) -> None:
    """Fit a wall frame to a total-station list; points off the surface are named."""
    from facademap.errors import InputError
    from facademap.tasks.survey.survey_frame import place_survey_points

    place = None
    if outside is not None:
        try:
            e, n, h = (float(part) for part in outside.split(","))
        except ValueError:
            raise InputError(
                f"place {outside!r} is not three numbers", "Give --outside E,N,H in metres."
            ) from None
        place = (e, n, h)
    done = place_survey_points(
        survey,
        out,
        placement=placement,
        outside_enh=place,
        observations=observations,
        epsg=epsg,
        cylinder=cylinder,
        concave=concave,
        upright=upright,
    )
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    show.result(
        done,
        text=[
            f"{out}: {done['points']} points on a {done['surface']}, {_misses(done['rmse_m'])}, "
            f"{len(done['off_surface'])} off the surface",
            *([done["frame"]] if "frame" in done else []),
        ],
    )


def _misses(rmse_m: float | None) -> str:
    return (
        "fixed exactly by three points (not proved: survey a fourth)"
        if rmse_m is None
        else f"RMSE {rmse_m * 1000:.1f} mm"
    )
