"""``facademap appearance``: what colour and grain each piece of stone needs, measured on the elevation."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("appearance")
@click.argument("project", type=click.Path(path_type=Path))
@command_options
def command(project: Path, show: Show) -> None:
    """Measure on the elevation what colour each piece of PROJECT must match."""
    from facademap.tasks.plan.appearance import measure_targets

    with show.progress("measuring neighbourhoods") as progress:
        result = measure_targets(project, progress=progress)
    for note in result["notes"]:
        show.say(f"note: {note}")
    show.result(result, text=f"the neighbourhood of {result['measured']} pieces measured")
