"""The figures of an estate as one page that needs no network: every elevation, sums of what is shown, and what to do first."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from facademap.repair.cautions import DEFER

__all__ = ["estate_page"]

_STYLE = """
body{font:14px/1.4 sans-serif;color:#1e1e1e;max-width:100em;margin:2em auto;padding:0 1em}
table{border-collapse:collapse;width:100%;margin:.5em 0 1.5em}
th,td{border-bottom:1px solid #bbb;padding:.3em .6em .3em 0;text-align:left;vertical-align:top;overflow-wrap:break-word}
td:not(.n){min-width:5em;max-width:22em}th{border-bottom:2px solid #555;vertical-align:bottom}
td.n,th.n{text-align:right}td.n{white-space:nowrap}.wide{overflow-x:auto}#walls{font-size:13px}
tfoot td{font-weight:bold;border-top:2px solid #555}.late{font-weight:bold}
p.caution{border:2px solid #1e1e1e;padding:.5em .8em}
form{display:flex;flex-wrap:wrap;gap:.6em 1.4em;margin:1em 0;align-items:end}label{display:block}
input,select,button{font:inherit;padding:.25em .4em;max-width:100%}
.bar{display:inline-block;height:.8em;border:1px solid #555;width:6em;vertical-align:middle;background:#fff}
.bar i{display:block;height:100%;background:#555}
@media screen and (max-width:800px){thead{display:none}tr{display:block;border-bottom:1px solid #555;padding:.5em 0}
td,td.n{display:block;border:0;padding:.1em 0;text-align:left}td[data-of]:before{content:attr(data-of) ": ";color:#555}}
tr[hidden]{display:none!important}
@media print{form{display:none}body{margin:0;max-width:none;font-size:10px}tr{break-inside:avoid}}
"""
#: Shows rows that fit, and adds up what is shown. It makes no markup: what people typed stays text.
_SCRIPT = """
"use strict";
const form=document.querySelector("form"),rows=[...document.querySelectorAll("tr.wall")];
const shown=(row)=>{const f=form.elements,d=row.dataset;
 return (!f.building.value||d.building===f.building.value)
  &&row.textContent.toLowerCase().includes(f.words.value.trim().toLowerCase())
  &&(!f.severe.checked||+d.severe>0)&&(!f.due.checked||+d.due>0)&&(!f.open.checked||+d.open>0);};
const update=()=>{const sums={};let count=0;
 for(const row of rows){row.hidden=!shown(row);if(row.hidden)continue;count+=1;
  for(const cell of row.querySelectorAll("[data-value]")){const k=cell.dataset.key;sums[k]=(sums[k]||0)+Number(cell.dataset.value);}}
 for(const cell of document.querySelectorAll("tfoot [data-sum]")){
  const digits=Number(cell.dataset.digits);cell.textContent=(sums[cell.dataset.sum]||0).toFixed(digits);}
 document.getElementById("count").textContent=count+" of "+rows.length;};
form.addEventListener("input",update);form.addEventListener("reset",()=>setTimeout(update));
form.addEventListener("submit",(e)=>e.preventDefault());form.hidden=false;update();
"""
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
    found: Mapping[str, Any], *, choice: Mapping[str, Any] | None = None, notes: Sequence[str] = ()
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

    Returns
    -------
    str
        HTML.
    """
    walls = sorted(found["elevations"], key=lambda w: (w["building"], w["title"]))
    priced = any("cost" in w for w in walls)
    numbers = [*_NUMBERS, *(_COSTS if priced else ())]
    buildings = "".join(f"<option>{_said(b)}</option>" for b in dict.fromkeys(w["building"] for w in walls))  # fmt: skip
    said = "".join(f"<li>{_said(n)}</li>" for n in (*_notes(found, priced), *notes))
    body = "".join(_wall(w, numbers) for w in walls)
    heads = "".join(f'<th class="n">{_said(title)}</th>' for _, title, _ in numbers)
    foot = "".join(
        f'<td class="n" data-of="{_said(title)}" data-sum="{_said(key)}" data-digits="{digits}">'
        f"{sum(_values(w)[key] for w in walls):.{digits}f}</td>"
        for key, title, digits in numbers
    )
    return f"""<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'">
<title>Estate</title><style>{_STYLE}</style></head><body>
<h1>Estate, {_said(found["day"])}</h1><p class="caution">{_said(DEFER)}</p><ul>{said}</ul>
<form hidden><label>Building<br><select name="building"><option value="">all</option>{buildings}</select></label>
<label>Words<br><input name="words" type="search"></label>
<label><input name="severe" type="checkbox"> with CC3</label><label><input name="due" type="checkbox"> with looks due</label>
<label><input name="open" type="checkbox"> with repairs to do</label><button type="reset">Show all</button>
<span>Elevations shown: <span id="count"></span></span></form>
<div class="wide"><table id="walls"><thead><tr><th>Building</th><th>Elevation</th><th>Progress</th>{heads}</tr></thead><tbody>{body}</tbody>
<tfoot><tr><td colspan="3">Of what is shown</td>{foot}</tr></tfoot></table></div>
{_choice(choice, str(found["currency"])) if choice is not None else ""}<script>{_SCRIPT}</script></body></html>
"""


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
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
