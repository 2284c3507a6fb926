"""``facademap register``: carry points between photos of one flat wall."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words


class ManyPhotos(click.Command):
    """Lets ``--photos`` take all file names up to the next option."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        spread: list[str] = []
        after_photos = False
        for word in args:
            if word.startswith("-") and word != "-":
                after_photos = word == "--photos"
                spread.append(word)
            elif after_photos and spread[-1] != "--photos":
                spread += ["--photos", word]
            else:
                spread.append(word)
        return super().parse_args(ctx, spread)


@click.command(cls=ManyPhotos)
@click.option(
    "--photos",
    required=True,
    multiple=True,
    type=click.Path(path_type=Path),
    help="Photos of one flat wall; points are carried into the first.",
)
@click.option(
    "--points", required=True, type=click.Path(path_type=Path), help="Table photo,name,x_px,y_px."
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="Table photo,name,x_px,y_px,ok to write.",
)
@stored_pixels_option
@table_words()
@command_options
def command(
    photos: tuple[Path, ...], points: Path, out: Path, stored_pixels: bool, show: Show
) -> None:
    """Carry points picked in several photos of one flat wall into the pixels of the first photo.

    A photo that cannot be joined to the first, directly or through others, is named and its points
    get ok 0.
    """
    from facademap.tasks.survey.register import carry_points

    with show.progress("Comparing the photos") as update:
        report = carry_points(photos, points, out=out, stored_pixels=stored_pixels, progress=update)
    for photo in report["not_registered"]:
        show.say(f"note: {photo['photo']} is not registered: {photo['reason']}")
    show.result(
        report,
        text=[
            f"registered      {', '.join(report['registered'])}",
            f"tie points      rms {report['rms_px']:.2f} px",
            f"points          {report['carried']} of {report['points']} carried",
            f"written         {out}",
        ],
    )
