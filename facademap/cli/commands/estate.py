"""``facademap estate``: the figures of many buildings side by side, what to do first, and a page of it all."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options


@click.command("estate")
@click.argument("projects", nargs=-1, required=True)
@click.option("--building", "buildings", multiple=True, help="Only elevations of this building.")
@click.option("--rates", type=click.Path(path_type=Path), help="Rates of the office (TOML), as for papers.")  # fmt: skip
@click.option("--budget", type=float, help="Choose what to do first for this amount, in the currency of the rates.")  # fmt: skip
@click.option("--most-stone-l", type=float, help="With --budget: no more original stone is taken out, litres.")  # fmt: skip
@click.option("--scaffold", type=float, default=0.0, show_default=True, help="With --budget: what getting at one elevation costs.")  # fmt: skip
@click.option("--weights", default="0,1,3,9", show_default=True, help="With --budget: what urgency classes 0 to 3 count.")  # fmt: skip
@click.option("--out", type=click.Path(path_type=Path), help="Page to write (HTML, opens without a network).")  # fmt: skip
@click.option("--maps", "with_maps", is_flag=True, help="With --out: the condition maps of all projects too, in a folder beside the page.")  # fmt: skip
@command_options
def command(
    projects: tuple[str, ...],
    buildings: tuple[str, ...],
    rates: Path | None,
    budget: float | None,
    most_stone_l: float | None,
    scaffold: float,
    weights: str,
    out: Path | None,
    with_maps: bool,
    show: Show,
) -> int:
    """Count over PROJECTS: folders, addresses of projects, or of a database for all that are in it.

    A project that cannot be read, or is a copy of another, is named, is in no figure, and makes the exit code 1.
    """
    from facademap.tasks.project.estate_page import make_estate

    if budget is not None and rates is None:
        raise click.UsageError("--budget needs prices: give --rates too")
    with show.progress("counting") as progress:
        found = make_estate(
            projects, buildings=buildings, rates=rates, budget=budget, weights=weights, scaffold=scaffold,
            most_stone_m3=None if most_stone_l is None else most_stone_l / 1000.0, out=out, with_maps=with_maps,
            progress=progress,
        )  # fmt: skip
    currency = found["currency"]
    lines = [_line(f["name"], f, currency) for f in found["projects"]]
    if len(found["projects"]) > 1:
        lines.append(_line(f"all {len(found['projects'])}", found["total"], currency))
    lines += _first(found["first"], currency) if found["first"] is not None else []
    lines += [
        f"not counted: {u['project']}: {u['problem']}; fix: {u['remedy']}" for u in found["unread"]
    ]
    lines += [f"missing on the maps: {words}" for words in found["missing"]]
    lines += [f"page written to {out}"] if out else []
    show.result(found, text=lines)
    return 1 if found["unread"] else 0


def _line(name: str, figures: dict[str, Any], currency: str | None) -> str:
    classes = ", ".join(f"{n} {c}" for c, n in figures["classes"].items() if n)
    stages = ", ".join(f"{n} {stage}" for stage, n in figures["stages"].items())
    untold = (
        f", {figures['stone_not_told']} repairs do not say" if figures["stone_not_told"] else ""
    )
    cost = ""
    if "cost" in figures:
        low, likely, high = figures["cost"]
        cost = f"; {likely:.0f} {currency} ({low:.0f} to {high:.0f})"
        cost += f", {figures['without_price']} without price" if figures["without_price"] else ""
    return (
        f"{name}: {figures['conditions']} conditions ({classes or 'none'}); {figures['repairs']} repairs ({stages or 'none'}), "
        f"{figures['done']} of {figures['to_do']} done; "
        f"{figures['stone_taken_m3'] * 1000:.1f} litres of stone to be taken out{untold}; {figures['due_now']} looks due{cost}"
    )


def _first(choice: dict[str, Any], currency: str | None) -> list[str]:
    proof = (
        "nothing better is possible"
        if choice["proved"]
        else f"at most {choice['bound']:g} possible"
    )
    lines = [
        f"first, for {choice['cost']:.0f} of {choice['budget']:.0f} {currency}: {len(choice['do'])} conditions, {choice['repairs']} repairs, "
        f"counting {choice['weight']:g} ({proof})"
    ]
    lines += [
        f"  {c['building']}, {c['elevation']}: {c['condition']} (UC{c['urgency']}, {', '.join(c['repairs'])})"
        for c in choice["do"]
    ]
    lines += [
        f"  not {c['building']} {c['condition']} (UC{c['urgency']}, {c['costs']:.0f}): {c['why']}"
        + (f" by {c['less']:g}" if c["less"] else "")
        for c in choice["left"][:10]
    ]
    lines += [
        f"  and {n} more: see the page or --json" for n in [len(choice["left"]) - 10] if n > 0
    ]
    lines += [
        f"  {n} conditions that no money answers now: see the page or --json"
        for n in [len(choice["cannot"])]
        if n
    ]
    return lines
