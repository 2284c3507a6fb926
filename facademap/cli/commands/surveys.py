"""``facademap surveys``: two surveys of a surface compared, with a page, a table and layers."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

_FILE = click.Path(path_type=Path)


@click.command("surveys")
@click.argument("project", type=_FILE)
@click.argument("old")
@click.argument("new")
@click.option("--surface", help="Surface, where there are several.")
@click.option("--out", type=_FILE, help="Folder to write in.  [default: out of the project]")
@click.option(
    "--fast-mm-year",
    type=float,
    default=1.0,
    show_default=True,
    help="Growth of the mean depth beyond which a condition becomes more urgent.",
)
@click.option(
    "--raise-urgency", is_flag=True, help="Store the greater urgency; else it is proposed."
)
@click.option(
    "--align/--no-align",
    default=None,
    help="Take offset and tilt of stable stone off first; a change of the whole wall is then not seen. Default: where the "
    "precision of both surveys explains them.",
)
@click.option(
    "--old-picture",
    type=_FILE,
    help="Rectified picture of the older survey, for colours.  [default: the true elevation kept with its relief]",
)
@click.option(
    "--new-picture",
    type=_FILE,
    help="The same of the newer one.  [default: its true elevation, or the elevation in use where it is the newest]",
)
@click.option(
    "--register/--no-register",
    default=None,
    help="Lay the older relief on the newer by the stone that has not changed. Default: where their control points do not "
    "tell one frame.",
)
@click.option("--who", default="surveyor", show_default=True, help="Who stores.")
@command_options
def command(
    project: Path,
    old: str,
    new: str,
    surface: str | None,
    out: Path | None,
    fast_mm_year: float,
    raise_urgency: bool,
    align: bool | None,
    old_picture: Path | None,
    new_picture: Path | None,
    register: bool | None,
    who: str,
    show: Show,
) -> None:
    """Compare the surveys OLD and NEW of a surface of PROJECT: what is the same, grown, new, gone or repaired.

    Conditions are paired by where they lie; their depth is compared where both surveys keep a relief.
    """
    from facademap.errors import InputError
    from facademap.tasks.survey.compare_surveys import compare_surveys

    if not 0 < fast_mm_year < 1000:
        raise InputError(f"a limit of {fast_mm_year:g} mm a year", "Give one above 0.")
    done = compare_surveys(
        project,
        old,
        new,
        surface=surface,
        out=out or project / "out",
        fast_m_a_year=fast_mm_year / 1000,
        raise_urgency=raise_urgency,
        align=align,
        pictures=(old_picture, new_picture),
        register=register,
        who=who,
    )
    for warning in done.warnings:
        show.say(f"note: {warning}")
    lines = []
    for row in done.rows:
        names = (
            " ".join(row.pair.old)
            + (" > " if row.pair.old and row.pair.new else "")
            + " ".join(row.pair.new)
        )
        patch = row.patch
        lines.append(
            f"{names} {row.term}: {row.pair.fate}"
            + (
                ""
                if patch is None
                else f", {patch.mean_change_m * 1000:+.1f} ± {patch.plus_minus_95_m * 1000:.1f} mm"
                + ("" if patch.significant else " (cannot be told)")
            )
            + (f", colour {row.colour.words}" if row.colour.changed else "")
            + (" - grows fast" if row.more_urgent else "")
        )
    show.result(
        {
            "rows": [
                {
                    "old": list(r.pair.old),
                    "new": list(r.pair.new),
                    "fate": r.pair.fate,
                    "colour": r.colour.words,
                    "colour_changed": r.colour.changed,
                    "more_urgent": r.more_urgent,
                }
                for r in done.rows
            ],
            "registration_m": None if done.change is None else done.change.registration_m,
            "years": done.years,
            "raised": list(done.raised),
            "files": list(done.files),
            "warnings": list(done.warnings),
        },
        text=[*lines, f"written: {', '.join(done.files)}"],
    )
