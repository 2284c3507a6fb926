"""The homography and the camera model against OpenCV and scikit-image."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints
from facademap.photo.homography import apply_homography, fit_homography_dlt
from facademap.photo.plane import fit_plane_view

CAMERA = Camera(
    width_px=4000,
    height_px=3000,
    fx_px=3600,
    fy_px=3620,
    cx_px=1990,
    cy_px=1510,
    k1=-0.21,
    k2=0.05,
    k3=-0.004,
    p1=0.0008,
    p2=-0.0005,
)


def _fitted(source: np.ndarray, target: np.ndarray) -> ProjectiveTransform:
    """By scikit-image, whose name for it changed with 0.26."""
    if hasattr(ProjectiveTransform, "from_estimate"):
        return ProjectiveTransform.from_estimate(source, target)
    transform = ProjectiveTransform()
    assert transform.estimate(source, target)
    return transform


@pytest.mark.parametrize("seed", range(5))
def test_dlt_agrees_with_opencv_and_scikit_image(seed: int) -> None:
    rng = np.random.default_rng(seed)
    source = rng.uniform([0, 0.5], [10, 7.5], (9, 2))
    matrix = np.array([[300, 20, 100], [-15, -290, 2500], [0.01 * seed, -0.004, 1.0]])
    target = apply_homography(matrix, source) + rng.normal(0, 0.3, (9, 2))
    probe = rng.uniform([0, 0.5], [10, 7.5], (50, 2))
    ours = apply_homography(fit_homography_dlt(source, target), probe)
    theirs = _fitted(source, target)(probe)
    np.testing.assert_allclose(ours, theirs, atol=1e-4)
    opencv, _ = cv2.findHomography(source, target, 0)
    # OpenCV refines on reprojection after its DLT, as the plane fit does
    points = ControlPoints(
        name=tuple("abcdefghi"),
        wall_m=source,
        pixel_px=target,
        is_control=np.ones(9, bool),
        sigma_px=np.full(9, 0.5),
        sigma_m=np.zeros(9),
    )
    view = fit_plane_view(points, width_px=4200, height_px=3000, estimate_lens=False)
    np.testing.assert_allclose(
        view.pixel_from_wall(*probe.T), cv2.perspectiveTransform(probe[None], opencv)[0], atol=2e-3
    )


def test_exact_homography_of_four_points_is_opencvs() -> None:
    source = np.array([(0, 0), (4, 0.2), (4.1, 3), (-0.1, 2.9)])
    target = np.array([(300, 2500), (3500, 2300), (3300, 400), (500, 300)], float)
    points = ControlPoints(
        name=tuple("abcd"),
        wall_m=source,
        pixel_px=target,
        is_control=np.ones(4, bool),
        sigma_px=np.full(4, 0.5),
        sigma_m=np.zeros(4),
    )
    view = fit_plane_view(points, width_px=4000, height_px=3000)
    opencv = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
    probe = np.random.default_rng(0).uniform(0, 3, (40, 2))
    np.testing.assert_allclose(
        view.pixel_from_wall(*probe.T), cv2.perspectiveTransform(probe[None], opencv)[0], atol=0.02
    )


def test_distortion_is_opencvs() -> None:
    rays = np.random.default_rng(1).uniform(-0.5, 0.5, (200, 2))
    theirs = cv2.projectPoints(
        np.c_[rays, np.ones(200)], np.zeros(3), np.zeros(3), CAMERA.matrix, CAMERA.coefficients
    )[0].reshape(-1, 2)
    np.testing.assert_allclose(CAMERA.pixel_from_ray(rays), theirs, atol=1e-7)
    until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 300, 1e-14)
    given = (theirs[:, None], CAMERA.matrix, CAMERA.coefficients)
    # from OpenCV 5 on one call takes both forms
    if hasattr(cv2, "undistortPointsIter"):
        back = cv2.undistortPointsIter(*given, np.eye(3), np.eye(3), until)
    else:
        back = cv2.undistortPoints(*given, None, None, None, until)
    back = back.reshape(-1, 2)
    np.testing.assert_allclose(CAMERA.ray_from_pixel(theirs), back, atol=1e-8)
