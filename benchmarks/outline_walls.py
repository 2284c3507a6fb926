"""All stones of a wall without a click: rendered kinds held back, and the photographs that scikit-image brings.

Run: ``python benchmarks/outline_walls.py [--walls 12]``. Reports by kind the stones, instance F1 at an overlap of 0.5 and 0.75,
the mean and median overlap (a missed stone counts as nought), stones missed, and false ones. Kinds of
``wall_net/bonds.HELD_BACK`` are never drawn in training; the other rendered walls come from seeds that training never uses.
Truth of the photographs is drawn by hand for some stones only (``tests/reference/test_assist_outlines.py``), so that no false
stones are counted there. What is left of stones of which growth, plaster, poles or cards hide more than a third is told in
a second line with it, and left out of the first. Edges and a watershed at the best of three scales stand beside it.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
from scipy import ndimage
from skimage import data
from skimage.draw import polygon2mask
from skimage.filters import gaussian, sobel
from skimage.segmentation import watershed

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "reference"))
sys.path.insert(0, str(Path(__file__).resolve().parent / "wall_net"))

import bonds
from scenes import scene
from test_assist_outlines import _BRICKS, _GRAVEL, _coin_masks

from facademap.condition.wall_outlines import outline_wall

FIRST_SEED, SMALLEST_PX = 70_000, 120


def overlaps(
    truth: np.ndarray, found: np.ndarray, hidden: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Best overlap of each whole stone, and of each proposal; both are maps of numbers, 0 for none.

    Where ``hidden`` says what is left of stones that are mostly hidden, these and the proposals on them are left out.
    """
    n, m = int(truth.max()) + 1, int(found.max()) + 1
    common = np.bincount((truth.astype(np.int64) * m + found).ravel(), minlength=n * m).reshape(
        n, m
    )
    a, b = common.sum(axis=1, keepdims=True), common.sum(axis=0, keepdims=True)
    shared = (common / np.maximum(a + b - common, 1))[1:, 1:]
    if not shared.size:
        return np.zeros(n - 1), np.zeros(m - 1)
    cut = np.unique(np.concatenate([truth[0], truth[-1], truth[:, 0], truth[:, -1]]))
    whole = np.array([k not in cut and a[k, 0] >= SMALLEST_PX for k in range(1, n)], bool)
    seen = np.ones(m - 1, bool)
    if hidden is not None:
        whole &= ~np.isin(np.arange(1, n), truth[hidden])
        on_hidden = np.bincount(found[hidden], minlength=m)
        on_stone = np.bincount(found[truth > 0], minlength=m)
        left_out = (on_hidden > 0.5 * on_stone) & (on_hidden > 0.25 * b[0])
        seen = ~left_out[1:]
    return shared.max(axis=1)[whole], shared.max(axis=0)[seen]


def proposed(rgb: np.ndarray) -> np.ndarray:
    """Numbers of the stones that are proposed."""
    labels = np.zeros(rgb.shape[:2], np.int32)
    for k, stone in enumerate(outline_wall(rgb), start=1):
        labels[polygon2mask(labels.shape, stone.ring_px[:, ::-1])] = k
    return labels


def flooded(rgb: np.ndarray, sigma: float) -> np.ndarray:
    """Edges and a watershed from where they are least."""
    edges = gaussian(sobel(gaussian(rgb.mean(axis=2), sigma)), sigma)
    low = edges < np.quantile(edges, 0.35)
    seeds, _ = ndimage.label(ndimage.binary_erosion(low, iterations=int(sigma)))
    return watershed(edges, seeds)


def told(name: str, best: np.ndarray, mine: np.ndarray, seconds: float) -> None:
    """One line."""
    figures = []
    for least in (0.5, 0.75):
        hit, right = (best >= least).sum(), (mine >= least).sum()
        recall, precision = hit / max(len(best), 1), right / max(len(mine), 1)
        figures.append(2 * recall * precision / max(recall + precision, 1e-9))
    print(
        f"{name:18s} {len(best):5d} stones  F1 at 0.5 {figures[0]:.3f}, at 0.75 {figures[1]:.3f}  mean {best.mean():.3f} "
        f"median {np.median(best):.3f}  missed {np.mean(best < 0.5):.1%}  false {np.mean(mine < 0.5):.1%}  CPU {seconds:.1f} s",
        flush=True,
    )


def main() -> None:
    """Measure everything."""
    parser = argparse.ArgumentParser(description="Stones of whole walls without a click.")
    parser.add_argument("--walls", type=int, default=3, help="rendered walls of each kind")
    asked = parser.parse_args()
    for kind in (*bonds.HELD_BACK, None):
        best, mine, water, every, spent, before = [], [], [], [], 0.0, None
        for seed in range(FIRST_SEED, FIRST_SEED + asked.walls * (1 if kind else 4)):
            made = scene(np.random.default_rng(seed), before, kind)
            before = made
            start = time.process_time()
            found = proposed(made.rgb)
            spent += time.process_time() - start
            a, b = overlaps(made.number, found, made.hidden)
            best.append(a)
            mine.append(b)
            every.append(overlaps(made.number, found))
            each = [overlaps(made.number, flooded(made.rgb, s), made.hidden) for s in (1, 2, 4)]
            water.append(max(each, key=lambda e: e[0].mean() if len(e[0]) else 0)[0])
        told(kind or "all that is trained", np.concatenate(best), np.concatenate(mine), spent)
        told("  with hidden ones", *(np.concatenate(e) for e in zip(*every, strict=True)), spent)
        print(
            f"{'':18s}       edges and watershed: mean {np.concatenate(water).mean():.3f}",
            flush=True,
        )
    for name, outlines in (("brick", _BRICKS), ("gravel", _GRAVEL), ("coins", None)):
        picture = getattr(data, name)()
        rgb = np.repeat(picture[..., None], 3, axis=2)
        shapes = (
            _coin_masks(picture)
            if outlines is None
            else [polygon2mask(picture.shape, np.array(o)[:, ::-1]) for o in outlines]
        )
        start = time.process_time()
        found = proposed(rgb)
        spent = time.process_time() - start
        best = [
            max(
                (
                    (found[m] == k).sum() / ((found == k) | m).sum()
                    for k in np.unique(found[m])
                    if k
                ),
                default=0.0,
            )
            for m in shapes
        ]
        print(
            f"{name:18s} {len(best):5d} by hand of {int(found.max())} proposed  mean {np.mean(best):.3f}  median "
            f"{np.median(best):.3f}  missed {np.mean(np.array(best) < 0.5):.1%}  CPU {spent:.1f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
