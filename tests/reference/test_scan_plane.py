"""The plane found in a cloud, against numpy's singular value decomposition of the wall's points alone."""

from __future__ import annotations

import numpy as np
import pytest

from facademap.wall.cloud_frame import fit_cloud_plane, places_in_frame


@pytest.mark.parametrize("seed", range(6))
def test_the_plane_agrees_with_numpy_in_spite_of_ground_and_scaffold(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 40_000
    turn, lean = rng.uniform(0, 2 * np.pi), rng.uniform(-0.1, 0.1)
    along = np.array([np.cos(turn), np.sin(turn), 0.0])
    normal = np.array([-np.sin(turn) * np.cos(lean), np.cos(turn) * np.cos(lean), np.sin(lean)])
    up = np.cross(normal, along)
    uvw = np.c_[rng.uniform(0, 12, n), rng.uniform(0, 8, n), rng.normal(0, 0.003, n)]
    shift = np.array([402_300.0, 6_050_100.0, 20.0])
    wall = uvw @ np.stack([along, up, normal]) + shift
    ground = np.c_[rng.uniform(-10, 10, (n, 2)), rng.normal(0, 0.01, n)] + shift
    poles = np.c_[
        rng.uniform(0, 12, n // 5), rng.uniform(0, 8, n // 5), rng.normal(1.0, 0.03, n // 5)
    ]
    cloud = np.concatenate([wall, ground, poles @ np.stack([along, up, normal]) + shift])
    found = fit_cloud_plane(cloud, rng=np.random.default_rng(1))
    # reference: numpy.linalg.svd of the points that were made on the wall
    reference = np.linalg.svd(wall - wall.mean(axis=0), full_matrices=False)[2][-1]
    angle = np.arccos(min(1.0, abs(float(reference @ found.normal))))
    assert angle < 2e-4  # 0.2 mm in a metre
    assert abs((found.centre - wall.mean(axis=0)) @ reference) < 0.001
    assert found.sigma_m == pytest.approx(0.003, rel=0.1)


def test_unrolling_and_its_inverse() -> None:
    """u is the length of arc, w the distance from the cylinder, from either side."""
    matrix = np.eye(3, 4)
    for radius in (2.0, -2.0):
        angle = np.linspace(-1, 1, 21)
        for out in (-0.1, 0.0, 0.2):
            r = abs(radius) + (out if radius > 0 else -out)
            sign = 1 if radius > 0 else -1
            points = np.c_[
                r * np.sin(angle), angle * 0 + 0.5, sign * (r * np.cos(angle) - abs(radius))
            ]
            uvw = places_in_frame(points, matrix, radius_m=radius)
            np.testing.assert_allclose(uvw[:, 0], abs(radius) * angle, atol=1e-12)
            np.testing.assert_allclose(uvw[:, 2], out, atol=1e-12)
