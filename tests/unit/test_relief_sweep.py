"""The sweep: what one photo does not show leaves the rest of the wall as it was."""

from __future__ import annotations

import numpy as np

from facademap.photo.camera import Camera
from facademap.relief.stations import Station
from facademap.relief.sweep import SweepRules, View, agreement_on_surface, scores_of_layers
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
    on_wide = agreement_on_surface(
        views, _part(-0.7, 160), np.zeros((40, 160), np.float32), SweepRules()
    )
    assert (on_wide[:, 82:98] > -1).all()
    # one photo alone compares with nothing
    assert (on_wide[:, :14] == -1).all()
