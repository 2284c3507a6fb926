"""Damage proposed on rendered walls held back: overlap and kind of each region, false proposals, clicks, by kind of damage.

Run: ``python benchmarks/damage_net/report.py [--walls 60] [--workers 2] [--first 930000] [--table]``. Seeds are those that training never
draws. A region counts as found where a proposal of any kind overlaps it by one half. The clicks: one in its middle; then,
twice, one more at the middle of the largest error, inside or outside. Regions that something before the wall cuts, or that the picture
does not show (see ``damages.py``), are not judged. ``--table`` tells how often proposals of a mean share were right.
"""

from __future__ import annotations

import argparse
import multiprocessing as mp
import os
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from damages import KINDS, UNJUDGED, damaged

from facademap.condition import damage_regions
from facademap.condition.damage_clicks import look_round
from facademap.condition.damage_net import KINDS as TERMS
from facademap.condition.damage_net import look_for_damage

GSD_M = 0.004
CLICKS = 3


def painted(damage, shape: tuple[int, int]) -> np.ndarray:
    """Pixels of a proposal."""
    area = damage.shape_px
    if area.geom_type == "LineString":
        area = area.buffer(max(damage.width_px, 1.5) / 2)
    mask = np.zeros(shape, np.uint8)
    for part in getattr(area, "geoms", [area]):
        if part.geom_type == "Polygon":
            cv2.fillPoly(mask, [np.round(np.array(part.exterior.coords)).astype(np.int32)], 1)
            for hole in part.interiors:
                cv2.fillPoly(mask, [np.round(np.array(hole.coords)).astype(np.int32)], 0)
    return mask > 0


def _deepest(mask: np.ndarray) -> tuple[float, float]:
    deep = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    row, column = np.unravel_index(int(np.argmax(deep)), deep.shape)
    return float(column), float(row)


def one_wall(seed: int) -> dict:
    """What is proposed on one wall."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    made = damaged(rng)
    relief_m = (made.relief.astype(np.float32) - 128) / 2000 if seed % 2 else None
    started = time.process_time()
    seen = look_for_damage(made.rgb, relief_m)
    found = damage_regions.damages_of(seen)
    spent = time.process_time() - started
    masks = [painted(d, made.kind.shape) for d in found]
    told = {"seconds": spent, "regions": [], "proposals": [], "clicks": [], "pixels": []}
    best, shown = seen.kinds.argmax(0), seen.kinds.max(0) > 128
    judged = made.kind != UNJUDGED
    for k in range(len(KINDS)):
        mine, truth = (best == k) & shown & judged, made.kind == k + 1
        told["pixels"].append((int((mine & truth).sum()), int((mine | truth).sum())))
    everything = made.kind > 0
    for d, mask in zip(found, masks, strict=True):
        if (mask & (made.kind == UNJUDGED)).sum() > 0.4 * mask.sum():
            continue
        same = made.kind == TERMS.index(d.term) + 1
        part = mask & everything & (made.kind != UNJUDGED)
        told["proposals"].append(
            (
                TERMS.index(d.term),
                d.confidence,
                (mask & same).sum() / max(mask.sum(), 1),
                part.sum() / max(mask.sum(), 1),
            )
        )
    labels = list(range(1, int(made.region.max()) + 1))
    rng.shuffle(labels)
    clicked = 0
    for n in labels:
        truth = made.region == n
        size = int(truth.sum())
        if not size:
            continue
        k = int(made.kind[truth][0]) - 1
        overlaps = [(m & truth).sum() / (m | truth).sum() for m in masks]
        # a run of joint is told in pieces from crossing to crossing, a region may be told in parts: all that lie in it count
        inside = [m for m, d in zip(masks, found, strict=True) if (m & truth).sum() > 0.5 * m.sum()]
        union = np.any(inside, axis=0) if inside else np.zeros_like(truth)
        whole = (union & truth).sum() / max((union | truth).sum(), 1)
        right = [
            TERMS.index(d.term) == k
            for m, d in zip(masks, found, strict=True)
            if (m & truth).sum() > 0.3 * size or (m & truth).sum() > 0.5 * m.sum()
        ]
        told["regions"].append(
            (k, size, float(max([whole, *overlaps])), bool(any(right)), bool(relief_m is not None))
        )
        if clicked < 4:
            clicked += 1
            told["clicks"].append((k, *_clicked(made.rgb, truth, relief_m, k)))
    return told


def _clicked(rgb: np.ndarray, truth: np.ndarray, relief_m, k: int) -> tuple:
    """As the desk does it, the pixels of the wall taken for its finest sample distance."""
    inside, outside, overlaps, kinds, spent = [_deepest(truth)], [], [], [], 0.0
    for _ in range(CLICKS):
        started = time.process_time()
        mask, kind = np.zeros_like(truth), None
        look = look_round(rgb, inside, outside, gsd_m=GSD_M, relief_m=relief_m)
        if look is not None and look.found is not None:
            kind = TERMS.index(look.found.term)
            mask = _back(damage_regions.damage_mask(look.seen, look.inside), look, truth.shape)
        spent = time.process_time() - started
        overlaps.append(float((mask & truth).sum() / max((mask | truth).sum(), 1)))
        kinds.append(kind == k)
        missing, over = truth & ~mask, mask & ~truth
        if missing.sum() >= over.sum():
            inside.append(_deepest(missing))
        else:
            outside.append(_deepest(over))
    return tuple(overlaps), tuple(kinds), spent


def _back(mask: np.ndarray, look, shape: tuple[int, int]) -> np.ndarray:
    """A region of a look on the whole wall."""
    size = np.round(np.array(mask.shape[::-1]) / look.scale).astype(int)
    left, top = look.corner.astype(int)
    whole = np.zeros(shape, bool)
    large = cv2.resize(mask.astype(np.float32), tuple(map(int, size))) > 0.5
    part = whole[top : top + size[1], left : left + size[0]]
    part[:] = large[: part.shape[0], : part.shape[1]]
    return whole


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description="Damage on rendered walls held back.")
    parser.add_argument("--walls", type=int, default=60)
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--first", type=int, default=930_000)
    parser.add_argument("--table", action="store_true")
    asked = parser.parse_args()
    if asked.table:
        damage_regions.DOUBTFUL = 0.0
        damage_regions._confidence = lambda share: float(share)
    with mp.get_context("fork").Pool(asked.workers) as pool:
        told = pool.map(one_wall, range(asked.first, asked.first + asked.walls), chunksize=1)
    if asked.table:
        pairs = np.array([(c, s > 0.5) for t in told for _, c, s, _ in t["proposals"]], float)
        for k, name in enumerate(KINDS):
            mine = [s > 0.5 for t in told for i, c, s, _ in t["proposals"] if i == k and c > 0.65]
            print(f"{name}: {len(mine)} of a share above 0.65, right {np.mean(mine or [0]):.2f}")
        for low in np.arange(0.5, 1.0, 0.05):
            here = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < low + 0.05)]
            print(
                f"share {low:.2f}: {len(here):5d} proposals, right {here[:, 1].mean() if len(here) else 0:.2f}"
            )
        return
    regions = [r for t in told for r in t["regions"]]
    proposals = [p for t in told for p in t["proposals"]]
    clicks = [c for t in told for c in t["clicks"]]
    seconds = np.mean([t["seconds"] for t in told])
    print(
        f"{asked.walls} walls, {len(regions)} regions, {len(proposals)} proposals, CPU {seconds:.2f} s a wall of 832 px"
    )
    for k, name in [*enumerate(KINDS), (None, "all")]:
        mine = [r for r in regions if k is None or r[0] == k]
        if not mine:
            continue
        over = np.array([r[2] for r in mine])
        large = np.array([r[2] for r in mine if r[1] > 1200] or [0.0])
        right = np.array([r[3] for r in mine])
        area = np.array([r[1] for r in mine], float)
        offers = [p for p in proposals if k is None or p[0] == k]
        true = np.array([p[2] > 0.5 for p in offers] or [False])
        some = np.array([p[3] > 0.5 for p in offers] or [False])
        both, any_ = (sum(t["pixels"][k][i] for t in told) if k is not None else 0 for i in (0, 1))
        mouse = [c for c in clicks if k is None or c[0] == k]
        steps = np.array([c[1] for c in mouse]) if mouse else np.zeros((1, CLICKS))
        kind = np.array([c[2] for c in mouse]) if mouse else np.zeros((1, CLICKS))
        print(
            f"{name:14s} {len(mine):4d} regions: found {np.mean(over > 0.5):.2f}, overlap of the found {over[over > 0.5].mean() if (over > 0.5).any() else 0:.2f}, "
            f"all {over.mean():.2f}, by area {np.average(over, weights=area):.2f}, above 1200 px {large.mean():.2f}, kind right of those met {right[over > 0.3].mean() if (over > 0.3).any() else 0:.2f}; "
            f"proposals {len(offers)}: kind and place true {true.mean():.2f}, some damage {some.mean():.2f}; pixels {both / max(any_, 1):.2f}; "
            f"clicks {len(mouse)}: {' '.join(f'{v:.2f}' for v in steps.mean(0))}, median {' '.join(f'{v:.2f}' for v in np.median(steps, 0))}, kind {kind.mean(0)[-1]:.2f}",
            flush=True,
        )
    for has in (False, True):
        mine = [
            r
            for r in regions
            if r[4] == has and KINDS[r[0]] in ("missing part", "open joint", "patch")
        ]
        print(
            "with relief" if has else "without relief",
            f"patch, missing part, open joint: found {np.mean([r[2] > 0.5 for r in mine] or [0]):.2f}",
        )
    print(f"a click: {np.mean([c[3] for c in clicks]):.3f} s of processor time")


if __name__ == "__main__":
    main()
