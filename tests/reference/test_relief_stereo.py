"""The matching core on a photographed scene with known disparity, beside OpenCV's semi-global matching.

Scene: "Motorcycle" of the Middlebury stereo data of 2014 (D. Scharstein et al., "High-resolution stereo datasets with
subpixel-accurate ground truth", GCPR 2014), as it comes with scikit-image; read at half its size. Both matchers get the
same two grey pictures and the same range of disparities.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.data import stereo_motorcycle

from facademap.relief.surface import SurfaceRules, surface_of_costs
from facademap.relief.sweep import SweepRules, _correlate, aggregated

LAYERS = 48


@pytest.fixture(scope="module")
def scene() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Left and right, grey, at half size, and the true disparity of the left (NaN where nobody knows it)."""
    left, right, true = stereo_motorcycle()
    half = [
        cv2.resize(
            cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA
        )
        for p in (left, right)
    ]
    disparity = np.where(np.isfinite(true) & (true > 0), true, np.nan)[::2, ::2] / 2
    return half[0], half[1], disparity[: half[0].shape[0], : half[0].shape[1]]


def _ours(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    rules = SweepRules(window=5)
    first = left.astype(np.float32)
    score = np.full((*left.shape, LAYERS), -1.0, np.float32)
    for d in range(LAYERS):
        other = np.full(left.shape, np.nan, np.float32)
        other[:, d:] = right[:, : right.shape[1] - d]
        _correlate([first, other], (rules.window, rules.window), score[:, :, d])
    found, _ = surface_of_costs(
        aggregated(score, rules),
        score,
        np.arange(LAYERS, dtype=float),
        1.0,
        SurfaceRules(leap_m=2.0),
    )
    # as a relief is looked at once more: do the pictures agree on what was found?
    y, x = np.mgrid[0 : left.shape[0], 0 : left.shape[1]].astype(np.float32)
    at = np.nan_to_num(x - found, nan=-1.0).astype(np.float32)
    laid = cv2.remap(right, at, y, cv2.INTER_LINEAR).astype(np.float32)
    laid[at < 0] = np.nan
    proof = np.full(left.shape, -1.0, np.float32)
    _correlate([first, laid], (rules.proof_window, rules.proof_window), proof)
    return np.where(proof < SurfaceRules().least_agreement, np.nan, found)


def _theirs(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    matcher = cv2.StereoSGBM_create(
        minDisparity=0, numDisparities=LAYERS, blockSize=5, P1=8 * 25, P2=32 * 25,
        disp12MaxDiff=1, uniquenessRatio=5, speckleWindowSize=60, speckleRange=2,
    )  # fmt: skip
    found = matcher.compute(left, right).astype(np.float32) / 16
    return np.where(found > 0, found, np.nan)


def test_no_worse_than_semi_global_matching(scene: tuple[np.ndarray, ...]) -> None:
    left, right, true = scene
    known = {}
    for name, found in (("ours", _ours(left, right)), ("theirs", _theirs(left, right))):
        both = np.isfinite(found) & np.isfinite(true)
        off = np.abs(found - true)[both]
        known[name] = both.sum() / np.isfinite(true).sum(), (off > 2).mean(), np.median(off)
    # share that is known (82 and 85 %), share of it off by more than two pixels (5.3 and 7.5 %), median (0.15 and 0.20 px)
    assert known["ours"][0] > known["theirs"][0] - 0.05
    assert known["ours"][1] < known["theirs"][1]
    assert known["ours"][2] < known["theirs"][2]
