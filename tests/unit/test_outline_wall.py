"""All stones of a wall proposed at once: what is proposed, what is not, and how it is written."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from PIL import Image
from skimage import data
from small_wall import make_wall

from facademap.cli.main import main
from facademap.condition.coursing import DrawnStone
from facademap.condition.wall_courses import courses_of
from facademap.condition.wall_net import look
from facademap.condition.wall_numbers import gaps_of, placed_in_courses
from facademap.condition.wall_outlines import joints_of, outline_wall
from facademap.io.rasters import write_elevation
from facademap.store.project import Project
from facademap.tables.coursing import Coursing
from facademap.tasks.survey.outline_wall import outline_surface
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs


def _ashlar(seed: int = 1, *, width: int = 760, height: int = 560) -> tuple[np.ndarray, list]:
    """Coursed ashlar and the boxes of its stones."""
    rng = np.random.default_rng(seed)
    rgb = np.full((height, width, 3), (106, 100, 92), np.float32)
    boxes, top = [], 6
    while top + 40 < height:
        tall, left = int(rng.uniform(60, 95)), 6
        tall = height - 6 - top if top + tall + 50 > height else tall
        while left + 40 < width:
            wide = int(rng.uniform(90, 170))
            wide = width - 6 - left if left + wide + 60 > width else wide
            box = (left, top, left + wide - 5, top + tall - 5)
            rgb[box[1] : box[3], box[0] : box[2]] = np.array([178, 166, 145]) + rng.normal(0, 10)
            boxes.append(box)
            left += wide
        top += tall
    grain = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 1.2)
    return np.clip(rgb + 12 * grain[..., None], 0, 255).astype(np.uint8), boxes


def _best(boxes: list, rings: list) -> np.ndarray:
    found = [shapely.Polygon(r) for r in rings]
    whole = [shapely.box(a - 0.5, b - 0.5, c - 0.5, d - 0.5) for a, b, c, d in boxes]
    return np.array(
        [max((w.intersection(f).area / w.union(f).area for f in found), default=0.0) for w in whole]
    )


@pytest.fixture(scope="module")
def proposed() -> tuple[np.ndarray, list, list]:
    rgb, boxes = _ashlar()
    return rgb, boxes, outline_wall(rgb)


def test_every_stone_of_an_ashlar_wall_is_outlined(proposed: tuple) -> None:
    _, boxes, stones = proposed
    best = _best(boxes, [s.ring_px for s in stones])
    assert np.median(best) > 0.9
    assert np.mean(best > 0.75) > 0.9
    assert len(stones) < 1.15 * len(boxes)


def test_no_proposal_overlaps_another(proposed: tuple) -> None:
    shapes = [shapely.Polygon(s.ring_px) for s in proposed[2]]
    tree = shapely.STRtree(shapes)
    for i, shape in enumerate(shapes):
        for j in tree.query(shape, predicate="intersects"):
            if j > i:
                assert shape.intersection(shapes[j]).area < 0.01 * shape.area


def test_a_picture_without_masonry_gets_next_to_nothing() -> None:
    y, x = np.mgrid[0:400, 0:520]
    sky = np.stack([90 + y / 8, 130 + y / 9, 190 + x / 40], -1).astype(np.uint8)
    assert outline_wall(sky) == []
    flat = np.full((300, 300, 3), 128, np.uint8)
    assert outline_wall(flat) == []


def test_tiles_leave_no_seam() -> None:
    rgb, _ = _ashlar(3, width=1500, height=200)
    whole = look(rgb)
    # the middle of a tile of its own against the fading of two: the same light is used, so that they agree
    part = look(rgb[:, 512:1344])
    middle = np.s_[20:180, 250:600]
    apart = np.abs(
        whole.stone[:, 512:1344][middle].astype(int) - part.stone[middle].astype(int)
    ).mean()
    assert apart < 12


def test_courses_are_counted_from_below_and_stones_from_the_left() -> None:
    boxes = [
        shapely.box(x, y, x + 0.9 + 0.05 * (k % 3), y + 0.45)
        for y in (0.0, 0.5, 1.0)
        for k, x in enumerate((0.0, 1.0, 2.0, 3.0))
    ]
    order = np.random.default_rng(2).permutation(12)
    found = courses_of(np.array([boxes[k] for k in order], dtype=object))
    told = dict(zip(order.tolist(), found, strict=True))
    assert [told[k] for k in range(12)] == [(c, n) for c in (1, 2, 3) for n in (1, 2, 3, 4)]


def _course_boxes() -> dict[tuple[int, int], shapely.Polygon]:
    """Four courses of five stones of 1 m by 0.5 m, by course from below and number from the left."""
    return {
        (c + 1, n + 1): shapely.box(n, c / 2, n + 0.98, c / 2 + 0.48)
        for c in range(4)
        for n in range(5)
    }


def test_fresh_stones_go_on_from_those_that_are_drawn() -> None:
    boxes = _course_boxes()
    drawn = [
        # the office calls the second course 12
        DrawnStone(id=f"S-{n}", geometry=boxes.pop((2, n)), course=12, number=n)
        for n in (1, 2)
    ]
    found = placed_in_courses(list(boxes.values()), drawn)
    assert dict(zip(boxes, found, strict=True)) == {(c, n): (c + 10, n) for c, n in boxes}
    # drawn stones that contradict each other name no course
    torn = [*drawn, DrawnStone(id="S-9", geometry=boxes.pop((2, 3)), course=7, number=3)]
    found = placed_in_courses(list(boxes.values()), torn)
    told = dict(zip(boxes, found, strict=True))
    assert told[2, 4] == (None, None)


def test_courses_are_counted_where_the_office_begins() -> None:
    boxes = _course_boxes()
    coursing = Coursing(courses_from="above", numbers_from="right", first=0)
    found = placed_in_courses(list(boxes.values()), [], coursing=coursing)
    assert dict(zip(boxes, found, strict=True)) == {(c, n): (4 - c, 5 - n) for c, n in boxes}


def test_a_part_of_a_course_that_is_hidden_is_told_and_an_opening_is_not() -> None:
    boxes = _course_boxes()
    for hidden in ((2, 3), (3, 4)):
        boxes.pop(hidden)
    window = shapely.box(2.9, 0.9, 4.05, 1.6)
    places = list(boxes)
    found = gaps_of(list(boxes.values()), places, [window])
    assert [places[k] for k in found] == [(2, 4)]


def test_rubble_gets_no_courses() -> None:
    rng = np.random.default_rng(5)
    discs = [shapely.Point(*rng.uniform(0, 10, 2)).buffer(rng.uniform(0.1, 0.5)) for _ in range(40)]
    found = courses_of(np.array(discs, dtype=object))
    assert sum(c is None for c, _ in found) > 20


def test_the_joint_is_the_distance_to_the_neighbours() -> None:
    stones = np.array([shapely.box(0, 0, 10, 5), shapely.box(10.4, 0, 20, 5)], dtype=object)
    assert joints_of(stones) == pytest.approx([0.4, 0.4], abs=0.02)
    assert np.isnan(joints_of(stones[:1])).all()


def test_the_command_writes_polygons_with_their_properties(tmp_path: Path) -> None:
    rgb, boxes = _ashlar(2, width=420, height=300)
    rgb = rgb.copy()
    rgb[:, 180:260] = (70, 96, 44)  # a plant hides what lies there
    photo, out = tmp_path / "wall.png", tmp_path / "stones.geojson"
    Image.fromarray(rgb).save(photo)
    ran = CliRunner().invoke(main, ["outline-wall", "--photo", str(photo), "--out", str(out)])
    assert ran.exit_code == 0, ran.output
    told = json.loads(out.read_text())
    free = [b for b in boxes if b[2] < 180 or b[0] > 260]
    assert len(told["features"]) >= 0.7 * len(free)
    named = {(f["properties"]["course"], f["properties"]["number"]) for f in told["features"]}
    assert told["after_gap"]
    assert {(g["course"], g["number"]) for g in told["after_gap"]} <= named
    assert "show no stone" in ran.output
    for feature in told["features"]:
        assert set(feature["properties"]) == {"course", "number", "confidence", "joint_px"}
        assert 0 <= feature["properties"]["confidence"] <= 1
        ring = np.array(feature["geometry"]["coordinates"][0])
        assert (ring >= 0).all()
        assert (ring <= [419, 299]).all()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "project or a picture"),
        (["--photo", "wall.png"], "file for the result"),
        (["--photo", "wall.png", "--out", "o.geojson", "--gsd-mm", "0"], "sample distance"),
        (["--photo", "tiny.png", "--out", "o.geojson"], "too few"),
        (["--photo", "none.png", "--out", "o.geojson"], "none.png"),
    ],
)
def test_bad_input_gets_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Image.fromarray(np.zeros((60, 60, 3), np.uint8)).save("wall.png")
    Image.fromarray(np.zeros((9, 9, 3), np.uint8)).save("tiny.png")
    ran = CliRunner().invoke(main, ["outline-wall", *arguments])
    assert ran.exit_code == 2
    assert says in ran.output
    assert not Path("o.geojson").exists()


def test_a_project_keeps_what_is_drawn_and_proposes_the_rest(tmp_path: Path) -> None:
    surface = make_wall(tmp_path / "wall", picture=False)
    rgb, boxes = _ashlar(4)
    grid = PixelGrid.over(Extent(u0_m=0.0, v0_m=0.0, u1_m=3.8, v1_m=2.8), gsd_m=0.005)

    def in_metres(box: tuple[int, ...]) -> shapely.Polygon:
        a, b, c, d = (0.005 * v for v in box)
        return shapely.box(a, 2.8 - d, c, 2.8 - b)

    stones = sorted((in_metres(b) for b in boxes), key=lambda s: (s.bounds[1], s.bounds[0]))
    with Project.open(tmp_path / "wall") as project:
        target = project.place(f"elevations/{surface}.tif")
        target.parent.mkdir(exist_ok=True)
        seen = np.full(rgb.shape[:2], 255, np.uint8)
        windows = ((w, rgb[w.slices], seen[w.slices]) for w in grid.windows(512))
        write_elevation(target, grid, windows, crs_wkt=wall_crs("Granary", "granary"))
        with project.edit(who="ann", what="draw") as edit:
            edit.update("surfaces", surface, {"picture": f"elevations/{surface}.tif"})
            drawn = {"surface": surface, "course": 21, "number": 1, "geometry": stones[0]}
            edit.insert("wall_stones", [{"id": "S-1", **drawn}])
            edit.insert("openings", [{"id": "O-1", "surface": surface, "geometry": stones[9]}])
    told: list[float] = []
    found = outline_surface(tmp_path / "wall", progress=told.append)
    assert told == sorted(told)
    assert 0 < told[-1] < 1
    with Project.open(tmp_path / "wall", read_only=True) as project:
        table = project.read("wall_stones").set_index("id")
    assert table.loc["S-1"].geometry.equals(stones[0])
    fresh = table.drop("S-1")
    assert len(fresh) == found["stones"] > 0.8 * (len(stones) - 2)
    assert found["kept"] == 1
    assert set(fresh["origin"]) == {"assisted"}
    assert fresh["confirmed_by"].isna().all()
    assert fresh["note"].str.contains("confidence 0").any()
    assert fresh.geometry.intersection(shapely.union_all([stones[0], stones[9]])).area.max() < 1e-6
    beside = fresh[fresh.geometry.contains(stones[1].centroid)].iloc[0]
    assert (beside["course"], beside["number"]) == (21, 2)


@pytest.mark.parametrize("name", ["camera", "cat"])
def test_photographs_without_masonry_get_no_stones(name: str) -> None:
    picture = cv2.resize(getattr(data, name)(), (256, 256), interpolation=cv2.INTER_AREA)
    rgb = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2)
    assert outline_wall(rgb) == []


def test_grey_and_in_half_shadow_the_stones_are_the_same() -> None:
    rgb, boxes = _ashlar(6, width=500, height=380)
    grey = np.repeat(rgb.mean(axis=2, keepdims=True), 3, axis=2)
    grey[:, 260:] *= 0.45
    best = _best(boxes, [s.ring_px for s in outline_wall(grey.astype(np.uint8))])
    assert np.mean(best > 0.75) > 0.85


def test_a_picture_out_of_focus_gets_few_sure_proposals() -> None:
    rgb, boxes = _ashlar(6, width=400, height=300)
    soft = outline_wall(cv2.GaussianBlur(rgb, (0, 0), 14))
    assert sum(s.confidence > 0.9 for s in soft) < 0.3 * len(boxes)
