"""``facademap map``: the condition map, one file for the browser that works offline."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("map")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Where to write; out/condition-map.html in the project without it.",
)
@click.option(
    "--language",
    default="en",
    show_default=True,
    help="Language in which it opens (en, de, fr, it, es, or one of the project's own); the reader changes it.",
)
@command_options
def command(project: Path, out: Path | None, language: str, show: Show) -> None:
    """Make the condition map of PROJECT: one HTML file that opens offline in any browser."""
    from facademap.tasks.issue.condition_map import make_condition_map

    with show.progress("drawing the condition map") as progress:
        result = make_condition_map(project, target=out, progress=progress, language=language)
    for text in result["missing"]:
        show.say(f"missing: {text}")
    show.result(
        result,
        text=f"{result['path']}: {result['features']} outlines, {result['bytes'] / 1e6:.1f} MB",
    )
