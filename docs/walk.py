"""Go through the job of ``job.md`` with the demo's files, hold each answer to the page, and draw its pictures: ``python -m docs.walk``."""

from __future__ import annotations

import doctest
import io
import os
import re
import shlex
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
from click.testing import CliRunner
from PIL import Image, ImageDraw

from docs.pictures import FOLDER
from facademap.cli.main import main as facademap
from facademap.io.whole_files import make_folder, write_whole
from facademap.store.project import Project
from facademap.tasks.project.demo import demo_data

PAGE = Path(__file__).parent / "job.md"
FENCE = re.compile(r"```console\n(.*?)```", re.DOTALL)
#: The repair that the page follows, and the photo that it shows.
REPAIR, PHOTO = "R-010", "river_front_1.jpg"
_WIDE_PX = 1100


def steps_of(page: str) -> Iterator[tuple[str, str]]:
    """Commands of a page in their order, each with the answer that it prints."""
    for fence in FENCE.findall(page):
        for part in re.split(r"^\$ ", fence, flags=re.MULTILINE)[1:]:
            command, _, answer = part.partition("\n")
            yield command, answer


def answer_of(command: str) -> str:
    """What the command prints, without its messages of progress."""
    words = []
    for word in shlex.split(command)[1:]:
        found = sorted(Path().glob(word)) if "*" in word else []
        words += [str(p) for p in found] or [word]
    answer = CliRunner().invoke(facademap, [*words, "--quiet"])
    if answer.exception is not None and not isinstance(answer.exception, SystemExit):
        raise answer.exception
    return "".join(f"{line.rstrip()}\n" for line in answer.output.splitlines() if line.strip())


def go_through(page: str) -> int:
    """Run every command in the working folder; the number of those whose answer differs."""
    checker, differing = doctest.OutputChecker(), 0
    for command, expected in steps_of(page):
        answer = answer_of(command)
        if not checker.check_output(expected, answer, doctest.ELLIPSIS):
            print(
                f"$ {command}\nexpected:\n{expected}\nanswered:\n{answer[:2000]}", file=sys.stderr
            )
            differing += 1
    return differing


def points_on_photo(sample: Path) -> bytes:
    """The photo with its control in red and its check points in blue."""
    roles = pd.read_csv(sample / "control_points.csv").set_index("name")["role"]
    seen = pd.read_csv(sample / "observations.csv")
    with Image.open(sample / "photos" / PHOTO) as photo:
        picture = photo.convert("RGB")
    pen, size = ImageDraw.Draw(picture), picture.width // 90
    for row in seen[seen["photo"] == PHOTO].itertuples():
        colour = "#d00000" if roles[row.name] == "control" else "#0060ff"
        pen.line((row.x_px - size, row.y_px, row.x_px + size, row.y_px), fill=colour, width=8)
        pen.line((row.x_px, row.y_px - size, row.x_px, row.y_px + size), fill=colour, width=8)
    picture.thumbnail((_WIDE_PX, _WIDE_PX))
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=85)
    return made.getvalue()


def on_the_wall(folder: Path, frame: pd.DataFrame) -> bytes:
    """Rows of a table drawn on the elevation."""
    from matplotlib import pyplot

    from facademap.library.pictures import plot

    _, axes = pyplot.subplots(figsize=(11, 7), layout="constrained")
    plot(folder, frame, ax=axes)
    made = io.BytesIO()
    axes.figure.savefig(made, format="jpg", dpi=100, pil_kwargs={"quality": 85})
    pyplot.close(axes.figure)
    return made.getvalue()


def pictures_of(folder: Path, sample: Path) -> Iterator[tuple[str, bytes]]:
    """Name and content of every picture of the page."""
    from facademap.tasks.desk.inwall import piece_in_wall
    from facademap.tasks.desk.papers import ticket_svg
    from facademap.tasks.desk.pictures import Pictures

    yield "job-photo.jpg", points_on_photo(sample)
    with Project.open(folder) as project:
        yield "job-elevation.jpg", on_the_wall(folder, project.read("openings"))
        yield "job-conditions.jpg", on_the_wall(folder, project.read("conditions"))
        yield "job-repairs.jpg", on_the_wall(folder, project.read("repairs"))
        pictures = Pictures(folder)
        place = project.read("placements", where={"repair": REPAIR}).iloc[0]
        yield "job-face.jpg", pictures.face(project, place["face"], size_px=640)[0]
        yield (
            "job-in-wall.jpg",
            piece_in_wall(
                project,
                pictures,
                repair=REPAIR,
                face=place["face"],
                x_m=float(place["x_m"]),
                y_m=float(place["y_m"]),
                turn_deg=int(place["rotation_deg"]),
            ),
        )
        yield "job-ticket.svg", ticket_svg(project, REPAIR)


def main() -> int:
    """Go through the page and draw; the exit status says whether every answer is as printed."""
    sample, page = demo_data().resolve(), PAGE.read_text("utf-8")
    make_folder(FOLDER)
    home = Path.cwd()
    with tempfile.TemporaryDirectory() as scratch:
        os.chdir(scratch)
        try:
            Path("demo").symlink_to(sample)
            differing = go_through(page)
            for name, content in pictures_of(Path("loft"), sample):
                write_whole(home / FOLDER / name, content)
        finally:
            os.chdir(home)
    return 1 if differing else 0


if __name__ == "__main__":
    raise SystemExit(main())
