"""``facademap check``: what is wrong in a project, and how to mend it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options


@click.command("check")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--set-aside",
    "set_aside",
    multiple=True,
    metavar="TABLE:ROW",
    help="Set a damaged row aside first, as the check names it; all for every damaged row. It is kept.",
)
@click.option("--put-back", metavar="KEY", help="Put back what was set aside, by the key it told.")
@command_options
def command(project: Path, set_aside: tuple[str, ...], put_back: str | None, show: Show) -> int:
    """Audit PROJECT: what is wrong and how to mend it. Exit code 1 when there are faults."""
    from facademap.tasks.project.check import check_project
    from facademap.tasks.project.set_aside import put_rows_back, set_rows_aside

    lines: list[str] = []
    extra: dict[str, Any] = {}
    if put_back:
        back = put_rows_back(project, put_back)
        lines.append(f"put back: {', '.join(back)}")
        extra["put_back"] = back
    if set_aside:
        aside = set_rows_aside(project, set_aside)
        lines += [f"made again, empty: {name}" for name in aside["made"]]
        lines += [
            f"set aside: {r['table']}:{r['row']} ({', '.join(r['fields'])})" for r in aside["rows"]
        ]
        lines += [
            f"still named: {r['row']} by {n['table']} {n['row']} ({n['column']})"
            for r in aside["rows"]
            for n in r["named_by"]
        ]
        if aside["key"]:
            lines.append(f"undo: facademap check {project} --put-back {aside['key']}")
        extra["set_aside"] = aside
    with show.progress("checking") as progress:
        result = check_project(project, progress=progress)
    lines += [
        f"{f['level']}: {f['about']}: {f['problem']}; fix: {f['remedy']}"
        for f in result["findings"]
    ]
    show.result(
        {**result, **extra},
        text=[*lines, f"{result['faults']} fault(s), {result['warnings']} warning(s)"],
    )
    return 1 if result["faults"] else 0
