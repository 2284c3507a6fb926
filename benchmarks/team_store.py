"""The store in PostgreSQL beside the embedded one and beside raw SQL, in one run: ``python benchmarks/team_store.py [ROWS]``.

Needs Debian's postgresql and postgis; a temporary cluster with fsync on is made and removed. Reports medians; the machine's other work shows
in them, so look at the ratios.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from cluster import running_cluster

from facademap.store.packed import pack_table
from facademap.store.project import Project
from facademap.store.team import connect_team
from facademap.store.team_address import read_address
from facademap.tasks.project.copy_project import copy_project

RAW = """BEGIN; UPDATE conditions SET cc = %d, rev = rev + 1 WHERE id = 'C-1';
INSERT INTO edit_log (txn, at, who, what, table_name, row_id, op, rev, before, after)
SELECT 'raw', 'now', 'x', 'x', 'conditions', 'C-1', 'update', 1, before, after FROM edit_log WHERE seq = 2; COMMIT"""


def timed(act: Callable[[int], Any], times: int) -> list[float]:
    """Seconds of each call."""
    taken = []
    for n in range(times):
        start = time.perf_counter()
        act(n)
        taken.append(time.perf_counter() - start)
    return taken


def words(taken: list[float]) -> str:
    """Median and 95th percentile in milliseconds."""
    at_95 = sorted(taken)[int(0.95 * len(taken))]
    return f"median {statistics.median(taken) * 1e3:.1f} ms, p95 {at_95 * 1e3:.1f} ms"


def fill(project: Project, rows: int) -> None:
    """Conditions in one edit."""
    import numpy as np
    import shapely

    rng = np.random.default_rng(7)
    with project.edit(who="x", what="fill") as edit:
        edit.insert("elevations", [{"id": "e", "name": "e"}])
        edit.insert("surfaces", [{"id": "s", "elevation": "e", "name": "s"}])
        places = rng.uniform(0, 100, (rows, 2))
        edit.insert(
            "conditions",
            [
                {"id": f"C-{n + 1}", "surface": "s", "term": "scaling", "cc": n % 4,
                 "geometry": shapely.Point(p).buffer(0.2, quad_segs=4)}
                for n, p in enumerate(places)
            ],
        )  # fmt: skip


def main(rows: int) -> None:
    """Print the figures."""
    scratch = Path(tempfile.mkdtemp())
    with running_cluster(durable=True) as cluster:
        small = Project.create(scratch / "small", name="small")
        fill(small, 10)
        small.close()
        address = cluster.make_database("bench")
        copy_project(str(scratch / "small"), f"{address}#small", files=scratch / "team")
        stores = {"GeoPackage": scratch / "small", "PostGIS": scratch / "team"}

        def edit(project: Project, n: int) -> None:
            with project.edit(who="x", what="x") as changed:
                changed.update("conditions", "C-1", {"cc": n % 4})

        for name, folder in stores.items():
            with Project.open(folder) as project:
                print(f"an edit, {name}: {words(timed(lambda n, p=project: edit(p, n), 200))}")
        raw = connect_team(read_address(f"{address}#small"))
        raw.execute("SET search_path TO small, public")
        print(f"an edit, raw SQL: {words(timed(lambda n: raw.execute(RAW % (n % 4)), 200))}")

        for writers in (20,):
            for name in ("raw SQL", "PostGIS"):
                with ThreadPoolExecutor(writers) as pool:
                    taken = list(
                        pool.map(
                            lambda _, k=name: one_writer(k, address, stores["PostGIS"], edit),
                            range(writers),
                        )
                    )
                print(f"{writers} writers, {name}: {words([t for own in taken for t in own])}")

        large = Project.create(scratch / "large", name="large")
        fill(large, rows)
        large.close()
        start = time.perf_counter()
        copy_project(str(scratch / "large"), f"{address}#large", files=scratch / "large_team")
        print(f"copied and proved, {rows} rows: {time.perf_counter() - start:.1f} s")
        for what, act in (
            ("read", lambda p: p.read("conditions")),
            ("packed for a desk", lambda p: pack_table(p, "conditions")),
        ):
            for name, folder in {
                "GeoPackage": scratch / "large",
                "PostGIS": scratch / "large_team",
            }.items():
                with Project.open(folder, read_only=True) as project:
                    taken = timed(lambda _, p=project, a=act: a(p), 3)
                    print(f"{rows} outlines {what}, {name}: {statistics.median(taken):.2f} s")


def one_writer(
    name: str, address: str, folder: Path, edit: Callable[[Project, int], None]
) -> list[float]:
    """Edits of one writer among many, each on a connection of its own."""
    if name == "raw SQL":
        raw = connect_team(read_address(f"{address}#small"))
        raw.execute("SET search_path TO small, public")
        return timed(lambda n: raw.execute(RAW % (n % 4)), 30)
    with Project.open(folder) as project:
        return timed(lambda n: edit(project, n), 30)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
