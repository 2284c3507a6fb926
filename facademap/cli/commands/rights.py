"""``facademap rights``: who may look at a project in a database, and who may work in it."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("rights")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("role", required=False)
@click.option(
    "--may",
    type=click.Choice(["nothing", "layers", "read", "edit"]),
    help="What ROLE may do from now on, instead of what it could; layers: see what is drawn on each surface, no more.",
)
@click.option(
    "--elevation",
    "elevations",
    multiple=True,
    metavar="ID",
    help="Elevation to which ROLE is limited, by whatever program it comes; several may be given.",
)
@command_options
def command(
    project: Path, role: str | None, may: str | None, elevations: tuple[str, ...], show: Show
) -> None:
    """Say which roles of the database may do what in PROJECT, or give ROLE its right."""
    from facademap.tasks.project.team import limits_in_project, rights_in_project

    if (role is None) != (may is None) or (elevations and role is None):
        raise click.UsageError("give ROLE together with --may, or neither")
    rights = rights_in_project(project, role=role, may=may, elevations=elevations)
    limits = limits_in_project(project)
    show.result(
        {"rights": rights, "elevations": limits},
        text=[
            f"{name}: may {what}" + (f" (only {', '.join(limits[name])})" if name in limits else "")
            for name, what in rights.items()
        ]
        or "nobody but the owner of the project",
    )
