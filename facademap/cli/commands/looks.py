"""``facademap looks``: how alike stones in pictures are."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

__all__ = ["command"]


@click.command("looks")
@click.option(
    "--images",
    type=click.Path(path_type=Path),
    required=True,
    help="Table name,path[,mask_path]: pictures of stones at one scale, paths relative to the table.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Table a,b,distance to write."
)
@table_words()
@command_options
def command(images: Path, out: Path, show: Show) -> None:
    """Compare the looks of stones in pictures, pair by pair.

    The distance is small where colour distribution and grain are alike, whatever the exposure and the
    white balance of the pictures. It has no unit and serves to rank: without a colour chart no picture
    can say how different two colours are.
    """
    from facademap.tasks.yard.looks import compare_looks

    with show.progress("Describing stones") as update:
        report = compare_looks(images, out=out, progress=update)
    if report["scale"] < 1.0:
        show.detail(f"all pictures were reduced to {report['scale']:.2f} of their size")
    show.result(
        {**report, "out": out},
        text=f"{report['pairs']} pairs of {report['pictures']} pictures written to {out} (rank only)",
    )
