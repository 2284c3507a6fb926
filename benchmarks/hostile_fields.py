"""A thousand hostile fields: each text in every cell that takes it, against every page, drawing, table and paper.

Run ``python benchmarks/hostile_fields.py [--first 0] [--rounds 5]``; ends with 1 when a bar is missed. Bars: no script
runs in the map, the desk or a drawing, no table holds a formula, every XML, DXF, PDF and GeoPackage stays whole and says
the text as text. A round takes one text through a project of its own; the fields told are cells, each with one text.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
import test_hostile_text as hostile
from map_sample import CHROMIUM, FLAGS
from playwright.sync_api import sync_playwright

from facademap.tasks.issue.papers import make_papers

#: Ways out of a text into markup, an attribute, a script, a style, an address, a formula, a drawing and a paper.
TEXTS = (
    hostile.HOSTILE,
    '"><script>window.hacked=1</script>',
    "' autofocus onfocus=window.hacked=1 x='",
    "');window.hacked=1;('",
    '\\";window.hacked=1;//',
    "${window.hacked=1}`-(window.hacked=1)-`",
    "</script><script>window.hacked=1</script>",
    "</style><style>@import 'data:text/css,*{}'</style><svg/onload=window.hacked=1>",
    "<iframe srcdoc='<script>parent.hacked=1</script>'></iframe>",
    "javascript:window.hacked=1",
    "<a href=javascript:window.hacked=1 id=x>x</a><form action=javascript:window.hacked=1>",
    "<math><mtext><table><mglyph><style><img src=x onerror=window.hacked=1>",
    "<!--><img src=x onerror=window.hacked=1>-->]]><x:script xmlns:x='http://www.w3.org/1999/xhtml'>window.hacked=1</x:script>",
    "<base href=//hacked.invalid/><meta http-equiv=refresh content='0;url=data:text/html,x'>",
    "+1+cmd|' /C hacked'!A0",
    "-1+hacked()",
    "@SUM(1)*hacked",
    "\u202e=1+hacked\u202c",
    ") Tj /OpenAction << /S /JavaScript /JS (hacked) >> endobj",
    "\\U+000A  0 EOF hacked {\\C1;x} %%c",
    "&lt;script&gt;window.hacked=1&lt;/script&gt;&#60;img src=x onerror=window.hacked=1&#62;",
    "__proto__ constructor {{constructor.constructor('window.hacked=1')()}} hacked",
)


def main() -> None:
    """All rounds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    began, fields, faults = time.monotonic(), 0, 0
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for number in range(given.first, given.first + given.rounds):
            hostile.HOSTILE = TEXTS[number % len(TEXTS)]
            with tempfile.TemporaryDirectory() as place:
                cells, found = _round(browser, Path(place))
            fields, faults = fields + cells, faults + len(found)
            print(f"text {number}: {cells} fields, {len(found)} faults", flush=True)
            for fault in found:
                print(f"    {fault}", flush=True)
        browser.close()
    print(f"{fields} hostile fields in {time.monotonic() - began:.0f} s; {faults} faults (bar 0)")
    sys.exit(1 if faults else 0)


def _round(browser: Any, place: Path) -> tuple[int, list[str]]:
    folder, cells = hostile.hostile_project(place)
    made = make_papers(folder)
    papers = [p for p in (folder / "out").rglob("*") if p.is_file()]
    faults = [f"{name}: {why}" for name, why in made.failed.items()]
    checks: tuple[Callable[[], None], ...] = (
        lambda: hostile.test_no_page_and_no_drawing_runs_it(browser, folder, papers),
        lambda: hostile.test_the_desk_runs_it_nowhere(browser, folder),
        lambda: hostile.test_no_table_holds_a_formula(papers),
        lambda: hostile.test_every_xml_stays_whole_and_no_pdf_acts(papers),
        lambda: hostile.test_styles_for_a_gis_are_whole(folder, papers),
        lambda: hostile.test_a_gis_reads_it_as_text(papers),
        lambda: hostile.test_drawing_files_keep_their_structure(papers),
    )
    for check in checks:
        try:
            check()
        except Exception as fault:
            where = traceback.extract_tb(fault.__traceback__)[-1]
            faults.append(
                f"{where.name} line {where.lineno}: {type(fault).__name__} {str(fault)[:300]}"
            )
    return len(cells), faults


if __name__ == "__main__":
    main()
