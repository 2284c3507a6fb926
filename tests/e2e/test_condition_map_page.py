"""The condition map in a real browser, from disk, with the network off."""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2 as pdfium
import pytest
import shapely
from axe import axe_script
from firefox import Firefox
from map_sample import CHROMIUM, FLAGS, HOSTILE, map_project, open_map
from playwright.sync_api import expect, sync_playwright

from facademap.errors import InputError
from facademap.io.relief_files import open_relief_writer
from facademap.report.condition_map import MapContent, MapSurface, write_condition_map
from facademap.report.estate_page import estate_page
from facademap.report.map_content import map_data
from facademap.store.project import Project
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.tasks.issue.papers_list import MAP
from facademap.tasks.survey.add_review import add_review
from facademap.tasks.survey.kept_gauges import add_gauge, add_reading
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("map") / "sail-loft"
    map_project(folder).close()
    return folder, make_condition_map(folder)["path"]


def test_the_page_opens_offline_and_says_the_essential(
    chromium: Any, made: tuple[Path, str]
) -> None:
    page, trouble = open_map(chromium, made[1])
    summary = page.inner_text("#panel-summary")
    assert "4" in summary
    assert "0.37 m²" in summary
    assert "C-001" in summary, "what is urgent comes first"
    assert page.evaluate("document.querySelectorAll('.leaflet-tile-pane img').length") > 0
    assert trouble == []


def test_areas_in_the_legend_equal_the_tables_and_follow_the_filters(
    chromium: Any, made: tuple[Path, str]
) -> None:
    page, trouble = open_map(chromium, made[1])
    page.click("#tab-panel-legend")
    with Project.open(made[0], read_only=True) as project:
        conditions = project.read("conditions").set_index("id")
    area = conditions["area_m2"].sum()
    expect(page.locator("#legend-total")).to_contain_text(f"{area:.4f} m²")
    read = page.evaluate(
        "Wall.data.features.filter((f) => f.k === 'condition' && f.t === 'P').map((f) => [f.i, Wall.rings(f), f.b])"
    )
    assert read
    for id, (shell, *holes), box in read:
        shape = shapely.Polygon(np.reshape(shell, (-1, 2)), [np.reshape(r, (-1, 2)) for r in holes])
        assert (
            shape.symmetric_difference(
                shapely.transform(conditions.geometry[id], lambda xy: xy * 1000)
            ).area
            < 3 * shape.length
        )
        assert tuple(box) == shape.bounds
    page.uncheck("label.tick:has-text('scaling') input")
    expect(page.locator("#legend-total")).to_contain_text("3 conditions")
    expect(page.locator("#legend-total")).to_contain_text("0.2500 m²")
    page.check("label.tick:has-text('scaling') input")
    page.uncheck("label.tick:has-text('UC0') input")
    expect(page.locator("#legend-total")).to_contain_text("0.1200 m²")
    assert trouble == []


def test_search_selects_on_the_wall_and_a_click_on_the_wall_shows_the_details(
    chromium: Any, made: tuple[Path, str]
) -> None:
    page, trouble = open_map(chromium, made[1])
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
    page, trouble = open_map(chromium, made[1] + "#repair%3AR-001")
    details = page.inner_text("#panel-detail")
    for word in ("inset", "3.0 mm", "316 rod 6 mm", "water", "60 mm", "No block serves it"):
        assert word in details
    assert trouble == []


def test_measuring_gives_a_length_with_its_uncertainty(
    chromium: Any, made: tuple[Path, str]
) -> None:
    page, trouble = open_map(chromium, made[1])
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
    page, trouble = open_map(chromium, made[1])
    page.click("#swipe")
    page.wait_for_timeout(300)
    assert page.evaluate("getComputedStyle(Stage.map.getPane('left')).clipPath").startswith(
        "polygon"
    )
    page.click("#swipe")
    page.click("#print")
    page.select_option("#print-scale", "20")
    page.click("text=Make the print view")
    bar = page.evaluate("""() => { const svg = document.querySelector('#print-view svg'), r = svg.getBoundingClientRect();
        return r.width / svg.viewBox.baseVal.width; }""")
    assert bar == pytest.approx(96 / 25.4, rel=0.002), (
        "a millimetre of the drawing is a millimetre of paper"
    )
    page.keyboard.press("Escape")
    assert page.is_hidden("#print-view")
    assert trouble == []


def test_words_of_the_grid_do_not_meet_in_the_corner_of_a_tile(
    chromium: Any, made: tuple[Path, str]
) -> None:
    page, trouble = open_map(chromium, made[1])
    met = page.evaluate("""() => {
        const said = new Map(), own = CanvasRenderingContext2D.prototype.fillText;
        CanvasRenderingContext2D.prototype.fillText = function (word, x, y) {
            if (/ (m|ft)$/.test(word)) {
                if (!said.has(this)) said.set(this, []);
                said.get(this).push([word, x, y - 11, x + this.measureText(word).width, y]);
            }
            own.call(this, word, x, y);
        };
        const drawn = [];
        /* where lines come down in the corner of a tile, at every place within a hand's breadth of it */
        const surface = Wall.surface(), left = surface.left_m, top = surface.top_m;
        for (let n = 0; n < 40; n++) {
            surface.left_m = left + n * 0.013; surface.top_m = top + n * 0.017;
            Stage.map.eachLayer((l) => { if (l instanceof Draw.Outlines) l.redraw(); });
        }
        for (const words of said.values()) drawn.push(words);
        surface.left_m = left; surface.top_m = top;
        CanvasRenderingContext2D.prototype.fillText = own;
        const over = (a, b) => a[1] < b[3] && b[1] < a[3] && a[2] < b[4] && b[2] < a[4];
        let many = 0;
        const found = drawn.flatMap((words) => words.flatMap((a, k) => words.slice(k + 1).flatMap((b) => { many++; return over(a, b) ? [[a, b]] : []; })));
        return [found, many];
    }""")
    assert met[0] == []
    assert met[1] > 100
    assert trouble == []


def test_a_review_goes_out_and_comes_back(
    chromium: Any, made: tuple[Path, str], tmp_path: Path
) -> None:
    page, trouble = open_map(chromium, made[1] + "#repair%3AR-001")
    page.click("#tab-panel-review")
    page.fill("#reviewer", "P. Lanner")
    page.select_option("#decision", "return")
    page.click("#review-add")
    assert "reason" in page.inner_text("#panel-review [role=alert]")
    page.fill("#review-text", "Keep the old arris <b>please</b>")
    page.click("#review-add")
    assert page.evaluate(
        "(() => { const e = new Event('beforeunload', {cancelable: true}); window.dispatchEvent(e); return e.defaultPrevented; })()"
    )
    with page.expect_download() as download:
        page.click("#review-save")
    target = tmp_path / "review.json"
    download.value.save_as(target)
    assert not page.evaluate(
        "(() => { const e = new Event('beforeunload', {cancelable: true}); window.dispatchEvent(e); return e.defaultPrevented; })()"
    )
    result = add_review(made[0], target)
    assert result["added"] == 1
    assert result["returned"] == ["R-001"]
    assert add_review(made[0], target)["added"] == 0, "the same file read twice adds nothing"
    with Project.open(made[0], read_only=True) as project:
        row = project.read("reviews").iloc[-1]
    assert (row["reviewer"], row["decision"], row["text"]) == (
        "P. Lanner",
        "return",
        "Keep the old arris <b>please</b>",
    )
    content = json.loads(target.read_text())
    target.write_text(json.dumps({**content, "project": "another"}))
    with pytest.raises(InputError, match="another project"):
        add_review(made[0], target)
    assert trouble == []


def test_how_to_read_says_help_accuracy_and_cautions_in_words(
    chromium: Any, made: tuple[Path, str]
) -> None:
    page, trouble = open_map(chromium, made[1])
    page.click("#tab-panel-help")
    said = page.inner_text("#panel-help")
    assert "[object" not in said
    for words in ("square to the wall", "31 check points", "measured as cut before its stone"):
        assert words in said
    assert page.locator("#panel-help p.caution").count() == 3
    assert trouble == []


@pytest.mark.parametrize("width", [1280, 390])
def test_keyboard_reaches_everything_and_nothing_spills_sideways(
    chromium: Any, made: tuple[Path, str], width: int
) -> None:
    page, trouble = open_map(chromium, made[1], width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.focus("#tab-panel-summary")
    page.keyboard.press("ArrowRight")
    assert page.is_visible("#panel-legend")
    unnamed = page.evaluate("""[...document.querySelectorAll('button, input, select, textarea')].filter((n) =>
        !(n.textContent.trim() || n.getAttribute('aria-label') || (n.labels && n.labels.length))).map((n) => n.outerHTML.slice(0, 80))""")
    assert unnamed == []
    assert trouble == []


def test_hostile_texts_stay_text(chromium: Any, tmp_path: Path) -> None:
    map_project(tmp_path / "p", hostile=HOSTILE).close()
    page, trouble = open_map(
        chromium, make_condition_map(tmp_path / "p")["path"] + "#condition%3AC-001"
    )
    for tab in ("summary", "legend", "list", "detail", "review", "help"):
        page.click(f"#tab-panel-{tab}")
    page.wait_for_timeout(200)
    assert page.evaluate("window.hacked") is None
    page.click("#tab-panel-detail")
    assert "onerror" in page.inner_text("#panel-detail")
    assert trouble == []


def test_a_wall_without_picture_or_conditions_still_opens_and_says_so(
    chromium: Any, tmp_path: Path
) -> None:
    project = map_project(tmp_path / "p", picture=False)
    with project.edit(who="test", what="clear") as edit:
        edit.clear("conditions")
        edit.clear("repairs")
    project.close()
    result = make_condition_map(tmp_path / "p")
    assert any("no rectified picture" in m for m in result["missing"])
    page, trouble = open_map(chromium, result["path"])
    assert "no rectified picture" in page.inner_text("#hint")
    assert "No conditions were recorded." in page.inner_text("#panel-summary")
    assert trouble == []


def test_a_large_wall_gets_its_tiles_beside_the_page(chromium: Any, tmp_path: Path) -> None:
    map_project(tmp_path / "p").close()
    result = make_condition_map(tmp_path / "p", pixels_in_page=1000)
    path = Path(result["path"])
    assert list((path.parent / "condition-map-tiles" / "front").rglob("*.jpg"))
    context = chromium.new_context(offline=True)
    page = context.new_page()
    page.goto(f"file://{path}")
    page.wait_for_selector("html[data-ready=yes]", timeout=10_000)
    page.wait_for_timeout(400)
    assert page.evaluate(
        "[...document.querySelectorAll('.leaflet-tile-pane img')].some((i) => i.naturalWidth === 512)"
    )


def test_the_same_project_gives_the_same_page(made: tuple[Path, str], tmp_path: Path) -> None:
    first = Path(make_condition_map(made[0], target=tmp_path / "a.html")["path"]).read_bytes()
    second = Path(make_condition_map(made[0], target=tmp_path / "b.html")["path"]).read_bytes()
    assert first == second


@pytest.mark.parametrize("width", [1280, 390])
def test_axe_finds_nothing_serious(chromium: Any, made: tuple[Path, str], width: int) -> None:
    page, _ = open_map(chromium, made[1] + "#repair%3AR-001", width=width)
    page.evaluate(
        axe_script()
    )  # by the debugger, so that the page's own policy stays as strict as it is
    found: list[str] = []

    def look(where: str) -> None:
        result = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        found.extend(
            f"{where}: {v['id']} {v['nodes'][0]['html'][:160]} {v['nodes'][0].get('failureSummary', '')[:200]}"
            for v in result["violations"]
            if v["impact"] in ("serious", "critical")
        )

    for tab in ("summary", "legend", "list", "detail", "review", "help"):
        page.click(f"#tab-panel-{tab}")
        page.wait_for_timeout(60)
        look(tab)
    page.click("#swipe")
    look("swipe")
    page.click("#swipe")
    page.click("#print")
    look("print")
    assert found == []


def test_the_map_answers_to_keys(chromium: Any, made: tuple[Path, str]) -> None:
    page, trouble = open_map(chromium, made[1])
    page.focus(".folium-map")
    before = page.evaluate("[Stage.map.getCenter().lng, Stage.map.getZoom()]")
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(400)
    assert page.evaluate("Stage.map.getCenter().lng") > before[0]
    page.keyboard.press("+")
    page.wait_for_timeout(200)
    assert page.evaluate("Stage.map.getZoom()") > before[1]
    page.evaluate("Stage.select(Wall.byId('condition', 'C-001'), false)")
    page.keyboard.press("Escape")
    assert page.evaluate("Wall.state.selected") is None
    assert trouble == []


def test_a_click_on_the_wall_marks_the_row_of_the_list(
    chromium: Any, made: tuple[Path, str]
) -> None:
    page, trouble = open_map(chromium, made[1])
    page.click("#tab-panel-list")
    spot = page.evaluate("""() => { const p = Stage.map.latLngToContainerPoint([1.25, 2.25]), r = document.getElementById('stage').getBoundingClientRect();
        return [p.x + r.left, p.y + r.top]; }""")
    page.mouse.click(*spot)
    page.wait_for_timeout(100)
    assert "C-002" in page.inner_text("#rows [aria-current]")
    page.evaluate("Stage.map.setView([0.8, 0.35], Stage.map.getZoom() + 3, {animate: false})")
    page.check("#in-view")
    expect(page.locator("#rows")).not_to_contain_text("C-002")
    listed = page.inner_text("#rows")
    assert "C-001" in listed
    assert "C-002" not in listed, "what is not in view is not listed"
    assert trouble == []


def test_several_walls_have_a_key_plan_and_residuals_and_reviews_are_told(
    chromium: Any, tmp_path: Path
) -> None:
    project = map_project(tmp_path / "p")
    with project.edit(who="test", what="more") as edit:
        edit.insert(
            "surfaces",
            [
                {
                    "id": "return",
                    "elevation": "river",
                    "name": "Return wall",
                    "frame_wkt": wall_crs("return", "x"),
                    "fold": {"host": "front", "edge": "right"},
                }
            ],
        )
        edit.insert(
            "conditions",
            [
                {
                    "id": "C-090",
                    "surface": "return",
                    "term": "scaling",
                    "family": "B",
                    "note": "long words " * 1800,
                    "observed_on": "2026-03-04",
                    "geometry": shapely.box(0, 0, 1, 1),
                }
            ],
        )
        edit.insert(
            "photos",
            [
                {
                    "id": "a.jpg",
                    "path": "photos/a.jpg",
                    "sha256": "0" * 64,
                    "width_px": 10,
                    "height_px": 10,
                    "subject": "elevation",
                }
            ],
        )
        edit.insert(
            "control_points",
            [
                {
                    "id": "front:T1",
                    "surface": "front",
                    "name": "T1",
                    "role": "control",
                    "u_m": 1.0,
                    "v_m": 1.0,
                    "geometry": shapely.Point(1, 1),
                }
            ],
        )
        edit.insert(
            "observations",
            [
                {
                    "id": "o1",
                    "photo": "a.jpg",
                    "control_point": "front:T1",
                    "x_px": 1.0,
                    "y_px": 1.0,
                    "du_m": 0.0021,
                    "dv_m": -0.0008,
                }
            ],
        )
        edit.insert(
            "reviews",
            [
                {
                    "id": "v1",
                    "at": "2026-05-06T10:00:00+00:00",
                    "reviewer": "P. Lanner",
                    "about_table": "repairs",
                    "about": "R-001",
                    "decision": "return",
                    "text": "Keep the arris",
                    "source": "test",
                }
            ],
        )
    project.close()
    page, trouble = open_map(
        chromium, make_condition_map(tmp_path / "p")["path"] + "#repair%3AR-001"
    )
    details = page.inner_text("#panel-detail")
    assert "2026-05-06, P. Lanner" in details
    assert "Keep the arris" in details
    page.click(".keyplan [data-surface=return]")
    assert page.evaluate("Wall.state.surface") == "return"
    assert page.get_attribute(".keyplan [data-surface=return]", "aria-pressed") == "true"
    page.evaluate("Panels.go('condition', 'C-090')")
    assert page.locator("#panel-detail details").count() == 1, "an enormous note is folded"
    assert page.evaluate("document.querySelector('#panel-detail').scrollHeight") < 2500
    page.evaluate("Panels.go('control', 'front:T1')")
    assert "u +2.1 mm, v -0.8 mm" in page.inner_text("#panel-detail")
    page.click("#tab-panel-legend")
    page.check("[data-layer=residual] input")
    assert page.is_checked("[data-layer=control] input")
    assert page.locator("fieldset:has-text('Day of survey')").count() == 1
    assert trouble == []


def test_the_print_is_to_scale_on_its_paper(chromium: Any, made: tuple[Path, str]) -> None:
    page, _ = open_map(chromium, made[1])
    page.click("#print")
    page.select_option("#print-scale", "20")
    page.click("text=Make the print view")
    page.wait_for_timeout(300)
    document = pdfium.PdfDocument(page.pdf(prefer_css_page_size=True, print_background=True))
    assert len(document) == 1
    width_pt, height_pt = document[0].get_size()
    assert (width_pt / 72 * 25.4, height_pt / 72 * 25.4) == pytest.approx((297, 210), abs=0.5)
    dots_mm = 8
    grey = document[0].render(scale=25.4 * dots_mm / 72).to_numpy()[..., :3].mean(axis=2)
    # the frame of the drawing is the longest dark line across and 276.6 mm long
    dark = (grey < 100).sum(axis=1)
    assert dark.max() / dots_mm == pytest.approx(297 - 20 - 0.4, abs=0.8)


def test_a_hundred_thousand_outlines_stillopen_map(
    chromium: Any, made: tuple[Path, str], tmp_path: Path
) -> None:
    with Project.open(made[0], read_only=True) as project:
        data = map_data({name: project.read(name) for name in MAP.tables}, settings={}, photos={})
    side, step = 400, 75
    one = next(f for f in data["features"] if f["i"] == "C-001")
    many = [
        {
            **one,
            "i": f"X-{n}",
            "g": [[x, y, x + 50, y, x + 50, y + 50, x, y + 50]],
            "c": [x + 25, y + 25],
            "p": {**one["p"], "area_m2": 0.0025},
        }
        for n in range(100_000)
        for x, y in [(n % side * step, n // side * step)]
    ]
    wall = MapSurface(
        id="front",
        name="Front",
        left_m=0,
        top_m=19,
        gsd_m=0.004,
        levels=5,
        extent_m=(0, 0, 30, 19),
        has_picture=False,
    )
    path = tmp_path / "many.html"
    path.write_bytes(
        write_condition_map(
            MapContent(title="Many", subtitle="", surfaces=[wall], data={**data, "features": many})
        )
    )
    page, trouble = open_map(chromium, str(path), wait=30_000)
    page.click("#tab-panel-legend")
    expect(page.locator("#legend-total")).to_contain_text("100000 conditions", timeout=15_000)
    assert "250.00 m²" in page.inner_text("#legend-total")
    page.click("#tab-panel-list")
    page.fill("#search", "X-99999")
    expect(page.locator("#rows li")).to_have_count(1, timeout=15_000)
    assert trouble == []


@pytest.mark.skipif(shutil.which("firefox-esr") is None, reason="Firefox is not installed here")
def test_the_page_works_in_firefox(made: tuple[Path, str], tmp_path: Path) -> None:
    firefox = Firefox(tmp_path / "profile")
    try:
        firefox.ask("WebDriver:Navigate", {"url": f"file://{made[1]}#repair%3AR-001"})
        time.sleep(1)

        def say(script: str) -> Any:
            return firefox.ask(
                "WebDriver:ExecuteScript", {"script": script, "args": [], "newSandbox": False}
            )

        assert say("return document.documentElement.dataset.ready") == "yes"
        assert "316 rod 6 mm" in say("return document.querySelector('#panel-detail').innerText")
        painted = say("""return [...document.querySelectorAll('canvas.leaflet-tile')].filter((c) =>
            c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some((v) => v)).length""")
        assert painted > 0, "outlines are drawn"
        assert say(
            "return [...document.querySelectorAll('img.leaflet-tile')].some((i) => i.naturalWidth === 512)"
        )
        say(
            "document.querySelector('#tab-panel-legend').click(); document.querySelector('#whole').click()"
        )
        time.sleep(0.4)
        assert "0.37" in say("return document.querySelector('#legend-total').textContent")
    finally:
        firefox.close()


def test_the_relief_is_a_layer_with_its_scale_and_is_cut_along_a_measured_line(
    chromium: Any, made: tuple[Path, str], tmp_path: Path
) -> None:
    folder = tmp_path / "with-relief"
    shutil.copytree(made[0], folder)
    before = Path(made[1]).stat().st_size
    with Project.open(folder) as project:
        row = project.read("surfaces").iloc[0]
        u0, v0, u1, v1 = row["geometry"].bounds if row["geometry"] else (0.0, 0.0, 5.0, 5.0)
        cell = max(u1 - u0, v1 - v0) / 2500
        grid = PixelGrid(
            left_m=u0,
            top_m=v1,
            gsd_m=cell,
            width_px=int((u1 - u0) / cell),
            height_px=int((v1 - v0) / cell),
        )
        rng = np.random.default_rng(3)
        out_m = rng.normal(0.0, 0.0005, (grid.height_px, grid.width_px)).astype(np.float32)
        out_m[:, grid.width_px // 2 :] -= 0.030
        path = project.place("elevations/r.tif")
        path.parent.mkdir(exist_ok=True)
        with open_relief_writer(path, grid, crs_wkt=wall_crs("w", "w")) as writer:
            writer.write_rows(0, out_m, np.full_like(out_m, 0.001))
        kept = {"path": "elevations/r.tif", "survey": "1", "source": "photos", "cell_m": cell}
        with project.edit(who="t", what="relief") as edit:
            edit.update("surfaces", row["id"], {"reliefs": [{**kept, "sha256": "ab" * 32}]})
    middle = ((u0 + u1) / 2, (v0 + v1) / 2)
    add_gauge(folder, name="G1", place_m=middle, limit_m=0.002)
    for day, value_m in (("2024-01-10", 0.0), ("2024-09-10", 0.001), ("2025-02-10", 0.003)):
        add_reading(folder, "G1", value_m=value_m, read_on=day)
    path = make_condition_map(folder)["path"]
    # six million cells add no more than a page of an e-mail can bear
    assert Path(path).stat().st_size - before < 1_500_000
    page, trouble = open_map(chromium, path)
    page.get_by_role("tab", name="Legend").click()
    page.locator("[data-layer=relief] input").check()
    page.wait_for_selector("html[data-relief]")
    ends = page.locator("#relief-legend .ends span").all_inner_texts()
    assert float(ends[0].replace("\N{MINUS SIGN}", "-")) <= -30 <= 0 <= float(ends[2])
    page.locator("#measure").click()
    box = page.locator("#stage").bounding_box()
    assert box
    for x in (0.45, 0.55):
        page.mouse.click(box["x"] + box["width"] * x, box["y"] + box["height"] * 0.5)
        page.wait_for_timeout(350)
    expect(page.locator("#section-panel")).to_contain_text("\N{PLUS-MINUS SIGN}1 mm")
    heights = [
        float(w.split(" ")[1])
        for w in re.findall(
            r"[ML][\d.]+ [\d.]+", page.locator("#section-panel path").get_attribute("d") or ""
        )
    ]
    # drawn from no depth at its top to thirty millimetres near its foot
    assert max(heights) - min(heights) > 60
    # printed, the relief lies under the outlines with what its colours mean, and the gauge with its state
    page.locator("#print").click()
    expect(page.locator("#print-view image.relief")).to_have_count(1)
    expect(page.locator(".print-legend")).to_contain_text("out of the wall")
    expect(page.locator("#print-view svg")).to_contain_text(["G1 beyond the limit"])
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    page.locator(".gauge").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#panel-detail")).to_contain_text("+3.00 ± 0.28 mm, limit 2.00")
    expect(page.locator("#panel-detail")).to_contain_text("starting value, set by nobody")
    page.select_option("#units", "ft")
    page.get_by_role("tab", name="Legend").click()
    expect(page.locator("#relief-legend p")).to_contain_text("in:")
    assert not trouble
    page.context.close()


@pytest.mark.parametrize("width", [400, 1400])
def test_the_estate_page_filters_and_adds_up_what_it_shows(
    chromium: Any, tmp_path: Path, width: int
) -> None:
    def wall(n: int, building: str, due: int) -> dict[str, Any]:
        return {
            "building": building, "elevation": f"e{n}", "title": f"East {n}", "conditions": 10 * n,
            "classes": dict.fromkeys(("CC0", "CC1", "CC2", "CC3", "not classed"), n),
            "urgencies": {"UC3": n}, "repairs": 4, "to_do": 4, "done": 1, "stone_taken_m3": 0.001 * n, "stone_not_told": 0,
            "due_now": due, "due_in_a_year": 0, "project": "p",
            "ground": [[[10.0 + 0.001 * n, 50.0], [10.0004 + 0.001 * n, 50.0005]]],
            "years": {"2020": {"observed": n, "CC3": 1, "UC3": 0, "done": n, "stone_m3": 0.5}},
        }  # fmt: skip

    walls = [wall(1, "Mill", 0), wall(2, "Mill", 3), wall(3, HOSTILE, 0)]
    found = {"elevations": walls, "unread": [], "day": "2026-01-01", "currency": None}
    path = tmp_path / "estate.html"
    (tmp_path / "maps").mkdir()
    (tmp_path / "maps" / "p.html").write_text("<title>map</title>the map")
    maps = {("p", "e2"): "maps/p.html#wall%3Afront"}
    path.write_text(estate_page(found, maps=maps), encoding="utf-8")
    page = chromium.new_page(viewport={"width": width, "height": 800})
    trouble: list[str] = []
    for event in ("pageerror", "console", "dialog"):
        page.on(event, lambda said: trouble.append(str(said)))
    page.goto(path.as_uri())

    def shown() -> tuple[int, str, str]:
        sums = (page.inner_text(f'tfoot [data-sum="{k}"]') for k in ("conditions", "stone"))
        return (page.locator("tr.wall:visible").count(), *sums)  # type: ignore[return-value]

    assert shown() == (3, "60", "6.0")
    page.select_option("select", "Mill")
    assert shown() == (2, "30", "3.0")
    page.check("input[name=due]")
    assert shown() == (1, "20", "2.0")
    page.click("button[type=reset]")
    expect(page.locator("#count")).to_have_text("3 of 3")
    page.select_option("select", HOSTILE)
    assert shown() == (1, "30", "3.0")
    # the plan and the years show what the filters leave
    assert page.locator("#plan .w").count() == 1
    assert page.inner_text("#of-years td >> nth=1").endswith("3")
    page.click("button[type=reset]")
    expect(page.locator("#plan .w")).to_have_count(3)
    assert page.inner_text("#of-years td >> nth=1").endswith("6")
    assert len(page.frames) == 3
    assert {f.url for f in page.frames[1:]} <= {"", "about:blank"}, (
        "no map is read before its wall is looked at"
    )
    page.click("#plan .w[aria-label^='Mill, East 2']")
    expect(page.locator("#map-left")).to_be_visible()
    page.frame_locator("#map-left").get_by_text("the map").wait_for()
    page.locator("#plan .w[aria-label^='Mill, East 1']").press("Shift+Enter")
    expect(page.locator("#heads")).to_contain_text("Mill, East 2")
    assert page.inner_text("#compared tr >> nth=0").split() == ["Conditions", "20", "10", "-10"]
    before = page.locator("#plan .w >> nth=0").get_attribute("points")
    page.click("#nearer")
    assert page.locator("#plan .w >> nth=0").get_attribute("points") != before
    wide = "[...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('.wide, svg')).map((e) => e.outerHTML.slice(0, 80))"
    assert page.evaluate(wide) == []
    assert trouble == []
    page.close()
