"""``facademap upgrade``: bring a project of an older facademap up to date, or only say what that would change."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("upgrade")
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Only say what would change; nothing is written.")
@command_options
def command(project: Path, dry_run: bool, show: Show) -> None:
    """Bring PROJECT up to date; opening it for writing does the same without asking.

    Desks that are open over it go on; a server of the older facademap says that it is to be started anew.
    """
    from facademap.tasks.project.upgrade import upgrade_project

    found = upgrade_project(project, dry_run=dry_run)
    if not found["needed"]:
        show.result(found, text=f"up to date: tables version {found['version']}")
        return
    would = "would be " if dry_run else ""
    lines = [
        f"tables version {found['version']} {'would become' if dry_run else 'became'} {found['wanted']}"
    ]
    lines += [f"table {would}added: {name}" for name in found["tables"]]
    lines += [f"column {would}added: {name}" for name in found["columns"]]
    lines += [f"rows {would}changed: {e['rows']}, {e['what']}" for e in found["edits"]]
    if found["signs"]:
        lines.append(f"signs of a GIS, and in a database its rules for roles, {would}made anew")
    if dry_run:
        lines.append("nothing was changed; make a backup, then run it without --dry-run")
    show.result(found, text=lines)
