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

CAMERA = Camera(width_px=800, height_px=600, fx_px=760, fy_px=760, cx_px=402, cy_px=297, k1=-0.15, k2=0.03)


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


def test_calibrate_writes_a_camera_file_that_rectify_reads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    views = [((0.4, 0, 0), (0, 0, .33)), ((-.4, .1, 0), (.04, .02, .34)), ((0, .45, .1), (-.05, .03, .33)),
             ((0, -.45, 0), (.05, -.03, .34)), ((.3, .3, .4), (0, .03, .32)), ((-.3, .3, 1.2), (.03, -.02, .33)),
             ((.25, -.3, .2), (-.03, -.02, .37)), ((.1, .2, 0), (.03, .02, .36))]
    photos = []
    for i, (turn, shift) in enumerate(views):
        photos.append(tmp_path / f"board{i}.png")
        cv2.imwrite(str(photos[-1]), board_photo(turn, shift))
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((600, 800), 128, np.uint8))
    out = tmp_path / "camera.json"
    assert run("calibrate", *photos, blank, "--columns", 7, "--rows", 5, "--out", out, "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["not_found"] == ["blank.png"]
    assert printed["rmse_px"] < 0.2
    camera = read_camera(out)
    assert camera.fx_px == pytest.approx(760, rel=0.01)
    assert camera.k1 == pytest.approx(-0.15, abs=0.03)
    # rays, which is what matters: within a few hundredths of a pixel once the pose has taken up what it can
    grid = np.stack(np.meshgrid(np.linspace(150, 650, 6), np.linspace(120, 480, 5)), axis=-1).reshape(-1, 2)
    apart = camera.pixel_from_ray(CAMERA.ray_from_pixel(grid)) - grid
    design = np.c_[np.ones(30), grid]
    rest = apart - design @ np.linalg.lstsq(design, apart, rcond=None)[0]
    assert np.sqrt(np.mean(rest**2)) < 0.3


def test_calibrate_refuses_what_it_cannot_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((600, 800), 128, np.uint8))
    assert run("calibrate", blank, blank, blank, "--columns", 7, "--rows", 5, "--out", tmp_path / "c.json",
               "--quiet") == 2
    assert "0 usable photos" in capsys.readouterr().err
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), np.full((300, 400), 128, np.uint8))
    assert run("calibrate", blank, other, "--columns", 7, "--rows", 5, "--out", tmp_path / "c.json", "--quiet") == 2
    assert "other.png" in capsys.readouterr().err
    assert run("calibrate", blank, "--columns", 1, "--rows", 5, "--out", tmp_path / "c.json", "--quiet") == 2
    assert not (tmp_path / "c.json").exists()


def test_tape_makes_places(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tape, out = tmp_path / "tape.csv", tmp_path / "places.csv"
    tape.write_text("kind,start,end,length_m,sigma_mm\nlevel,A,B,3.0,2\nplumb,A,D,,2\ndistance,A,C,3.6056,\n"
                    "distance,B,D,3.6056,\ndistance,B,C,2,\ndistance,C,D,3,\ndistance,D,A,2,\n")
    assert run("tape", "--tape", tape, "--out", out) == 0
    with out.open() as file:
        found = {r["name"]: (float(r["u_m"]), float(r["v_m"])) for r in csv.DictReader(file)}
    np.testing.assert_allclose([found[n] for n in "ABCD"], [(0, 0), (3, 0), (3, 2), (0, 2)], atol=1e-3)
    for bad, word in (("rope,A,B,1,\n", "rope"), ("distance,A,B,-1,\n", "not positive"), ("distance,A,B,x,\n", "line 2"),
                      ("distance,A,B,,\n", "no length"), ("level,A,B,1,0\n", "not positive")):
        tape.write_text("kind,start,end,length_m,sigma_mm\n" + bad)
        assert run("tape", "--tape", tape, "--out", tmp_path / "no.csv", "--quiet") == 2
        error = capsys.readouterr().err
        assert word in error, (bad, error)
    assert not (tmp_path / "no.csv").exists()


def test_straighten_a_real_photo_by_its_joints(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo, out = tmp_path / "brick.png", tmp_path / "straight.tif"
    cv2.imwrite(str(photo), data.brick())
    assert run("straighten", "--photo", photo, "--distance", "100,100,400,130,1.25", "--gsd-mm", 3, "--out", out) == 0
    with open_elevation(out) as elevation:
        _, rgb, mask = elevation.read()
        assert elevation.grid.gsd_m == pytest.approx(0.003)
    assert (mask > 0).mean() > 0.6
    # the joints now run with the raster: columns differ far more from one another than along themselves
    seen = rgb[150:550, 150:600, 0].astype(float)
    assert seen.mean(axis=0).std() > 2.0 * data.brick()[60:460, 30:480].astype(float).mean(axis=0).std()
    plain = tmp_path / "plain.png"
    cv2.imwrite(str(plain), np.full((400, 400), 90, np.uint8))
    assert run("straighten", "--photo", plain, "--distance", "1,1,9,9,1", "--gsd-mm", 3, "--out", tmp_path / "no.tif",
               "--quiet") == 2
    assert "joints" in capsys.readouterr().err
    assert run("straighten", "--photo", photo, "--distance", "1,1,9,9", "--gsd-mm", 3, "--out", tmp_path / "no.tif") == 2
    assert not (tmp_path / "no.tif").exists()


def test_a_reveal_depth_goes_through_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same control rectifies the wall and a plane behind it; a round surface asks for a camera."""
    rows = ["name,u_m,v_m,x_px,y_px,role"]
    centre = np.array([1.5, 1.0, 4.0])
    for i, (u, v) in enumerate([(0, 0), (2.6, 0), (2.6, 2), (0, 2), (1.2, 1.1), (0.4, 1.4), (2.2, 0.5)]):
        d = np.array([u, v, 0]) - centre
        x, y = CAMERA.pixel_from_ray([d[0] / -d[2], -d[1] / -d[2]])
        rows.append(f"c{i},{u},{v},{x:.3f},{y:.3f},control")
    (tmp_path / "control.csv").write_text("\n".join(rows))
    cv2.imwrite(str(tmp_path / "photo.png"), np.full((600, 800, 3), 90, np.uint8))
    camera = {"width": 800, "height": 600, "fx": 760, "fy": 760, "cx": 402, "cy": 297, "k1": -0.15, "k2": 0.03, "p1": 0,
              "p2": 0}
    (tmp_path / "camera.json").write_text(json.dumps(camera))
    base = ("rectify", "--photo", tmp_path / "photo.png", "--control", tmp_path / "control.csv", "--gsd-mm", 5, "--out",
            tmp_path / "o.tif", "--quiet")
    assert run(*base, "--camera", tmp_path / "camera.json", "--set-back-mm", 250, "--json") == 0
    report = json.loads(capsys.readouterr().out)
    assert report["control_rmse_m"] < 0.001
    assert report["camera_distance_m"] == pytest.approx(4.0, abs=0.01)
    assert run(*base, "--cylinder-radius-mm", 500) == 2
    assert "known camera" in capsys.readouterr().err
    assert run(*base, "--set-back-mm", 250) == 2  # seen squarely, the focal length cannot be told
    assert "--camera" in capsys.readouterr().err
