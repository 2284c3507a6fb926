"""``facademap change``: two reliefs of one wall become their difference and what of it can be told."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

_FILE = click.Path(path_type=Path)


@click.command("change")
@click.argument("old", type=_FILE)
@click.argument("new", type=_FILE)
@click.option(
    "--out", type=_FILE, required=True, help="GeoTIFF to write: difference, level of detection."
)
@click.option("--polygons", type=_FILE, help="Outlines (GeoJSON, metres of the wall).")
@click.option("--table", "table_out", type=_FILE, help="Change in each outline to write (CSV).")
@click.option(
    "--align/--no-align",
    default=None,
    help="Take offset and tilt of stable stone off first; a change of the whole wall is then not seen. Default: where the "
    "precision of both surveys explains them.",
)
@click.option(
    "--register/--no-register",
    default=None,
    help="Lay the older relief on the newer by the stone that has not changed. Default: where their control points do not "
    "tell one frame.",
)
@click.option(
    "--pictures",
    type=(_FILE, _FILE),
    metavar="OLD NEW",
    help="Elevations of both surveys in the frames of their reliefs: their features tell where to begin.",
)
@command_options
def command(
    old: Path,
    new: Path,
    out: Path,
    polygons: Path | None,
    table_out: Path | None,
    align: bool | None,
    register: bool | None,
    pictures: tuple[Path, Path] | None,
    show: Show,
) -> None:
    """Compare two reliefs of one wall: new minus old, in metres, with the level of detection at 95 %.

    Negative is stone lost. Both lie in one wall frame, or the older one is laid on the newer by stable stone where that
    is sure enough; how well they agree there is part of every plus or minus.
    """
    from facademap.tasks.survey.change import compare_reliefs

    done = compare_reliefs(
        old,
        new,
        out,
        polygons=polygons,
        table=table_out,
        align=align,
        register=register,
        pictures=pictures,
    )
    for warning in done.warnings:
        show.say(f"note: {warning}")
    told = sum(patch.significant for _, patch in done.patches)
    show.result(
        {
            "out": str(out),
            "offset_m": done.change.offset_m,
            "registration_m": done.change.registration_m,
            "registered": None if done.registered is None else done.registered.to_dict(),
            "outlines": len(done.patches),
            "significant": told,
            "warnings": list(done.warnings),
        },
        text=f"{out}: on stable stone {done.change.offset_m * 1000:+.2f} mm, agreement "
        f"{done.change.registration_m * 1000:.2f} mm"
        + (f"; {told} of {len(done.patches)} outlines changed" if done.patches else ""),
    )
