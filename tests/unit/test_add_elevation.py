"""Rectified pictures from elsewhere. Pictures are written, and what was made is read back, by GDAL (rasterio)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from facademap.errors import FacademapError
from facademap.store.project import Project
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.tasks.project.check import check_project
from facademap.tasks.survey.add_elevation import add_elevation
from facademap.tasks.survey.add_features import add_features

from small_wall import make_wall, stones_m  # isort: skip

GSD = 0.004


def _texture(width: int = 900, height: int = 700, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    rough = rng.normal(0, 1, (height // 4, width // 4)).astype(np.float32)
    grey = cv2.GaussianBlur(cv2.resize(rough, (width, height)), (0, 0), 1.5)
    grey = 128 + 40 * grey / grey.std()
    return np.clip(np.stack([grey, grey * 0.9, grey * 0.8], axis=-1), 0, 255).astype(np.uint8)


def _write(path: Path, picture: np.ndarray, transform: Affine | None, **more: Any) -> Path:
    bands = picture[..., None] if picture.ndim == 2 else picture
    options = {"driver": "GTiff", "dtype": picture.dtype, **more}
    if transform is not None:
        options["transform"] = transform
    with rasterio.open(
        path,
        "w",
        width=picture.shape[1],
        height=picture.shape[0],
        count=bands.shape[2],
        **options,
    ) as file:
        file.write(np.moveaxis(bands, -1, 0))
    return path


@pytest.fixture
def wall(tmp_path: Path) -> Path:
    make_wall(tmp_path / "wall", picture=False)
    return tmp_path / "wall"


def _stored(wall: Path) -> tuple[Path, dict[str, Any]]:
    with Project.open(wall, read_only=True) as project:
        row = project.read("surfaces").iloc[0].to_dict()
        return project.place(row["picture"]), row


def test_a_geotiff_goes_in_as_it_is(wall: Path, tmp_path: Path) -> None:
    picture = _texture()
    path = _write(tmp_path / "bought.tif", picture, Affine(GSD, 0, 0.5, 0, -GSD, 3.1))
    done = add_elevation(wall, path)
    made, row = _stored(wall)
    with rasterio.open(made) as file:
        assert np.array_equal(np.moveaxis(file.read([1, 2, 3]), 0, -1), picture)
        assert file.read(4).min() == 255
        assert tuple(file.transform)[:6] == pytest.approx((GSD, 0, 0.5, 0, -GSD, 3.1))
        assert file.is_tiled
        assert file.overviews(1) == [2]
    assert done["accuracy"] == "not stated"
    assert done["proved"] is False
    assert done["supports_scale"] is None
    assert np.isnan(row["check_rmse_m"])
    assert any("not stated" in w for w in row["report"]["warnings"])


@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_a_world_file_places_it(ending: str, wall: Path, tmp_path: Path) -> None:
    picture = _texture()
    path = tmp_path / f"ortho.{ending}"
    if ending == "tif":
        _write(path, picture, None)
    else:
        cv2.imwrite(str(path), picture[..., ::-1])
    # a world file speaks of the centre of the upper left pixel, our grid of its corner
    world = {"png": "pgw", "jpg": "jgw", "tif": "tfw"}[ending]
    path.with_suffix(f".{world}").write_text("4\n0\n0\n-4\n502\n3098\n")
    with pytest.raises(FacademapError, match="--unit"):
        add_elevation(wall, path)
    done = add_elevation(wall, path, unit="mm")
    assert done["extent_m"] == pytest.approx([0.5, 0.3, 4.1, 3.1])


def _refused(wall: Path, path: Path, word: str, **options: Any) -> None:
    with pytest.raises(FacademapError, match=word):
        add_elevation(wall, path, **options)
    with Project.open(wall, read_only=True) as project:
        assert not project.read("surfaces")["picture"].iloc[0]
    assert not list(wall.glob("elevations/*.tif"))


@pytest.mark.parametrize(
    ("transform", "crs", "word"),
    [
        (Affine(GSD, 0, 0, 0, GSD, 0), None, "mirrors"),
        (Affine(-GSD, 0, 3, 0, -GSD, 3), None, "mirrors"),
        (Affine(GSD, 0, 0, 0, -2 * GSD, 3), None, "square pixels|by 8 mm|4 by|8 by"),
        (Affine(1e-7, 0, 10.0, 0, -1e-7, 53.5), 4326, "degrees"),
        (Affine(GSD, 0, 565000, 0, -GSD, 5930000), 25832, "seen from above"),
        (Affine(GSD, 0, 500, 0, -GSD, 3), None, "in the frame of the surface"),
    ],
)
def test_places_that_are_none(
    transform: Affine, crs: int | None, word: str, wall: Path, tmp_path: Path
) -> None:
    if "frame" in word:  # a wall of which something is known
        import shapely

        with Project.open(wall) as project, project.edit(who="t", what="outline") as edit:
            surface = project.read("surfaces")["id"].iloc[0]
            edit.update("surfaces", surface, {"geometry": shapely.box(0, 0, 4, 3)})
    more = {"crs": f"EPSG:{crs}"} if crs else {}
    _refused(wall, _write(tmp_path / "bad.tif", _texture(), transform, **more), word)


def test_without_a_place_it_asks(wall: Path, tmp_path: Path) -> None:
    path = _write(tmp_path / "plain.tif", _texture(), None)
    _refused(wall, path, "does not say where")
    done = add_elevation(wall, path, known_length_m=2.0, between_px=(100, 300, 600, 300))
    assert done["gsd_m"] == pytest.approx(0.004)
    assert done["extent_m"] == pytest.approx([0, 0, 3.6, 2.8])
    assert any("not proved" in w for w in done["warnings"])


def test_two_points_place_and_check_points_prove(wall: Path, tmp_path: Path) -> None:
    path = _write(tmp_path / "plain.tif", _texture(), None)
    # pixel centres: u = 1 + (x + 0.5) * 5 mm, v = 3 - (y + 0.5) * 5 mm; the check point is 3 mm along and 4 mm up beside it
    table = tmp_path / "points.csv"
    table.write_text(
        "name;x_px;y_px;u_m;v_m;role\n"
        "a;99,5;599,5;1,5;0;control\nb;799,5;99,5;5;2,5;control\nc;399,5;299,5;3,003;1,504;check\n"
    )
    done = add_elevation(wall, path, points=table)
    assert done["gsd_m"] == pytest.approx(0.005)
    assert done["extent_m"] == pytest.approx([1.0, -0.5, 5.5, 3.0])
    assert done["check_rmse_m"] == pytest.approx(0.005, abs=1e-6)
    assert done["proved"] is True
    assert any("exact by construction" in w for w in done["warnings"])


def test_a_turned_picture_is_resampled_to_its_place(wall: Path, tmp_path: Path) -> None:
    picture = np.zeros((600, 600, 3), np.uint8)
    cv2.circle(picture, (450, 150), 20, (250, 250, 250), -1)
    turn = Affine.translation(0.0, 2.4) * Affine.rotation(7) * Affine.scale(GSD, -GSD)
    path = _write(tmp_path / "turned.tif", picture, turn)
    add_elevation(wall, path)
    made, _ = _stored(wall)
    with rasterio.open(made) as file:
        grey = file.read(1).astype(float)
        rows, columns = np.nonzero(grey > 128)
        seen = file.transform * (columns.mean() + 0.5, rows.mean() + 0.5)
    assert seen == pytest.approx(turn * (450.5, 150.5), abs=0.001)


def test_grey_and_sixteen_bits_keep_their_range(wall: Path, tmp_path: Path) -> None:
    ramp = np.tile(np.linspace(0, 4095, 800).astype(np.uint16), (600, 1))
    place = Affine(GSD, 0, 0, 0, -GSD, 2.4)
    add_elevation(wall, _write(tmp_path / "deep.tif", ramp, place))
    made, _ = _stored(wall)
    with rasterio.open(made) as file:
        found = file.read(2)[300].astype(float)
    # 12 bits in 16: white is 4095, so the ramp runs from 0 to 255 without a clipped end
    assert np.abs(found - np.linspace(0, 255, 800)).max() <= 1


def test_an_earlier_picture_is_compared_and_kept(wall: Path, tmp_path: Path) -> None:
    picture = _texture()
    first = _write(tmp_path / "a.tif", picture, Affine(GSD, 0, 0, 0, -GSD, 2.8))
    second = _write(tmp_path / "b.tif", picture, Affine(GSD, 0, 0.010, 0, -GSD, 2.794))
    add_elevation(wall, first)
    before, _ = _stored(wall)
    with pytest.raises(FacademapError, match="--replace"):
        add_elevation(wall, second)
    done = add_elevation(wall, second, replace=True)
    assert before.is_file()
    assert done["disagreement"]["du_m"] == pytest.approx(0.010, abs=0.0005)
    assert done["disagreement"]["dv_m"] == pytest.approx(-0.006, abs=0.0005)
    # three pixels apart: check, map and drawing say so
    told = [f["problem"] for f in check_project(wall)["findings"]]
    assert any("pictures compared against" in t and "+10" in t for t in told)
    make_condition_map(wall, target=tmp_path / "map.html")
    assert "pictures compared against" in (tmp_path / "map.html").read_text(encoding="utf-8")
    with Project.open(wall) as project:
        project.undo(str(project.history()["txn"].iloc[0]), who="test")
    assert _stored(wall)[0] == before


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        ("0.005\n0\nabc\n-0.005\n4\n3\n", "number 3 is 'abc'"),
        ("0.005\n0\n0\n", "holds 3 numbers"),
        ("0\n0\n0\n0\n0\n3\n", "no size"),
    ],
)
def test_a_damaged_world_file_is_named(
    wall: Path, tmp_path: Path, lines: str, problem: str
) -> None:
    cv2.imwrite(str(tmp_path / "a.png"), _texture())
    (tmp_path / "a.pgw").write_text(lines)
    _refused(wall, tmp_path / "a.png", problem)


def test_a_damaged_picture_leaves_nothing(wall: Path, tmp_path: Path) -> None:
    path = _write(tmp_path / "cut.tif", _texture(), Affine(GSD, 0, 0, 0, -GSD, 2.8))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    _refused(wall, path, "damaged|cannot be read")
    _refused(wall, tmp_path / "none.tif", "does not exist")
    (tmp_path / "text.tif").write_text("not a picture")
    _refused(wall, tmp_path / "text.tif", "cannot be read")


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("placed_by", ["world file", "two points"])
def test_a_picture_turned_by_exif_is_placed_upright(
    orientation: int, placed_by: str, wall: Path, tmp_path: Path
) -> None:
    from PIL import Image

    shown = _texture(300, 220)
    back = {5: Image.Transpose.TRANSPOSE, 7: Image.Transpose.TRANSVERSE}
    back |= {2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180}
    back |= {4: Image.Transpose.FLIP_TOP_BOTTOM}
    back |= {6: Image.Transpose.ROTATE_90, 8: Image.Transpose.ROTATE_270}
    image = Image.fromarray(shown)
    stored = image.transpose(back[orientation]) if orientation > 1 else image
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "bought.jpg"
    stored.save(path, quality=100, subsampling=0, exif=exif)
    more: dict[str, Any] = {}
    if placed_by == "world file":
        path.with_suffix(".jgw").write_text("0.01\n0\n0\n-0.01\n0.505\n3.095\n")
    else:
        table = tmp_path / "points.csv"
        table.write_text(
            "name,x_px,y_px,u_m,v_m,role\nA,0,0,0.505,3.095,control\nB,299,219,3.495,0.905,control\n"
        )
        more["points"] = table
    done = add_elevation(wall, path, **more)
    assert done["extent_m"] == pytest.approx([0.5, 0.9, 3.5, 3.1], abs=1e-6)
    made, _ = _stored(wall)
    with rasterio.open(made) as file:
        off = file.read()[:3].astype(int) - np.moveaxis(shown, -1, 0)
    assert np.abs(off).mean() < 2.0
    told = [w for w in done["warnings"] if "turned by EXIF" in w]
    assert bool(told) == (orientation > 1 and placed_by == "world file")


def test_every_earlier_picture_is_compared_and_outlines_off_the_new_one_are_told(
    wall: Path, tmp_path: Path
) -> None:
    import geopandas as gpd

    stones = tmp_path / "stones.gpkg"
    gpd.GeoDataFrame(geometry=stones_m()).to_file(stones, layer="wall_stones")
    add_features(wall, "wall_stones", stones)
    picture = _texture(500, 400)
    for number, shift in enumerate((0.0, 0.02, 0.05)):
        path = _write(
            tmp_path / f"{number}.tif",
            np.roll(picture, number, axis=0),
            Affine(GSD, 0, 0.5 + shift, 0, -GSD, 3.1),
        )
        done = add_elevation(wall, path, replace=True)
    along = sorted(round(d["du_m"], 3) for d in done["disagreements"])
    assert along == pytest.approx([0.03, 0.05], abs=0.004)
    assert done["disagreement"]["du_m"] == pytest.approx(0.03, abs=0.004)
    assert len(done["off_picture"]["wall_stones"]) == 12
    assert any("lie outside the picture" in w for w in done["warnings"])
