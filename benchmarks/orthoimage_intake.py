"""A bought orthoimage taken in, against a plain copy with tiles and overviews made by GDAL in the same run.

    python benchmarks/orthoimage_intake.py [MEGAPIXELS]

Both read the same tiled TIFF and write lossless DEFLATE with differencing, tiles of 512 px, and overviews by averaging (GDAL: the COG
driver). The intake writes a mask besides, hashes source and result, and stores the surface. Wall and processor time of child
processes; wanted: no less than half the speed.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import rasterio
from rasterio.transform import Affine
from rasterio.windows import Window

COPY = """
import sys, rasterio.shutil
rasterio.shutil.copy(sys.argv[1], sys.argv[2], driver="COG", COMPRESS="DEFLATE", LEVEL="1", PREDICTOR="YES", BLOCKSIZE="512",
                     OVERVIEW_RESAMPLING="AVERAGE", OVERVIEWS="IGNORE_EXISTING", NUM_THREADS="2", BIGTIFF="IF_SAFER")
"""
INTAKE = """
import sys
from facademap.tasks.survey.add_elevation import add_elevation
add_elevation(sys.argv[2], sys.argv[1])
"""
GSD_M = 0.001


def make_picture(path: Path, megapixels: float) -> None:
    """Stone with grain and joints, 8 bit RGB, tiled and compressed as such files are delivered."""
    side = int(np.sqrt(megapixels * 1e6) // 512 * 512)
    rng = np.random.default_rng(1)
    soft = cv2.GaussianBlur(rng.normal(0, 40, (512, 512, 3)).astype(np.float32), (0, 0), 2)
    tile = np.clip(150 + soft + rng.normal(0, 4, soft.shape), 0, 255).astype(np.uint8)
    tile[:6], tile[:, :6] = 210, 210
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=side,
        height=side,
        count=3,
        dtype="uint8",
        tiled=True,
        blockxsize=512,
        blockysize=512,
        compress="deflate",
        predictor=2,
        zlevel=1,
        photometric="rgb",
        bigtiff="if_safer",
        transform=Affine(GSD_M, 0, 0, 0, -GSD_M, side * GSD_M),
    ) as file:
        for row in range(0, side, 512):
            for column in range(0, side, 512):
                turned = np.roll(tile, (row // 7 + column // 3) % 512, axis=1)
                file.write(turned.transpose(2, 0, 1), window=Window(column, row, 512, 512))


def timed(code: str, *words: Path) -> tuple[float, float]:
    """Wall and processor seconds of a child."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, "-c", code, *map(str, words)], check=True)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Make, copy, take in, tell."""
    megapixels = float(sys.argv[1]) if len(sys.argv) > 1 else 500.0
    from facademap.tasks.project.create_project import ProjectPlan, create_project

    with tempfile.TemporaryDirectory() as folder:
        picture, project = Path(folder) / "ortho.tif", Path(folder) / "wall"
        make_picture(picture, megapixels)
        create_project(project, ProjectPlan.of_one_wall("Wall"))
        print(f"{megapixels:g} megapixels, source {picture.stat().st_size / 1e6:.0f} MB")
        copy = timed(COPY, picture, Path(folder) / "copy.tif")
        intake = timed(INTAKE, picture, project)
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3
        made = next((project / "elevations").glob("*.tif"))
        for name, (wall, cpu), size in (
            ("copy by GDAL", copy, (Path(folder) / "copy.tif").stat().st_size),
            ("intake", intake, made.stat().st_size),
        ):
            print(f"{name}: wall {wall:.1f} s, processor {cpu:.1f} s, {size / 1e6:.0f} MB")
        print(
            f"speed {copy[0] / intake[0]:.2f} by wall, {copy[1] / intake[1]:.2f} by processor time of the copy's"
        )
        print(f"largest child {peak:.0f} MB")


if __name__ == "__main__":
    main()
