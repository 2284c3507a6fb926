"""One scene stored in the eight ways of EXIF gives one result: control, lenses, faces, charts, outlines, mosaics, projects.

The ways are made by Pillow's own transpositions and read back by its ``ImageOps.exif_transpose``, so that the test does
not rest on our table of turns.
"""

from __future__ import annotations

import csv
import json
import sqlite3
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.io.camera_files import camera_as_dict, read_camera_for
from facademap.io.pictures import read_picture, read_picture_info
from facademap.io.plain_pictures import read_rgb
from facademap.io.rasters import open_elevation
from facademap.photo.camera import Camera
from facademap.photo.orientation import Turn
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.tasks.survey.assist import follow
from facademap.tasks.survey.colour import calibrate_photo
from facademap.tasks.survey.measure_photo import measure_in_photo
from facademap.tasks.survey.mosaic import make_mosaic
from facademap.tasks.survey.rectify import rectify_photo
from facademap.tasks.yard.add_blocks import add_blocks
from facademap.tasks.yard.face_scale import ScaleChoice
from facademap.tasks.yard.outline_block import outline_block

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from rendered_block import render_block
from rendered_wall import Shot, paint_wall

WAYS = tuple(range(1, 9))
#: What is done to the upright picture so that the turn by EXIF brings it back (EXIF 2.32, tag Orientation).
STORED_BY = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
CAMERA = Camera(
    width_px=480, height_px=360, fx_px=470, fy_px=476, cx_px=236, cy_px=184, k1=-0.1, p1=4e-3, p2=-2e-3
)  # fmt: skip
#: Place of a camera that looks at the wall obliquely, and its axes: right, down, forward (rows).
CENTRE = np.array([4.6, 1.4, 8.4])
AXES = cv2.Rodrigues(np.array([np.pi, 0.0, 0.0]))[0]
AXES = cv2.Rodrigues(np.array([0.08, 0.14, 0.02]))[0] @ AXES
WALL_TO_RAY = np.column_stack([AXES[:, 0], AXES[:, 1], -AXES @ CENTRE])


def store(picture: np.ndarray, way: int, path: Path) -> Path:
    """Write an upright picture in one of the eight ways."""
    image = Image.fromarray(picture)
    stored = image.transpose(STORED_BY[way]) if way in STORED_BY else image
    exif = Image.Exif()
    exif[0x0112] = way
    stored.save(path, exif=exif)
    if path.suffix == ".png":
        seen = np.asarray(ImageOps.exif_transpose(Image.open(path)))
        np.testing.assert_array_equal(seen, picture)
    return path


def seen_at(places: np.ndarray) -> np.ndarray:
    ray = np.c_[places, np.ones(len(places))] @ WALL_TO_RAY.T
    return CAMERA.pixel_from_ray(ray[:, :2] / ray[:, 2:])


PLACES = np.array([(u, v) for v in (0.4, 1.9, 3.6) for u in (0.5, 2.4, 4.6, 6.6)])


@pytest.fixture(scope="module")
def scene() -> np.ndarray:
    """A wall of uneven squares as the camera sees it."""
    x, y = np.meshgrid(np.arange(480.0), np.arange(360.0))
    ray = CAMERA.ray_from_pixel(np.stack([x, y], axis=-1))
    wall = np.concatenate([ray, np.ones_like(ray[..., :1])], -1) @ np.linalg.inv(WALL_TO_RAY).T
    u, v = wall[..., 0] / wall[..., 2], wall[..., 1] / wall[..., 2]
    tone = np.random.default_rng(3).integers(50, 220, (64, 64, 3))
    cells = tone[np.floor(v / 0.3).astype(int) % 64, np.floor(u / 0.4).astype(int) % 64]
    return cv2.GaussianBlur(cells.astype(np.uint8), (0, 0), 0.8)


def write_control(path: Path, pixels: np.ndarray, *, word: str = "") -> Path:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(
            ["name", "u_m", "v_m", "x_px", "y_px", "role", *(["pixels"] if word else [])]
        )
        for k, ((u, v), (x, y)) in enumerate(zip(PLACES, pixels, strict=True)):
            role = "check" if k in (5, 10) else "control"
            writer.writerow([f"T{k}", u, v, x, y, role, *([word] if word else [])])
    return path


def camera_file(path: Path, camera: Camera, **more: Any) -> Path:
    path.write_text(json.dumps({**camera_as_dict(camera), **more}))
    return path


def stored_camera(way: int) -> Camera:
    """The lens as calibrated in stored pixels: found by its effect, not by the rule under test."""
    turn = Turn(orientation=way, width_px=480, height_px=360)
    width, height = turn.stored_size_px
    flip = turn.axes
    focal = (470.0, 476.0) if way < 5 else (476.0, 470.0)
    cx, cy = turn.stored_pixels((236, 184))
    best = None
    for p1, p2 in [(s * a, t * b) for a, b in ((4e-3, 2e-3), (2e-3, 4e-3)) for s in (1, -1) for t in (1, -1)]:  # fmt: skip
        lens = Camera(
            width_px=width, height_px=height, fx_px=focal[0], fy_px=focal[1], cx_px=cx, cy_px=cy, k1=-0.1, p1=p1, p2=p2
        )  # fmt: skip
        rays = np.array([(0.3, 0.1), (-0.2, 0.3), (0.4, -0.3)])
        miss = np.abs(
            turn.upright_pixels(lens.pixel_from_ray(rays @ flip)) - CAMERA.pixel_from_ray(rays)
        ).max()
        best = lens if miss < 1e-9 else best
    assert best is not None
    return best


@pytest.mark.parametrize("ending", ["png", "tif", "webp"])
@pytest.mark.parametrize("way", WAYS)
def test_a_picture_is_read_as_it_is_shown(
    scene: np.ndarray, tmp_path: Path, way: int, ending: str
) -> None:
    path = tmp_path / f"p.{ending}"
    image = Image.fromarray(scene)
    exif = Image.Exif()
    exif[0x0112] = way
    stored = image.transpose(STORED_BY[way]) if way in STORED_BY else image
    stored.save(path, exif=exif, **({"lossless": True} if ending == "webp" else {}))
    picture, info = read_picture(path)
    np.testing.assert_array_equal(picture, scene)
    assert (info.width_px, info.height_px, info.orientation) == (480, 360, way)
    assert read_picture_info(path) == info


@pytest.mark.parametrize("way", WAYS)
def test_sixteen_bits_and_jpeg_are_read_upright(tmp_path: Path, way: int) -> None:
    deep = (np.arange(24 * 32 * 3).reshape(24, 32, 3) * 27).astype(np.uint16)
    turn = Turn(orientation=way, width_px=32, height_px=24)
    x, y = np.meshgrid(np.arange(32), np.arange(24))
    at = turn.stored_pixels(np.stack([x, y], axis=-1)).round().astype(int)
    stored = np.zeros((*turn.stored_size_px[::-1], 3), np.uint16)
    stored[at[..., 1], at[..., 0]] = deep
    tag = (0x0112, "H", 1, way, True)
    tifffile.imwrite(tmp_path / "d.tif", stored, photometric="rgb", extratags=[tag])
    np.testing.assert_array_equal(read_rgb(tmp_path / "d.tif"), deep)
    smooth = cv2.resize(
        np.random.default_rng(1).integers(0, 255, (6, 8, 3)).astype(np.uint8), (64, 48)
    )
    shown, _ = read_picture(store(smooth, way, tmp_path / "p.jpg"))
    assert np.abs(shown.astype(int) - smooth).mean() < 6


@pytest.mark.parametrize("way", WAYS)
def test_control_and_lens_give_the_same_elevation(
    scene: np.ndarray, tmp_path: Path, way: int
) -> None:
    upright = write_control(tmp_path / "upright.csv", seen_at(PLACES))
    lens = camera_file(tmp_path / "camera.json", CAMERA)

    def rectified(
        photo: Path, control: Path, camera: Path, **more: Any
    ) -> tuple[np.ndarray, dict[str, Any]]:
        done = rectify_photo(photo, control, tmp_path / "o.tif", gsd_m=0.1, camera=camera, **more)
        with open_elevation(tmp_path / "o.tif") as elevation:
            return elevation.read()[1], done.report

    right, report = rectified(store(scene, 1, tmp_path / "a.png"), upright, lens)
    assert report["proved"]
    assert report["check_rmse_m"] < 1e-3
    photo = store(scene, way, tmp_path / "b.png")
    turn = read_picture_info(photo).turn
    stored_px = turn.stored_pixels(seen_at(PLACES))
    stored = write_control(tmp_path / "stored.csv", stored_px)
    said = write_control(tmp_path / "said.csv", stored_px, word="stored")
    of_stored = camera_file(tmp_path / "stored.json", stored_camera(way))
    saying = camera_file(tmp_path / "saying.json", stored_camera(way), pixels="stored")
    for control, camera, flag in (
        (upright, lens, False),
        (stored, of_stored, True),
        (said, saying, False),
    ):
        seen, found = rectified(photo, control, camera, stored_pixels=flag)
        # pixels of the stored picture come with the rounding of a sum
        assert np.abs(seen.astype(int) - right).max() <= 1
        assert found["check_rmse_m"] == pytest.approx(report["check_rmse_m"], abs=1e-9)
        assert found["photo"]["exif_orientation"] == way
    if way >= 5:  # width and height tell which way the file was made
        assert read_camera_for(of_stored, turn).cx_px == pytest.approx(236)


@pytest.mark.parametrize("way", WAYS)
def test_lengths_are_the_same(scene: np.ndarray, tmp_path: Path, way: int) -> None:
    control = write_control(tmp_path / "c.csv", seen_at(PLACES))
    photo = store(scene, way, tmp_path / "p.png")
    ends = seen_at(np.array([(1.0, 1.0), (5.0, 3.0)]))
    stored = read_picture_info(photo).turn.stored_pixels(ends)
    rows = "".join(f"a,length,{x},{y},\n" for x, y in ends)
    rows += "".join(f"b,length,{x},{y},stored\n" for x, y in stored)
    (tmp_path / "s.csv").write_text("shape,kind,x_px,y_px,pixels\n" + rows)
    done = measure_in_photo(
        photo,
        control,
        tmp_path / "s.csv",
        tmp_path / "o.csv",
        camera=camera_file(tmp_path / "k.json", CAMERA),
    )
    a, b = done["shapes"]
    assert a["value"] == pytest.approx(np.hypot(4, 2), abs=2e-3)
    assert b["value"] == pytest.approx(a["value"], abs=1e-9)
    assert b["plus_minus_95"] == pytest.approx(a["plus_minus_95"], rel=1e-6)


def test_faces_of_blocks_have_the_same_colour_and_place(tmp_path: Path) -> None:
    """Eight blocks with one picture, each stored in another way; half of the rows say stored pixels."""
    rng = np.random.default_rng(5)
    face = cv2.resize(
        rng.integers(60, 220, (12, 18, 3)).astype(np.uint8),
        (360, 240),
        interpolation=cv2.INTER_CUBIC,
    )
    picture = np.full((300, 420, 3), 40, np.uint8)
    picture[30:270, 30:390] = face
    corners = np.array([(30, 269), (389, 269), (389, 30), (30, 30)], float)
    (tmp_path / "photos").mkdir()
    rows = []
    for way in WAYS:
        path = store(picture, way, tmp_path / "photos" / f"b{way}.png")
        word = "stored" if way % 2 else "upright"
        places = (
            read_picture_info(path).turn.stored_pixels(corners) if word == "stored" else corners
        )
        text = ", ".join(f"{x:g} {y:g}" for x, y in places)
        rows.append(f'B{way},grey,"0 0, 360 0, 360 240, 0 240",100,x,b{way}.png,"{text}",{word}\n')
    head = "id,stone_type,outline_mm,usable_depth_mm,bed,face_photo,face_corners_px,pixels\n"
    (tmp_path / "blocks.csv").write_text(head + "".join(rows))
    create_project(tmp_path / "p", ProjectPlan(name="yard"))
    assert add_blocks(tmp_path / "p", tmp_path / "blocks.csv")["measured"] == len(WAYS)
    with Project.open(tmp_path / "p", read_only=True) as project:
        faces = project.read("faces").sort_values("id").to_dict("records")
        photos = project.read("photos")
    assert sorted(photos["exif_orientation"]) == list(WAYS)
    assert set(photos["width_px"]) == {420}
    for found in faces[1:]:
        np.testing.assert_allclose(
            found["photo_matrix"], faces[0]["photo_matrix"], rtol=1e-4, atol=1e-3
        )
        np.testing.assert_allclose(found["lab"], faces[0]["lab"], atol=0.02)


@pytest.mark.parametrize("way", WAYS)
def test_charts_and_outlines_are_the_same(tmp_path: Path, way: int) -> None:
    rng = np.random.default_rng(6)
    picture = np.full((240, 320, 3), 190, np.uint8)
    cv2.rectangle(picture, (60, 150), (140, 210), (90, 80, 70), -1)
    tones = rng.integers(30, 230, (6, 3))
    patches = [(30 + 50 * k, 60) for k in range(6)]
    for (x, y), tone in zip(patches, tones, strict=True):
        picture[y - 18 : y + 19, x - 18 : x + 19] = tone
    upright, photo = store(picture, 1, tmp_path / "a.png"), store(picture, way, tmp_path / "b.png")
    turn = read_picture_info(photo).turn

    def table(name: str, places: np.ndarray) -> Path:
        lines = [f"n{k},{x},{y},8,fit,{40 + 8 * k},{k},{-k}" for k, (x, y) in enumerate(places)]
        (tmp_path / name).write_text(
            "name,x_px,y_px,half_px,role,L,a,b\n" + "\n".join(lines) + "\n"
        )
        return tmp_path / name

    right = calibrate_photo(upright, table("u.csv", np.array(patches)))[1]
    for file, flag in (
        (table("u.csv", np.array(patches)), False),
        (table("s.csv", turn.stored_pixels(patches)), True),
    ):
        found = calibrate_photo(photo, file, stored_pixels=flag)[1]
        assert found["fit_mean_de00"] == pytest.approx(right["fit_mean_de00"])
        assert [p["L"] for p in found["patches"]] == pytest.approx(
            [p["L"] for p in right["patches"]]
        )

    (tmp_path / "clicks.csv").write_text("name,x_px,y_px\npatch,100,180\n")
    x, y = turn.stored_pixels((100, 180))
    (tmp_path / "stored.csv").write_text(f"name,x_px,y_px\npatch,{x},{y}\n")
    rings = []
    for image, clicks, flag in ((upright, "clicks.csv", False), (photo, "clicks.csv", False), (photo, "stored.csv", True)):  # fmt: skip
        follow(
            image,
            clicks=tmp_path / clicks,
            kind="outline",
            out=tmp_path / "o.geojson",
            stored_pixels=flag,
        )
        rings.append(json.loads((tmp_path / "o.geojson").read_text())["features"][0]["geometry"])
    assert rings[0] == rings[1] == rings[2]


def test_the_face_of_a_block_is_outlined_the_same(tmp_path: Path) -> None:
    block = render_block(6, size_px=(400, 300), tilt_deg=20.0, marks="around")
    lens = camera_file(tmp_path / "c.json", block.camera)
    found = []
    for way in (1, 6, 3):
        photo = store(block.picture, way, tmp_path / f"p{way}.png")
        turn = read_picture_info(photo).turn
        flag = way == 3
        rows = [
            (n, *(turn.stored_pixels((x, y)) if flag else (x, y)), a, b)
            for n, x, y, a, b in block.control
        ]
        with (tmp_path / "k.csv").open("w", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerows([("name", "x_px", "y_px", "x_mm", "y_mm"), *rows])
        click = tuple(turn.stored_pixels(block.click_px)) if flag else block.click_px
        camera = camera_file(tmp_path / "s.json", stored_like(block.camera)) if flag else lens
        scale = ScaleChoice(control=tmp_path / "k.csv", camera=camera, stored_pixels=flag)
        found.append(outline_block(photo, click_px=click, out=tmp_path / "o.geojson", scale=scale))
    for other in found[1:]:
        assert other["width_mm"] == pytest.approx(found[0]["width_mm"], abs=1e-3)
        assert other["height_mm"] == pytest.approx(found[0]["height_mm"], abs=1e-3)


def stored_like(camera: Camera) -> Camera:
    """The lens of a picture stored upside down: half a turn about the picture's middle."""
    return replace(
        camera,
        cx_px=camera.width_px - 1 - camera.cx_px,
        cy_px=camera.height_px - 1 - camera.cy_px,
        p1=-camera.p1,
        p2=-camera.p2,
    )


def test_a_mosaic_joins_photos_of_all_eight_ways(tmp_path: Path) -> None:
    wall = paint_wall(6)
    rng = np.random.default_rng(4)
    table, photos = "photo,name,u_m,v_m,x_px,y_px,role,pixels\n", []
    for k, way in enumerate(WAYS):
        u, v = 1.6 + 1.0 * (k % 4), 1.5 + 1.0 * (k // 4)
        shot = Shot(
            target=(u, v), distance=1.9, yaw=rng.uniform(-12, 12), focal_px=420, size_px=(480, 360)
        )
        photos.append(store(shot.photograph(wall, seed=k), way, tmp_path / f"p{k}.png"))
        turn = read_picture_info(photos[-1]).turn
        role, word = ("control", "upright") if k in (0, 3, 4, 7) else ("check", "stored")
        for j, (du, dv) in enumerate([(-0.5, -0.4), (0.5, -0.4), (0.5, 0.4), (-0.5, 0.4)]):
            place = shot.pixel(np.array([(u + du, v + dv)]))[0]
            x, y = place if word == "upright" else turn.stored_pixels(place)
            table += f"p{k}.png,n{k}{j},{u + du},{v + dv},{x:.4f},{y:.4f},{role},{word}\n"
    (tmp_path / "control.csv").write_text(table)
    values = make_mosaic(photos, tmp_path / "control.csv", tmp_path / "o.tif", gsd_m=0.02)
    assert len(values["photos_used"]) == len(WAYS)
    assert values["check_n"] == 16
    assert values["check_rmse_m"] < 3e-3


def test_a_camera_file_is_written_for_the_sensor_and_says_so(tmp_path: Path) -> None:
    """Photos of a board taken with the camera held level, on its side and upside down make one lens."""
    board = np.kron(np.indices((7, 10)).sum(0) % 2, np.ones((60, 60))) * 200 + 30
    board = np.pad(board, 60, constant_values=230).astype(np.uint8)
    size = (640, 480)
    lens = np.array([[600.0, 0, 331], [0, 600, 229], [0, 0, 1]])
    corners = np.array([(c * 60.0 + 60, r * 60.0 + 60) for r in range(1, 7) for c in range(1, 10)])
    places = (corners - corners.mean(axis=0)) / 60 * 0.03
    for k, way in enumerate((1, 3, 6, 8, 1, 3)):
        turn = (
            0.5 * np.sin(k * 2.1),
            0.5 * np.cos(k * 1.7),
            (0, np.pi, -np.pi / 2, np.pi / 2, 0, np.pi)[k],
        )
        rotation = (
            cv2.Rodrigues(np.array([0.0, 0.0, turn[2]]))[0]
            @ cv2.Rodrigues(np.array([turn[0], turn[1], 0.0]))[0]
        )
        seen = (
            np.c_[places, np.zeros(len(places))] @ rotation.T
            + (0.02 * np.sin(k), 0.02 * np.cos(k), 0.42)
        ) @ lens.T
        matrix, _ = cv2.findHomography(corners - 0.5, seen[:, :2] / seen[:, 2:])
        sensor = cv2.warpPerspective(board, matrix, size, flags=cv2.INTER_AREA, borderValue=230)
        exif = Image.Exif()
        exif[0x0112] = way
        Image.fromarray(np.dstack([sensor] * 3)).save(tmp_path / f"b{k}.png", exif=exif)
    out = tmp_path / "camera.json"
    with pytest.raises(SystemExit) as stop:
        main(["calibrate", *(str(tmp_path / f"b{k}.png") for k in range(6)), "--columns", "9", "--rows", "6", "--out", str(out)])  # fmt: skip
    assert not stop.value.code
    values = json.loads(out.read_text())
    assert (values["width"], values["height"], values["pixels"]) == (640, 480, "stored")
    assert values["cx"] == pytest.approx(331, abs=3)
    assert values["cy"] == pytest.approx(229, abs=3)
    held_on_its_side = read_camera_for(out, Turn(orientation=6, width_px=480, height_px=640))
    assert held_on_its_side.cx_px == pytest.approx(480 - 1 - values["cy"])
    upside_down = read_camera_for(out, Turn(orientation=3, width_px=640, height_px=480))
    assert upside_down.cx_px == pytest.approx(640 - 1 - values["cx"])


def test_a_project_of_before_is_turned_and_says_so(
    scene: np.ndarray, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    create_project(tmp_path / "p", ProjectPlan(name="old"))
    (tmp_path / "p" / "photos").mkdir(exist_ok=True)
    photo = store(scene, 6, tmp_path / "p" / "photos" / "a.png")
    turn = read_picture_info(photo).turn
    point, corner = (100.0, 50.0), (30.0, 40.0)
    matrix = np.linalg.inv(turn.matrix) @ [[200, 0, 30], [0, -200, 40], [0, 0, 1]]
    with Project.open(tmp_path / "p") as project, project.edit(who="t", what="t") as edit:
        edit.insert("photos", [{"id": "a.png", "path": "photos/a.png", "sha256": "0", "width_px": 360, "height_px": 480,
                               "camera": camera_as_dict(stored_camera(6))}])  # fmt: skip
        edit.insert("blocks", [{"id": "B1", "stone_type": "grey"}])
        edit.insert("faces", [{"id": "B1.1", "block": "B1", "photo": "a.png", "photo_matrix": matrix.tolist(), "usable_depth_m": 0.1, "bed": "x",
                              "outline": [[0, 0], [0.3, 0], [0.3, 0.2], [0, 0.2]]}])  # fmt: skip
        x, y = turn.stored_pixels(point)
        edit.insert(
            "surfaces", [{"id": "S", "name": "wall", "elevation": "south", "kind": "plane"}]
        )
        edit.insert(
            "control_points", [{"id": "S:T1", "surface": "S", "name": "T1", "u_m": 0.0, "v_m": 0.0}]
        )
        edit.insert(
            "observations",
            [{"id": "a.png:S:T1", "photo": "a.png", "control_point": "S:T1", "x_px": x, "y_px": y}],
        )
        patch = {"name": "n", "x_px": x, "y_px": y, "half_px": 4.0, "role": "fit", "lab": None}
        edit.set("charts", {"main": {"photo": "a.png", "edition": "e", "patches": [patch]}})
    with sqlite3.connect(tmp_path / "p" / "project.gpkg") as raw:
        raw.execute("UPDATE facademap_schema SET version = 4")
    with caplog.at_level("WARNING"), Project.open(tmp_path / "p") as project:
        row = project.row("photos", "a.png")
        face = project.row("faces", "B1.1")
        charts = project.setting("charts")
        seen_at_px = project.row("observations", "a.png:S:T1")
        said = set(project.history()["what"])
    assert "a.png" in caplog.text
    assert "upright" in caplog.text
    assert (row["width_px"], row["height_px"], row["exif_orientation"]) == (480, 360, 6)
    assert row["camera"]["cx"] == pytest.approx(236)
    seen = np.array(face["photo_matrix"]) @ (0, 0, 1)
    np.testing.assert_allclose(seen[:2] / seen[2], corner, atol=1e-9)
    (patch,) = charts["main"]["patches"]
    assert (patch["x_px"], patch["y_px"]) == pytest.approx(point)
    assert (seen_at_px["x_px"], seen_at_px["y_px"]) == pytest.approx(point)
    assert "pixels are those of the upright picture" in said
    caplog.clear()
    with Project.open(tmp_path / "p") as project:
        # neither the turning nor what was picked before it comes back: nobody would read those pixels right
        done = project.history()
        pixels = done["what"].isin(["t", "pixels are those of the upright picture"])
        for txn in done[pixels]["txn"].unique():
            with pytest.raises(InputError, match="as they are stored"):
                project.undo(str(txn), who="t")
        assert project.row("observations", "a.png:S:T1")["x_px"] == pytest.approx(point[0])
    assert not caplog.text
