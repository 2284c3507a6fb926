"""Coverage of the range at 95 % by kind of lens and number of control points; writes ``docs/coverage.svg``.

``python benchmarks/range_coverage.py`` (some minutes): the boards of Debian's opencv-doc and walls of known truth with relief.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "unit"))
from coverage_of_ranges import LENSES, Coverage, board_cases, covered, wall_cases

from facademap.io.camera_files import read_camera
from facademap.io.pictures import read_picture
from facademap.photo.calibrate import find_board

ROOT = Path(__file__).parents[1]
DATA = Path("/usr/share/doc/opencv-doc/examples/data")
POINTS = (6, 8, 12, 20)
WALLS, DRAWS = 24, 2
COLOURS = {"given": "#1b5e8c", "estimated": "#b3541e", "unknown": "#4a7a3a"}
WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 640, 330, 60, 46, 270


def campaign() -> dict[tuple[str, str], list[Coverage]]:
    """Coverage by kind of scene and of lens, one for each number of points."""
    rng = np.random.default_rng(1)
    boards = [
        b
        for path in sorted(DATA.glob("left[01]*.jpg"))
        if (b := find_board(read_picture(path)[0], columns=9, rows=6)) is not None
    ]
    camera = read_camera(DATA / "left_intrinsics.yml", size_px=(640, 480))
    found: dict[tuple[str, str], list[Coverage]] = {}
    for lens in LENSES:
        for points in POINTS:
            for scene, cases in (
                ("boards", board_cases(DRAWS * boards, lens, points, camera=camera, rng=rng)),
                ("walls with relief", wall_cases(lens, points, walls=WALLS, rng=rng)),
            ):
                total = covered(cases)
                found.setdefault((scene, lens), []).append(total)
                print(
                    f"{scene:18s} lens {lens:10s} {points:2d} points: {total.share:6.1%} of {total.of}, "
                    f"without a range {total.silent}, half range over 1.96 errors {total.width:.2f}",
                    flush=True,
                )
    return found


def draw(found: dict[tuple[str, str], list[Coverage]]) -> str:
    """Two panels, one curve a kind of lens; the band that is promised in grey."""
    panel = (WIDTH - 2 * LEFT) / 2
    low, high = 0.80, 1.0

    def y(share: float) -> float:
        return BOTTOM - (max(share, low) - low) / (high - low) * (BOTTOM - TOP)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="12">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{LEFT}" y="20" font-size="14">Known lengths inside their range at 95 %</text>',
    ]
    for number, scene in enumerate(("boards", "walls with relief")):
        x0 = LEFT + number * (panel + 40)
        x1 = x0 + panel - 20
        parts += [
            f'<rect x="{x0}" y="{y(0.99):.1f}" width="{x1 - x0}" height="{y(0.90) - y(0.99):.1f}" fill="#e8e8e8"/>',
            f'<line x1="{x0}" x2="{x1}" y1="{y(0.95):.1f}" y2="{y(0.95):.1f}" stroke="#888" stroke-dasharray="4 3"/>',
            f'<path d="M{x0} {TOP} V{BOTTOM} H{x1}" fill="none" stroke="#333"/>',
            f'<text x="{x0}" y="{TOP - 8}">{scene}</text>',
        ]
        parts += [
            f'<text x="{x0 - 6}" y="{y(s) + 4:.1f}" text-anchor="end">{s:.0%}</text>'
            for s in (0.8, 0.85, 0.9, 0.95, 1.0)
        ]
        xs = [x0 + 20 + k * (x1 - x0 - 40) / (len(POINTS) - 1) for k in range(len(POINTS))]
        parts += [
            f'<text x="{x:.1f}" y="{BOTTOM + 16}" text-anchor="middle">{p}</text>'
            for x, p in zip(xs, POINTS, strict=True)
        ]
        for lens in LENSES:
            places = [(x, y(c.share)) for x, c in zip(xs, found[scene, lens], strict=True) if c.of]
            line = " ".join(f"{x:.1f},{v:.1f}" for x, v in places)
            parts.append(
                f'<polyline points="{line}" fill="none" stroke="{COLOURS[lens]}" stroke-width="2"/>'
            )
            parts += [
                f'<circle cx="{x:.1f}" cy="{v:.1f}" r="3" fill="{COLOURS[lens]}"/>'
                for x, v in places
            ]
    parts.append(
        f'<text x="{WIDTH / 2}" y="{BOTTOM + 34}" text-anchor="middle">control points</text>'
    )
    for k, lens in enumerate(LENSES):
        parts.append(
            f'<text x="{LEFT + 150 * k}" y="{HEIGHT - 8}" fill="{COLOURS[lens]}">&#9679; lens {lens}</text>'
        )
    return "\n".join([*parts, "</svg>", ""])


if __name__ == "__main__":
    (ROOT / "docs" / "coverage.svg").write_text(draw(campaign()), encoding="utf-8")
