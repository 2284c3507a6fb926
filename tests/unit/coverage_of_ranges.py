"""How often the range at 95 % holds known lengths: real boards and rendered walls with relief, for three kinds of lens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from synthetic_wall import see_wall

from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints
from facademap.photo.measure import measure_length
from facademap.photo.plane import PlaneView, fit_plane_view

__all__ = ["BOARD_M", "LENSES", "Case", "Coverage", "board_cases", "covered", "wall_cases"]

Lens = Literal["given", "estimated", "unknown"]
LENSES: tuple[Lens, ...] = ("given", "estimated", "unknown")
#: Inner corners of the boards of opencv-doc, squares taken as 25 mm.
BOARD_M = np.array([(column, 5 - row) for row in range(6) for column in range(9)], float) * 0.025


@dataclass(frozen=True)
class Case:
    """One photo: its fit, and lengths between points that had no part in it (pixels, truth in metres)."""

    view: PlaneView
    ends_px: np.ndarray
    truth_m: np.ndarray


@dataclass
class Coverage:
    """Lengths inside their range, of how many, and how wide the ranges are against the errors (root mean squares)."""

    inside: int = 0
    of: int = 0
    silent: int = 0
    half2: float = 0.0
    error2: float = 0.0

    @property
    def share(self) -> float:
        return self.inside / max(self.of, 1)

    @property
    def width(self) -> float:
        """Half range over twice the error: near 1 where the range is as wide as it should be."""
        return float(np.sqrt(self.half2 / max(self.error2, 1e-30)) / 1.96)


def covered(cases: Iterator[Case], total: Coverage | None = None) -> Coverage:
    """Measure all lengths of all photos."""
    total = total or Coverage()
    for case in cases:
        for ends, truth in zip(case.ends_px, case.truth_m, strict=True):
            found = measure_length(case.view, case.view.wall_from_pixel(*ends.T))
            if not np.isfinite(found.plus_minus_95):
                total.silent += 1
                continue
            error = found.value - truth
            total.inside += abs(error) <= found.plus_minus_95
            total.of += 1
            total.half2 += found.plus_minus_95**2
            total.error2 += error**2
    return total


def board_cases(
    boards: Sequence[np.ndarray],
    lens: Lens,
    points: int,
    *,
    camera: Camera,
    rng: np.random.Generator,
    lengths: int = 12,
) -> Iterator[Case]:
    """Photos of a board: some of its corners are control, others the ends of known lengths."""
    for corners in boards:
        order = rng.permutation(54)
        control, rest = order[:points], rng.choice(order[points:], (lengths, 2))
        rest = rest[rest[:, 0] != rest[:, 1]]
        view = fit_plane_view(
            _control(BOARD_M[control], corners[control]),
            width_px=640,
            height_px=480,
            camera=camera if lens == "given" else None,
            estimate_lens=lens == "estimated",
        )
        yield Case(view, corners[rest], np.hypot(*(BOARD_M[rest[:, 0]] - BOARD_M[rest[:, 1]]).T))


def wall_cases(
    lens: Lens, points: int, *, walls: int, rng: np.random.Generator, lengths: int = 12
) -> Iterator[Case]:
    """Walls of 8 m by 5 m with 4 mm of relief, control and measured places alike, picked to 0.4 px."""
    for _ in range(walls):
        seen = see_wall(
            rng,
            oblique_deg=rng.uniform(5, 35),
            k1=rng.normal(-0.04, 0.05),
            control=points,
            check=2 * lengths,
            noise_px=0.4,
            relief_m=0.004,
            check_relief_m=0.004,
        )
        control, check = seen.points.control, seen.points.check
        view = fit_plane_view(
            control,
            width_px=seen.camera.width_px,
            height_px=seen.camera.height_px,
            camera=seen.camera if lens == "given" else None,
            estimate_lens=lens == "estimated",
        )
        picked = check.pixel_px + rng.normal(0, 0.4, check.pixel_px.shape)
        wall = check.wall_m.reshape(-1, 2, 2)
        yield Case(view, picked.reshape(-1, 2, 2), np.hypot(*(wall[:, 0] - wall[:, 1]).T))


def _control(wall_m: np.ndarray, pixel_px: np.ndarray) -> ControlPoints:
    count = len(wall_m)
    return ControlPoints(
        name=tuple(f"p{k}" for k in range(count)),
        wall_m=wall_m,
        pixel_px=pixel_px,
        is_control=np.ones(count, dtype=bool),
        sigma_px=np.full(count, 0.5),
        sigma_m=np.zeros(count),
    )
