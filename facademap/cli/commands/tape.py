"""``facademap tape``: tape distances, plumb and level lines become places on the wall."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

_FILE = click.Path(path_type=Path)


@click.command("tape")
@click.option(
    "--tape",
    type=_FILE,
    required=True,
    help="CSV: kind,start,end,length_m (kind: distance, level or plumb); sigma_mm may be added.",
)
@click.option(
    "--out", type=_FILE, required=True, help="CSV to write: name,u_m,v_m,sigma_mm,measured_by."
)
@click.option(
    "--control",
    type=_FILE,
    help="Table of control (world, wall or both): its distances take part, its places on the wall give the frame.",
)
@table_words()
@command_options
def command(tape: Path, out: Path, control: Path | None, show: Show) -> None:
    """Adjust tape measures to control points when there is no total station."""
    from facademap.tasks.survey.rectify_surface import place_points_by_tape

    done = place_points_by_tape(tape, out, control=control)
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    show.result(done, text=f"{out}: {done['points']} points, {done['redundancy']} surplus measures")
