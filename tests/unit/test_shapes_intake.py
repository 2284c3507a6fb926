"""Outlines from any office's file. The files are written by GDAL (pyogrio) and ezdxf, which share no code with the reader."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Transformer

from facademap.errors import InputError
from facademap.io.csv_tables import TableWords
from facademap.io.kml_shapes import read_kml
from facademap.store.project import Project
from facademap.tasks.survey.add_features import add_features

from small_wall import EPSG, GSD_M, in_world, make_wall, stones_m  # isort: skip


def _stored(folder: Path) -> list[shapely.Polygon]:
    with Project.open(folder, read_only=True) as project:
        return list(project.read("wall_stones").geometry)


def _agree(folder: Path, tolerance_m: float = 1e-6) -> None:
    """The stones stored are the true ones, in their order."""
    stored = _stored(folder)
    assert len(stored) == 12
    for found, true in zip(stored, stones_m(), strict=True):
        assert found.symmetric_difference(true).area < tolerance_m * true.length


def _frame(shapes: list[Any], **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns or {"nr": range(len(shapes))}, geometry=shapes)


def _read(folder: Path, path: Path, **options: Any) -> dict[str, Any]:
    return add_features(folder, "wall_stones", path, **options)


@pytest.fixture
def wall(tmp_path: Path) -> Path:
    make_wall(tmp_path / "wall")
    return tmp_path / "wall"


@pytest.mark.parametrize("ending", ["gpkg", "shp", "fgb"])
def test_metres_without_a_word(ending: str, wall: Path, tmp_path: Path) -> None:
    path = tmp_path / f"stones.{ending}"
    _frame(stones_m(), Course=[1] * 4 + [2] * 4 + [3] * 4, nr=range(12)).to_file(path)
    done = _read(wall, path)
    if ending == "fgb":  # a FlatGeobuf is stored along a curve, in an order of its own
        assert (
            shapely.union_all(_stored(wall))
            .symmetric_difference(shapely.union_all(stones_m()))
            .area
            < 1e-6
        )
    else:
        _agree(wall)
    assert "12 wall stones" in done["understood"]
    # 12 stones of 0.88 m by 0.38 m
    assert "4.01 m2, 100 % on the picture" in done["understood"]
    assert "unknown: number" in done["understood"]
    assert any("columns not used: nr" in n for n in done["notes"])


def test_a_projected_system_goes_through_the_frame_of_the_surface(
    wall: Path, tmp_path: Path
) -> None:
    path = tmp_path / "world.gpkg"
    _frame([in_world(s) for s in stones_m()]).set_crs(EPSG).to_file(path)
    _read(wall, path)
    _agree(wall, 1e-5)


@pytest.mark.parametrize("ending", ["geojson", "kml"])
def test_degrees_with_heights_are_converted(ending: str, wall: Path, tmp_path: Path) -> None:
    change = Transformer.from_crs(EPSG, 4326, always_xy=True)
    turned = [
        shapely.Polygon([(*change.transform(x, y), z) for x, y, z in in_world(s).exterior.coords])
        for s in stones_m()
    ]
    path = tmp_path / f"degrees.{ending}"
    frame = _frame(turned, name=[f"K{k}" for k in range(12)]).set_crs(4326)
    if ending == "kml":
        path.write_text(_kml(frame))
        by_gdal = gpd.read_file(path, driver="KML")
        ours = read_kml(path)
        assert list(by_gdal["Name"]) == [o["name"] for o in ours]
        for one, other in zip(by_gdal.geometry, ours, strict=True):
            assert one.equals_exact(other["geometry"], 1e-12)
    else:
        frame.to_file(path, driver="GeoJSON", COORDINATE_PRECISION=15)
    _read(wall, path)
    _agree(wall, 0.002)
    with Project.open(wall, read_only=True) as project:
        assert set(project.read("wall_stones")["id"]) == {f"K{k}" for k in range(12)}


def _kml(frame: gpd.GeoDataFrame) -> str:
    marks = "".join(
        f"<Placemark><name>{name}</name><Polygon><altitudeMode>absolute</altitudeMode><outerBoundaryIs><LinearRing>"
        f"<coordinates>{' '.join(f'{x!r},{y!r},{z!r}' for x, y, z in np.array(shape.exterior.coords).tolist())}</coordinates>"
        "</LinearRing></outerBoundaryIs></Polygon></Placemark>"
        for name, shape in zip(frame["name"], frame.geometry, strict=True)
    )
    return f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{marks}</Document></kml>'


def test_degrees_without_heights_or_without_a_place_are_refused(wall: Path, tmp_path: Path) -> None:
    flat = [shapely.box(10.0, 53.5, 10.00001, 53.50001)]
    path = tmp_path / "flat.geojson"
    _frame(flat).set_crs(4326).to_file(path, driver="GeoJSON")
    data = json.loads(path.read_text())
    data["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    path.write_text(json.dumps(data))
    with pytest.raises(InputError, match="without heights"):
        _read(wall, path)
    make_wall(tmp_path / "nowhere", world=False)
    with pytest.raises(InputError, match="is not known"):
        _read(tmp_path / "nowhere", path)
    assert not _stored(wall)


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1000.0), ("ft", 1 / 0.3048), ("cm", 100.0)])
def test_other_units_stop_with_the_one_that_fits(
    unit: str, factor: float, wall: Path, tmp_path: Path
) -> None:
    path = tmp_path / "stones.gpkg"
    # the whole wall, so that feet leave the picture
    _frame([shapely.affinity.scale(s, factor, factor, origin=(0, 0)) for s in stones_m()]).to_file(
        path
    )
    if unit != "ft":  # twelve stones of three courses are plausible in feet as well
        with pytest.raises(InputError, match=f"--unit {unit}"):
            _read(wall, path)
        assert not _stored(wall)
    _read(wall, path, words=TableWords(unit=unit))
    _agree(wall)


@pytest.mark.parametrize("sign", [1, -1])
def test_pixels_of_the_picture(sign: int, wall: Path, tmp_path: Path) -> None:
    def pixel(s: shapely.Polygon) -> shapely.Polygon:
        c = np.array(s.exterior.coords)
        return shapely.Polygon(np.c_[c[:, 0] / GSD_M - 0.5, sign * ((3.0 - c[:, 1]) / GSD_M - 0.5)])

    path = tmp_path / "pixels.geojson"
    _frame([pixel(s) for s in stones_m()]).to_file(path, driver="GeoJSON")
    with pytest.raises(InputError, match="--unit px: 100 % on the wall"):
        _read(wall, path)
    _read(wall, path, words=TableWords(unit="px"))
    _agree(wall)


def test_our_own_outlines_say_what_they_are(wall: Path, tmp_path: Path) -> None:
    from facademap.io.vectors import MARK, pixel_mark

    with Project.open(wall, read_only=True) as project:
        picture = Path(project.read("surfaces")["picture"].iloc[0]).name
    ring = [[19.5, 559.5], [195.5, 559.5], [195.5, 483.5], [19.5, 483.5], [19.5, 559.5]]
    feature = {
        "type": "Feature",
        "properties": {"name": "first"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    path = tmp_path / "followed.geojson"
    path.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                MARK: pixel_mark(picture, width_px=800, height_px=600),
                "features": [feature],
            }
        )
    )
    _read(wall, path)
    # half a pixel and 5 mm a pixel, from the upper left at v = 3 m
    assert _stored(wall)[0].bounds == pytest.approx((0.1, 0.2, 0.98, 0.58), abs=1e-9)
    path.write_text(path.read_text().replace(picture, "another.jpg"))
    with pytest.raises(InputError, match="another") as refused:
        _read(wall, path)
    # a copy of the picture under another name is what the user says it is
    assert "--unit px" in refused.value.remedy
    _read(wall, path, words=TableWords(unit="px"))


def test_outlines_without_a_term_become_conditions_by_a_word(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "holes.gpkg"
    _frame(stones_m()[:2], name=["a", "b"]).to_file(path)
    with pytest.raises(InputError, match="no column term") as refused:
        add_features(wall, "conditions", path)
    assert "--term" in refused.value.remedy
    add_features(wall, "conditions", path, term="perforation")
    with Project.open(wall, read_only=True) as project:
        assert list(project.read("conditions")["term"]) == ["perforation"] * 2
    with pytest.raises(InputError, match="unknown term"):
        add_features(wall, "conditions", path, term="nonsense")
    with pytest.raises(InputError, match="a term is given"):
        add_features(wall, "wall_stones", path, term="perforation")


def _drawing(path: Path, insunits: int, factor: float) -> None:
    drawing = ezdxf.new("R2010")
    drawing.header["$INSUNITS"] = insunits
    space = drawing.modelspace()
    for number, s in enumerate(stones_m()):
        corners = np.array(s.exterior.coords)[:-1] * factor
        space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "STONES"})
        middle = corners.mean(axis=0)
        space.add_text(
            f"S{number}", dxfattribs={"insert": (middle[0], middle[1]), "layer": "NUMBERS"}
        )
    space.add_line((0, 0), (3 * factor, 0), dxfattribs={"layer": "GROUND"})
    drawing.saveas(path)


@pytest.mark.parametrize(("code", "factor"), [(4, 1000.0), (2, 1 / 0.3048), (6, 1.0)])
def test_a_drawing_in_its_stated_unit(code: int, factor: float, wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "wall.dxf"
    _drawing(path, code, factor)
    _read(wall, path, layer="STONES")
    _agree(wall)
    with Project.open(wall, read_only=True) as project:
        assert list(project.read("wall_stones")["id"]) == [f"S{k}" for k in range(12)]


def test_open_lines_of_a_drawing_are_asked_about(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "wall.dxf"
    _drawing(
        path, 6, 1.0
    )  # the line of the ground lies on a layer of its own, and all layers are read
    with pytest.raises(InputError, match="1 of 13 shapes are open lines or points") as refused:
        _read(wall, path)
    assert "--layer" in refused.value.remedy
    assert not _stored(wall)
    done = _read(wall, path, accept_doubts=True)
    assert any("accepted: 1 of 13" in note for note in done["notes"])
    _agree(wall)


def test_a_drawing_in_no_unit_stops(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "wall.dxf"
    _drawing(path, 0, 1000.0)
    with pytest.raises(InputError, match="--unit mm"):
        _read(wall, path, layer="STONES")
    with pytest.raises(InputError, match="GROUND, STONES"):
        _read(wall, path, layer="STONE")


def test_several_layers_are_chosen_among(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "two.gpkg"
    _frame(stones_m()).to_file(path, layer="ashlar")
    _frame([shapely.box(1, 1, 2, 2)]).to_file(path, layer="windows", mode="a")
    with pytest.raises(InputError, match="2 layers: ashlar, windows"):
        _read(wall, path)
    _read(wall, path, layer="ashlar")
    _agree(wall)


def test_the_same_stone_twice_is_named(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "twice.gpkg"
    _frame([*stones_m(), stones_m()[3]], id=[f"S{k}" for k in range(13)]).to_file(path)
    with pytest.raises(InputError, match="S3 = S12"):
        _read(wall, path)
    path.unlink()
    _frame(stones_m(), id=[f"S{k}" for k in range(12)]).to_file(path)
    _read(wall, path)
    _read(wall, path)  # brought up to date by their names
    _agree(wall)
    path.unlink()
    _frame(stones_m()).to_file(path)
    with pytest.raises(InputError, match="shape 1 = S0 of the project"):
        _read(wall, path)


def test_a_trial_stores_nothing(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "stones.gpkg"
    _frame(stones_m()).to_file(path)
    with Project.open(wall, read_only=True) as project:
        before = len(project.history())
    assert _read(wall, path, dry_run=True)["stored"] is False
    with Project.open(wall, read_only=True) as project:
        assert len(project.history()) == before


def test_an_office_s_columns_are_remembered(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "stones.gpkg"
    _frame(stones_m(), Lage=[1] * 12, Tiefe=["12,5"] * 12).to_file(path)
    words = TableWords(columns={"Lage": "course", "Tiefe": "depth_cm"})
    _read(wall, path, words=words)
    path.unlink()
    shifted = [shapely.affinity.translate(s, 0.05, 1.25) for s in stones_m()]
    _frame(shifted, Lage=[2] * 12, Tiefe=["30,0"] * 12).to_file(path)
    _read(wall, path)
    with Project.open(wall, read_only=True) as project:
        stones = project.read("wall_stones")
    assert sorted(set(stones["depth_m"])) == pytest.approx([0.125, 0.3])
    assert set(stones["course"]) == {1, 2}


def test_the_same_stone_twice_is_found_by_check(wall: Path, tmp_path: Path) -> None:
    from facademap.tasks.project.check import check_project

    path = tmp_path / "stones.gpkg"
    _frame(stones_m(), id=[f"S{k}" for k in range(12)]).to_file(path)
    _read(wall, path)
    with Project.open(wall) as project, project.edit(who="test", what="twice") as edit:
        row = project.read("wall_stones").iloc[2].to_dict()
        edit.put("wall_stones", [{**row, "id": "S99"}])
    found = [f for f in check_project(wall)["findings"] if "the same outline" in f["problem"]]
    assert [f["level"] for f in found] == ["fault"]
    assert "S2 = S99" in found[0]["problem"]


def test_names_of_other_programs_are_written_plainly(wall: Path, tmp_path: Path) -> None:
    path = tmp_path / "stones.gpkg"
    _frame(stones_m(), id=[f"Süd {k}/3" for k in range(12)]).to_file(path)
    done = _read(wall, path)
    assert any("Süd 0/3 is Sud-0-3" in n for n in done["notes"])
    with Project.open(wall, read_only=True) as project:
        assert project.read("wall_stones")["id"].iloc[11] == "Sud-11-3"
