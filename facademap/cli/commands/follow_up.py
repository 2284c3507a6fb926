"""``facademap follow-up``: looks at repairs and conditions over the years, entered and read."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="follow-up")
@click.argument("project", type=click.Path())
@click.argument("about", required=False)
@click.option("--finding", help="sound, as before, worse, failed or not reached.")
@click.option("--on", "looked_on", help="Day of the look, YYYY-MM-DD; today when not given.")
@click.option("--by", help="Who looked.")
@click.option("--hollow", type=float, help="Part that sounds hollow, per cent.")
@click.option("--open-joint-mm", type=float, help="Length of joint that is open or cracked, mm.")
@click.option(
    "--colour", type=float, help="Colour against the stone beside it, both dry, CIEDE2000."
)
@click.option("--photo", help="Photo of the project.")
@click.option("--note", help="Remarks.")
@command_options
def command(
    project: str,
    about: str | None,
    finding: str | None,
    looked_on: str | None,
    by: str | None,
    hollow: float | None,
    open_joint_mm: float | None,
    colour: float | None,
    photo: str | None,
    note: str | None,
    show: Show,
) -> None:
    """Enter a look at ABOUT, a repair, condition or surface of PROJECT; without it, tell what looks showed.

    The plan of maintenance counts from the last look, and what was found worse comes sooner.
    """
    from facademap.errors import InputError
    from facademap.tasks.record.look_again import enter_look, looks_of_project
    from facademap.treatment.follow_up import look_words

    if about is not None:
        if finding is None:
            raise InputError("the look says nothing", "Give --finding.")
        row = enter_look(
            project,
            about,
            finding=finding,
            looked_on=looked_on,
            by=by,
            hollow_share=None if hollow is None else hollow / 100,
            open_joint_m=None if open_joint_mm is None else open_joint_mm / 1000,
            colour_difference=colour,
            photo=photo,
            note=note,
        )
        show.result({"look": row}, text=f"{row['about']}   {look_words(row)}")
        return
    found = looks_of_project(project)
    lines = []
    for one in found:
        lines += [f"{one.id}   {look_words(look)}" for look in one.looks]
        rates = (
            ("hollow", one.hollow_a_year, 100, "% a year"),
            ("open joint", one.open_joint_m_a_year, 1000, "mm a year"),
            ("colour", one.colour_a_year, 1, "CIEDE2000 a year"),
        )
        lines += [
            f"{one.id}   {name} {rate * scale:+.1f} {unit}"
            for name, rate, scale, unit in rates
            if rate is not None
        ]
    show.result(
        {
            "follow_up": [
                {
                    "table": one.table,
                    "id": one.id,
                    "looks": [{k: v for k, v in look.items() if v == v} for look in one.looks],
                    "hollow_a_year": one.hollow_a_year,
                    "open_joint_m_a_year": one.open_joint_m_a_year,
                    "colour_a_year": one.colour_a_year,
                }
                for one in found
            ]
        },
        text=lines or "no look has been entered",
    )
