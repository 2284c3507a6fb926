"""Monitoring points as a page to print: a plot for each, its change, rate and what can be said."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Sequence

from facademap.condition.gauges import Gauge, GaugeRules
from facademap.repair.cautions import DEFER
from facademap.report.measures import METRIC, Measures
from facademap.units import M_PER_INCH

__all__ = ["gauge_page"]

_STYLE = (
    "body{font:14px/1.4 sans-serif;color:#1e1e1e;max-width:60em;margin:2em auto;padding:0 1em}"
    "section{break-inside:avoid;margin:0 0 2em}svg{display:block;width:100%;height:auto}"
    "p.caution{border:2px solid #1e1e1e;padding:.5em .8em}.beyond{font-weight:bold}"
    "text{font:12px sans-serif;fill:#1e1e1e}"
)
_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _FOOT = 760, 220, 62, 90, 14, 26


def gauge_page(
    gauges: Sequence[Gauge], *, title: str, rules: GaugeRules, say: Measures = METRIC
) -> str:
    """The page.

    Parameters
    ----------
    gauges : sequence of Gauge
    title : str
    rules : GaugeRules
        For what a gauge has no limit of its own.
    say : Measures
        Units of the office.
    """
    parts = "".join(_section(g, rules, say) for g in gauges)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        f"<title>{html.escape(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{html.escape(title)}</h1>"
        f'<p class="caution">Readings are material for a structural engineer, never the judgement. {html.escape(DEFER)}</p>'
        f"<p>Where a gauge has no limits of its own it is held against {_limits(rules, say)}. These are starting values of ours: "
        "the engineer of the wall sets them.</p>"
        f"{parts}</body></html>\n"
    )


def _limits(rules: GaugeRules, say: Measures) -> str:
    return (
        f"{_small(rules.limit_m, say)} since the first reading and {_small(rules.rate_m_a_year, say)} a year, a reading taken "
        f"to be good to {_small(rules.reading_m, say)} (one standard deviation)"
    )


def _small(length_m: float, say: Measures, *, signed: bool = False) -> str:
    """Hundredths of a millimetre, or thousandths of an inch."""
    plus = "+" if signed else ""
    if say.inches:
        return f"{length_m / M_PER_INCH:{plus}.4f} in"
    return f"{length_m * 1000:{plus}.2f} mm"


def _section(gauge: Gauge, rules: GaugeRules, say: Measures) -> str:
    words = (
        f"Changed by {_small(gauge.change_m, say, signed=True)} ± {_small(gauge.change_plus_minus_95_m, say)} "
        f"from {gauge.readings[0].read_on} to {gauge.readings[-1].read_on}, {len(gauge.readings)} readings."
    )
    if gauge.rate_m_a_year is not None and gauge.rate_plus_minus_95_m is not None:
        words += (
            f" Rate {_small(gauge.rate_m_a_year, say, signed=True)} ± {_small(gauge.rate_plus_minus_95_m, say)} a year"
            f"{' with warmth taken off' if gauge.by_warmth_m_degc is not None else ''}."
        )
    if gauge.rules != rules:
        words += f" Its own limits: {_limits(gauge.rules, say)}."
    mark = ' class="beyond"' if gauge.verdict in ("beyond the limit", "moving") else ""
    return (
        f"<section><h2>{html.escape(gauge.name)}</h2><p{mark}>{html.escape(gauge.verdict.capitalize())}: "
        f"{html.escape(gauge.why)}.</p><p>{html.escape(words)}</p>{_plot(gauge, say)}</section>"
    )


def _plot(gauge: Gauge, say: Measures) -> str:
    first = gauge.readings[0]
    unit, word, digits = (M_PER_INCH, "in", 4) if say.inches else (0.001, "mm", 2)
    values = [r.value_m / unit for r in gauge.readings]
    start = first.value_m / unit
    limits = (start - gauge.rules.limit_m / unit, start + gauge.rules.limit_m / unit)
    low, high = min(*values, limits[0]), max(*values, limits[1])
    room = 0.08 * (high - low)
    low, high = low - room, high + room
    days = max(1, (gauge.readings[-1].read_on - first.read_on).days)

    def x(day: dt.date) -> float:
        return _LEFT + (day - first.read_on).days / days * (_WIDTH - _LEFT - _RIGHT)

    def y(value: float) -> float:
        return _TOP + (high - value) / (high - low) * (_HEIGHT - _TOP - _FOOT)

    points = [(x(r.read_on), y(r.value_m / unit)) for r in gauge.readings]
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
    marks = "".join(
        f'<line x1="{_LEFT}" y1="{y(v):.1f}" x2="{_WIDTH - _RIGHT}" y2="{y(v):.1f}" stroke="#b04020" '
        f'stroke-dasharray="6 4"/><text x="{_WIDTH - _RIGHT + 6}" y="{y(v) + 4:.1f}">limit {v:.{digits}f}</text>'
        for v in limits
    )
    dots = "".join(f'<circle cx="{a:.1f}" cy="{b:.1f}" r="3.5" fill="#1e1e1e"/>' for a, b in points)
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{html.escape(gauge.name)}: readings in {word}">'
        f'<rect x="{_LEFT}" y="{_TOP}" width="{_WIDTH - _LEFT - _RIGHT}" height="{_HEIGHT - _TOP - _FOOT}" fill="none" stroke="#888"/>'
        f"{marks}"
        f'<polyline points="{line}" fill="none" stroke="#1e1e1e" stroke-width="1.5"/>{dots}'
        f'<text x="{_LEFT - 6}" y="{y(start) + 4:.1f}" text-anchor="end">{start:.{digits}f} {word}</text>'
        f'<text x="{_LEFT}" y="{_HEIGHT - 8}">{first.read_on}</text>'
        f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - 8}" text-anchor="end">{gauge.readings[-1].read_on}</text></svg>'
    )
