"""``facademap calibrate``: photos of a chequer board become a camera file."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("calibrate")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--columns", type=int, required=True, help="Inner corners along the board.")
@click.option("--rows", type=int, required=True, help="Inner corners down the board.")
@click.option(
    "--pattern", type=click.Choice(["chequer", "circles"]), default="chequer", show_default=True
)
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Camera file to write (JSON)."
)
@command_options
def command(
    photos: tuple[Path, ...], columns: int, rows: int, pattern: str, out: Path, show: Show
) -> None:
    """Calibrate a camera from photos of a chequer board (or of a grid of round targets)."""
    from facademap.tasks.survey.calibrate import calibrate_from_photos

    with show.progress("looking for the board") as progress:
        done = calibrate_from_photos(
            photos,
            out,
            columns=columns,
            rows=rows,
            pattern="circles" if pattern == "circles" else "chequer",
            progress=progress,
        )
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    show.result(
        done,
        text=f"{out}: {done['photos_used']} photos, reprojection {done['rmse_px']:.2f} px, focal length "
        f"{done['camera']['fx']:.1f} px, k1 {done['camera']['k1']:.4f}",
    )
