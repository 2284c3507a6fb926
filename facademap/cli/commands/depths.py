"""``facademap depths``: how deep every condition is, by the relief of its surface."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from facademap.cli.show import Show, command_options

_FILE = click.Path(path_type=Path)


@click.command("depths")
@click.argument("project", type=_FILE)
@click.option(
    "--relief", type=_FILE, help="Relief (GeoTIFF). Default: what a scan left with each surface."
)
@click.option("--surface", help="Surface of that relief, where there are several.")
@click.option("--out", type=_FILE, help="Table to write (CSV).")
@click.option("--store", is_flag=True, help="Keep the measurements as proposals of the record.")
@click.option(
    "--losses-mm",
    type=float,
    help="With --store: propose an outline for each place deeper than this that has none.",
)
@click.option(
    "--confirm",
    "confirmed",
    multiple=True,
    metavar="ID",
    help="Condition whose measured depth is right.",
)
@click.option("--confirm-all", is_flag=True, help="Confirm every measured depth that waits.")
@click.option("--who", default="surveyor", show_default=True, help="Who stores or confirms.")
@command_options
def command(
    project: Path,
    relief: Path | None,
    surface: str | None,
    out: Path | None,
    store: bool,
    losses_mm: float | None,
    confirmed: tuple[str, ...],
    confirm_all: bool,
    who: str,
    show: Show,
) -> None:
    """Measure the depth of every drawn condition of PROJECT below the sound face round it.

    With --store the measurements are kept beside their conditions, and how each wall stone lies with its stone. A depth
    enters the record when a person confirms it, here or on the desk; the cut-out then goes below it. Typed depths that
    cannot be right are named.
    """
    from facademap.errors import InputError
    from facademap.relief.losses import LossRules
    from facademap.tasks.survey.depths import confirm_depths, measure_depths

    if confirmed or confirm_all:
        if confirmed and confirm_all:
            raise InputError("--confirm and --confirm-all together", "Give one of them.")
        if relief or out or store or losses_mm is not None:
            raise InputError(
                "confirming measures nothing",
                "Give --confirm or --confirm-all without --relief, --out and --store.",
            )
        taken = confirm_depths(project, confirmed or None, who=who)
        show.result(
            {"confirmed": dict(taken)},
            text=[
                f"{id}: {depth * 1000:.0f} mm deep, measured and confirmed" for id, depth in taken
            ]
            or "no measured depth waits",
        )
        return
    if losses_mm is not None and not (store and 0 < losses_mm < 1000):
        raise InputError(
            f"--losses-mm {losses_mm:g} cannot be used", "Give a depth above 0 mm, with --store."
        )
    done = measure_depths(
        project,
        relief=relief,
        surface=surface,
        out=out,
        store=store,
        losses=None if losses_mm is None else LossRules(least_depth_m=losses_mm / 1000),
        who=who,
    )
    for warning in done.warnings:
        show.say(f"note: {warning}")
    lines = [
        f"{d.condition} {d.term}: "
        + (
            "not known"
            if d.measured is None
            else f"{d.measured.mean_m * 1000:.1f} ± {d.measured.plus_minus_95_m * 1000:.1f} mm in the mean, "
            f"{d.measured.deepest_m * 1000:.1f} mm deepest, {d.measured.volume_m3 * 1000:.3f} L, "
            f"{d.measured.known_share:.0%} known"
            + ("" if d.typed_m is None else f"; typed {d.typed_m * 1000:.0f} mm")
            + (" - DISAGREES" if d.disagrees else "")
        )
        for d in done.depths
    ]
    lines += [f"{id}: proposed, lies deeper than its stone" for id in done.losses]
    if store:
        lines.append(f"{done.stored} measurements stored; a person confirms each depth")
    show.result(
        {
            "depths": [asdict(d) for d in done.depths],
            "faces": {stone: asdict(face) for stone, face in done.faces},
            "losses": list(done.losses),
            "stored": done.stored,
            "warnings": list(done.warnings),
        },
        text=lines or "no outline of a condition lies on a surface with a relief",
    )
