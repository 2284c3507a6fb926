"""``facademap views``: photos of repairs that are missing, and before and after on one sheet."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("views")
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Write the sheets of before, during and after to this PDF.",
)
@command_options
def command(project: Path, paper: str, out: Path | None, show: Show) -> None:
    """List views of PROJECT that are missing at the stage of their repair, or print those that are there.

    Later views are laid over the first by common points; where that cannot be done, the sheet says so.
    """
    from facademap.tasks.record.photo_views import missing_in_project, write_views

    if out is not None:
        made = write_views(project, out, paper=paper)
        show.result(
            made,
            text=f"{made['repairs']} repairs, {made['aligned']} views laid over the first, {made['not_aligned']} not: {out}",
        )
        return
    found = missing_in_project(project)
    show.result(
        {"missing": found},
        text=[f"{m['repair']} ({m['stage']}): {', '.join(m['missing'])}" for m in found]
        or "no view is missing",
    )
