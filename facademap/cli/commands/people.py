"""``facademap people``: who has an account at the desk of a project in a database, and may do what."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options

_PROJECT = click.argument("project", type=click.Path(path_type=Path))
_ROLE = click.Choice(["surveyor", "conservator", "mason", "reviewer", "yard", "administrator"])
_ELEVATIONS = click.option(
    "--elevation",
    "elevations",
    multiple=True,
    metavar="ID",
    help="Elevation to which the person is limited; several may be given.",
)
_BY = click.option("--who", "by", default="", help="Who does this, for the audit trail.")


@click.group()
def command() -> None:
    """Invite people to a project in a database, change what they may do, and take them out.

    facademap serve PROJECT --accounts lets them in. What each role may do is in docs/team.md.
    """


@command.command("invite")
@_PROJECT
@click.argument("name")
@click.option("--role", type=_ROLE, required=True)
@_ELEVATIONS
@click.option("--days", type=float, default=7, show_default=True, help="How long the word is good.")
@click.option("--new-secret", is_flag=True, help="Somebody who has a secret chooses another.")
@_BY
@command_options
def invite(
    project: Path,
    name: str,
    role: str,
    elevations: tuple[str, ...],
    days: float,
    new_secret: bool,
    by: str,
    show: Show,
) -> None:
    """Invite NAME, who chooses a secret of their own with a word that is shown here, once."""
    from facademap.tasks.desk.accounts import invite_person

    made = invite_person(
        project, name, role=role, elevations=elevations, days=days, new_secret=new_secret, by=by
    )
    text = [f"{made['name']}: {_may(made)}"]
    if made["word"]:
        text += [
            f"word: {made['word']}",
            f"good once, until {made['until']} UTC: tell it to {made['name']} alone, who types it at the desk's /invited",
        ]
    else:
        text.append("has a secret of this database already and keeps it")
    show.result(made, text=text)


@command.command("list")
@_PROJECT
@command_options
def everybody(project: Path, show: Show) -> None:
    """Name everybody, with role, elevations and when they were last seen."""
    from facademap.tasks.desk.accounts import list_people

    people = list_people(project)
    show.result(
        {"people": people},
        text=[f"{p['name']}: {_may(p)}{_state(p)}" for p in people] or "nobody was invited yet",
    )


@command.command("change")
@_PROJECT
@click.argument("name")
@click.option("--role", type=_ROLE)
@_ELEVATIONS
@click.option("--whole", is_flag=True, help="No limit to elevations any more.")
@_BY
@command_options
def change(
    project: Path,
    name: str,
    role: str | None,
    elevations: tuple[str, ...],
    whole: bool,
    by: str,
    show: Show,
) -> None:
    """Give NAME another role or other elevations; sessions that are open obey at once."""
    from facademap.tasks.desk.accounts import change_person

    if (role is None and not elevations and not whole) or (elevations and whole):
        raise click.UsageError("give --role, and --elevation or --whole")
    limits: tuple[str, ...] | None = () if whole else (elevations or None)
    there = change_person(project, name, role=role, elevations=limits, by=by)
    show.result(there, text=f"{there['name']}: {_may(there)}")


@command.command("remove")
@_PROJECT
@click.argument("name")
@_BY
@command_options
def remove(project: Path, name: str, by: str, show: Show) -> None:
    """Take NAME out of the project; sessions end at once, and the history keeps the name."""
    from facademap.tasks.desk.accounts import remove_person

    gone = remove_person(project, name, by=by)
    show.result(gone, text=f"{gone['name']} is out")


@command.command("rights")
@_PROJECT
@click.argument("role")
@click.option("--may", type=click.Choice(["nothing", "serve", "manage"]), required=True)
@command_options
def rights(project: Path, role: str, may: Any, show: Show) -> None:
    """Let ROLE of the database serve a desk with accounts (beside facademap rights --may edit), or invite people too.

    The accounts are those of the whole database: who may manage them may do so for every project.
    """
    from facademap.tasks.desk.accounts import rights_of_server

    rights_of_server(project, role, may)
    show.result({"role": role, "may": may}, text=f"{role}: may {may}")


def _may(person: Any) -> str:
    limits = person["elevations"]
    return str(person["role"]) + (f", {', '.join(limits)} only" if limits else "")


def _state(person: Any) -> str:
    said = []
    if person["invited_until"]:
        said.append(f"invited until {person['invited_until']} UTC")
    elif not person["has_secret"]:
        said.append("the invitation was not accepted in time")
    if person["seen_at"]:
        said.append(f"last seen {person['seen_at']} UTC")
    return f" ({'; '.join(said)})" if said else ""
