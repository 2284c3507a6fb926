"""``facademap explain``: why this block and no other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]

MOST_LINES = 8


@click.command("explain")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("repair")
@click.option(
    "--insist",
    "block",
    metavar="BLOCK",
    help="What the whole plan becomes with the piece from this block; nothing is stored.",
)
@command_options
def command(project: Path, repair: str, block: str | None, show: Show) -> None:
    """Say why REPAIR has its block: the others in order, what rules out the rest, what insisting would cost."""
    from facademap.tasks.match.explain import explain_repair, reasons_in_words

    told = explain_repair(project, repair, block=block)
    lines = [
        f"{repair}: "
        + (f"from block {told['block']}" if told["block"] else f"no block ({told['reason']})")
    ]
    for one in told["ranked"][:MOST_LINES]:
        state = (
            "chosen"
            if one["chosen"]
            else "others would have to give way"
            if told["block"] is None
            else f"{one['insist_alone']:+.1f} if only this one moves"
        )
        opening = "open already" if one["opened_already"] else f"opening {one['opening']:.1f}"
        parts = ", ".join(
            f"{name} {value:.1f}" for name, value in one["parts"].items() if value >= 0.05
        )
        times = "" if one["priority"] == 1 else f" times priority {one['priority']:g}"
        lines.append(
            f"  {one['block_id']} ({one['face_id']}): looks {one['looks']:.1f} ({parts}){times}; {opening}; {state}"
            + (f"; {one['seen']}" if one["seen"] else "")
        )
    if len(told["ranked"]) > MOST_LINES:
        lines.append(f"  and {len(told['ranked']) - MOST_LINES} more (all with --json)")
    if told["ruled_out"]:
        lines.append("  ruled out: " + "; ".join(reasons_in_words(told["ruled_out"])))
    lines += (
        _insisted(told["insist"])
        if told["insist"] is not None
        else ["  what a block costs in the whole plan: add --insist BLOCK"]
    )
    show.result(told, text=lines)


def _insisted(found: dict[str, Any]) -> list[str]:
    lines = [
        f"from {found['block']}: the whole plan {found['more']:+.2f} (looks {found['more_looks']:+.2f}, stone opened "
        f"{found['more_opened_dm3']:+.1f} dm3), {found['placed'][1]} placed instead of {found['placed'][0]}"
    ]
    for change in found["changes"]:
        if change["repair"] != found["repair"]:
            lines.append(
                f"  {change['repair']}: {change['first'] or 'none'} -> {change['second'] or 'none'}"
            )
    return lines
