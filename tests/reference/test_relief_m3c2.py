"""Change of a patch against M3C2 (Lague, Brodu and Leroux 2013) as py4dgeo computes it on the same pair of surveys.

M3C2 takes the scatter of points in a cylinder as their precision and thinks of it as independent; so the pair here has
independent noise, and ours is told the same: then distance and level of detection must be the same numbers.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from facademap.relief import change as change_module
from facademap.relief.build import Relief
from facademap.relief.change import change_in_patch, change_of_reliefs
from facademap.wall.grid import PixelGrid

GRID = PixelGrid(left_m=0.0, top_m=1.2, gsd_m=0.005, width_px=240, height_px=240)
RADIUS_M = 0.06
PLACES = [(0.3, 0.3), (0.9, 0.3), (0.3, 0.9), (0.9, 0.9)]
GROWTH_M = [0.0, -0.002, -0.004, 0.003]


def _centres() -> tuple[np.ndarray, np.ndarray]:
    u = GRID.left_m + (np.arange(GRID.width_px) + 0.5) * GRID.gsd_m
    v = GRID.top_m - (np.arange(GRID.height_px) + 0.5) * GRID.gsd_m
    a, b = np.meshgrid(u, v)
    return a, b


def _pair() -> tuple[Relief, Relief]:
    rng = np.random.default_rng(4)
    u, v = _centres()
    reliefs = []
    for sigma, grown in ((0.0010, False), (0.0015, True)):
        w = rng.normal(0.0, sigma, u.shape)
        for (cu, cv), growth in zip(PLACES, GROWTH_M, strict=True):
            if grown:
                w[np.hypot(u - cu, v - cv) < RADIUS_M + 0.02] += growth
        reliefs.append(
            Relief(
                grid=GRID,
                out_m=w.astype(np.float32),
                sigma_m=np.full(u.shape, sigma, np.float32),
            )
        )
    return reliefs[0], reliefs[1]


def test_distance_and_level_of_detection_agree_with_m3c2(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    # the library writes its log where it is imported
    monkeypatch.chdir(tmp_path)
    import py4dgeo

    old, new = _pair()
    u, v = _centres()
    clouds = [np.stack([u, v, r.out_m.astype(float)], axis=-1).reshape(-1, 3) for r in (old, new)]
    core = np.array([[cu, cv, 0.0] for cu, cv in PLACES])
    m3c2 = py4dgeo.M3C2(
        epochs=tuple(py4dgeo.Epoch(c) for c in clouds),
        corepoints=core,
        cyl_radius=RADIUS_M,
        corepoint_normals=np.tile([0.0, 0.0, 1.0], (len(core), 1)),
        max_distance=0.05,
        registration_error=0.0,
    )
    distance, uncertainty = m3c2.run()
    # each cell by itself, and nothing for the registration, as M3C2 is told
    monkeypatch.setattr(change_module, "_SHARED", 1)
    monkeypatch.setattr(change_module, "_agreement", lambda difference: (0.0, 0.0))
    # M3C2 takes nothing off either
    change = change_of_reliefs(old, new, align=False)
    for k, (cu, cv) in enumerate(PLACES):
        patch = change_in_patch(change, np.hypot(u - cu, v - cv) < RADIUS_M)
        assert patch.mean_change_m == pytest.approx(float(distance[k]), abs=2e-5)
        assert patch.plus_minus_95_m == pytest.approx(float(uncertainty["lodetection"][k]), rel=0.1)
        assert patch.significant is bool(abs(distance[k]) > uncertainty["lodetection"][k])
    assert [
        change_in_patch(change, np.hypot(u - a, v - b) < RADIUS_M).significant
        for a, b in PLACES[1:]
    ] == [True] * 3
