"""``facademap workmanship``: fix a standard, assess work against it, take names out."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="workmanship")
@click.argument("project", type=click.Path())
@click.argument("repairs", nargs=-1)
@click.option(
    "--fix",
    "fix_path",
    help="Fix this passing standard (.toml, or 'default') in the project, from today on.",
)
@click.option("--standard", help="Standard to assess against, by its name.")
@click.option("--mason", default="", help="Name or label of the mason; may be left out.")
@click.option("--assessor", default="", help="Name of the assessor; may be left out.")
@click.option("--anonymous", is_flag=True, help="Leave names out of the report.")
@click.option("--out", type=click.Path(), help="Write the report to this path with .txt and .html.")
@click.option(
    "--remove-names", is_flag=True, help="Take the names of people out of the work record."
)
@command_options
def command(
    project: str,
    repairs: tuple[str, ...],
    fix_path: str | None,
    standard: str | None,
    mason: str,
    assessor: str,
    anonymous: bool,
    out: str | None,
    remove_names: bool,
    show: Show,
) -> None:
    """Assess the work on REPAIRS against a passing standard that was fixed before."""
    from facademap.errors import InputError
    from facademap.tasks.record import work

    if fix_path:
        fixed = work.fix_standard(project, None if fix_path == "default" else fix_path)
        show.result(
            {"name": fixed.name, "fixed_on": fixed.fixed_on.isoformat(), "seal": fixed.seal},
            text=f"standard {fixed.name!r} fixed on {fixed.fixed_on}, seal {fixed.seal}",
        )
    elif remove_names:
        count = work.remove_names(project)
        show.result(
            {"entries": count},
            text=f"names taken out of {count} entries, labels of crews out of hours and settings; who made an edit, approved a trial or ticked a consent stays",
        )
    elif standard:
        result = work.assess_project(
            project,
            chosen=repairs,
            standard=standard,
            mason=mason,
            assessor=assessor,
            anonymous=anonymous,
            out=out,
        )
        show.result({k: v for k, v in result.items() if k != "text"}, text=result["text"])
    else:
        raise InputError(
            "nothing asked", "Use --fix FILE, --standard NAME with repairs, or --remove-names."
        )
