"""True shape of a real wall from its joints alone: the photograph ``brick`` that scikit-image ships.

Source: scikit-image data set ``brick`` (CC0, CC0Textures; an oblique photograph of a bonded wall). The
joints must come out parallel and at right angles within 0.3 degree.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from facademap.photo.camera import nominal_camera
from facademap.photo.vanishing import TrueShape, find_segments, fit_true_shape


@pytest.fixture(scope="module")
def shape() -> TrueShape:
    picture = data.brick()
    return fit_true_shape(find_segments(picture), nominal_camera(*picture.shape[::-1]))


def _joints_of_rectified(shape: TrueShape) -> tuple[np.ndarray, np.ndarray]:
    """Segments found anew in the rectified picture: middles, and angles off their axis in degrees."""
    picture = data.brick()
    corners = shape.wall_from_pixel(np.array([(40, 40), (471, 40), (471, 471), (40, 471)]))
    low, high = corners.min(axis=0), corners.max(axis=0)
    to_raster = np.array([[1, 0, -low[0]], [0, -1, high[1]], [0, 0, 1.0]]) @ shape.homography
    size = tuple(int(x) for x in np.ceil(high - low))
    warped = cv2.warpPerspective(
        picture, to_raster, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    segments = find_segments(warped, least_px=22)
    return segments, np.degrees(np.arctan2(*(segments[:, 2:] - segments[:, :2]).T[::-1]))


def test_joints_are_parallel_and_square(shape: TrueShape) -> None:
    segments, angle = _joints_of_rectified(shape)
    length = np.hypot(*(segments[:, 2:] - segments[:, :2]).T)
    upright = (angle + 45) % 180 > 90
    means = []
    for group, off in (
        (upright, (angle - 90 + 90) % 180 - 90),
        (~upright, (angle + 90) % 180 - 90),
    ):
        keep = group & (np.abs(off) < 5)
        assert keep.sum() >= 10
        order = np.argsort(off[keep])
        weight = np.cumsum(length[keep][order])
        means.append(float(off[keep][order][np.searchsorted(weight, weight[-1] / 2)]))
        if group is upright:
            # parallel: the long joints on the left and on the right of the picture lean alike
            across = (segments[keep, 0] + segments[keep, 2]) / 2
            halves = [off[keep][across < np.median(across)], off[keep][across >= np.median(across)]]
            weights = [
                length[keep][across < np.median(across)],
                length[keep][across >= np.median(across)],
            ]
            lean = [float(np.average(h, weights=w)) for h, w in zip(halves, weights, strict=True)]
            assert abs(lean[0] - lean[1]) < 0.3
    assert abs(means[0] - means[1]) < 0.3


def test_one_distance_gives_the_scale(shape: TrueShape) -> None:
    scaled = shape.scaled((100, 100), (400, 130), distance_m=1.25)
    a, b = scaled.wall_from_pixel(np.array([(100, 100), (400, 130)]))
    assert np.hypot(*(b - a)) == pytest.approx(1.25)
