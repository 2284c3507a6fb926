"""Five thousand proposals on one wall at the desk: opened, confirmed one by one, and many at once.

Run ``python benchmarks/web_proposals.py [--stones 5000]``. A wall of that many proposed stones is made; the desk is opened in a
browser, *Confirm by eye* begun, and each of thirty stones confirmed by its key. Told are the processor time that the page spends on a step,
its longest uninterrupted task, and the time of confirming all sure ones in view. A stall is a task above 200 ms.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
import desk_sample
import geopandas as gpd
import shapely
from desk_browser import Server, open_desk
from playwright.sync_api import sync_playwright

from facademap.store.gate import store_large
from facademap.store.project import Project
from facademap.tables import TABLES

STEPS, STALL_MS = 30, 200.0


def filled(folder: Path, stones: int) -> None:
    """Put proposed stones on the wall in courses."""
    with Project.open(folder) as project:
        there = project.read("wall_stones")
        name, crs = str(project.read("surfaces")["id"].iloc[0]), there.crs
        left, low, right, high = there.total_bounds
        across = round((stones * (right - left) / (high - low)) ** 0.5)
        wide, tall = (right - left) / across, (high - low) / (stones // across)
        with project.edit(who="ann", what="clear") as edit:
            for table in ("conditions", "wall_stones"):
                for id in project.read(table)["id"]:
                    edit.delete(table, id)

        def keep(edit) -> None:
            frame = gpd.GeoDataFrame(
                {
                    "id": [edit.new_id("S") for _ in range(stones)],
                    "surface": name,
                    "course": [k // across + 1 for k in range(stones)],
                    "number": [k % across + 1 for k in range(stones)],
                    "origin": "assisted",
                    "note": [
                        f"proposed, confidence {0.5 + (k * 37 % 50) / 100:.2f}"
                        for k in range(stones)
                    ],
                },
                geometry=[
                    shapely.box(
                        left + (k % across + 0.03) * wide,
                        low + (k // across + 0.03) * tall,
                        left + (k % across + 0.97) * wide,
                        low + (k // across + 0.97) * tall,
                    )
                    for k in range(stones)
                ],
                crs=crs,
            )
            edit.put("wall_stones", TABLES["wall_stones"].check(frame, source="proposals"))

        store_large(project, keep, who="ann", what="propose")


def main() -> None:
    """Open, confirm, tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stones", type=int, default=5000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as home, sync_playwright() as started:
        folder = desk_sample.make_project(Path(home) / "sample", many=8, blocks=0)
        filled(folder, given.stones)
        server = Server(folder).start()
        browser = started.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        try:
            page, watch = open_desk(browser, server)
            spent = page.context.new_cdp_session(page)
            spent.send("Performance.enable")

            def processor_ms() -> float:
                told = {
                    m["name"]: m["value"] for m in spent.send("Performance.getMetrics")["metrics"]
                }
                return 1000 * told["TaskDuration"]

            page.evaluate(
                "() => { window.tasks = []; new PerformanceObserver((l) => window.tasks.push("
                "...l.getEntries().map((e) => e.duration))).observe({entryTypes: ['longtask']}); }"
            )
            opened = processor_ms()
            page.get_by_role("button", name="Confirm by eye").first.click()
            page.wait_for_timeout(1500)
            print(
                f"begun: {processor_ms() - opened:.0f} ms of the page; {page.locator('.sketch-bar.confirming').inner_text()!r}"
            )
            steps = []
            for _ in range(STEPS):
                before = processor_ms()
                page.keyboard.press("Enter")
                page.wait_for_timeout(700)
                steps.append(processor_ms() - before)
            print(
                f"a step: median {statistics.median(steps):.0f} ms, most {max(steps):.0f} ms of the page"
            )
            page.keyboard.press("0")
            page.wait_for_timeout(1500)
            before = processor_ms()
            page.get_by_role("button", name="Confirm sure ones in view").click()
            page.wait_for_timeout(4000)
            print(
                f"all sure ones in view: {processor_ms() - before:.0f} ms of the page; {page.locator('.sketch-bar.confirming').inner_text()!r}"
            )
            tasks = page.evaluate("() => window.tasks")
            print(
                f"tasks above 50 ms: {len(tasks)}, longest {max(tasks, default=0):.0f} ms (a stall: above {STALL_MS:g})"
            )
            print("faults:", watch.faults)
        finally:
            browser.close()
            server.stop()


if __name__ == "__main__":
    main()
