"""``facademap relief-view``: a relief to look at, as picture, GIS layer and section."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options

_FILE = click.Path(path_type=Path)


@click.command("relief-view")
@click.argument("source", type=_FILE)
@click.option("--surface", help="Surface of a project, where there are several.")
@click.option("--survey", help="Survey of a project; default: the newest.")
@click.option("--out", type=_FILE, help="Picture with legend to write (PNG).")
@click.option(
    "--geotiff", type=_FILE, help="Colours in the frame of the wall, for a GIS (GeoTIFF)."
)
@click.option("--contours-mm", type=float, help="Distance of contours, mm.")
@click.option("--grey", is_flag=True, help="A grey wall under the light, without colour by depth.")
@click.option(
    "--light",
    default="315,45",
    show_default=True,
    metavar="FROM,HEIGHT",
    help="Degrees clockwise from the top of the wall, and above its face; a raking light is low.",
)
@click.option("--section", metavar="U0,V0,U1,V1", help="Line of a section, metres of the wall.")
@click.option("--section-out", type=_FILE, help="Section to write: .png, .csv or .dxf.")
@click.option(
    "--keep", metavar="NAME", help="Keep the line of the section in the project, for its drawings."
)
@click.option("--forget", metavar="NAME", help="Take a kept line away.")
@click.option("--inch", is_flag=True, help="Legends in inches.")
@command_options
def command(
    source: Path,
    surface: str | None,
    survey: str | None,
    out: Path | None,
    geotiff: Path | None,
    contours_mm: float | None,
    grey: bool,
    light: str,
    section: str | None,
    section_out: Path | None,
    keep: str | None,
    forget: str | None,
    inch: bool,
    show: Show,
) -> None:
    """Draw a relief: SOURCE is a project or a relief (GeoTIFF)."""
    from facademap.errors import InputError
    from facademap.report.relief_picture import ReliefLook
    from facademap.tasks.survey.show_relief import show_relief

    turn, height = _numbers(light, 2, "--light", "315,45")
    if not 1 <= height <= 90:
        raise InputError(f"a light {height:g} degrees above the face", "Give 1 to 90.")
    line = None if section is None else _numbers(section, 4, "--section", "0.2,1.1,2.4,1.1")
    if keep or forget:
        kept = _sections(source, surface, line, keep, forget)
        names = ", ".join(kept["sections"]) or "none"
        show.result(kept, text=f"{kept['surface']} keeps the sections: {names}")
        if out is None and geotiff is None and section_out is None:
            return
        line = line if section_out is not None else None
    if out is None and geotiff is None and section_out is None:
        raise InputError("nothing to write", "Give --out, --geotiff or --section-out.")
    done = show_relief(
        source,
        surface=surface,
        survey=survey,
        look=ReliefLook(
            colour=not grey,
            contours_m=None if contours_mm is None else contours_mm / 1000,
            from_deg=turn,
            height_deg=height,
            inches=inch,
        ),
        out=out,
        geotiff=geotiff,
        line_m=None if line is None else (line[0], line[1], line[2], line[3]),
        section_out=section_out,
    )
    written = [str(p) for p in (out, geotiff, section_out) if p is not None]
    show.result({"title": done.title, "written": written}, text=[done.title, *written])


def _sections(
    source: Path,
    surface: str | None,
    line: list[float] | None,
    keep: str | None,
    forget: str | None,
) -> dict[str, Any]:
    from facademap.errors import InputError
    from facademap.tasks.survey.keep_section import forget_section, keep_section

    if source.is_file():
        raise InputError("a relief alone keeps no sections", "Give the project.")
    done: dict[str, Any] = {}
    if forget:
        done = forget_section(source, forget, surface=surface)
    if keep:
        if line is None:
            raise InputError("--keep needs a line", "Give --section u0,v0,u1,v1 too.")
        done = keep_section(source, keep, (line[0], line[1], line[2], line[3]), surface=surface)
    return done


def _numbers(text: str, count: int, option: str, such: str) -> list[float]:
    from facademap.errors import InputError

    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) != count:
        raise InputError(f"{option} {text!r} is not {count} numbers", f"Give them as {such}.")
    return values
