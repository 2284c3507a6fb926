"""Relief against a bare sweep of numpy and OpenCV: processor time for a cell, a view and a layer, in one run.

The bare sweep lays the same photos on the same cells at the same layers with ``cv2.projectPoints`` and ``cv2.remap``,
correlates every pair with box filters and takes the better half and the best layer: no paths, no parabola, nothing
unknown, no cameras. Run: ``python benchmarks/relief_sweep.py``.
"""

from __future__ import annotations

import itertools
import json
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "unit"))
from rendered_relief import make_wall, stations, write_survey

from facademap.tasks.survey.relief import make_relief
from facademap.wall.grid import Extent

CELL_M = 0.003
WINDOW = (7, 7)


def bare(folder: Path, report: dict[str, object], extent: Extent, layers: np.ndarray) -> int:
    """A sweep as one would write it in an afternoon; returns cells times views times layers."""
    camera = report["camera"]
    matrix = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1]])
    bend = np.array([camera[k] for k in ("k1", "k2", "p1", "p2", "k3")])
    rows = np.loadtxt(folder / "control.csv", delimiter=",", skiprows=1, dtype=str)
    views = []
    for name in report["photos"]:
        here = rows[rows[:, 0] == name]
        _, turn, move = cv2.solvePnP(
            here[:, 2:5].astype(float),
            here[:, 5:7].astype(float),
            matrix,
            bend,
            flags=cv2.SOLVEPNP_SQPNP,
        )
        views.append((cv2.imread(str(folder / name), cv2.IMREAD_GRAYSCALE), turn, move))
    u = np.arange(extent.u0_m + CELL_M / 2, extent.u1_m, CELL_M)
    v = np.arange(extent.v1_m - CELL_M / 2, extent.v0_m, -CELL_M)
    uu, vv = np.meshgrid(u, v)
    best, layer_of = np.full(uu.shape, -2.0, np.float32), np.zeros(uu.shape, np.int32)
    for n, w in enumerate(layers):
        places = np.stack([uu, vv, np.full_like(uu, w)], axis=-1).reshape(-1, 3)
        seen = []
        for grey, turn, move in views:
            pixel = cv2.projectPoints(places, turn, move, matrix, bend)[0].reshape(*uu.shape, 2)
            pixel = pixel.astype(np.float32)
            seen.append(
                cv2.remap(grey, pixel[..., 0], pixel[..., 1], cv2.INTER_LINEAR).astype(np.float32)
            )
        mean = [cv2.blur(s, WINDOW) for s in seen]
        spread = [cv2.blur(s * s, WINDOW) - m * m for s, m in zip(seen, mean, strict=True)]
        scores = [
            (cv2.blur(seen[a] * seen[b], WINDOW) - mean[a] * mean[b])
            / np.sqrt(np.maximum(spread[a] * spread[b], 1.0))
            for a, b in itertools.combinations(range(len(seen)), 2)
        ]
        score = np.sort(np.stack(scores), axis=0)[-((len(scores) + 1) // 2) :].mean(axis=0)
        better = score > best
        best[better], layer_of[better] = score[better], n
    return uu.size * len(views) * len(layers)


def main() -> None:
    """One wall, both ways in turn, three times; medians."""
    extent = Extent(u0_m=0.05, v0_m=0.05, u1_m=1.55, v1_m=1.15)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        wall = make_wall(11, width_m=1.6, height_m=1.2)
        views = stations(wall, distance_m=1.7, size_px=(1300, 975), focal_px=1300.0)
        write_survey(folder, wall, views)
        ours, theirs = [], []
        report: dict[str, object] = {}
        for _ in range(4):
            began = time.process_time()
            report = make_relief(
                folder, folder / "control.csv", folder / "r.tif", cell_m=CELL_M, extent=extent
            ).report
            ours.append((time.process_time() - began) / report["cell_views_layers"] * 1e9)
            began = time.process_time()
            count = bare(folder, report, extent, np.arange(-0.055, 0.015, 0.0017))
            theirs.append((time.process_time() - began) / count * 1e9)
        # the first turn compiles
        a, b = float(np.median(ours[1:])), float(np.median(theirs[1:]))
        print(
            json.dumps({"relief_ns": round(a, 1), "bare_ns": round(b, 1), "ratio": round(a / b, 3)})
        )


if __name__ == "__main__":
    main()
