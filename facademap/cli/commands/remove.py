"""``facademap remove``: delete rows, after saying what goes along."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command("remove")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("table")
@click.argument("ids", nargs=-1, required=True)
@click.option("--confirmed", is_flag=True, help="Accept everything that follows.")
@click.option("--try", "try_only", is_flag=True, help="Only say what would follow.")
@command_options
def command(
    project: Path, table: str, ids: tuple[str, ...], confirmed: bool, try_only: bool, show: Show
) -> None:
    """Delete the rows IDS of TABLE from PROJECT; what depends on them is told before.

    The history keeps everything. Repairs with a record, and places that were approved or sawn, stay.
    """
    from facademap.tasks.project.remove import remove_rows

    found = remove_rows(project, table, ids, confirmed=confirmed, try_only=try_only)
    done = "would be removed" if try_only else "removed"
    show.result(found, text=[f"{', '.join(ids)} {done}", *(f"  {t}" for t in found["text"])])
