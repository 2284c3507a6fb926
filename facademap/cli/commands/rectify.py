"""``facademap rectify``: a photo and control points become a rectified elevation."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.extent import extent_from_text
from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

_FILE = click.Path(path_type=Path)


@click.command("rectify")
@click.option(
    "--photo",
    type=_FILE,
    required=True,
    help="Picture; its pixels are those of the upright picture.",
)
@click.option(
    "--control",
    type=_FILE,
    required=True,
    help="Table: name,x_px,y_px,role (control or check) and u_m,v_m or east_m,north_m,height_m; sigma_px, sigma_mm may be added.",
)
@click.option(
    "--camera",
    type=_FILE,
    help="Camera file (JSON, or OpenCV calibration); else the lens is estimated.",
)
@click.option("--gsd-mm", type=float, required=True, help="Ground sample distance, mm on the wall.")
@click.option("--out", type=_FILE, required=True, help="GeoTIFF to write.")
@click.option("--report", type=_FILE, help="Report to write (JSON).")
@click.option(
    "--extent",
    metavar="U0,V0,U1,V1",
    help="Part of the wall, metres. Default: control grown by 5 %.",
)
@click.option(
    "--name", help="Name of the wall in the coordinate system. Default: name of the output."
)
@click.option("--no-lens", is_flag=True, help="Do not estimate the lens.")
@click.option(
    "--resample", type=click.Choice(["linear", "cubic"]), default="cubic", show_default=True
)
@click.option(
    "--least-check",
    type=click.IntRange(0),
    default=30,
    show_default=True,
    help="Check points below which the statement is called indicative.",
)
@click.option(
    "--set-back-mm", type=float, help="Rectify the plane so far behind the wall of the control."
)
@click.option(
    "--cylinder-radius-mm",
    type=float,
    help="Unroll an upright round pier; u_m of the control is arc.",
)
@click.option("--concave", is_flag=True, help="The round surface is seen from within.")
@click.option("--preview", type=_FILE, help="Small picture to write (PNG).")
@click.option("--residuals", type=_FILE, help="Drawing of the residual arrows to write (SVG).")
@stored_pixels_option
@table_words()
@command_options
def command(
    photo: Path,
    control: Path,
    camera: Path | None,
    gsd_mm: float,
    out: Path,
    report: Path | None,
    extent: str | None,
    name: str | None,
    no_lens: bool,
    resample: str,
    least_check: int,
    residuals: Path | None,
    preview: Path | None,
    set_back_mm: float | None,
    cylinder_radius_mm: float | None,
    concave: bool,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Rectify a photo of a flat wall to a true-to-scale GeoTIFF in wall coordinates.

    Places the photo does not show are transparent (alpha band).
    """
    from facademap.photo.accuracy import AccuracyRules
    from facademap.tasks.survey.rectify import rectify_photo

    if set_back_mm is not None or cylinder_radius_mm is not None:
        _other_surface(
            photo,
            control,
            camera,
            gsd_mm,
            out,
            report,
            extent,
            set_back_mm,
            cylinder_radius_mm,
            concave,
            stored_pixels,
            show,
        )
        return
    with show.progress("rectifying") as progress:
        done = rectify_photo(
            photo,
            control,
            out,
            gsd_m=gsd_mm / 1000,
            camera=camera,
            stored_pixels=stored_pixels,
            report=report,
            extent=extent_from_text(extent) if extent else None,
            name=name,
            estimate_lens=not no_lens,
            interpolation="linear" if resample == "linear" else "cubic",
            rules=AccuracyRules(least_check_points=least_check),
            residuals=residuals,
            preview=preview,
            progress=progress,
        )
    values = done.report
    for warning in values["warnings"]:
        show.say(f"note: {warning}")
    lines = [
        f"{out}: {values['width_px']} x {values['height_px']} px at {gsd_mm:g} mm, lens {values['lens']}",
        f"control {values['control_n']} points, RMSE {_mm(values['control_rmse_m'])}; "
        f"check {values['check_n']} points, RMSE {_mm(values['check_rmse_m'])}; "
        f"supports {values['scale_text'] or ('no listed scale' if values['proved'] else 'no scale')}",
        values["proof"],
        *([values["frame"]] if "frame" in values else []),
    ]
    show.result({"out": str(out), **values}, text=lines)


def _other_surface(
    photo: Path,
    control: Path,
    camera: Path | None,
    gsd_mm: float,
    out: Path,
    report: Path | None,
    extent: str | None,
    set_back_mm: float | None,
    radius_mm: float | None,
    concave: bool,
    stored_pixels: bool,
    show: Show,
) -> None:
    from facademap.errors import InputError
    from facademap.tasks.survey.rectify_surface import rectify_cylinder, rectify_set_back

    if set_back_mm is not None and radius_mm is not None:
        raise InputError(
            "a set-back and a radius were given together", "Rectify one surface at a time."
        )
    if radius_mm is not None and camera is None:
        raise InputError(
            "a round surface needs a known camera", "Give --camera (facademap calibrate makes one)."
        )
    area = extent_from_text(extent) if extent else None
    with show.progress("rectifying") as progress:
        if radius_mm is not None:
            assert camera is not None
            values = rectify_cylinder(
                photo,
                control,
                out,
                camera=camera,
                gsd_m=gsd_mm / 1000,
                radius_m=radius_mm / 1000,
                concave=concave,
                stored_pixels=stored_pixels,
                extent=area,
                report=report,
                progress=progress,
            )
        else:
            assert set_back_mm is not None
            values = rectify_set_back(
                photo,
                control,
                out,
                camera=camera,
                gsd_m=gsd_mm / 1000,
                depth_m=set_back_mm / 1000,
                stored_pixels=stored_pixels,
                extent=area,
                report=report,
                progress=progress,
            )
    for warning in values["warnings"]:
        show.say(f"note: {warning}")
    show.result(
        {"out": str(out), **values},
        text=f"{out}: {values['surface']}, {values['width_px']} x {values['height_px']} px, control RMSE "
        f"{_mm(values['control_rmse_m'])}; {values['proof']}",
    )


def _mm(value_m: float | None) -> str:
    return "none" if value_m is None else f"{value_m * 1000:.2f} mm"
