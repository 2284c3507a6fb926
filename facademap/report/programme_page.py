"""The sequence as one page: a bar chart by surface, lift and bay, and a list a day."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from facademap.repair.cautions import DEFER

__all__ = ["programme_html"]

_ROW, _LEFT, _HEAD, _LEAST_DAY, _WIDE = 20, 250, 44, 4.0, 900.0


def programme_html(
    bars: Sequence[Mapping[str, Any]],
    days: Sequence[Mapping[str, Any]],
    *,
    title: str,
    length_days: int,
    bound_days: int,
    crews: int,
    left_out: Iterable[Mapping[str, Any]] = (),
    cold: Iterable[Mapping[str, Any]] = (),
) -> str:
    """A self-contained page of the programme; every text is escaped, nothing is fetched and nothing runs.

    Parameters
    ----------
    bars, days : sequence of mapping
        Rows of :func:`facademap.repair.schedule.bars` and :func:`~facademap.repair.schedule.day_list`.
    title : str
        Heading.
    length_days, bound_days, crews : int
        As the schedule says.
    left_out : iterable of mapping
        ``repair`` and ``why`` of what is not scheduled.
    cold : iterable of mapping
        Lime work in cold months, by :func:`facademap.repair.cold_work.cold_work`.
    """
    e = html.escape
    proof = (
        "No shorter sequence exists."
        if bound_days >= length_days
        else f"No sequence can be shorter than {bound_days} days."
    )
    rest = ", ".join(f"{e(str(x['repair']))} ({e(str(x['why']))})" for x in left_out)
    chilly = "".join(f"<li>{e(str(c['repair']))}: {e(str(c['what']))}</li>" for c in cold)
    listed = "".join(_day(day, rows) for day, rows in _by_day(days))
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{e(title)}</title>
<style>
body {{ font: 14px/1.45 system-ui, sans-serif; color: #222; max-width: 76rem; margin: 1.5rem auto; padding: 0 1rem }}
h1 {{ font-size: 1.4rem }} h2 {{ font-size: 1.1rem; margin-top: 2rem }} .chart {{ overflow-x: auto }}
svg text {{ font: 11px system-ui, sans-serif; fill: #222 }} .key span {{ display: inline-block; width: 1.6rem; height: .7rem; margin: 0 .3rem 0 1rem }}
table {{ border-collapse: collapse; width: 100% }} th, td {{ border-bottom: 1px solid #ccc; padding: .2rem .5rem; text-align: left; vertical-align: top }}
tbody th {{ white-space: nowrap; font-weight: 600 }} .caution {{ border-left: .3rem solid #9a3b26; padding: .3rem .7rem; background: #f8f1ec }}
@media print {{ tr {{ break-inside: avoid }} }}
</style></head><body>
<h1>{e(title)}</h1>
<p>{len(bars)} jobs, {crews} crew{"s" if crews > 1 else ""}, {length_days} days to the end of the last curing. {proof}
{_hours(bars)}
Upper lifts before lower ones, donors before those who use them, no two stones that support each other out at once, curing kept.</p>
<p class="caution">Propping, access and lifting are designed before work begins. {e(DEFER)}</p>
<p class="key"><span style="background:#2f5d7c"></span>work<span style="background:#fff;border:1px solid #2f5d7c"></span>curing
<span style="background:#eeeae3"></span>Saturday, Sunday</p>
<div class="chart">{_chart(bars)}</div>
{f"<h2>Lime work in cold months</h2><ul>{chilly}</ul>" if chilly else ""}
<h2>Day by day</h2>
<table><thead><tr><th scope=col>Day<th scope=col>Crew<th scope=col>Place<th scope=col>Work</tr></thead><tbody>{listed}</tbody></table>
{f"<h2>Not in the programme</h2><p>{rest}</p>" if rest else ""}
</body></html>
"""


def _hours(bars: Sequence[Mapping[str, Any]]) -> str:
    low, likely, high = (
        sum(float(b[f"hours_{n}"]) for b in bars) for n in ("low", "likely", "high")
    )
    return (
        f"{likely:.0f} hours of a crew, between {low:.0f} and {high:.0f} (rates of common practice; "
        "put the office's own in their place)."
    )


def _by_day(days: Sequence[Mapping[str, Any]]) -> list[tuple[str, list[Mapping[str, Any]]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for row in days:
        found.setdefault(str(row["day"]), []).append(row)
    return sorted(found.items())


def _day(day: str, rows: Sequence[Mapping[str, Any]]) -> str:
    e = html.escape
    date = dt.date.fromisoformat(day)
    merged: dict[tuple[Any, ...], list[str]] = {}
    for r in rows:
        merged.setdefault((r["crew"], r["surface"], r["lift"], r["bay"], r["work"]), []).append(
            str(r["repair"])
        )
    lines = ""
    for k, ((crew, surface, lift, bay, work), names) in enumerate(
        sorted(merged.items(), key=lambda i: str(i[0]))
    ):
        head = f"<th scope=row rowspan={len(merged)}>{date:%a} {day}</th>" if k == 0 else ""
        lines += (
            f"<tr>{head}<td>{crew}</td><td>{e(str(surface))}, lift {lift}, bay {bay}</td>"
            f"<td>{e(', '.join(names))}: {e(str(work))}</td></tr>"
        )
    return lines


def _chart(bars: Sequence[Mapping[str, Any]]) -> str:
    if not bars:
        return ""
    e = html.escape
    rows = sorted(
        bars,
        key=lambda b: (
            str(b["surface"]),
            -int(b["lift"]),
            int(b["bay"]),
            str(b["start"]),
            str(b["repair"]),
        ),
    )
    first = min(dt.date.fromisoformat(str(b["start"])) for b in rows)
    last = max(dt.date.fromisoformat(str(b["cured"])) for b in rows)
    count = (last - first).days + 1
    day = max(_LEAST_DAY, _WIDE / count)
    width, height = _LEFT + day * count + 10, _HEAD + _ROW * len(rows) + 6
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height}" viewBox="0 0 {width:.0f} {height}" role="img" '
        f'aria-label="Bar chart of {len(rows)} jobs from {first} to {last}">'
    ]
    for k in range(count):
        date, x = first + dt.timedelta(days=k), _LEFT + day * k
        if date.weekday() >= 5:
            parts.append(
                f'<rect x="{x:.1f}" y="{_HEAD}" width="{day:.1f}" height="{_ROW * len(rows)}" fill="#eeeae3"/>'
            )
        if date.weekday() == 0 and (day * 7 >= 34 or (k // 7) % 2 == 0):
            parts.append(
                f'<line x1="{x:.1f}" y1="{_HEAD - 6}" x2="{x:.1f}" y2="{height - 6}" stroke="#ccc"/>'
                f'<text x="{x + 2:.1f}" y="{_HEAD - 10}">{date.day} {date:%b}</text>'
            )
    place = None
    for k, b in enumerate(rows):
        y = _HEAD + _ROW * k
        here = (b["surface"], b["lift"], b["bay"])
        if here != place:
            parts.append(
                f'<line x1="0" y1="{y}" x2="{width:.0f}" y2="{y}" stroke="#bbb"/>'
                f'<text x="2" y="{y + 14}">{e(str(b["surface"])[:18])} lift {b["lift"]} bay {b["bay"]}</text>'
            )
            place = here
        also = [a for a in str(b.get("also", "")).split(", ") if a]
        label = str(b["repair"]) + (f" +{len(also)}" if also else "")
        start, end, cured = (dt.date.fromisoformat(str(b[n])) for n in ("start", "end", "cured"))
        x0, x1, x2 = (
            _LEFT + day * (d - first).days
            for d in (start, end + dt.timedelta(days=1), cured + dt.timedelta(days=1))
        )
        parts.append(f'<text x="{_LEFT - 6}" y="{y + 14}" text-anchor="end">{e(label)}</text>')
        parts.append(
            f"<g><title>{e(label)}: {start} to {end}, cured {cured}</title>"
            f'<rect x="{x0:.1f}" y="{y + 4}" width="{x1 - x0:.1f}" height="{_ROW - 8}" fill="#2f5d7c"/>'
        )
        if x2 > x1:
            parts.append(
                f'<rect x="{x1:.1f}" y="{y + 4.5}" width="{x2 - x1 - 0.5:.1f}" height="{_ROW - 9}" fill="#fff" stroke="#2f5d7c"/>'
            )
        parts.append("</g>")
    return "".join(parts) + "</svg>"
