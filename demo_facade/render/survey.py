"""Control and check points, the total station's list and the pixel measurements."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon, box

from .cameras import HEIGHT_PX, POSES, WIDTH_PX, project
from .masonry import Building
from .noise import stream

EPSG = 25832
#: Wall origin in open water of the German Bight: plainly nobody's building.
ORIGIN_ENH = (402317.480, 6050128.250, 4.215)
FACING_DEG = 221.0
SIGMA_MM, PIXEL_SIGMA = 2.0, 0.35
TARGET_M, SMALL_TARGET_M = 0.10, 0.06


@dataclass(frozen=True)
class SurveyPoint:
    """A surveyed point: where it truly is and what marks it."""

    name: str
    role: str
    mark: str
    uvw: tuple[float, float, float]


def world_from_wall(uvw: NDArray[np.float64]) -> NDArray[np.float64]:
    """E, N, H of wall coordinates (n, 3)."""
    a = np.deg2rad(FACING_DEG)
    out = np.array([np.sin(a), np.cos(a), 0.0])
    along = np.array([np.sin(a - np.pi / 2), np.cos(a - np.pi / 2), 0.0])
    return np.array(ORIGIN_ENH) + np.asarray(uvw) @ np.array([along, [0, 0, 1.0], out])


def wall_from_world(enh: NDArray[np.float64]) -> NDArray[np.float64]:
    """Wall coordinates of E, N, H (n, 3)."""
    a = np.deg2rad(FACING_DEG)
    out = np.array([np.sin(a), np.cos(a), 0.0])
    along = np.array([np.sin(a - np.pi / 2), np.cos(a - np.pi / 2), 0.0])
    return (np.asarray(enh) - np.array(ORIGIN_ENH)) @ np.array([along, [0, 0, 1.0], out]).T


_CONTROL_AT = (
    (0.35, 0.85), (3.5, 0.8), (8.1, 0.85), (11.6, 0.8), (0.3, 3.0), (3.9, 2.4), (8.2, 2.75), (11.65, 2.9),
    (0.35, 5.2), (3.9, 4.6), (7.9, 4.7), (11.6, 5.15), (0.4, 6.8), (3.7, 6.75), (7.9, 6.75), (11.55, 6.8), (4.35, 5.9), (6.2, 3.45),
)  # fmt: skip
_SMALL_AT = (
    (1.1, 1.2), (2.4, 0.8), (4.4, 1.6), (7.6, 1.55), (10.9, 1.3), (3.3, 3.5), (8.8, 3.55), (11.1, 3.85), (1.2, 4.5), (3.2, 5.4),
    (8.5, 5.6), (10.9, 6.2), (5.0, 6.8), (7.1, 5.8),
)  # fmt: skip


def plan_points(building: Building, seed: int) -> list[SurveyPoint]:
    """Targets near their nominal places but inside a stone; natural check points on stone corners."""
    rng = stream(seed, 3)
    points: list[SurveyPoint] = []
    for n, at in enumerate(_CONTROL_AT, 1):
        points.append(
            SurveyPoint(f"T{n:02d}", "control", "target", _inside(rng, building, at, TARGET_M))
        )
    for n, at in enumerate(_SMALL_AT, 1):
        points.append(
            SurveyPoint(
                f"K{n:02d}", "check", "small target", _inside(rng, building, at, SMALL_TARGET_M)
            )
        )
    corners = [
        (s.corners[i], s.id)
        for s in building.stones
        if s.role in ("walling", "quoin", "jamb")
        for i in (0, 1, 2, 3)
        if 0.02 < s.corners[i][0] < 11.98
    ]
    chosen: list[tuple[float, float]] = [p.uvw[:2] for p in points]
    wanted = 26
    order = rng.permutation(len(corners))
    gap = 0.75
    while len(points) < len(_CONTROL_AT) + len(_SMALL_AT) + wanted:
        for i in order:
            (u, v), _ = corners[int(i)]
            if min(np.hypot(u - a, v - b) for a, b in chosen) > gap:
                chosen.append((u, v))
                points.append(
                    SurveyPoint(f"N{len(points) - 31:02d}", "check", "stone corner", (u, v, 0.0))
                )
                if len(points) == len(_CONTROL_AT) + len(_SMALL_AT) + wanted:
                    break
        gap *= 0.9
    return points


def _inside(
    rng: np.random.Generator, b: Building, at: tuple[float, float], side: float
) -> tuple[float, float, float]:
    best: tuple[float, tuple[float, float, float]] | None = None
    for s in b.stones:
        inner = s.polygon.buffer(-(side * 0.72 + 0.012))
        if s.proud_m or inner.is_empty:
            continue
        near = (
            inner.exterior.interpolate(inner.exterior.project(Point(at)))
            if not inner.contains(Point(at))
            else Point(at)
        )
        d = near.distance(Point(at))
        if best is None or d < best[0]:
            best = (
                d,
                (
                    round(near.x + rng.normal(0, 0.0015), 4),
                    round(near.y + rng.normal(0, 0.0015), 4),
                    0.0,
                ),
            )
    assert best is not None
    return best[1]


def reserved(points: list[SurveyPoint]) -> list[Polygon]:
    """Ground that conditions keep off, so that every mark stays crisp."""
    half = {"target": TARGET_M * 0.75, "small target": SMALL_TARGET_M * 0.8, "stone corner": 0.035}
    return [
        box(p.uvw[0] - h, p.uvw[1] - h, p.uvw[0] + h, p.uvw[1] + h)
        for p in points
        for h in (half[p.mark],)
    ]


def measure_world(
    points: list[SurveyPoint], seed: int
) -> list[tuple[SurveyPoint, NDArray, NDArray]]:
    """(point, measured E N H, the same in wall coordinates)."""
    rng = stream(seed, 4)
    true = world_from_wall(np.array([p.uvw for p in points]))
    measured = np.round(true + rng.normal(0, SIGMA_MM / 1000, true.shape), 4)
    return list(zip(points, measured, wall_from_world(measured), strict=True))


def measure_pixels(
    points: list[SurveyPoint], depths: dict[str, NDArray[np.float32]], seed: int
) -> list[tuple[str, SurveyPoint, float, float]]:
    """(photo stem, point, x, y) of each point that a photo really sees, with the noise of pointing."""
    rng = stream(seed, 5)
    rows = []
    for pose in POSES:
        px, z = project(pose, np.array([p.uvw for p in points]))
        for p, (x, y), depth in zip(points, px, z, strict=True):
            noise = rng.normal(0, PIXEL_SIGMA, 2)
            if not (25 < x < WIDTH_PX - 26 and 25 < y < HEIGHT_PX - 26) or depth <= 0:
                continue
            seen = depths[pose.stem][round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3]
            if float(seen.min()) < depth - 0.02:
                continue
            rows.append((pose.stem, p, float(x + noise[0]), float(y + noise[1])))
    return rows
