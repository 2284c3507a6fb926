"""The figures of an estate over more and more buildings, in folders and in one database: ``python benchmarks/estate_growth.py [CONDITIONS] [BUILDINGS...]``.

Every building has CONDITIONS (5,000) conditions and a tenth as many repairs. Each count runs in a process of its own; processor time, clock and
peak memory are printed, first as it is done the first time and then once more. Needs Debian's postgresql and postgis for the database.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from cluster import running_cluster

from facademap.store.project import Project
from facademap.store.team_address import read_address

_COUNT = """
import json, resource, sys, time
from facademap.tasks.project.estate import figures_of_estate
from facademap.report.estate_page import estate_page
places, out = json.loads(sys.argv[1]), []
figures_of_estate([])
for _ in range(2):
    clock, work = time.perf_counter(), time.process_time()
    found = figures_of_estate(places)
    page = estate_page(found)
    out.append([time.process_time() - work, time.perf_counter() - clock])
assert not found["unread"], found["unread"]
print(json.dumps({"taken": out, "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
                  "conditions": found["total"]["conditions"], "due": found["total"]["due_now"]}))
"""


def fill(project: Project, conditions: int, seed: int) -> None:
    """A building with conditions on four walls, and repairs of a tenth of them."""
    import numpy as np
    import shapely

    rng = np.random.default_rng(seed)
    walls = ("north", "east", "south", "west")
    with project.edit(who="x", what="fill") as edit:
        edit.insert("elevations", [{"id": w, "name": w} for w in walls])
        edit.insert("surfaces", [{"id": w, "elevation": w, "name": w} for w in walls])
        places = rng.uniform(0, 100, (conditions, 2))
        edit.insert(
            "conditions",
            [
                {
                    "id": f"C-{n:05d}", "surface": walls[n % 4], "term": "scaling", "cc": int(rng.integers(0, 4)), "uc": int(rng.integers(0, 4)),
                    "observed_on": f"20{15 + n % 10}-06-01", "geometry": shapely.box(u, v, u + 0.2, v + 0.2),
                }
                for n, (u, v) in enumerate(places)
            ],
        )  # fmt: skip
        edit.insert(
            "repairs",
            [
                {
                    "id": f"R-{n:05d}", "surface": walls[n % 4], "treatment": "inset", "stage": "proposed", "conditions": [f"C-{n:05d}"],
                    "removed_volume_m3": 0.002, "geometry": shapely.box(*places[n], *(places[n] + 0.3)),
                }
                for n in range(conditions // 10)
            ],
        )  # fmt: skip


def _in_folder(scratch: Path, number: int, conditions: int) -> Path:
    """A building in a file; those after the first are copies with a name of their own."""
    folder, first = scratch / f"mill-{number:02d}", scratch / "mill-00"
    if number == 0:
        with Project.create(folder, name=folder.name) as project:
            fill(project, conditions, 7)
        return folder
    shutil.copytree(first, folder)
    with contextlib.closing(sqlite3.connect(folder / "project.gpkg")) as raw, raw:
        raw.execute("UPDATE facademap_schema SET project = ?", (f"mill {number}",))
    return folder


def _in_database(scratch: Path, database: str, number: int, conditions: int) -> None:
    """The same in a database, where the rows of the first are copied from schema to schema."""
    address = read_address(f"{database}#mill_{number:02d}")
    with Project.create_in(address, scratch / f"team-{number:02d}", name=f"mill-{number:02d}") as project:  # fmt: skip
        if number == 0:
            fill(project, conditions, 7)
            return
        for table in ("elevations", "surfaces", "conditions", "repairs"):
            project._connection.execute(f'INSERT INTO "{table}" SELECT * FROM mill_00."{table}"')


def main() -> None:
    """Fill, count, print."""
    conditions = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    steps = [int(n) for n in sys.argv[2:]] or [1, 5, 10, 20]
    with tempfile.TemporaryDirectory() as scratch, running_cluster(durable=False) as cluster:
        database = cluster.make_database("estate")
        folders = []
        for number in range(max(steps)):
            folders.append(str(_in_folder(Path(scratch), number, conditions)))
            _in_database(Path(scratch), database, number, conditions)
        print(
            "buildings  store     processor s (first, again)  clock s (first, again)  peak MB  conditions  due"
        )
        for count in steps:
            team = [str(Path(scratch) / f"team-{n:02d}") for n in range(count)]
            for store, places in (("folder", folders[:count]), ("database", team)):
                for place in places:  # what an earlier count kept
                    (Path(place) / "cache" / "estate.json").unlink(missing_ok=True)
                done = subprocess.run(
                    [sys.executable, "-c", _COUNT, json.dumps(places)], capture_output=True, text=True, check=True
                )  # fmt: skip
                told = json.loads(done.stdout)
                (w1, c1), (w2, c2) = told["taken"]
                print(
                    f"{count:9d}  {store:8s}  {w1:12.2f} {w2:12.2f}  {c1:12.2f} {c2:10.2f}  {told['mb']:7.0f}  {told['conditions']:10d}  {told['due']}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
