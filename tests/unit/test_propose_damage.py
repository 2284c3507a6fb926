"""Damage proposed from the picture: regions and lines from what is seen, nothing without masonry, no plan before a person looked."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from PIL import Image

from facademap.cli.main import main
from facademap.condition.damage_clicks import damage_clicked
from facademap.condition.damage_net import KINDS, DamageSeen, look_at_clicks
from facademap.condition.damage_regions import damage_at, damages_of
from facademap.condition.glossary import find_term
from facademap.condition.wall_tuning import corrected, fitted, lesson_of
from facademap.errors import GeometryError
from facademap.io.relief_files import open_relief_writer
from facademap.store.project import Project
from facademap.tasks.survey.propose_damage import relief_on
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from small_wall import make_wall


def _seen() -> DamageSeen:
    kinds = np.zeros((len(KINDS), 120, 160), np.uint8)
    kinds[KINDS.index("black crust"), 20:60, 30:80] = 240
    kinds[KINDS.index("black crust"), 35:45, 45:60] = 0
    kinds[KINDS.index("open joint"), 90:94, 20:140] = 230
    kinds[KINDS.index("efflorescence"), 100:103, 100:103] = 250  # a speck
    region = np.zeros((120, 160), np.uint8)
    region[20:60, 30:80] = 220
    return DamageSeen(kinds=kinds, region=region)


def test_an_area_becomes_a_polygon_with_its_hole_and_a_joint_a_line() -> None:
    found = {d.term: d for d in damages_of(_seen())}
    assert set(found) == {"black crust", "open joint"}
    crust = found["black crust"].shape_px
    truth = shapely.box(29.5, 19.5, 79.5, 59.5) - shapely.box(44.5, 34.5, 59.5, 44.5)
    assert crust.intersection(truth).area / crust.union(truth).area > 0.93
    joint = found["open joint"]
    assert joint.shape_px.geom_type == "LineString"
    assert joint.shape_px.length == pytest.approx(117, abs=6)
    assert joint.width_px == pytest.approx(4, abs=1)
    assert all(find_term(term) for term in found)


def test_a_click_takes_the_region_it_lies_in_with_the_likeliest_term() -> None:
    found = damage_at(_seen(), [(35, 25)])
    assert found is not None
    assert found.term == "black crust"
    assert damage_at(_seen(), [(150, 10)]) is None


def test_clicks_outside_take_away_from_the_region() -> None:
    rng = np.random.default_rng(4)
    rgb = np.full((192, 192, 3), 180, np.uint8)
    rgb[50:140, 30:165] = 45
    rgb = np.clip(rgb + rng.normal(0, 4, rgb.shape), 0, 255).astype(np.uint8)
    both = look_at_clicks(rgb, [(60, 95), (140, 95)]).region.astype(float)
    less = look_at_clicks(rgb, [(60, 95)], [(140, 95)]).region.astype(float)
    right = np.s_[80:110, 125:155]
    assert less[right].mean() < both[right].mean() - 40


@pytest.mark.parametrize(
    ("half_m", "looks"), [(0.3, 1), (0.45, 2), (0.9, 3)], ids=["near", "farther", "farthest"]
)
def test_damage_that_the_view_cuts_is_looked_at_from_farther(
    monkeypatch: pytest.MonkeyPatch, half_m: float, looks: int
) -> None:
    """Views are 256 px of 3, 6 and 12 mm: they end 0.38, 0.77 and 1.54 m from a click."""
    scales = []

    def look(view, inside, outside=(), relief_m=None):
        x, y = inside[0]
        scales.append(view.shape[0])
        half = half_m / (0.003, 0.006, 0.012)[len(scales) - 1]
        region = np.zeros(view.shape[:2], np.uint8)
        rows, columns = np.mgrid[0 : view.shape[0], 0 : view.shape[1]]
        region[(abs(rows - y) < half) & (abs(columns - x) < half)] = 240
        kinds = np.zeros((len(KINDS), *region.shape), np.uint8)
        kinds[1] = region
        return DamageSeen(kinds=kinds, region=region)

    monkeypatch.setattr("facademap.condition.damage_clicks.look_at_clicks", look)
    rgb = np.random.default_rng(1).integers(0, 255, (1200, 1200, 3)).astype(np.uint8)
    found = damage_clicked(rgb, [(600, 600)], [], gsd_m=0.004)
    assert len(scales) == looks
    assert found.term == KINDS[1]
    assert found.shape_px.area == pytest.approx((2 * half_m / 0.004) ** 2, rel=0.05)


@pytest.mark.parametrize(
    ("term", "times", "patch"),
    [
        ("efflorescence", 1.65, True),
        ("efflorescence", 1.35, False),
        ("black crust", 1.65, False),
    ],
)
def test_flecks_of_a_film_are_taken_for_their_patch_where_it_shows_much_more(
    monkeypatch: pytest.MonkeyPatch, term: str, times: float, patch: bool
) -> None:
    """The patch counts from one and a half times the area on, and for films alone."""
    near_px = 120  # of the picture, at 3 mm

    def look(view, inside, outside=(), relief_m=None):
        far = look.asked > 0
        look.asked += 1
        half = near_px / 2 * (times**0.5 * 0.003 / 0.0085 if far else 1)
        x, y = inside[0]
        rows, columns = np.mgrid[0 : view.shape[0], 0 : view.shape[1]]
        shown = (abs(rows - y) < half) & (abs(columns - x) < half)
        region = np.where(shown, 240, 0).astype(np.uint8)
        kinds = np.zeros((len(KINDS), *region.shape), np.uint8)
        kinds[KINDS.index(term)] = region
        return DamageSeen(kinds=kinds, region=region)

    look.asked = 0
    monkeypatch.setattr("facademap.condition.damage_clicks.look_at_clicks", look)
    rgb = np.random.default_rng(1).integers(0, 255, (900, 900, 3)).astype(np.uint8)
    found = damage_clicked(rgb, [(450, 450)], [], gsd_m=0.003)
    assert (found.shape_px.area > 1.2 * near_px**2) == patch
    assert look.asked == (2 if term == "efflorescence" else 1)


@pytest.mark.parametrize(
    ("seen", "taken"),
    [
        ([True, False, False], 0),  # cut near, and lost from farther: what was seen near counts
        ([False, True, False], 1),  # seen from farther only
    ],
)
def test_a_look_that_sees_nothing_undoes_none_that_saw_something(
    monkeypatch: pytest.MonkeyPatch, seen: list[bool], taken: int
) -> None:
    asked = []

    def look(view, inside, outside=(), relief_m=None):
        region = np.zeros(view.shape[:2], np.uint8)
        x, y = (int(v) for v in inside[0])
        if seen[len(asked)]:
            region[y - 40 : y + 40, (0 if taken == 0 else x - 40) : x + 40] = 240
        asked.append(view.shape)
        kinds = np.zeros((len(KINDS), *region.shape), np.uint8)
        kinds[1] = region
        return DamageSeen(kinds=kinds, region=region)

    monkeypatch.setattr("facademap.condition.damage_clicks.look_at_clicks", look)
    rgb = np.random.default_rng(1).integers(0, 255, (1200, 1200, 3)).astype(np.uint8)
    assert damage_clicked(rgb, [(600, 600)], [], gsd_m=0.003).term == KINDS[1]
    assert len(asked) == (3 if taken == 0 else 2)


def test_damage_that_ends_with_the_picture_is_not_looked_at_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    views = []

    def look(view, inside, outside=(), relief_m=None):
        views.append(view.shape)
        region = np.zeros(view.shape[:2], np.uint8)
        region[:, :90] = 240
        return DamageSeen(kinds=np.stack([region] * len(KINDS)), region=region)

    monkeypatch.setattr("facademap.condition.damage_clicks.look_at_clicks", look)
    rgb = np.random.default_rng(1).integers(0, 255, (180, 400, 3)).astype(np.uint8)
    damage_clicked(rgb, [(20, 90)], [], gsd_m=0.003)
    assert views == [(180, 149, 3)]


def test_the_relief_under_a_part_of_the_picture_lies_where_it_does_under_the_whole(
    tmp_path,
) -> None:
    surface = make_wall(tmp_path / "wall")
    cells = PixelGrid(left_m=-0.1, top_m=0.9, gsd_m=0.005, width_px=150, height_px=130)
    with open_relief_writer(
        tmp_path / "wall/relief.tif", cells, crs_wkt=wall_crs("Granary", "granary")
    ) as writer:
        out_m = np.random.default_rng(3).normal(0, 0.01, (130, 150)).astype(np.float32)
        writer.write_rows(0, out_m, out_m)
    told = {
        "path": "relief.tif",
        "survey": "1",
        "source": "scan",
        "sha256": "0" * 64,
        "cell_m": 0.005,
    }
    with Project.open(tmp_path / "wall") as project:
        assert relief_on(project, surface, cells) == (None, None)
        with project.edit(who="t", what="relief") as edit:
            edit.update("surfaces", surface, {"reliefs": [told]})
        whole = PixelGrid(left_m=-0.2, top_m=1.0, gsd_m=0.004, width_px=220, height_px=200)
        part = PixelGrid(
            left_m=-0.2 + 0.2, top_m=1.0 - 0.24, gsd_m=0.004, width_px=60, height_px=50
        )
        kept, over_all = relief_on(project, surface, whole)
        _, over_part = relief_on(project, surface, part)
        assert kept.path == "relief.tif"
        assert np.isfinite(over_part).all()
        np.testing.assert_allclose(over_part, over_all[60:110, 50:110], atol=1e-4)
        aside = PixelGrid(left_m=5.0, top_m=1.0, gsd_m=0.004, width_px=60, height_px=50)
        assert not np.isfinite(relief_on(project, surface, aside)[1]).any()


def test_a_click_on_nothing_says_so() -> None:
    plain = np.full((200, 200, 3), 128, np.uint8)
    with pytest.raises(GeometryError, match="nothing with a border"):
        damage_clicked(plain, [(100, 100)], [], gsd_m=0.004)


def test_a_picture_without_masonry_gives_no_proposal(tmp_path) -> None:
    ramp = np.linspace(60, 200, 240, dtype=np.uint8)
    rgb = np.stack([np.broadcast_to(ramp, (240, 240))] * 3, axis=2)
    Image.fromarray(rgb).save(tmp_path / "sky.png")
    out = tmp_path / "damage.geojson"
    done = CliRunner().invoke(
        main, ["propose-damage", "--photo", str(tmp_path / "sky.png"), "--out", str(out)]
    )
    assert done.exit_code == 0, done.output
    assert "no masonry was recognised" in done.output
    assert json.loads(out.read_text())["features"] == []


@pytest.mark.parametrize(
    "order",
    [
        ["propose-damage"],
        ["propose-damage", "--photo", "none.png"],
        ["propose-damage", "--photo", "none.png", "--out", "out.geojson"],
        ["tune-outlines", "nowhere"],
        ["tune-outlines", "nowhere", "--forget", "--surface", "x"],
    ],
)
def test_a_wrong_order_is_told_in_a_line(order, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, order)
    assert done.exit_code == 2
    assert "error:" in done.output
    assert not (tmp_path / "out.geojson").exists()


def test_what_confirmed_stones_teach_moves_the_answer_towards_them() -> None:
    rng = np.random.default_rng(1)
    number = np.zeros((80, 80), np.int32)
    number[5:35, 5:75], number[40:75, 5:75] = 1, 2
    features = rng.normal(0, 1, (16, 80, 80)).astype(np.float32)
    features[3] += 2 * (number > 0)
    maps = np.full((4, 80, 80), 0.5, np.float32)
    none = np.zeros((80, 80), bool)
    lesson = lesson_of(maps, features, number, none, none, rng)
    assert lesson is not None
    after = corrected(maps, features, fitted([lesson]))
    assert after[0][number > 0].mean() > 0.75
    assert after[0][36:39, 10:70].mean() < 0.4
    assert lesson_of(maps, features, 0 * number, none, none, rng) is None
