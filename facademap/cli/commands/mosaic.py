"""``facademap mosaic``: many photos of one wall become one rectified elevation."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.commands.register import ManyPhotos
from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

_FILE = click.Path(path_type=Path)


@click.command(cls=ManyPhotos)
@click.option(
    "--photos",
    required=True,
    multiple=True,
    type=_FILE,
    help="Overlapping photos of one flat wall.",
)
@click.option(
    "--control",
    required=True,
    type=_FILE,
    help="CSV: photo,name,u_m,v_m,x_px,y_px,role (control or check); sigma_px, sigma_mm may be added.",
)
@click.option("--gsd-mm", required=True, type=float, help="Ground sample distance, mm on the wall.")
@click.option("--out", required=True, type=_FILE, help="GeoTIFF to write.")
@click.option("--camera", type=_FILE, help="Camera file of all photos; else the lens is estimated.")
@click.option("--report", type=_FILE, help="Report to write (JSON).")
@click.option(
    "--extent",
    metavar="U0,V0,U1,V1",
    help="Part of the wall, metres. Default: what the photos show well.",
)
@click.option(
    "--name", help="Name of the wall in the coordinate system. Default: name of the output."
)
@click.option(
    "--no-level", is_flag=True, help="Leave exposure and white balance of the photos as they are."
)
@click.option(
    "--flatten",
    is_flag=True,
    help="Take out uneven light over the wall; stones keep their differences.",
)
@click.option("--thorough", is_flag=True, help="Try harder to join very oblique photos (slow).")
@click.option(
    "--chart-photo", metavar="NAME", help="Photo that shows a colour chart; makes the colours true."
)
@click.option(
    "--patches",
    type=_FILE,
    help="CSV of its patches: name,x_px,y_px,half_px,role,L,a,b (CIELAB D50).",
)
@click.option(
    "--edition", help="Chart and edition of its values, for instance '24 patches, after Nov 2014'."
)
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler whose workers share the files.")
@click.option("--keep-folder", is_flag=True, help="Keep the working folder after success.")
@stored_pixels_option
@table_words()
@command_options
def command(
    photos: tuple[Path, ...],
    control: Path,
    gsd_mm: float,
    out: Path,
    camera: Path | None,
    report: Path | None,
    extent: str | None,
    name: str | None,
    no_level: bool,
    flatten: bool,
    thorough: bool,
    chart_photo: str | None,
    patches: Path | None,
    edition: str | None,
    cluster: str | None,
    keep_folder: bool,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Join many photos of one wall into one true-to-scale, levelled GeoTIFF.

    Control is needed in some photos only. An interrupted run goes on where it stopped when it is
    started again with the same photos.
    """
    from facademap.cli.extent import extent_from_text
    from facademap.errors import InputError
    from facademap.tasks.survey.mosaic import ChartInPhoto, make_mosaic

    chart = None
    if chart_photo or patches or edition:
        if not (chart_photo and patches and edition):
            raise InputError(
                "the colour chart is not described whole",
                "Give --chart-photo, --patches and --edition together.",
            )
        chart = ChartInPhoto(photo=Path(chart_photo).name, patches=patches, edition=edition)

    with show.progress("Joining the photos") as update:
        values = make_mosaic(
            photos,
            control,
            out,
            gsd_m=gsd_mm / 1000,
            camera=camera,
            stored_pixels=stored_pixels,
            report=report,
            extent=extent_from_text(extent) if extent else None,
            name=name,
            level=not no_level,
            flatten=flatten,
            thorough=thorough,
            cluster=cluster,
            keep_folder=keep_folder,
            chart=chart,
            progress=update,
        )
    for warning in values["warnings"]:
        show.say(f"note: {warning}")

    def millimetres(value_m: float | None) -> str:
        return "none" if value_m is None else f"{value_m * 1000:.1f} mm"

    show.result(
        {"out": str(out), **values},
        text=[
            f"{out}: {values['width_px']} x {values['height_px']} px at {gsd_mm:g} mm from {len(values['photos_used'])} "
            f"of {values['photos']} photos",
            f"control {values['control_n']} points, RMSE {millimetres(values['control_rmse_m'])}; check "
            f"{values['check_n']} points, RMSE {millimetres(values['check_rmse_m'])}; {values['ties']} ties, "
            f"rms {values['tie_rms_px']:.2f} px",
            f"gaps {values['gap_share']:.1%} of the extent",
            f"{values['proof']}; supports {values['scale_text'] or 'no scale'}",
        ],
    )
