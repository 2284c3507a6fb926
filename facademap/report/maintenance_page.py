"""The plan of maintenance as a page to print."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Mapping, Sequence

from facademap.repair.cautions import DEFER
from facademap.repair.settings import TradeValue
from facademap.treatment.maintenance import DueLook, months_later

__all__ = ["maintenance_page"]

_STYLE = (
    "body{font:14px/1.4 sans-serif;color:#1e1e1e;max-width:74em;margin:2em auto;padding:0 1em}"
    "table{border-collapse:collapse;width:100%;margin:.5em 0 1.5em}"
    "th,td{border-bottom:1px solid #bbb;padding:.3em .6em .3em 0;text-align:left;vertical-align:top}"
    "th{border-bottom:2px solid #555}td.day{white-space:nowrap}.late{font-weight:bold}"
    "p.caution{border:2px solid #1e1e1e;padding:.5em .8em}.box{white-space:nowrap}"
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
        f"<tr><td>{html.escape(v.name)}<td>{v.value:g} {html.escape(v.unit)}<td>{html.escape(v.source)}"
        f"<td>{html.escape(v.status)}<td>{html.escape(v.note)}</tr>"
        for v in values.values()
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>{html.escape(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{html.escape(title)}</h1><p>Written {today:%Y-%m-%d}. {len(looks)} looks.</p>"
        f'<p class="caution">A plan is no inspection. {html.escape(DEFER)} A local rule that asks for an earlier look comes first.</p>'
        f"{'<ul>' + said + '</ul>' if said else ''}{body}"
        "<h2>Spans</h2><p>Settings, to be decided for each project.</p>"
        "<table><thead><tr><th>Value<th>Span<th>Source<th>Status<th>Remarks</tr></thead>"
        f"<tbody>{spans}</tbody></table></body></html>\n"
    )


def _group(name: str, looks: Sequence[DueLook], today: dt.date) -> str:
    rows = "".join(_row(k, today) for k in looks)
    return (
        f"<h2>{html.escape(name)} ({len(looks)})</h2><table><thead><tr><th>Due<th>What<th>Where<th>Last seen"
        f"<th>Why then<th>Look at<th>Seen by, day</tr></thead><tbody>{rows}</tbody></table>"
    )


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
        ("", f"{look.why}, {look.months} months"),
        ("", look.look_at),
        ("box", ""),
    )
    return "<tr>" + "".join(f'<td class="{c}">{html.escape(t)}' for c, t in cells) + "</tr>"
