"""An assessment of workmanship, as plain text and as a page of its own."""

from __future__ import annotations

import html

from facademap.repair.workmanship import Assessment

__all__ = ["report_html", "report_text"]


def report_text(assessment: Assessment) -> str:
    """The assessment as plain text."""
    a = assessment
    lines = [
        "Assessment of workmanship",
        f"Mason: {a.mason or 'not named'}    Assessed by: {a.assessor or 'not named'}    On: {a.assessed_on}",
        f"Standard: {a.standard.name}, fixed on {a.standard.fixed_on}, seal {a.seal}",
        f"Repairs: {', '.join(a.repairs)}",
        f"Result: {'standard reached' if a.passed else 'standard not reached yet'}",
        "",
    ]
    for r in a.results:
        mark = "reached" if r.reached else "not reached"
        tail = f", {r.passed_in_the_end} of {r.assessed} in the end" if r.critical else ""
        gap = f", not checked: {', '.join(r.missing)}" if r.missing else ""
        lines.append(
            f"- {r.criterion}: {r.passed_first} of {r.assessed} at the first check{tail}; asked: {r.asked}: {mark}{gap}"
        )
        lines.append(f"    {r.text}")
    lines += ["", *(f"To work on: {x}" for x in a.reasons)]
    lines += [
        "",
        "Compared with the standard only, never with other persons. The frame follows ASTM E2659 in sense.",
    ]
    return "\n".join(lines) + "\n"


def report_html(assessment: Assessment) -> str:
    """The assessment as one self-contained page; every text is escaped."""
    a, e = assessment, html.escape
    rows = "".join(
        f"<tr><th scope=row>{e(r.criterion)}<br><small>{e(r.text)}</small></th><td>{r.passed_first} of {r.assessed}</td>"
        f"<td>{r.asked}</td><td>{r.passed_in_the_end} of {r.assessed}</td>"
        f"<td>{e(', '.join(r.missing)) or 'none'}</td><td>{'reached' if r.reached else '<strong>not reached</strong>'}</td></tr>"
        for r in a.results
    )
    reasons = "".join(f"<li>{e(x)}</li>" for x in a.reasons)
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>Assessment of workmanship</title>
<style>
body {{ font: 15px/1.5 system-ui, sans-serif; color: #222; max-width: 62rem; margin: 2rem auto; padding: 0 1rem }}
h1 {{ font-size: 1.5rem }} table {{ border-collapse: collapse; width: 100% }}
th, td {{ border: 1px solid #bbb; padding: .35rem .5rem; text-align: left; vertical-align: top }}
thead th {{ background: #eee9e0 }} small {{ color: #555; font-weight: normal }}
.result {{ font-size: 1.15rem; border-left: .4rem solid {"#2c6e49" if a.passed else "#9a3b26"}; padding: .3rem .8rem; background: #f6f3ee }}
</style></head><body>
<h1>Assessment of workmanship</h1>
<p>Mason: {e(a.mason) or "not named"} · Assessed by: {e(a.assessor) or "not named"} · {a.assessed_on}<br>
Standard: {e(a.standard.name)}, fixed on {a.standard.fixed_on}, seal {a.seal}<br>Repairs: {e(", ".join(a.repairs))}</p>
<p class="result">{"Standard reached" if a.passed else "Standard not reached yet"}</p>
<table><thead><tr><th scope=col>Criterion<th scope=col>First check<th scope=col>Asked<th scope=col>In the end<th scope=col>Not checked
<th scope=col>Standard</tr></thead><tbody>{rows}</tbody></table>
{f"<h2>To work on</h2><ul>{reasons}</ul>" if reasons else ""}
<p><small>Compared with the standard only, never with other persons. The frame follows ASTM E2659 in sense.</small></p>
</body></html>
"""
