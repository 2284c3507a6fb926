"""``facademap follow``: outlines and lines proposed from clicks in a picture."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

__all__ = ["command"]


@click.command("follow")
@click.option(
    "--image",
    type=click.Path(path_type=Path),
    required=True,
    help="Picture; clicks are pixels of it upright.",
)
@click.option(
    "--clicks",
    type=click.Path(path_type=Path),
    required=True,
    help="Table name,x_px,y_px (outlines) or name,order,x_px,y_px (lines).",
)
@click.option(
    "--kind",
    type=click.Choice(["outline", "line"]),
    required=True,
    help="Outline of the stone or defect under a click, or the crack or joint through several.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="GeoJSON to write, in pixels of the upright picture.",
)
@click.option(
    "--model",
    type=click.Path(path_type=Path),
    help="ONNX file of a segmentation model of your own, for outlines.",
)
@stored_pixels_option
@table_words()
@command_options
def command(
    image: Path,
    clicks: Path,
    kind: str,
    out: Path,
    model: Path | None,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Propose outlines and lines; check each one before it is used.

    A click that has no answer is noted, and the others are still made.
    """
    from facademap.tasks.survey.assist import follow

    with show.progress("Following"):
        found = follow(
            image, clicks=clicks, kind=kind, out=out, model=model, stored_pixels=stored_pixels
        )
    for note in found["notes"]:
        show.say(f"note: {note}")
    show.result(
        {**found, "out": out},
        text=f"{found['made']} of {found['asked']} proposed; written to {out}",
    )
