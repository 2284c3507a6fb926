"""The plan of maintenance as a page to print."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Mapping, Sequence

from facademap.repair.cautions import DEFER
from facademap.repair.settings import TradeValue
from facademap.treatment.maintenance import DueLook, months_later

__all__ = ["maintenance_page"]

_HEADS = ("Due", "What", "Where", "Last seen", "Why then", "Look at", "Seen by, day")
_SPAN_HEADS = ("Value", "Span", "Source", "Status", "Remarks")

_STYLE = (
    "body{font:14px/1.4 sans-serif;color:#1e1e1e;max-width:74em;margin:2em auto;padding:0 1em}"
    "table{border-collapse:collapse;width:100%;margin:.5em 0 1.5em}"
    "th,td{border-bottom:1px solid #bbb;padding:.3em .6em .3em 0;text-align:left;vertical-align:top}"
    "th{border-bottom:2px solid #555}td.day{white-space:nowrap}.late{font-weight:bold}"
    "p.caution{border:2px solid #1e1e1e;padding:.5em .8em}.box{white-space:nowrap}"
    "@media screen and (max-width:700px){thead{display:none}tr{display:block;border-bottom:1px solid #bbb;padding:.5em 0}"
    "td{display:block;border:0;padding:.1em 0}td:empty{display:none}td:before{content:attr(data-of) ': ';color:#555}}"
    "@media print{body{margin:0;max-width:none;font-size:11px}h2{break-after:avoid}tr{break-inside:avoid}}"
)


def maintenance_page(
    looks: Sequence[DueLook],
    *,
    title: str,
    today: dt.date,
    values: Mapping[str, TradeValue],
    notes: Sequence[str] = (),
) -> str:
    """The page: overdue, due within a year, later; then the spans it rests on.

    Parameters
    ----------
    looks : sequence of DueLook
    title : str
    today : datetime.date
    values : mapping of str to TradeValue
        The spans that were used.
    notes : sequence of str
    """
    year = months_later(today, 12)
    groups = (
        ("Due now", [k for k in looks if k.due_on <= today]),
        ("Within a year", [k for k in looks if today < k.due_on <= year]),
        ("Later", [k for k in looks if k.due_on > year]),
    )
    body = "".join(_group(name, rows, today) for name, rows in groups if rows)
    said = "".join(f"<li>{html.escape(n)}</li>" for n in notes)
    spans = "".join(
        _line(
            _SPAN_HEADS,
            [("", t) for t in (v.name, f"{v.value:g} {v.unit}", v.source, v.status, v.note)],
        )
        for v in values.values()
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        f"<title>{html.escape(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{html.escape(title)}</h1><p>Written {today:%Y-%m-%d}. {len(looks)} looks.</p>"
        f'<p class="caution">A plan is no inspection. {html.escape(DEFER)} A local rule that asks for an earlier look comes first.</p>'
        f"{'<ul>' + said + '</ul>' if said else ''}{body}"
        "<h2>Spans</h2><p>Settings, to be decided for each project.</p>"
        f"{_table(_SPAN_HEADS, spans)}</body></html>\n"
    )


def _group(name: str, looks: Sequence[DueLook], today: dt.date) -> str:
    rows = "".join(_row(k, today) for k in looks)
    return f"<h2>{html.escape(name)} ({len(looks)})</h2>{_table(_HEADS, rows)}"


def _table(heads: Sequence[str], rows: str) -> str:
    titles = "".join(f"<th>{h}" for h in heads)
    return f"<table><thead><tr>{titles}</tr></thead><tbody>{rows}</tbody></table>"


def _line(heads: Sequence[str], cells: Sequence[tuple[str, str]]) -> str:
    """A row; each cell knows its heading, which a narrow page shows beside it."""
    told = (
        f'<td class="{c}" data-of="{h}">{html.escape(t)}'
        for h, (c, t) in zip(heads, cells, strict=True)
    )
    return f"<tr>{''.join(told)}</tr>"


def _row(look: DueLook, today: dt.date) -> str:
    late = look.seen_on is not None and look.due_on < today
    where = look.surface if not look.wall_stone else f"{look.surface}, {look.wall_stone}"
    what = look.subject if look.kind in ("wall", "water") else f"{look.id} {look.subject}"
    seen = "not recorded" if look.seen_on is None else f"{look.seen_on:%Y-%m-%d}"
    cells = (
        ("day late" if late else "day", f"{look.due_on:%Y-%m-%d}{' overdue' if late else ''}"),
        ("", what),
        ("", where),
        ("day", seen),
        ("", f"{look.why}, {look.months} month{'s' * (look.months != 1)}"),
        ("", look.look_at),
        ("box", ""),
    )
    return _line(_HEADS, cells)
