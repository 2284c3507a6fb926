"""The condition map in a real browser, from disk, with the network off."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from playwright.sync_api import Page, sync_playwright

from facademap.errors import InputError
from facademap.io.rasters import write_elevation
from facademap.store.project import Project
from facademap.tasks.add_review import add_review
from facademap.tasks.condition_map import make_condition_map
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]
HOSTILE = "<img src=x onerror=\"window.hacked=1\"></script><script>window.hacked=1</script>&quot;"


def _project(folder: Path, *, hostile: str = "", picture: bool = True) -> Project:
    project = Project.create(folder, name=f"Sail loft {hostile}".strip())
    wkt = wall_crs("front", "test front")
    with project.edit(who="test", what="set up") as edit:
        edit.insert("elevations", [{"id": "river", "name": f"River front {hostile}"}])
        edit.insert("surfaces", [{"id": "front", "elevation": "river", "name": f"Main wall {hostile}", "frame_wkt": wkt,
                                  "control_rmse_m": 0.001, "control_n": 12, "check_rmse_m": 0.0014, "check_n": 31,
                                  "world": {"epsg": 25832, "matrix": [[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0]]},
                                  **({"picture": "elevations/front.tif", "gsd_m": 0.004} if picture else {})}])
        edit.insert("wall_stones", [{"id": f"S-{c}-{r}", "surface": "front", "course": r, "number": c,
                                     "geometry": shapely.box(c, r * 0.5, c + 0.99, r * 0.5 + 0.49)} for c in range(4) for r in range(4)])
        edit.insert("openings", [{"id": "W-1", "surface": "front", "geometry": shapely.box(3, 1, 3.6, 1.6)}])
        edit.insert("conditions", [
            {"id": "C-001", "surface": "front", "term": "scaling", "family": "B", "cc": 2, "uc": 3, "rc": 2, "area_m2": 0.12,
             "note": hostile or "by the stair", "wall_stone": "S-0-1", "survey": "1", "geometry": shapely.box(0.2, 0.6, 0.5, 1.0)},
            {"id": "C-002", "surface": "front", "term": "alga", "family": "E", "cc": 1, "uc": 0, "rc": 1, "area_m2": 0.25,
             "wall_stone": "S-2-2", "survey": "2", "photo": "gone.jpg", "geometry": shapely.box(2, 1, 2.5, 1.5)},
            {"id": "C-003", "surface": "front", "term": "crack", "family": "A", "cc": 2, "uc": 1, "rc": 2, "survey": "2",
             "length_m": 1.0, "area_m2": 0, "geometry": shapely.LineString([(1, 0.2), (2, 0.2)])},
            {"id": "C-004", "surface": "front", "term": "perforation", "family": "C", "area_m2": 0, "geometry": shapely.Point(1.5, 1.8)}])
        edit.insert("repairs", [{"id": "R-001", "surface": "front", "treatment": "inset", "conditions": ["C-001"], "depth_m": 0.06,
                                 "edges": [0.003] * 4, "removed_area_m2": 0.15, "removed_volume_m3": 0.009,
                                 "cautions": ["Cut with water and wear a mask."], "geometry": shapely.box(0.15, 0.55, 0.55, 1.02),
                                 "pins": [{"u_m": 0.3, "v_m": 0.8, "rod_m": 0.006, "hole_m": 0.009, "embedment_m": 0.06,
                                           "into_piece_m": 0.03, "grade": "316"}]}])
    if picture:
        grid = PixelGrid.over(Extent(u0_m=0, v0_m=0, u1_m=4, v1_m=2), gsd_m=0.004)
        rng = np.random.default_rng(1)
        windows = ((w, rng.integers(90, 190, (w.height, w.width, 3), dtype=np.uint8), np.full((w.height, w.width), 255, np.uint8))
                   for w in grid.windows(512))
        write_elevation(project.place("elevations/front.tif"), grid, windows, crs_wkt=wkt)
    return project


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


def _open(chromium: Any, path: str, *, width: int = 1280) -> tuple[Page, list[str]]:
    context = chromium.new_context(viewport={"width": width, "height": 860}, offline=True, accept_downloads=True)
    page = context.new_page()
    trouble: list[str] = []
    page.on("pageerror", lambda error: trouble.append(f"error {error}"))
    page.on("console", lambda m: trouble.append(m.text) if m.type == "error" else None)
    page.on("request", lambda r: trouble.append(f"request {r.url}") if not r.url.startswith(("data:", "blob:", f"file://{path.split('#')[0]}")) else None)
    page.goto(f"file://{path}")
    page.wait_for_selector("html[data-ready=yes]", timeout=10_000)
    return page, trouble


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("map") / "sail-loft"
    _project(folder).close()
    return folder, make_condition_map(folder)["path"]


def test_the_page_opens_offline_and_says_the_essential(chromium: Any, made: tuple[Path, str]) -> None:
    page, trouble = _open(chromium, made[1])
    summary = page.inner_text("#panel-summary")
    assert "4" in summary
    assert "0.37 m²" in summary
    assert "C-001" in summary, "what is urgent comes first"
    assert page.evaluate("document.querySelectorAll('.leaflet-tile-pane img').length") > 0
    assert trouble == []


def test_areas_in_the_legend_equal_the_tables_and_follow_the_filters(chromium: Any, made: tuple[Path, str]) -> None:
    page, trouble = _open(chromium, made[1])
    page.click("#tab-panel-legend")
    page.wait_for_timeout(200)
    with Project.open(made[0], read_only=True) as project:
        area = project.read("conditions")["area_m2"].sum()
    assert f"{area:.4f} m²" in page.inner_text("#legend-total")
    page.uncheck("label.tick:has-text('scaling') input")
    page.wait_for_timeout(200)
    assert "3 conditions" in page.inner_text("#legend-total")
    assert "0.2500 m²" in page.inner_text("#legend-total")
    page.check("label.tick:has-text('scaling') input")
    page.uncheck("label.tick:has-text('UC0') input")
    page.wait_for_timeout(200)
    assert "0.1200 m²" in page.inner_text("#legend-total")
    assert trouble == []


def test_search_selects_on_the_wall_and_a_click_on_the_wall_shows_the_details(chromium: Any, made: tuple[Path, str]) -> None:
    page, trouble = _open(chromium, made[1])
    page.click("#tab-panel-list")
    page.fill("#search", "stair")
    page.wait_for_timeout(250)
    assert page.locator("#rows li").count() == 1
    page.click("#rows button")
    details = page.inner_text("#panel-detail")
    assert "scaling" in details
    assert "S-0-1" in details
    assert "#condition" in page.url
    page.click("#whole")
    spot = page.evaluate("""() => { const p = Stage.map.latLngToContainerPoint([1.25, 2.25]), r = document.getElementById('stage').getBoundingClientRect();
        return [p.x + r.left, p.y + r.top]; }""")
    page.mouse.click(*spot)
    page.wait_for_timeout(100)
    assert "alga" in page.inner_text("#panel-detail")
    assert "missing" in page.inner_text("#panel-detail"), "a missing photo is said"
    assert trouble == []


def test_a_repair_shows_joints_pins_and_cautions(chromium: Any, made: tuple[Path, str]) -> None:
    page, trouble = _open(chromium, made[1] + "#repair%3AR-001")
    details = page.inner_text("#panel-detail")
    for word in ("inset", "3.0 mm", "316 rod 6 mm", "water", "60 mm", "No block serves it"):
        assert word in details
    assert trouble == []


def test_measuring_gives_a_length_with_its_uncertainty(chromium: Any, made: tuple[Path, str]) -> None:
    page, trouble = _open(chromium, made[1])
    page.click("#measure")
    for v, u in ((1.0, 1.0), (1.0, 3.0)):
        spot = page.evaluate(f"""() => {{ const p = Stage.map.latLngToContainerPoint([{v}, {u}]), r = document.getElementById('stage').getBoundingClientRect();
            return [p.x + r.left, p.y + r.top]; }}""")
        page.mouse.click(*spot)
        page.wait_for_timeout(350)
    hint = page.inner_text("#hint").replace("\u202f", "")
    length = int(hint.split("length ")[1].split(" mm")[0])
    assert abs(length - 2000) <= 15, "a pixel of the screen is about 5 mm here"
    assert "± 3 mm" in hint, "1.96 * sqrt(2) * 1.4 mm / sqrt(2) = 2.7 mm"
    page.select_option("#units", "ft")
    assert "ft" in page.inner_text(".scalebar")
    assert trouble == []


def test_swipe_print_and_grid_work(chromium: Any, made: tuple[Path, str]) -> None:
    page, trouble = _open(chromium, made[1])
    page.click("#swipe")
    page.wait_for_timeout(300)
    assert page.evaluate("getComputedStyle(Stage.map.getPane('left')).clipPath").startswith("polygon")
    page.click("#swipe")
    page.click("#print")
    page.select_option("#print-scale", "20")
    page.click("text=Make the print view")
    bar = page.evaluate("""() => { const svg = document.querySelector('#print-view svg'), r = svg.getBoundingClientRect();
        return r.width / svg.viewBox.baseVal.width; }""")
    assert bar == pytest.approx(96 / 25.4, rel=0.002), "a millimetre of the drawing is a millimetre of paper"
    page.keyboard.press("Escape")
    assert page.is_hidden("#print-view")
    assert trouble == []


def test_a_review_goes_out_and_comes_back(chromium: Any, made: tuple[Path, str], tmp_path: Path) -> None:
    page, trouble = _open(chromium, made[1] + "#repair%3AR-001")
    page.click("#tab-panel-review")
    page.fill("#reviewer", "P. Lanner")
    page.select_option("#decision", "return")
    page.click("#review-add")
    assert "reason" in page.inner_text("#panel-review [role=alert]")
    page.fill("#review-text", "Keep the old arris <b>please</b>")
    page.click("#review-add")
    assert page.evaluate("(() => { const e = new Event('beforeunload', {cancelable: true}); window.dispatchEvent(e); return e.defaultPrevented; })()")
    with page.expect_download() as download:
        page.click("#review-save")
    target = tmp_path / "review.json"
    download.value.save_as(target)
    assert not page.evaluate("(() => { const e = new Event('beforeunload', {cancelable: true}); window.dispatchEvent(e); return e.defaultPrevented; })()")
    result = add_review(made[0], target)
    assert result["added"] == 1
    assert result["returned"] == ["R-001"]
    assert add_review(made[0], target)["added"] == 0, "the same file read twice adds nothing"
    with Project.open(made[0], read_only=True) as project:
        row = project.read("reviews").iloc[-1]
    assert (row["reviewer"], row["decision"], row["text"]) == ("P. Lanner", "return", "Keep the old arris <b>please</b>")
    content = json.loads(target.read_text())
    target.write_text(json.dumps({**content, "project": "another"}))
    with pytest.raises(InputError, match="another project"):
        add_review(made[0], target)
    assert trouble == []


@pytest.mark.parametrize("width", [1280, 390])
def test_keyboard_reaches_everything_and_nothing_spills_sideways(chromium: Any, made: tuple[Path, str], width: int) -> None:
    page, trouble = _open(chromium, made[1], width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.focus("#tab-panel-summary")
    page.keyboard.press("ArrowRight")
    assert page.is_visible("#panel-legend")
    unnamed = page.evaluate("""[...document.querySelectorAll('button, input, select, textarea')].filter((n) =>
        !(n.textContent.trim() || n.getAttribute('aria-label') || (n.labels && n.labels.length))).map((n) => n.outerHTML.slice(0, 80))""")
    assert unnamed == []
    assert trouble == []


def test_hostile_texts_stay_text(chromium: Any, tmp_path: Path) -> None:
    _project(tmp_path / "p", hostile=HOSTILE).close()
    page, trouble = _open(chromium, make_condition_map(tmp_path / "p")["path"] + "#condition%3AC-001")
    for tab in ("summary", "legend", "list", "detail", "review", "help"):
        page.click(f"#tab-panel-{tab}")
    page.wait_for_timeout(200)
    assert page.evaluate("window.hacked") is None
    page.click("#tab-panel-detail")
    assert "onerror" in page.inner_text("#panel-detail")
    assert trouble == []


def test_a_wall_without_picture_or_conditions_still_opens_and_says_so(chromium: Any, tmp_path: Path) -> None:
    project = _project(tmp_path / "p", picture=False)
    with project.edit(who="test", what="clear") as edit:
        edit.clear("conditions")
        edit.clear("repairs")
    project.close()
    result = make_condition_map(tmp_path / "p")
    assert any("no rectified picture" in m for m in result["missing"])
    page, trouble = _open(chromium, result["path"])
    assert "no rectified picture" in page.inner_text("#hint")
    assert "No conditions were recorded." in page.inner_text("#panel-summary")
    assert trouble == []


def test_a_large_wall_gets_its_tiles_beside_the_page(chromium: Any, tmp_path: Path) -> None:
    _project(tmp_path / "p").close()
    result = make_condition_map(tmp_path / "p", pixels_in_page=1000)
    path = Path(result["path"])
    assert list((path.parent / "condition-map-tiles" / "front").rglob("*.jpg"))
    context = chromium.new_context(offline=True)
    page = context.new_page()
    page.goto(f"file://{path}")
    page.wait_for_selector("html[data-ready=yes]", timeout=10_000)
    page.wait_for_timeout(400)
    assert page.evaluate("[...document.querySelectorAll('.leaflet-tile-pane img')].some((i) => i.naturalWidth === 512)")


def test_the_same_project_gives_the_same_page(made: tuple[Path, str], tmp_path: Path) -> None:
    first = Path(make_condition_map(made[0], target=tmp_path / "a.html")["path"]).read_bytes()
    second = Path(make_condition_map(made[0], target=tmp_path / "b.html")["path"]).read_bytes()
    assert first == second
