"""``facademap solve``: the matching on numbers alone."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]

DEFAULT_TIME_LIMIT_S = 60.0


@click.command("solve")
@click.argument("problem", type=click.Path())
@click.option("--out", required=True, type=click.Path(), help="The solution to write (JSON).")
@click.option(
    "--time-limit-s",
    type=float,
    default=None,
    help=f"Stop after so many seconds (default {DEFAULT_TIME_LIMIT_S:g} when no work limit is given).",
)
@click.option(
    "--work-limit",
    type=int,
    default=None,
    help="Stop after so many units of work; the same plan on every machine.",
)
@click.option("--seed", type=int, default=0, show_default=True, help="Start of the random numbers.")
@click.option(
    "--threads",
    type=click.IntRange(1),
    default=None,
    help="Faces looked at side by side (default: the cores of the machine, four at most); "
    "the plan does not depend on it unless the clock ends the run.",
)
@click.option(
    "--again",
    type=click.Path(),
    metavar="SOLUTION",
    help="Go on from the solution of an earlier problem: only what has changed since is matched again.",
)
@click.option(
    "--was",
    type=click.Path(),
    metavar="PROBLEM",
    help="That earlier problem, so that what was proved then can be used.",
)
@command_options
def command(
    problem: str,
    out: str,
    time_limit_s: float | None,
    work_limit: int | None,
    seed: int,
    threads: int | None,
    again: str | None,
    was: str | None,
    *,
    show: Show,
) -> None:
    """Match repairs to blocks: PROBLEM is a JSON file, lengths in mm.

    Says which piece comes from which block, where on it and sawn how, and how far the plan can be
    from the best one.
    """
    from facademap.match import Progress
    from facademap.tasks.match.solve import solve_file

    if time_limit_s is None and work_limit is None:
        time_limit_s = DEFAULT_TIME_LIMIT_S
    last = [""]

    with show.progress("matching") as bar:

        def told(state: Progress) -> None:
            bar(state.fraction)
            line = f"{state.phase}: " + (
                f"plan {state.objective:.1f}" if state.objective is not None else "no plan yet"
            )
            if state.bound is not None:
                line += f", bound {state.bound:.1f}"
            if line != last[0]:
                last[0] = line
                show.detail(line)

        solution = solve_file(
            problem,
            out,
            time_limit_s=time_limit_s,
            work_limit=work_limit,
            seed=seed,
            threads=threads,
            earlier_path=again,
            earlier_problem_path=was,
            progress=told,
        )
    quality = solution.quality
    values = {
        "out": out,
        "status": solution.status,
        "objective": solution.objective,
        "bound": solution.bound,
        "gap": solution.gap,
        "seconds": solution.seconds,
        "seed": solution.seed,
        "ended_by": solution.ended_by,
        "matched": len(solution.placements),
        "unmatched": len(solution.unmatched),
    }
    lines = [
        f"{len(solution.placements)} pieces placed, {len(solution.unmatched)} repairs unmatched "
        f"({solution.status}, ended by {solution.ended_by}, {solution.seconds:.1f} s)",
        f"objective {solution.objective:.3f}, at least {solution.bound:.3f}: gap {100 * solution.gap:.4f} %",
    ]
    if quality is not None:
        values |= {name: getattr(quality, name) for name in quality.__dataclass_fields__}
        proved = (
            "is proved best"
            if quality.placed_proved
            else (
                f"is not proved (at least {quality.unmatched_priority_bound:g} must stay unmatched)"
            )
        )
        lines += [
            f"unmatched priority {quality.unmatched_priority:g} {proved}",
            f"gap with that held fixed {100 * quality.gap_fixed_count:.4f} %, "
            f"without the unavoidable penalties {100 * quality.gap_avoidable:.4f} %",
            f"looks {quality.visual:.2f}, opening {quality.opening:.2f} ({quality.opened_dm3:.1f} dm3)",
        ]
    show.result(values, text=lines)
