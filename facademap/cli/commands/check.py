"""``facademap check``."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("check")
@click.argument("project", type=click.Path(path_type=Path))
@command_options
def command(project: Path, show: Show) -> int:
    """Audit PROJECT: what is wrong and how to mend it. Exit code 1 when there are faults."""
    from facademap.tasks.project.check import check_project

    with show.progress("checking") as progress:
        result = check_project(project, progress=progress)
    lines = [
        f"{f['level']}: {f['about']}: {f['problem']}; fix: {f['remedy']}"
        for f in result["findings"]
    ]
    show.result(
        result, text=[*lines, f"{result['faults']} fault(s), {result['warnings']} warning(s)"]
    )
    return 1 if result["faults"] else 0
