"""Relief and change against rendered walls: parallax, occlusion, shade and noise with the truth beside them.

The renderer (``tests/unit/rendered_relief.py``) shares no code with the package; OpenCV's projection and its
triangulation check the cameras, numpy the planes.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from rendered_relief import (
    ReliefWall,
    Station,
    deepened,
    make_wall,
    stations,
    write_survey,
)

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.relief.change import change_in_patch
from facademap.tasks.survey.change import compare_reliefs
from facademap.tasks.survey.relief import make_relief

EXTENT = "0.05,0.05,1.05,0.75"
GROWTH_M = {"L1": 0.0, "L2": 0.006}


def _run(*words: str) -> None:
    before = sys.argv
    sys.argv = ["facademap", *words]
    try:
        with pytest.raises(SystemExit) as done:
            main()
    finally:
        sys.argv = before
    assert done.value.code == 0


def _views(wall: ReliefWall, seed: int) -> list[Station]:
    return stations(wall, count=4, distance_m=1.1, seed=seed, size_px=(800, 600), focal_px=750.0)


@pytest.fixture(scope="module")
def surveys(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Two surveys of one wall from other places in other light; one loss has grown, one has not."""
    folder = tmp_path_factory.mktemp("relief")
    wall = make_wall(3, width_m=1.1, height_m=0.8, losses=2, deepest_m=0.03)
    later = deepened(wall, GROWTH_M)
    for name, one, seed, light in (
        ("old", wall, 5, (-0.5, 0.6, 0.7)),
        ("new", later, 6, (0.4, 0.7, 0.6)),
    ):
        write_survey(folder / name, one, _views(one, seed), seed=seed, light=light, over=1)
        _run(
            *("relief", "--photos", str(folder / name), "--control"),
            *(str(folder / name / "control.csv"), "--extent", EXTENT, "--cell-mm", "3"),
            *("--out", str(folder / f"{name}.tif"), "--report", str(folder / f"{name}.json")),
            *(
                ("--elevation", str(folder / "true.tif"), "--gsd-mm", "1.5")
                if name == "old"
                else ()
            ),
            "--quiet",
        )
    return {"folder": folder, "old": wall, "new": later}


def _read(path: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    import rasterio

    with rasterio.open(path) as file:
        assert file.dtypes == ("float32", "float32")
        assert np.isnan(file.nodata)
        t = file.transform
        assert t.a == pytest.approx(0.003)
        assert t.e == pytest.approx(-0.003)
        first, second = file.read()
        u = t.c + (np.arange(file.width) + 0.5) * t.a
        v = t.f + (np.arange(file.height) + 0.5) * t.e
    u, v = np.broadcast_arrays(u[None, :], v[:, None])
    return first, second, u, v


def _mask(wall: ReliefWall, name: str, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    i = ((wall.size_m[1] - v) / wall.step_m).astype(int)
    return wall.losses[name][i, (u / wall.step_m).astype(int)]


@pytest.mark.parametrize("survey", ["old", "new"])
def test_relief_against_the_truth(surveys: dict[str, Any], survey: str) -> None:
    out_m, sigma_m, u, v = _read(surveys["folder"] / f"{survey}.tif")
    truth = surveys[survey].depth_at(u, v)
    known = np.isfinite(out_m)
    error = (out_m - truth)[known]
    report = json.loads((surveys["folder"] / f"{survey}.json").read_text())
    assert known.mean() == pytest.approx(report["known_share"], abs=1e-3)
    assert known.mean() > 0.95
    assert float(np.sqrt(np.mean(error**2))) < 0.002
    assert (np.abs(error) > 0.005).mean() < 0.02
    # the stated standard deviation covers what 95 of 100 would
    covered = (np.abs(error) < 1.96 * sigma_m[known]).mean()
    assert 0.90 <= covered <= 0.99
    for name in GROWTH_M:
        inside = _mask(surveys[survey], name, u, v) & known
        assert (out_m - truth)[inside].mean() == pytest.approx(0.0, abs=0.001)
    assert report["check_n"] == 4
    assert report["check_rmse_w_m"] < 0.0015
    assert report["lens"] == "estimated"


def test_lens_and_places_against_the_truth(surveys: dict[str, Any]) -> None:
    report = json.loads((surveys["folder"] / "old.json").read_text())
    true = _views(surveys["old"], 5)
    assert report["camera"]["fx"] == pytest.approx(750.0, rel=0.005)
    for found, station in zip(report["stations"], true, strict=True):
        assert found["centre_m"] == pytest.approx(station.centre, abs=0.006)
    # OpenCV, with the lens that was found, sees the targets where they were picked
    camera = report["camera"]
    matrix = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1]])
    bend = np.array([camera[k] for k in ("k1", "k2", "p1", "p2", "k3")])
    with (surveys["folder"] / "old" / "control.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["photo"] == "p1.jpg"]
    places = np.array([[float(r[k]) for k in ("u_m", "v_m", "w_m")] for r in rows])
    picked = np.array([[float(r[k]) for k in ("x_px", "y_px")] for r in rows])
    solved, turn, move = cv2.solvePnP(places, picked, matrix, bend, flags=cv2.SOLVEPNP_SQPNP)
    assert solved
    turn, move = cv2.solvePnPRefineLM(places, picked, matrix, bend, turn, move)
    again = cv2.projectPoints(places, turn, move, matrix, bend)[0].reshape(-1, 2)
    assert float(np.sqrt(np.mean(np.sum((again - picked) ** 2, axis=1)))) < 0.4


def test_change_is_found_where_it_was_and_nowhere_else(surveys: dict[str, Any]) -> None:
    folder = surveys["folder"]
    wall: ReliefWall = surveys["old"]
    features = []
    for name, mask in wall.losses.items():
        rings, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        ring = max(rings, key=len)[:, 0].astype(float)
        corners = [
            [float((x + 0.5) * wall.step_m), float(wall.size_m[1] - (y + 0.5) * wall.step_m)]
            for x, y in ring
        ]
        features.append((name, [*corners, corners[0]]))
    features.append(("stone", [[0.1, 0.1], [0.4, 0.1], [0.4, 0.2], [0.1, 0.2], [0.1, 0.1]]))
    (folder / "p.geojson").write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "features": [
                    {
                        "type": "Feature",
                        "properties": {"id": name},
                        "geometry": {"type": "Polygon", "coordinates": [ring]},
                    }
                    for name, ring in features
                ],
            }
        )
    )
    _run(
        *(
            "change",
            str(folder / "old.tif"),
            str(folder / "new.tif"),
            "--out",
            str(folder / "c.tif"),
        ),
        *("--polygons", str(folder / "p.geojson"), "--table", str(folder / "t.csv"), "--quiet"),
    )
    difference, detection, u, v = _read(folder / "c.tif")
    truth = surveys["new"].depth_at(u, v) - wall.depth_at(u, v)
    known = np.isfinite(difference)
    unchanged = known & (np.abs(truth) < 1e-6)
    assert (np.abs(difference - truth) < detection)[known].mean() >= 0.90
    assert (np.abs(difference) < detection)[unchanged].mean() > 0.95
    with (folder / "t.csv").open() as file:
        table = {row["id"]: row for row in csv.DictReader(file)}
    assert [table[n]["significant"] for n in ("L1", "L2", "stone")] == ["false", "true", "false"]
    for name, ring in features:
        area = abs(cv2.contourArea(np.array(ring, np.float32)))
        assert float(table[name]["area_m2"]) == pytest.approx(area, rel=0.06)
        mean, more = (float(table[name][k]) for k in ("mean_change_m", "plus_minus_95_m"))
        inside = np.zeros(truth.shape, np.uint8)
        cells = [[(x - u[0, 0]) / 0.003, (v[0, 0] - y) / 0.003] for x, y in ring]
        cv2.fillPoly(inside, [np.round(cells).astype(np.int32)], 1)
        true_mean = float(truth[inside > 0].mean())
        assert abs(mean - true_mean) < more
        assert more < 0.002
        assert float(table[name]["volume_change_m3"]) == pytest.approx(
            mean * float(table[name]["area_m2"]), rel=0.01, abs=1e-7
        )


def test_what_looks_otherwise_in_every_photo_is_left_unknown(
    surveys: dict[str, Any], tmp_path: Path
) -> None:
    """Leaves before the wall: the same place, another pattern in each photo."""
    wall = surveys["old"]
    (tmp_path / "p").mkdir()
    control = surveys["folder"] / "old" / "control.csv"
    (tmp_path / "p" / "control.csv").write_text(control.read_text())
    corners = np.array([[0.3, 0.2, 0], [0.6, 0.2, 0], [0.6, 0.5, 0], [0.3, 0.5, 0]])
    for k, station in enumerate(_views(wall, 5)):
        picture = cv2.imread(str(control.parent / f"p{k + 1}.jpg"))
        leaves = np.zeros(picture.shape[:2], np.uint8)
        cv2.fillPoly(leaves, [np.round(station.project(corners)).astype(np.int32)], 1)
        pattern = np.random.default_rng(k).normal(0, 1, leaves.shape).astype(np.float32)
        pattern = cv2.GaussianBlur(pattern, (0, 0), 1.5)
        grey = np.clip(90 + 35 * pattern / pattern.std(), 0, 255)
        picture[leaves > 0] = grey[leaves > 0][:, None]
        cv2.imwrite(str(tmp_path / "p" / f"p{k + 1}.jpg"), picture)
    _run(
        *("relief", "--photos", str(tmp_path / "p"), "--control"),
        *(str(tmp_path / "p" / "control.csv"), "--extent", EXTENT, "--cell-mm", "3"),
        *("--out", str(tmp_path / "r.tif"), "--quiet"),
    )
    out_m, sigma_m, u, v = _read(tmp_path / "r.tif")
    within = (u > 0.33) & (u < 0.57) & (v > 0.23) & (v < 0.47)
    beside = (u < 0.27) | (u > 0.63) | (v < 0.17) | (v > 0.53)
    assert np.isfinite(out_m[within]).mean() < 0.03
    assert np.isfinite(out_m[beside]).mean() > 0.95
    assert (np.isfinite(out_m) == np.isfinite(sigma_m)).all()


def test_a_true_elevation_shows_places_where_they_are(surveys: dict[str, Any]) -> None:
    """Against the wall seen squarely by the renderer: shifts by OpenCV's phase correlation, beside a plane's."""
    import rasterio

    wall: ReliefWall = surveys["old"]
    with rasterio.open(surveys["folder"] / "true.tif") as file:
        bands, t = file.read(), file.transform
    u = t.c + (np.arange(bands.shape[2]) + 0.5) * t.a
    v = t.f + (np.arange(bands.shape[1]) + 0.5) * t.e
    u, v = np.broadcast_arrays(u[None, :], v[:, None])
    x = (u / wall.step_m - 0.5).astype(np.float32)
    y = ((wall.size_m[1] - v) / wall.step_m - 0.5).astype(np.float32)
    squarely = cv2.remap(wall.albedo, x, y, cv2.INTER_LINEAR)
    station = _views(wall, 5)[1]
    pixel = station.project(np.stack([u.ravel(), v.ravel(), 0 * u.ravel()], axis=-1))
    photo = cv2.imread(str(surveys["folder"] / "old" / "p2.jpg"), cv2.IMREAD_GRAYSCALE)
    on_plane = cv2.remap(
        photo, *(pixel.reshape(*u.shape, 2).astype(np.float32).transpose(2, 0, 1)), cv2.INTER_LINEAR
    )
    mine = bands[:3].mean(axis=0)
    window = cv2.createHanningWindow((48, 48), cv2.CV_64F)
    shifts: dict[str, list[float]] = {"true": [], "plane": []}
    lost = np.any([_mask(wall, n, u, v) for n in GROWTH_M], axis=0)
    for i in range(24, u.shape[0] - 24, 24):
        for j in range(24, u.shape[1] - 24, 24):
            part = np.s_[i - 24 : i + 24, j - 24 : j + 24]
            if lost[part].mean() < 0.5:
                continue
            for name, picture in (("true", mine), ("plane", on_plane)):
                pair = [p[part].astype(float) for p in (squarely, picture)]
                (dx, dy), _ = cv2.phaseCorrelate(pair[0], pair[1], window.copy())
                shifts[name].append(1.5 * float(np.hypot(dx, dy)))
    assert len(shifts["true"]) > 10
    assert np.median(shifts["true"]) < 0.6
    assert np.median(shifts["plane"]) > 3 * np.median(shifts["true"])
    told = json.loads((surveys["folder"] / "old.json").read_text())["true_elevation"]
    assert told["check_n"] == 16
    assert told["check_rmse_m"] < 0.001
    assert told["seen_share"] == pytest.approx((bands[3] > 0).mean(), abs=1e-3)


def test_a_survey_without_targets_is_laid_on_the_earlier_one(
    surveys: dict[str, Any], tmp_path: Path
) -> None:
    """The later photos without their control: in the frame of the older survey the loss that grew is found, and no other."""
    folder = surveys["folder"]
    _run(
        *("relief", "--photos", str(folder / "new"), "--cell-mm", "3", "--earlier"),
        *(str(folder / "old.tif"), str(folder / "true.tif"), "--out", str(tmp_path / "n.tif")),
        *("--report", str(tmp_path / "n.json"), "--quiet"),
    )
    out_m, sigma_m, u, v = _read(tmp_path / "n.tif")
    truth = surveys["new"].depth_at(u, v)
    known = np.isfinite(out_m)
    error = (out_m - truth)[known]
    told = json.loads((tmp_path / "n.json").read_text())
    assert float(np.sqrt(np.mean(error**2))) < 0.002
    assert (np.abs(error) < 1.96 * sigma_m[known]).mean() > 0.9
    assert told["registered"]["agree_share"] > 0.8
    assert told["registered"]["registration_m"] < 0.001
    assert any("laid on the earlier survey by stable stone" in w for w in told["warnings"])
    done = compare_reliefs(folder / "old.tif", tmp_path / "n.tif", tmp_path / "c.tif")
    for name, grown in GROWTH_M.items():
        patch = change_in_patch(done.change, _mask(surveys["old"], name, u, v), outlines=2)
        assert patch.significant is (grown > 0)
    strange = tmp_path / "strange"
    strange.mkdir()
    for k in range(4):
        noise = np.random.default_rng(k).integers(0, 255, (300, 400), np.uint8)
        cv2.imwrite(str(strange / f"{k}.png"), noise)
    with pytest.raises(InputError, match="0 of 4 photos look like"):
        make_relief(
            strange,
            None,
            tmp_path / "s.tif",
            cell_m=0.003,
            earlier=(folder / "old.tif", folder / "true.tif"),
        )
