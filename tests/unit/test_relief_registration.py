"""Reliefs of two frames laid on each other by stable stone: against the motion that was really made, and refused where unsure."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from facademap.errors import InputError
from facademap.io.relief_files import open_relief_writer
from facademap.relief.build import Relief
from facademap.relief.change import change_in_patch
from facademap.relief.first_place import first_place, first_place_of_pictures
from facademap.relief.registration import Motion, register_reliefs
from facademap.tasks.survey.change import compare_reliefs
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from rendered_relief import ReliefWall, make_wall

GRID = PixelGrid(left_m=0.05, top_m=1.15, gsd_m=0.005, width_px=300, height_px=220)
OTHER = PixelGrid(left_m=-0.3, top_m=1.2, gsd_m=0.0045, width_px=327, height_px=257)
TURN = np.asarray(cv2.Rodrigues(np.array([0.004, -0.006, np.radians(2.3)]))[0])
#: From the frame of the later survey into that of the wall.
TRUE = Motion(turn=TURN, shift_m=np.array([0.35, -0.12, 0.013]))
STAY = Motion(turn=np.eye(3), shift_m=np.zeros(3))
LOSS, GROWTH_M = "L2", 0.005


def _surveyed(wall: ReliefWall, motion: Motion, grid: PixelGrid, seed: int) -> Relief:
    """The wall in a frame of its own, with noise that neighbours share."""
    j, i = np.meshgrid(np.arange(grid.width_px), np.arange(grid.height_px))
    uv, out = grid.wall_from_pixel(j, i), np.zeros((grid.height_px, grid.width_px))
    for _ in range(10):
        p = motion.moved(np.concatenate([uv, out[..., None]], axis=-1))
        out = out + (wall.depth_at(p[..., 0], p[..., 1]) - p[..., 2]) / motion.turn[2, 2]
    width, height = wall.size_m
    beside = (p[..., 0] < 0) | (p[..., 1] < 0) | (p[..., 0] > width) | (p[..., 1] > height)
    noise = np.random.default_rng(seed).normal(0, 0.0024, out.shape)
    out = np.where(beside, np.nan, out + cv2.GaussianBlur(noise, (0, 0), 1.2))
    sigma = np.where(beside, np.nan, 0.0008)
    return Relief(grid=grid, out_m=out.astype(np.float32), sigma_m=sigma.astype(np.float32))


@pytest.fixture(scope="module")
def wall() -> ReliefWall:
    return make_wall(60, width_m=1.6, height_m=1.2, step_m=0.0025)


@pytest.fixture(scope="module")
def surveys(wall: ReliefWall) -> tuple[Relief, Relief]:
    """Before and after a loss has grown, the later one in a frame that was fitted anew."""
    w_m = wall.w_m.copy()
    w_m[wall.losses[LOSS]] -= GROWTH_M
    later = dataclasses.replace(wall, w_m=w_m)
    return _surveyed(wall, STAY, GRID, 1), _surveyed(later, TRUE, OTHER, 2)


def _written(path: Path, relief: Relief, control: dict[str, tuple[float, ...]]) -> Path:
    with open_relief_writer(
        path, relief.grid, crs_wkt=wall_crs("w", path.stem), control_m=control
    ) as writer:
        writer.write_rows(0, relief.out_m, relief.sigma_m)
    return path


def test_the_motion_between_two_surveys_is_found(surveys: tuple[Relief, Relief]) -> None:
    old, new = surveys
    found = register_reliefs(old, new)
    places = np.array([[u, v, 0.0] for u in (0.2, 1.4) for v in (0.2, 1.0)])
    miss = found.motion.moved(TRUE.inverse().moved(places)) - places
    assert np.abs(miss[:, :2]).max() < 0.0005
    assert np.abs(miss[:, 2]).max() < 0.0002
    assert 0 < found.along_m < 0.0015
    assert 0 < found.out_m < 0.0003
    assert found.agree_share > 0.85
    assert "four parts of the wall fitted apart" in found.words()
    assert found.relief.grid == old.grid


def test_files_of_two_frames_are_compared_and_the_growth_is_found(
    surveys: tuple[Relief, Relief], wall: ReliefWall, tmp_path: Path
) -> None:
    places = np.array([[u, v, 0.0] for u in (0.2, 1.4) for v in (0.2, 1.0)])
    names = [f"T{n}" for n in range(4)]
    files = []
    for name, relief, motion in zip(("old", "new"), surveys, (STAY, TRUE), strict=True):
        control = dict(zip(names, map(tuple, motion.inverse().moved(places)), strict=True))
        files.append(_written(tmp_path / f"{name}.tif", relief, control))
    with pytest.raises(InputError, match="the frame was fitted anew"):
        compare_reliefs(*files, tmp_path / "c.tif", register=False)
    done = compare_reliefs(*files, tmp_path / "c.tif")
    assert done.registered is not None
    assert any("laid on new.tif by stable stone" in w for w in done.warnings)
    # the frame is that of the newer survey
    grid = done.change.difference.grid
    assert grid == OTHER
    j, i = np.meshgrid(np.arange(grid.width_px), np.arange(grid.height_px))
    at = TRUE.moved(np.concatenate([grid.wall_from_pixel(j, i), 0.0 * i[..., None]], axis=-1))
    row = np.clip(((wall.size_m[1] - at[..., 1]) / wall.step_m).astype(int), 0, None)
    column = np.clip((at[..., 0] / wall.step_m).astype(int), 0, None)
    rows, columns = wall.w_m.shape
    within = np.minimum(row, rows - 1), np.minimum(column, columns - 1)
    for name, mask in wall.losses.items():
        patch = change_in_patch(done.change, mask[within], outlines=len(wall.losses))
        assert patch.significant is (name == LOSS)
        expected = -GROWTH_M if name == LOSS else 0.0
        # its rim is a steep one
        assert patch.mean_change_m == pytest.approx(expected, abs=0.0006)


def test_features_of_the_pictures_tell_where_to_begin(wall: ReliefWall) -> None:
    pictures = []
    for grid, motion, light in ((GRID, STAY, 1.0), (OTHER, TRUE, 0.8)):
        j, i = np.meshgrid(np.arange(grid.width_px), np.arange(grid.height_px))
        p = motion.moved(np.concatenate([grid.wall_from_pixel(j, i), 0.0 * i[..., None]], axis=-1))
        x = (p[..., 0] / wall.step_m - 0.5).astype(np.float32)
        y = ((wall.size_m[1] - p[..., 1]) / wall.step_m - 0.5).astype(np.float32)
        grey = 255 * light * cv2.remap(wall.albedo, x, y, cv2.INTER_LINEAR, borderValue=0.0)
        pictures.append((grid, np.clip(grey, 0, 255).astype(np.uint8)))
    start = first_place_of_pictures(*pictures)
    assert np.degrees(start.turn) == pytest.approx(2.3, abs=0.1)
    assert (start.du_m, start.dv_m) == pytest.approx((0.35, -0.12), abs=0.002)
    assert "features of their pictures" in start.said
    noise = np.random.default_rng(0).integers(1, 255, pictures[1][1].shape).astype(np.uint8)
    with pytest.raises(InputError, match="features in common"):
        first_place_of_pictures(pictures[0], (pictures[1][0], noise))


def test_what_is_not_sure_is_refused(surveys: tuple[Relief, Relief]) -> None:
    old, _ = surveys
    other = _surveyed(make_wall(61, width_m=1.6, height_m=1.2, step_m=0.0025), STAY, GRID, 3)
    flat = Relief(
        grid=GRID,
        out_m=np.random.default_rng(4).normal(0, 0.001, old.out_m.shape).astype(np.float32),
        sigma_m=np.full(old.out_m.shape, 0.001, np.float32),
    )
    # courses and perpends that repeat look alike one stone further on
    row, column = np.mgrid[0:220, 0:300]
    even = np.where((row % 40 < 2) | (column % 80 < 2), -0.006, 0.0)
    rng = np.random.default_rng(5)
    courses = [
        dataclasses.replace(flat, out_m=(even + rng.normal(0, 5e-4, even.shape)).astype(np.float32))
        for _ in range(2)
    ]
    for pair, words in (
        ((old, other), "look alike nowhere"),
        ((old, flat), "look alike nowhere"),
        ((flat, dataclasses.replace(flat, out_m=flat.out_m[::-1].copy())), "look alike nowhere"),
        (tuple(courses), "look alike at several places"),
    ):
        with pytest.raises(InputError, match=words) as refused:
            register_reliefs(*pair)
        assert "three points" in refused.value.remedy


def test_too_little_that_agrees_is_refused_from_a_right_start(
    surveys: tuple[Relief, Relief],
) -> None:
    """Where it lies is known, so that what decides is how much of the wall is as it was."""
    old, new = surveys
    start = first_place(old, new)
    assert register_reliefs(old, new, start=start).agree_share > 0.85
    far = np.arange(OTHER.width_px)[None, :] * np.ones((OTHER.height_px, 1))
    # four tenths of the wall were rendered anew in between, by a hand that leaves waves
    waves = cv2.GaussianBlur(np.random.default_rng(8).normal(0, 1, new.out_m.shape), (0, 0), 6)
    coat = np.where(far > 0.55 * OTHER.width_px, 0.012 + 0.006 * waves / waves.std(), 0.0)
    rendered = dataclasses.replace(new, out_m=(new.out_m + coat).astype(np.float32))
    with pytest.raises(InputError, match="of the cells of the surveys agree"):
        register_reliefs(old, rendered, start=start)


@pytest.mark.parametrize(("shared", "told"), [(0.28, "only 27% of the wall in common"), (0.35, "")])
def test_surveys_that_share_less_than_three_tenths_are_not_laid_on_each_other(
    wall: ReliefWall, shared: float, told: str
) -> None:
    """Strips of one wall that overlap: on both sides of the limit, all else alike."""
    strip = dataclasses.replace(GRID, width_px=150)
    beside = dataclasses.replace(strip, left_m=strip.left_m + 0.75 * (1 - shared))
    old, new = _surveyed(wall, STAY, strip, 1), _surveyed(wall, STAY, beside, 2)
    if told:
        with pytest.raises(InputError, match=told):
            register_reliefs(old, new)
    else:
        assert register_reliefs(old, new).agree_share > 0.9
