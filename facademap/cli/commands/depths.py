"""``facademap depths``: how deep every condition is, by the relief of its surface."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from facademap.cli.show import Show, command_options

_FILE = click.Path(path_type=Path)


@click.command("depths")
@click.argument("project", type=_FILE)
@click.option(
    "--relief", type=_FILE, help="Relief (GeoTIFF). Default: what a scan left with each surface."
)
@click.option("--surface", help="Surface of that relief, where there are several.")
@click.option("--out", type=_FILE, help="Table to write (CSV).")
@command_options
def command(
    project: Path, relief: Path | None, surface: str | None, out: Path | None, show: Show
) -> None:
    """Measure the depth of every drawn condition of PROJECT below the sound face round it.

    Nothing is stored: a depth enters the record when a person has looked. Typed depths that cannot be right are named.
    """
    from facademap.tasks.survey.depths import measure_depths

    done = measure_depths(project, relief=relief, surface=surface, out=out)
    for warning in done.warnings:
        show.say(f"note: {warning}")
    lines = [
        f"{d.condition} {d.term}: "
        + (
            "not known"
            if d.measured is None
            else f"{d.measured.mean_m * 1000:.1f} ± {d.measured.plus_minus_95_m * 1000:.1f} mm in the mean, "
            f"{d.measured.deepest_m * 1000:.1f} mm deepest, {d.measured.volume_m3 * 1000:.3f} L, "
            f"{d.measured.known_share:.0%} known"
            + ("" if d.typed_m is None else f"; typed {d.typed_m * 1000:.0f} mm")
            + (" - DISAGREES" if d.disagrees else "")
        )
        for d in done.depths
    ]
    show.result(
        {"depths": [asdict(d) for d in done.depths], "warnings": list(done.warnings)},
        text=lines or "no outline of a condition lies on a surface with a relief",
    )
