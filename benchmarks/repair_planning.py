"""Speed of the repair planning: 1,000 conditions at once, one again; bars 5 s and 50 ms.

Run ``python benchmarks/repair_planning.py``. A bare loop that only intersects every condition with the stones under it runs
beside it, to tell a slow machine from a slow planner.
"""

from __future__ import annotations

import itertools
import statistics
import time

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import Polygon, box

from facademap.io.rule_files import load_profile, load_rules
from facademap.repair.planning import plan_repairs
from facademap.repair.replanning import replan
from facademap.repair.stonework import Stonework
from facademap.tables import CONDITIONS, OPENINGS, WALL_STONES


def wall(rng: np.random.Generator) -> gpd.GeoDataFrame:
    """About 800 coursed stones with 5 mm joints, 20 m by 5.7 m."""
    rows, v = [], 0.0
    for course in range(20):
        u, number = 0.0, 0
        while u < 20:
            width = float(rng.uniform(0.3, 0.7))
            rows.append(
                {
                    "id": f"S-{course}-{number}",
                    "surface": "A",
                    "course": course,
                    "number": number,
                    "kind": "sedimentary",
                    "bed": "horizontal",
                    "stone_type": "sandstone",
                    "depth_m": 0.2,
                    "geometry": box(u, v, u + width, v + 0.28),
                }
            )
            u, number = u + width + 0.005, number + 1
        v += 0.285
    return WALL_STONES.check(gpd.GeoDataFrame(rows, geometry="geometry"))


def damage(count: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Patches of mixed terms."""
    terms = (
        "contour scaling",
        "alveolization",
        "crack",
        "black crust",
        "lichen",
        "erosion",
        "coving",
        "fracture",
    )
    rows = []
    for k in range(count):
        u, v, r = rng.uniform(0.2, 19.5), rng.uniform(0.2, 5.4), rng.uniform(0.03, 0.15)
        angles = np.sort(rng.uniform(0, 2 * np.pi, 14))
        reach = r * rng.uniform(0.6, 1.0, 14)
        shape = Polygon(np.column_stack([u + reach * np.cos(angles), v + reach * np.sin(angles)]))
        rows.append(
            {
                "id": f"C-{k:04d}",
                "surface": "A",
                "term": terms[k % len(terms)],
                "depth_m": float(rng.uniform(0.005, 0.09)),
                "cc": int(rng.integers(1, 4)),
                "uc": 1,
                "cause_settled": True,
                "geometry": shape if shape.is_valid else shape.convex_hull,
            }
        )
    return CONDITIONS.check(gpd.GeoDataFrame(rows, geometry="geometry"))


def main() -> None:
    """Time the planner and print a table."""
    rng = np.random.default_rng(1)
    stones, conditions, rules, profile = (
        wall(rng),
        damage(1000, rng),
        load_rules(),
        load_profile("metric"),
    )
    start = time.perf_counter()
    tree = shapely.STRtree(stones.geometry.values)
    for shape in conditions.geometry:
        for k in tree.query(shape, predicate="intersects"):
            shapely.intersection(shape, stones.geometry.iloc[int(k)])
    bare = time.perf_counter() - start

    start, cpu = time.perf_counter(), time.process_time()
    plan = plan_repairs(conditions, stones, OPENINGS.empty(), rules=rules, settings=profile)
    full, full_cpu = time.perf_counter() - start, time.process_time() - cpu

    work, numbers = Stonework.from_frames(stones, OPENINGS.empty()), itertools.count(9000)
    times: list[float] = []
    cpus: list[float] = []
    for name in rng.choice(conditions["id"], 40, replace=False):
        start, cpu = time.perf_counter(), time.process_time()
        replan(
            [str(name)],
            conditions,
            stones,
            plan.repairs,
            stonework=work,
            rules=rules,
            settings=profile,
            new_id=lambda: f"R-{next(numbers)}",
        )
        times.append(time.perf_counter() - start)
        cpus.append(time.process_time() - cpu)
    print(
        f"stones {len(stones)}, conditions {len(conditions)}, repairs {len(plan.repairs)}, pieces {len(plan.pieces)}"
    )
    print(f"bare intersections    {bare:8.3f} s")
    print(f"plan all              {full:8.3f} s  (cpu {full_cpu:.3f} s; bar 5 s)")
    print(
        f"plan one again        {statistics.median(times) * 1000:8.1f} ms median, {max(times) * 1000:.1f} ms worst of {len(times)} (cpu {statistics.median(cpus) * 1000:.1f} ms; bar 50 ms)"
    )


if __name__ == "__main__":
    main()
