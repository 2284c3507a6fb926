"""Damage proposed from the picture: regions and lines from what is seen, nothing without masonry, no plan before a person looked."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from PIL import Image

from facademap.cli.main import main
from facademap.condition.damage_net import KINDS, DamageSeen, look_at_clicks
from facademap.condition.damage_regions import damage_at, damages_of
from facademap.condition.glossary import find_term
from facademap.condition.wall_tuning import corrected, fitted, lesson_of
from facademap.errors import GeometryError
from facademap.tasks.survey.propose_damage import damage_clicked


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
