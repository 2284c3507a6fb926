"""``facademap schedule``: which repair on which day."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="schedule")
@click.argument("project", type=click.Path())
@click.option("--start", required=True, help="First day, YYYY-MM-DD.")
@click.option(
    "--crews",
    type=click.IntRange(1, 100),
    default=1,
    show_default=True,
    help="Crews at the same time.",
)
@click.option(
    "--by-crew",
    is_flag=True,
    help="By the crews of the project (facademap crews), their skills and days.",
)
@click.option(
    "--work-rates",
    type=click.Path(path_type=Path),
    help="Rates of your own, made by facademap crews --rates.",
)
@click.option("--weekend", is_flag=True, help="Work on Saturdays and Sundays too.")
@click.option(
    "--day-off", "days_off", multiple=True, help="Holiday, YYYY-MM-DD; may be given more than once."
)
@click.option(
    "--time-limit-s",
    type=click.FloatRange(0.1),
    default=10.0,
    show_default=True,
    help="Time for the exact model.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Folder for programme.html, programme.csv and day-list.csv.",
)
@command_options
def command(
    project: str,
    start: str,
    crews: int,
    by_crew: bool,
    work_rates: Path | None,
    weekend: bool,
    days_off: tuple[str, ...],
    time_limit_s: float,
    out: Path | None,
    show: Show,
) -> None:
    """Set the repairs in sequence: top lift first, donors first, neighbours never out together, curing kept."""
    from facademap.tasks.record.schedule import schedule_project

    result = schedule_project(
        project,
        start=_day(start),
        crews=crews,
        weekend=weekend,
        days_off=[_day(d) for d in days_off],
        time_limit_s=time_limit_s,
        by_crew=by_crew,
        work_rates=work_rates,
        out=out,
    )
    if by_crew:
        _show_crews(result, show)
        return
    first = dt.date.fromisoformat(result["start"])
    proof = (
        "proved shortest"
        if result["status"] == "optimal"
        else f"at most {result['gap']:.0%} longer than the shortest possible"
    )
    lines = [
        f"{result['repairs']} repairs in {result['jobs']} jobs, {crews} crew{'s' if crews > 1 else ''}: {result['length_days']} days, {proof}"
    ]
    hours = result["hours"]
    lines.append(
        f"{hours['likely']:.0f} hours of a crew, between {hours['low']:.0f} and {hours['high']:.0f} ({hours['source']})"
    )
    scale = max(1, -(-result["length_days"] // 60))
    for bar in result["bars"][: None if show.verbose else 40]:
        a, b, c = ((dt.date.fromisoformat(bar[k]) - first).days for k in ("start", "end", "cured"))
        chart = " " * (a // scale) + "#" * max(1, (b - a + 1) // scale) + "." * ((c - b) // scale)
        lines.append(
            f"{bar['repair']:<8} {bar['surface']:<10.10} lift {bar['lift']} bay {bar['bay']:<3} {bar['start']} |{chart}"
        )
    if len(result["bars"]) > 40 and not show.verbose:
        lines.append(f"and {len(result['bars']) - 40} more; -v shows all")
    lines.append(
        "# work, . curing. Propping, access and lifting are designed by competent persons before work begins."
    )
    for cold in result["cold"] if show.verbose else result["cold"][:3]:
        show.say(f"cold: {cold['repair']}: {cold['what']}")
    waiting = [x["repair"] for x in result["left_out"] if "no stone" in x["why"]]
    if waiting:
        show.say(f"no date, since no stone is found yet: {', '.join(waiting)}")
    if out is not None:
        show.say(
            f"written: {out / 'programme.html'}, {out / 'programme.csv'}, {out / 'day-list.csv'}"
        )
    show.result(result, text=lines)


def _show_crews(result: dict[str, Any], show: Show) -> None:
    """The day list of every crew."""
    lines = [f"{result['repairs']} repairs, the last on {result['last_day']}"]
    for name, told in result["crews"].items():
        lines.append(f"{name}: {told['days']} days, {told['hours_likely']:.0f} likely hours")
    listed = result["days"] if show.verbose else result["days"][:40]
    lines += [
        f"{d['day']} {d['crew']}: {d['repair']} {d['treatment']}, {d['surface']} lift {d['lift']} bay {d['bay']}"
        for d in listed
    ]
    if len(listed) < len(result["days"]):
        lines.append(f"and {len(result['days']) - len(listed)} more; -v shows all")
    for x in result["left_out"]:
        if "no crew" in x["why"] or "waits for work" in x["why"]:
            show.say(f"no date: {x['repair']}: {x['why']}")
    show.result(result, text=lines)


def _day(text: str) -> dt.date:
    from facademap.errors import InputError

    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text!r} is no date", "Write it as YYYY-MM-DD.") from None
