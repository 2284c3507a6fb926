"""Speed, size and memory of the papers, side by side in one run.

    python benchmarks/papers.py

An A1 sheet with a picture of 24 megapixels and 5,000 hatched outlines, 300 cut tickets, all papers of a
project of 300 insets.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.papers_project import TERMS, make_project
from facademap.condition.glossary import family_named, find_term
from facademap.io.rule_files import load_profile
from facademap.report.drawing_content import Content, Group, Panel
from facademap.report.drawings import draw_sheets, write_drawing_pdf
from facademap.report.face_picture import encode_jpeg, rectify_face
from facademap.report.ticket_content import make_tickets
from facademap.report.tickets import write_cut_tickets
from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tasks.issue.papers import make_papers

WALL = (0.0, 0.0, 33.0, 24.0)


def outlines(count: int, seed: int = 3) -> np.ndarray:
    """Ragged outlines of 18 corners, 0.1 to 0.5 m wide."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 18, endpoint=False)
    centre = rng.uniform((0.5, 0.5), (32.5, 23.5), (count, 2))
    radius = rng.uniform(0.05, 0.25, (count, 1)) * rng.uniform(0.7, 1.3, (count, 18))
    points = np.stack(
        [centre[:, :1] + radius * np.cos(angle), centre[:, 1:] + radius * np.sin(angle) * 0.7],
        axis=2,
    )
    return shapely.polygons(points)


def content(count: int) -> Content:
    """A drawing of that many outlines under the usual terms."""
    shapes = outlines(count)
    words = [find_term(t) for t in TERMS if find_term(t).shape == "polygon"]
    groups = []
    for k, word in enumerate(words):
        own = shapes[k :: len(words)]
        groups.append(
            Group(
                name=word.name,
                short=word.abbreviation,
                heading=family_named(word.family).name,
                colour=family_named(word.family).colour,
                hatch=word.hatch,
                shapes=own,
                labels=[word.abbreviation] * len(own),
                weights_mm=np.full(len(own), 0.35),
                proposed=np.zeros(len(own), dtype=bool),
                ids=[f"{word.abbreviation}-{i}" for i in range(len(own))],
                classes=["CC1"] * len(own),
                area_m2=float(shapely.area(own).sum()),
                length_m=0.0,
            )
        )
    empty = np.empty(0, dtype=object)
    return Content(
        kind="condition",
        elevation="Bench",
        panels=(Panel(surface="S", name="S", shift=(0, 0), box=WALL),),
        groups=tuple(groups),
        stones=empty,
        openings=empty,
        box=WALL,
        notes=("Bench.",),
    )


def picture_24_mp() -> bytes:
    """Masonry-like noise as JPEG."""
    rng = np.random.default_rng(1)
    coarse = cv2.resize(rng.uniform(90, 200, (60, 80, 3)).astype(np.float32), (5745, 4178))
    image = np.clip(coarse + rng.normal(0, 8, (4178, 5745, 1)), 0, 255).astype(np.uint8)
    return encode_jpeg(image, quality=80)


def megabytes() -> float:
    """Peak memory of this process so far."""
    # ru_maxrss of a child starts with the peak of its parent, so Linux's own figure is read where it is there
    status = Path("/proc/self/status")
    if status.exists():
        return (
            next(
                int(line.split()[1])
                for line in status.read_text().splitlines()
                if line.startswith("VmHWM")
            )
            / 1024
        )
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def tickets(folder: Path) -> None:
    """300 tickets with their faces, and the memory that they took."""
    with Project.open(folder, read_only=True) as project:
        frames = {name: project.read(name) for name in TABLES}
    photo = np.full((800, 1200, 3), 170, np.uint8)
    start = time.perf_counter()
    pictures = {
        f["id"]: rectify_face(photo, f["photo_matrix"], outline=f["outline"])
        for f in frames["faces"].to_dict("records")
    }
    made = make_tickets(frames, project="bench", settings=load_profile("metric"))
    data = write_cut_tickets(made, pictures=pictures)
    print(
        f"{len(made)} cut tickets: {time.perf_counter() - start:.1f} s (bar 90 s), {len(data) / 1e6:.1f} MB, peak memory {megabytes():.0f} MB (bar 1000)"
    )


def main() -> None:
    """Run and print."""
    jpeg = picture_24_mp()
    print(f"picture 24 MP, {len(jpeg) / 1e6:.1f} MB")
    for count in (500, 5000):
        drawing = content(count)
        start, core = time.perf_counter(), time.process_time()
        pages = draw_sheets(
            drawing, sheet="A1", scale=50.0, picture=lambda surface, box, most: (jpeg, WALL)
        )
        data = write_drawing_pdf(pages, title="bench")
        made, core = time.perf_counter() - start, time.process_time() - core
        line = f"A1, {count} hatched outlines: {made:.2f} s, {core:.2f} s of one core (bar 3 s), {len(data) / 1e6:.1f} MB (bar 10 MB), {len(pages)} sheet"
        if shutil.which("pdftoppm"):
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "a1.pdf"
                path.write_bytes(data)
                start, before = time.perf_counter(), os.times().children_user
                subprocess.run(
                    ["pdftoppm", "-r", "72", "-png", str(path), str(Path(folder) / "a1")],
                    check=True,
                )
                line += f", poppler draws it in {time.perf_counter() - start:.2f} s, {os.times().children_user - before:.2f} s of one core (bar 2 s)"
        print(line)
    with tempfile.TemporaryDirectory() as folder:
        make_project(Path(folder) / "p", insets=300, conditions=400).close()
        # in a process of its own, so that the peak of memory is that of the tickets
        subprocess.run([sys.executable, __file__, str(Path(folder) / "p")], check=True)
        start = time.perf_counter()
        result = make_papers(Path(folder) / "p", again=True)
        print(
            f"all papers of that project: {time.perf_counter() - start:.1f} s {dict(result.seconds)} failed {dict(result.failed)}"
        )
        start = time.perf_counter()
        make_papers(Path(folder) / "p")
        print(f"again, nothing changed: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        tickets(Path(sys.argv[1]))
    else:
        main()
