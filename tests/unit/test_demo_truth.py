"""The demo elevation agrees with itself: lists, drawings, pictures and the truth behind them."""

from __future__ import annotations

import csv
import json
import tomllib
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely.geometry import Point, Polygon, shape

DEMO = Path(__file__).parents[2] / "demo_facade"
FAMILIES = {
    "A": {"crack", "fracture", "star crack", "hair crack", "craquele", "splitting", "deformation"},
    "B": {
        "blistering",
        "bursting",
        "delamination",
        "disintegration",
        "fragmentation",
        "peeling",
        "scaling",
    },
    "C": {
        "alveolization",
        "erosion",
        "differential erosion",
        "impact damage",
        "missing part",
        "perforation",
        "pitting",
    },
    "D": {
        "black crust",
        "salt crust",
        "deposit",
        "moist area",
        "staining",
        "efflorescence",
        "soiling",
    },
    "E": {"alga", "lichen", "moss", "plant"},
}
OTHERS = {"open joint", "loose stone", "displacement", "failed repair"}


def rows(name: str) -> list[dict[str, str]]:
    with (DEMO / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def features(name: str) -> list[dict]:
    return json.loads((DEMO / name).read_text(encoding="utf-8"))["features"]


@pytest.fixture(scope="module")
def truth() -> dict:
    return json.loads((DEMO / "truth" / "truth.json").read_text(encoding="utf-8"))


def project(camera: dict, photo: dict, uvw: np.ndarray) -> np.ndarray:
    """Pixels by OpenCV's own projection, independent of the renderer's."""
    rotation = np.array(photo["rotation_wall_to_camera"])
    shift = -rotation @ np.array(photo["position_uvw_m"])
    matrix = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1]])
    lens = np.array([camera[k] for k in ("k1", "k2", "p1", "p2", "k3")])
    px, _ = cv2.projectPoints(uvw, cv2.Rodrigues(rotation)[0], shift, matrix, lens)
    return px[:, 0]


def test_demo_counts_are_those_promised():
    points = rows("control_points.csv")
    roles = Counter(p["role"] for p in points)
    assert roles["control"] >= 14
    assert roles["check"] >= 34
    assert len(rows("blocks/blocks.csv")) == 40
    assert len(list((DEMO / "photos").glob("*.jpg"))) in (5, 6)
    terms = Counter(f["properties"]["term"] for f in features("conditions.geojson"))
    assert sum(terms.values()) >= 70
    for family, members in FAMILIES.items():
        assert members & set(terms), family
    assert set(terms) <= set().union(OTHERS, *FAMILIES.values())
    assert set(terms) >= OTHERS


def test_demo_stays_small():
    files = [f for f in DEMO.rglob("*") if f.is_file() and "__pycache__" not in f.parts]
    assert sum(f.stat().st_size for f in files) < 35e6


def test_demo_pictures_have_the_size_of_the_camera():
    camera = json.loads((DEMO / "camera.json").read_text())
    for path in (DEMO / "photos").glob("*.jpg"):
        picture = cv2.imread(str(path))
        assert picture.shape[:2] == (camera["height"], camera["width"])
        assert camera["width"] * camera["height"] >= 12_000_000


def test_demo_observations_agree_with_the_true_cameras(truth):
    camera = json.loads((DEMO / "camera.json").read_text())
    seen: Counter[str] = Counter()
    errors = []
    for row in rows("observations.csv"):
        stem = row["photo"].removesuffix(".jpg")
        uvw = np.array([truth["points"][row["name"]]["uvw_m"]])
        x, y = project(camera, truth["photos"][stem], uvw)[0]
        errors.append(np.hypot(x - float(row["x_px"]), y - float(row["y_px"])))
        seen[stem] += 1
    assert max(errors) < 1.8
    assert 0.3 < np.sqrt(np.mean(np.square(errors)) / 2) < 0.4
    assert min(seen.values()) >= 12


def test_demo_targets_are_where_the_photos_show_them(truth):
    """The black and white quarters meet, in the pictures themselves, at the projected point."""
    camera = json.loads((DEMO / "camera.json").read_text())
    offsets = []
    for stem, photo in truth["photos"].items():
        grey = cv2.imread(str(DEMO / "photos" / f"{stem}.jpg"), cv2.IMREAD_GRAYSCALE)
        control = {r["name"] for r in rows(f"control/{stem}.csv")}
        for name, point in truth["points"].items():
            if point["mark"] != "target" or name not in control:
                continue
            guess = project(camera, photo, np.array([point["uvw_m"]]))[0]
            criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
            start = np.array([[guess + 1.5]], np.float32)
            found = cv2.cornerSubPix(grey, start, (8, 8), (-1, -1), criteria)[0, 0]
            offsets.append(np.hypot(*(found - guess)))
    assert len(offsets) > 40
    assert np.median(offsets) < 0.15
    assert np.percentile(offsets, 90) < 0.4


def test_demo_world_and_wall_coordinates_are_one_rigid_motion():
    points = rows("control_points.csv")
    wall = np.array([[float(p[k]) for k in ("u_m", "v_m", "w_m")] for p in points])
    world = np.array([[float(p[k]) for k in ("east_m", "north_m", "height_m")] for p in points])
    a, b = wall - wall.mean(0), world - world.mean(0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1, 1, np.sign(np.linalg.det(u @ vt))]) @ vt
    assert np.abs(a @ turn - b).max() < 0.0005
    assert 0.001 < wall[:, 2].std() < 0.003


def test_demo_stones_do_not_overlap_and_keep_off_openings():
    stones = {f["properties"]["id"]: shape(f["geometry"]) for f in features("wall_stones.geojson")}
    openings = [shape(f["geometry"]) for f in features("openings.geojson")]
    assert len(stones) == len(features("wall_stones.geojson"))
    assert all(s.is_valid for s in stones.values())
    listed = list(stones.values())
    for i, a in enumerate(listed):
        assert all(a.intersection(b).area < 1e-6 for b in listed[i + 1 :] if a.intersects(b))
        assert all(a.intersection(o).area < 1e-3 for o in openings)


def test_demo_conditions_lie_where_they_say(truth):
    stones = {f["properties"]["id"]: shape(f["geometry"]) for f in features("wall_stones.geojson")}
    ids = set()
    for f in features("conditions.geojson"):
        p, drawn = f["properties"], shape(f["geometry"])
        true = truth["conditions"][p["id"]]
        ids.add(p["id"])
        assert drawn.is_valid, p["id"]
        assert (DEMO / "photos" / p["photo"]).exists()
        assert p["activity"] in ("active", "stable", "unknown")
        assert all(p[k] in range(4) for k in ("cc", "uc", "rc"))
        host = stones[p["wall_stone"]]
        if len(true["stones"]) == 1 and isinstance(drawn, Polygon):
            assert drawn.difference(host.buffer(0.002)).area < 1e-5, p["id"]
        elif isinstance(drawn, Point):
            assert host.buffer(0.01).contains(drawn)
        if isinstance(drawn, Polygon):
            real = shape(true["shape"])
            assert drawn.intersection(real).area / drawn.union(real).area > 0.7, p["id"]
    assert len(ids) == len(features("conditions.geojson"))
    assert 30 <= truth["counts"]["inset"] <= 38
    assert 3 <= truth["counts"]["whole_stone"] <= 5


def test_demo_blocks_are_sound_outlines_inside_their_pictures(truth):
    for row in rows("blocks/blocks.csv"):
        outline = _ring(row["outline_mm"])
        assert outline.is_valid
        x0, y0, x1, y1 = outline.bounds
        assert (x0, y0) == (0, 0)
        assert (round(x1), round(y1)) == (int(row["length_mm"]), int(row["height_mm"]))
        for flaw in filter(None, row["flaws_mm"].split("; ")):
            depth, ring = flaw.split(": ")
            assert depth == "null" or float(depth) > 0
            assert _ring(ring).difference(outline.buffer(1.5)).area < 1
        bar = np.hypot(
            float(row["photo_x1_px"]) - float(row["photo_x0_px"]),
            float(row["photo_y1_px"]) - float(row["photo_y0_px"]),
        )
        scale = truth["blocks"][row["id"]]["scale_mm_px"]
        assert float(row["scale_length_mm"]) / bar == pytest.approx(scale, rel=1e-3)
        assert int(row["usable_depth_mm"]) < int(row["depth_mm"])
        assert cv2.imread(str(DEMO / "blocks" / "photos" / row["face_photo"])).shape == (
            900,
            1200,
            3,
        )
        quad = Polygon(truth["blocks"][row["id"]]["face_frame_px"])
        assert quad.within(Polygon([(0, 0), (1200, 0), (1200, 900), (0, 900)]))
    states = Counter(r["acceptance"] for r in rows("blocks/blocks.csv"))
    assert states["accepted"] > 30
    assert set(states) == {"accepted", "to test", "rejected"}
    assert {r["bed"] for r in rows("blocks/blocks.csv")} == {"x", "none", "parallel", "unknown"}


def test_demo_project_file_names_the_surface_of_the_drawings():
    project_file = tomllib.loads((DEMO / "project.toml").read_text(encoding="utf-8"))
    assert project_file["surfaces"][0]["id"] == "river-front-main"
    assert {f["properties"]["surface"] for f in features("wall_stones.geojson")} == {
        "river-front-main"
    }
    assert project_file["epsg"] == 25832


def _ring(text: str) -> Polygon:
    return Polygon([tuple(float(v) for v in p.split()) for p in text.split(", ")])
