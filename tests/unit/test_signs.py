"""One book of signs: drawings, condition map, desk and GIS styles draw the same colour, hatch, weight, dash and letter."""

from __future__ import annotations

import hashlib
import re
import sqlite3
import sys
import warnings
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import itertools

import desk_sample

from facademap.condition.glossary import FAMILIES, TERMS, find_term
from facademap.condition.hatch_cells import hatch_cell
from facademap.condition.signs import (
    DASH_OF_LINE,
    SIGN_OF_TREATMENT,
    signs_as_json,
    weight_of_class,
)
from facademap.report.drawing_content import elevation_content
from facademap.store import styles
from facademap.store.project import Project
from facademap.tables import TREATMENTS, UNDECIDED
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

BOOK = signs_as_json()
SE = {"se": "http://www.opengis.net/se", "ogc": "http://www.opengis.net/ogc"}
#: OGC 05-077r4, 11.1.1: the standardised rendering pixel is 0.28 mm x 0.28 mm.
GIS_PX_MM = 0.28


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_project(
        tmp_path_factory.mktemp("signs") / "sample", many=24, picture=False, blocks=0
    )


def gis_rules(folder: Path) -> list[dict[str, Any]]:
    with sqlite3.connect(folder / "project.gpkg") as db:
        (sld,) = db.execute(
            "SELECT styleSLD FROM layer_styles WHERE f_table_name = 'conditions'"
        ).fetchone()
    rules = []
    for rule in ET.fromstring(sld).iter("{http://www.opengis.net/se}Rule"):
        words = {
            e.find("ogc:PropertyName", SE).text: e.find("ogc:Literal", SE).text  # type: ignore[union-attr]
            for e in rule.iter("{http://www.opengis.net/ogc}PropertyIsEqualTo")
        }
        pen = {p.get("name"): p.text for p in rule.iter("{http://www.opengis.net/se}SvgParameter")}
        waiting = (rule.findtext("se:Name", "", SE)).endswith("proposed")
        rules.append({"words": words, "pen": pen, "proposed": waiting})
    return rules


def test_every_term_class_and_treatment_has_its_sign() -> None:
    assert set(BOOK["terms"]) == {t.name for t in TERMS}
    assert set(SIGN_OF_TREATMENT) == {*TREATMENTS, UNDECIDED}
    letters = [t["letter"] for t in BOOK["terms"].values()]
    assert len(letters) == len(set(letters))
    weights = [BOOK["classes"]["cc"][str(k)]["weight_mm"] for k in range(4)]
    assert weights == sorted(weights)
    # told apart by eye on paper: steps of a quarter or more
    assert all(b / a >= 1.25 for a, b in itertools.pairwise(weights))


def test_gis_styles_draw_what_the_book_says(folder: Path) -> None:
    rules = gis_rules(folder)
    for family in FAMILIES:
        for cc in (0, 1, 2, 3):
            for proposed in (False, True):
                [rule] = [
                    r for r in rules
                    if r["words"].get("family") == family.id and "stroke" in r["pen"] and r["words"].get("cc") == str(cc) and r["proposed"] is proposed
                ]  # fmt: skip
                assert rule["pen"]["stroke"] == family.colour
                assert float(rule["pen"]["stroke-width"]) * GIS_PX_MM == pytest.approx(
                    weight_of_class(cc), abs=1e-3
                )
                assert ("stroke-dasharray" in rule["pen"]) is proposed


def test_every_term_has_a_hatch_and_a_line_of_its_own() -> None:
    areas = [(t.family, t.hatch) for t in TERMS]
    assert len(set(areas)) == len(areas)
    lines = [(t.family, DASH_OF_LINE[t.name]) for t in TERMS if t.shape == "line"]
    assert len(set(lines)) == len(lines)


def test_a_cell_of_a_hatch_joins_its_neighbours() -> None:
    for term in TERMS:
        cell, hatch = hatch_cell(term.hatch), term.hatch
        assert cell.dots_mm or cell.strokes_mm
        ink = sum(
            shapely.LineString([s[:2], s[2:]])
            .intersection(shapely.box(0, 0, cell.width_mm, cell.height_mm))
            .length
            for s in cell.strokes_mm
        )
        share = sum(hatch.dash_mm[::2]) / sum(hatch.dash_mm) if hatch.dash_mm else 1.0
        # as long as the lines of an area of that size are, by their distance and dash
        wanted = len(hatch.angles_deg) * share * cell.width_mm * cell.height_mm / hatch.spacing_mm
        assert ink == pytest.approx(wanted, rel=1e-6)


def test_desktop_styles_carry_the_same_signs(folder: Path) -> None:
    with sqlite3.connect(folder / "project.gpkg") as db:
        (text,) = db.execute(
            "SELECT styleQML FROM layer_styles WHERE f_table_name = 'conditions' AND useAsDefault"
        ).fetchone()
    root = ET.fromstring(text)
    symbols = {s.get("name"): s for s in root.findall("./renderer-v2/symbols/symbol")}
    rules = {r.get("filter"): symbols[r.get("symbol")] for r in root.iter("rule")}
    for term in TERMS:
        symbol = rules[f"\"term\" = '{term.name}'"]
        lines = symbol.findall("./layer[@class='LinePatternFill']")
        angles = [float(p.get("v") or "") for p in lines_of(lines, "angle")]
        assert tuple(angles) == term.hatch.angles_deg
        assert {float(p.get("v") or "") for p in lines_of(lines, "distance")} <= {
            term.hatch.spacing_mm
        }
        assert bool(symbol.findall("./layer[@class='PointPatternFill']")) is not bool(angles)
    words = root.find("./labeling/settings/text-style")
    assert words is not None
    assert all(f"'{t.name}', '{t.abbreviation}'" in words.get("fieldName", "") for t in TERMS)


def test_repairs_are_drawn_by_their_treatment_in_both_styles(folder: Path) -> None:
    with sqlite3.connect(folder / "project.gpkg") as db:
        [(qml, sld)] = db.execute(
            "SELECT styleQML, styleSLD FROM layer_styles WHERE f_table_name = 'repairs'"
        ).fetchall()
    root = ET.fromstring(qml)
    symbols = {s.get("name"): s for s in root.findall("./renderer-v2/symbols/symbol")}
    desktop = {r.get("filter"): symbols[r.get("symbol")] for r in root.iter("rule")}
    standard = {
        r.findtext("se:Name", "", SE): r for r in ET.fromstring(sld).iter(f"{{{SE['se']}}}Rule")
    }
    assert len(desktop) == len(standard) == len(SIGN_OF_TREATMENT) + 1  # and what none of them is
    assert "ELSE" in desktop
    assert standard["another treatment"].find("se:ElseFilter", SE) is not None
    for name, sign in SIGN_OF_TREATMENT.items():
        assert sign.hatch is not None
        symbol, rule = desktop[f"\"treatment\" = '{name}'"], standard[name]
        layers = symbol.findall("./layer[@class='LinePatternFill']")
        angles = [float(p.get("v") or "") for p in lines_of(layers, "angle")]
        assert tuple(angles) == sign.hatch.angles_deg
        [width] = lines_of(symbol.findall("./layer[@class='SimpleLine']"), "line_width")
        assert float(width.get("v") or "") == sign.weight_mm
        assert rule.findtext(".//ogc:Literal", "", SE) == name
        pen = {p.get("name"): p.text for p in rule.iter(f"{{{SE['se']}}}SvgParameter")}
        assert pen["stroke"] == sign.colour
        assert float(pen["stroke-width"] or 0) * GIS_PX_MM == pytest.approx(
            sign.weight_mm, abs=1e-3
        )
        cell = hatch_cell(sign.hatch)
        high = float(rule.findtext(".//se:Size", "", SE)) * GIS_PX_MM
        assert high == pytest.approx(cell.height_mm, abs=1e-3)


def lines_of(layers: list[Any], name: str) -> list[Any]:
    return [p for layer in layers for p in layer.findall("prop") if p.get("k") == name]


def test_drawings_weigh_by_condition_class_and_mark_urgency(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        tables = {
            n: project.read(n)
            for n in ("elevations", "surfaces", "wall_stones", "openings", "conditions", "repairs")
        }
    content = elevation_content(tables, elevation="front", kind="condition")
    seen = 0
    for group in content.groups:
        word, rows = find_term(group.name), tables["conditions"]
        rows = rows[rows["term"] == group.name]
        assert group.fill == BOOK["hatch"]["fill"]
        assert (group.colour, group.hatch) == (BOOK["terms"][group.name]["colour"], word.hatch)
        assert sorted(np.round(group.weights_mm, 6)) == sorted(
            weight_of_class(None if np.isnan(c) else c) for c in rows["cc"].astype(float)
        )
        assert sum(label.endswith("!!") for label in group.labels) == int((rows["uc"] == 3).sum())
        seen += len(rows)
    assert seen == len(tables["conditions"])


def test_the_desk_and_the_map_are_given_the_book_and_code_none_of_it_again(folder: Path) -> None:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8481") as client:
        assert client.get("/api/schema").json()["signs"] == client.get("/api/signs").json() == BOOK
    house = Path(__file__).parents[2] / "facademap"
    script = (house / "report" / "map_page" / "b_draw.js").read_text("utf-8")
    assert "hatch.cell" in script
    assert "hatch.cell" in (house / "web/frontend/src/desk/wall/signs.js").read_text("utf-8")
    colours = {f.colour for f in FAMILIES}
    for path in [
        *(house / "report/map_page").glob("*.js"),
        *(house / "web/frontend/src/desk").rglob("*.js*"),
    ]:
        assert not colours & set(re.findall(r"#[0-9a-f]{6}", path.read_text("utf-8"))), path


def test_a_changed_sign_raises_the_edition_by_which_projects_get_it() -> None:
    told = hashlib.sha256(repr(styles.styles_of_tables()).encode()).hexdigest()
    # where this fails, signs have changed: raise STYLES_EDITION and write the new digest here
    assert (styles.STYLES_EDITION, told[:16]) == (3, "067aa8dc68b21c10")
