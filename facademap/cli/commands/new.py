"""``facademap new``: a new project, in a folder of its own."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("new")
@click.argument("project")
@click.option("--name", help="Name of the campaign; makes one elevation of one plane surface.")
@click.option(
    "--from",
    "plan_path",
    type=click.Path(path_type=Path),
    help="A project.toml that describes elevations, surfaces and settings.",
)
@click.option(
    "--files",
    type=click.Path(path_type=Path, file_okay=False),
    help="Of a project in a database: the folder for its pictures and papers, which then stands for it.",
)
@click.option(
    "--join",
    is_flag=True,
    help="With --files: a folder for a project that is in the database already.",
)
@command_options
def command(
    project: str,
    name: str | None,
    plan_path: Path | None,
    files: Path | None,
    join: bool,
    show: Show,
) -> None:
    """Make a new project in the folder PROJECT, or in a database (postgresql://user@host/database)."""
    from facademap.tasks.project.create_project import (
        ProjectPlan,
        create_project,
        read_project_plan,
    )
    from facademap.tasks.project.team import create_team_project, is_address, join_project

    in_database = is_address(project)
    if (files or join) and not in_database:
        raise click.UsageError("--files and --join are for projects in a database")
    if join:
        if name or plan_path or files is None:
            raise click.UsageError("--join takes --files, and neither --name nor --from")
        folder = join_project(project, files)
        show.result({"project": str(folder)}, text=f"{folder}: stands for the project")
        return
    if (name is None) == (plan_path is None):
        raise click.UsageError("give either --name or --from")
    plan = read_project_plan(plan_path) if plan_path else ProjectPlan.of_one_wall(str(name))
    if in_database:
        result = create_team_project(project, plan, files=files)
        show.result(
            result,
            text=f"{result['address']}: new project with {result['surfaces']} surface(s); its pictures and papers go to "
            f"{result['project']}, and commands take either",
        )
        return
    result = create_project(project, plan)
    show.result(result, text=f"{project}: new project with {result['surfaces']} surface(s)")
