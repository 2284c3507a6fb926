"""``facademap estate``: the figures of many projects side by side, and of all together."""

from __future__ import annotations

from typing import Any

import click

from facademap.cli.show import Show, command_options


@click.command("estate")
@click.argument("projects", nargs=-1, required=True)
@command_options
def command(projects: tuple[str, ...], show: Show) -> int:
    """Count over PROJECTS: folders, addresses of projects, or of a database for all that are in it.

    A project that cannot be read, or is a copy of another, is named, is in no figure, and makes the exit code 1.
    """
    from facademap.tasks.project.estate import figures_of_estate

    with show.progress("counting") as progress:
        found = figures_of_estate(projects, progress=progress)
    lines = [_line(f["name"], f) for f in found["projects"]]
    if len(found["projects"]) > 1:
        lines.append(_line(f"all {len(found['projects'])}", found["total"]))
    lines += [
        f"not counted: {u['project']}: {u['problem']}; fix: {u['remedy']}" for u in found["unread"]
    ]
    show.result(found, text=lines)
    return 1 if found["unread"] else 0


def _line(name: str, figures: dict[str, Any]) -> str:
    classes = ", ".join(f"{n} {c}" for c, n in figures["classes"].items() if n)
    stages = ", ".join(f"{n} {stage}" for stage, n in figures["stages"].items())
    untold = (
        f", {figures['stone_not_told']} repairs do not say" if figures["stone_not_told"] else ""
    )
    return (
        f"{name}: {figures['conditions']} conditions ({classes or 'none'}); {figures['repairs']} repairs ({stages or 'none'}); "
        f"{figures['stone_taken_m3'] * 1000:.1f} litres of stone to be taken out{untold}"
    )
