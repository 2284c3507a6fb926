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
@command_options
def command(project: Path, first: str | None, second: str | None, show: Show) -> None:
    """List the matching plans of PROJECT, or set FIRST beside SECOND (the current plan when left out)."""
    from facademap.tasks.match.matching_plans import compare_in_project, list_plans

    if first is None:
        plans = list_plans(project)
        show.result(
            {"plans": plans},
            text=[
                f"{p['id']}{' (now)' if p['current'] else ''}: {p['matched']} of {p['matched'] + p['unmatched']} matched, "
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
    show.result(found, text=[*lines, f"  {found['same']} repairs are the same"])
