"""Controls of the condition map, each by what a person sees of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2 as pdfium
import pytest
import shapely
from axe import axe_script
from map_sample import CHROMIUM, FLAGS, map_project, open_map
from playwright.sync_api import expect, sync_playwright

from facademap.io.relief_files import open_relief_writer
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("controls") / "sail-loft"
    with map_project(folder) as project, project.edit(who="test", what="a piece") as edit:
        edit.update("conditions", "C-002", {"surveyor": "Wilhelmina Okafor", "photo": "wide"})
        # a photo with a mark in its middle, by which the eye sees where it lies
        photo = np.full((900, 1600, 3), 120, np.uint8)
        photo[440:460, 790:810] = (255, 0, 0)
        (folder / "photos").mkdir(exist_ok=True)
        cv2.imwrite(str(folder / "photos/wide.png"), photo[..., ::-1])
        edit.insert(
            "photos",
            [
                {
                    "id": "wide",
                    "path": "photos/wide.png",
                    "sha256": "0" * 64,
                    "width_px": 1600,
                    "height_px": 900,
                }
            ],
        )
        edit.insert(
            "pieces",
            [
                {
                    "id": "P-073",
                    "repair": "R-001",
                    "surface": "front",
                    "bed": "horizontal",
                    "geometry": shapely.box(0.153, 0.553, 0.547, 1.017),
                    "width_m": 0.394,
                    "height_m": 0.464,
                    "depth_m": 0.06,
                }
            ],
        )
        edit.insert("blocks", [{"id": "B-007", "stone_type": "sandstone"}])
        outline = [[0, 0], [0.6, 0], [0.6, 0.6], [0, 0.6]]
        face = {"id": "B-007.1", "block": "B-007", "outline": outline, "usable_depth_m": 0.1}
        edit.insert("faces", [face])
        edit.insert(
            "placements",
            [
                {
                    "id": "M-1",
                    "repair": "R-001",
                    "piece": "P-073",
                    "block": "B-007",
                    "face": "B-007.1",
                    "x_m": 0.05,
                    "y_m": 0.05,
                }
            ],
        )
        edit.update("surfaces", "front", {"reliefs": _two_reliefs(folder)})
    return str(make_condition_map(folder)["path"])


def _two_reliefs(folder: Path) -> list[dict[str, Any]]:
    """A wall that lost 8 mm from 2.4 to 2.8 m along it, and from 1.5 to 1.8 m up, in four years."""
    cells = PixelGrid(left_m=0.0, top_m=2.0, gsd_m=0.02, width_px=200, height_px=100)
    kept = []
    for survey, day, lost_m in (("2021", "2021-05-01", 0.0), ("2025", "2025-05-01", 0.008)):
        out_m = np.random.default_rng(int(survey)).normal(0, 0.0003, (100, 200))
        out_m[10:25, 120:140] -= lost_m
        file = folder / f"elevations/{survey}.tif"
        with open_relief_writer(file, cells, crs_wkt=wall_crs("w", "w")) as writer:
            writer.write_rows(0, out_m.astype(np.float32), np.full((100, 200), 5e-4, np.float32))
        told = {"path": f"elevations/{survey}.tif", "survey": survey, "taken_on": day}
        kept.append({**told, "source": "scan", "sha256": "0" * 64, "cell_m": 0.02})
    return kept


@pytest.mark.parametrize("width", [1280, 390])
def test_the_skip_link_leads_to_the_list(chromium: Any, path: str, width: int) -> None:
    page, trouble = open_map(chromium, path, width=width)
    page.keyboard.press("Tab")
    assert "Skip" in page.evaluate("document.activeElement.textContent")
    page.keyboard.press("Enter")
    assert page.is_visible("#panel-list")
    assert page.evaluate("document.activeElement.id") == "list"
    assert page.locator("#rows li").count() > 0
    assert trouble == []


@pytest.mark.parametrize("link", ["condition%3AC-001", "C-001", "repair:R-001", "P-073"])
def test_a_link_selects_and_shows_what_it_names(chromium: Any, path: str, link: str) -> None:
    page, trouble = open_map(chromium, f"{path}#{link}")
    assert page.is_visible("#panel-detail")
    assert page.inner_text("#panel-detail h2").startswith("C-001" if "C-001" in link else "R-001")
    # one line in the colour of the selection, with its light rim below it
    marks = page.locator(".leaflet-overlay-pane path")
    assert [marks.nth(k).get_attribute("stroke") for k in range(marks.count())] == [
        "#ffffff",
        "#0b7a83",
    ], "marked on the wall"
    assert trouble == []


@pytest.mark.parametrize("link", ["%E0%A4%A", "nothing", "condition:C-999", "__proto__"])
def test_a_link_that_names_nothing_opens_the_page_as_ever(
    chromium: Any, path: str, link: str
) -> None:
    page, trouble = open_map(chromium, f"{path}#{link}")
    assert page.is_visible("#panel-summary")
    assert trouble == []


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("P-073", "R-001"),
        ("UC3", "C-001"),
        ("okafor", "C-002"),
        ("cc2 scaling", "C-001"),
        ("C-003", "C-003"),
        ("B-007", "R-001"),
        ("s-0-1 stair", "C-001"),
    ],
)
def test_search_finds_what_a_person_reads(chromium: Any, path: str, words: str, found: str) -> None:
    page, trouble = open_map(chromium, path)
    page.click("#tab-panel-list")
    page.fill("#search", words)
    expect(page.locator("#found")).to_have_text(re.compile("^[12]$"))
    assert found in page.inner_text("#rows")
    assert trouble == []


def _said(page: Any, tab: str) -> str:
    """What a panel says, without the words of the published glossary."""
    said: str = page.evaluate(
        f"""(() => {{ const n = document.getElementById('panel-{tab}').cloneNode(true);
        if ('{tab}' === 'help') n.querySelector('dl').remove(); document.body.append(n); const t = n.innerText; n.remove(); return t; }})()"""
    )
    return said


def test_feet_leave_no_metric_measure_behind(chromium: Any, path: str) -> None:
    page, trouble = open_map(chromium, path + "#repair%3AR-001")
    metric = re.compile(r"\d[\d.,\u202f]*\s?(mm|m²|m2|m³|L|litres|m|kg)\b")
    assert metric.search(page.inner_text("#panel-detail"))
    page.select_option("#units", "ft")
    for tab in ("summary", "legend", "list", "detail", "help"):
        page.click(f"#tab-panel-{tab}")
        page.wait_for_timeout(250)
        left = [m[0] for m in metric.finditer(_said(page, tab))]
        assert left == [], tab
    page.click("#tab-panel-summary")
    assert "ft²" in page.inner_text("#panel-summary")
    page.click("#tab-panel-detail")
    said = page.inner_text("#panel-detail")
    # 394 mm is 15 1/2 in by the international inch, 3 mm nearly 1/8 in, 0.009 m3 0.32 cubic feet
    for words in ("1′ 3 1/2″", "joint 1/8″", "0.32 ft³"):
        assert words in said
    page.select_option("#units", "mm")
    assert "394 mm" in page.inner_text("#panel-detail")
    assert trouble == []


def _ink(pdf: bytes) -> tuple[int, np.ndarray, float]:
    document = pdfium.PdfDocument(pdf)
    picture = document[0].render(scale=200 / 72).to_numpy()[..., :3].min(axis=2)
    return len(document), picture, 200 / 25.4


def test_the_browsers_own_print_command_prints_the_wall_to_scale(chromium: Any, path: str) -> None:
    page, trouble = open_map(chromium, path)
    pages, picture, dots_mm = _ink(page.pdf(prefer_css_page_size=True, print_background=True))
    assert pages == 1
    assert picture.shape[1] / dots_mm == pytest.approx(297, abs=1)
    assert (picture < 250).mean() > 0.06, "4 m by 2 m of wall at 1:50 are 5 % of the sheet"
    rows = (picture < 100).sum(axis=1)
    assert rows.max() / dots_mm == pytest.approx(297 - 20 - 0.4, abs=0.8), "the frame to scale"
    page.wait_for_timeout(100)
    assert page.is_hidden("#print-view"), "the page is as it was"
    assert trouble == []


def test_the_print_shows_no_grey_beyond_the_picture(chromium: Any, tmp_path: Path) -> None:
    folder = tmp_path / "p"
    map_project(folder).close()
    page, _ = open_map(chromium, make_condition_map(folder)["path"])
    page.click("#print")
    page.select_option("#print-scale", "50")
    page.click("text=Make the print view")
    page.wait_for_timeout(300)
    shot = page.locator("#print-view svg").first.screenshot(type="png")
    picture = cv2.imdecode(np.frombuffer(shot, np.uint8), cv2.IMREAD_COLOR)
    # 4 m of wall at 1:50 are 80 mm of 277 mm: left and right of it is paper
    side = picture[picture.shape[0] // 2, picture.shape[1] // 20 : picture.shape[1] // 4]
    assert (side > 250).all()


def test_the_legend_shows_a_crack_as_the_line_that_it_is(chromium: Any, path: str) -> None:
    page, trouble = open_map(chromium, path)
    page.click("#tab-panel-legend")
    kinds = page.evaluate(
        "[...document.querySelectorAll('.swatch')].map((s) => [s.parentElement.innerText.split('\\n')[0].trim().split(/\\s+/).pop(), s.dataset.shape])"
    )
    assert dict(kinds)["crack"] == "L"
    assert dict(kinds)["perforation"] == "X"
    assert dict(kinds)["scaling"] == "P"
    assert page.evaluate("Draw.sign('crack') !== Draw.swatch('crack')")
    assert trouble == []


def test_what_changed_since_the_survey_before_is_a_layer(chromium: Any, path: str) -> None:
    page, trouble = open_map(chromium, path)
    page.get_by_role("tab", name="Legend").click()

    def colour(u: float, v: float) -> np.ndarray:
        at = page.evaluate(
            "([u, v]) => { const p = Stage.map.latLngToContainerPoint([v, u]), b = Stage.map.getContainer().getBoundingClientRect(); return [p.x + b.x, p.y + b.y]; }",
            [u, v],
        )
        clip = {"x": at[0] - 3, "y": at[1] - 3, "width": 6, "height": 6}
        seen = cv2.imdecode(np.frombuffer(page.screenshot(clip=clip), np.uint8), cv2.IMREAD_COLOR)
        return seen[..., ::-1].reshape(-1, 3).mean(axis=0)

    lost, still = colour(2.6, 1.65), colour(2.6, 1.3)
    page.locator("[data-layer=change] input").check()
    page.wait_for_timeout(300)
    red, _, blue = colour(2.6, 1.65)
    assert blue > red + 40
    assert abs(colour(2.6, 1.3) - still).max() < 12
    assert page.inner_text("#change-legend legend") == "Change: 2021 \u2192 2025"
    assert "10 mm" in page.inner_text("#change-legend .ends")
    page.select_option("#units", "ft")
    assert " in" in page.inner_text("#change-legend .ends")
    assert "mm" not in page.inner_text("#change-legend")
    page.locator("[data-layer=change] input").uncheck()
    page.wait_for_timeout(300)
    assert abs(colour(2.6, 1.65) - lost).max() < 3
    assert trouble == []


@pytest.mark.parametrize("width", [1280, 390])
def test_in_the_dark_the_page_is_dark_and_readable(chromium: Any, path: str, width: int) -> None:
    page, _ = open_map(chromium, path + "#repair%3AR-001", width=width)
    page.emulate_media(color_scheme="dark")
    brightness = page.evaluate(
        "getComputedStyle(document.querySelector('aside')).backgroundColor.match(/\\d+/g).map(Number)"
    )
    assert max(brightness) < 60
    page.evaluate(axe_script())
    for tab in ("summary", "legend", "list", "detail", "review", "help"):
        page.click(f"#tab-panel-{tab}")
        page.wait_for_timeout(60)
        result = page.evaluate("axe.run(document, {runOnly: ['color-contrast']})")
        assert [v["nodes"][0]["html"][:120] for v in result["violations"]] == [], tab


def test_a_photo_opens_in_large_and_comes_closer(chromium: Any, path: str) -> None:
    page, trouble = open_map(chromium, path + "#C-002")
    page.click("#panel-detail button.photo")
    assert page.is_visible("#photo-view")
    whole = page.locator(".photo-room img").bounding_box()
    page.keyboard.press("+")
    page.keyboard.press("+")
    assert page.locator(".photo-room img").bounding_box()["width"] == pytest.approx(
        whole["width"] * 2.25, rel=0.01
    )
    room = page.locator(".photo-room").bounding_box()
    middle = (room["x"] + room["width"] / 2, room["y"] + room["height"] / 2)
    seen = cv2.imdecode(np.frombuffer(page.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    blue, _, red = seen[round(middle[1]), round(middle[0])].astype(int)
    assert red - blue > 80, "the middle of the photo stays in the middle"
    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0] - 120, middle[1])
    page.mouse.up()
    seen = cv2.imdecode(np.frombuffer(page.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    blue, _, red = seen[round(middle[1]), round(middle[0]) - 120].astype(int)
    assert red - blue > 80, "it follows the hand"
    page.keyboard.press("Escape")
    assert page.is_hidden("#photo-view")
    assert page.inner_text("#panel-detail h2").startswith("C-002"), "the selection stays"
    assert trouble == []


@pytest.mark.parametrize(
    ("language", "term", "treatment", "class_word"),
    [
        ("de", "Schalenbildung", "Vierung", "dringend und sofort"),
        ("fr", "desquamation", "incrustement", "urgent et immédiat"),
        ("it", "scagliatura", "tassello", "urgente e immediato"),
        ("es", "descamación°", "injerto", "urgente e inmediato"),
    ],
)
def test_the_page_speaks_the_language_that_is_chosen(
    chromium: Any, path: str, language: str, term: str, treatment: str, class_word: str
) -> None:
    page, trouble = open_map(chromium, path + "#C-001")
    english = page.inner_text(".tools")
    with page.expect_navigation():
        page.select_option("#language", language)
    page.wait_for_selector("html[data-ready=yes]")
    assert page.evaluate("document.documentElement.lang") == language
    assert not set(english.split("\n")) & set(page.inner_text(".tools").split("\n")) - {
        *("English", "Deutsch", "Français", "Italiano", "Español"),
        *page.inner_text("#surface").split("\n"),
    }
    detail = page.inner_text("#panel-detail")
    assert term in detail
    assert class_word in detail
    page.click("#tab-panel-list")
    page.fill("#search", f"{class_word} stair")
    expect(page.locator("#found")).to_have_text("1")
    page.fill("#search", "R-001")
    page.click("#rows button:has-text('R-001')")
    assert treatment in page.inner_text("#panel-detail h2")
    page.click("#tab-panel-help")
    said = page.inner_text("#panel-help")
    assert "The picture is to scale" not in said
    assert "measured as cut" not in said
    assert "°" in said, "what is our own translation is marked"
    # what stayed English says so, to the eye and to a reader of screens
    assert page.locator("#panel-help dd[lang=en]").count() > 50
    assert trouble == []


def test_papers_beside_the_page_are_a_click_away(chromium: Any, tmp_path: Path) -> None:
    from reportlab.pdfgen.canvas import Canvas

    folder = tmp_path / "p"
    map_project(folder).close()
    out = folder / "out"
    out.mkdir(exist_ok=True)
    pdf = Canvas(str(out / "records.pdf"))
    for name in ("R-009", "R-001"):
        pdf.bookmarkPage(name)
        pdf.addOutlineEntry(name, name)
        pdf.showPage()
    pdf.save()
    (out / ".papers.json").write_text(
        '{"records": {"files": {"records.pdf": "x", "gone.pdf": "y"}}}'
    )
    page, trouble = open_map(chromium, str(make_condition_map(folder)["path"]) + "#R-001")
    link = page.locator("#panel-detail a[target=_blank]")
    assert link.count() == 1
    assert link.get_attribute("href") == "records.pdf#page=2"
    page.click("#tab-panel-help")
    assert page.locator("#panel-help a[target=_blank]").count() == 1
    assert trouble == []


def test_an_office_that_reads_inches_gets_feet_and_its_own_words(
    chromium: Any, tmp_path: Path
) -> None:
    folder = tmp_path / "p"
    with map_project(folder) as project, project.edit(who="test", what="office") as edit:
        edit.set("profile", "inch")
    (folder / "languages").mkdir()
    (folder / "languages/pt.json").write_text(
        '{"language": "Português", "texts": {"map.list": "Lista das anomalias", "map.word.scaling": "lasqueamento"}}'
    )
    page, trouble = open_map(
        chromium, str(make_condition_map(folder, language="pt")["path"]) + "#C-001"
    )
    assert page.input_value("#units") == "ft"
    assert "ft²" in page.inner_text("#panel-detail")
    assert "lasqueamento" in page.inner_text("#panel-detail")
    assert page.inner_text("#tab-panel-list") == "Lista das anomalias"
    assert trouble == []
