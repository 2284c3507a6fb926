"""Real photographs: the left chessboard series that Debian ships as opencv-doc, with its published intrinsics.

Source: /usr/share/doc/opencv-doc/examples/data/left*.jpg and left_intrinsics.yml (OpenCV project).
The board has 9 x 6 inner corners; its squares are taken as 25 mm.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from facademap.io.camera_files import read_camera
from facademap.io.pictures import read_picture
from facademap.photo.calibrate import calibrate_camera, find_board
from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints
from facademap.photo.plane import PlaneView, fit_plane_view

DATA = Path("/usr/share/doc/opencv-doc/examples/data")
pytestmark = pytest.mark.skipif(
    not (DATA / "left01.jpg").exists(), reason="Debian package opencv-doc is not installed"
)
BOARD = np.array([(column, 5 - row) for row in range(6) for column in range(9)], float) * 0.025
CORNERS = [0, 8, 45, 53]


@pytest.fixture(scope="module")
def boards() -> list[np.ndarray]:
    found = [
        find_board(read_picture(path)[0], columns=9, rows=6)
        for path in sorted(DATA.glob("left[01]*.jpg"))
    ]
    kept = [corners for corners in found if corners is not None]
    assert len(kept) >= 12
    return kept


@pytest.fixture(scope="module")
def published() -> Camera:
    return read_camera(DATA / "left_intrinsics.yml", size_px=(640, 480))


def view_of(corners: np.ndarray, control: list[int], camera: Camera | None) -> PlaneView:
    points = ControlPoints(
        name=tuple(f"p{i}" for i in range(54)),
        wall_m=BOARD,
        pixel_px=corners,
        is_control=np.isin(np.arange(54), control),
        sigma_px=np.full(54, 0.5),
        sigma_m=np.zeros(54),
    )
    return fit_plane_view(points, width_px=640, height_px=480, camera=camera)


def pooled_rmse_mm(views: list[PlaneView]) -> float:
    miss = np.concatenate([v.residual_m[~v.points.is_control] for v in views])
    return float(1000 * np.sqrt(np.mean(np.sum(miss**2, axis=1))))


def test_published_file_is_read(published: Camera) -> None:
    storage = cv2.FileStorage(str(DATA / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    np.testing.assert_allclose(published.matrix, storage.getNode("camera_matrix").mat())
    np.testing.assert_allclose(
        published.coefficients, storage.getNode("distortion_coefficients").mat().ravel()
    )


def test_four_corners_as_control_with_the_published_lens(
    boards: list[np.ndarray], published: Camera
) -> None:
    assert pooled_rmse_mm([view_of(corners, CORNERS, published) for corners in boards]) <= 0.30


@pytest.mark.parametrize(
    "control", [[0, 4, 8, 18, 22, 26, 45, 49, 53], list(range(0, 54, 2)), list(range(0, 54, 4))]
)
def test_self_estimated_lens(boards: list[np.ndarray], control: list[int]) -> None:
    views = [view_of(corners, control, None) for corners in boards]
    assert {v.lens for v in views} == {"estimated"}
    assert pooled_rmse_mm(views) <= 0.35


def test_without_any_lens_the_bar_is_missed(boards: list[np.ndarray]) -> None:
    """The two tests above mean something: these photos are really bent."""
    assert pooled_rmse_mm([view_of(corners, CORNERS, None) for corners in boards]) > 1.0


def test_our_calibration_agrees_with_the_published_one(
    boards: list[np.ndarray], published: Camera
) -> None:
    ours = calibrate_camera(boards, width_px=640, height_px=480, columns=9, rows=6)
    assert ours.rmse_px < 0.3
    # compare what matters: where both cameras put rays within the part of the picture that boards covered
    grid = np.stack(np.meshgrid(np.linspace(60, 580, 9), np.linspace(60, 420, 7)), axis=-1)
    apart = published.pixel_from_ray(ours.camera.ray_from_pixel(grid)) - grid
    # a turn of the camera explains a common shift, a longer focal length a common scale
    design = np.c_[np.ones(63), grid.reshape(-1, 2)]
    rest = (
        apart.reshape(-1, 2) - design @ np.linalg.lstsq(design, apart.reshape(-1, 2), rcond=None)[0]
    )
    assert np.sqrt(np.mean(rest**2)) < 0.5
