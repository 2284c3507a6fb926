"""All papers of a project by one call: what is made, what is left alone, and what a fault does to the others."""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import sys
from pathlib import Path

import cv2
import ezdxf
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pypdf
import pytest
import rasterio
import shapely
from rasterio.windows import from_bounds

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.paper_texts import faults_of
from benchmarks.papers_project import make_project
from facademap.errors import FileError, InputError
from facademap.store.project import Project
from facademap.tasks.issue.papers import Choices, make_papers, paper_names
from facademap.tasks.issue.papers_exchange import write_geopackage
from tests.exchange_readers import compare


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("papers") / "p"
    make_project(folder, insets=8, conditions=30).close()
    return folder, make_papers(folder)


@pytest.fixture
def copy(made, tmp_path):
    shutil.copytree(made[0], tmp_path / "p")
    return tmp_path / "p"


def test_everything_is_made_and_nothing_is_half_written(made):
    folder, result = made
    assert result.made == paper_names()
    assert not result.failed
    out = folder / "out"
    for name in (
        "quantities.xlsx",
        "quantities.csv",
        "cut-tickets.pdf",
        "templates-a4.pdf",
        "saw-plans.pdf",
        "saw-steps.json",
        "stone-wanted.pdf",
        "stone-wanted.csv",
        "labels.pdf",
        "records.pdf",
        "conditions.geojson",
        "exchange/exchange.gpkg",
        "drawings/condition-sail-loft-quay-front.pdf",
        "drawings/repair-sail-loft-quay-front.svg",
        "exchange/repair-sail-loft-quay-front.dxf",
        "dxf/R-001.1.dxf",
    ):
        assert (out / name).stat().st_size > 200, name
    assert not list(out.rglob("*.part"))
    for pdf in out.rglob("*.pdf"):
        assert pypdf.PdfReader(pdf).pages[0].extract_text().strip()


def test_a_second_run_makes_nothing_and_the_same_input_gives_the_same_bytes(made, tmp_path):
    folder, first = made
    assert make_papers(folder).made == ()
    again = make_papers(folder, out=tmp_path / "other")
    assert again.made == paper_names()
    for files in first.files.values():
        for name in files:
            assert (folder / "out" / name).read_bytes() == (
                tmp_path / "other" / name
            ).read_bytes(), name


def test_only_what_changed_is_made_again_and_what_is_gone_is_taken_away(copy):
    assert make_papers(copy).made == ()
    with Project.open(copy) as project, project.edit(who="t", what="move a block") as edit:
        edit.update("blocks", "B-01", {"location": "shed"})
    result = make_papers(copy)
    assert {"tickets", "saw-plans", "lists"} <= set(result.made)
    assert "drawings" in result.unchanged
    with Project.open(copy) as project, project.edit(who="t", what="drop a piece") as edit:
        edit.delete("placements", "PL-001")
        edit.delete("pieces", "R-001.1")
    make_papers(copy)
    assert not (copy / "out/dxf/R-001.1.dxf").exists()
    assert (copy / "out/dxf/R-002.1.dxf").exists()


def test_a_damaged_file_is_made_again(copy):
    (copy / "out/labels.pdf").write_bytes(b"x")
    assert make_papers(copy).made == ("lists",)


def test_bad_rates_stop_only_the_quantities(copy):
    result = make_papers(
        copy,
        choices=Choices(
            rates="currency='EUR'\n[[rates]]\ntreatment='inset'\ncurrency='USD'\nmeasure='count'\nlow=1\nlikely=2\nhigh=3"
        ),
        only=["quantities", "tickets"],
    )
    assert list(result.failed) == ["quantities"]
    assert "mixes the currencies" in result.failed["quantities"][0]
    assert (copy / "out/quantities.xlsx").exists()
    assert "tickets" in result.made


def test_missing_pictures_are_named_and_the_papers_still_made(copy):
    shutil.rmtree(copy / "elevations")
    shutil.rmtree(copy / "blocks")
    result = make_papers(copy)
    assert not result.failed
    assert any("B-01.1" in w for w in result.warnings)
    assert any("S-1" in w for w in result.warnings)
    assert (
        "no photo of this face"
        in pypdf.PdfReader(copy / "out/cut-tickets.pdf").pages[0].extract_text()
    )


def test_a_damaged_picture_is_named(copy):
    (copy / "elevations/S-1.tif").write_bytes(b"II*\x00 not a picture")
    (copy / "blocks/B-01.jpg").write_bytes(b"\xff\xd8 no")
    result = make_papers(copy)
    assert not result.failed
    assert any("S-1" in w for w in result.warnings)
    assert any("B-01" in w for w in result.warnings)


def test_a_folder_that_cannot_be_written_is_named(made, tmp_path):
    target = tmp_path / "file"
    target.write_text("x")
    with pytest.raises(FileError, match="file"):
        make_papers(made[0], out=target)
    if os.geteuid() != 0:
        locked = tmp_path / "locked"
        locked.mkdir(mode=0o500)
        with pytest.raises(FileError):
            make_papers(made[0], out=locked)
    with pytest.raises(InputError, match="poster"):
        make_papers(made[0], only=["poster"])


def test_hostile_names_reach_no_formula_path_or_crash(copy):
    with Project.open(copy) as project, project.edit(who="t", what="names") as edit:
        edit.set("name", "=cmd|' /C calc'!A0\x1b[31m")
        edit.update("elevations", "E-1", {"name": "../../etc/\u202epasswd <script>"})
        edit.update("wall_stones", "WS-01.01", {"stone_type": "@SUM(1)"})
        edit.update("blocks", "B-01", {"location": "+49 \u0007 שלום"})
    result = make_papers(copy)
    assert not result.failed
    for files in result.files.values():
        for name in files:
            assert (copy / "out" / name).resolve().is_relative_to((copy / "out").resolve())


def test_the_geopackage_gives_back_every_outline_and_value(made):
    folder, _ = made
    path = folder / "out/exchange/exchange.gpkg"
    layers = [str(n) for n, _ in pyogrio.list_layers(path)]
    assert {"conditions S-1", "repairs S-1", "pieces S-1", "blocks", "placements"} <= set(layers)
    with Project.open(folder, read_only=True) as project:
        for table in ("conditions", "repairs", "wall_stones"):
            ours = project.read(table).set_index("id")
            # one kind of shape a layer: areas, then lines and points where there are some
            own = [n for n in layers if n == f"{table} S-1" or n.startswith(f"{table} S-1 ")]
            parts = [gpd.read_file(path, layer=n).set_index("id") for n in own]
            assert all(len(set(part.geometry.geom_type)) == 1 for part in parts)
            theirs = pd.concat(parts).loc[ours.index[ours["surface"] == "S-1"]]
            assert sum(map(len, parts)) == len(theirs)
            assert list(theirs.index) == list(ours[ours["surface"] == "S-1"].index)
            assert shapely.equals_exact(
                theirs.geometry.array, ours.loc[theirs.index].geometry.array, tolerance=0.0
            ).all()
            assert theirs.crs.is_engineering
            assert theirs.crs == ours.crs
        styles = gpd.read_file(path, layer="layer_styles")
        named = {n for n in layers if n.startswith(("conditions", "wall_stones", "openings"))}
        assert named <= set(styles["f_table_name"])
        repairs = gpd.read_file(path, layer="repairs S-1").set_index("id")
        assert json.loads(repairs.loc["R-001", "pins"]) == project.row("repairs", "R-001")["pins"]


def test_the_geopackage_carries_the_wall_and_the_photos(copy, tmp_path):
    """The tiles read by GDAL against the elevation; the photo of a condition found by the tables of OGC 18-000."""
    with Project.open(copy) as project:
        with project.edit(who="test", what="a photo") as edit:
            condition = project.read("conditions", where={"surface": "S-1"})["id"].iloc[0]
            photo = project.read("photos")["id"].iloc[0]
            edit.update("conditions", condition, {"photo": photo})
        body = write_geopackage(project)
        assert write_geopackage(project) == body, "the same input gives the same bytes"
    path = tmp_path / "x.gpkg"
    path.write_bytes(body)
    with (
        rasterio.open(f"GPKG:{path}:picture S-1") as theirs,
        rasterio.open(copy / "elevations/S-1.tif") as ours,
    ):
        assert 'UNIT["metre",1]' in theirs.crs.to_wkt()
        assert np.allclose(theirs.bounds, ours.bounds, atol=theirs.res[0])
        for share in (0.2, 0.5, 0.8):
            u = ours.bounds.left + share * (ours.bounds.right - ours.bounds.left)
            v = ours.bounds.bottom + share * (ours.bounds.top - ours.bounds.bottom)
            boxes = [
                d.read(
                    (1, 2, 3), window=from_bounds(u - 0.2, v - 0.2, u + 0.2, v + 0.2, d.transform)
                ).mean(axis=(1, 2))
                for d in (theirs, ours)
            ]
            assert boxes[0] == pytest.approx(boxes[1], abs=3)
    with sqlite3.connect(path) as connection:
        layer, related, mapping = connection.execute(
            "SELECT base_table_name, related_table_name, mapping_table_name FROM gpkgext_relations"
        ).fetchone()
        found = connection.execute(
            f'SELECT b.id, r.photo, r.data FROM "{layer}" b JOIN "{mapping}" m ON m.base_id = b.fid '
            f'JOIN "{related}" r ON r.id = m.related_id'
        ).fetchall()
    assert [(f[0], f[1]) for f in found] == [(condition, photo)]
    assert cv2.imdecode(np.frombuffer(found[0][2], np.uint8), cv2.IMREAD_COLOR) is not None


def test_no_text_of_a_paper_is_too_small_over_another_or_off_its_page(made):
    """Boxes from the content stream as PDFium reads it; many projects in five scripts by ``benchmarks/paper_texts.py``."""
    folder, result = made
    names = [n for files in result.files.values() for n in files if n.endswith(".pdf")]
    faults = {n: found for n in names if (found := faults_of(folder / "out" / n))}
    assert len(names) > 8
    assert faults == {}
    for name in names:
        for page in pypdf.PdfReader(folder / "out" / name).pages:
            for font in page["/Resources"].get("/Font", {}).values():
                assert "/FontFile2" in font.get("/FontDescriptor", {}), (name, font["/BaseFont"])


def test_flat_files_keep_every_length_and_area_of_the_wall(made):
    """Read by GDAL, summed, against shapely on the stored outlines."""
    folder, _ = made
    out = folder / "out/exchange"
    with Project.open(folder, read_only=True) as project:
        ours = project.read("conditions")
    for pattern in ("conditions-*.fgb", "conditions-*-wall.geojson"):
        parts = [gpd.read_file(p) for p in sorted(out.glob(pattern))]
        assert sum(map(len, parts)) == len(ours)
        assert sum(p.geometry.area.sum() for p in parts) == pytest.approx(ours.geometry.area.sum())
        assert sum(p.geometry.length.sum() for p in parts) == pytest.approx(
            ours.geometry.length.sum()
        )
    told = pd.read_csv(out / "data-dictionary.csv").set_index(["table", "column"])
    for column in ours.columns.drop(["geometry", "id"]):
        assert told.loc[("conditions", column), "meaning"]


def test_geojson_in_the_world_keeps_the_area_of_the_wall(made):
    """Read by GDAL; the planar area of the 3-D ring, back in metres, against shapely in the wall frame."""
    folder, _ = made
    path = folder / "out/conditions.geojson"
    theirs = gpd.read_file(path)
    assert theirs.crs.to_epsg() in (4326, 4979)
    data = json.loads(path.read_text("utf-8"))
    assert "crs" not in data
    with Project.open(folder, read_only=True) as project:
        ours = project.read("conditions").set_index("id")
        void = project.read("openings").geometry.union_all()
    assert len(data["features"]) == len(ours) == len(theirs)
    from pyproj import Transformer

    back = Transformer.from_crs("EPSG:4326", "EPSG:32630", always_xy=True)
    checked = 0
    for feature in data["features"]:
        shape = ours.loc[feature["id"], "geometry"]
        if feature["geometry"]["type"] != "Polygon":
            continue
        ring = np.array(feature["geometry"]["coordinates"][0])
        assert ring.shape[1] == 3
        assert (ring[0] == ring[-1]).all()
        e, n = back.transform(ring[:, 0], ring[:, 1])
        points = np.column_stack([e, n, ring[:, 2]])
        points = points - points[0]
        area = 0.5 * np.linalg.norm(np.cross(points[:-1], points[1:]).sum(axis=0))
        # nine decimals of a degree and tenths of a millimetre of height: a ring of a decimetre keeps its area to a percent
        assert area == pytest.approx(shape.area, rel=0.01)
        assert feature["properties"]["face_area_m2"] == pytest.approx(
            shape.difference(void).area, abs=1e-8
        )
        checked += 1
    assert checked > 15


def test_every_exchange_file_opens_elsewhere_with_the_same_counts_lengths_and_areas(made):
    """GDAL (its own SQL), geopandas, ezdxf and LibreOffice: ``tests/exchange_readers.py``, which also runs alone."""
    found = list(compare(made[0]))
    assert [f for f in found if not f.agrees] == []
    assert {"GDAL", "geopandas", "ezdxf"} <= {f.program for f in found}
    assert len(found) > 40


def test_drawing_dxf_passes_the_audit_and_gives_the_areas_back(made):
    folder, _ = made
    drawing = ezdxf.readfile(folder / "out/exchange/condition-sail-loft-quay-front.dxf")
    audit = drawing.audit()
    assert not audit.errors
    assert drawing.units == ezdxf.units.M
    with Project.open(folder, read_only=True) as project:
        conditions = project.read("conditions")
    for term, rows in conditions.groupby("term"):
        layer = term.upper().replace(" ", "_")
        found = [
            shapely.Polygon([(x, y) for x, y, *_ in p.get_points()]).area
            for p in drawing.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')
            if p.closed
        ]
        assert sum(found) == pytest.approx(rows.geometry.area.sum(), abs=1e-9)
        labels = [
            p.get_xdata("FACADEMAP")[0][1]
            for p in drawing.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')
        ]
        assert len(labels) == len(rows)


def test_a_project_with_nothing_in_it_gives_papers_that_say_so(tmp_path):
    Project.create(tmp_path / "empty", name="empty").close()
    result = make_papers(tmp_path / "empty")
    assert not result.failed
    assert (
        "No pieces"
        in pypdf.PdfReader(tmp_path / "empty/out/cut-tickets.pdf").pages[0].extract_text()
    )


def test_the_command_reports_in_json_and_exits_2_on_failure(copy, tmp_path, capsys):
    from facademap.cli.main import main

    rates = tmp_path / "rates.toml"
    rates.write_text("currency = ")
    with pytest.raises(SystemExit) as stop:
        main(
            [
                "papers",
                str(copy),
                "--only",
                "quantities",
                "--rates",
                str(rates),
                "--json",
                "--quiet",
            ]
        )
    assert stop.value.code == 2
    captured = capsys.readouterr()
    assert "rates.toml" in json.loads(captured.out)["failed"]["quantities"]["problem"]
    assert captured.err.startswith("error: quantities")
    with pytest.raises(SystemExit) as stop:
        main(["papers", str(copy), "--only", "lists", "--json", "--quiet"])
    assert stop.value.code == 0
    assert json.loads(capsys.readouterr().out)["unchanged"] == ["lists"]


def test_letter_paper_and_rates_with_costs(copy):
    rates = 'currency = "GBP"\n[[rates]]\ntreatment = "inset"\nmeasure = "count"\nlow = 1\nlikely = 2\nhigh = 3\n'
    result = make_papers(
        copy,
        choices=Choices(paper="Letter", sheet="Tabloid", rates=rates),
        only=["quantities", "tickets", "templates", "lists"],
    )
    assert not result.failed
    assert any("no rate for" in w for w in result.warnings)
    assert (copy / "out/templates-letter.pdf").exists()
    assert not (copy / "out/templates-a4.pdf").exists()
    import openpyxl

    book = openpyxl.load_workbook(
        io.BytesIO((copy / "out/quantities.xlsx").read_bytes()), data_only=True
    )
    assert "GBP" in book["Costs"]["A1"].value


def test_an_elevation_read_whole_or_by_window_gives_the_same_part(made):
    from facademap.tasks.issue.papers_pictures import ElevationReader

    path = made[0] / "elevations/S-1.tif"
    box = (1.0, 1.0, 2.2, 1.9)
    whole, covered = ElevationReader().box(path, box, most_px=5000)
    window, also = ElevationReader(most_kept_px=0).box(path, box, most_px=5000)
    assert covered == pytest.approx(also)
    assert (whole == window).all()
    small, _ = ElevationReader().box(path, box, most_px=60)
    assert max(small.shape) == 60
    with pytest.raises(InputError, match="covers u"):
        ElevationReader().box(path, (900, 0, 901, 1), most_px=50)


def test_the_as_built_drawing_shows_what_is_done_and_what_remains(made):
    folder, _ = made
    text = (
        pypdf.PdfReader(folder / "out/drawings/as-built-sail-loft-quay-front.pdf")
        .pages[0]
        .extract_text()
    )
    assert "Repaired" in text
    assert "Remains:" in text
    with Project.open(folder, read_only=True) as project:
        repairs = project.read("repairs")
    accepted = repairs[repairs["stage"] == "accepted"]
    assert len(accepted) >= 1
    for name in accepted["id"]:
        assert name in text
    for name in repairs[repairs["stage"] == "approved"]["id"]:
        assert name not in text


def test_a_sheet_that_does_not_exist_is_refused_before_anything_is_made(made, tmp_path):
    with pytest.raises(InputError, match="A9"):
        make_papers(made[0], choices=Choices(sheet="A9"), out=tmp_path / "o")
    assert not (tmp_path / "o").exists()
