"""``facademap papers``: all papers of a project."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("papers")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--only",
    multiple=True,
    metavar="NAME",
    help="Make only this paper (may be given several times).",
)
@click.option(
    "--for",
    "person",
    metavar="WHO",
    help="Make the papers of mason, yard, planner, cost or tender, and one PDF of them in working order.",
)
@click.option(
    "--paper",
    default="A4",
    show_default=True,
    metavar="SIZE",
    help="Sheet of tickets, lists and templates: A4 or Letter.",
)
@click.option(
    "--sheet",
    default="A3",
    show_default=True,
    metavar="SIZE",
    help="Sheet of drawings: A4 to A0, Tabloid, ARCH A to E, ANSI C to E.",
)
@click.option(
    "--template-sheet",
    default="",
    metavar="SIZE",
    help='Sheet of the templates: A4 to A0, or a roll by its width, "roll 914" or "roll 36 in"; that of --paper when not given.',
)
@click.option(
    "--label-sheet",
    default="",
    metavar="SIZE",
    help='Sheet of the labels, or a tape by its width, "tape 62" or "tape 2 in"; that of --paper when not given.',
)
@click.option(
    "--scale", type=float, metavar="N", help="Scale 1:N of drawings; chosen to fit when not given."
)
@click.option(
    "--rates", type=click.Path(path_type=Path), metavar="FILE", help="Rates (TOML) for the costs."
)
@click.option(
    "--link",
    default="",
    metavar="ADDRESS",
    help="Address of a repair for the QR codes, with {repair} for its id.",
)
@click.option(
    "--least-void-m2",
    type=float,
    default=0.0,
    show_default=True,
    help="Openings of this area or smaller are not deducted.",
)
@click.option("--line-only", is_flag=True, help="Draw without the picture.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder of the papers; PROJECT/out when not given.",
)
@click.option("--again", is_flag=True, help="Make also what did not change.")
@click.option(
    "--state", is_flag=True, help="Only say which papers still hold, and why others do not."
)
@click.option(
    "--number", metavar="NUMBER", help="Say whether the paper of this number still holds."
)
@click.option(
    "--recall",
    metavar="NUMBER",
    help="Recall a paper that was handed out, or one ticket of it ('3F2A-91C7 R-001'); needs --why.",
)
@click.option("--why", default="", metavar="TEXT", help="Reason of a recall.")
@command_options
def command(
    project: Path,
    only: tuple[str, ...],
    person: str | None,
    paper: str,
    sheet: str,
    template_sheet: str,
    label_sheet: str,
    scale: float | None,
    rates: Path | None,
    link: str,
    least_void_m2: float,
    line_only: bool,
    out: Path | None,
    again: bool,
    state: bool,
    number: str | None,
    recall: str | None,
    why: str,
    show: Show,
) -> None:
    """Make drawings, cut tickets, templates, saw plans, lists, quantities and exchange files of PROJECT.

    Only what changed since the last time is made again. A paper that cannot be made does not hold up
    the others.
    """
    from facademap.errors import InputError
    from facademap.tasks.issue.packs import papers_for, write_pack
    from facademap.tasks.issue.papers import Choices, make_papers, read_rates_file

    if state or number or recall:
        _register(project, number, recall, why, show)
        return
    choices = Choices(
        paper=paper,
        sheet=sheet,
        template_sheet=template_sheet,
        label_sheet=label_sheet,
        scale=scale,
        link=link,
        least_void_m2=least_void_m2,
        rates=read_rates_file(rates) if rates else "",
        rates_name=rates.name if rates else "rates",
        pictures=not line_only,
    )
    if person:
        if only:
            raise InputError("--for and --only at once", "Give one of them.")
        only = papers_for(person)
    with show.progress("papers") as progress:
        result = make_papers(
            project,
            choices=choices,
            only=only,
            again=again,
            out=out,
            progress=lambda share, what: progress(share),
        )
    pack = str(result.folder / write_pack(project, person, out=result.folder)) if person else None
    for line in result.warnings:
        show.say(f"note: {line}")
    for name, seconds in result.seconds.items():
        show.detail(f"{name}: {seconds:.2f} s")
    text = [
        str(result.folder / file)
        for name in result.made
        for file in result.files.get(name, ())[:20]
    ]
    text.append(
        f"{len(result.made)} papers made, {len(result.unchanged)} unchanged"
        + (f", {len(result.failed)} failed" if result.failed else "")
    )
    if pack:
        text.append(f"in one file: {pack}")
    show.result(
        {
            "folder": str(result.folder),
            "pack": pack,
            "made": result.made,
            "unchanged": result.unchanged,
            "files": result.files,
            "warnings": result.warnings,
            "failed": {n: {"problem": p, "remedy": r} for n, (p, r) in result.failed.items()},
            "seconds": result.seconds,
        },
        text=text,
    )
    if result.failed:
        for name, (problem, remedy) in result.failed.items():
            click.echo(f"error: {name}: {problem}; fix: {remedy}", err=True)
        raise click.exceptions.Exit(2)


def _register(project: Path, number: str | None, recall: str | None, why: str, show: Show) -> None:
    from facademap.store.project import Project
    from facademap.tasks.desk.papers import paper_numbered, papers_now
    from facademap.tasks.issue.papers import write_papers_page
    from facademap.tasks.issue.papers_register import recall_paper

    if recall:
        with Project.open(project) as opened:
            entry = recall_paper(opened, recall, why=why, who="facademap papers")
        write_papers_page(project)
        show.result(
            entry,
            text=[
                f"{entry['number']}{' ' + entry['part'] if 'part' in entry else ''} ({entry['title']}) is recalled: {entry['why']}"
            ],
        )
        return
    if number:
        entry = paper_numbered(project, number)
        if "says" in entry:  # an issued paper
            show.result(entry, text=[f"{entry['name']}, {entry['title']}: {entry['says']}"])
            return
        told = entry.get("why") or "; ".join(entry["reasons"][:3])
        text = f"{entry['number']} ({entry['title']}, made {entry['made_at']}): {entry['state']}"
        show.result(entry, text=[text + (f": {told}" if told else "")])
        return
    write_papers_page(project)
    states, register = papers_now(project)
    lines = [
        f"{s.name}: {s.state}{f' ({s.number})' if s.number else ''}"
        + "".join(f"\n  {r}" for r in s.reasons)
        for s in states
    ]
    plain = [{n: getattr(s, n) for n in s.__slots__} for s in states]
    show.result({"papers": plain, "register": register}, text=lines or ["no papers yet"])
