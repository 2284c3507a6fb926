"""A laser scan taken in, against bare reading and gridding with numpy in the same run.

    python benchmarks/scan_intake.py [MILLION_POINTS]

A wall of 8 x 10 m with relief and colour, a tenth of the points on ground and scaffold, as LAZ and as E57. The bare run reads the
same file (laspy, pye57), and grids mean height and mean colour at 2 mm with ``numpy.bincount``: no frame, no test, no picture file.
The intake finds the wall, makes picture, relief and precision, hashes the source and stores the surface. Processor time and largest
memory of child processes; wanted: within 4 times the bare run, and below 1.5 GB.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import laspy
import numpy as np
import pye57

WIDTH_M, HEIGHT_M, GSD_M = 10.0, 8.0, 0.002
BARE = """
import sys
import numpy as np
columns, rows, gsd = int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
count = np.zeros(rows * columns)
total = [np.zeros(rows * columns) for _ in range(4)]
def add(x, y, z, rgb):
    column, row = np.floor(x / gsd).astype(int), np.floor(z / gsd).astype(int)
    good = (column >= 0) & (column < columns) & (row >= 0) & (row < rows) & (np.abs(y) < 0.5)
    at = row[good] * columns + column[good]
    count[:] += np.bincount(at, minlength=len(count))
    for k, value in enumerate((y, *rgb)):
        total[k][:] += np.bincount(at, weights=value[good], minlength=len(count))
if sys.argv[1].endswith("laz"):
    import laspy
    with laspy.open(sys.argv[1]) as file:
        for part in file.chunk_iterator(5_000_000):
            add(np.asarray(part.x), np.asarray(part.y), np.asarray(part.z), (part.red, part.green, part.blue))
else:
    import pye57
    data = pye57.E57(sys.argv[1]).read_scan(0, colors=True, transform=True, ignore_missing_fields=True)
    add(data["cartesianX"], data["cartesianY"], data["cartesianZ"], [data["color" + c] for c in ("Red", "Green", "Blue")])
for k in range(4):
    np.divide(total[k], count, out=total[k], where=count > 0)
"""
INTAKE = """
import sys
from facademap.tasks.survey.add_scan import add_scan
add_scan(sys.argv[1], sys.argv[2], outside=(5.0, -20.0, 2.0), gsd_m=float(sys.argv[3]))
"""


def part_of_cloud(n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Wall in x and z, outside towards negative y."""
    x, z = rng.uniform(0, WIDTH_M, n), rng.uniform(0, HEIGHT_M, n)
    y = -0.02 * np.exp(-((x - 4) ** 2 + (z - 3) ** 2) / 0.5) + rng.normal(0, 0.0015, n)
    k = n // 10
    x[:k], y[:k], z[:k] = rng.uniform(-1, 11, k), rng.uniform(-4, 0, k), rng.normal(-0.1, 0.02, k)
    light = (np.floor(x / 0.5) + np.floor(z / 0.4)) % 2
    rgb = np.where(light[:, None] > 0, (200, 150, 100), (60, 80, 120)).astype(np.uint8)
    return np.c_[x, y, z], rgb


def make_clouds(folder: Path, points: int) -> tuple[Path, Path]:
    """The same cloud twice."""
    rng = np.random.default_rng(3)
    header = laspy.LasHeader(point_format=3, version="1.2")
    header.offsets, header.scales = [0, 0, 0], [0.0001] * 3
    parts = [part_of_cloud(min(5_000_000, points - k), rng) for k in range(0, points, 5_000_000)]
    with laspy.open(folder / "wall.laz", mode="w", header=header) as file:
        for xyz, rgb in parts:
            record = laspy.ScaleAwarePointRecord.zeros(len(xyz), header=header)
            record.x, record.y, record.z = xyz.T
            record.red, record.green, record.blue = rgb.T.astype(np.uint16) * 257
            file.write_points(record)
    whole, rgb = (np.concatenate([p[k] for p in parts]) for k in (0, 1))
    e57 = pye57.E57(str(folder / "wall.e57"), mode="w")
    data = {f"cartesian{a}": whole[:, k] for k, a in enumerate("XYZ")}
    data |= {
        f"color{c}": np.ascontiguousarray(rgb[:, k]) for k, c in enumerate(("Red", "Green", "Blue"))
    }
    e57.write_scan_raw(
        data, rotation=np.array([1.0, 0, 0, 0]), translation=np.array([0.0, 0.0, 0.0])
    )
    e57.close()
    return folder / "wall.laz", folder / "wall.e57"


def timed(code: str, *words: object) -> tuple[float, float, float]:
    """Wall seconds, processor seconds, largest memory in MB of a child."""
    child = (
        code
        + "\nimport resource as r; u = r.getrusage(r.RUSAGE_SELF); print(u.ru_utime + u.ru_stime, u.ru_maxrss / 1e3)"
    )
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", child, *map(str, words)], check=True, capture_output=True, text=True
    )
    cpu, peak = map(float, done.stdout.split()[-2:])
    return time.perf_counter() - start, cpu, peak


def main() -> None:
    """Make, grid, take in, tell."""
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    from facademap.tasks.project.create_project import ProjectPlan, create_project

    with tempfile.TemporaryDirectory() as scratch:
        # made by a child, so that its memory is not counted
        subprocess.run(
            [sys.executable, __file__, "--make", scratch, str(int(millions * 1e6))], check=True
        )
        for kind in ("laz", "e57"):
            cloud = Path(scratch) / f"wall.{kind}"
            project = Path(scratch) / f"project-{kind}"
            create_project(project, ProjectPlan.of_one_wall("Wall"))
            bare = timed(BARE, cloud, int(WIDTH_M / GSD_M), int(HEIGHT_M / GSD_M), GSD_M)
            intake = timed(INTAKE, project, cloud, GSD_M)
            print(f"{kind}: {millions:g} million points, {cloud.stat().st_size / 1e6:.0f} MB")
            for name, (wall, cpu, peak) in (("bare gridding", bare), ("intake", intake)):
                print(f"  {name}: wall {wall:.1f} s, processor {cpu:.1f} s, {peak:.0f} MB")
            print(f"  {intake[1] / bare[1]:.2f} times the processor time", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--make"]:
        make_clouds(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        main()
