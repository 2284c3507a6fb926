"""Monitoring points as a page to print: a plot for each, its change, rate and what can be said."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Sequence

from facademap.condition.gauges import Gauge, GaugeRules
from facademap.repair.cautions import DEFER

__all__ = ["gauge_page"]

_STYLE = (
    "body{font:14px/1.4 sans-serif;color:#1e1e1e;max-width:60em;margin:2em auto;padding:0 1em}"
    "section{break-inside:avoid;margin:0 0 2em}svg{display:block;width:100%;height:auto}"
    "p.caution{border:2px solid #1e1e1e;padding:.5em .8em}.beyond{font-weight:bold}"
    "text{font:12px sans-serif;fill:#1e1e1e}"
)
_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _FOOT = 760, 220, 62, 90, 14, 26


def gauge_page(gauges: Sequence[Gauge], *, title: str, rules: GaugeRules) -> str:
    """The page.

    Parameters
    ----------
    gauges : sequence of Gauge
    title : str
    rules : GaugeRules
    """
    parts = "".join(_section(g, rules) for g in gauges)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        f"<title>{html.escape(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{html.escape(title)}</h1>"
        f'<p class="caution">Readings are material for a structural engineer, never the judgement. {html.escape(DEFER)}</p>'
        f"<p>Limits of this page: {rules.limit_m * 1000:g} mm since the first reading, {rules.rate_m_a_year * 1000:g} mm a "
        f"year; a reading is taken to be good to {rules.reading_m * 1000:g} mm (one standard deviation). They are starting "
        "values: the engineer of the wall sets them.</p>"
        f"{parts}</body></html>\n"
    )


def _section(gauge: Gauge, rules: GaugeRules) -> str:
    words = (
        f"Changed by {gauge.change_m * 1000:+.2f} ± {gauge.change_plus_minus_95_m * 1000:.2f} mm "
        f"from {gauge.readings[0].read_on} to {gauge.readings[-1].read_on}, {len(gauge.readings)} readings."
    )
    if gauge.rate_m_a_year is not None and gauge.rate_plus_minus_95_m is not None:
        words += (
            f" Rate {gauge.rate_m_a_year * 1000:+.2f} ± {gauge.rate_plus_minus_95_m * 1000:.2f} mm a year"
            f"{' with warmth taken off' if gauge.by_warmth_m_degc is not None else ''}."
        )
    mark = ' class="beyond"' if gauge.verdict in ("beyond the limit", "moving") else ""
    return (
        f"<section><h2>{html.escape(gauge.name)}</h2><p{mark}>{html.escape(gauge.verdict.capitalize())}: "
        f"{html.escape(gauge.why)}.</p><p>{html.escape(words)}</p>{_plot(gauge, rules)}</section>"
    )


def _plot(gauge: Gauge, rules: GaugeRules) -> str:
    first = gauge.readings[0]
    values = [r.value_m * 1000 for r in gauge.readings]
    start = first.value_m * 1000
    limits = (start - rules.limit_m * 1000, start + rules.limit_m * 1000)
    low, high = min(*values, limits[0]), max(*values, limits[1])
    room = 0.08 * (high - low)
    low, high = low - room, high + room
    days = max(1, (gauge.readings[-1].read_on - first.read_on).days)

    def x(day: dt.date) -> float:
        return _LEFT + (day - first.read_on).days / days * (_WIDTH - _LEFT - _RIGHT)

    def y(value: float) -> float:
        return _TOP + (high - value) / (high - low) * (_HEIGHT - _TOP - _FOOT)

    points = [(x(r.read_on), y(r.value_m * 1000)) for r in gauge.readings]
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
    marks = "".join(
        f'<line x1="{_LEFT}" y1="{y(v):.1f}" x2="{_WIDTH - _RIGHT}" y2="{y(v):.1f}" stroke="#b04020" '
        f'stroke-dasharray="6 4"/><text x="{_WIDTH - _RIGHT + 6}" y="{y(v) + 4:.1f}">limit {v:.2f}</text>'
        for v in limits
    )
    dots = "".join(f'<circle cx="{a:.1f}" cy="{b:.1f}" r="3.5" fill="#1e1e1e"/>' for a, b in points)
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{html.escape(gauge.name)}: readings in millimetres">'
        f'<rect x="{_LEFT}" y="{_TOP}" width="{_WIDTH - _LEFT - _RIGHT}" height="{_HEIGHT - _TOP - _FOOT}" fill="none" stroke="#888"/>'
        f"{marks}"
        f'<polyline points="{line}" fill="none" stroke="#1e1e1e" stroke-width="1.5"/>{dots}'
        f'<text x="{_LEFT - 6}" y="{y(start) + 4:.1f}" text-anchor="end">{start:.2f} mm</text>'
        f'<text x="{_LEFT}" y="{_HEIGHT - 8}">{first.read_on}</text>'
        f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - 8}" text-anchor="end">{gauge.readings[-1].read_on}</text></svg>'
    )
