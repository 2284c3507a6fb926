"""The sweep: what one photo does not show leaves the rest of the wall as it was."""

from __future__ import annotations

import numpy as np

from facademap.photo.camera import Camera
from facademap.relief.stations import Station
from facademap.relief.sweep import (
    SweepRules,
    View,
    agreement_on_surface,
    narrow_recesses,
    scores_of_layers,
    seen_on_surface,
)
from facademap.wall.grid import PixelGrid


def _view(u_m: float, grey: np.ndarray) -> View:
    height, width = grey.shape
    camera = Camera(
        width_px=width, height_px=height, fx_px=200.0, fy_px=200.0, cx_px=100.0, cy_px=75.0
    )
    rotation = np.diag([1.0, -1.0, -1.0])
    return View(
        station=Station(camera=camera, rotation=rotation, centre_m=np.array([u_m, 0.0, 1.0])),
        grey=grey,
        shrink=1.0,
    )


def _part(left_m: float, columns: int) -> PixelGrid:
    return PixelGrid(left_m=left_m, top_m=0.2, gsd_m=0.01, width_px=columns, height_px=40)


def test_a_photo_that_shows_only_a_part_spoils_no_other_cell() -> None:
    rng = np.random.default_rng(0)
    views = [_view(u, rng.integers(0, 255, (150, 200), np.uint8)) for u in (0.0, 0.2, 0.4)]
    layers = np.array([-0.01, 0.0, 0.01])
    # the first photo ends at u = -0.5 and 0.5, the second at 0.7, the third begins at -0.1: the wide part passes all
    wide = scores_of_layers(views, _part(-0.7, 160), layers, SweepRules())
    common = scores_of_layers(views, _part(0.0, 40), layers, SweepRules())
    inner = np.s_[2:-2, 2:-2]
    np.testing.assert_allclose(wide[:, 70:110][inner], common[inner], atol=0.02)
    seen = seen_on_surface(views, _part(-0.7, 160), np.zeros((40, 160), np.float32))
    on_wide = agreement_on_surface(seen, SweepRules())
    assert (on_wide[:, 82:98] > -1).all()
    # one photo alone compares with nothing
    assert (on_wide[:, :14] == -1).all()


def test_a_lid_over_a_narrow_joint_is_seen_through_also_in_noise() -> None:
    """Two photos agree on the stone, not on the joint between; a smooth stone and noise are no joint."""
    rng = np.random.default_rng(1)
    for noise in (0.0, 3.0):
        stone = rng.normal(128, 20, (60, 80)).astype(np.float32)
        seen = [stone + rng.normal(0, noise, stone.shape).astype(np.float32) for _ in range(3)]
        for one in seen:
            one[30:32] = 60 + rng.normal(0, 12, (2, 80))
            one[:, 60:] = 150 + rng.normal(0, 0.5, (60, 20))
        hollow = narrow_recesses(seen, SweepRules())
        assert hollow[30:32, 2:56].mean() > 0.9
        for part in (hollow[:26, :56], hollow[36:, :56], hollow[:, 64:]):
            assert part.mean() < 0.02
