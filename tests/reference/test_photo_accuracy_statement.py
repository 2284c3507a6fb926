"""The accuracy statement against published worked values.

Sources, with status: ASPRS Positional Accuracy Standards 2014, Annex D, worked example (residuals and
results from memory; the arithmetic is consistent). NSSDA 95 % factor 1.7308 (FGDC-STD-007.3-1998, from
memory; it follows from the Rayleigh distribution). 0.2 mm plotting rule: 50 mm on site is 1:250 (RICS
guidance as quoted by trade press). Relief displacement: similar triangles.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from facademap.photo.accuracy import AccuracyRules, describe_differences, finest_scale
from facademap.photo.pose import relief_shift_m

X = [-0.140, -0.100, 0.017, -0.070, 0.130]
Y = [-0.070, -0.100, -0.070, 0.150, 0.120]


def test_asprs_annex_d_example() -> None:
    found = describe_differences(np.c_[X, Y])
    assert found is not None
    np.testing.assert_allclose(found.mean_m, (-0.033, 0.006), atol=0.0005)
    np.testing.assert_allclose(found.sd_m, (0.108, 0.119), atol=0.0005)
    np.testing.assert_allclose(found.rmse_m, (0.102, 0.106), atol=0.00051)
    assert found.rmse_radial_m == pytest.approx(0.147, abs=0.0005)
    assert 1.7308 * found.rmse_radial_m == pytest.approx(0.255, abs=0.0006)


def test_radius_of_95_percent() -> None:
    found = describe_differences(
        np.array([(0.001, 0.001), (-0.001, -0.001), (0.001, -0.001), (-0.001, 0.001)])
    )
    assert found is not None
    assert found.rmse_radial_m == pytest.approx(0.0014142, abs=1e-6)
    assert found.radius95_m == pytest.approx(0.0024477, abs=1e-6)
    # 1.7308 is sqrt(-ln 0.05), the 95 % quantile of a Rayleigh distribution over its root mean square
    assert math.sqrt(-math.log(0.05)) == pytest.approx(1.7308, abs=1e-4)


def test_drawing_scale() -> None:
    assert finest_scale(0.050, 0.001) == 250
    assert finest_scale(0.0101, 0.001) == 100
    assert finest_scale(0.010, 0.005) == 50
    assert finest_scale(0.0001, 0.005) == 50
    assert finest_scale(1.0, 0.001) is None
    assert finest_scale(0.050, 0.001, rules=AccuracyRules(plot_error_mm=0.3)) == 200


def test_relief_displacement() -> None:
    assert float(relief_shift_m(4.0, 0.015, 10.0)) == pytest.approx(0.00601, abs=5e-6)
    assert float(relief_shift_m(4.0, -0.015, 10.0)) < 0


def test_no_differences_is_no_statement() -> None:
    assert describe_differences(np.empty((0, 2))) is None
