"""``facademap deformation``: bulge, lean and steps of walls by their relief, for an engineer to judge."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

_FILE = click.Path(path_type=Path)


@click.command("deformation")
@click.argument("project", type=_FILE)
@click.option("--surface", help="One surface; default: every one that keeps a relief.")
@click.option("--bulge-mm", type=float, help="Limit of a bulge about the plane of the wall.")
@click.option("--lean-mm-m", type=float, help="Limit of the lean, mm a metre.")
@click.option("--step-mm", type=float, help="Limit of the step between neighbouring stones.")
@click.option("--table", "table_out", type=_FILE, help="Table to write (CSV).")
@click.option(
    "--store",
    is_flag=True,
    help="Propose a condition of the highest urgency for each, and keep the limits.",
)
@click.option("--who", default="surveyor", show_default=True, help="Who stores.")
@command_options
def command(
    project: Path,
    surface: str | None,
    bulge_mm: float | None,
    lean_mm_m: float | None,
    step_mm: float | None,
    table_out: Path | None,
    store: bool,
    who: str,
    show: Show,
) -> None:
    """Say how the walls of PROJECT stand: bulges, lean, and stones that step out, beyond limits that you set.

    The limits are starting values of ours, taken from no code of practice. What is found is for a structural engineer.
    """
    from facademap.errors import InputError
    from facademap.tasks.survey.deformation import CAUTION, look_at_deformation

    given = {"bulge_m": bulge_mm, "lean_m_m": lean_mm_m, "step_m": step_mm}
    for name, value in given.items():
        if value is not None and not 0 < value < 1000:
            raise InputError(
                f"a limit of {value:g} mm ({name[:-2]})", "Give one above 0 and below 1000."
            )
    limits = {name: value / 1000 for name, value in given.items() if value is not None}
    warnings: list[str] = []
    found = look_at_deformation(
        project,
        surface=surface,
        limits=limits,
        table=table_out,
        store=store,
        who=who,
        warnings=warnings,
    )
    for warning in warnings:
        show.say(f"note: {warning}")
    lines, told = [], {}
    for name, one in found.items():
        if one is None:
            lines.append(f"{name}: too little of the relief is known")
            continue
        way = "out" if one.lean_m_m > 0 else "back"
        lines.append(
            f"{name}: leans {way} by {abs(one.lean_m_m) * 1000:.1f} ± {one.lean_plus_minus_95_m_m * 1000:.1f} mm a metre"
            + (" - BEYOND THE LIMIT" if one.leans else "")
        )
        for bulge in one.bulges:
            side = "out" if bulge.most_m > 0 else "in"
            at = bulge.outline.representative_point()
            lines.append(
                f"{name}: bulges {side} by {abs(bulge.most_m) * 1000:.0f} ± {bulge.plus_minus_95_m * 1000:.0f} mm over "
                f"{bulge.outline.area:.2f} m2 about u {at.x:.2f}, v {at.y:.2f} m"
            )
        lines += [
            f"{name}: {s.out} stands {s.step_m * 1000:.0f} ± {s.plus_minus_95_m * 1000:.0f} mm before {s.back}"
            for s in one.steps
        ]
        told[name] = {
            "lean_m_m": one.lean_m_m,
            "lean_plus_minus_95_m_m": one.lean_plus_minus_95_m_m,
            "leans": one.leans,
            "bulges": [
                {
                    "most_m": b.most_m,
                    "plus_minus_95_m": b.plus_minus_95_m,
                    "area_m2": b.outline.area,
                }
                for b in one.bulges
            ],
            "steps": [
                {
                    "out": s.out,
                    "back": s.back,
                    "step_m": s.step_m,
                    "plus_minus_95_m": s.plus_minus_95_m,
                }
                for s in one.steps
            ],
        }
    show.say(f"caution: {CAUTION}")
    show.result({"surfaces": told, "caution": CAUTION, "warnings": warnings}, text=lines)
