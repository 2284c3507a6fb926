"""``facademap plans``: the plans of the matching, and two of them side by side."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("plans")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("first", required=False)
@click.argument("second", required=False)
@click.option("--name", metavar="NAME", help="Call plan FIRST so.")
@click.option("--keep/--let-go", default=None, help="Keep plan FIRST beside the one in force.")
@click.option("--keep-now", metavar="NAME", help="Keep what is placed now as a plan of its own.")
@click.option("--choose", is_flag=True, help="Put plan FIRST in force again.")
@click.option("--undo", is_flag=True, help="Take the last matching or choice back as a whole.")
@command_options
def command(
    project: Path,
    first: str | None,
    second: str | None,
    name: str | None,
    keep: bool | None,
    keep_now: str | None,
    choose: bool,
    undo: bool,
    show: Show,
) -> None:
    """List the matching plans of PROJECT, or set FIRST beside SECOND (the current plan when left out)."""
    from facademap.tasks.match.matching_plans import compare_in_project, list_plans
    from facademap.tasks.match.plan_acts import act_on_plans

    if any((name is not None, keep is not None, keep_now is not None, choose, undo)):
        done = act_on_plans(
            project, first, name=name, keep=keep, keep_now_as=keep_now, choose=choose, undo=undo
        )
        show.result({"done": done}, text=[d["text"] for d in done])
        return
    if first is None:
        plans = list_plans(project)
        show.result(
            {"plans": plans},
            text=[
                f"{p['id']}{' ' + p['name'] if p['name'] else ''}{' (now)' if p['current'] else ''}: {p['matched']} of {p['matched'] + p['unmatched']} matched, "
                + (
                    "proved best"
                    if p["status"] == "optimal"
                    else "not proved"
                    if p["gap"] is None
                    else f"at most {p['gap']:.2%} from the best"
                )
                + f", {p['made_at']}"
                for p in plans
            ]
            or ["no plan yet: facademap match makes one"],
        )
        return
    found = compare_in_project(project, first, second)
    names = found["plans"]
    lines = [f"{names[0]} -> {names[1]}"]
    lines += [
        f"  {what}: {found[key][0]:.{digits}f} -> {found[key][1]:.{digits}f}"
        for what, key, digits in (
            ("pieces placed", "placed", 0),
            ("looks, smaller is better", "visual", 1),
            ("stone opened, dm3", "opened_dm3", 0),
            ("blocks opened", "opened_blocks", 0),
        )
    ]
    lines += [
        f"  {c['repair']}: {c['what']}, {c['first']['block'] or 'none'} -> {c['second']['block'] or 'none'}"
        for c in found["changes"]
    ]
    show.result(
        found,
        text=[*lines, f"  {found['same']} repairs are the same", f"  {found['verdict']['text']}"],
    )
