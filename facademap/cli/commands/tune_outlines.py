"""``facademap tune-outlines``: what confirmed stones of a project teach the network that proposes stones."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options
from facademap.errors import InputError

__all__ = ["command"]


@click.command("tune-outlines")
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--surface", help="Learn from the stones of this surface alone.")
@click.option("--forget", is_flag=True, help="Propose stones again as the network came.")
@command_options
def command(project: Path, surface: str | None, forget: bool, show: Show) -> None:
    """Learn from stones that were drawn or confirmed, on this computer, in minutes.

    A third of the wall, strip by strip, is held back: what was learned is kept only where it outlines the stones there better
    than before. It stays in the project and is sent nowhere; outline-wall uses it from then on.
    """
    from facademap.tasks.survey.tune_outlines import forget_tuning, tune_outlines

    if forget:
        if surface is not None:
            raise InputError(
                "--forget takes back what was learned from all surfaces", "Leave --surface out."
            )
        gone = forget_tuning(project)
        show.result(
            {"forgotten": gone}, text="forgotten" if gone else "nothing was learned in this project"
        )
        return
    with show.progress("Learning from confirmed stones"):
        told = tune_outlines(project, surface=surface)
    show.result(
        told,
        text=[
            f"learned from {told['learned_from']} stones; on {told['held_back']} held back: mean overlap "
            f"{_figures(told['before'])} before, {_figures(told['after'])} after",
            "kept in the project, used from now on"
            if told["kept"]
            else "not kept: it does not outline the stones held back better",
        ],
    )


def _figures(of: dict[str, Any]) -> str:
    return f"{of['mean']:.3f} ({of['missed']:.1%} missed)"
