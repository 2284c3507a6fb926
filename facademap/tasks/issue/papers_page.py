"""The page that tells which papers hold: those in the folder, every one that was made, and those that were issued."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from facademap.report.issue_register import Document, Register
from facademap.store.project import Project
from facademap.tasks.issue.kept_register import read_register
from facademap.tasks.issue.papers_register import recalled_sheets, registered, state_in_register
from facademap.tasks.issue.papers_state import PaperState, when_said

__all__ = ["Answered", "papers_page"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What is known of a paper that somebody holds.

    Parameters
    ----------
    what : str
        Number, title, or sheet.
    state : str
        ``current`` or another word of the page; ``unknown`` where there is none.
    says : str
        In a sentence.
    """

    what: str
    state: str
    says: str


def papers_page(
    project: Project,
    states: Sequence[PaperState],
    *,
    now: dt.datetime,
    asked: str | None = None,
    answers: Sequence[Answered] = (),
) -> str:
    """The page that says which papers hold, which are to be made again, which were recalled, and who has what.

    Parameters
    ----------
    project : Project
    states : sequence of PaperState
        Of the papers in the folder.
    now : datetime
    asked : str, optional
        What was typed or read from a code; with it the page has a field to ask in, which only the desk answers.
    answers : sequence of Answered
        What is known of it.

    Returns
    -------
    str
        HTML.
    """
    e = html.escape
    by_name = {s.name: (s.number, s.state) for s in states}
    rows = "".join(
        f'<tr class="{s.state}"><td>{e(s.title)}</td><td>{e(s.number) or "–"}</td><td>{e(when_said(s.made_at)) if s.made_at else "–"}</td>'
        f"<td><strong>{_WORDS[s.state]}</strong>"
        + "".join(f"<br>{e(r)}" for r in s.reasons)
        + (f"<br>and {s.more} more" if s.more else "")
        + "</td></tr>"
        for s in states
    )
    entries = [{**r, "state": state_in_register(r, by_name)} for r in registered(project)]
    log = "".join(
        f'<tr class="{r["state"]}"><td>{e(r["number"])}</td><td>{e(r["title"])}</td><td>{e(when_said(r["made_at"]))}</td>'
        f"<td>{e(r.get('plan') or '–')}</td><td><strong>{_WORDS[r['state']]}</strong>"
        + (f"<br>{e(r['why'])}" if r.get("why") else "")
        + "".join(
            f"<br><strong>sheet {e(part)} recalled</strong>: {e(told['why'])}"
            for part, told in recalled_sheets(r).items()
        )
        + "</td></tr>"
        for r in reversed(entries)
    )
    name = e(str(project.setting("name", project.folder.name)))
    return _PAGE.format(
        name=name,
        when=e(when_said(now.isoformat())),
        rows=rows or '<tr><td colspan="4">No papers yet.</td></tr>',
        log=log or '<tr><td colspan="5">None was made yet.</td></tr>',
        issued=_issued(read_register(project)),
        ask="" if asked is None else _field(asked, answers),
    )


def _field(asked: str, answers: Sequence[Answered]) -> str:
    """The field to ask in, and what is known of what was asked."""
    e = html.escape
    told = "".join(
        f'<li class="{e(a.state)}"><b>{e(a.what)}</b>: <strong>{e(_WORDS.get(a.state, a.state))}</strong>. {e(a.says)}</li>'
        for a in answers
    )
    return (
        '<form method="get" action="/papers.html" role="search"><label for="asked">Does my sheet still hold? Number in its margin, '
        "sheet number with revision, or what its code says</label> "
        f'<input id="asked" name="asked" value="{e(asked, quote=True)}" maxlength="200" autocomplete="off"> '
        f'<button>Ask</button></form><ul role="status">{told}</ul>'
    )


def _issued(register: Register) -> str:
    """Tables of what was issued: current with who has it, superseded, and each time of issue."""
    if not register.transmittals:
        return "<p>Nothing was issued yet.</p>"
    e = html.escape

    def row(document: Document, state: str) -> str:
        by = document.revision
        return (
            f'<tr class="{state}"><td>{e(document.name)}</td><td>{e(document.title)}</td><td>{e(by.status)}, {e(by.date)}</td>'
            f"<td>{e(by.reason)}</td><td>{e('; '.join(register.who_got(document)))}</td></tr>"
        )

    heads = (
        "<tr><th>Number</th><th>Title</th><th>Status</th><th>Reason</th><th>Who has it</th></tr>"
    )
    parts = [
        f"<table><caption>Issued, current</caption>{heads}"
        + "".join(row(d, "current") for d in register.current)
        + "</table>"
    ]
    if register.superseded:
        parts.append(
            f"<table><caption>Issued, superseded: not to be worked from</caption>{heads}"
            + "".join(row(d, "replaced") for d in register.superseded)
            + "</table>"
        )
    sent = "".join(
        f"<tr><td>{e(t.id)}</td><td>{e(t.date)}</td><td>{e(t.status)}</td><td>{e(t.reason)}</td><td>{e('; '.join(t.to))}</td></tr>"
        for t in reversed(register.transmittals)
    )
    parts.append(
        "<table><caption>Transmittals</caption><tr><th>Number</th><th>Date</th><th>Status</th><th>Reason</th><th>To</th></tr>"
        f"{sent}</table>"
    )
    return "".join(parts)


_WORDS: Mapping[str, str] = {
    "current": "holds",
    "stale": "out of date",
    "changed": "altered by hand",
    "replaced": "replaced by a newer one",
    "recalled": "recalled",
    "superseded": "superseded",
    "unknown": "not known here",
}
_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Papers of {name}</title>
<style>
body{{font:16px/1.45 Georgia,serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#222;background:#faf8f4}}
table{{border-collapse:collapse;width:100%;margin:1rem 0 2rem}} th,td{{text-align:left;vertical-align:top;padding:.4rem .7rem;border-bottom:1px solid #cfc8bb}}
tr.stale strong,tr.changed strong,tr.recalled strong,li:not(.current) strong{{color:#8f1d12}} tr.replaced{{color:#666}} caption{{text-align:left;font-weight:bold}} td{{overflow-wrap:anywhere}}
label{{display:block}} input,button{{font:inherit;padding:.35rem .6rem}} input{{width:min(30rem,100%)}}
</style>
<h1>Papers of {name}</h1>
<p>As of {when}. What is out of date is made again with <code>facademap papers</code> or at the desk. A number in the lower margin of a
paper tells here whether that paper still holds.</p>
{ask}{issued}
<table><caption>In the folder</caption><tr><th>Paper</th><th>Number</th><th>Made</th><th>State</th></tr>{rows}</table>
<table><caption>Every paper that was made</caption><tr><th>Number</th><th>Paper</th><th>Made</th><th>Plan</th><th>State</th></tr>{log}</table>
</html>
"""
