"""``facademap demo``: the whole job on the demo elevation."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options


@click.command("demo")
@click.argument("folder", type=click.Path(path_type=Path))
@command_options
def command(folder: Path, show: Show) -> None:
    """Run the whole job on the demo elevation into the new project FOLDER."""
    from facademap.tasks.project.demo import run_demo

    def step(name: str, work: Callable[[Callable[[float], None]], Any]) -> Any:
        with show.progress(name) as progress:
            return work(progress)

    result = run_demo(folder, step=step)
    show.result(
        result,
        text=[
            f"{result['photos']} photos, check RMSE {result['check_rmse_m'] * 1000:.1f} mm at {result['check_n']} check points",
            f"{result['conditions']} conditions, {result['condition_area_m2']:.2f} m2; {result['repairs']} repairs, "
            f"{result['pieces']} pieces to cut, {result['blocks']} blocks",
            f"{result['matched']} pieces matched, {len(result['unmatched'])} not; mean colour difference "
            f"{result['mean_de00']:.2f} (CIEDE2000)",
            f"{sum(result['seconds'].values()):.0f} s; see {folder / 'out' / 'condition-map.html'}",
        ],
    )
