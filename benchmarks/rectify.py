"""Rectifying beside a bare script, the resampling beside scikit-image, and peak memory.

Run: ``python benchmarks/rectify.py [--megapixels 24] [--large 500] [--repeat 3]``.

The bare script does what anyone would write by hand: decode the JPEG, compute exact maps tile by
tile, ``cv2.remap``, write the same tiled DEFLATE GeoTIFF (RGB and alpha, horizontal differencing)
with rasterio, then ``build_overviews``. Both run in fresh child processes, one after the other, on
the same picture; times are wall clock of the whole process less the time of importing its modules.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

OURS = """
import sys, time
from pathlib import Path
import cv2, rasterio, simplejpeg, PIL.Image, rasterio.io
from facademap.tasks.survey.rectify import rectify_photo
from facademap.wall.grid import Extent
folder, gsd, out = Path(sys.argv[1]), float(sys.argv[2]), Path(sys.argv[3])
peak = lambda: int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024
base = peak()
cpu = time.process_time()
t = time.perf_counter()
done = rectify_photo(folder / "photo.jpg", folder / "control.csv", out, gsd_m=gsd, camera=folder / "camera.json",
                     extent=Extent(u0_m=0, v0_m=0, u1_m=6.0, v1_m=4.0), interpolation=sys.argv[4])
seconds = time.perf_counter() - t
print(seconds, time.process_time() - cpu, peak(), base, done.grid.width_px, done.grid.height_px)
"""

BARE = """
import json, sys, time
from pathlib import Path
import cv2, numpy as np, rasterio, simplejpeg
from rasterio.windows import Window
from rasterio.enums import Resampling, ColorInterp
folder, gsd, out = Path(sys.argv[1]), float(sys.argv[2]), Path(sys.argv[3])
code = {"linear": cv2.INTER_LINEAR, "cubic": cv2.INTER_CUBIC}[sys.argv[4]]
peak = lambda: int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024
base = peak()
cpu = time.process_time()
t = time.perf_counter()
truth = json.loads((folder / "truth.json").read_text())
H = np.array(truth["homography"]); cam = json.loads((folder / "camera.json").read_text())
picture = simplejpeg.decode_jpeg((folder / "photo.jpg").read_bytes(), colorspace="RGB")
width, height = round(6.0 / gsd), round(4.0 / gsd)
with rasterio.open(out, "w", driver="GTiff", width=width, height=height, count=4, dtype="uint8", tiled=True,
                   blockxsize=512, blockysize=512, compress="deflate", predictor=2, zlevel=1, num_threads=2,
                   interleave="pixel", photometric="RGB", ALPHA="UNASSOCIATED", bigtiff="IF_SAFER",
                   transform=rasterio.Affine(gsd, 0, 0, 0, -gsd, 4.0)) as target:
    for row in range(0, height, 512):
        for column in range(0, width, 512):
            w, h = min(512, width - column), min(512, height - row)
            u = (column + np.arange(w) + 0.5) * gsd
            v = 4.0 - (row + np.arange(h) + 0.5) * gsd
            uu, vv = np.meshgrid(u, v)
            d = H[2, 0] * uu + H[2, 1] * vv + H[2, 2]
            x = (H[0, 0] * uu + H[0, 1] * vv + H[0, 2]) / d
            y = (H[1, 0] * uu + H[1, 1] * vv + H[1, 2]) / d
            r2 = x * x + y * y
            radial = 1 + r2 * (cam["k1"] + r2 * cam["k2"])
            mx = ((x * radial) * cam["fx"] + cam["cx"]).astype(np.float32)
            my = ((y * radial) * cam["fy"] + cam["cy"]).astype(np.float32)
            rgb = cv2.remap(picture, mx, my, code, borderMode=cv2.BORDER_REPLICATE)
            mask = ((mx >= -.5) & (my >= -.5) & (mx <= picture.shape[1] - .5) & (my <= picture.shape[0] - .5))
            target.write(np.moveaxis(np.dstack([rgb, mask.astype(np.uint8) * 255]), -1, 0),
                         window=Window(column, row, w, h))
levels = [2 ** k for k in range(1, 12) if max(width, height) / 2 ** (k - 1) > 512]
with rasterio.Env(GDAL_NUM_THREADS="2", COMPRESS_OVERVIEW="DEFLATE", PREDICTOR_OVERVIEW="2", ZLEVEL_OVERVIEW="1"):
    with rasterio.open(out, "r+") as target:
        target.build_overviews(levels, Resampling.average)
seconds = time.perf_counter() - t
print(seconds, time.process_time() - cpu, peak(), base, width, height)
"""


def make_photo(folder: Path, megapixels: float) -> tuple[int, int]:
    """A believable oblique JPEG of a textured wall with control and camera files."""
    import cv2

    width = int(round(math.sqrt(megapixels * 1e6 * 1.5) / 2) * 2)
    height = int(round(width / 1.5 / 2) * 2)
    rng = np.random.default_rng(5)
    picture = np.full((height, width, 3), 150, np.float32)
    for size, strength in ((1, 6), (4, 8), (24, 10), (160, 14)):
        noise = rng.normal(0, strength, (height // size + 2, width // size + 2, 3)).astype(
            np.float32
        )
        picture += cv2.resize(noise, (width, height), interpolation=cv2.INTER_LINEAR)
    picture[:: height // 18] -= 40
    picture[:, :: width // 14] -= 40
    cv2.imwrite(
        str(folder / "photo.jpg"),
        np.clip(picture, 0, 255).astype(np.uint8),
        [cv2.IMWRITE_JPEG_QUALITY, 92],
    )
    camera = {
        "width": width,
        "height": height,
        "fx": 1.05 * width,
        "fy": 1.05 * width,
        "cx": (width - 1) / 2,
        "cy": (height - 1) / 2,
        "k1": -0.09,
        "k2": 0.02,
        "p1": 0.0,
        "p2": 0.0,
    }
    angle = math.radians(22)
    sine, cosine = math.sin(angle), math.cos(angle)
    rotation = np.array([[cosine, 0, -sine], [0, -1, 0], [-sine, 0, -cosine]])
    centre = np.array([3.0 + 6.2 * sine, 2.0, 6.2 * cosine])
    homography = np.c_[rotation[:, :2], -rotation @ centre]
    places = np.array([(u, v) for v in (0.3, 2.0, 3.7) for u in (0.4, 2.2, 4.0, 5.6)])
    ray = np.c_[places, np.ones(len(places))] @ homography.T
    x, y = (ray[:, :2] / ray[:, 2:]).T
    r2 = x * x + y * y
    radial = 1 + r2 * (camera["k1"] + r2 * camera["k2"])
    px, py = x * radial * camera["fx"] + camera["cx"], y * radial * camera["fy"] + camera["cy"]
    with (folder / "control.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("name", "u_m", "v_m", "x_px", "y_px", "role"))
        for i, (u, v) in enumerate(places):
            writer.writerow((f"c{i}", u, v, f"{px[i]:.4f}", f"{py[i]:.4f}", "control"))
    (folder / "camera.json").write_text(json.dumps(camera))
    (folder / "truth.json").write_text(json.dumps({"homography": homography.tolist()}))
    return width, height


def run(script: str, *arguments: object) -> list[float]:
    """Seconds, processor seconds, peak MB, MB before the work, width, height of a child process."""
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)], capture_output=True, text=True
    )
    if done.returncode:
        sys.exit(done.stderr)
    return [float(x) for x in done.stdout.split()]


def resampling(folder: Path, gsd: float) -> None:
    """Resampling alone, picture and result in memory, beside skimage.transform.warp."""
    from skimage.transform import warp

    from facademap.io.camera_files import read_camera
    from facademap.io.control_files import read_control
    from facademap.io.pictures import read_picture
    from facademap.photo.plane import fit_plane_view
    from facademap.photo.resample import rectify_windows
    from facademap.wall.grid import Extent, PixelGrid

    picture, _ = read_picture(folder / "photo.jpg")
    height, width = picture.shape[:2]
    view = fit_plane_view(
        read_control(folder / "control.csv"),
        width_px=width,
        height_px=height,
        camera=read_camera(folder / "camera.json"),
    )
    grid = PixelGrid.over(Extent(u0_m=0, v0_m=0, u1_m=6, v1_m=4), gsd_m=gsd)
    for interpolation in ("linear", "cubic"):
        t = time.perf_counter()
        result = np.empty((grid.height_px, grid.width_px, 3), np.uint8)
        for window, rgb, _ in rectify_windows(view, picture, grid, interpolation=interpolation):
            result[window.slices] = rgb
        ours = time.perf_counter() - t
        t = time.perf_counter()

        def place(columns_rows: np.ndarray) -> np.ndarray:
            places = grid.wall_from_pixel(columns_rows[:, 0], columns_rows[:, 1])
            return view.pixel_from_wall(places[:, 0], places[:, 1])

        other = warp(
            picture,
            place,
            output_shape=(grid.height_px, grid.width_px),
            preserve_range=True,
            mode="edge",
            order=1 if interpolation == "linear" else 3,
        )
        theirs = time.perf_counter() - t
        apart = np.abs(other[::7, ::7] - result[::7, ::7].astype(float))
        inside = result[::7, ::7].any(axis=-1)
        print(
            f"resampling alone, {interpolation}: ours {ours:.2f} s, skimage warp {theirs:.2f} s, "
            f"{theirs / ours:.1f} times faster; median difference {np.median(apart[inside]):.2f} grey levels"
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument(
        "--large", type=float, default=0.0, help="also one output of so many megapixels"
    )
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--interpolation", choices=("linear", "cubic"), default="cubic")
    parser.add_argument("--no-skimage", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        width, height = make_photo(folder, options.megapixels)
        source_mb = width * height * 3 / 1e6
        gsd = 6.0 / width
        print(
            f"photo {width} x {height} px ({source_mb:.0f} MB decoded), output {width * height / 1e6:.0f} megapixel, "
            f"{options.interpolation}"
        )
        ours, bare = [], []
        for _ in range(options.repeat):
            bare.append(run(BARE, folder, gsd, folder / "bare.tif", options.interpolation))
            ours.append(run(OURS, folder, gsd, folder / "ours.tif", options.interpolation))
        t_ours, t_bare = (sorted(r[0] for r in rows)[len(rows) // 2] for rows in (ours, bare))
        for what, seconds, rows, file in (
            ("bare script", t_bare, bare, "bare.tif"),
            ("facademap", t_ours, ours, "ours.tif"),
        ):
            peak, cpu = max(r[2] for r in rows), min(r[1] for r in rows)
            print(
                f"{what}: {seconds:.2f} s (processor {cpu:.2f} s), peak {peak:.0f} MB (source + {peak - source_mb / 1.048576:.0f} MB), "
                f"{(folder / file).stat().st_size / 1e6:.0f} MB on disk"
            )
        print(f"facademap / bare script: {t_ours / t_bare:.2f}")
        if options.large:
            fine = math.sqrt(24.0 / (options.large * 1e6))
            row = run(OURS, folder, fine, folder / "large.tif", options.interpolation)
            print(
                f"{row[4] * row[5] / 1e6:.0f} megapixel output: {row[0]:.1f} s, peak {row[2]:.0f} MB "
                f"(source + {row[2] - source_mb / 1.048576:.0f} MB)"
            )
            (folder / "large.tif").unlink()
        if not options.no_skimage:
            resampling(folder, gsd)


if __name__ == "__main__":
    main()
