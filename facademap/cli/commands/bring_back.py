"""``facademap bring-back``: edits of a field copy into the project that it was taken from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options


@click.command("bring-back")
@click.argument("copy", type=click.Path(path_type=Path))
@click.argument("project")
@click.option("--take", type=click.Choice(["mine", "theirs", "merge"]), help="Decide every conflict: by the field, by the project, or both where they changed different values.")  # fmt: skip
@click.option("--conflicts", "out", type=click.Path(path_type=Path, dir_okay=False), help="Write the conflicts to this file, to be decided in it.")  # fmt: skip
@click.option("--decisions", type=click.Path(path_type=Path, dir_okay=False), help="The same file, decided.")  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Say what would be done, and do nothing.")
@click.option("--who", default="surveyor", show_default=True, help="Who decides.")
@command_options
def command(
    copy: Path,
    project: str,
    take: str | None,
    out: Path | None,
    decisions: Path | None,
    dry_run: bool,
    who: str,
    show: Show,
) -> int:
    """Bring what was done in the field COPY back into PROJECT, which it was taken from.

    Edits of rows that nobody changed meanwhile go through with their history. What both changed is shown side by side and waits in the
    copy until it is decided; the exit code is 1 while something waits.
    """
    from facademap.io.whole_files import check_writable, write_whole
    from facademap.tasks.project.bring_back import bring_back

    check_writable(out)  # what was brought back by then would stay so
    with show.progress("bringing back") as progress:
        done = bring_back(
            copy, project, take=take, decisions=_read(decisions), who=who, dry_run=dry_run, progress=progress
        )  # fmt: skip
    if out is not None:
        told = json.dumps(done["conflicts"], indent=1, ensure_ascii=False)
        write_whole(out, told.encode() + b"\n")
    lines = [] if not dry_run else ["nothing was stored (--dry-run)"]
    lines.append(
        f"{done['brought']} of {done['changed_in_field']} changed rows brought back in {done['edits']} edits, {done['files']} files, "
        f"{done['decided']} conflicts decided, {len(done['conflicts'])} wait"
    )
    lines += [
        f"{path}: a row names it, and it is in neither; put it into the field copy's folder or the project's"
        for path in done["files_missing"]
    ]
    lines += [f"{r['id']} is now {r['to']}: its name was given to another" for r in done["renamed"]]
    lines += [line for c in done["conflicts"] for line in _side_by_side(c, done["titles"])]
    if done["conflicts"]:
        lines.append("decide with --take, or one by one with --conflicts FILE and --decisions FILE")
    show.result(done, text=lines)
    return 1 if done["conflicts"] else 0


def _read(path: Path | None) -> list[dict[str, Any]]:
    from facademap.errors import FileError, InputError

    if path is None:
        return []
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(f"{path}: {error.strerror}", "Name the file of conflicts.") from None
    except (ValueError, RecursionError):
        raise InputError(f"{path}: is no JSON", "Take the file that --conflicts wrote.") from None
    if not isinstance(told, list) or not all(isinstance(one, dict) for one in told):
        raise InputError(f"{path}: holds no conflicts", "Take the file that --conflicts wrote.")
    return told


def _side_by_side(conflict: dict[str, Any], titles: dict[str, str]) -> list[str]:
    name = f"{titles[conflict['table']].lower()}: {conflict['id']}"
    if conflict["why"]:
        return [f"{name}: waits, since {conflict['why']}"]
    if conflict["deleted"]:
        here, there = ("deleted", "changed") if conflict["deleted"] == "mine" else ("changed", "deleted")  # fmt: skip
        return [f"{name}: {here} in the field, {there} in the project"]
    rows = [("value", "when copied", "field", "project")]
    for field, sides in conflict["fields"].items():
        mark = " *" if field in conflict["by_both"] else ""
        base, mine, theirs = (_short(sides[n]) for n in ("base", "mine", "theirs"))
        rows.append((f"{field}{mark}", base, mine, theirs))
    wide = [max(len(row[n]) for row in rows) for n in range(4)]
    return [f"{name}: changed in the field and in the project (* by both)"] + [
        "  " + "  ".join(cell.ljust(w) for cell, w in zip(row, wide, strict=True)).rstrip()
        for row in rows
    ]


def _short(value: Any) -> str:
    said = "-" if value is None else value if isinstance(value, str) else json.dumps(value)
    said = " ".join(said.split())
    return said if len(said) <= 32 else f"{said[:29]}..."
