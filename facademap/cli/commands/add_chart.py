"""``facademap add-chart``: a colour chart in a photo, so that colours can be measured."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words


@click.command("add-chart")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("photo")
@click.argument("patches", type=click.Path(path_type=Path))
@click.option(
    "--edition",
    required=True,
    help="Chart and edition of its reference values, for instance '24 patches, after Nov 2014'.",
)
@click.option(
    "--surface", help="Surface whose photos it makes true; may be left out where there is one."
)
@stored_pixels_option
@table_words()
@command_options
def command(
    project: Path,
    photo: str,
    patches: Path,
    edition: str,
    surface: str | None,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Use the colour chart in PHOTO of PROJECT; PATCHES says where it lies (name,x_px,y_px,half_px,role,L,a,b)."""
    from facademap.tasks.survey.add_chart import add_chart

    report = add_chart(
        project, photo, patches, edition=edition, stored_pixels=stored_pixels, surface=surface
    )
    check = report.get("check_mean_de00")
    show.result(
        report,
        text=f"chart read: {report.get('model', 'correction')}; held-back patches differ by "
        f"{'-' if check is None else f'{check:.2f}'} (CIEDE2000)",
    )
