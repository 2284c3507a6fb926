"""``facademap match``: assign a block to every piece, and say why."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("match")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--time-limit-s",
    type=click.FloatRange(min=0.1),
    default=20.0,
    show_default=True,
    help="Stop after this time.",
)
@click.option(
    "--work-limit",
    type=click.IntRange(min=1),
    help="Stop after this much work, the same on every machine.",
)
@click.option("--seed", type=int, default=0, show_default=True, help="Same seed, same plan.")
@click.option(
    "--again",
    is_flag=True,
    help="Go on from the current plan: only what your changes touch moves, in seconds.",
)
@click.option(
    "--donors",
    is_flag=True,
    help="Also use stone that comes out of the wall with another repair, which then goes first.",
)
@command_options
def command(
    project: Path,
    time_limit_s: float,
    work_limit: int | None,
    seed: int,
    again: bool,
    donors: bool,
    show: Show,
) -> None:
    """Assign a block to every piece of PROJECT, and say why where there is none."""
    from facademap.tasks.match.match import match_project
    from facademap.units import least_mm

    with show.progress("matching") as progress:
        result = match_project(
            project,
            time_limit_s=time_limit_s,
            work_limit=work_limit,
            seed=seed,
            again=again,
            donors=donors,
            progress=progress,
        )
    proof = (
        "proved best"
        if result["status"] == "optimal"
        else "how near the best is not known; match without --again for a proof"
        if result["gap"] is None
        else f"at most {result['gap']:.2%} from the best"
    )
    lines = [
        f"{result['matched']} pieces matched ({proof}), mean colour difference {result['mean_de00']:.2f} (CIEDE2000)"
    ]
    if again:
        changed = result["changed"]
        lines.append(
            f"{result['kept']} repairs stay as they were"
            + (f", changed: {', '.join(changed)}" if changed else "")
        )
    lines += [
        f"  {u['repair']}: no block ({u['reason']}); look for {' x '.join(str(least_mm(s / 1000)) for s in u['source_mm'])} mm"
        for u in result["unmatched"]
    ]
    lines += [
        f"  {repair}: its stone comes out with {donor}, which goes first"
        for repair, donor in result["waits"].items()
    ]
    lines += [f"  {block} is not used: {why}" for block, why in result["unused"].items() if donors]
    lines += [
        f"  {u['repair']}: no longer takes the stone that comes out with {u['with']} ({u['block']}): {u['why']}"
        for u in result["let_go"]
    ]
    lines += [
        f"  {repair}: {problem}; {remedy[:1].lower()}{remedy[1:]}"
        for repair, problem, remedy in result["wall_faults"]
    ]
    for name, reason in result["left_out"].items():
        show.detail(f"left out: {name}: {reason}")
    show.result(result, text=lines)
