"""``facademap elevations``: rectify the photos of every surface and join them."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.extent import extent_from_text
from facademap.cli.show import Show, command_options


@click.command("elevations")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--gsd-mm",
    type=float,
    default=2.0,
    show_default=True,
    help="Ground sample distance in millimetres.",
)
@click.option(
    "--extent",
    "extents",
    multiple=True,
    metavar="[SURFACE:]U0,V0,U1,V1",
    help="Part of the wall in metres; the control grown by 5 % without it. May be given for several surfaces.",
)
@command_options
def command(project: Path, gsd_mm: float, extents: tuple[str, ...], show: Show) -> None:
    """Rectify the photos of every surface of PROJECT and join the best views into one elevation each."""
    from facademap.tasks.survey.elevations import make_elevations

    wanted = {
        (name if colon else ""): extent_from_text(numbers if colon else name)
        for name, colon, numbers in (
            text.rpartition(":") if ":" in text else (text, "", "") for text in extents
        )
    }
    with show.progress("rectifying") as progress:
        result = make_elevations(project, gsd_mm=gsd_mm, extents=wanted, progress=progress)
    for warning in result["warnings"]:
        show.say(f"warning: {warning}")
    for name, report in result["surfaces"].items():
        for apart in report["disagreements"]:
            show.say(f"note: {name} {apart['text']}")
    show.result(
        result,
        text=[
            f"{len(result['surfaces'])} elevation(s) from {result['photos']} photos: control RMSE "
            f"{_mm(result['control_rmse_m'])}, check RMSE {_mm(result['check_rmse_m'])} "
            f"({result['check_n']} check points)",
            *(
                f"{name}: {report['proof']}; good for {report['scale_text'] or 'no stated scale'}"
                for name, report in result["surfaces"].items()
            ),
        ],
    )


def _mm(value_m: float) -> str:
    return "none" if value_m != value_m else f"{value_m * 1000:.1f} mm"
