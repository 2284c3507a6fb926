"""``facademap colour``: calibrate the colours of a photo from patches of known colour."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command()
@click.option("--photo", required=True, type=click.Path(path_type=Path), help="Photo with the chart.")
@click.option("--patches", required=True, type=click.Path(path_type=Path),
              help="Table name,x_px,y_px,half_px,role,L,a,b (role fit or check, CIELAB D50).")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Table name,L,a,b to write.")
@click.option("--linear", is_flag=True, help="The photo's values are already proportional to light.")
@click.option("--chart", default="", help="Chart and edition of the reference values, for the report.")
@command_options
def command(photo: Path, patches: Path, out: Path, linear: bool, chart: str, show: Show) -> None:
    """Calibrate a photo's colours from chart patches, and give every patch's CIELAB (D50).

    The model is chosen by patches left out of its fit; check patches are never fitted.
    """
    from facademap.tasks.colour import calibrate_photo

    _, report = calibrate_photo(photo, patches, out=out, linear=linear, chart=chart)
    for warning in report["warnings"]:
        show.say(f"note: {warning}")

    def figure(what: str) -> str:
        mean, largest = report[f"{what}_mean_de00"], report[f"{what}_max_de00"]
        return "-" if mean is None else f"mean {mean:.2f}, max {largest:.2f}"

    show.result(report, text=[
        f"model           {report['model']} ({report['state']})",
        f"fit patches     {report['fit_n']}: CIEDE2000 {figure('fit')}",
        f"left out        CIEDE2000 {figure('left_out')}",
        f"check patches   {report['check_n']}: CIEDE2000 {figure('check')}",
        f"written         {out}",
    ])
