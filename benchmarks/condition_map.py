"""The condition map with many outlines in headless Chromium: making it, opening it, panning it.

``python benchmarks/condition_map.py [outlines] [megapixels]`` (20 000 outlines and 24 MP without arguments).
Frame times are medians of animation frames while the map is panned, in software rendering.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import shapely
from playwright.sync_api import sync_playwright

from facademap.condition.glossary import TERMS
from facademap.io.rasters import write_elevation
from facademap.store.project import Project
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

PAN = """async (zoom) => {
  Stage.map.setView(Stage.map.getCenter(), zoom, {animate: false});
  await new Promise((r) => setTimeout(r, 800));
  const times = []; let last = performance.now();
  for (let n = 0; n < 60; n++) {
    Stage.map.panBy([n % 20 < 10 ? 24 : -24, n % 12 < 6 ? 8 : -8], {animate: false});
    await new Promise((r) => requestAnimationFrame(r));
    const now = performance.now(); times.push(now - last); last = now;
  }
  return times;
}"""


def build(folder: Path, *, outlines: int, megapixels: float) -> None:
    """A wall of made-up conditions: stars of 20 corners."""
    rng = np.random.default_rng(5)
    width, height = 30.0, 20.0
    wkt = wall_crs("front", "benchmark")
    centres = rng.uniform((0.3, 0.3), (width - 0.3, height - 0.3), (outlines, 2))
    angles = np.linspace(0, 2 * np.pi, 20, endpoint=False)
    radii = rng.uniform(0.02, 0.09, (outlines, 1)) * rng.uniform(0.7, 1.3, (outlines, 20))
    rings = centres[:, None] + radii[..., None] * np.stack(
        [np.cos(angles), np.sin(angles)], axis=-1
    )
    terms = [t for t in TERMS if t.shape == "polygon"]
    grid = PixelGrid.over(
        Extent(u0_m=0, v0_m=0, u1_m=width, v1_m=height),
        gsd_m=(width * height / megapixels / 1e6) ** 0.5,
    )
    tile = rng.integers(110, 180, (512, 512, 3), dtype=np.uint8)
    with (
        Project.create(folder, name="Benchmark") as project,
        project.edit(who="benchmark", what="set up") as edit,
    ):
        edit.insert("elevations", [{"id": "e", "name": "Front"}])
        edit.insert(
            "surfaces",
            [
                {
                    "id": "front",
                    "elevation": "e",
                    "name": "Front",
                    "frame_wkt": wkt,
                    "picture": "elevations/front.tif",
                    "gsd_m": grid.gsd_m,
                }
            ],
        )
        edit.insert(
            "conditions",
            [
                {
                    "id": f"C-{n:05d}",
                    "surface": "front",
                    "term": terms[n % len(terms)].name,
                    "family": terms[n % len(terms)].family,
                    "cc": n % 4,
                    "uc": n % 3,
                    "rc": n % 4,
                    "area_m2": float(shape.area),
                    "geometry": shape,
                }
                for n, shape in enumerate(shapely.polygons(rings))
            ],
        )
        write_elevation(
            project.place("elevations/front.tif"),
            grid,
            (
                (w, tile[: w.height, : w.width], np.full((w.height, w.width), 255, np.uint8))
                for w in grid.windows(512)
            ),
            crs_wkt=wkt,
        )


def main() -> None:
    """Print one line a figure."""
    outlines = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    megapixels = float(sys.argv[2]) if len(sys.argv) > 2 else 24.0
    folder = Path(tempfile.mkdtemp(prefix="facademap-map-"))
    try:
        build(folder / "p", outlines=outlines, megapixels=megapixels)
        start = time.perf_counter()
        result = make_condition_map(folder / "p")
        print(
            f"making the page      {time.perf_counter() - start:8.2f} s  ({result['bytes'] / 1e6:.1f} MB, {result['tiles']} tiles inside)"
        )
        with sync_playwright() as play:
            browser = play.chromium.launch(
                executable_path=shutil.which("chromium"),
                args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
            )
            page = browser.new_context(
                viewport={"width": 1600, "height": 1000}, offline=True
            ).new_page()
            start = time.perf_counter()
            page.goto(f"file://{result['path']}")
            page.wait_for_selector("html[data-ready=yes]", timeout=60_000)
            print(f"usable after         {time.perf_counter() - start:8.2f} s")
            whole = page.evaluate("Stage.map.getZoom()")
            close = page.evaluate(
                "Math.log2(96 / 0.0254 / 5 * Wall.surface().gsd_m) + Wall.surface().levels - 1"
            )
            for label, zoom in (("whole wall", whole), ("1:5", close)):
                times = page.evaluate(PAN, zoom)
                print(
                    f"frame, {label:12s}  {statistics.median(times):8.1f} ms median, {sorted(times)[57]:.1f} ms p95"
                )
            browser.close()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
