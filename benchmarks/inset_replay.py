"""Speed of the proof before papers: 300 insets put together and taken apart, 300 pieces sawn and followed; bar 3 s in all.

Run ``python benchmarks/inset_replay.py``. Processor time, the median of five runs; the rows are made beforehand, as
`papers` reads them.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.papers_project import make_project
from facademap.match import Blank, Params, SawOrder, replay, saw
from facademap.report.insets import go_through
from facademap.tasks.plan.plan import settings_of_project

INSETS, RUNS, BAR_S = 300, 5, 3.0
ACROSS, UP, WIDE_MM, HIGH_MM, GAP_MM = 5, 3, 140.0, 110.0, 10.0


def orders() -> list[SawOrder]:
    """Twenty blocks of fifteen pieces, each thinner than its slab, so that backs are sawn off too."""
    corners = ((0.0, 0.0), (WIDE_MM, 0.0), (WIDE_MM, HIGH_MM), (0.0, HIGH_MM))
    blanks = tuple(
        Blank(
            piece_id=f"P-{i}-{j}",
            slab=0,
            outline_mm=tuple(
                (x + i * (WIDE_MM + GAP_MM), y + j * (HIGH_MM + GAP_MM)) for x, y in corners
            ),
            depth_mm=70.0,
        )
        for i in range(ACROSS)
        for j in range(UP)
    )
    face = ((-20.0, -20.0), (760.0, -20.0), (760.0, 380.0), (-20.0, 380.0))
    return [
        SawOrder(
            block_id=f"B-{n}",
            face_id="f",
            outline_mm=face,
            depth_mm=250.0,
            thickness_mm=(80.0,),
            blanks=blanks,
        )
        for n in range(INSETS // len(blanks))
    ]


def main() -> int:
    """Measure both; 1 where the bar is missed or a replay finds a fault."""
    with tempfile.TemporaryDirectory() as folder:
        project = make_project(Path(folder) / "p", insets=INSETS, conditions=INSETS)
        frames = {t: project.read(t) for t in ("repairs", "pieces", "wall_stones")}
        settings = settings_of_project(project)
        project.close()
    blocks, params = orders(), Params()
    assembled, sawn, faults = [], [], 0
    for _ in range(RUNS):
        start = time.process_time()
        insets = go_through(frames, settings)
        middle = time.process_time()
        wrong = [f for order in blocks for f in replay(saw(order, params))]
        sawn.append(time.process_time() - middle)
        assembled.append(middle - start)
        faults = len(wrong) + sum(not found.passed for _, found in insets.values())
    a, s = statistics.median(assembled), statistics.median(sawn)
    pieces = sum(len(o.blanks) for o in blocks)
    print(f"{len(insets)} insets put together: {a:.2f} s; {pieces} pieces sawn: {s:.2f} s")
    print(f"{a + s:.2f} s of processor time, bar {BAR_S} s; {faults} faults")
    return int(a + s > BAR_S or faults > 0)


if __name__ == "__main__":
    sys.exit(main())
