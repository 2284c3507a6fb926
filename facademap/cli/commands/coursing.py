"""``facademap coursing``: how stones of a course are judged and counted."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="coursing")
@click.argument("project", type=click.Path())
@click.option(
    "--set",
    "values",
    multiple=True,
    help="NAME=VALUE, such as courses_from=above, first=1 or most_length_m=1.6; as often as needed.",
)
@click.option("--default", is_flag=True, help="Go back to the usual values.")
@command_options
def command(project: str, values: tuple[str, ...], default: bool, show: Show) -> None:
    """Show or set how PROJECT counts its courses, and what it takes for a stone of a course."""
    from facademap.errors import InputError
    from facademap.tasks.survey.coursing import set_coursing

    if values and default:
        raise InputError("--set and --default at once", "Give one of them.")
    wanted: dict[str, object] = {}
    for text in values:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            raise InputError(f"--set {text[:60]!r}", "Give NAME=VALUE.")
        wanted[name.strip()] = _value(value.strip())
    found = set_coursing(project, wanted, default=default)
    show.result(found, text=[f"{name}: {value}" for name, value in found.items()])


def _value(text: str) -> object:
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text
