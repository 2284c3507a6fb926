"""``facademap colour``: calibrate the colours of a photo from patches of known colour."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words


@click.command()
@click.option(
    "--photo", required=True, type=click.Path(path_type=Path), help="Photo with the chart."
)
@click.option(
    "--patches",
    type=click.Path(path_type=Path),
    help="Table name,x_px,y_px,half_px,role,L,a,b (role fit or check, CIELAB D50).",
)
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Table name,L,a,b to write."
)
@click.option(
    "--linear", is_flag=True, help="The photo's values are already proportional to light."
)
@click.option(
    "--chart", default="", help="Chart and edition of the reference values, for the report."
)
@click.option(
    "--table",
    help="Instead of --patches: reference table of the chart in the photo, by its full name with "
    "the edition, or a file of your own (name,row,column,L,a,b).",
)
@click.option(
    "--corners",
    metavar="X,Y X,Y X,Y X,Y",
    help="With --table: middles of the corner patches (first, end of "
    "first row, last, start of last row). Default: the chart is looked for.",
)
@stored_pixels_option
@table_words()
@command_options
def command(
    photo: Path,
    patches: Path | None,
    out: Path,
    linear: bool,
    chart: str,
    table: str | None,
    corners: str | None,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Calibrate a photo's colours from chart patches, and give every patch's CIELAB (D50).

    The model is chosen by patches left out of its fit; check patches are never fitted.
    """
    from facademap.errors import InputError
    from facademap.tasks.survey.colour import calibrate_photo, calibrate_photo_by_chart

    if (patches is None) == (table is None):
        raise InputError(
            "either --patches or --table is needed, not both", "Give the one that you have."
        )
    if patches is not None:
        _, report = calibrate_photo(
            photo, patches, out=out, linear=linear, chart=chart, stored_pixels=stored_pixels
        )
    else:
        _, report = calibrate_photo_by_chart(
            photo,
            table or "",
            corners_px=_corners(corners),
            stored_pixels=stored_pixels,
            out=out,
            linear=linear,
        )
    for warning in report["warnings"]:
        show.say(f"note: {warning}")

    def figure(what: str) -> str:
        mean, largest = report[f"{what}_mean_de00"], report[f"{what}_max_de00"]
        return "-" if mean is None else f"mean {mean:.2f}, max {largest:.2f}"

    show.result(
        report,
        text=[
            f"model           {report['model']} ({report['state']})",
            f"fit patches     {report['fit_n']}: CIEDE2000 {figure('fit')}",
            f"left out        CIEDE2000 {figure('left_out')}",
            f"check patches   {report['check_n']}: CIEDE2000 {figure('check')}",
            f"written         {out}",
        ],
    )


def _corners(text: str | None) -> list[tuple[float, float]] | None:
    from facademap.errors import InputError

    if text is None:
        return None
    try:
        places = [tuple(float(v) for v in pair.split(",")) for pair in text.split()]
    except ValueError:
        places = []
    if len(places) != 4 or any(len(place) != 2 for place in places):
        raise InputError(
            f"corners {text!r} are not four places", 'Give them as "x,y x,y x,y x,y", pixels.'
        )
    return [(place[0], place[1]) for place in places]
