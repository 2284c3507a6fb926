"""``facademap add-elevation``: a rectified picture or a scan from elsewhere as the elevation of a surface."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.numbers import Numbers
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

__all__ = ["command"]


@click.command("add-elevation")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--surface", help="Surface it shows; may be left out where there is one.")
@click.option(
    "--known-length",
    "known_length_m",
    type=click.FloatRange(min=0, min_open=True),
    help="A length on the wall, metres.",
)
@click.option(
    "--between", "between_px", type=Numbers("x1,y1,x2,y2"), help="The two pixels of --known-length."
)
@click.option(
    "--points",
    type=click.Path(path_type=Path),
    help="Table name,x_px,y_px,u_m,v_m,role: two or more control points place the picture, check points state its accuracy.",
)
@click.option(
    "--unit",
    type=click.Choice(["m", "cm", "mm", "in", "ft"]),
    help="Unit of the place that the file or its world file states; metres without it.",
)
@click.option(
    "--outside",
    type=Numbers("x,y,z"),
    help="Of a scan: a place before the wall in the cloud's own coordinates.",
)
@click.option(
    "--extent",
    "extent_text",
    metavar="U0,V0,U1,V1",
    help="Of a scan: part of the wall, metres; what is known of the surface, else all of it, without it.",
)
@click.option(
    "--gsd-mm",
    type=click.FloatRange(0.1, 1000),
    help="Of a scan: pixel on the wall, mm; from its density without it.",
)
@click.option(
    "--reach-mm",
    type=click.FloatRange(10, 20000),
    default=500,
    show_default=True,
    help="Of a scan: points further out of the wall are left out.",
)
@click.option("--replace", is_flag=True, help="Put it in the place of an earlier elevation.")
@table_words(without=("unit",))
@command_options
def command(
    project: Path,
    file: Path,
    surface: str | None,
    known_length_m: float | None,
    between_px: tuple[float, float, float, float] | None,
    points: Path | None,
    unit: str | None,
    outside: tuple[float, float, float] | None,
    extent_text: str | None,
    gsd_mm: float | None,
    reach_mm: float,
    replace: bool,
    show: Show,
) -> None:
    """Take a rectified picture or a scan from elsewhere as the elevation of a surface of PROJECT.

    FILE is a GeoTIFF, or a TIFF, JPEG or PNG with a world file, a known length or known points. Its accuracy is what check
    points show, else it is not stated.

    Or FILE is a point cloud (LAS, LAZ, E57, PLY, XYZ): its picture and its relief are made in the frame of the surface, of
    --points known on the wall and in the cloud, or of the plane or cylinder fitted to it.
    """
    from facademap.cli.extent import extent_from_text
    from facademap.io.point_clouds import CLOUD_ENDINGS

    is_cloud = file.suffix.lower() in CLOUD_ENDINGS
    _refuse_other_options(
        is_cloud,
        of_cloud={"--outside": outside, "--extent": extent_text, "--gsd-mm": gsd_mm},
        of_picture={"--known-length": known_length_m, "--between": between_px},
    )
    if is_cloud:
        from facademap.tasks.survey.add_scan import add_scan

        with show.progress("reading the scan") as progress:
            done = add_scan(
                project,
                file,
                surface=surface,
                points=points,
                outside=outside,
                extent=extent_from_text(extent_text) if extent_text else None,
                gsd_m=None if gsd_mm is None else gsd_mm / 1000,
                reach_m=reach_mm / 1000,
                unit=unit,
                replace=replace,
                progress=progress,
            )
        _say(done, file, show)
        return
    from facademap.tasks.survey.add_elevation import add_elevation

    with show.progress("taking in the picture") as progress:
        done = add_elevation(
            project,
            file,
            surface=surface,
            known_length_m=known_length_m,
            between_px=between_px,
            points=points,
            unit=unit,
            replace=replace,
            progress=progress,
        )
    _say(done, file, show)


def _refuse_other_options(
    is_cloud: bool, *, of_cloud: dict[str, Any], of_picture: dict[str, Any]
) -> None:
    from facademap.errors import InputError

    given = [n for n, v in (of_picture if is_cloud else of_cloud).items() if v is not None]
    if given:
        what, other = ("picture", "scan") if is_cloud else ("scan", "picture")
        raise InputError(
            f"{given[0]} is for a {what}, and this is a {other}", f"Leave {given[0]} out."
        )


def _say(done: dict[str, Any], file: Path, show: Show) -> None:
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    for apart in done["disagreements"]:
        show.say(f"note: {apart['text']}")
    if done.get("relief"):
        show.say(f"relief: {done['relief']} (metres out of the wall, standard deviation)")
    box = [round(side, 2) + 0.0 for side in done["extent_m"]]
    show.result(
        done,
        text=f"{file}: {done['width_px']} x {done['height_px']} px of {done['gsd_m'] * 1000:.3g} mm, u {box[0]:.2f} to "
        f"{box[2]:.2f} m, v {box[1]:.2f} to {box[3]:.2f} m, placed by {done['placed_by']}; accuracy {done['accuracy']}",
    )
