"""Noisy rendered walls end to end: relief against the truth, and pairs with losses that grew by 0 to 8 mm.

Each wall has noise of the sensor, photos exposed otherwise, a little blur, and nine targets a photo clicked to 0.3 to
0.5 pixel. Run: ``python benchmarks/relief_seeds.py [first seed] [seeds]``; one line a wall, in millimetres and shares.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "unit"))
from rendered_relief import ReliefWall, deepened, make_wall, stations, write_survey

from facademap.io.relief_files import read_relief
from facademap.relief.build import Relief
from facademap.relief.change import change_in_patch, change_of_reliefs
from facademap.tasks.survey.relief import make_relief
from facademap.wall.grid import Extent, PixelGrid

CELL_M = 0.003
EXTENT = Extent(u0_m=0.05, v0_m=0.05, u1_m=1.55, v1_m=1.15)
GROWTH_M = (0.0, 0.0025, 0.004, 0.008)
BAD = {"noise": 3.5, "blur_px": 0.7, "exposure": 0.15}


def _places(grid: PixelGrid) -> tuple[np.ndarray, np.ndarray]:
    u = grid.left_m + (np.arange(grid.width_px) + 0.5) * grid.gsd_m
    v = grid.top_m - (np.arange(grid.height_px) + 0.5) * grid.gsd_m
    return tuple(np.broadcast_arrays(u[None, :], v[:, None]))  # type: ignore[return-value]


def _mask(wall: ReliefWall, grid: PixelGrid, name: str) -> np.ndarray:
    u, v = _places(grid)
    i = ((wall.size_m[1] - v) / wall.step_m).astype(int)
    return np.asarray(wall.losses[name][i, (u / wall.step_m).astype(int)])


def survey(
    folder: Path, wall: ReliefWall, seed: int, light: tuple[float, float, float]
) -> tuple[Relief, dict[str, Any]]:
    """One survey and what it is off by."""
    rng = np.random.default_rng(seed)
    views = stations(wall, distance_m=1.7, seed=seed, size_px=(1500, 1125), focal_px=1450.0)
    pick = float(rng.uniform(0.3, 0.5))
    write_survey(folder, wall, views, seed=seed, pick_px=pick, light=light, quality=92, **BAD)
    made = make_relief(
        folder, folder / "control.csv", folder / "r.tif", cell_m=CELL_M, extent=EXTENT
    )
    relief = Relief(
        **dict(zip(("grid", "out_m", "sigma_m"), read_relief(folder / "r.tif"), strict=True))
    )
    truth = wall.depth_at(*_places(relief.grid))
    known = np.isfinite(relief.out_m)
    error = (relief.out_m - truth)[known]
    losses = {
        name: round(float((relief.out_m - truth)[m].mean()) * 1000, 2)
        for name in wall.losses
        if (m := _mask(wall, relief.grid, name) & known).sum() > 50
    }
    return relief, {
        "rmse": round(float(np.sqrt(np.mean(error**2))) * 1000, 2),
        "median": round(float(np.median(np.abs(error))) * 1000, 2),
        "mean": round(float(np.mean(error)) * 1000, 2),
        "over_5": round(float((np.abs(error) > 0.005).mean()), 4),
        "known": round(float(known.mean()), 3),
        "covered": round(float((np.abs(error) < 1.96 * relief.sigma_m[known]).mean()), 3),
        "losses": losses,
        "pick_px": round(pick, 2),
        "datum": made.report["cameras_sigma_w_m"] * 1000,
        "check": made.report["check_rmse_w_m"] * 1000,
    }


def main() -> None:
    """Walls from a seed on; every one twice, its losses grown in between."""
    first, count = (int(a) for a in (*sys.argv[1:3], *("41", "3")[len(sys.argv[1:3]) :]))
    for seed in range(first, first + count):
        wall = make_wall(seed, width_m=1.6, height_m=1.2)
        growth = dict(zip(wall.losses, GROWTH_M, strict=True))
        later = deepened(wall, growth)
        with tempfile.TemporaryDirectory() as name:
            old, told = survey(Path(name) / "a", wall, 2 * seed, (-0.5, 0.6, 0.7))
            new, told_new = survey(Path(name) / "b", later, 2 * seed + 1, (0.4, 0.7, 0.6))
        print(json.dumps({"seed": seed, **told}), flush=True)
        print(json.dumps({"seed": seed, **told_new}), flush=True)
        change = change_of_reliefs(old, new)
        truth = (later.w_m - wall.w_m).astype(np.float32)
        still = ReliefWall(truth, wall.albedo, wall.step_m).depth_at(*_places(old.grid))
        known = np.isfinite(change.difference.out_m)
        away = np.abs(change.difference.out_m - still)
        patches = {}
        for loss, grown in growth.items():
            mask = _mask(wall, old.grid, loss)
            if mask.sum() > 50:
                p = change_in_patch(change, mask, outlines=80)
                true = float(still[mask].mean())
                patches[loss] = [
                    round(1000 * x, 2) for x in (true, p.mean_change_m, p.plus_minus_95_m)
                ] + [p.significant]
                assert grown >= 0
        alarms = 0
        squares = 0
        for i in range(0, old.grid.height_px - 40, 40):
            for j in range(0, old.grid.width_px - 40, 40):
                mask = np.zeros(known.shape, bool)
                mask[i : i + 40, j : j + 40] = True
                if np.abs(still[mask]).max() < 1e-6:
                    squares += 1
                    alarms += change_in_patch(change, mask, outlines=80).significant
        print(
            json.dumps(
                {
                    "seed": seed,
                    "change": patches,
                    "false_alarms": f"{alarms} of {squares}",
                    "covered": round(float((away < change.detection_m)[known].mean()), 3),
                    "registration": round(change.registration_m * 1000, 2),
                }
            ),
            flush=True,
        )


if __name__ == "__main__":
    main()
