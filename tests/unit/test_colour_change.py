"""Colour between two pictures: told against sound stone, with a range that holds, and not told where light cannot be compared.

The truth is made here: stone of known reflectance under two lights. CIEDE2000 itself is checked elsewhere (Sharma 2005).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from facademap.photo.colour_change import PatchOfWall, TwoPictures, colours_of_patches
from facademap.photo.lab import difference_ciede2000, lab_from_linear_rgb, srgb_from_linear_rgb
from facademap.wall.grid import PixelGrid

ROWS, COLUMNS, SIDE = 300, 480, 40
GRID = PixelGrid(left_m=0.0, top_m=1.2, gsd_m=0.004, width_px=COLUMNS, height_px=ROWS)
LIGHT, OTHER_LIGHT = np.array([1.0, 1.0, 1.0]), np.array([0.8, 0.86, 0.93])
#: What each place reflects on the second day, as a share of the first; the last two are unchanged.
FACTORS = ([0.75] * 3, [1.25] * 3, [1.1, 1.0, 0.85], [0.95] * 3, [1.0] * 3, [1.0] * 3)


def _places() -> list[PatchOfWall]:
    inside = np.ones((SIDE, SIDE), bool)
    return [
        PatchOfWall(cells=inside, top=70 + 100 * (k // 3), left=60 + 140 * (k % 3))
        for k in range(len(FACTORS))
    ]


def _at(place: PatchOfWall) -> tuple[slice, slice]:
    return np.s_[place.top : place.top + SIDE, place.left : place.left + SIDE]


def _photo(
    stone: np.ndarray, light: np.ndarray, fall: float, rng: np.random.Generator
) -> np.ndarray:
    across = 1 + fall * np.linspace(-1, 1, COLUMNS)[None, :, None]
    lit = stone * light * across + rng.normal(0, 0.008, stone.shape)
    return (np.clip(srgb_from_linear_rgb(np.clip(lit, 0, 1)), 0, 1) * 255).round().astype(np.uint8)


@pytest.fixture(scope="module")
def days() -> tuple[TwoPictures, np.ndarray]:
    rng = np.random.default_rng(5)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (ROWS, COLUMNS)), (0, 0), 3)
    stone = np.array([0.42, 0.36, 0.28]) * (1 + 0.10 * grain / grain.std())[..., None]
    later, sound = stone.copy(), np.ones((ROWS, COLUMNS), bool)
    for place, factor in zip(_places(), FACTORS, strict=True):
        later[_at(place)] *= factor
        sound[_at(place)] = False
    pictures = TwoPictures(
        grid=GRID,
        old=_photo(stone, LIGHT, 0.1, rng),
        new=_photo(later, OTHER_LIGHT, -0.15, rng),
        sound=sound,
        seen=np.ones((ROWS, COLUMNS), bool),
    )
    return pictures, stone


def test_other_light_is_no_change_and_true_change_lies_in_the_range(
    days: tuple[TwoPictures, np.ndarray],
) -> None:
    pictures, stone = days
    found = colours_of_patches(pictures, _places())
    for place, factor, told in zip(_places(), FACTORS, found, strict=True):
        seen = np.median(stone[_at(place)].reshape(-1, 3), axis=0) * OTHER_LIGHT
        truth = float(
            difference_ciede2000(lab_from_linear_rgb(seen), lab_from_linear_rgb(seen * factor))
        )
        assert abs(told.difference - truth) <= told.plus_minus_95, told.words
    # 5 % darker is less than what surely is seen
    assert [told.changed for told in found] == [True, True, True, False, False, False]
    words = [told.words for told in found]
    assert words[0].endswith("darker")
    assert words[1].endswith("lighter")
    assert "yellower" in words[2]
    assert words[4].endswith("no change told")


def test_light_that_cannot_be_compared_tells_nothing(days: tuple[TwoPictures, np.ndarray]) -> None:
    pictures, _ = days
    place = _places()[4]
    rng = np.random.default_rng(6)
    clouds = cv2.GaussianBlur(rng.normal(0, 1, (ROWS, COLUMNS)), (0, 0), 18)
    spotted = pictures.new * np.clip(1 + 0.4 * clouds / clouds.std(), 0.2, 1.6)[..., None]
    shadows = replace(pictures, new=np.clip(spotted, 10, 245).astype(np.uint8))
    (told,) = colours_of_patches(shadows, [place])
    assert "light is not comparable" in told.words
    assert np.isnan(told.difference)
    lamp = np.clip(pictures.new * [1.0, 0.8, 0.55], 10, 245).astype(np.uint8)
    (told,) = colours_of_patches(replace(pictures, new=lamp), [place])
    assert told.words == "not known: the light has another colour"
    nothing = replace(pictures, sound=np.zeros((ROWS, COLUMNS), bool))
    (told,) = colours_of_patches(nothing, [place])
    assert told.words == "not known: too little sound stone round it"
    unseen = pictures.seen.copy()
    unseen[_at(place)] = False
    (told,) = colours_of_patches(replace(pictures, seen=unseen), [place])
    assert "shows less than half" in told.words
    (told,) = colours_of_patches(pictures, [replace(place, cells=np.ones((4, 4), bool))])
    assert told.words == "not known: too small for its colour to be told"


def test_shadows_of_a_hollow_are_no_change_of_colour(days: tuple[TwoPictures, np.ndarray]) -> None:
    """A hollow that is lit from the left on one day and from the right on the other: its rims swap light and dark."""
    pictures, _ = days
    place = replace(_places()[5], depth_m=0.02)
    shade = np.linspace(0.5, 1.2, SIDE)[None, :, None]
    old, new = pictures.old.astype(float), pictures.new.astype(float)
    old[_at(place)] *= shade
    new[_at(place)] *= shade[:, ::-1]
    turned = replace(
        pictures,
        old=np.clip(old, 10, 245).astype(np.uint8),
        new=np.clip(new, 10, 245).astype(np.uint8),
    )
    (told,) = colours_of_patches(turned, [place])
    assert "light came from another side" in told.words
    # lit alike on both days it is told
    new = pictures.new.astype(float)
    new[_at(place)] *= shade
    alike = replace(turned, new=np.clip(new, 10, 245).astype(np.uint8))
    (told,) = colours_of_patches(alike, [place])
    assert told.words.endswith("no change told")
