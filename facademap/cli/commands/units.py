"""``facademap units``: millimetres or inches first, on every paper and at the desk."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("units")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("first", required=False, type=click.Choice(["mm", "inch"]))
@click.option(
    "--who", default="facademap units", show_default=True, help="Your name, for the history."
)
@command_options
def command(project: Path, first: str | None, who: str, show: Show) -> None:
    """Say in which units PROJECT reads, or that FIRST come first from now on.

    Only how figures are told changes: sizes, trade values and checks stay as they were planned. Those of the inch come
    with `facademap plan --profile inch`.
    """
    from facademap.tasks.plan.reading import choose_units

    found = choose_units(project, first, who=who)
    text = f"{found['units']} first"
    if first is not None:
        text += ", on the papers that facademap papers makes from now on, and at the desk"
    show.result(found, text=text)
