"""Appearance: how well crops of one stone find each other, beside two baselines, and the speed bars.

Run with ``python benchmarks/appearance.py [--quick] [--textures FOLDER ...]``. Textures are taken from
what is installed: the pictures in Debian's ``sweethome3d`` (jar), ``gimp-data`` patterns of stone and the
photographs of scikit-image; further folders of pictures can be named. Every picture is cut into quarters,
each quarter gets an exposure of up to +/- 0.7 stops and white balance gains of up to +/- 18 % of its own, noise
and JPEG. The weights of the parts were chosen on one half of 177 textures (those listed here, further
patterns of ``gimp-data`` and 127 pictures of a free game's texture package) and measured on the other half:
top-1 0.93 to 0.95, mean average precision 0.90 to 0.93 there, against 0.58 to 0.68 and 0.47 to 0.57 for
histogram and LBP. The table printed here mixes both halves.
"""

from __future__ import annotations

import argparse
import io
import resource
import struct
import sys
import time
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scipy.spatial.distance import cdist
from skimage.feature import local_binary_pattern

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "unit"))

from facademap.photo.lab import (
    difference_ciede2000,
    lab_from_srgb,
    linear_rgb_from_srgb,
    srgb_from_linear_rgb,
)
from facademap.salvage.appearance import measure_appearance
from facademap.salvage.likeness import appearance_distances
from facademap.salvage.outline import trace_face
from facademap.salvage.pattern import describe_pattern, pattern_vectors
from facademap.salvage.preview import set_into_wall
from facademap.salvage.rectangles import largest_rectangle

STONES = ("Stone", "stone", "brick", "Brick", "marble", "pebble", "roughcast", "Tile", "paving")


def read_pattern(data: bytes) -> np.ndarray:
    """A pattern file: big-endian header of 24 bytes, then raw values."""
    head, _, width, height, bands, _ = struct.unpack(">6I", data[:24])
    values = np.frombuffer(data, np.uint8, offset=head, count=width * height * bands).reshape(
        height, width, bands
    )
    return np.repeat(values[..., :1], 3, axis=2) if bands < 3 else values[..., :3]


def textures(folders: list[Path]) -> dict[str, np.ndarray]:
    found: dict[str, np.ndarray] = {}
    jar = Path("/usr/share/sweethome3d/sweethome3d.jar")
    if jar.is_file():
        with zipfile.ZipFile(jar) as archive:
            for name in archive.namelist():
                if "textures/" in name and name.endswith(".jpg") and any(s in name for s in STONES):
                    found[Path(name).stem] = np.array(
                        Image.open(io.BytesIO(archive.read(name))).convert("RGB")
                    )
    for path in sorted(Path("/usr/share/gimp/2.0/patterns/Stone").glob("*.pat")):
        found[f"gimp {path.stem}"] = read_pattern(path.read_bytes())
    from skimage import data

    for name in ("brick", "grass", "gravel"):
        found[f"scikit-image {name}"] = np.repeat(getattr(data, name)()[..., None], 3, axis=2)
    for folder in folders:
        for path in sorted(
            p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".jpeg", ".png")
        ):
            found[str(path)] = np.array(Image.open(path).convert("RGB"))[:700, :700]
    return {name: rgb for name, rgb in found.items() if min(rgb.shape[:2]) >= 96}


def relit(rgb: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    gain = 2.0 ** rng.uniform(-0.7, 0.7) * np.exp(rng.uniform(-0.18, 0.18, 3))
    values = srgb_from_linear_rgb(linear_rgb_from_srgb(rgb) * gain) * 255 + rng.normal(
        0, 1, rgb.shape
    )
    stream = io.BytesIO()
    picture = Image.fromarray(np.clip(np.round(values), 0, 255).astype(np.uint8))
    picture.save(stream, "JPEG", quality=int(rng.integers(85, 96)))
    return np.array(Image.open(stream))


def quarters(found: dict[str, np.ndarray], seed: int) -> tuple[list[np.ndarray], np.ndarray]:
    rng, crops, labels = np.random.default_rng(seed), [], []
    for name, rgb in found.items():
        rows, cols = rgb.shape[0] // 2, rgb.shape[1] // 2
        for row in (0, rows):
            for col in (0, cols):
                crops.append(relit(rgb[row : row + rows, col : col + cols], rng))
                labels.append(name)
    return crops, np.array(labels)


def scores(distance: np.ndarray, labels: np.ndarray) -> tuple[float, float]:
    """Top-1 and mean average precision."""
    distance = distance.copy()
    np.fill_diagonal(distance, np.inf)
    first, precision = [], []
    for i, row in enumerate(distance):
        right = labels[np.argsort(row, kind="stable")[:-1]] == labels[i]
        first.append(right[0])
        hits = np.flatnonzero(right)
        precision.append(np.mean(np.arange(1, len(hits) + 1) / (hits + 1)))
    return float(np.mean(first)), float(np.mean(precision))


def histogram_and_lbp(rgb: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    grey = (rgb @ [0.299, 0.587, 0.114]).astype(np.uint8)
    codes = local_binary_pattern(grey, 8, 1, "uniform").astype(int)
    histogram = (
        np.concatenate([np.histogram(rgb[..., k], 16, (0, 256))[0] for k in range(3)]) / grey.size
    )
    return histogram, np.bincount(codes.ravel(), minlength=10) / grey.size


def retrieval(found: dict[str, np.ndarray]) -> None:
    print(f"retrieval: {len(found)} textures, 4 crops each, three draws of light")
    table: dict[str, list[tuple[float, float]]] = {
        "mean colour": [],
        "histogram + LBP": [],
        "facademap looks": [],
    }
    for seed in (101, 102, 103):
        crops, labels = quarters(found, seed)
        means = np.array([lab_from_srgb(c).reshape(-1, 3).mean(axis=0) for c in crops])
        table["mean colour"].append(
            scores(difference_ciede2000(means[:, None], means[None]), labels)
        )
        plain = [histogram_and_lbp(c) for c in crops]
        parts = [cdist(*(2 * [np.array([p[k] for p in plain])]), "cityblock") for k in range(2)]
        table["histogram + LBP"].append(scores(sum(p / p.mean() for p in parts), labels))
        vectors = pattern_vectors([describe_pattern(c) for c in crops])
        table["facademap looks"].append(scores(cdist(vectors, vectors, "cityblock"), labels))
    for name, rows in table.items():
        top, precision = np.mean(rows, axis=0)
        print(f"  {name:18s} top-1 {top:.3f}   mean average precision {precision:.3f}")


def timed(label: str, function: Any, *, repeats: int, bar: str) -> None:
    function()
    took, used = [], []
    for _ in range(repeats):
        start, cpu = time.perf_counter(), time.process_time()
        function()
        took.append(time.perf_counter() - start)
        used.append(time.process_time() - cpu)
    print(
        f"  {label:46s} {np.median(took) * 1000:9.1f} ms, {np.median(used) * 1000:9.1f} ms of processor   (bar: {bar})"
    )


def speed(quick: bool) -> None:
    from rendered_block import render_block

    print("speed")
    size = (1600, 1200) if quick else (4000, 3000)
    block = render_block(6, size_px=size, tilt_deg=10.0)
    timed(
        f"outline of a face, {size[0]} x {size[1]} px",
        lambda: trace_face(block.picture, block.click_px),
        repeats=3,
        bar="part of 1.2 s a photo and core",
    )
    low, high = (block.outline_px.min(axis=0).astype(int), block.outline_px.max(axis=0).astype(int))
    face = block.picture[low[1] : high[1], low[0] : high[0]]
    timed(
        "appearance of the face",
        lambda: measure_appearance(face, gsd_m=block.mm_per_px / 1000),
        repeats=3,
        bar="part of 1.2 s a photo and core",
    )
    base = measure_appearance(face[:400, :400], gsd_m=0.001)
    rng = np.random.default_rng(0)
    many = [replace(base, lab=base.lab + rng.normal(0, 6, 3)) for _ in range(3000)]
    timed(
        "2,000 neighbourhoods against 3,000 faces",
        lambda: appearance_distances(many[:2000], many),
        repeats=1,
        bar="10 s",
    )
    outline = np.array([(0, 0), (0.6, 0.01), (0.61, 0.3), (0.5, 0.36), (0.02, 0.35)])
    flaws = [
        np.array([(0.2, 0.1), (0.23, 0.1), (0.22, 0.2)]),
        np.array([(0.45, 0.2), (0.5, 0.21), (0.46, 0.25)]),
    ]
    timed(
        "largest rectangle with two flaws",
        lambda: largest_rectangle(outline, flaws),
        repeats=200,
        bar="0.5 ms typical",
    )
    wall = np.full((900, 1200, 3), 150, np.uint8)
    hole = np.array([(300, 200), (900, 200), (900, 600), (300, 600)], float)
    scale = min(block.picture.shape[1] / 700, block.picture.shape[0] / 500)
    matrix = np.array([[scale, 0, -250 * scale], [0, scale, -150 * scale], [0, 0, 1.0]])
    timed(
        "the piece seen in the wall",
        lambda: set_into_wall(
            wall,
            cut_out_px=hole,
            piece_px=hole + np.sign([600, 400] - hole) * 3,
            face=block.picture,
            face_from_elevation=matrix,
        ),
        repeats=20,
        bar="200 ms",
    )
    print(
        f"  peak memory of this process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a smaller picture for the outline")
    parser.add_argument(
        "--textures", type=Path, nargs="*", default=[], help="folders of further pictures"
    )
    arguments = parser.parse_args()
    retrieval(textures(arguments.textures))
    speed(arguments.quick)


if __name__ == "__main__":
    main()
