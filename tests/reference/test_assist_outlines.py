"""Outlines from one click against real photographs and rendered masonry with known borders.

``coins`` and ``brick`` come with scikit-image (``skimage.data``); the truth for the coins is the marker watershed on the Sobel gradient of the scikit-image user guide, "Comparing edge-based and region-based segmentation".
"""

from __future__ import annotations

import itertools
import time
from typing import Any

import cv2
import numpy as np
import pytest
from scipy import ndimage
from skimage import data
from skimage.filters import sobel, threshold_otsu
from skimage.segmentation import watershed

from facademap.condition.assist import outline_at
from facademap.condition.assist_course import find_course
from facademap.condition.assist_lines import follow_line
from facademap.errors import GeometryError, InputError


def _overlap(ring: np.ndarray, truth: np.ndarray) -> float:
    mask = np.zeros(truth.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
    return float((mask.astype(bool) & truth).sum() / (mask.astype(bool) | truth).sum())


def _coin_masks(picture: np.ndarray) -> list[np.ndarray]:
    markers = np.where(picture < 30, 1, np.where(picture > 150, 2, 0))
    filled = ndimage.binary_fill_holes(watershed(sobel(picture), markers) - 1)
    labels, number = ndimage.label(ndimage.binary_opening(filled, iterations=2))
    masks = [labels == i for i in range(1, number + 1)]
    return [mask for mask in masks if mask.sum() >= 700]


def test_coins_are_outlined_from_a_click_in_their_middle() -> None:
    picture = data.coins()
    rgb = np.repeat(picture[..., None], 3, axis=2)
    masks = _coin_masks(picture)
    assert len(masks) >= 20
    overlaps = []
    for mask in masks:
        row, column = ndimage.center_of_mass(mask)
        overlaps.append(_overlap(outline_at(rgb, column, row), mask))
    assert np.mean(overlaps) > 0.90
    assert np.min(overlaps) > 0.85


def _ashlar(seed: int, *, joint_px: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """Coursed ashlar of mixed stone, and the number of the stone at each pixel (0 in joints)."""
    rng = np.random.default_rng(seed)
    height, width = 700, 900
    rgb, stones = (
        np.full((height, width, 3), (112, 106, 98), np.float32),
        np.zeros((height, width), int),
    )
    top, number = 0, 0
    while top < height:
        course, left = int(rng.uniform(70, 110)), -int(rng.uniform(0, 90))
        while left < width:
            length, number = int(rng.uniform(100, 190)), number + 1
            part = np.s_[
                top : top + course - joint_px, max(left, 0) : max(left + length - joint_px, 0)
            ]
            rgb[part] = np.array([176, 166, 146]) + rng.normal(0, 9) + rng.normal(0, 3, 3)
            stones[part] = number
            left += length
        top += course
    grain = sum(
        cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), s) * s * 2
        for s in (0.8, 2.5)
    )
    return np.clip(rgb + np.asarray(grain)[..., None] * 1.5, 0, 255).astype(np.uint8), stones


@pytest.mark.parametrize("seed", [1, 2])
def test_ashlar_is_outlined_from_a_click_away_from_the_middle(seed: int) -> None:
    rgb, stones = _ashlar(seed)
    rng = np.random.default_rng(seed)
    inside = [
        i for i in np.unique(stones[90:-90, 120:-120]) if i and not _touches_frame(stones == i)
    ]
    overlaps = []
    for number in rng.permutation(inside)[:10]:
        rows, columns = np.nonzero(stones == number)
        x = columns.min() + np.ptp(columns) * rng.uniform(0.3, 0.7)
        y = rows.min() + np.ptp(rows) * rng.uniform(0.3, 0.7)
        overlaps.append(_overlap(outline_at(rgb, x, y), stones == number))
    assert np.mean(overlaps) > 0.92


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_stroke_along_a_course_gives_its_stones_and_no_others(seed: int) -> None:
    rgb, stones = _ashlar(seed)
    numbers = [i for i in np.unique(stones[:, 450]) if i]
    course_rows, _ = np.nonzero(stones == numbers[len(numbers) // 2])
    row = float(course_rows.mean())
    rng = np.random.default_rng(seed)
    x = np.linspace(200, 700, 6)
    found = find_course(
        rgb, list(zip(x, row + rng.uniform(-8, 8, 6), strict=True)), outline=outline_at
    )
    under = [i for i in np.unique(stones[int(row), 200:700]) if i]
    truth = [
        stones == i
        for i in under
        if not _touches_frame(stones == i)
        and (stones[int(row), 200:700] == i).sum() > 0.4 * (stones[int(row)] == i).sum()
    ]
    best = [max(_overlap(ring, mask) for ring in found) for mask in truth]
    assert len(truth) >= 3
    assert np.mean(np.array(best) >= 0.85) >= 0.8
    assert len(found) <= len(under) + 1


def test_a_course_that_leans_is_found_as_a_level_one() -> None:
    rgb, stones = _ashlar(2)
    turn = cv2.getRotationMatrix2D((450.0, 350.0), 14.0, 1.0)
    size = (rgb.shape[1], rgb.shape[0])
    leaning = cv2.warpAffine(rgb, turn, size, borderMode=cv2.BORDER_REPLICATE)
    turned = cv2.warpAffine(stones.astype(np.float32), turn, size, flags=cv2.INTER_NEAREST)
    numbers = [i for i in np.unique(stones[:, 450]) if i]
    row = float(np.nonzero(stones == numbers[len(numbers) // 2])[0].mean())
    stroke = [tuple(turn @ (x, row, 1.0)) for x in np.linspace(280, 620, 5)]
    found = find_course(leaning, stroke, outline=outline_at)
    under = {int(i) for i in stones[int(row), 330:570] if i}
    best = [max(_overlap(ring, turned == i) for ring in found) for i in under]
    assert np.mean(np.array(best) >= 0.8) >= 0.7, best


def test_the_stones_of_an_arch_are_found_along_a_bent_stroke() -> None:
    """Voussoirs of 12 degrees round a centre below the picture, as rendered as the coursed wall."""
    rng = np.random.default_rng(5)
    rows, columns = np.mgrid[0:520, 0:900]
    centre = (450.0, 560.0)
    out = np.hypot(columns - centre[0], rows - centre[1])
    angle = np.degrees(np.arctan2(centre[1] - rows, columns - centre[0]))
    rgb = np.full((520, 900, 3), (112, 106, 98), np.float32)
    stones = np.zeros((520, 900), int)
    for ring, (low, high) in enumerate(((250.0, 340.0), (344.0, 430.0), (150.0, 246.0))):
        for k in range(15):
            part = (out > low) & (out < high) & (angle > 12 * k + 0.5) & (angle < 12 * k + 11.5)
            rgb[part] = np.array([176, 166, 146]) + rng.normal(0, 9) + rng.normal(0, 3, 3)
            stones[part] = 100 * ring + k + 1
    grain = cv2.GaussianBlur(rng.normal(0, 1, (520, 900)).astype(np.float32), (0, 0), 2.5) * 7
    rgb = np.clip(rgb + grain[..., None], 0, 255).astype(np.uint8)
    at = np.radians(np.linspace(150, 30, 9))
    stroke = [(centre[0] + 296 * np.cos(a), centre[1] - 296 * np.sin(a)) for a in at]
    found = find_course(rgb, stroke, outline=outline_at)
    best = [max(_overlap(ring, stones == k) for ring in found) for k in range(4, 13)]
    assert np.mean(np.array(best) >= 0.75) >= 0.8, best
    assert len(found) <= 13


def test_a_stroke_that_turns_back_or_leaves_the_picture_is_refused() -> None:
    rgb, _ = _ashlar(1)
    for stroke in (
        [(200.0, 300.0), (600.0, 300.0), (300.0, 300.0), (650.0, 300.0)],
        [(200.0, 300.0), (1600.0, 300.0)],
        [],
    ):
        with pytest.raises(InputError):
            find_course(rgb, stroke, outline=outline_at)


def _touches_frame(mask: np.ndarray) -> bool:
    return bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())


def test_bricks_of_a_photograph_are_outlined() -> None:
    """Truth: dark parts between the pale joints by Otsu's threshold, those of the size of one brick."""
    picture = data.brick()
    rgb: Any = np.repeat(picture[..., None], 3, axis=2)
    dark = ndimage.binary_opening(
        cv2.GaussianBlur(picture, (0, 0), 1.0) < threshold_otsu(picture), iterations=2
    )
    labels, number = ndimage.label(dark)
    bricks = [labels == i for i in range(1, number + 1)]
    bricks = [b for b in bricks if 1500 < b.sum() < 5000 and not _touches_frame(b)]
    assert len(bricks) >= 6
    overlaps = []
    for mask in bricks[:10]:
        row, column = ndimage.center_of_mass(mask)
        overlaps.append(_overlap(outline_at(rgb, column, row), mask))
    assert np.mean(overlaps) > 0.85


def test_a_crack_is_followed_within_two_pixels() -> None:
    """A wandering crack in grained stone, known to the pixel; clicks at its ends and in its middle."""
    rng = np.random.default_rng(4)
    x = np.arange(40, 560)
    y = 200 + np.cumsum(
        cv2.GaussianBlur(rng.normal(0, 2.2, (len(x), 1)).astype(np.float32), (0, 0), 3)[:, 0]
    )
    rgb = (
        np.full((400, 600, 3), 165, np.float32)
        + cv2.GaussianBlur(rng.normal(0, 14, (400, 600)), (0, 0), 1.0)[..., None]
    )
    canvas = np.zeros((400, 600), np.uint8)
    cv2.polylines(
        canvas, [np.column_stack([x, y]).round().astype(np.int32)], False, 255, 2, cv2.LINE_AA
    )
    rgb -= 55 * (canvas / 255.0)[..., None]
    clicks = [(float(x[k]), float(y[k])) for k in (0, 260, 519)]
    line = follow_line(np.clip(rgb, 0, 255).astype(np.uint8), clicks)
    dense = np.concatenate([np.linspace(a, b, 30) for a, b in itertools.pairwise(line)])
    away = np.min(np.hypot(x[:, None] - dense[None, :, 0], y[:, None] - dense[None, :, 1]), axis=1)
    assert np.mean(away <= 2.0) >= 0.75


#: Bricks of ``skimage.data.brick`` and stones of ``skimage.data.gravel``, drawn by hand on the enlarged pictures.
_BRICKS = [
    [(191, 133), (217, 133), (217, 231.5), (189, 231.5)],
    [(223.5, 156.5), (252, 156.5), (253, 258.5), (223.5, 258.5)],
    [(123.8, 133.5), (152.5, 133.5), (150, 178), (120, 178.5)],
    [(291.6, 158), (320, 158), (326, 260.5), (296, 260.5)],
    [(119.5, 184), (149.5, 184), (145.5, 290.5), (114, 290.5)],
]
_GRAVEL = [
    [(49, 219), (56, 212.5), (71, 214.5), (74, 222), (62, 229), (51, 227)],
    [(161, 122), (167.5, 117), (182, 119.5), (192, 124), (187.5, 135), (177, 138), (163, 128)],
    [(103, 155), (112.5, 148), (126, 149), (126, 156), (115, 162), (107, 160)],
    [(145.5, 157), (155, 148.5), (169, 151), (182, 164), (172, 169), (155, 165)],
    [(57.5, 204), (60.5, 194.5), (67, 189), (74.5, 199), (71.5, 208.5), (61, 209)],
    [(234, 10.5), (241.5, 7), (250, 8), (252, 17.5), (245, 32), (237, 26)],
]


@pytest.mark.parametrize(
    ("name", "drawn", "least"), [("brick", _BRICKS, 0.85), ("gravel", _GRAVEL, 0.6)]
)
def test_outlines_drawn_by_hand_are_met_from_one_click(
    name: str, drawn: list[list[tuple[float, float]]], least: float
) -> None:
    rgb = np.repeat(getattr(data, name)()[..., None], 3, axis=2)
    overlaps = []
    for corners in drawn:
        truth = np.zeros(rgb.shape[:2], np.uint8)
        cv2.fillPoly(truth, [np.round(np.array(corners) * 16).astype(np.int32)], 1, shift=4)
        row, column = ndimage.center_of_mass(truth)
        overlaps.append(_overlap(outline_at(rgb, column, row), truth > 0))
    assert np.mean(overlaps) > least


def test_a_click_on_a_hole_in_a_stone_gives_the_hole() -> None:
    """A stone that has lost a piece, in shadow."""
    rgb, stones = _ashlar(2)
    sizes = {
        i: (stones == i).sum() for i in np.unique(stones) if i and not _touches_frame(stones == i)
    }
    number = max(sizes, key=lambda i: sizes[i])
    rows, columns = np.nonzero(stones == number)
    hole = np.zeros(stones.shape, np.uint8)
    centre = (int(columns.min() + 0.7 * np.ptp(columns)), int(rows.mean()))
    cv2.ellipse(hole, centre, (22, 17), 20, 0, 360, 1, -1)
    soft = cv2.GaussianBlur(hole.astype(np.float32), (0, 0), 0.8)[..., None]
    picture = np.clip(rgb * (1 - 0.75 * soft), 0, 255).astype(np.uint8)
    assert _overlap(outline_at(picture, *centre), hole > 0) > 0.8


@pytest.mark.parametrize("shape", [(1, 1), (3, 40), (40, 3), (9, 9), (64, 64)])
def test_small_and_plain_pictures_give_an_outline_inside_or_say_that_there_is_none(
    shape: tuple[int, int],
) -> None:
    for rgb in (
        np.full((*shape, 3), 128, np.uint8),
        np.random.default_rng(1).integers(0, 256, (*shape, 3), dtype=np.uint8),
    ):
        for x, y in ((0.0, 0.0), (shape[1] - 1.0, shape[0] - 1.0), (shape[1] / 2, shape[0] / 2)):
            try:
                ring = outline_at(rgb, x, y)
            except GeometryError:
                continue
            assert len(ring) >= 3
            assert (ring >= 0).all()
            assert (ring <= [shape[1] - 1, shape[0] - 1]).all()


def _crack(rng: np.random.Generator, length: int) -> np.ndarray:
    """A line that wanders about a direction, one place a pixel."""
    turn, angle = np.zeros(length), 0.0
    for k in range(length):
        angle += -0.06 * angle + 0.16 * rng.normal()
        turn[k] = 0.35 + angle
    return np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]), axis=0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_hair_crack_across_joints_is_followed_from_two_clicks_beside_it(seed: int) -> None:
    """Ashlar with dark joints, a crack one pixel wide over several stones, both clicks up to 3 px off it."""
    rng = np.random.default_rng(seed)
    rgb, _ = _ashlar(seed)
    crack = _crack(rng, 420) + np.array([180, 150])
    drawn = np.zeros(rgb.shape[:2], np.uint8)
    cv2.polylines(drawn, [np.round(crack * 16).astype(np.int32)], False, 255, 1, cv2.LINE_AA, 4)
    picture = np.clip(
        rgb * (1 - 0.5 * (cv2.GaussianBlur(drawn, (0, 0), 0.5) / 255.0)[..., None]), 0, 255
    ).astype(np.uint8)
    ends = [tuple(crack[k] + rng.uniform(-2.0, 2.0, 2)) for k in (2, -3)]
    line = follow_line(picture, ends)
    dense = np.concatenate([np.linspace(a, b, 30) for a, b in itertools.pairwise(line)])
    away = np.min(
        np.hypot(crack[:, :1] - dense[None, :, 0], crack[:, 1:] - dense[None, :, 1]), axis=1
    )
    assert np.mean(away <= 2.0) >= 0.75


def test_a_two_megapixel_view_answers_quickly() -> None:
    """CPU time of one click, generously bounded so that a loaded machine does not fail it."""
    rgb = np.tile(_ashlar(3)[0], (2, 2, 1))[:1250, :1600]
    outline_at(rgb, 450, 400)
    start = time.process_time()
    outline_at(rgb, 620, 330)
    assert time.process_time() - start < 1.0
