"""``facademap relief``: photos and targets become a raster of how far the wall stands out."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.extent import extent_from_text
from facademap.cli.show import Show, command_options

_FILE = click.Path(path_type=Path)


@click.command("relief")
@click.option("--photos", type=_FILE, required=True, help="Folder of photos of one camera.")
@click.option(
    "--control",
    type=_FILE,
    required=True,
    help="CSV: photo,name,u_m,v_m,w_m,x_px,y_px,role (control or check); an empty w_m is 0.",
)
@click.option("--camera", type=_FILE, help="Camera file of all photos; else the lens is estimated.")
@click.option(
    "--extent",
    metavar="U0,V0,U1,V1",
    help="Part of the wall, metres. Default: the targets grown by 2 %.",
)
@click.option("--cell-mm", type=float, required=True, help="Side of a cell, mm.")
@click.option(
    "--search-mm",
    metavar="BACK,OUT",
    help="Deepest and highest place to look for, mm out of the plane.  [default: -250,150]",
)
@click.option("--out", type=_FILE, required=True, help="GeoTIFF to write.")
@click.option("--report", type=_FILE, help="Report to write (JSON).")
@click.option("--preview", type=_FILE, help="Picture by depth and shade to write (PNG).")
@command_options
def command(
    photos: Path,
    control: Path,
    camera: Path | None,
    extent: str | None,
    cell_mm: float,
    search_mm: str | None,
    out: Path,
    report: Path | None,
    preview: Path | None,
    show: Show,
) -> None:
    """Measure how far a wall stands out of its plane, from photos taken from several places.

    Band 1 of the GeoTIFF is metres out of the plane, band 2 the standard deviation; cells where nothing is known are
    empty. For an engineer's judgement of bulges and lean it is material, never the judgement.
    """
    from facademap.errors import InputError
    from facademap.tasks.survey.relief import make_relief

    search = None
    if search_mm is not None:
        try:
            back, front = (float(part) / 1000 for part in search_mm.split(","))
        except ValueError:
            raise InputError(
                f"--search-mm {search_mm!r} is not two numbers", "Give two, such as -250,150."
            ) from None
        search = back, front
    with show.progress("measuring relief") as progress:
        done = make_relief(
            photos,
            control,
            out,
            cell_m=cell_mm / 1000,
            camera=camera,
            extent=extent_from_text(extent) if extent else None,
            report=report,
            preview=preview,
            search_m=search,
            progress=progress,
        )
    values = done.report
    for warning in values["warnings"]:
        show.say(f"note: {warning}")
    proof = (
        "not proved"
        if values["check_rmse_w_m"] is None
        else f"RMSE {values['check_rmse_w_m'] * 1000:.2f} mm at {values['check_n']} check points"
    )
    show.result(
        {"out": str(out), **values},
        text=f"{out}: {values['cells']} cells, {values['known_share']:.0%} known, standard deviation "
        f"{values['sigma_median_m'] * 1000:.2f} mm in the median; {proof}",
    )
