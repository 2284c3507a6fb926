"""``facademap yard``: the stone yard, measured and on paper."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.numbers import Numbers
from facademap.cli.picture_options import stored_pixels_option
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

__all__ = ["command"]

_PAPER = click.option(
    "--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True
)
_OUT = click.option("--out", type=click.Path(path_type=Path), required=True, help="File to write.")


@click.group("yard")
def command() -> None:
    """Measure salvaged blocks; their labels, contact sheet, target sheet and inventory."""


@command.command("target-sheet")
@_PAPER
@_OUT
@command_options
def target_sheet(paper: str, out: Path, show: Show) -> None:
    """Print this sheet and lay it on a face before photographing it: it gives the scale."""
    from facademap.tasks.yard.papers import target_sheet as write

    write(out, paper=paper)
    show.result(
        {"out": out, "paper": paper}, text=f"target sheet written to {out}; print it at 100 %"
    )


@command.command("labels")
@click.argument("project", type=click.Path(path_type=Path))
@_PAPER
@_OUT
@command_options
def labels(project: Path, paper: str, out: Path, show: Show) -> None:
    """Labels with QR codes for the blocks of PROJECT."""
    from facademap.tasks.yard.papers import yard_paper

    count = yard_paper(project, out, what="labels", paper=paper)
    show.result({"blocks": count, "out": out}, text=f"labels of {count} blocks written to {out}")


@command.command("contact-sheet")
@click.argument("project", type=click.Path(path_type=Path))
@_PAPER
@_OUT
@command_options
def contact_sheet(project: Path, paper: str, out: Path, show: Show) -> None:
    """Pictures, colours and sizes of the blocks of PROJECT."""
    from facademap.tasks.yard.papers import yard_paper

    count = yard_paper(project, out, what="contact sheet", paper=paper)
    show.result(
        {"blocks": count, "out": out}, text=f"contact sheet of {count} blocks written to {out}"
    )


@command.command("table")
@click.argument("project", type=click.Path(path_type=Path), required=False)
@_OUT
@command_options
def table(project: Path | None, out: Path, show: Show) -> None:
    """The inventory of PROJECT as CSV or XLSX; an empty template without PROJECT.

    The second face of a block and further ones stand on the sheet faces, or in a second CSV beside the first.
    """
    from facademap.tasks.yard.papers import export_blocks

    count, files = export_blocks(out, folder=project)
    names = " and ".join(str(f) for f in files)
    show.result(
        {"blocks": count, "out": out, "files": files},
        text=f"{count} blocks written to {names}" if project else f"template written to {names}",
    )


@command.command("remainders")
@click.argument("project", type=click.Path(path_type=Path))
@command_options
def remainders(project: Path, show: Show) -> None:
    """Enter what sawing leaves, and what whole stones yield, as blocks to come."""
    from facademap.tasks.yard.remainders import bring_back_stone

    done = bring_back_stone(project)
    for note in done["notes"]:
        show.say(note)
    show.result(
        done,
        text=f"{done['remainders']} remainders and {done['donors']} donors to come, {done['released']} now available",
    )


@command.command("best")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("repair")
@_OUT
@command_options
def best(project: Path, repair: str, out: Path, show: Show) -> None:
    """The five faces most like the place of REPAIR, each seen in the wall (PNG)."""
    from facademap.tasks.yard.best import best_faces

    done = best_faces(project, repair, out)
    lines = [
        f"{f['face']}: distance {f['total']:.2f} = mean {f['mean']:.2f}, spread {f['spread']:.2f}, distribution "
        f"{f['distribution']:.2f}, grain {f['grain']:.2f} (each before its weight)"
        + "".join(f"; {n}" for n in f["flags"])
        for f in done["faces"]
    ]
    show.result(done, text=[*lines, f"sheet written to {out}"])


@command.command("measure")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("block")
@click.option(
    "--photo",
    type=click.Path(path_type=Path),
    required=True,
    help="Photo of the whole face, of this block only.",
)
@click.option(
    "--control",
    type=click.Path(path_type=Path),
    help="Table name,x_px,y_px,x_mm,y_mm: four or more points in the plane of the face.",
)
@click.option(
    "--camera",
    type=click.Path(path_type=Path),
    help="Camera JSON (with --control or --target-sheet).",
)
@click.option(
    "--scale",
    type=Numbers("x0,y0,x1,y1,length_mm"),
    multiple=True,
    help="A known length, for a picture taken square on to the face; twice for two lengths.",
)
@click.option(
    "--target-sheet",
    is_flag=True,
    help="Take the scale from the printed target sheet in the photo.",
)
@click.option(
    "--sheet-bar-mm",
    type=click.FloatRange(min=0, min_open=True),
    help="Length of the sheet's check bar, if it is not 100 mm.",
)
@click.option(
    "--click",
    "click_px",
    type=Numbers("x,y"),
    required=True,
    help="A place on the face, in pixels.",
)
@click.option(
    "--face", help="Face to measure again, or name of a new one; without it a new face is entered."
)
@click.option(
    "--depth-mm",
    type=click.FloatRange(min=0, min_open=True),
    help="Usable depth behind the face; needed for a new face.",
)
@click.option(
    "--bed",
    type=click.Choice(["x", "none", "parallel", "unknown"]),
    help="Natural bed as seen on the face.",
)
@click.option(
    "--bed-deg",
    type=float,
    help="Direction of the bed, counter-clockwise from the x axis of the scale.",
)
@click.option("--finish", help="Tooling of the face.")
@click.option("--weathered/--fresh", default=None, help="Whether the face is weathered.")
@click.option(
    "--wetness",
    type=click.Choice(["dry", "damp", "wet"]),
    help="State when photographed; dry if not said.",
)
@click.option(
    "--flaws",
    type=click.Path(path_type=Path),
    help="GeoJSON polygons in pixels with kind and depth_mm (left out = right through).",
)
@click.option(
    "--card",
    type=Numbers("x,y,half,L,a,b"),
    help="Grey card in the photo: middle, half its size, its CIELAB D50.",
)
@click.option(
    "--proportion",
    type=click.FloatRange(min=0, min_open=True),
    help="Width over height of a further largest rectangle.",
)
@click.option("--stone-type", help="Enter the block, if it is new, as this stone.")
@click.option(
    "--kind",
    type=click.Choice(["sedimentary", "igneous", "metamorphic", "unknown"]),
    help="Kind of rock of a new block.",
)
@click.option(
    "--block-depth-mm",
    type=click.FloatRange(min=0, min_open=True),
    help="Depth of a new block over all, for its weight.",
)
@click.option("--location", help="Where a new block lies.")
@stored_pixels_option
@table_words()
@command_options
def measure(
    project: Path,
    block: str,
    photo: Path,
    control: Path | None,
    camera: Path | None,
    scale: tuple[tuple[float, ...], ...],
    target_sheet: bool,
    sheet_bar_mm: float | None,
    click_px: tuple[float, float],
    face: str | None,
    depth_mm: float | None,
    bed: str | None,
    bed_deg: float | None,
    finish: str | None,
    weathered: bool | None,
    wetness: str | None,
    flaws: Path | None,
    card: tuple[float, ...] | None,
    proportion: float | None,
    stone_type: str | None,
    kind: str | None,
    block_depth_mm: float | None,
    location: str | None,
    stored_pixels: bool,
    show: Show,
) -> None:
    """Measure a face of BLOCK from its photo into the inventory of PROJECT.

    The outline is traced from one click; size, flaws, sound area, colour and the photo are stored in one
    step that can be undone.
    """
    from facademap.tasks.yard.face_scale import ScaleChoice
    from facademap.tasks.yard.measure import FaceNotes, GreyCard, measure_into_yard

    lengths = tuple((x0, y0, x1, y1, mm / 1000) for x0, y0, x1, y1, mm in scale)
    choice = ScaleChoice(
        control=control,
        camera=camera,
        stored_pixels=stored_pixels,
        lengths=lengths,
        sheet=target_sheet,
        sheet_bar_m=_metres(sheet_bar_mm),
    )
    notes = FaceNotes(
        depth_m=_metres(depth_mm),
        bed=bed,
        finish=finish,
        wetness=wetness,
        weathered=weathered,
        stone_type=stone_type,
        kind=kind,
        location=location,
        block_depth_m=_metres(block_depth_mm),
    )
    grey = (
        None
        if card is None
        else GreyCard(x_px=card[0], y_px=card[1], half_px=card[2], lab=(card[3], card[4], card[5]))
    )
    with show.progress("Tracing the face"):
        done = measure_into_yard(
            project,
            block,
            photo,
            click_px=click_px,
            scale=choice,
            face=face,
            notes=notes,
            flaws=flaws,
            card=grey,
            bed_deg=bed_deg,
            proportion=proportion,
        )
    for warning in done["warnings"]:
        show.say(f"note: {warning}")
    show.result(
        done,
        text=[
            f"face {done['face']} {'entered' if done['new'] else 'measured again'}: width {done['width_m'] * 1e3:.1f} mm +/- "
            f"{done['width_pm95_m'] * 1e3:.1f}, height {done['height_m'] * 1e3:.1f} mm +/- {done['height_pm95_m'] * 1e3:.1f} (95 %)",
            f"sound area {done['sound_area_m2']:.4f} m2 of {done['area_m2']:.4f} m2 +/- {done['area_pm95_m2']:.4f}",
            *_rectangle_lines(done["largest"]),
        ],
    )


@command.command("rectangles")
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--block", help="Only the faces of this block.")
@click.option(
    "--proportion",
    type=click.FloatRange(min=0, min_open=True),
    help="Width over height, for instance 1.5.",
)
@command_options
def rectangles(project: Path, block: str | None, proportion: float | None, show: Show) -> None:
    """Sound area and largest usable rectangle of every face of PROJECT."""
    from facademap.tasks.yard.rectangles import face_rectangles

    faces = face_rectangles(project, block=block, proportion=proportion)
    lines = [
        f"{f['face']}: "
        + (
            f["problem"]
            or f"sound {f['sound_area_m2']:.4f} m2; " + "; ".join(_rectangle_lines(f["largest"]))
        )
        for f in faces
    ]
    show.result({"faces": faces}, text=lines or ["no faces"])


def _metres(millimetres: float | None) -> float | None:
    return None if millimetres is None else millimetres / 1000


def _rectangle_lines(largest: dict[str, dict[str, float]]) -> list[str]:
    return [
        f"largest rectangle{'' if name == 'any' else f' of proportion {name}'}: {r['width_m'] * 1e3:.0f} x {r['height_m'] * 1e3:.0f} mm "
        f"at {r['x_m'] * 1e3:.0f}, {r['y_m'] * 1e3:.0f}"
        for name, r in largest.items()
    ]
