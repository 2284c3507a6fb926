"""``facademap guide``: the repair guide of this building."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("guide")
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--short", is_flag=True, help="Only what is said on the scaffold.")
@click.option(
    "--texts",
    is_flag=True,
    help="Put the chapters into PROJECT/guide as Markdown, to be edited; make nothing else.",
)
@click.option("--paper", default="A4", show_default=True, metavar="SIZE", help="A4 or Letter.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder of the guide; PROJECT/out when not given.",
)
@command_options
def command(
    project: Path, short: bool, texts: bool, paper: str, out: Path | None, show: Show
) -> None:
    """Make the repair guide of PROJECT: one offline page and one PDF, from what the project holds.

    Chapters in PROJECT/guide stand in place of the packaged ones; figures between braces are kept up to date.
    """
    from facademap.errors import InputError
    from facademap.tasks.issue.guide import copy_guide_texts
    from facademap.tasks.issue.papers import Choices, make_papers

    if texts:
        made = [str(p) for p in copy_guide_texts(project)]
        show.result({"files": made}, text=made)
        return
    name = "guide-short" if short else "guide"
    result = make_papers(project, choices=Choices(paper=paper), only=[name], out=out)
    for problem, remedy in result.failed.values():
        raise InputError(problem, remedy)
    for line in result.warnings:
        show.say(f"note: {line}")
    files = [str(result.folder / f) for f in result.files.get(name, ())]
    show.result({"files": files, "made": bool(result.made)}, text=files)
