"""Cracks drawn over photographs: ragged, of uneven breadth and fading here and there, with two or three clicks beside them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from photographs import photograph

#: Photographs for tuning and for the report.
FILES = {
    "tune": (
        "ufoai-textures:tex_buildings/wall041.png",
        "ufoai-textures:tex_mattn/wall079.jpg",
        "ufoai-textures:tex_mattn/wall064st.png",
        "ufoai-textures:tex_mattn/wall053.jpg",
        "ufoai-textures:tex_buildings/wall_dirt1.png",
        "ufoai-textures:tex_buildings/wall020.png",
        "ufoai-textures:tex_buildings_snow/wall005.png",
        "sweethome3d:stoneWall.jpg",
    ),
    "held": (
        "ufoai-textures:tex_buildings/wall042.png",
        "ufoai-textures:tex_mattn/wall067.jpg",
        "sweethome3d:stoneTiles.jpg",
        "ufoai-textures:tex_ctp1/bricks_r_6.jpg",
        "ufoai-textures:tex_buildings/wall_dirt3.png",
        "ufoai-textures:tex_buildings/wall022.png",
        "sweethome3d:stone2Wall.jpg",
        "sweethome3d:marbleWall.jpg",
    ),
}
#: Breadths, pixels.
BREADTHS_PX = {"hair": (0.6, 1.1), "wide": (1.8, 3.2), "broad": (4.5, 8.0)}
_FINER, _BESIDE_PX = 4, 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Crack:
    """A photograph with a crack, its line and clicks near it, (x, y)."""

    rgb: np.ndarray
    breadth: str
    line_px: np.ndarray
    clicks_px: list[tuple[float, float]]


def cracks(part: str, *, root: Path, each: int = 4) -> Iterator[Crack]:
    """Cracks of each breadth over each photograph of a part."""
    for number, file in enumerate(FILES[part]):
        rgb = photograph(file, root=root)
        while min(rgb.shape[:2]) < 400:
            rgb = np.tile(rgb, (2, 2, 1))
        for kind, (name, (least, most)) in enumerate(BREADTHS_PX.items()):
            for k in range(each):
                rng = np.random.default_rng([number, kind, k, part == "held"])
                yield _cracked(rng, rgb, name, rng.uniform(least, most))


def followed(crack: np.ndarray, found: np.ndarray, *, within_px: float = 2.0) -> float:
    """Share of a line that lies within a distance of another."""
    away = np.min(
        np.linalg.norm(_dense(crack, 1.0)[:, None] - _dense(found, 0.5)[None], axis=2), axis=1
    )
    return float(np.mean(away <= within_px))


def _dense(line: np.ndarray, step_px: float) -> np.ndarray:
    parts = [
        np.linspace(a, b, max(2, int(np.linalg.norm(b - a) / step_px)))
        for a, b in itertools.pairwise(line)
    ]
    return np.concatenate(parts)


def _cracked(rng: np.random.Generator, rgb: np.ndarray, name: str, breadth_px: float) -> Crack:
    rows, columns = rgb.shape[:2]
    line = _ragged(rng, columns, rows)
    drawn = np.zeros((rows * _FINER, columns * _FINER), np.float32)
    along = np.arange(len(line))
    seen = np.interp(along, np.linspace(0, len(line), 9), rng.uniform(0.35, 1, 9))
    breadths = breadth_px * np.interp(along, np.linspace(0, len(line), 7), rng.uniform(0.7, 1.3, 7))
    places = np.round((line + 0.5) * _FINER).astype(int)
    for k in range(len(line) - 1):
        cv2.line(
            drawn,
            tuple(map(int, places[k])),
            tuple(map(int, places[k + 1])),
            float(seen[k]),
            max(1, round(float(breadths[k]) * _FINER)),
        )
    cover = cv2.GaussianBlur(
        cv2.resize(drawn, (columns, rows), interpolation=cv2.INTER_AREA), (0, 0), 0.5
    )
    picture = rgb * (1 - rng.uniform(0.45, 0.8) * cover[..., None]) + rng.normal(0, 2, rgb.shape)
    picture = np.clip(picture, 0, 255).astype(np.uint8)
    if rng.random() < 0.5:
        picture = cv2.imdecode(
            cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 95))])[1],
            cv2.IMREAD_COLOR,
        )
    at = (2, len(line) - 3) if rng.random() < 0.5 else (2, len(line) // 2, len(line) - 3)
    clicks = [tuple(line[k] + rng.uniform(-_BESIDE_PX, _BESIDE_PX, 2)) for k in at]
    return Crack(rgb=picture, breadth=name, line_px=line, clicks_px=clicks)


def _ragged(rng: np.random.Generator, columns: int, rows: int) -> np.ndarray:
    """A line bent at its middle, and at the middles of its parts, down to a few pixels."""
    while True:
        start, length, turn = (
            rng.uniform(15, [columns - 15, rows - 15]),
            rng.uniform(150, min(340, 0.8 * min(columns, rows))),
            rng.uniform(0, 6.28),
        )
        line, bent = (
            np.array([start, start + length * np.array([np.cos(turn), np.sin(turn)])]),
            rng.uniform(0.06, 0.14),
        )
        while np.linalg.norm(line[1] - line[0]) > 3:
            step = np.diff(line, axis=0)
            middles = (
                line[:-1]
                + step / 2
                + rng.normal(0, bent, (len(step), 1)) * np.column_stack([-step[:, 1], step[:, 0]])
            )
            line = np.insert(line, np.arange(1, len(line)), middles, axis=0)
        if (line > 6).all() and (line < [columns - 6, rows - 6]).all():
            return line
