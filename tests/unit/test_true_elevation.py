"""A true elevation shows what a photo sees, and nothing where none sees the place."""

from __future__ import annotations

import numpy as np
import pytest

from facademap.errors import InputError
from facademap.photo.accuracy import AccuracyRules, finest_scale
from facademap.photo.camera import Camera
from facademap.relief.build import Relief
from facademap.relief.stations import Station
from facademap.relief.true_elevation import ElevationRules, places_of_pixels, true_picture
from facademap.tasks.survey.survey_report import true_elevations_of
from facademap.wall.grid import PixelGrid

CELL_M = 0.005


def _station(u_m: float) -> Station:
    camera = Camera(width_px=900, height_px=400, fx_px=500.0, fy_px=500.0, cx_px=449.5, cy_px=199.5)
    return Station(
        camera=camera, rotation=np.diag([1.0, -1.0, -1.0]), centre_m=np.array([u_m, 0.0, 1.0])
    )


def _relief() -> Relief:
    """A face with a bed 60 mm deep between u = -0.1 and 0.1, and a patch of which nothing is known."""
    grid = PixelGrid(left_m=-0.3, top_m=0.2, gsd_m=CELL_M, width_px=120, height_px=80)
    out_m = np.zeros((80, 120), np.float32)
    out_m[:, 40:80] = -0.06
    out_m[20:40, 90:110] = np.nan
    out_m[60, 20:40] = np.nan
    return Relief(grid=grid, out_m=out_m, sigma_m=np.full(out_m.shape, 0.001, np.float32))


def _grey(value: int) -> np.ndarray:
    return np.full((400, 900, 3), value, np.uint8)


def test_what_a_wall_hides_from_every_photo_is_left_out() -> None:
    relief = _relief()
    left = _station(-0.4)
    one = true_picture(relief, iter([(left, _grey(100))]), relief.grid)
    # from u = -0.4 the arris at -0.1 hides 0.3 / 1.0 * 60 mm = 18 mm of the bed beside it
    row = one.mask[10]
    assert (row[:40] == 255).all()
    assert (row[41:43] == 0).all()
    assert (row[45:79] == 255).all()
    assert one.hidden_share == pytest.approx(0.018 / 0.6, rel=0.4)
    # unknown: a narrow line is bridged, the middle of a patch is not
    assert (one.mask[60, 20:40] == 255).all()
    assert (one.mask[24:36, 94:106] == 0).all()
    both = true_picture(
        relief, iter([(left, _grey(100)), (_station(0.4), _grey(110))]), relief.grid
    )
    assert (both.mask[10] == 255).all()
    assert both.hidden_share == pytest.approx(0, abs=0.004)
    # a photo that is a tenth brighter leaves no seam
    assert int(both.rgb[10].max()) - int(both.rgb[10].min()) <= 2


def test_a_pixel_meets_the_relief_where_its_place_is() -> None:
    station = _station(0.3)
    places = np.array([[0.0, 0.05, -0.06], [-0.2, 0.1, 0.0]])
    found = places_of_pixels(_relief(), station, station.pixel_from_wall(places))
    np.testing.assert_allclose(found, places[:, :2], atol=1e-4)


def test_too_large_and_nothing_seen_are_said() -> None:
    relief = _relief()
    with pytest.raises(InputError, match="too large"):
        true_picture(relief, iter([]), relief.grid, ElevationRules(most_pixels=10))
    with pytest.raises(InputError, match="no photo shows"):
        true_picture(relief, iter([]), relief.grid)


def test_the_statement_of_a_survey_tells_what_a_true_elevation_proves() -> None:
    told = {"path": "t.tif", "gsd_m": 0.002, "bridged_share": 0.04, "hidden_share": 0.01}
    told |= {"shift_sigma_m": 0.0004, "seen_share": 0.95, "corrected_95_m": 0.012}
    entry = {"path": "r.tif", "survey": "2026", "source": "photos", "taken_on": "2026-05-01"}

    def said(**checked: object) -> dict[str, object]:
        row = {"reliefs": [{**entry, "true_elevation": {**told, **checked}}], "report": None}
        (one,) = true_elevations_of(row, AccuracyRules())
        return one

    proved = said(check_rmse_m=0.0021, check_n=5)
    assert "RMSE 2.1 mm at 5 check points; the relief leaves places 0.4 mm" in str(
        proved["statement"]
    )
    assert proved["supports_scale"] == finest_scale(0.0021, 0.002, rules=AccuracyRules())
    open_one = said(check_rmse_m=None, check_n=0)
    assert (open_one["supports_scale"], "no check point" in str(open_one["statement"])) == (
        None,
        True,
    )
