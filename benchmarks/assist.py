"""Assisted outlines: overlap with truth and CPU time a click, on photographs and on rendered walls never trained on.

Run: ``python benchmarks/assist.py [--packages FOLDER]``. The bar is an IoU of 0.85 on ashlar, a crack within 2 px over three
quarters of its length, and 300 ms a click in a view of 2 MP. ``coins``, ``brick`` and ``gravel`` come with scikit-image; the
outlines of the latter two were drawn by hand (``tests/reference/test_assist_outlines.py``). Photographs of walls come with
two packages of Debian (``benchmarks/photographs.py``), unpacked in the folder given or installed; without them that part is
left out. Constants were chosen on the scenes for tuning, never on those that are held back.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from pathlib import Path

import cv2
import numpy as np
from scipy import ndimage
from skimage import data

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "reference"))
sys.path.insert(0, str(Path(__file__).resolve().parent / "outline_net"))

from drawn_cracks import BREADTHS_PX, followed
from drawn_cracks import cracks as cracks_over
from photographs import drawn as drawn_in_photographs
from test_assist_outlines import (
    _BRICKS,
    _GRAVEL,
    _ashlar,
    _coin_masks,
    _crack,
    _overlap,
    _touches_frame,
)
from walls import wall

from facademap.condition.assist import outline_at
from facademap.condition.assist_lines import follow_line
from facademap.errors import GeometryError

#: Seeds of rendered walls; training begins at another and makes a few hundred in one run.
WALLS = range(9000, 9012)


def measure(name: str, clicks: list[tuple[np.ndarray, np.ndarray]], *, aside: bool = False) -> None:
    """Print the overlap and the time of a click in the middle of each mask of a picture, and of one aside in it."""
    rng, overlaps, spent = np.random.default_rng(4), [], []
    for rgb, mask in clicks:
        deep = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
        for row, column in (
            ndimage.center_of_mass(mask),
            *([rng.choice(np.argwhere(deep >= 0.45 * deep.max()))] if aside else []),
        ):
            start = time.process_time()
            try:
                overlaps.append(_overlap(outline_at(rgb, float(column), float(row)), mask))
            except GeometryError:
                overlaps.append(0.0)
            spent.append(time.process_time() - start)
    print(
        f"{name:24s} {len(overlaps):3d} clicks  IoU mean {np.mean(overlaps):.3f}  median {np.median(overlaps):.3f}  "
        f"0.85 or better {np.mean(np.array(overlaps) >= 0.85):.0%}  worst {min(overlaps):.2f}  "
        f"CPU median {1e3 * np.median(spent):.0f} ms, most {1e3 * max(spent):.0f} ms",
        flush=True,
    )


def drawn(
    name: str, outlines: list[list[tuple[float, float]]]
) -> list[tuple[np.ndarray, np.ndarray]]:
    """A picture of scikit-image and masks drawn by hand."""
    rgb = np.repeat(getattr(data, name)()[..., None], 3, axis=2)
    masks = []
    for corners in outlines:
        mask = np.zeros(rgb.shape[:2], np.uint8)
        cv2.fillPoly(mask, [np.round(np.array(corners) * 16).astype(np.int32)], 1, shift=4)
        masks.append(mask > 0)
    return [(rgb, mask) for mask in masks]


def whole(labels: np.ndarray, *, least: int, most: int) -> list[np.ndarray]:
    """Masks of the labelled parts that are not cut by the frame."""
    masks = [labels == i for i in np.unique(labels) if i]
    return [
        m
        for m in masks
        if m.sum() >= least
        and not _touches_frame(m)
        and m[tuple(int(v) for v in ndimage.center_of_mass(m))]
    ][:most]


def cracks() -> None:
    """Share of a hair crack over ashlar that is followed within 2 px, from two clicks beside it."""
    shares = []
    for seed in range(1, 9):
        rng = np.random.default_rng(seed)
        rgb, _ = _ashlar(seed)
        line = _crack(rng, 420) + np.array([180, 150])
        mask = np.zeros(rgb.shape[:2], np.uint8)
        cv2.polylines(mask, [np.round(line * 16).astype(np.int32)], False, 255, 1, cv2.LINE_AA, 4)
        picture = np.clip(
            rgb * (1 - 0.5 * (cv2.GaussianBlur(mask, (0, 0), 0.5) / 255.0)[..., None]), 0, 255
        ).astype(np.uint8)
        found = follow_line(picture, [tuple(line[k] + rng.uniform(-2.8, 2.8, 2)) for k in (2, -3)])
        dense = np.concatenate([np.linspace(a, b, 30) for a, b in itertools.pairwise(found)])
        away = np.min(
            np.hypot(line[:, :1] - dense[None, :, 0], line[:, 1:] - dense[None, :, 1]), axis=1
        )
        shares.append(np.mean(away <= 2.0))
    print(
        f"{'hair cracks':24s} {len(shares):3d} lines   within 2 px: mean {np.mean(shares):.0%}, three quarters or more in "
        f"{np.mean(np.array(shares) >= 0.75):.0%}"
    )


def photographs(root: Path) -> None:
    """Stones and lines drawn by hand in photographs of walls, and cracks drawn over such photographs."""
    found = list(drawn_in_photographs(root))
    if not found:
        print("photographs of walls: the packages are not there")
        return
    for part in ("tune", "held"):
        stones = [f for f in found if f.part == part and not f.is_line]
        for kind in (*sorted({f.kind for f in stones}), "all"):
            measure(
                f"{part}: {kind}",
                [(f.rgb, f.mask()) for f in stones if kind in ("all", f.kind)],
                aside=True,
            )
        for line in (f for f in found if f.part == part and f.is_line):
            share = followed(
                line.places_px, follow_line(line.rgb, [tuple(line.places_px[k]) for k in (0, -1)])
            )
            print(f"{part}: {line.kind} in {line.scene}: {share:.0%} within 2 px")
        shares: dict[str, list[float]] = {breadth: [] for breadth in BREADTHS_PX}
        for crack in cracks_over(part, root=root):
            shares[crack.breadth].append(
                followed(crack.line_px, follow_line(crack.rgb, crack.clicks_px))
            )
        for breadth, values in shares.items():
            print(
                f"{part + ': ' + breadth + ' cracks':24s} {len(values):3d} lines   within 2 px: mean {np.mean(values):.3f}  median "
                f"{np.median(values):.3f}  three quarters or more in {np.mean(np.array(values) >= 0.75):.0%}",
                flush=True,
            )


def main() -> None:
    """Measure everything."""
    parser = argparse.ArgumentParser(description="Overlap and time of assisted outlines.")
    parser.add_argument(
        "--packages",
        type=Path,
        default=Path("/"),
        help="folder in which the packages with photographs are unpacked",
    )
    asked = parser.parse_args()
    coins = data.coins()
    measure("coins", [(np.repeat(coins[..., None], 3, axis=2), m) for m in _coin_masks(coins)])
    measure("brick by hand", drawn("brick", _BRICKS))
    measure("gravel by hand", drawn("gravel", _GRAVEL))
    measure(
        "plain ashlar",
        [
            (rgb, m)
            for rgb, stones in map(_ashlar, (1, 2, 3))
            for m in whole(stones, least=800, most=12)
        ],
    )
    made = [wall(np.random.default_rng(seed)) for seed in WALLS]
    measure(
        "rendered stones",
        [
            (rgb, m)
            for rgb, stones, defects, _ in made
            for m in whole(np.where(defects, 0, stones), least=900, most=6)
        ],
    )
    measure(
        "rendered defects",
        [
            (rgb, m)
            for rgb, _, defects, _ in made
            for m in whole(defects.astype(int), least=300, most=6)
        ],
    )
    cracks()
    photographs(asked.packages)


if __name__ == "__main__":
    main()
