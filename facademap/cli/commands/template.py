"""``facademap template``: a filled-in example of a table that people bring."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("template")
@click.argument("kind")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="CSV or XLSX to write.")
@command_options
def command(kind: str, out: Path, show: Show) -> None:
    """Write a filled-in example of a table that people bring.

    KIND is one of control, points, shapes, survey, survey-points, observations, mosaic-control, photo-points, tape, clicks,
    line-clicks, patches, chart, face-control, pictures, conditions, blocks, faces.
    """
    from facademap.tasks.survey.template import write_template

    written = write_template(kind, out)
    show.result(
        {"kind": kind, "out": out, "columns": [c.name for c in written.columns]},
        text=f"{out}: {written.meaning} Read by: {written.read_by}",
    )
