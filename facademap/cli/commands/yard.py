"""``facademap yard``: papers and tables of the stone yard."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]

_PAPER = click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
_OUT = click.option("--out", type=click.Path(path_type=Path), required=True, help="File to write.")


@click.group("yard")
def command() -> None:
    """Labels, contact sheet, target sheet and inventory of salvaged blocks."""


@command.command("target-sheet")
@_PAPER
@_OUT
@command_options
def target_sheet(paper: str, out: Path, show: Show) -> None:
    """Print this sheet and lay it on a face before photographing it: it gives the scale."""
    from facademap.tasks.yard_papers import target_sheet as write

    write(out, paper=paper)
    show.result({"out": out, "paper": paper}, text=f"target sheet written to {out}; print it at 100 %")


@command.command("labels")
@click.argument("project", type=click.Path(path_type=Path))
@_PAPER
@_OUT
@command_options
def labels(project: Path, paper: str, out: Path, show: Show) -> None:
    """Labels with QR codes for the blocks of PROJECT."""
    from facademap.tasks.yard_papers import yard_paper

    count = yard_paper(project, out, what="labels", paper=paper)
    show.result({"blocks": count, "out": out}, text=f"labels of {count} blocks written to {out}")


@command.command("contact-sheet")
@click.argument("project", type=click.Path(path_type=Path))
@_PAPER
@_OUT
@command_options
def contact_sheet(project: Path, paper: str, out: Path, show: Show) -> None:
    """Pictures, colours and sizes of the blocks of PROJECT."""
    from facademap.tasks.yard_papers import yard_paper

    count = yard_paper(project, out, what="contact sheet", paper=paper)
    show.result({"blocks": count, "out": out}, text=f"contact sheet of {count} blocks written to {out}")


@command.command("table")
@click.argument("project", type=click.Path(path_type=Path), required=False)
@_OUT
@command_options
def table(project: Path | None, out: Path, show: Show) -> None:
    """The inventory of PROJECT as CSV or XLSX; an empty template without PROJECT."""
    from facademap.tasks.yard_papers import export_blocks

    count = export_blocks(out, folder=project)
    show.result({"blocks": count, "out": out}, text=f"{count} blocks written to {out}" if project else f"template written to {out}")


@command.command("remainders")
@click.argument("project", type=click.Path(path_type=Path))
@command_options
def remainders(project: Path, show: Show) -> None:
    """Enter what sawing leaves, and what whole stones yield, as blocks to come."""
    from facademap.tasks.yard_remainders import bring_back_stone

    done = bring_back_stone(project)
    for note in done["notes"]:
        show.say(note)
    show.result(done, text=f"{done['remainders']} remainders and {done['donors']} donors to come, {done['released']} now available")


@command.command("best")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("repair")
@_OUT
@command_options
def best(project: Path, repair: str, out: Path, show: Show) -> None:
    """The five faces most like the place of REPAIR, each seen in the wall (PNG)."""
    from facademap.tasks.yard_best import best_faces

    done = best_faces(project, repair, out)
    lines = [f"{f['face']}: distance {f['total']:.2f} = mean {f['mean']:.2f}, spread {f['spread']:.2f}, distribution "
             f"{f['distribution']:.2f}, grain {f['grain']:.2f} (each before its weight)" + "".join(f"; {n}" for n in f["flags"])
             for f in done["faces"]]
    show.result(done, text=[*lines, f"sheet written to {out}"])
