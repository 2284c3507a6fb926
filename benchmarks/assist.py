"""Assisted outlines: overlap with truth and CPU time a click, on coins and on ashlar with grain.

Run: ``python benchmarks/assist.py``. The bar is an IoU of 0.85 on ashlar and 300 ms a click in a view of 2 MP.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from scipy import ndimage
from skimage import data

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "reference"))

from test_assist_outlines import _ashlar, _coin_masks, _overlap, _touches_frame

from facademap.condition.assist import outline_at


def measure(name: str, rgb: np.ndarray, masks: list[np.ndarray]) -> None:
    """Print the overlap and the time of a click in the middle of each mask."""
    overlaps, spent = [], []
    for mask in masks:
        row, column = ndimage.center_of_mass(mask)
        start = time.process_time()
        ring = outline_at(rgb, column, row)
        spent.append(time.process_time() - start)
        overlaps.append(_overlap(ring, mask))
    print(f"{name:8s} {len(masks):3d} clicks  IoU mean {np.mean(overlaps):.3f} median {np.median(overlaps):.3f}  "
          f"CPU median {1e3 * np.median(spent):.0f} ms, most {1e3 * max(spent):.0f} ms")


def main() -> None:
    """Measure both pictures."""
    coins = data.coins()
    measure("coins", np.repeat(coins[..., None], 3, axis=2), _coin_masks(coins))
    for seed in (1, 2, 3):
        rgb, stones = _ashlar(seed)
        masks = [stones == i for i in np.unique(stones) if i]
        measure("ashlar", rgb, [m for m in masks if not _touches_frame(m)][:20])


if __name__ == "__main__":
    main()
