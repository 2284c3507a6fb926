"""Forty photos of 12 megapixel to one mosaic: time of each stage, throughput beside a bare script, peak memory.

Run: ``python benchmarks/mosaic.py [--photos 40] [--gsd-mm 2] [--folder DIR] [--fine-mm 0.75] [--cluster]``.
The bare script decodes the same photos, remaps each window once with OpenCV from one photo at its best
place (known homographies, nothing chosen, nothing levelled) and writes the same tiled GeoTIFF with overviews by GDAL.
On a shared machine the processor seconds say more than the seconds.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

WIDTH, HEIGHT = 4000, 3000
PX_PER_M = 500.0
FOCAL_PX = 3400.0


def paint(columns: int, rows: int, seed: int = 5) -> tuple[np.ndarray, float, float]:
    """A wall large enough for a raster of photos with a third of overlap, at PX_PER_M."""
    width_m, height_m = columns * 4.0 + 3.0, rows * 3.0 + 2.0
    width, height = int(width_m * PX_PER_M), int(height_m * PX_PER_M)
    rng = np.random.default_rng(seed)
    wall = np.full((height, width, 3), 120, np.uint8)
    top = 0
    while top < height:
        course = int(rng.uniform(0.24, 0.38) * PX_PER_M)
        left = -int(rng.uniform(0, 0.5) * PX_PER_M)
        while left < width:
            length = int(rng.uniform(0.45, 0.9) * PX_PER_M)
            colour = np.clip(
                np.array([178, 168, 150]) + rng.normal(0, 12) + rng.normal(0, 4, 3), 0, 255
            )
            wall[top + 3 : top + course - 3, max(left + 3, 0) : max(left + length - 3, 0)] = colour
            left += length
        top += course
    for y in range(0, height, 1000):
        part = wall[y : y + 1000]
        coarse = cv2.resize(
            rng.normal(0, 7, (part.shape[0] // 6 + 1, width // 6 + 1)).astype(np.float32),
            (width, part.shape[0]),
            interpolation=cv2.INTER_CUBIC,
        )
        fine = cv2.GaussianBlur(rng.normal(0, 14, part.shape[:2]).astype(np.float32), (0, 0), 1.0)
        part[...] = np.clip(part + (coarse + fine)[..., None], 0, 255)
    return wall, width_m, height_m


def pose(u: float, v: float, *, distance: float, turns_deg: np.ndarray) -> np.ndarray:
    """Wall metres (v up) to pixels of a pinhole camera that looks at (u, v) from a distance."""
    ry, rx, rz = np.radians(turns_deg)
    turn_y = np.array([[np.cos(ry), 0, np.sin(ry)], [0, 1, 0], [-np.sin(ry), 0, np.cos(ry)]])
    turn_x = np.array([[1, 0, 0], [0, np.cos(rx), -np.sin(rx)], [0, np.sin(rx), np.cos(rx)]])
    turn_z = np.array([[np.cos(rz), -np.sin(rz), 0], [np.sin(rz), np.cos(rz), 0], [0, 0, 1]])
    rotation = turn_z @ turn_x @ turn_y
    centre = np.array([u, -v, 0]) - distance * rotation.T @ [0, 0, 1]
    camera = np.array(
        [[FOCAL_PX, 0, (WIDTH - 1) / 2], [0, FOCAL_PX, (HEIGHT - 1) / 2], [0, 0, 1.0]]
    )
    return camera @ rotation @ np.column_stack([[1, 0, 0], [0, -1, 0], -centre])


def photograph(folder: Path, count: int) -> tuple[list[Path], Path, list[np.ndarray]]:
    """Photos of the wall (pinhole, no lens), their control table and their true homographies."""
    columns = int(np.ceil(np.sqrt(count * 1.6)))
    rows = int(np.ceil(count / columns))
    wall, _, height_m = paint(columns, rows)
    rng = np.random.default_rng(1)
    paths, table, truth = [], [], []
    for number in range(count):
        u, v = 3.0 + 4.0 * (number % columns), 2.2 + 3.0 * (number // columns)
        to_photo = pose(
            u, v, distance=rng.uniform(4.9, 5.5), turns_deg=rng.uniform(-8, 8, 3) * (1, 1, 0.3)
        )
        on_paint = np.array(
            [[PX_PER_M, 0, -0.5], [0, -PX_PER_M, height_m * PX_PER_M - 0.5], [0, 0, 1]]
        )
        photo = cv2.warpPerspective(
            wall, to_photo @ np.linalg.inv(on_paint), (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC
        )
        photo = np.clip(
            photo * rng.uniform(0.8, 1.15) + rng.normal(0, 2, (HEIGHT, WIDTH, 1)), 0, 255
        ).astype(np.uint8)
        path = folder / f"photo{number:03d}.jpg"
        cv2.imwrite(str(path), photo, [cv2.IMWRITE_JPEG_QUALITY, 92])
        paths.append(path)
        truth.append(to_photo)
        for k, place in enumerate(((u - 1.5, v - 1), (u + 1.5, v - 1), (u, v + 1))):
            pixel = cv2.perspectiveTransform(np.array([[place]]), to_photo)[0, 0] + rng.normal(
                0, 0.3, 2
            )
            role = "control" if number % 5 == 0 else "check"
            table.append((path.name, f"n{number}_{k}", *place, *pixel, role))
    control = folder / "control.csv"
    pd.DataFrame(table, columns=["photo", "name", "u_m", "v_m", "x_px", "y_px", "role"]).to_csv(
        control, index=False
    )
    return paths, control, truth


def bare(
    paths: list[Path], truth: list[np.ndarray], out: Path, extent: tuple[float, ...], gsd_m: float
) -> None:
    """Decode, remap window by window from the nearest photo, write with GDAL, add overviews: no choice, no levels."""
    import rasterio
    import simplejpeg
    from rasterio.enums import Resampling
    from rasterio.windows import Window

    u0, v0, u1, v1 = extent
    width, height = round((u1 - u0) / gsd_m), round((v1 - v0) / gsd_m)
    middle = np.array(
        [
            cv2.perspectiveTransform(np.array([[[WIDTH / 2, HEIGHT / 2]]]), np.linalg.inv(t))[0, 0]
            for t in truth
        ]
    )
    kept: dict[int, np.ndarray] = {}
    profile = {
        "driver": "GTiff",
        "width": width,
        "height": height,
        "count": 4,
        "dtype": "uint8",
        "tiled": True,
        "blockxsize": 512,
        "blockysize": 512,
        "compress": "deflate",
        "predictor": 2,
        "zlevel": 1,
        "num_threads": 2,
        "photometric": "RGB",
        "alpha": "YES",
    }
    with rasterio.open(out, "w", **profile) as target:
        for row in range(0, height, 512):
            for column in range(0, width, 512):
                w, h = min(512, width - column), min(512, height - row)
                left, top = u0 + column * gsd_m, v1 - row * gsd_m
                number = int(
                    np.argmin(np.hypot(*(middle - (left + w * gsd_m / 2, top - h * gsd_m / 2)).T))
                )
                if number not in kept:
                    if len(kept) >= 10:
                        kept.pop(next(iter(kept)))
                    kept[number] = simplejpeg.decode_jpeg(
                        paths[number].read_bytes(), colorspace="RGB"
                    )
                place = np.array(
                    [[gsd_m, 0, left + 0.5 * gsd_m], [0, -gsd_m, top - 0.5 * gsd_m], [0, 0, 1]]
                )
                matrix = truth[number] @ place
                y, x = np.mgrid[0:h, 0:w].astype(np.float32)
                depth = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
                maps = [
                    ((matrix[k, 0] * x + matrix[k, 1] * y + matrix[k, 2]) / depth).astype(
                        np.float32
                    )
                    for k in (0, 1)
                ]
                rgb = cv2.remap(
                    kept[number], *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT
                )
                target.write(
                    np.moveaxis(np.dstack([rgb, np.full((h, w), 255, np.uint8)]), -1, 0),
                    window=Window(column, row, w, h),
                )
    levels = [2**k for k in range(1, 12) if max(width, height) / 2 ** (k - 1) > 512]
    with (
        rasterio.Env(
            GDAL_NUM_THREADS="2",
            COMPRESS_OVERVIEW="DEFLATE",
            PREDICTOR_OVERVIEW="2",
            ZLEVEL_OVERVIEW="1",
        ),
        rasterio.open(out, "r+") as target,
    ):
        target.build_overviews(levels, Resampling.average)


def peak_mb() -> float:
    """Peak memory of this process (the figure of getrusage would be inherited from the parent)."""
    line = next(
        x for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmHWM")
    )
    return int(line.split()[1]) / 1024


def _child(work: Callable[..., Any], arguments: tuple[Any, ...], pipe: Any) -> None:
    start, processor = time.perf_counter(), time.process_time()
    result = work(*arguments)
    peak = peak_mb()
    pipe.send((time.perf_counter() - start, time.process_time() - processor, peak, result))


def measured(work: Callable[..., Any], *arguments: Any) -> tuple[float, float, float, Any]:
    """Seconds, processor seconds (user and system), peak memory in MB and result of work in a process of its own."""
    context = multiprocessing.get_context("spawn")
    mine, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_child, args=(work, arguments, theirs))
    process.start()
    theirs.close()
    try:
        return mine.recv()
    finally:
        process.join()


def whole(
    paths: list[Path], control: Path, out: Path, gsd_m: float, extent: tuple[float, ...] | None
) -> dict[str, Any]:
    """The whole mosaic with the time and the processor time of its stages."""
    from facademap.tasks.survey.mosaic import make_mosaic
    from facademap.wall.grid import Extent

    def now(share: float) -> tuple[float, float, float]:
        return share, time.perf_counter(), time.process_time()

    marks = [now(0.0)]
    box = (
        None
        if extent is None
        else Extent(u0_m=extent[0], v0_m=extent[1], u1_m=extent[2], v1_m=extent[3])
    )
    report = make_mosaic(
        paths,
        control,
        out,
        gsd_m=gsd_m,
        extent=box,
        keep_folder=True,
        progress=lambda f: marks.append(now(f)),
    )
    end = now(1.0)

    def at(share: float) -> np.ndarray:
        return np.array(next((m for m in marks if m[0] >= share), end)[1:])

    parts = {
        "ties": at(0.4) - at(0.0),
        "fit_and_plan": at(0.55) - at(0.4),
        "blocks": at(0.949) - at(0.55),
        "file": np.array(end[1:]) - at(0.949),
    }
    return {
        "report": report,
        **{f"{k}_s": float(v[0]) for k, v in parts.items()},
        **{f"{k}_processor_s": float(v[1]) for k, v in parts.items()},
    }


def cluster_gain(paths: list[Path], control: Path, folder: Path, gsd_m: float) -> dict[str, Any]:
    """The blocks of one mosaic by one and by two single-threaded workers, and whether all pixels are alike."""
    from distributed import LocalCluster

    from facademap.tasks.survey.mosaic import make_mosaic

    seconds, digests = {}, {}
    for workers in (0, 1, 2):
        out = folder / f"by{workers}.tif"
        marks: list[tuple[float, float]] = []

        def mark(share: float, marks: list[tuple[float, float]] = marks) -> None:
            marks.append((share, time.perf_counter()))

        if workers:
            with LocalCluster(
                n_workers=workers, threads_per_worker=1, dashboard_address=None
            ) as cluster:
                make_mosaic(
                    paths,
                    control,
                    out,
                    gsd_m=gsd_m,
                    name="wall",
                    cluster=cluster.scheduler_address,
                    progress=mark,
                )
        else:
            make_mosaic(paths, control, out, gsd_m=gsd_m, name="wall", progress=mark)
        start = next(t for f, t in marks if f >= 0.55)
        seconds[workers] = next(t for f, t in marks if f >= 0.949) - start
        digests[workers] = _pixel_digest(out)
    return {
        "cluster_blocks_s": {k: round(v, 1) for k, v in seconds.items()},
        "cluster_gain_2_over_1": round(seconds[1] / seconds[2], 2),
        "cluster_pixels_alike": len(set(digests.values())) == 1,
    }


def _pixel_digest(path: Path) -> str:
    import hashlib

    import rasterio

    digest = hashlib.sha256()
    with rasterio.open(path) as dataset:
        for _, window in dataset.block_windows(1):
            digest.update(dataset.read(window=window).tobytes())
    return digest.hexdigest()


def _thinned(control: Path, paths: list[Path]) -> Path:
    """The control of some of the photos."""
    table = pd.read_csv(control)
    some = control.with_name("some.csv")
    table[table["photo"].isin([p.name for p in paths])].to_csv(some, index=False)
    return some


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--gsd-mm", type=float, default=2.0)
    parser.add_argument("--folder", type=Path)
    parser.add_argument(
        "--cluster",
        action="store_true",
        help="Also make a part by a local Dask cluster of one and of two workers.",
    )
    parser.add_argument(
        "--fine-mm", type=float, help="Make the same mosaic again at this finer sample distance."
    )
    options = parser.parse_args()
    folder = options.folder or Path(tempfile.mkdtemp(prefix="mosaic-benchmark-"))
    folder.mkdir(parents=True, exist_ok=True)
    paths, control, truth = photograph(folder, options.photos)
    gsd_m = options.gsd_mm / 1000
    seconds, processor, peak, result = measured(
        whole, paths, control, folder / "ours.tif", gsd_m, None
    )
    report = result.pop("report")
    extent = tuple(report["extent_m"])
    megapixels = report["width_px"] * report["height_px"] / 1e6
    bare_seconds, bare_processor, bare_peak, _ = measured(
        bare, paths, truth, folder / "bare.tif", extent, gsd_m
    )
    render = result["blocks_s"] + result["file_s"]
    render_processor = result["blocks_processor_s"] + result["file_processor_s"]
    figures = {
        "photos": len(paths),
        "megapixels": round(megapixels, 1),
        "seconds": round(seconds, 1),
        "processor_seconds": round(processor, 1),
        "peak_mb": round(peak),
        **{k: round(v, 1) for k, v in result.items()},
        "bare_seconds": round(bare_seconds, 1),
        "bare_processor_seconds": round(bare_processor, 1),
        "bare_peak_mb": round(bare_peak),
        "throughput_share": round(bare_seconds / render, 2),
        "processor_share": round(bare_processor / render_processor, 2),
        "check_rmse_mm": round(1000 * (report["check_rmse_m"] or 0), 2),
        "left_out": report["left_out"],
    }
    if options.cluster:
        figures |= cluster_gain(paths[:12], _thinned(control, paths[:12]), folder, gsd_m)
    if options.fine_mm:
        fine_seconds, fine_processor, fine_peak, fine = measured(
            whole, paths, control, folder / "ours.tif", options.fine_mm / 1000, extent
        )
        size = fine["report"]["width_px"] * fine["report"]["height_px"] / 1e6
        figures |= {
            "fine_megapixels": round(size),
            "fine_seconds": round(fine_seconds, 1),
            "fine_peak_mb": round(fine_peak),
            "fine_processor_seconds": round(fine_processor, 1),
        }
    print(json.dumps(figures, indent=2))
    if options.folder is None:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
