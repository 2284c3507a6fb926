"""Photos of one wall are registered to a fraction of a pixel, and others are refused."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from rendered_wall import PX_PER_M, Shot, paint_wall

from facademap.photo.register import register_photos

WALL = paint_wall(1)
FRONT = Shot(target=(4.0, 2.5), distance=4.2)


def grey(photo: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)


def errors(shots: list[Shot], registration, number: int) -> np.ndarray:
    """Distance of carried lattice points from their true pixel in the first photo, where both show the wall."""
    lattice = shots[number].lattice()
    wall = shots[number].wall(lattice)
    true = shots[0].pixel(wall)
    found, _ = registration.carry(number, lattice)
    on_wall = ((wall > 0.05) & (wall < [7.95, 4.95])).all(axis=1)
    return np.hypot(*(found - true)[on_wall].T)


@pytest.mark.parametrize(
    "other",
    [
        Shot(target=(4.4, 2.6), distance=4.2, yaw=25, pitch=5, roll=4),
        Shot(target=(4.2, 2.5), distance=4.4, yaw=55, pitch=6),
        Shot(target=(4.2, 2.4), distance=2.1, yaw=10, roll=90),
    ],
    ids=["mild", "very oblique", "twice the scale and turned"],
)
def test_points_are_carried_to_a_fraction_of_a_pixel(other: Shot) -> None:
    shots = [FRONT, other]
    photos = [grey(s.photograph(WALL, seed=i, gain=1.0 - 0.3 * i)) for i, s in enumerate(shots)]
    registration = register_photos(photos)
    assert registration.members == (0, 1)
    miss = errors(shots, registration, 1)
    assert np.isfinite(miss).all()
    assert np.sqrt(np.mean(miss**2)) < 0.25


def test_distortion_is_found_where_it_shows() -> None:
    shots = [
        Shot(target=(3.8, 2.5), distance=4.2, k1=-0.15),
        Shot(target=(4.3, 2.6), distance=4.0, yaw=25, k1=-0.15),
    ]
    registration = register_photos([grey(s.photograph(WALL, seed=i)) for i, s in enumerate(shots)])
    assert registration.bundle is not None
    # the nominal focal length is the longer side, 1.2 times the true one
    assert registration.bundle.cameras[0].k1 == pytest.approx(-0.15 * 1.2**2, abs=0.02)
    assert np.nanmax(errors(shots, registration, 1)) < 1.5


def test_no_distortion_is_invented() -> None:
    shots = [FRONT, Shot(target=(4.4, 2.6), distance=4.2, yaw=25)]
    registration = register_photos([grey(s.photograph(WALL, seed=i)) for i, s in enumerate(shots)])
    assert registration.bundle is not None
    assert registration.bundle.cameras[0].k1 == 0.0


def test_a_photo_without_overlap_is_reached_through_another() -> None:
    shots = [
        Shot(target=(1.7, 2.5), distance=2.9),
        Shot(target=(6.3, 2.5), distance=2.9, yaw=8),
        Shot(target=(4.0, 2.5), distance=2.9, yaw=-6, roll=2),
    ]
    registration = register_photos([grey(s.photograph(WALL, seed=i)) for i, s in enumerate(shots)])
    assert set(registration.members) == {0, 1, 2}
    assert not registration.graph.pairs[(0, 1)].joined
    assert np.nanmedian(errors(shots, registration, 1)) < 1.0


@pytest.mark.parametrize("regular", [False, True], ids=["ashlar", "equal stones"])
def test_a_photo_of_another_wall_is_refused(regular: bool) -> None:
    mine, other = (paint_wall(seed, regular=regular, grain=4.0) for seed in (1, 77))
    second = Shot(target=(4.4, 2.6), distance=4.2, yaw=15)
    registration = register_photos(
        [grey(FRONT.photograph(mine)), grey(second.photograph(other, seed=1))]
    )
    assert registration.members == (0,)
    assert registration.reasons[1]
    carried, _ = registration.carry(1, np.array([[400.0, 300.0]]))
    assert np.isnan(carried).all()


def test_a_wall_that_repeats_itself_exactly_is_not_guessed() -> None:
    tile = paint_wall(5, width_m=1.2, height_m=1.2)
    wall = np.tile(tile, (5, 7, 1))[: 5 * PX_PER_M, : 8 * PX_PER_M]
    second = Shot(target=(4.4, 2.6), distance=4.2, yaw=15)
    shots = [FRONT, second]
    registration = register_photos(
        [grey(s.photograph(wall, seed=i)) for i, s in enumerate(shots)], thorough=False
    )
    if 1 in registration.members:  # joining is right only when the true shift was found
        assert np.nanmax(errors(shots, registration, 1)) < 2.0


def test_equal_stones_with_grain_are_told_apart() -> None:
    wall = paint_wall(2, regular=True, grain=3.0, spread=3.0)
    shots = [FRONT, Shot(target=(4.6, 2.7), distance=4.2, yaw=20)]
    registration = register_photos([grey(s.photograph(wall, seed=i)) for i, s in enumerate(shots)])
    assert registration.members == (0, 1)
    assert np.nanmax(errors(shots, registration, 1)) < 1.0


def test_a_blurred_or_empty_photo_is_refused() -> None:
    empty = np.full((600, 800), 120, np.uint8)
    registration = register_photos([grey(FRONT.photograph(WALL)), empty], thorough=False)
    assert registration.members == (0,)
