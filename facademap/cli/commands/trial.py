"""``facademap trial``: panels and samples before a treatment, and who approved them."""

from __future__ import annotations

from typing import Any

import click

from facademap.cli.show import Show, command_options

_KINDS = ("cleaning panel", "consolidation panel", "mortar sample", "mock-up", "other")
_SOILINGS = ("crust", "soiling", "salts", "growth", "plant", "graffiti")
_TREATMENTS = ("clean", "consolidate", "mortar repair", "repoint", "crack repair", "inset")


@click.command("trial")
@click.argument("project", type=click.Path())
@click.argument("trial", required=False)
@click.option("--kind", type=click.Choice(_KINDS), help="What was made.")
@click.option("--for", "treatment", type=click.Choice(_TREATMENTS), help="Treatment it is for.")
@click.option("--stone", "stone_type", help="Local name of the stone it was made on.")
@click.option("--soiling", type=click.Choice(_SOILINGS), help="What lay on it, for cleaning.")
@click.option("--wall-stone", help="Id of the wall stone it lies on.")
@click.option("--place", help="Where, in words.")
@click.option("--method", help="What was done, with what, for how long, how often.")
@click.option("--mix", help="Mix of a mortar sample, by its name.")
@click.option(
    "--colour-before", nargs=3, type=float, help="CIELAB before, or of the stone beside, dry."
)
@click.option("--colour-dry", nargs=3, type=float, help="CIELAB after, dry.")
@click.option("--colour-wet", nargs=3, type=float, help="CIELAB after, wet.")
@click.option("--measured", help="What else was measured, each with its unit.")
@click.option("--on", help="Day it was made, or decided: YYYY-MM-DD.")
@click.option("--photo-before", help="Id of a photo.")
@click.option("--photo-after", help="Id of a photo, dry.")
@click.option("--uptake-l-per-m2", type=float, help="What the stone took in.")
@click.option("--approve", "result", flag_value="approved", help="It may be followed.")
@click.option("--refuse", "result", flag_value="refused", help="It may not.")
@click.option("--take-back", "result", flag_value="open", help="The decision is taken back.")
@click.option("--by", default="", help="Who decided.")
@click.option("--finding", help="What it showed; a refusal needs it.")
@command_options
def command(
    project: str,
    trial: str | None,
    kind: str | None,
    treatment: str | None,
    on: str | None,
    uptake_l_per_m2: float | None,
    result: str | None,
    by: str,
    finding: str | None,
    show: Show,
    **told: Any,
) -> None:
    """Enter a trial on PROJECT, decide on TRIAL, or list all.

    Cleaning, consolidation and mortar repairs wait for an approved trial on the same kind of stone.
    """
    from facademap.errors import InputError
    from facademap.tasks.record.trials import add_to_trial, decide_trial, list_trials, make_trial

    uptake = None if uptake_l_per_m2 is None else uptake_l_per_m2 / 1000
    told = {k: list(v) if isinstance(v, tuple) else v for k, v in told.items()}

    if trial is not None:
        if kind is not None or treatment is not None:
            raise InputError(
                f"trial {trial} has its kind and treatment",
                "Leave --kind and --for out, or enter a new trial.",
            )
        later = {**told, "uptake_m3_per_m2": uptake}
        given = [k for k, v in later.items() if v is not None]
        if result is not None and given:
            raise InputError(
                f"{trial} is decided on and added to at once",
                f"Add {', '.join(given)} first, then decide.",
            )
        row = (
            add_to_trial(project, trial, finding=finding, **later)
            if result is None
            else decide_trial(project, trial, result, by=by, on=on, finding=finding)
        )
    elif kind is not None or treatment is not None:
        if kind is None or treatment is None:
            raise InputError(
                "a trial needs its kind and its treatment", "Give both --kind and --for."
            )
        row = make_trial(
            project,
            kind=kind,
            treatment=treatment,
            made_on=on,
            finding=finding,
            uptake_m3_per_m2=uptake,
            **told,
        )
    else:
        rows = list_trials(project)
        show.result({"trials": rows}, text=[_line(r) for r in rows] or "no trial has been entered")
        return
    show.result(row, text=_line(row))


def _line(row: dict[str, Any]) -> str:
    colour = (
        ""
        if row["colour_change"] is None
        else f", colour {row['colour_change']:.1f} CIEDE2000 from before"
    )
    decided = (
        f"{row['result']} by {row['approved_by']} on {row['approved_on']}"
        if row["approved_by"]
        else str(row["result"])
    )
    return f"{row['id']}: {row['kind']} for {row['treatment']} on {row['stone_type']}: {decided}{colour}"
