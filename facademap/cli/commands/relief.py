"""``facademap relief``: photos and targets become a raster of how far the wall stands out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from facademap.cli.extent import extent_from_text
from facademap.cli.show import Show, command_options

if TYPE_CHECKING:
    from facademap.wall.grid import Extent

_FILE = click.Path(path_type=Path)


@click.command("relief")
@click.argument("project", type=_FILE, required=False)
@click.option("--surface", help="With PROJECT: surface, where there are several.")
@click.option(
    "--survey", help="With PROJECT: name of the survey, as conditions have it.  [default: 1]"
)
@click.option(
    "--taken-on",
    metavar="YYYY-MM-DD",
    help="With PROJECT: day of the photos. Default: what they say.",
)
@click.option(
    "--replace", is_flag=True, help="With PROJECT: put it in the place of one that is kept."
)
@click.option("--who", help="With PROJECT: who measures.  [default: surveyor]")
@click.option("--photos", type=_FILE, help="Folder of photos of one camera.")
@click.option(
    "--control",
    type=_FILE,
    help="CSV: photo,name,u_m,v_m,w_m,x_px,y_px,role (control or check); an empty w_m is 0.",
)
@click.option(
    "--earlier",
    type=(_FILE, _FILE),
    metavar="RELIEF ELEVATION",
    help="Instead of --control: relief and true elevation of an earlier survey, on which the photos are laid by the stone "
    "that has not changed.",
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
@click.option(
    "--scan",
    type=_FILE,
    help="Relief of the same wall from a scan (GeoTIFF): compared with the photos and joined.",
)
@click.option(
    "--without-scan",
    is_flag=True,
    help="With PROJECT: the photos alone, also where a scan is kept.",
)
@click.option(
    "--cylinder-radius-mm",
    type=float,
    help="Of an upright round pier, tower or apse: u_m of the control is arc.",
)
@click.option("--concave", is_flag=True, help="The round surface is seen from within.")
@click.option("--out", type=_FILE, help="GeoTIFF to write.")
@click.option("--report", type=_FILE, help="Report to write (JSON).")
@click.option("--preview", type=_FILE, help="Picture by depth and shade to write (PNG).")
@click.option(
    "--elevation",
    "elevation_out",
    type=_FILE,
    help="True elevation to write: the photos laid on the relief (GeoTIFF).",
)
@click.option(
    "--true-elevation", is_flag=True, help="With PROJECT: keep the true elevation with the relief."
)
@click.option(
    "--gsd-mm", type=float, help="Side of a pixel of the true elevation, mm. Default: half a cell."
)
@click.option(
    "--on-survey",
    metavar="SURVEY",
    help="With PROJECT: lay photos of --taken-on that have no control points on this earlier survey, by the stone that has not "
    "changed; it needs a relief and its true elevation.",
)
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler whose workers make the tiles.")
@command_options
def command(
    project: Path | None,
    extent: str | None,
    cell_mm: float,
    search_mm: str | None,
    show: Show,
    **given: Any,
) -> None:
    """Measure how far a wall stands out of its plane, or of its cylinder, from photos taken from several places.

    With PROJECT, its own photos and control points are used, and the relief is kept with the surface, by survey and date;
    without it --photos, --control and --out are needed.

    Band 1 of the GeoTIFF is metres out of the plane, band 2 the standard deviation; cells where nothing is known are
    empty. For an engineer's judgement of bulges and lean it is material, never the judgement.
    """
    area = extent_from_text(extent) if extent else None
    search = _search(search_mm)
    if project is None:
        _refuse(
            given,
            (
                *("surface", "survey", "taken_on", "replace", "who", "true_elevation"),
                *("without_scan", "on_survey"),
            ),
            "need PROJECT",
        )
        _of_folder(given, cell_mm / 1000, area, search, show)
    else:
        _refuse(
            given,
            (
                *(
                    "photos",
                    "control",
                    "earlier",
                    "camera",
                    "scan",
                    "cylinder_radius_mm",
                    "concave",
                ),
                *("out", "report", "preview", "elevation_out"),
            ),
            "are for photos without PROJECT",
        )
        _of_project(project, given, cell_mm / 1000, area, search, show)


def _refuse(given: dict[str, Any], names: tuple[str, ...], why: str) -> None:
    from facademap.errors import InputError

    wrong = [f"--{n.removesuffix('_out').replace('_', '-')}" for n in names if given[n]]
    if wrong:
        raise InputError(f"{', '.join(wrong)} {why}", "See facademap relief --help.")


def _search(text: str | None) -> tuple[float, float] | None:
    from facademap.errors import InputError

    if text is None:
        return None
    try:
        back, front = (float(part) / 1000 for part in text.split(","))
    except ValueError:
        raise InputError(
            f"--search-mm {text!r} is not two numbers", "Give two, such as -250,150."
        ) from None
    return back, front


def _radius(given: dict[str, Any]) -> float | None:
    from facademap.errors import InputError

    radius_mm = given["cylinder_radius_mm"]
    if radius_mm is None:
        if given["concave"]:
            raise InputError("--concave is of a round surface", "Add --cylinder-radius-mm.")
        return None
    return float(radius_mm) / 1000 * (-1 if given["concave"] else 1)


def _gsd(given: dict[str, Any]) -> float | None:
    from facademap.errors import InputError

    if given["gsd_mm"] is None:
        return None
    if given["elevation_out"] is None and not given["true_elevation"]:
        raise InputError(
            "--gsd-mm is the pixel of a true elevation, and none is asked for",
            "Add --elevation FILE, or --true-elevation with PROJECT.",
        )
    return float(given["gsd_mm"]) / 1000


def _of_project(
    project: Path,
    given: dict[str, Any],
    cell_m: float,
    extent: Extent | None,
    search_m: tuple[float, float] | None,
    show: Show,
) -> None:
    from facademap.tasks.survey.keep_relief import keep_relief

    with show.progress("measuring relief") as progress:
        values = keep_relief(
            project,
            surface=given["surface"],
            cell_m=cell_m,
            survey=given["survey"] or "1",
            taken_on=given["taken_on"],
            extent=extent,
            search_m=search_m,
            elevation=given["true_elevation"],
            gsd_m=_gsd(given),
            with_scan=not given["without_scan"],
            earlier=given["on_survey"],
            cluster=given["cluster"],
            replace=given["replace"],
            who=given["who"] or "surveyor",
            progress=progress,
        )
    _tell(f"{values['path']}, survey {values['survey']} of {values['taken_on']}", values, show)


def _of_folder(
    given: dict[str, Any],
    cell_m: float,
    extent: Extent | None,
    search_m: tuple[float, float] | None,
    show: Show,
) -> None:
    from facademap.errors import InputError
    from facademap.tasks.survey.relief import make_relief

    if given["control"] is not None and given["earlier"] is not None:
        raise InputError("--control and --earlier exclude each other", "Give one of them.")
    if given["earlier"] is not None and given["cylinder_radius_mm"] is not None:
        raise InputError(
            "photos of a round wall are not laid on an earlier survey", "Give --control."
        )
    needed = ("photos", "out") if given["earlier"] is not None else ("photos", "control", "out")
    missing = [n for n in needed if given[n] is None]
    if missing:
        raise InputError(
            f"without PROJECT {', '.join('--' + n for n in missing)} is missing",
            "Give a project, or --photos, --control and --out.",
        )
    with show.progress("measuring relief") as progress:
        done = make_relief(
            given["photos"],
            given["control"],
            given["out"],
            cell_m=cell_m,
            earlier=given["earlier"],
            camera=given["camera"],
            extent=extent,
            report=given["report"],
            preview=given["preview"],
            elevation=given["elevation_out"],
            gsd_m=_gsd(given),
            scan=given["scan"],
            radius_m=_radius(given),
            cluster=given["cluster"],
            search_m=search_m,
            progress=progress,
        )
    _tell(str(given["out"]), {"out": str(given["out"]), **done.report}, show)


def _tell(name: str, values: dict[str, Any], show: Show) -> None:
    for warning in values["warnings"]:
        show.say(f"note: {warning}")
    if values.get("scan") is not None:
        show.say(f"photos and scan: {_both_words(values['scan'])}")
    laid = values.get("true_elevation")
    if laid is not None:
        show.say(f"true elevation: {_laid_words(laid)}")
    proof = (
        "not proved"
        if values["check_rmse_w_m"] is None
        else f"RMSE {values['check_rmse_w_m'] * 1000:.2f} mm at {values['check_n']} check points"
    )
    show.result(
        values,
        text=f"{name}: {values['cells']} cells, {values['known_share']:.0%} known, standard deviation "
        f"{values['sigma_median_m'] * 1000:.2f} mm in the median; {proof}",
    )


def _both_words(both: dict[str, Any]) -> str:
    used = (
        f"{both['photos_share']:.0%} of the cells from the photos, {both['scan_share']:.0%} from the scan"
        if both["joined"]
        else "the photos alone are used"
    )
    return (
        f"scan minus photos {both['mean_m'] * 1000:+.2f} mm in the mean, spread {both['spread_m'] * 1000:.2f} mm "
        f"(standard deviation), over {both['common_share']:.0%} of the cells; {both['beyond_share']:.1%} of these beyond the "
        f"level of detection, in {len(both['places'])} named places; {used}"
    )


def _laid_words(laid: dict[str, Any]) -> str:
    proof = (
        "no check points prove it"
        if laid["check_rmse_m"] is None
        else f"RMSE {laid['check_rmse_m'] * 1000:.1f} mm at {laid['check_n']} sightings of check points"
    )
    return (
        f"{laid['seen_share']:.0%} shown, {laid['bridged_share']:.1%} on a depth taken from beside, "
        f"{laid['hidden_share']:.1%} shown by no photo; places shift by {laid['shift_sigma_m'] * 1000:.2f} mm "
        f"(standard deviation of the relief) instead of up to {laid['corrected_95_m'] * 1000:.1f} mm; {proof}"
    )
