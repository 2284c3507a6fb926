"""The figures of an estate as one page that needs no network: every elevation, sums of what is shown, and what to do first."""

from __future__ import annotations

import base64
import hashlib
import html
from collections.abc import Iterable, Mapping, Sequence
from importlib.resources import files
from typing import Any

from facademap.repair.cautions import DEFER
from facademap.report.estate_plan import estate_data, in_page

__all__ = ["estate_page"]

_FRAMES = "; frame-src 'self' file:"
_PLAN = """<section data-by-script hidden><h2>Where they stand</h2><div class="tools"><label>Colour and width by<br><select id="measure">MEASURES</select></label>
<span id="keys"></span></div><div id="plan"><div class="zoom"><button type="button" id="nearer" aria-label="Nearer">+</button><button type="button" id="farther" aria-label="Farther">\u2212</button><button type="button" id="all">All</button></div></div>
<p>Lines are the walls on the ground, north up. A click on one, or on a row of the table, puts it on the left below; with the shift key on the right.</p></section>"""
_BESIDE = """<section id="beside" data-by-script hidden><h2>Side by side</h2><div class="tools"><label>Left<br><select id="left"></select></label>
<label>Right<br><select id="right"></select></label></div><div class="wide"><table><thead><tr id="heads"></tr></thead><tbody id="compared"></tbody></table></div>FRAMES</section>"""
_TWO_FRAMES = '<div class="frames"><iframe id="map-left" hidden></iframe><iframe id="map-right" hidden></iframe></div>'
_YEARS = """<section id="years" data-by-script hidden><h2>Over the years, of what is shown</h2>
<p>Conditions by the year in which they were observed (red: those of CC3), repairs by the year in which they came into the wall (outlined). What has no day is in no year. More
conditions in a year may mean that more was looked at, not that more decayed: growth is told by a comparison of two surveys.</p>
<p id="no-years">No conditions with a day, and no repairs done, are among what is shown.</p><svg id="chart" role="img" aria-label="Conditions observed and repairs done by year"></svg>
<table id="years-table" class="cards"><thead><tr><th>Year</th><th class="n">Conditions observed</th><th class="n">of CC3</th><th class="n">of UC3</th><th class="n">Repairs done</th>
<th class="n">Stone out, litres</th></tr></thead><tbody id="of-years"></tbody></table></section>"""
_NUMBERS: tuple[tuple[str, str, int], ...] = (
    ("conditions", "Conditions", 0),
    ("CC3", "CC3", 0),
    ("CC2", "CC2", 0),
    ("CC1", "CC1", 0),
    ("CC0", "CC0", 0),
    ("not classed", "Not classed", 0),
    ("UC3", "Most urgent (UC3)", 0),
    ("to_do", "Repairs", 0),
    ("done", "Done", 0),
    ("stone", "Stone out, litres", 1),
    ("stone_not_told", "Stone not told", 0),
    ("due_now", "Looks due", 0),
    ("due_in_a_year", "Within a year", 0),
)
_COSTS: tuple[tuple[str, str, int], ...] = (
    ("low", "Cost, low", 0),
    ("likely", "likely", 0),
    ("high", "high", 0),
    ("without_price", "Without price", 0),
)


def estate_page(
    found: Mapping[str, Any],
    *,
    choice: Mapping[str, Any] | None = None,
    notes: Sequence[str] = (),
    maps: Mapping[tuple[str, str], str] | None = None,
) -> str:
    """The page.

    Parameters
    ----------
    found : mapping
        ``elevations`` (figures of each), ``unread``, ``day``, ``currency``.
    choice : mapping, optional
        What to do first for a budget: ``do``, ``left``, ``cannot`` and its sums.
    notes : sequence of str
        What the figures do not say.
    maps : mapping of (project, elevation) to str, optional
        Where the condition map of an elevation lies, from the page.

    Returns
    -------
    str
        HTML.
    """
    walls = sorted(found["elevations"], key=lambda w: (w["building"], w["title"]))
    priced = any("cost" in w for w in walls)
    numbers = [*_NUMBERS, *(_COSTS if priced else ())]
    buildings = "".join(f"<option>{_said(b)}</option>" for b in dict.fromkeys(w["building"] for w in walls))  # fmt: skip
    said = "".join(
        f"<li>{_said(n)}</li>" for n in (*_notes(found, priced), *_unplaced(walls), *notes)
    )
    body = "".join(_wall(w, numbers) for w in walls)
    heads = "".join(f'<th class="n">{_said(title)}</th>' for _, title, _ in numbers)
    foot = "".join(
        f'<td class="n" data-of="{_said(title)}" data-sum="{_said(key)}" data-digits="{digits}">'
        f"{sum(_values(w)[key] for w in walls):.{digits}f}</td>"
        for key, title, digits in numbers
    )
    script = _part("estate.js")
    proof = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    data = in_page(estate_data(walls, numbers, _values, maps or {}))
    plan = _PLAN if any(w["ground"] for w in walls) else ""
    measures = "".join(
        f'<option value="{_said(key)}"{" selected" if key == "CC3" else ""}>{_said(title)}</option>'
        for key, title, _ in numbers
    )
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{proof}'{_FRAMES if maps else ""}">
<title>Estate</title><style>{_part("estate.css")}</style></head><body>
<h1>Estate, {_said(found["day"])}</h1><p class="caution">{_said(DEFER)}</p><ul>{said}</ul>
<form hidden><label>Building<br><select name="building"><option value="">all</option>{buildings}</select></label>
<label>Words<br><input name="words" type="search"></label>
<label><input name="severe" type="checkbox"> with CC3</label><label><input name="due" type="checkbox"> with looks due</label>
<label><input name="open" type="checkbox"> with repairs to do</label><button type="reset">Show all</button>
<span>Elevations shown: <span id="count"></span></span></form>
{plan.replace("MEASURES", measures)}
<div class="wide"><table id="walls"><thead><tr><th>Building</th><th>Elevation</th><th>Progress</th>{heads}</tr></thead><tbody>{body}</tbody>
<tfoot><tr><td colspan="3">Of what is shown</td>{foot}</tr></tfoot></table></div>
{_BESIDE.replace("FRAMES", _TWO_FRAMES if maps else "")}{_YEARS}
{_choice(choice, str(found["currency"])) if choice is not None else ""}<script type="application/json" id="estate">{data}</script><script>{script}</script></body></html>
"""


def _part(name: str) -> str:
    return (files("facademap.report") / "estate_parts" / name).read_text(encoding="utf-8")


def _unplaced(walls: Sequence[Mapping[str, Any]]) -> Iterable[str]:
    missing = [f"{w['building']}, {w['title']}" for w in walls if not w["ground"]]
    if missing and len(missing) == len(walls):
        yield "No elevation has its place in the world, so there is no plan: give survey points with add-control."
    elif missing:
        more = f" and {len(missing) - 10} more" if len(missing) > 10 else ""
        yield f"Not on the plan, since nobody gave their place in the world: {'; '.join(missing[:10])}{more}."


def _said(text: object) -> str:
    return html.escape(str(text), quote=True)


def _values(wall: Mapping[str, Any]) -> dict[str, float]:
    low, likely, high = wall.get("cost", (0.0, 0.0, 0.0))
    return {
        **{k: wall[k] for k in ("conditions", "to_do", "done", "stone_not_told", "due_now", "due_in_a_year")},
        **wall["classes"],
        "UC3": wall["urgencies"]["UC3"],
        "stone": wall["stone_taken_m3"] * 1000.0,
        "low": low, "likely": likely, "high": high,
        "without_price": wall.get("without_price", 0),
    }  # fmt: skip


def _wall(wall: Mapping[str, Any], numbers: Sequence[tuple[str, str, int]]) -> str:
    values = _values(wall)
    share = wall["done"] / wall["to_do"] if wall["to_do"] else 0.0
    progress = (
        f'<span class="bar"><i style="width:{share * 100:.0f}%"></i></span> {wall["done"]} of {wall["to_do"]}'
        if wall["to_do"]
        else "no repairs"
    )
    cells = "".join(
        f'<td class="n{" late" if key == "due_now" and values[key] else ""}" data-of="{_said(title)}" data-key="{_said(key)}" '
        f'data-value="{values[key]!r}">{values[key]:.{digits}f}</td>'
        for key, title, digits in numbers
    )
    return (
        f'<tr class="wall" data-building="{_said(wall["building"])}" data-severe="{wall["classes"]["CC3"]}" '
        f'data-due="{wall["due_now"]}" data-open="{wall["to_do"] - wall["done"]}"><td data-of="Building">{_said(wall["building"])}</td>'
        f'<td data-of="Elevation">{_said(wall["title"])}</td><td data-of="Progress">{progress}</td>{cells}</tr>'
    )


def _notes(found: Mapping[str, Any], priced: bool) -> Iterable[str]:
    yield "CC and UC are the condition and urgency classes after EN 16096; stone out is original stone that the repairs as planned take out."
    if priced:
        yield f"Costs in {found['currency']} by the rates given, of all repairs to do and done; a repair without a rate is in no sum."
    else:
        yield "No rates were given, so nothing is said of costs."
    for one in found["unread"]:
        name = str(one["project"]).rsplit("/", 1)[-1]
        yield f"Not counted: {name}: {one['problem'].replace(str(one['project']), name)}"


def _choice(choice: Mapping[str, Any], currency: str) -> str:
    proof = (
        "nothing better is possible with these prices and weights"
        if choice["proved"]
        else f"at most {choice['bound']:g} would be possible; the time was too short for a proof"
    )
    weights = ", ".join(f"UC{n} {w:g}" for n, w in enumerate(choice["weights"]))
    head = (
        f"{choice['repairs']} repairs answer {len(choice['do'])} conditions for {choice['cost']:.0f} {currency} of {choice['budget']:.0f}, "
        f"with {choice['scaffolds']} scaffolds and {choice['stone_m3'] * 1000:.1f} litres of stone taken out. "
        f"They count {choice['weight']:g} (weights {weights}): {proof}."
    )
    note = "Whoever is endangered comes first whatever it counts: see the make-safe lists. Prices are the likely ones."
    do = _table(
        ("Building", "Elevation", "Condition", "Term", "Urgency", "Repairs"),
        ([c["building"], c["elevation"], c["condition"], c["term"], f"UC{c['urgency']}", ", ".join(c["repairs"])] for c in choice["do"]),
    )  # fmt: skip
    left = _table(
        ("Building", "Elevation", "Condition", "Urgency", "Costs", "Why not", "Less answered", "Given up for it"),
        (
            [
                c["building"], c["elevation"], c["condition"], f"UC{c['urgency']}", f"{c['costs']:.0f}", c["why"],
                "" if c["less"] is None else f"{c['less']:g}", ", ".join(c["instead"]),
            ]
            for c in choice["left"]
        ),
    )  # fmt: skip
    cannot = _table(
        ("Building", "Elevation", "Condition", "Term", "Urgency", "Why not"),
        ([c["building"], c["elevation"], c["condition"], c["term"], f"UC{c['urgency']}", c["why"]] for c in choice["cannot"]),
    )  # fmt: skip
    more = f"<p>{choice['without_urgency']} conditions have no urgency class and were not weighed.</p>" if choice["without_urgency"] else ""  # fmt: skip
    return (
        f"<h2>First, for the money there is</h2><p>{_said(head)}</p><p>{_said(note)}</p>{do}"
        f"<h2>Why not the others</h2>{left}<h2>What no money answers now</h2>{more}{cannot}"
    )


def _table(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    body = "".join(
        "<tr>"
        + "".join(f'<td data-of="{_said(h)}">{_said(v)}</td>' for h, v in zip(heads, row, strict=True))
        + "</tr>"
        for row in rows
    )  # fmt: skip
    if not body:
        return "<p>None.</p>"
    head = "".join(f"<th>{_said(h)}</th>" for h in heads)
    return f'<table class="cards"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
