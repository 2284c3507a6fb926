"""Seeded matching problems of any size, for tests and benchmarks.

``random_yard`` makes stock as a salvage yard has it (broken corners, holes and stains, several faces);
``small_problem`` makes tiny ones of rectangles in whole millimetres that can be checked by brute force.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

__all__ = ["random_yard", "small_problem"]

STONES = {
    "sandstone-red": (52.0, 14.0, 18.0),
    "sandstone-buff": (68.0, 7.0, 22.0),
    "limestone-grey": (74.0, 1.0, 9.0),
}
SHARES = (0.4, 0.35, 0.25)


def _near(rng: np.random.Generator, mean: tuple[float, ...], sigma: float) -> list[float]:
    return [round(float(v), 2) for v in rng.normal(mean, (sigma, sigma / 3, sigma / 2))]


def _repair(rng: np.random.Generator, number: int) -> dict[str, Any]:
    stone = str(rng.choice(list(STONES), p=SHARES))
    w, h = int(rng.integers(90, 330)), int(rng.integers(70, 330))
    ring = [[0, 0], [w, 0], [w, h], [0, h]]
    if rng.random() < 0.1 and w > 140 and h > 140:
        nx, ny = w // 2, h // 2
        ring = [[0, 0], [w, 0], [w, ny], [nx, ny], [nx, h], [0, h]]
    finish = rng.choice(["none", "tooled", "rubbed"], p=[0.6, 0.2, 0.2])
    return {
        "id": f"R{number:04d}",
        "poly": ring,
        "depth": int(rng.choice([50, 75, 100, 120, 150])),
        "joint": int(rng.integers(3, 6)),
        "bed": str(rng.choice(["horizontal", "edge", "any"], p=[0.85, 0.1, 0.05])),
        "stone": stone,
        "accept": [],
        "lab": _near(rng, STONES[stone], 3.0),
        "de_tol": float(rng.choice([2.5, 3.0, 4.0, 5.0])),
        "finish": None if finish == "none" else str(finish),
        "weathered": str(rng.choice(["any", "required"], p=[0.9, 0.1])),
        "priority": int(rng.choice([1, 2, 3], p=[0.7, 0.2, 0.1])),
        "lock": None,
        "forbid": [],
    }


def _face(rng: np.random.Generator, name: str, w: int, h: int, depth: int) -> dict[str, Any]:
    ring = [[0, 0], [w, 0], [w, h], [0, h]]
    for corner in range(4):
        if rng.random() < 0.3:
            a, b = int(rng.integers(8, 45)), int(rng.integers(8, 45))
            x, y = [(0, 0), (w, 0), (w, h), (0, h)][corner]
            sx, sy = (1 if x == 0 else -1), (1 if y == 0 else -1)
            at = ring.index([x, y])
            first, second = [x, y + sy * b], [x + sx * a, y]
            ring[at : at + 1] = [first, second] if corner in (0, 2) else [second, first]
    flaws = []
    for _ in range(int(rng.poisson(0.8))):
        cx, cy, r = rng.uniform(20, w - 20), rng.uniform(20, h - 20), rng.uniform(10, 55)
        angles = np.arange(6) * math.pi / 3
        radii = r * rng.uniform(0.6, 1.0, 6)
        poly = [
            [round(float(cx + q * math.cos(t)), 1), round(float(cy + q * math.sin(t)), 1)]
            for t, q in zip(angles, radii, strict=True)
        ]
        flaws.append({"poly": poly, "depth": [None, 30, 60, 90][int(rng.integers(0, 4))]})
    return {
        "id": name,
        "poly": ring,
        "depth": depth,
        "bed": str(rng.choice(["x", "none", "parallel"], p=[0.83, 0.1, 0.07])),
        "flaws": flaws,
        "finish": [None, "tooled", "rubbed"][int(rng.choice(3, p=[0.5, 0.3, 0.2]))],
        "weathered": bool(rng.random() < 0.4),
    }


def random_yard(
    n_repairs: int,
    n_blocks: int,
    *,
    seed: int,
    tight: bool = False,
    slabs: bool = True,
    cut_mode: str = "guillotine",
) -> dict[str, Any]:
    """The object of a ``problem.json`` of a given size; ``tight`` has about a third of the stone."""
    rng = np.random.default_rng(seed)
    blocks = []
    for number in range(n_blocks):
        stone = str(rng.choice(list(STONES), p=SHARES))
        scale = math.sqrt(0.35) if tight else 1.0
        w, h = int(rng.uniform(250, 1100) * scale), int(rng.uniform(180, 550) * scale)
        depth = int(rng.choice([120, 150, 180, 200, 250, 300, 350]))
        faces = [_face(rng, "f0", w, h, depth)]
        if rng.random() < 0.2:
            faces.append(_face(rng, "f1", w, depth, h))
        blocks.append(
            {
                "id": f"B{number:04d}",
                "stone": stone,
                "lab": _near(rng, STONES[stone], 3.0),
                "spread": round(float(rng.uniform(0.3, 2.2)), 2),
                "weight_kg": round(w * h * depth * 2.3e-6, 1),
                "faces": faces,
            }
        )
    return {
        "params": {"max_slabs": 3 if slabs else 1, "cut_mode": cut_mode},
        "repairs": [_repair(rng, n) for n in range(n_repairs)],
        "blocks": blocks,
    }


def small_problem(
    seed: int, *, cut_mode: str | None = None, slabs: bool | None = None
) -> dict[str, Any]:
    """At most six repairs and four blocks, rectangles in whole millimetres, stock that is scarce."""
    rng = np.random.default_rng(seed)
    n, m = int(rng.integers(2, 7)), int(rng.integers(1, 5))
    repairs = []
    for i in range(n):
        w, h = int(rng.integers(40, 200)), int(rng.integers(40, 200))
        repairs.append(
            {
                "id": f"R{i}",
                "poly": [[0, 0], [w, 0], [w, h], [0, h]],
                "depth": int(rng.choice([60, 80, 110])),
                "joint": int(rng.integers(0, 6)),
                "bed": str(rng.choice(["horizontal", "edge", "any"], p=[0.6, 0.2, 0.2])),
                "stone": "a",
                "accept": [],
                "lab": [70.0, float(rng.integers(-3, 4)), 10.0 + float(rng.integers(0, 5))],
                "de_tol": [None, 6.0][int(rng.random() < 0.5)],
                "finish": [None, "tooled"][int(rng.random() < 0.3)],
                "weathered": str(rng.choice(["any", "required"], p=[0.85, 0.15])),
                "priority": int(rng.integers(1, 4)),
                "lock": None,
                "forbid": [],
            }
        )
    blocks = []
    for b in range(m):
        faces = []
        for f in range(int(rng.integers(1, 3))):
            w, h = int(rng.integers(120, 420)), int(rng.integers(120, 320))
            flaws = []
            if rng.random() < 0.4:
                x, y = int(rng.integers(0, w - 30)), int(rng.integers(0, h - 30))
                a, c = int(rng.integers(10, 60)), int(rng.integers(10, 60))
                flaws.append(
                    {
                        "poly": [[x, y], [x + a, y], [x + a, y + c], [x, y + c]],
                        "depth": [None, 50, 90][int(rng.integers(0, 3))],
                    }
                )
            faces.append(
                {
                    "id": f"f{f}",
                    "poly": [[0, 0], [w, 0], [w, h], [0, h]],
                    "depth": int(rng.choice([90, 140, 190, 250])),
                    "bed": str(rng.choice(["x", "none", "parallel"], p=[0.6, 0.3, 0.1])),
                    "flaws": flaws,
                    "finish": [None, "tooled"][int(rng.random() < 0.5)],
                    "weathered": bool(rng.random() < 0.5),
                }
            )
        blocks.append(
            {
                "id": f"B{b}",
                "stone": "a",
                "lab": [70.0, float(rng.integers(-3, 4)), 12.0],
                "spread": 1.0,
                "weight_kg": 40.0,
                "faces": faces,
            }
        )
    several = bool(rng.random() < 0.5) if slabs is None else slabs
    mode = cut_mode or str(rng.choice(["guillotine", "free"], p=[0.8, 0.2]))
    return {
        "params": {"max_slabs": 3 if several else 1, "cut_mode": mode},
        "repairs": repairs,
        "blocks": blocks,
    }
