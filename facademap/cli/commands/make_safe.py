"""``facademap make-safe``: what may fall, the most pressing first."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="make-safe")
@click.argument("project", type=click.Path())
@command_options
def command(project: str, show: Show) -> None:
    """List loose and parted stone that needs making safe now, whatever repair follows."""
    from facademap.tasks.plan.plan import make_safe_of_project

    rows = make_safe_of_project(project)
    lines = [
        f"{r['condition']}: {r['term']} in {r['wall_stone'] or 'no stone'}, {r['surface']} at {r['u_m']:.2f} / {r['height_m']:.2f} m. {r['action']}"
        for r in rows
    ]
    show.result(
        {"count": len(rows), "items": rows},
        text=lines or "nothing unsafe is recorded; a list is no inspection",
    )
