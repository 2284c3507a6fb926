"""``facademap audit``: who saw and changed what at the desks of a project in a database."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--who", "name", default="", help="Of this person alone.")
@click.option(
    "--act",
    type=click.Choice(
        ["see", "change", "sign in", "sign out", "accept invitation", "end session", "invite", "change role", "remove"]
    ),
    default=None,
    help="Only this kind.",
)  # fmt: skip
@click.option("--about", default="", help="Only what holds this text: a table, a surface, a paper.")
@click.option("--since", type=click.DateTime(), help="From then on, UTC.")
@click.option("--until", type=click.DateTime(), help="Before then, UTC.")
@click.option("--last", type=click.IntRange(1, 1_000_000), default=200, show_default=True)
@click.option("--out", type=click.Path(path_type=Path), help="Write all of it as CSV.")
@command_options
def command(
    project: Path,
    name: str,
    act: str | None,
    about: str,
    since: object,
    until: object,
    last: int,
    out: Path | None,
    show: Show,
) -> None:
    """List who saw and changed what, newest first. What was changed, row by row, is in the history.

    Seeing the same thing again is written down after ten minutes only.
    """
    from facademap.errors import one_line
    from facademap.tasks.desk.accounts import trail_as_csv, trail_of

    entries = trail_of(
        project,
        name=name,
        act=act or "",
        about=about,
        since=str(since or ""),
        until=str(until or ""),
        last=1_000_000 if out else last,
    )
    if out is not None:
        trail_as_csv(entries, out)
        show.result({"entries": len(entries), "out": str(out)}, text=f"{len(entries)} entries: {out}")  # fmt: skip
        return
    lines = [
        f"{e['at']}  {one_line(e['name']) or '(nobody)'}  {e['act']}  {one_line(e['about'])}"
        + ("" if e["outcome"] == "done" else f"  [{e['outcome']}]")
        for e in entries
    ]
    show.result({"entries": entries}, text=lines or "nothing was written down")
