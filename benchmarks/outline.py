"""Outlines of rendered blocks against their true size: errors of width, height and area, and the worst pictures.

Run with ``python benchmarks/outline.py --stones FOLDER --grounds FOLDER [--count 60]``: folders of photographed textures
(stone; timber, grass, gravel). Without them the stone and wood patterns of Debian's ``gimp-data`` and the textures in
``sweethome3d`` are used, as far as they are installed.
"""

from __future__ import annotations

import argparse
import io
import sys
import time
import zipfile
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent))

from appearance import read_pattern
from rendered_yard import YardPicture, render_yard

from facademap.errors import FacademapError
from facademap.salvage.face_size import fit_face_plane
from facademap.salvage.traced_face import measure_traced_face

_PATTERNS = Path("/usr/share/gimp/2.0/patterns")
_JAR = Path("/usr/share/sweethome3d/sweethome3d.jar")
_GROUNDS = ("grass", "woodenFloor", "oldWoodenFloor", "pebbles", "pavingStone", "boxTree")


def pictures(folder: Path) -> list[np.ndarray]:
    return [
        np.array(Image.open(p).convert("RGB"))
        for p in sorted(folder.iterdir())
        if p.suffix.lower() in (".png", ".jpg", ".jpeg")
    ]


def installed() -> tuple[list[np.ndarray], list[np.ndarray]]:
    stones = [
        read_pattern(p.read_bytes())
        for p in sorted((_PATTERNS / "Stone").glob("*.pat"))
        if p.stem not in ("brick", "terra", "amethyst")
    ]
    grounds = [read_pattern(p.read_bytes()) for p in sorted((_PATTERNS / "Wood").glob("*.pat"))]
    if _JAR.is_file():
        with zipfile.ZipFile(_JAR) as jar:
            for name in jar.namelist():
                if "textures/" in name and Path(name).stem in _GROUNDS:
                    grounds.append(np.array(Image.open(io.BytesIO(jar.read(name))).convert("RGB")))
    return stones, grounds


def errors(block: YardPicture) -> tuple[list[float], list[bool]]:
    """Relative errors of width, height and area, and whether each lies within its stated range."""
    pixel, face = (
        np.array([c[1:3] for c in block.control]),
        np.array([c[3:] for c in block.control]) / 1000,
    )
    rows, cols = block.picture.shape[:2]
    plane = fit_face_plane(
        [c[0] for c in block.control],
        pixel,
        face,
        width_px=cols,
        height_px=rows,
        camera=block.camera,
    )
    size = measure_traced_face(block.picture, block.click_px, plane).size
    found = np.array([size.width_m * 1e3, size.height_m * 1e3, size.area_m2 * 1e6])
    ranges = np.array([size.width_pm95_m * 1e3, size.height_pm95_m * 1e3, size.area_pm95_m2 * 1e6])
    truth = np.array([block.width_mm, block.height_mm, block.area_mm2])
    return list(found / truth - 1), list(np.abs(found - truth) <= ranges)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--stones", type=Path)
    parser.add_argument("--grounds", type=Path)
    parser.add_argument("--count", type=int, default=60)
    arguments = parser.parse_args()
    stones, grounds = installed()
    stones = pictures(arguments.stones) if arguments.stones else stones
    grounds = pictures(arguments.grounds) if arguments.grounds else grounds
    rows, covered, refused, used = [], [], [], 0.0
    for seed in range(arguments.count):
        block = render_yard(seed, stones=stones, grounds=grounds, size_px=(1280, 960))
        start = time.process_time()
        try:
            off, within = errors(block)
            rows.append((max(map(abs, off)), seed, block, off))
            covered.append(within)
        except FacademapError as error:
            refused.append((seed, block.kind, error.problem))
        used += time.process_time() - start
    worst = np.array([r[3] for r in rows])
    print(
        f"{len(rows)} measured, {len(refused)} refused, {used / arguments.count:.2f} s of processor a picture"
    )
    for k, name in enumerate(("width", "height", "area")):
        off = np.abs(worst[:, k])
        print(
            f"  {name:6s} median {np.median(off):.4f}  90 % {np.quantile(off, 0.9):.4f}  worst {off.max():.4f}  within 1 % "
            f"{np.mean(off < 0.01):.2f}  within its stated range {np.mean([c[k] for c in covered]):.2f}"
        )
    print(
        f"  all three within 1 %: {np.mean([r[0] < 0.01 for r in rows]):.2f}, within 2 %: {np.mean([r[0] < 0.02 for r in rows]):.2f}"
    )
    for _, seed, block, off in sorted(rows, key=lambda r: -r[0])[:8]:
        print(
            f"  seed {seed}: {block.kind}, tilt {block.tilt_deg:.0f} deg, ground {block.difference:.0f} CIELAB units off: "
            + ", ".join(f"{v:+.3f}" for v in off)
        )
    for seed, kind, problem in refused:
        print(f"  seed {seed} ({kind}) refused: {problem}")


if __name__ == "__main__":
    main()
