"""``facademap calibrate``, ``tape`` and ``straighten`` as a user calls them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data

from facademap.cli.main import main
from facademap.io.camera_files import read_camera
from facademap.io.rasters import open_elevation
from facademap.photo.camera import Camera

CAMERA = Camera(
    width_px=800, height_px=600, fx_px=760, fy_px=760, cx_px=402, cy_px=297, k1=-0.15, k2=0.03
)


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as caught:
        main([str(a) for a in arguments])
    return int(caught.value.code or 0)


def board_photo(turn: tuple[float, float, float], shift: tuple[float, float, float]) -> np.ndarray:
    """A chequer board of 8 x 6 squares of 30 mm, drawn ray by ray at twice the size."""
    x, y = np.meshgrid(np.arange(1600), np.arange(1200))
    ray = CAMERA.ray_from_pixel(np.stack([(x + 0.5) / 2 - 0.5, (y + 0.5) / 2 - 0.5], axis=-1))
    rotation = cv2.Rodrigues(np.array(turn))[0]
    plane = np.linalg.inv(np.c_[rotation[:, :2], np.array(shift)])
    q = np.concatenate([ray, np.ones_like(ray[..., :1])], axis=-1) @ plane.T
    u, v = q[..., 0] / q[..., 2] / 0.03, q[..., 1] / q[..., 2] / 0.03
    inside = (np.abs(u) < 4) & (np.abs(v) < 3)
    grey = np.where(inside & ((np.floor(u) + np.floor(v)) % 2 < 1), 30, 225).astype(np.float32)
    return np.round(cv2.resize(grey, (800, 600), interpolation=cv2.INTER_AREA)).astype(np.uint8)


def test_calibrate_writes_a_camera_file_that_rectify_reads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    views = [
        ((0.4, 0, 0), (0, 0, 0.33)),
        ((-0.4, 0.1, 0), (0.04, 0.02, 0.34)),
        ((0, 0.45, 0.1), (-0.05, 0.03, 0.33)),
        ((0, -0.45, 0), (0.05, -0.03, 0.34)),
        ((0.3, 0.3, 0.4), (0, 0.03, 0.32)),
        ((-0.3, 0.3, 1.2), (0.03, -0.02, 0.33)),
        ((0.25, -0.3, 0.2), (-0.03, -0.02, 0.37)),
        ((0.1, 0.2, 0), (0.03, 0.02, 0.36)),
    ]
    photos = []
    for i, (turn, shift) in enumerate(views):
        photos.append(tmp_path / f"board{i}.png")
        cv2.imwrite(str(photos[-1]), board_photo(turn, shift))
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((600, 800), 128, np.uint8))
    out = tmp_path / "camera.json"
    assert (
        run("calibrate", *photos, blank, "--columns", 7, "--rows", 5, "--out", out, "--json") == 0
    )
    printed = json.loads(capsys.readouterr().out)
    assert printed["not_found"] == ["blank.png"]
    assert printed["rmse_px"] < 0.2
    camera = read_camera(out)
    assert camera.fx_px == pytest.approx(760, rel=0.01)
    assert camera.k1 == pytest.approx(-0.15, abs=0.03)
    # rays, which is what matters: within a few hundredths of a pixel once the pose has taken up what it can
    grid = np.stack(
        np.meshgrid(np.linspace(150, 650, 6), np.linspace(120, 480, 5)), axis=-1
    ).reshape(-1, 2)
    apart = camera.pixel_from_ray(CAMERA.ray_from_pixel(grid)) - grid
    design = np.c_[np.ones(30), grid]
    rest = apart - design @ np.linalg.lstsq(design, apart, rcond=None)[0]
    assert np.sqrt(np.mean(rest**2)) < 0.3


def test_calibrate_refuses_what_it_cannot_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((600, 800), 128, np.uint8))
    assert (
        run(
            "calibrate",
            blank,
            blank,
            blank,
            "--columns",
            7,
            "--rows",
            5,
            "--out",
            tmp_path / "c.json",
            "--quiet",
        )
        == 2
    )
    assert "0 usable photos" in capsys.readouterr().err
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), np.full((300, 400), 128, np.uint8))
    assert (
        run(
            "calibrate",
            blank,
            other,
            "--columns",
            7,
            "--rows",
            5,
            "--out",
            tmp_path / "c.json",
            "--quiet",
        )
        == 2
    )
    assert "other.png" in capsys.readouterr().err
    assert (
        run(
            "calibrate", blank, "--columns", 1, "--rows", 5, "--out", tmp_path / "c.json", "--quiet"
        )
        == 2
    )
    assert not (tmp_path / "c.json").exists()


def test_tape_makes_places(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tape, out = tmp_path / "tape.csv", tmp_path / "places.csv"
    tape.write_text(
        "kind,start,end,length_m,sigma_mm\nlevel,A,B,3.0,2\nplumb,A,D,,2\ndistance,A,C,3.6056,\n"
        "distance,B,D,3.6056,\ndistance,B,C,2,\ndistance,C,D,3,\ndistance,D,A,2,\n"
    )
    assert run("tape", "--tape", tape, "--out", out) == 0
    with out.open() as file:
        found = {r["name"]: (float(r["u_m"]), float(r["v_m"])) for r in csv.DictReader(file)}
    np.testing.assert_allclose(
        [found[n] for n in "ABCD"], [(0, 0), (3, 0), (3, 2), (0, 2)], atol=1e-3
    )
    for bad, word in (
        ("rope,A,B,1,\n", "rope"),
        ("distance,A,B,-1,\n", "not positive"),
        ("distance,A,B,x,\n", "line 2"),
        ("distance,A,B,,\n", "no length"),
        ("level,A,B,1,0\n", "not positive"),
    ):
        tape.write_text("kind,start,end,length_m,sigma_mm\n" + bad)
        assert run("tape", "--tape", tape, "--out", tmp_path / "no.csv", "--quiet") == 2
        error = capsys.readouterr().err
        assert word in error, (bad, error)
    assert not (tmp_path / "no.csv").exists()


def test_straighten_a_real_photo_by_its_joints(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo, out = tmp_path / "brick.png", tmp_path / "straight.tif"
    cv2.imwrite(str(photo), data.brick())
    assert (
        run(
            "straighten",
            "--photo",
            photo,
            "--distance",
            "100,100,400,130,1.25",
            "--gsd-mm",
            3,
            "--out",
            out,
        )
        == 0
    )
    with open_elevation(out) as elevation:
        _, rgb, mask = elevation.read()
        assert elevation.grid.gsd_m == pytest.approx(0.003)
    assert (mask > 0).mean() > 0.6
    # the joints now run with the raster: columns differ far more from one another than along themselves
    seen = rgb[150:550, 150:600, 0].astype(float)
    assert (
        seen.mean(axis=0).std()
        > 2.0 * data.brick()[60:460, 30:480].astype(float).mean(axis=0).std()
    )
    capsys.readouterr()
    # the one table of control gives the same scale from its longest distance, and compares the others; on the wall or in the world
    extent: list[float] = []
    for head, places in (
        ("u_m,v_m", ("0,0", "1.25,0", "0.3,0.2")),
        ("east_m,north_m,height_m", ("0,0,9", "1,0.75,9", "0.24,0.18,9.2")),
    ):
        table = tmp_path / "points.csv"
        pixels = ("100,100", "400,130", "170,60")
        lines = [f"p{k},{px},{at}" for k, (px, at) in enumerate(zip(pixels, places, strict=True))]
        table.write_text(f"name,x_px,y_px,{head}\n" + "\n".join(lines))
        call = ("straighten", "--photo", photo, "--control", table, "--gsd-mm", 3, "--out", out)
        assert run(*call, "--json") == 0
        report = json.loads(capsys.readouterr().out)
        assert any("2 other distances of the control differ" in w for w in report["warnings"])
        extent = extent or report["extent_m"]
        assert report["extent_m"] == pytest.approx(extent, rel=0.02)
    plain = tmp_path / "plain.png"
    cv2.imwrite(str(plain), np.full((400, 400), 90, np.uint8))
    assert (
        run(
            "straighten",
            "--photo",
            plain,
            "--distance",
            "1,1,9,9,1",
            "--gsd-mm",
            3,
            "--out",
            tmp_path / "no.tif",
            "--quiet",
        )
        == 2
    )
    assert "joints" in capsys.readouterr().err
    assert (
        run(
            "straighten",
            "--photo",
            photo,
            "--distance",
            "1,1,9,9",
            "--gsd-mm",
            3,
            "--out",
            tmp_path / "no.tif",
        )
        == 2
    )
    assert not (tmp_path / "no.tif").exists()


def test_a_reveal_depth_goes_through_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same control rectifies the wall and a plane behind it; a round surface asks for a camera."""
    rows = ["name,u_m,v_m,x_px,y_px,role"]
    centre = np.array([1.5, 1.0, 4.0])
    for i, (u, v) in enumerate(
        [(0, 0), (2.6, 0), (2.6, 2), (0, 2), (1.2, 1.1), (0.4, 1.4), (2.2, 0.5)]
    ):
        d = np.array([u, v, 0]) - centre
        x, y = CAMERA.pixel_from_ray([d[0] / -d[2], -d[1] / -d[2]])
        rows.append(f"c{i},{u},{v},{x:.3f},{y:.3f},control")
    (tmp_path / "control.csv").write_text("\n".join(rows))
    cv2.imwrite(str(tmp_path / "photo.png"), np.full((600, 800, 3), 90, np.uint8))
    camera = {
        "width": 800,
        "height": 600,
        "fx": 760,
        "fy": 760,
        "cx": 402,
        "cy": 297,
        "k1": -0.15,
        "k2": 0.03,
        "p1": 0,
        "p2": 0,
    }
    (tmp_path / "camera.json").write_text(json.dumps(camera))
    base = (
        "rectify",
        "--photo",
        tmp_path / "photo.png",
        "--control",
        tmp_path / "control.csv",
        "--gsd-mm",
        5,
        "--out",
        tmp_path / "o.tif",
        "--quiet",
    )
    assert run(*base, "--camera", tmp_path / "camera.json", "--set-back-mm", 250, "--json") == 0
    report = json.loads(capsys.readouterr().out)
    assert report["control_rmse_m"] < 0.001
    assert report["camera_distance_m"] == pytest.approx(4.0, abs=0.01)
    # the statement has the fields of a wall: by geometry, the camera stands 4.25 m before the plane, 760 px focal length
    u0, v0, u1, v1 = report["extent_m"]
    places = np.stack(np.meshgrid(np.linspace(u0, u1, 7), np.linspace(v1, v0, 5)), axis=-1)
    sight = np.degrees(np.arctan(np.hypot(*np.moveaxis(places - centre[:2], -1, 0)) / 4.25))
    np.testing.assert_allclose(np.array(report["obliqueness_map_deg"], float), sight, atol=0.1)
    assert report["obliqueness_deg"] == pytest.approx(np.median(sight), abs=0.1)
    assert report["sample_distance_map_m"][2][3] == pytest.approx(4.25 / 760, rel=0.02)
    assert (report["scale"], report["scale_error_source"]) == (None, "no check points")
    _check_points_on_the_plane_prove_it(tmp_path, base, rows, centre, capsys)
    (tmp_path / "control.csv").write_text("\n".join(rows[:5]))  # four points, which any photo fits
    assert run(*base, "--camera", tmp_path / "camera.json", "--set-back-mm", 250, "--json") == 0
    report = json.loads(capsys.readouterr().out)
    assert report["control_rmse_m"] is None
    assert {r["du_m"] for r in report["residuals"]} == {None}
    (tmp_path / "control.csv").write_text("\n".join(rows))
    assert run(*base, "--camera", tmp_path / "camera.json", "--set-back-mm", 250_000) == 2
    assert "millimetres" in capsys.readouterr().err
    assert run(*base, "--cylinder-radius-mm", 500) == 2
    assert "known camera" in capsys.readouterr().err
    assert run(*base, "--set-back-mm", 250) == 2  # seen squarely, the focal length cannot be told
    assert "--camera" in capsys.readouterr().err


def _check_points_on_the_plane_prove_it(
    folder: Path,
    base: tuple[object, ...],
    control: list[str],
    centre: np.ndarray,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Check points on the plane itself prove the depth that was given, or contradict it; those on the wall do neither."""
    lines = [control[0] + ",w_m", *(f"{row}," for row in control[1:])]
    for k, (u, v, w) in enumerate([(0.5, 0.5, -0.25), (2.0, 1.5, -0.25), (1.0, 1.8, 0.0)]):
        d = np.array([u, v, w]) - centre
        x, y = CAMERA.pixel_from_ray([d[0] / -d[2], -d[1] / -d[2]])
        lines.append(f"k{k},{u},{v},{x:.3f},{y:.3f},check,{w}")
    (folder / "control.csv").write_text("\n".join(lines))
    call = (*base, "--camera", folder / "camera.json", "--json")
    assert run(*call, "--set-back-mm", 250) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["proved"]
    assert report["check_n"] == 2
    assert report["check_rmse_m"] < 1e-3
    assert report["supports_scale"]
    # not for a picture that lies mostly beyond all points
    assert run(*call, "--set-back-mm", 250, "--extent", "0,0,8,2") == 0
    wide = json.loads(capsys.readouterr().out)
    assert (wide["proved"], wide["supports_scale"]) == (False, None)
    assert "beyond the points" in wide["proof"]
    # the wall's own check point alone proves nothing of the plane
    (folder / "control.csv").write_text("\n".join([*lines[:-3], lines[-1]]))
    assert run(*call, "--set-back-mm", 250) == 0
    report = json.loads(capsys.readouterr().out)
    assert (report["proved"], report["check_n"], report["supports_scale"]) == (False, 0, None)


def test_frame_turns_a_survey_list_into_wall_coordinates(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    turn = np.radians(30)
    along, out_of = (
        np.array([np.cos(turn), np.sin(turn), 0]),
        np.array([np.sin(turn), -np.cos(turn), 0]),
    )
    rows = ["name,e_m,n_m,h_m"]
    for i, (u, v) in enumerate(
        [(0, 0), (5, 0.2), (5.1, 3), (0.3, 3.2), (2.5, 1.5), (1.5, 2.4), (4, 1.1)]
    ):
        p = (
            np.array([1000, 2000, 50])
            + u * along
            + v * np.array([0, 0, 1.0])
            + (0.06 if i == 5 else 0) * out_of
        )
        rows.append(f"S{i},{p[0]:.4f},{p[1]:.4f},{p[2]:.4f}")
    survey, out = tmp_path / "survey.csv", tmp_path / "wall.csv"
    survey.write_text("\n".join(rows))
    station = np.array([1000, 2000, 51]) + 2 * along + 12 * out_of
    assert (
        run(
            "frame",
            "--survey",
            survey,
            "--out",
            out,
            "--placement",
            tmp_path / "place.json",
            "--epsg",
            25832,
            f"--outside={station[0]},{station[1]},{station[2]}",
            "--json",
        )
        == 0
    )
    printed = json.loads(capsys.readouterr().out)
    assert printed["off_surface"] == ["S5"]
    assert "before the wall plane" in printed["warnings"][0]
    with out.open() as file:
        found = list(csv.DictReader(file))
    assert float(found[1]["u_m"]) == pytest.approx(5.0, abs=2e-3)
    assert float(found[2]["v_m"]) == pytest.approx(3.0, abs=2e-3)
    assert float(found[5]["w_m"]) == pytest.approx(0.06, abs=2e-3)
    assert found[5]["on_surface"] == "0"
    assert json.loads((tmp_path / "place.json").read_text())["epsg"] == 25832
    survey.write_text("name,e_m,n_m,h_m\nA,1,2,nan\n")
    assert run("frame", "--survey", survey, "--out", tmp_path / "no.csv", "--quiet") == 2
    assert "line 2" in capsys.readouterr().err
    assert not (tmp_path / "no.csv").exists()


def test_measure_gives_lengths_and_areas_with_their_range(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def pixel(u: float, v: float) -> tuple[float, float]:
        return 100 + 200 * u, 700 - 200 * v

    rows = ["name,u_m,v_m,x_px,y_px,role"]
    for i, (u, v) in enumerate([(0, 0), (3, 0), (3, 3), (0, 3), (1.5, 1.4)]):
        rows.append(f"c{i},{u},{v},{pixel(u, v)[0]},{pixel(u, v)[1]},control")
    (tmp_path / "control.csv").write_text("\n".join(rows))
    cv2.imwrite(str(tmp_path / "photo.png"), np.full((800, 800, 3), 90, np.uint8))
    ring = [(0.5, 0.5), (2.5, 0.5), (2.5, 2.0), (0.5, 2.0)]
    shapes = [
        "shape,kind,x_px,y_px",
        *(f"patch,area,{pixel(*p)[0]},{pixel(*p)[1]}" for p in ring),
        *(f"crack,length,{pixel(*p)[0]},{pixel(*p)[1]}" for p in ring[:2]),
    ]
    (tmp_path / "shapes.csv").write_text("\n".join(shapes))
    base = (
        "measure",
        "--photo",
        tmp_path / "photo.png",
        "--control",
        tmp_path / "control.csv",
        "--shapes",
        tmp_path / "shapes.csv",
        "--out",
        tmp_path / "out.csv",
    )
    assert run(*base, "--json", "--quiet") == 0
    found = {s["shape"]: s for s in json.loads(capsys.readouterr().out)["shapes"]}
    assert found["patch"]["value"] == pytest.approx(3.0, abs=1e-6)
    assert found["crack"]["value"] == pytest.approx(2.0, abs=1e-6)
    assert 0 < found["crack"]["plus_minus_95"] < 0.1
    (tmp_path / "shapes.csv").write_text("shape,kind,x_px,y_px\npatch,volume,1,1\n")
    assert run(*base, "--quiet") == 2
    assert "volume" in capsys.readouterr().err
