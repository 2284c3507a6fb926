"""``facademap shared-yard``: stone that several buildings of one database share, promised to one at a time."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]

_PROJECT = click.argument("project", type=click.Path(path_type=Path))
_WHO = click.option("--who", default="yard", show_default=True, help="Name kept in the history.")
_AT = click.option("--at", nargs=2, type=float, metavar="LON LAT", help="Where the stone lies, degrees (WGS 84).")  # fmt: skip


@click.group("shared-yard")
def command() -> None:
    """Stone that the projects of one database share. No stone is promised to two: the database holds that."""


@command.command("join")
@_PROJECT
@click.option("--building", help="Name of the building, the same in every campaign on it.")
@click.option("--at", nargs=2, type=float, metavar="LON LAT", help="Where it stands, degrees (WGS 84).")  # fmt: skip
@click.option("--rule", type=click.Choice(["first", "only", "any"]), help="Stone of its own building first, that only, or any.")  # fmt: skip
@click.option("--most-km", type=float, help="Farthest way by road.")
@click.option("--detour", type=float, help="Way by road over the distance as the crow flies (at first 1.3).")  # fmt: skip
@click.option("--haul", type=float, help="Kilogrammes to handle that a tonne over a kilometre counts as (at first 1).")  # fmt: skip
@click.option("--weight", type=float, help="With rule first, in a match of several: what a piece of another building counts more (at first 100; an unmatched piece counts 1000).")  # fmt: skip
@command_options
def join(
    project: Path,
    building: str | None,
    at: tuple[float, float] | None,
    rule: str | None,
    most_km: float | None,
    detour: float | None,
    haul: float | None,
    weight: float | None,
    show: Show,
) -> None:
    """Let PROJECT take part, or change its settings; what is not given stays. Its owner does this."""
    from facademap.tasks.yard.shared import join_shared_yard

    done = join_shared_yard(
        project, building=building, place=at, rule=rule, most_km=most_km, detour=detour, haul_kg_per_tkm=haul,
        weight=weight,
    )  # fmt: skip
    place = "place not known" if done["lon"] is None else f"at {done['lon']:g} {done['lat']:g}"
    far = "any distance" if done["most_km"] is None else f"up to {done['most_km']:g} km"
    show.result(
        done,
        text=f"{done['name']} takes part: building {done['building']} ({place}), own stone {done['rule']}, {far}, "
        f"detour {done['detour']:g}, a tonne over a kilometre counts as {done['haul_kg_per_tkm']:g} kg to handle, "
        f"a piece of another building {done['provenance_weight']:g} more",
    )


@command.command("offer")
@_PROJECT
@click.argument("blocks", nargs=-1, required=True)
@_AT
@click.option("--own-building", is_flag=True, help="Only for projects of the same building.")
@click.option("--until", type=click.DateTime(["%Y-%m-%d"]), help="The same up to this day.")
@_WHO
@command_options
def offer(
    project: Path,
    blocks: tuple[str, ...],
    at: tuple[float, float] | None,
    own_building: bool,
    until: dt.datetime | None,
    who: str,
    show: Show,
) -> None:
    """Move BLOCKS of PROJECT into the shared yard, all or none."""
    from facademap.tasks.yard.shared import offer_blocks

    done = offer_blocks(
        project, blocks, who=who, place=at, building_only=own_building, until=until.date() if until else None
    )  # fmt: skip
    show.result(done, text=f"in the shared yard: {', '.join(done['stones'])}")


@command.command("list")
@_PROJECT
@click.option("--stone", help="One stone, with all that became of it.")
@command_options
def list_stones(project: Path, stone: str | None, show: Show) -> None:
    """The stones of the yard as PROJECT sees them, the nearest at hand first."""
    from facademap.tasks.yard.shared import list_shared_yard

    found = list_shared_yard(project, stone=stone)
    lines = [_line(s) for s in found["stones"]]
    lines += [f"  {m['at']}: {m['what']} ({m['project']}, by {m['who']})" for m in found["moves"]]
    show.result(found, text=lines or "the shared yard is empty")


def _line(stone: dict[str, Any]) -> str:
    told = [stone["stone_type"], f"of {stone['building']}"]
    told.append(
        "weight not known" if stone["weight_kg"] is None else f"{stone['weight_kg']:.0f} kg"
    )
    told.append("way not known" if stone["km"] is None else f"{stone['km']:.1f} km")
    told += [] if stone["tonne_km"] is None else [f"{stone['tonne_km']:.2f} t km"]
    told += [] if stone["accepted"] else ["not accepted yet"]
    state = (
        f"promised to {stone['promised_to']} since {stone['since']}"
        if stone["promised_to"]
        else stone["forbidden"] or "free"
    )
    return f"{stone['stone']}: {', '.join(told)}; {state}"


@command.command("suggest")
@_PROJECT
@click.option("--time-limit", type=click.FloatRange(min=0.1), default=20.0, show_default=True, help="Seconds.")  # fmt: skip
@click.option("--reserve", is_flag=True, help="Reserve what it would use, all or none.")
@_WHO
@command_options
def suggest(project: Path, time_limit: float, reserve: bool, who: str, show: Show) -> None:
    """Match PROJECT with its own blocks and the yard's free stone, and say which of that it would use."""
    from facademap.tasks.yard.shared import reserve_stones
    from facademap.tasks.yard.shared_match import suggest_stones

    with show.progress("matching") as progress:
        done = suggest_stones(project, time_limit_s=time_limit, progress=progress)
    lines = [
        f"{u['repair']}: {u['stone']} of {u['building']}"
        + (", way or weight not known" if u["tonne_km"] is None else f", {u['km']:.1f} km, {u['tonne_km']:.2f} t km")
        for u in done["use"]
    ]  # fmt: skip
    lines.append(
        f"{len(done['use'])} repairs by stone of the yard, {done['own']} by own blocks, {len(done['unmatched'])} without; "
        f"free stones looked at: {done['looked_at']}, within {done['gap']:.1%} of the best"
    )
    if done["not_known_km"]:
        lines.append(f"{done['not_known_km']} of them: the way is not known and was counted as nothing")  # fmt: skip
    names = sorted({u["stone"] for u in done["use"]})
    if reserve and names:
        done["blocks"] = reserve_stones(project, names, who=who)["blocks"]
        lines.append(f"reserved: {', '.join(done['blocks'])}; match again with facademap match")
    show.result(done, text=lines)


@command.command("match")
@click.argument("projects", nargs=-1, required=True)
@click.option("--time-limit", type=click.FloatRange(min=0.1), default=60.0, show_default=True, help="Seconds.")  # fmt: skip
@click.option("--seed", type=int, default=0, show_default=True, help="Same seed, same plan.")
@click.option("--why", metavar="PROJECT:REPAIR", help="Say why this repair has its stone, and who has the others.")  # fmt: skip
@click.option("--insist", metavar="STONE", help="With --why: what the plan for all becomes with it from this stone.")  # fmt: skip
@click.option("--reserve", is_flag=True, help="Reserve the stones and store the plan of every project: in all or in none.")  # fmt: skip
@_WHO
@command_options
def match(
    projects: tuple[str, ...],
    time_limit: float,
    seed: int,
    why: str | None,
    insist: str | None,
    reserve: bool,
    who: str,
    show: Show,
) -> None:
    """Match PROJECTS at once, each with its own blocks, all with the yard's free stone; a database stands for all that take part.

    A stone goes to one project, whole. Hauling counts by the way to each building.
    """
    from facademap.tasks.yard.joint_match import match_together

    if insist and not why:
        raise click.UsageError("--insist needs --why")
    with show.progress("matching") as progress:
        done = match_together(
            projects, time_limit_s=time_limit, seed=seed, reserve_stones=reserve, why=why, insist=insist,
            who=who, progress=progress,
        )  # fmt: skip
    lines = [line for one in done["campaigns"] for line in _campaign_lines(one)]
    lines += [f"{name}: nothing to match: {reason}" for name, reason in done["without"].items()]
    proof = (
        "proved best" if done["status"] == "optimal" else f"within {done['gap']:.2%} of the best"
    )
    lines.append(
        f"the plan for all is {proof}; free stones looked at: {done['looked_at']}, {done['tonne_km']:.2f} t km"
    )
    if done["not_known_km"]:
        lines.append(f"{done['not_known_km']} of them: the way is not known and was counted as nothing")  # fmt: skip
    lines += _why_lines(done["why"]) if done["why"] else []
    lines += [
        f"{name}: reserved {', '.join(blocks)}" for name, blocks in done.get("reserved", {}).items()
    ]
    lines += [f"{name}: plan {plan}" for name, plan in done.get("plans", {}).items()]
    show.result(done, text=lines)


def _campaign_lines(one: dict[str, Any]) -> list[str]:
    lines = [
        f"{one['name']}: {len(one['use'])} repairs by stone of the yard, {one['own']} by own blocks, {len(one['unmatched'])} without"
    ]
    for used in one["use"]:
        way = (
            "way or weight not known"
            if used["tonne_km"] is None
            else f"{used['km']:.1f} km, {used['tonne_km']:.2f} t km"
        )
        lines.append(f"  {used['repair']}: {used['stone']} of {used['building']}, {way}")
    return lines + [f"  {u['repair']}: no stone ({u['reason']})" for u in one["unmatched"]]


def _why_lines(told: dict[str, Any]) -> list[str]:
    from facademap.tasks.match.explain import reasons_in_words

    lines = [f"{told['repair']}: " + (told["block"] or f"no stone ({told['reason']})")]
    for one in told["ranked"][:8]:
        others = [r for r in one["serves"] if r != told["repair"]]
        has = f"serves {', '.join(others)}" if others else "not opened" if not one["serves"] else ""
        parts = [f"looks {one['looks']:.1f}"]
        parts += [f"of another building {one['provenance']:g}"] if one["provenance"] else []
        parts += [f"opening and way {one['opening']:.1f}"]
        parts += ["chosen"] if one["chosen"] else []
        lines.append(f"  {one['block_id']}: {', '.join([*parts, *([has] if has else [])])}")
    if told["ruled_out"]:
        lines.append("  ruled out: " + "; ".join(reasons_in_words(told["ruled_out"])))
    if told["insist"]:
        found = told["insist"]
        lines.append(
            f"  from {found['block']}: the plan for all {found['more']:+.2f}, {found['placed'][1]} placed instead of {found['placed'][0]}"
        )
        lines += [
            f"    {c['repair']}: {c['first'] or 'none'} -> {c['second'] or 'none'}"
            for c in found["changes"]
            if c["repair"] != told["repair"]
        ]
    elif told["ranked"]:
        lines.append("  what a stone costs the plan for all: add --insist STONE")
    return lines


@command.command("reserve")
@_PROJECT
@click.argument("stones", nargs=-1, required=True)
@_WHO
@command_options
def reserve(project: Path, stones: tuple[str, ...], who: str, show: Show) -> None:
    """Promise STONES of the yard to PROJECT and enter them among its blocks, all or none."""
    from facademap.tasks.yard.shared import reserve_stones

    done = reserve_stones(project, stones, who=who)
    show.result(done, text=f"reserved and entered as {', '.join(done['blocks'])}")


@command.command("release")
@_PROJECT
@click.argument("blocks", nargs=-1, required=True)
@_AT
@_WHO
@command_options
def release(
    project: Path, blocks: tuple[str, ...], at: tuple[float, float] | None, who: str, show: Show
) -> None:
    """Give BLOCKS that came from the yard back to it, all or none."""
    from facademap.tasks.yard.shared import give_back

    done = give_back(project, blocks, who=who, place=at)
    show.result(done, text=f"free again: {', '.join(done['stones'])}")


@command.command("rights")
@_PROJECT
@click.argument("role")
@click.option("--may", type=click.Choice(["nothing", "read", "edit"]), required=True)
@command_options
def rights(project: Path, role: str, may: str, show: Show) -> None:
    """Let ROLE look at the yard of PROJECT's database, take part in it, or neither. The yard's owner does this."""
    from facademap.tasks.yard.shared import rights_in_shared_yard

    rights_in_shared_yard(project, role=role, may=may)
    show.result({"role": role, "may": may}, text=f"{role}: may {may} in the shared yard")
