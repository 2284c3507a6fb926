"""``facademap new``: a new project, in a folder of its own."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("new")
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--name", help="Name of the campaign; makes one elevation of one plane surface.")
@click.option(
    "--from",
    "plan_path",
    type=click.Path(path_type=Path),
    help="A project.toml that describes elevations, surfaces and settings.",
)
@command_options
def command(project: Path, name: str | None, plan_path: Path | None, show: Show) -> None:
    """Make a new project in the folder PROJECT."""
    from facademap.tasks.project.create_project import (
        ProjectPlan,
        create_project,
        read_project_plan,
    )

    if (name is None) == (plan_path is None):
        raise click.UsageError("give either --name or --from")
    plan = read_project_plan(plan_path) if plan_path else ProjectPlan.of_one_wall(str(name))
    result = create_project(project, plan)
    show.result(result, text=f"{project}: new project with {result['surfaces']} surface(s)")
