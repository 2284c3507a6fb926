"""One sign, four pictures: a drawing, the condition map, the desk and a GIS style show the same hatch, colour and weight."""

from __future__ import annotations

import base64
import sqlite3
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import desk_sample
import numpy as np
import pypdfium2 as pdfium
import pytest
import shapely
from desk_browser import Server, open_desk, until

from facademap.condition.glossary import find_term
from facademap.condition.signs import signs_as_json, weight_of_class
from facademap.io.rasters import write_elevation
from facademap.report.drawing_content import elevation_content
from facademap.report.drawings import draw_sheets, write_drawing_pdf
from facademap.report.sheet_layout import lay_out
from facademap.store.project import Project
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.wall.grid import PixelGrid

#: One term of each family that is drawn as an area, with a dash among them.
TERMS = {
    "A": "craquele",
    "B": "delamination",
    "C": "coving",
    "D": "black crust",
    "E": "lichen",
    "S": "displacement",
    "R": "cement repair",
}
SIDE_M = 2.5
DRAWN = ("elevations", "surfaces", "wall_stones", "openings", "conditions", "repairs")
BOOK = signs_as_json()
#: Two pixels of the screen a pixel of the page, of which an inch has 96.
SHARP = 2
#: Things are looked for in a picture of every so many pixels.
COARSE = 4
#: Things are looked for in a picture of every so many pixels.
COARSE = 4
PX_PER_MM = SHARP * 96 / 25.4
#: OGC 05-077r4, 11.1.1: the standardised rendering pixel is 0.28 mm x 0.28 mm.
GIS_PX_MM = 0.28
SE = "{http://www.opengis.net/se}"
OGC = "{http://www.opengis.net/ogc}"


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What is seen of one hatch."""

    coverage: float
    spacing_mm: float
    angle_deg: float


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wall with a large square of each term."""
    made = desk_sample.make_project(
        tmp_path_factory.mktemp("pictures") / "wall", many=1, picture=False, blocks=0
    )
    squares = [shapely.box(0, 0, SIDE_M, SIDE_M)] * len(TERMS)
    with Project.open(made) as project, project.edit(who="test", what="squares") as edit:
        edit.update("surfaces", desk_sample.SURFACE, plain_picture(project))
        for table in ("conditions", "wall_stones", "openings"):
            for id in project.read(table)["id"]:
                edit.delete(table, id)
        edit.insert(
            "conditions",
            [
                {
                    "id": f"C-{n + 1:03}",
                    "surface": desk_sample.SURFACE,
                    "term": term,
                    "family": family,
                    "cc": 2,
                    "geometry": shapely.affinity.translate(
                        square, 0.3 + 2.9 * (n % 4), 0.3 + 3.0 * (n // 4)
                    ),
                }
                for n, ((family, term), square) in enumerate(
                    zip(TERMS.items(), squares, strict=True)
                )
            ],
        )
    return made


def plain_picture(project: Project) -> dict[str, Any]:
    """A picture of a wall of one colour."""
    high, wide = round(desk_sample.HEIGHT_M / 0.01), round(desk_sample.WIDTH_M / 0.01)
    grid = PixelGrid(
        left_m=0.0, top_m=desk_sample.HEIGHT_M, gsd_m=0.01, width_px=wide, height_px=high
    )
    colour = np.full((high, wide, 3), (226, 222, 212), np.uint8)
    full = np.full((high, wide), 255, np.uint8)
    write_elevation(
        project.place(f"elevations/{desk_sample.SURFACE}.tif"),
        grid,
        ((w, colour[w.slices], full[w.slices]) for w in grid.windows(512)),
        crs_wkt=str(project.read("surfaces")["frame_wkt"].iloc[0]),
    )
    return {"picture": f"elevations/{desk_sample.SURFACE}.tif", "gsd_m": 0.01}


def squares_in(picture: np.ndarray, *, grid: bool = False) -> dict[str, tuple[int, int, int, int]]:
    """Where the square of each term lies: the largest square of its colour; top, left, bottom, right."""
    found: dict[str, Any] = {}
    for family, term in TERMS.items():
        colour = rgb(BOOK["terms"][term]["colour"])
        near = cv2.inRange(picture, np.maximum(colour - 20, 0), np.minimum(colour + 20, 255))
        small = cv2.resize(near, None, fx=1 / COARSE, fy=1 / COARSE, interpolation=cv2.INTER_AREA)
        joined = cv2.morphologyEx(
            (small > 0).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)
        )
        if grid:  # its marks are black as well, but thin
            joined = cv2.morphologyEx(joined, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
        _, _, stats, _ = cv2.connectedComponentsWithStats(joined)
        square = [s for s in stats[1:].tolist() if 0.9 < s[2] / s[3] < 1.1]
        left, top, wide, high, _ = max(square, key=lambda s: s[2] * s[3])
        found[family] = tuple(COARSE * v for v in (top, left, top + high, left + wide))
    return found


def rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)], float)


def seen_in(picture: np.ndarray, box: tuple[int, int, int, int], term: str) -> Seen:
    """Share of ink, and distance and direction of the strongest repetition, by the Fourier transform."""
    top, left, bottom, right = box
    ground = np.median(picture[top - 24 : top - 14, left:right].reshape(-1, 3), axis=0)
    # the upper left part, clear of outline and letter
    inset, side = 20, int(0.42 * min(bottom - top, right - left))
    part = picture[top + inset : top + inset + side, left + inset : left + inset + side].astype(
        float
    )
    axis = rgb(BOOK["terms"][term]["colour"]) - ground
    ink = ((part - ground) @ axis) / (axis @ axis)
    size = 1024
    window = np.outer(np.hanning(side), np.hanning(side))
    power = np.abs(np.fft.fft2((ink - ink.mean()) * window, (size, size)))
    fy, fx = np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size), indexing="ij")
    # neither slow shading nor what is finer than any hatch
    power[(np.hypot(fx, fy) * PX_PER_MM < 0.25) | (np.hypot(fx, fy) * PX_PER_MM > 1.5)] = 0
    # a hatch repeats in half and in thirds too: the longest of the strong repetitions counts
    strong = np.where(power > 0.7 * power.max(), np.hypot(fx, fy), np.inf)
    longest = np.where(strong < 1.2 * strong.min(), power, 0)
    at = np.unravel_index(longest.argmax(), power.shape)
    frequency = float(np.hypot(fx[at], fy[at])) * PX_PER_MM
    # lines run square to their repetition; y runs down in a picture
    angle = (np.degrees(np.arctan2(-fy[at], fx[at])) + 90) % 180
    return Seen(coverage=float(ink.mean()), spacing_mm=1 / frequency, angle_deg=float(angle))


def of_all(picture: np.ndarray, boxes: dict[str, Any]) -> dict[str, Seen]:
    return {
        term: seen_in(picture, box, term)
        for (family, box) in boxes.items()
        for term in [TERMS[family]]
    }


def decoded(png: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]


def drawn(folder: Path) -> np.ndarray:
    with Project.open(folder, read_only=True) as project:
        tables = {n: project.read(n) for n in DRAWN}
    content = elevation_content(tables, elevation="front", kind="condition")
    [sheet, *_] = draw_sheets(content, sheet="A2", scale=32)
    page = pdfium.PdfDocument(write_drawing_pdf([sheet], title="Signs"))[0]
    # large sheets are enlarged as a whole, pens and hatches too, to be legible at half their size
    enlarged = lay_out(content.box, sheet="A2", scale=32).frame.enlarge
    return page.render(scale=SHARP * 96 / 72 / enlarged).to_numpy()[..., :3][..., ::-1]


def mapped(folder: Path, chromium: Any) -> np.ndarray:
    page = chromium.new_page(viewport={"width": 1280, "height": 800}, device_scale_factor=SHARP)
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(Path(make_condition_map(folder)["path"]).resolve().as_uri())
    page.wait_for_timeout(800)
    assert not faults
    return decoded(page.locator("#stage").screenshot())


def at_the_desk(server: Server, chromium: Any) -> np.ndarray:
    page, _ = open_desk(chromium, server, sharp=SHARP)
    until(page, "document.documentElement.dataset.drawn === 'yes'")
    page.wait_for_timeout(500)
    return decoded(page.screenshot())


def in_gis(folder: Path, chromium: Any) -> np.ndarray:
    """Fill and outline of the style of the project, read by the standard alone and laid out as it says."""
    with sqlite3.connect(folder / "project.gpkg") as db:
        (sld,) = db.execute(
            "SELECT styleSLD FROM layer_styles WHERE f_table_name = 'conditions' AND useAsDefault"
        ).fetchone()
    rules = list(ET.fromstring(sld).iter(f"{SE}Rule"))
    boxes = []
    for family, term in TERMS.items():
        row = {"term": term, "family": family, "cc": "2", "uc": None, "origin": "drawn"}
        style = "".join(css for rule in rules if fits(rule, row) for css in css_of(rule))
        boxes.append(f'<div style="{style}"></div>')
    page = chromium.new_page(viewport={"width": 1280, "height": 800}, device_scale_factor=SHARP)
    page.set_content(
        "<style>body{margin:40px;background:#fff}div{width:48mm;height:48mm;display:inline-block;margin:6mm;"
        f"box-sizing:border-box}}</style>{''.join(boxes)}"
    )
    page.wait_for_timeout(300)
    return decoded(page.screenshot())


def fits(rule: ET.Element, row: dict[str, Any]) -> bool:
    filter_ = rule.find(f"{OGC}Filter")
    return filter_ is None or all(holds(part, row) for part in filter_)


def holds(part: ET.Element, row: dict[str, Any]) -> bool:
    match part.tag.removeprefix(OGC):
        case "And":
            return all(holds(p, row) for p in part)
        case "Or":
            return any(holds(p, row) for p in part)
        case "Not":
            return not holds(part[0], row)
        case "PropertyIsNull":
            return row.get(part[0].text or "") is None
        case "PropertyIsEqualTo":
            return row.get(part[0].text or "") == part[1].text
    raise AssertionError(part.tag)


def css_of(rule: ET.Element) -> list[str]:
    found = []
    for symbol in rule:
        pen = {p.get("name"): p.text for p in symbol.iter(f"{SE}SvgParameter")}
        if symbol.tag == f"{SE}LineSymbolizer":
            width = float(pen["stroke-width"] or 0) * GIS_PX_MM
            found.append(f"border:{width}mm solid {pen['stroke']};")
        elif symbol.tag == f"{SE}PolygonSymbolizer" and "fill" in pen:
            alpha = round(255 * float(pen["fill-opacity"] or 1))
            found.append(f"background-color:{pen['fill']}{alpha:02x};")
        elif symbol.tag == f"{SE}PolygonSymbolizer":
            svg = base64.b64decode(symbol.find(f".//{SE}InlineContent").text or "")  # type: ignore[union-attr]
            high = float(symbol.find(f".//{SE}Size").text or 0) * GIS_PX_MM  # type: ignore[union-attr]
            data = base64.b64encode(svg).decode()
            found.append(
                f"background-image:url(data:image/svg+xml;base64,{data});background-size:auto {high}mm;"
            )
    return found


@pytest.fixture(scope="module")
def pictures(folder: Path, server: Server, chromium: Any) -> dict[str, tuple[np.ndarray, Any]]:
    """Each picture, and where the squares lie in it."""
    found = {
        "drawing": drawn(folder),
        "map": mapped(folder, chromium),
        "desk": at_the_desk(server, chromium),
        "GIS style": in_gis(folder, chromium),
    }
    return {n: (p, squares_in(p, grid=n == "drawing")) for n, p in found.items()}


def test_four_pictures_show_one_hatch(pictures: dict[str, tuple[np.ndarray, Any]]) -> None:
    for name, (picture, boxes) in pictures.items():
        for term, seen in of_all(picture, boxes).items():
            hatch = find_term(term).hatch
            where = (name, term, seen)
            rise = 1.0 if hatch.angles_deg else 3**0.5 / 2  # rows of dots
            assert seen.spacing_mm == pytest.approx(hatch.spacing_mm * rise, rel=0.06), where
            if len(hatch.angles_deg) == 1:
                turned = (seen.angle_deg - hatch.angles_deg[0] + 90) % 180 - 90
                assert abs(turned) < 3, where
            book = BOOK["hatch"]
            if hatch.angles_deg:
                share = sum(hatch.dash_mm[::2]) / sum(hatch.dash_mm) if hatch.dash_mm else 1.0
                ink = len(hatch.angles_deg) * share * book["line_mm"] / hatch.spacing_mm
            else:
                ink = np.pi * book["dot_radius_mm"] ** 2 / (hatch.spacing_mm**2 * rise)
            assert seen.coverage == pytest.approx(book["fill"] + (1 - book["fill"]) * ink, abs=0.05)


def test_four_pictures_show_one_weight(pictures: dict[str, tuple[np.ndarray, Any]]) -> None:
    for name, (picture, boxes) in pictures.items():
        top, left, bottom, _ = boxes["B"]
        colour = rgb(BOOK["terms"][TERMS["B"]]["colour"])
        middle = slice((top + bottom) // 2 - 40, (top + bottom) // 2 + 40)
        edge = picture[middle, left - 20 : left + 20].astype(float)
        ground = np.median(picture[middle, left - 50 : left - 40].reshape(-1, 3), axis=0)
        axis = colour - ground
        profile = np.median(((edge - ground) @ axis) / (axis @ axis), axis=0)
        width_mm = float((profile > 0.5).sum()) / PX_PER_MM
        assert width_mm == pytest.approx(weight_of_class(2), abs=1.2 / PX_PER_MM), (name, width_mm)
