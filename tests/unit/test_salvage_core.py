"""Rectangles, appearance, likeness, stock rules and the piece seen in the wall."""

from __future__ import annotations

import json
import time

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from facademap.errors import GeometryError, InputError
from facademap.photo.lab import lab_from_srgb, srgb_from_lab
from facademap.salvage.appearance import Appearance, describe_neighbourhood, measure_appearance
from facademap.salvage.likeness import LikenessWeights, appearance_distance, appearance_distances
from facademap.salvage.preview import best_five_sheet, set_into_wall, side_by_side
from facademap.salvage.rectangles import largest_rectangle, sound_area_m2, sound_part
from facademap.salvage.stock import (
    Face,
    Flaw,
    donor_face,
    judge_acceptance,
    unusable_because,
)


def _random_face(seed: int) -> tuple[np.ndarray, list[np.ndarray]]:
    """A convex or concave face of whole millimetres with up to three flaws."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 10))
    turn = np.sort(rng.uniform(0, 2 * np.pi, n)) * 0.2 + np.arange(n) / n * 2 * np.pi * 0.8
    radius = rng.uniform(0.55, 1.0, n)
    outline = (
        np.round(np.column_stack([300 * radius * np.cos(turn), 180 * radius * np.sin(turn)])) / 1000
    )
    flaws = []
    for _ in range(int(rng.integers(0, 4))):
        x, y = rng.uniform(-0.12, 0.12), rng.uniform(-0.07, 0.07)
        w, h = rng.uniform(0.005, 0.05, 2)
        flaws.append(
            np.array(
                [(x, y), (x + w, y + 0.2 * h), (x + 0.8 * w, y + h), (x - 0.1 * w, y + 0.7 * h)]
            )
        )
    return outline, flaws


def _brute_force(part: shapely.Geometry, proportion: float | None, n: int = 90) -> float:
    """Largest rectangle made of the cells of a fine grid: never larger than the truth."""
    x0, y0, x1, y1 = part.bounds
    xs, ys = np.linspace(x0, x1, n + 1), np.linspace(y0, y1, n + 1)
    cells = shapely.box(xs[:-1, None], ys[None, :-1], xs[1:, None], ys[None, 1:])
    shapely.prepare(part)
    inside = shapely.contains(part, cells)
    best = 0.0
    for i in range(n):
        run = np.ones(n, bool)
        for j in range(i, n):
            run &= inside[j]
            if not run.any():
                break
            edges = np.flatnonzero(np.diff(np.r_[0, run.astype(int), 0]))
            height = (edges[1::2] - edges[::2]).max() * (ys[1] - ys[0])
            width = (j - i + 1) * (xs[1] - xs[0])
            if proportion is not None:
                width = min(width, proportion * height)
                height = width / proportion
            best = max(best, width * height)
    return best


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), proportion=st.sampled_from([None, 0.7, 1.6]))
def test_largest_rectangle_against_brute_force(seed: int, proportion: float | None) -> None:
    outline, flaws = _random_face(seed)
    if not shapely.Polygon(outline).is_valid:
        return
    flaws = [
        f
        for f in flaws
        if shapely.Polygon(f).is_valid and shapely.Polygon(f).intersects(shapely.Polygon(outline))
    ]
    part = sound_part(outline, flaws)
    found = largest_rectangle(outline, flaws, proportion=proportion)
    box = shapely.box(found.x_m, found.y_m, found.x_m + found.width_m, found.y_m + found.height_m)
    assert box.difference(part).area <= 1e-9 * box.area
    assert found.area_m2 >= 0.995 * _brute_force(part, proportion)
    if proportion is not None:
        assert found.width_m / found.height_m == pytest.approx(proportion)


def test_rectangle_of_a_known_face_and_a_flaw_in_it() -> None:
    face = np.array([(0, 0), (0.6, 0), (0.6, 0.3), (0, 0.3)])
    assert largest_rectangle(face).area_m2 == pytest.approx(0.18, rel=1e-6)
    hole = np.array([(0.2, 0.1), (0.25, 0.1), (0.25, 0.2), (0.2, 0.2)])
    assert largest_rectangle(face, [hole]).area_m2 == pytest.approx(0.35 * 0.3, rel=1e-3)
    assert sound_area_m2(face, [hole]) == pytest.approx(0.18 - 0.005)
    with pytest.raises(GeometryError, match="outside its face"):
        sound_area_m2(face, [hole + 2])
    with pytest.raises(GeometryError, match="nothing of the face is sound"):
        largest_rectangle(face, [face])


def _stone(
    seed: int, lab: tuple[float, float, float] = (65, 4, 18), scatter: float = 3.0
) -> np.ndarray:
    rng = np.random.default_rng(seed)
    values = np.array(lab) + scatter * rng.standard_normal((160, 200, 1)) * [1.0, 0.1, 0.3]
    return np.round(srgb_from_lab(values) * 255).astype(np.uint8)


def test_moments_agree_with_numpy() -> None:
    stone = _stone(1)
    lab = lab_from_srgb(stone).reshape(-1, 3)
    found = measure_appearance(stone)
    assert found.lab == pytest.approx(lab.mean(axis=0), abs=1e-9)
    assert found.covariance == pytest.approx(np.cov(lab.T), abs=1e-9)
    assert found.n == len(lab)
    assert found.lab == pytest.approx((65, 4, 18), abs=0.3)


def test_record_round_trip_is_plain_json() -> None:
    found = measure_appearance(
        _stone(2), gsd_m=0.001, finish="tooled", weathered=True, calibrated=True
    )
    again = Appearance.from_record(json.loads(json.dumps(found.as_record())))
    assert appearance_distance(found, again).total == pytest.approx(0, abs=0.01)
    assert (again.finish, again.weathered, again.calibrated) == ("tooled", True, True)
    with pytest.raises(InputError, match="version"):
        Appearance.from_record({"version": 99})


def test_parts_of_a_distance_add_up_and_states_are_flagged() -> None:
    a = measure_appearance(
        _stone(3), calibrated=True, finish="sawn", wetness="dry", weathered=False
    )
    b = measure_appearance(
        _stone(4, lab=(55, 6, 22), scatter=5),
        calibrated=False,
        finish="tooled",
        wetness="wet",
        weathered=True,
    )
    w = LikenessWeights(mean=1.0, spread=2.0, distribution=0.0, grain=0.5)
    d = appearance_distance(a, b, weights=w)
    assert d.total == pytest.approx(d.mean + 2 * d.spread + 0.5 * d.grain)
    assert d.rank_only
    assert [
        word
        for word in ("dry", "finish", "weathered", "calibrated")
        if not any(word in f for f in d.flags)
    ] == []
    same = appearance_distance(a, a)
    assert same.total == 0
    assert not same.rank_only
    assert same.flags == ()
    matrix = appearance_distances([a, b], [b, a, a], weights=w)
    assert matrix == pytest.approx(np.array([[d.total, 0, 0], [0, d.total, d.total]]), abs=1e-4)


def test_neighbourhood_leaves_out_hole_joints_and_shadow() -> None:
    wall = _stone(5, lab=(70, 3, 15))
    wall[60:100, 80:120] = (10, 200, 10)  # the decay itself
    wall[:, 40:43] = (230, 230, 230)  # a joint
    wall[110:118] = (8, 8, 10)  # a deep shadow
    hole = np.zeros(wall.shape[:2], bool)
    hole[60:100, 80:120] = True
    joint = np.zeros_like(hole)
    joint[:, 39:44] = True
    found = describe_neighbourhood(wall, hole, gsd_m=0.002, left_out=joint, ring_m=0.1)
    assert found.lab == pytest.approx((70, 3, 15), abs=0.5)
    with pytest.raises(InputError, match="sound stone"):
        describe_neighbourhood(wall, hole, gsd_m=0.002, left_out=np.ones_like(hole))


def test_acceptance_comes_before_matching() -> None:
    done = dict.fromkeys(("sounded", "salts", "old iron", "residues", "absorption"), "pass")
    assert judge_acceptance(done)[0] == "accepted"
    assert judge_acceptance({**done, "salts": "fail"})[0] == "rejected"
    state, reasons = judge_acceptance({"sounded": "pass"})
    assert state == "to test"
    assert len(reasons) == 4
    with pytest.raises(InputError, match="unknown"):
        judge_acceptance({"smell": "pass"})
    face = Face(outline_m=np.array([(0, 0), (0.4, 0), (0.4, 0.3), (0, 0.3)]), usable_depth_m=0.2)
    assert "bed is unknown" in str(
        unusable_because(state="available", acceptance="accepted", kind="sandstone", faces=[face])
    )
    assert (
        unusable_because(state="available", acceptance="accepted", kind="granite", faces=[face])
        is None
    )
    assert "to test" in str(
        unusable_because(state="available", acceptance="to test", kind="granite", faces=[face])
    )


def test_a_shallow_flaw_reaches_the_front_layer_only() -> None:
    crack = Flaw(
        kind="crack", ring_m=np.array([(0.5, 0.1), (0.55, 0.1), (0.55, 0.2)]), depth_m=0.02
    )
    assert crack.reaches(0.0, 0.05)
    assert not crack.reaches(0.05, 0.1)


def test_donor_yields_its_sound_part() -> None:
    stone = np.array([(10, 5), (10.6, 5), (10.6, 5.3), (10, 5.3)])
    decay = np.array([(10, 5), (10.2, 5), (10.2, 5.3), (10, 5.3)])
    face = donor_face(stone, [decay], depth_m=0.2, cut_back_m=0.02, parent="S7")
    assert np.ptp(face.outline_m, axis=0) == pytest.approx((0.38, 0.3))
    with pytest.raises(GeometryError, match="nothing sound"):
        donor_face(stone, [stone], depth_m=0.2, cut_back_m=0.02)


def test_piece_in_the_wall_keeps_its_tone_and_its_joint() -> None:
    wall = np.full((300, 400, 3), (150, 140, 120), np.uint8)
    face = np.full((600, 800, 3), (90, 60, 50), np.uint8)
    face[:, 400:] = (200, 180, 160)
    hole = np.array([(100, 80), (300, 80), (300, 220), (100, 220)], dtype=float)
    piece = np.array([(104, 84), (296, 84), (296, 216), (104, 216)], dtype=float)
    matrix = np.array(
        [[2.0, 0, -10], [0, 2.0, 0], [0, 0, 1]]
    )  # x = 205 of the wall is the change of tone
    start = time.perf_counter()
    after = set_into_wall(
        wall, cut_out_px=hole, piece_px=piece, face=face, face_from_elevation=matrix
    )
    assert time.perf_counter() - start < 0.5
    assert tuple(after[150, 150]) == (90, 60, 50)
    assert tuple(after[150, 260]) == (200, 180, 160)
    assert tuple(after[10, 10]) == (150, 140, 120)
    assert (
        np.abs(after[150, 102].astype(int) - np.round(srgb_from_lab((70, 2, 9)) * 255)).max() <= 1
    )
    edge = after[150, 195:215].astype(int).mean(axis=1)
    assert 195 + np.flatnonzero(edge > 122)[0] == pytest.approx(205, abs=1)
    with pytest.raises(InputError, match="runs off"):
        set_into_wall(
            wall, cut_out_px=hole, piece_px=piece, face=face[:100, :100], face_from_elevation=matrix
        )
    assert side_by_side(wall, after).shape == (300, 812, 3)
    sheet = best_five_sheet(wall, [("B1  1.2", after), ("B2  2.0", after)])
    assert sheet.shape[2] == 3
    assert sheet.shape[1] == 3 * 420


@pytest.mark.parametrize(
    ("source_gsd_m", "coarse"), [(0.0005, False), (0.004, True), (None, False)]
)
def test_a_coarse_elevation_is_said_when_compared(source_gsd_m: float | None, coarse: bool) -> None:
    rng = np.random.default_rng(4)
    rgb = np.clip(
        150 + cv2.GaussianBlur(rng.normal(0, 60, (120, 120)), (0, 0), 2.0)[..., None] + np.zeros(3),
        0,
        255,
    ).astype(np.uint8)
    wall = measure_appearance(rgb, gsd_m=0.003, source_gsd_m=source_gsd_m, calibrated=True)
    face = measure_appearance(rgb, gsd_m=0.003, calibrated=True)
    assert any("too coarse" in f for f in appearance_distance(wall, face).flags) is coarse
    assert Appearance.from_record(wall.as_record()).source_gsd_m == source_gsd_m
