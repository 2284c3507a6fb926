"""``facademap add-surfaces``: surfaces that a project does not have yet."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("add-surfaces")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("description", type=click.Path(path_type=Path))
@command_options
def command(project: Path, description: Path, show: Show) -> None:
    """Add the surfaces of DESCRIPTION (a project.toml) that PROJECT does not have yet: reveals, set-back planes, piers."""
    from facademap.tasks.project.create_project import add_surfaces, read_project_plan

    result = add_surfaces(project, read_project_plan(description))
    show.result(
        result,
        text=f"added {len(result['added'])} surface(s): {', '.join(result['added']) or 'none'}; "
        f"the project has {result['surfaces']}",
    )
