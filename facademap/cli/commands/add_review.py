"""``facademap add-review``: a review that was saved from the condition map."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("add-review")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@command_options
def command(project: Path, file: Path, show: Show) -> None:
    """Read a review FILE that was saved from the condition map into PROJECT."""
    from facademap.tasks.survey.add_review import add_review

    result = add_review(project, file)
    show.result(
        result,
        text=f"{result['added']} entries added, {result['known']} known already; approved: "
        f"{', '.join(result['approved']) or 'none'}; returned: {', '.join(result['returned']) or 'none'}",
    )
