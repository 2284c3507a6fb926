"""One hostile text in the free text fields of all tables and in what a camera wrote: it runs in no page, opens no formula and stays text."""

from __future__ import annotations

import contextlib
import csv
import io
import sqlite3
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import desk_sample
import pytest
from desk_browser import Server
from map_sample import CHROMIUM, FLAGS
from PIL import Image
from playwright.sync_api import sync_playwright

from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.survey.add_photos import add_photos

HOSTILE = (
    '=1+1</title></script></style><script>window.hacked=1</script><img src=x onerror="window.hacked=1">'
    "<svg onload=window.hacked=1>\"'><met<meta>a http-equiv=refresh content=0>{{7*7}}]]>"
)
#: Texts with a form of their own, such as names of files, digests and frames; others guard those.
_FORMED = ("sha256", "path", "picture", "wkt", "file", "epsg", "exif")
#: Values that rules look up: with a hostile one nothing would be planned and less be shown.
_LOOKED_UP = {"term", "family", "layer", "stage", "treatment", "criterion", "rule", "edge"}


def _fields() -> list[tuple[str, str]]:
    return [
        (table.name, column.name)
        for table in TABLES.values()
        for column in table.columns
        if column.kind == "text"
        and not column.choices
        and not column.refers
        and column.name not in ("id", *_LOOKED_UP)
        and not any(word in column.name for word in _FORMED)
        and table.name != "settings"
    ]


def _review(table: str, about: str) -> dict[str, Any]:
    return {
        "id": f"V-{about}",
        "at": "2026-05-06T10:00:00+00:00",
        "reviewer": HOSTILE,
        "about_table": table,
        "about": about,
        "decision": "comment",
        "text": HOSTILE,
        "source": HOSTILE,
    }


def _photo_of_a_hostile_camera(place: Path) -> Path:
    """A photo whose EXIF says it as maker, model, artist, software and description."""
    exif = Image.Exif()
    for tag in (0x010E, 0x010F, 0x0110, 0x0131, 0x013B, 0x8298):
        exif[tag] = HOSTILE
    Image.new("RGB", (320, 240), (140, 130, 120)).save(place / "wall.jpg", exif=exif)
    return place / "wall.jpg"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made, cells = hostile_project(tmp_path_factory.mktemp("hostile"))
    filled = {(table, column) for table, _, column in cells}
    assert len(filled) > 25, sorted(filled)
    assert {"control_points", "plans", "work_log"} <= {table for table, _ in filled}
    return made


def hostile_project(place: Path) -> tuple[Path, set[tuple[str, str, str]]]:
    """A planned project with the text in every cell that takes it, and those cells (table, row, column)."""
    made = desk_sample.make_planned_project(place / "sample", blocks=3)
    filled = set()
    with Project.open(made) as project:
        with project.edit(who=HOSTILE, what=HOSTILE) as edit:
            edit.insert("reviews", [_review("conditions", "C-001"), _review("repairs", "R-001")])
            surface = str(project.read("surfaces")["id"].iloc[0])
            edit.insert(
                "control_points",
                [{"id": "T-1", "surface": surface, "name": HOSTILE, "u_m": 1.0, "v_m": 1.0}],
            )
            edit.insert(
                "work_log",
                [
                    {
                        "id": "W-1",
                        "repair": "R-001",
                        "at": "2026-05-06T10:00:00+00:00",
                        "check": HOSTILE,
                        "result": "pass",
                        "mason": HOSTILE,
                        "reason": HOSTILE,
                        "note": HOSTILE,
                    }
                ],
            )
            edit.insert(
                "plans",
                [
                    {
                        "id": "P-1",
                        "name": HOSTILE,
                        "note": HOSTILE,
                        "made_at": "2026-05-06T10:00:00+00:00",
                        "status": "optimal",
                        "objective": 1.0,
                        "bound": 1.0,
                        "gap": 0.0,
                    }
                ],
            )
        for name, column in _fields():
            for row in list(project.read(name)["id"]):
                try:
                    with project.edit(who=HOSTILE, what=HOSTILE) as edit:
                        edit.update(name, row, {column: HOSTILE})
                    filled.add((name, str(row), column))
                except ValueError:  # a field that takes no such text is guarded already
                    break
        with project.edit(who=HOSTILE, what=HOSTILE) as edit:
            edit.set("name", HOSTILE)
            edit.set("building", HOSTILE)
    (place / "camera").mkdir()
    add_photos(made, [_photo_of_a_hostile_camera(place / "camera")])
    return made, filled


@pytest.fixture(scope="module")
def papers(folder: Path) -> list[Path]:
    result = make_papers(folder)
    assert result.made
    return [p for p in (folder / "out").rglob("*") if p.is_file()]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


def test_no_page_and_no_drawing_runs_it(chromium: Any, folder: Path, papers: list[Path]) -> None:
    pages = [Path(make_condition_map(folder)["path"])]
    pages += [p for p in papers if p.suffix in (".html", ".svg")]
    assert len(pages) > 1
    for path in pages:
        page = chromium.new_context(offline=True).new_page()
        page.goto(f"file://{path}")
        page.wait_for_timeout(200)
        for tab in page.locator("[role=tab]").all():
            tab.click()
        if page.evaluate("typeof Panels !== 'undefined'"):
            page.evaluate("Wall.data.features.forEach((f) => Panels.detail(f))")
        page.wait_for_timeout(150)
        assert page.evaluate("window.hacked") is None, path.name
        assert page.url.endswith(path.name)
        page.context.close()


def test_the_desk_runs_it_nowhere(chromium: Any, folder: Path) -> None:
    server = Server(folder).start()
    try:
        page = chromium.new_page()
        page.goto(server.address)
        page.wait_for_selector("html[data-loaded]", timeout=20_000)
        for key in ("1", "2", "3", "4"):
            page.keyboard.press(key)
            page.wait_for_timeout(300)
            for button in page.locator(".list tbody button, .cards .card").all()[:3]:
                button.click(timeout=2000)
                page.wait_for_timeout(100)
        assert page.evaluate("window.hacked") is None
        assert page.url.startswith(server.address)
    finally:
        server.kill()


def test_no_table_holds_a_formula(papers: list[Path]) -> None:
    import openpyxl

    looked = 0
    for path in papers:
        if path.suffix == ".csv":
            looked += 1
            for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))):
                assert not [
                    c for c in row if c.startswith(("=", "+", "-", "@")) and "hacked" in c
                ], path
        if path.suffix == ".xlsx":
            looked += 1
            book = openpyxl.load_workbook(path)
            cells = (c for sheet in book for row in sheet.iter_rows() for c in row)
            bad = [c.coordinate for c in cells if c.data_type == "f" and "hacked" in str(c.value)]
            assert bad == [], path
    assert looked


def test_every_xml_stays_whole_and_no_pdf_acts(papers: list[Path]) -> None:
    from pypdf import PdfReader

    kinds = set()
    for path in papers:
        kinds.add(path.suffix)
        if path.suffix in (".svg", ".sld", ".xml"):
            tags = [e.tag.rsplit("}")[-1] for e in ElementTree.parse(path).iter()]
            assert not {"script", "met", "meta", "img"} & set(tags), path
        elif path.suffix == ".pdf":
            root = PdfReader(path).trailer["/Root"]
            assert "/OpenAction" not in root, path
            assert "/AA" not in root, path
            assert "/JavaScript" not in root.get("/Names", {}), path
    assert ".pdf" in kinds


def test_styles_for_a_gis_are_whole(folder: Path, papers: list[Path]) -> None:
    """Symbology Encoding 1.1 and the desktop's own form, as an XML reader sees them."""
    looked = 0
    for path in [folder / "project.gpkg", *(p for p in papers if p.suffix == ".gpkg")]:
        with contextlib.closing(sqlite3.connect(path)) as file:
            if not file.execute(
                "SELECT 1 FROM sqlite_master WHERE name = 'layer_styles'"
            ).fetchone():
                continue
            for sld, qml in file.execute("SELECT styleSLD, styleQML FROM layer_styles"):
                tree = ElementTree.fromstring(sld)
                tags = [e.tag.rsplit("}")[-1] for e in tree.iter()]
                assert tags[0] == "StyledLayerDescriptor"
                assert tags.count("Rule") > 0
                assert not {"script", "met", "meta", "img", "svg"} & set(tags)
                ElementTree.fromstring(qml)
                looked += 1
    assert looked


def test_a_gis_reads_it_as_text(papers: list[Path]) -> None:
    import pyogrio

    found = 0
    for path in (p for p in papers if p.suffix == ".gpkg"):
        for layer, _ in pyogrio.list_layers(path):
            frame = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
            for column in frame.select_dtypes(include=["object", "string"]):
                said = [str(v) for v in frame[column] if "hacked" in str(v)]
                found += len(said)
                assert not [v for v in said if HOSTILE[:20] not in v], (layer, column)
    assert found, "the notes are in the file"


def test_drawing_files_keep_their_structure(papers: list[Path]) -> None:
    import ezdxf

    drawings = [p for p in papers if p.suffix == ".dxf"]
    for path in drawings:
        auditor = ezdxf.readfile(path).audit()
        assert not auditor.errors, (path, auditor.errors[:3])
