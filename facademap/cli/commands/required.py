"""``facademap required``: what every condition must state, and what is missing."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="required")
@click.argument("project", type=click.Path())
@click.option(
    "--set",
    "columns",
    help="Columns with commas between, such as term,cc,uc,depth_m,note; this is the whole new list.",
)
@click.option(
    "--default", is_flag=True, help="Go back to the list that holds where nothing was decided."
)
@command_options
def command(project: str, columns: str | None, default: bool, show: Show) -> None:
    """Show or set what PROJECT requires of its conditions, and list what is missing."""
    from facademap.errors import InputError
    from facademap.tasks.survey.required import set_required

    if columns is not None and default:
        raise InputError("--set and --default at once", "Give one of them.")
    wanted = None if columns is None else [c.strip() for c in columns.split(",") if c.strip()]
    found = set_required(project, wanted, default=default)
    titles = found["may_be"]
    lines = [
        "required: "
        + (", ".join(f"{titles[c].lower()} ({c})" for c in found["required"]) or "nothing"),
        "may be required: "
        + (", ".join(c for c in titles if c not in found["required"]) or "nothing more"),
    ]
    lines += [
        f"{id}: no {', '.join(titles[c].lower() for c in missing)}"
        for id, missing in found["missing"].items()
    ]
    if not found["missing"]:
        lines.append("nothing is missing")
    show.result(found, text=lines)
