"""CIELAB and sRGB constants against CIE 15 / IEC 61966-2-1 and against colour-science."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import lab2xyz

from facademap.photo.lab import (
    D50_XYZ,
    lab_from_srgb,
    lab_from_xyz,
    linear_rgb_from_srgb,
    srgb_from_lab,
    srgb_from_linear_rgb,
    xyz_from_lab,
)

D65_XYZ = (
    0.95047,
    1.0,
    1.08883,
)  # CIE 15, 2 degree observer (from memory, checked against colour-science)
SRGB_TO_XYZ = (
    np.array(  # IEC 61966-2-1 primaries, seven digits (from memory, checked against colour-science)
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
)


@pytest.mark.parametrize(
    ("rgb", "lab_d65"),
    [  # the well-known CIELAB D65 of the sRGB primaries (IEC 61966-2-1 with CIE 15), three decimals
        ((255, 0, 0), (53.241, 80.092, 67.203)),
        ((0, 255, 0), (87.735, -86.183, 83.179)),
        ((0, 0, 255), (32.297, 79.188, -107.860)),
    ],
)
def test_srgb_primaries_against_d65(
    rgb: tuple[int, int, int], lab_d65: tuple[float, float, float]
) -> None:
    xyz = linear_rgb_from_srgb(np.array(rgb, dtype=np.uint8)) @ SRGB_TO_XYZ.T
    np.testing.assert_allclose(lab_from_xyz(xyz, white=D65_XYZ), lab_d65, atol=2e-3)


def test_red_and_mid_grey_against_d50() -> None:
    # CIELAB D50 by Bradford adaptation of sRGB red; L* of sRGB 128 does not depend on the white
    red = lab_from_srgb(np.array([255, 0, 0], dtype=np.uint8))
    np.testing.assert_allclose(red, (54.292, 80.812, 69.885), atol=5e-3)
    assert lab_from_srgb(np.array([128, 128, 128], dtype=np.uint8))[0] == pytest.approx(
        53.585, abs=1e-3
    )


def test_white_is_hundred() -> None:
    np.testing.assert_allclose(
        lab_from_srgb(np.array([255, 255, 255], dtype=np.uint8)), (100, 0, 0), atol=5e-3
    )
    np.testing.assert_allclose(lab_from_xyz(D50_XYZ), (100, 0, 0), atol=1e-9)


def test_the_two_branches_of_lab_meet() -> None:
    # epsilon = (6/29)^3 and kappa = (29/3)^3 (CIE 15): value and slope are continuous there
    y = (6 / 29) ** 3
    below, above = (lab_from_xyz(D50_XYZ * (y + d))[0] for d in (-1e-9, 1e-9))
    assert below == pytest.approx(8.0, abs=1e-5)
    assert above == pytest.approx(8.0, abs=1e-5)


def test_published_xyy_of_blue_sky() -> None:
    # ColorChecker 2005, blue sky, xyY 0.2760 0.3016 0.1836 (D50): Lab computed from it
    x, y, big_y = 0.2760, 0.3016, 0.1836
    xyz = np.array([x / y * big_y, big_y, (1 - x - y) / y * big_y])
    np.testing.assert_allclose(lab_from_xyz(xyz), (49.930, -4.908, -21.919), atol=0.02)


def test_agrees_with_colour_science() -> None:
    colour = pytest.importorskip("colour")
    rng = np.random.default_rng(3)
    xyz = rng.uniform(0.0, 1.0, (500, 3))
    white = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"])
    np.testing.assert_allclose(
        lab_from_xyz(xyz, white=white), colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white)), atol=1e-6
    )


def test_inverse_agrees_with_scikit_image() -> None:
    rng = np.random.default_rng(4)
    lab = np.column_stack([rng.uniform(10, 95, 200), rng.uniform(-20, 20, (200, 2))])
    theirs = lab2xyz(lab, illuminant="D50", observer="2")
    white = lab2xyz(np.array([[100.0, 0.0, 0.0]]), illuminant="D50", observer="2")[0]
    np.testing.assert_allclose(
        xyz_from_lab(lab, white=white), theirs, atol=1e-7
    )  # theirs rounds 7.787


def test_every_eight_bit_colour_comes_back() -> None:
    rng = np.random.default_rng(5)
    rgb = rng.integers(0, 256, (4000, 3), dtype=np.uint8)
    back = np.rint(srgb_from_lab(lab_from_srgb(rgb)) * 255)
    np.testing.assert_array_equal(back, rgb)
    values = np.linspace(0, 1, 501)
    np.testing.assert_allclose(
        srgb_from_linear_rgb(linear_rgb_from_srgb(values)), values, atol=1e-6
    )
