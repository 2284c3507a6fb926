"""Job sheets: a page for every treatment that is not a piece of stone, and one list of what is looked at again."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.wall_window import Crop, Put, draw_wall_window
from facademap.treatment import Figure, Job, Visit
from facademap.treatment.words import say

__all__ = ["draw_places", "write_job_sheets", "write_jobs_csv"]

MARGIN = 12.0
#: Height of the picture: the usual one, larger where more figures stand beside it, smaller where that saves a page of a few lines.
_PICTURES_MM, _SMALLER_MM, _FEW_LINES_MM = (72.0, 90.0, 110.0), (60.0, 50.0, 42.0), 45.0
_DARK, _HOLD, _DOUBT, _QUIET = "#22313f", "#a3231d", "#7a5200", "#444444"
#: What stands beside a figure for how far its source was read.
_MARKS: Mapping[str, str] = {
    "confirmed": "read",
    "derived": "worked out",
    "memory": "from memory: verify",
    "practice": "common practice",
    "project": "this project",
}


def _mark(figure: Figure) -> str:
    if figure.is_typed:
        return "as the survey tells"
    return "measured" if figure.is_measured else _MARKS[figure.status]


def write_job_sheets(
    jobs: Sequence[Job],
    repairs: Mapping[str, Mapping[str, Any]],
    conditions: Mapping[str, Mapping[str, Any]],
    *,
    visits: Sequence[Visit] = (),
    crop: Crop | None = None,
    project: str = "",
    paper: str = "A4",
    inches: bool = False,
) -> bytes:
    """All job sheets as one PDF: what is worked on first, then what is left and looked at again.

    Parameters
    ----------
    jobs : sequence of Job
    repairs, conditions : mapping of id to row
    visits : sequence of Visit
        Repairs on one stone that are done together.
    crop : callable, optional
        Gives the rectified picture of a surface.
    project : str
        Name of the project.
    paper : str
        Size of the sheets.
    inches : bool
        Whether people read inches.
    """
    return write_pdf(
        _pages(jobs, repairs, conditions, visits, crop, project, paper_named(paper), inches),
        title=f"Job sheets, {project}".strip(", "),
        subject="Repointing, cracks, mortar repairs, cleaning, consolidation, metal, shelter and making safe",
    )


def write_jobs_csv(jobs: Sequence[Job]) -> bytes:
    """Every figure and product of every job as one table, in SI, with its source."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(
        ["repair", "treatment", "method", "held", "name", "value", "measures", "source", "status"]
    )
    for job in jobs:
        head = [job.repair, job.treatment, job.method, "yes" if job.held else "no"]
        for f in job.figures:
            table.writerow([*head, f.name, f"{f.value:.6g}", f.kind, f.source, f.status])
        for p in job.products:
            table.writerow([*head, p.name, f"{p.amount:.6g}", p.kind, p.purpose, "derived"])
    return ("﻿" + out.getvalue()).encode()


def _pages(
    jobs: Sequence[Job],
    repairs: Mapping[str, Mapping[str, Any]],
    conditions: Mapping[str, Mapping[str, Any]],
    visits: Sequence[Visit],
    crop: Crop | None,
    project: str,
    size: tuple[float, float],
    inches: bool,
) -> Iterator[Page]:
    worked = [j for j in jobs if j.treatment != "leave"]
    watched = [j for j in jobs if j.treatment == "leave"]
    with_others = {r: v for v in visits for r in v.repairs}
    for n, job in enumerate(worked, start=1):
        row = repairs[job.repair]
        own = [conditions[str(c)] for c in row["conditions"] or () if str(c) in conditions]
        yield from _Sheet(
            job,
            row,
            own,
            with_others.get(job.repair),
            crop,
            size,
            inches,
            project,
            f"{n} of {len(worked)}",
        ).pages()
    if watched or not worked:
        yield from _watched(watched, project, size, inches)


class _Sheet:
    """One job on as many pages as it takes."""

    def __init__(
        self,
        job: Job,
        repair: Mapping[str, Any],
        conditions: Sequence[Mapping[str, Any]],
        visit: Visit | None,
        crop: Crop | None,
        size: tuple[float, float],
        inches: bool,
        project: str,
        count: str,
    ) -> None:
        self.job, self.repair, self.conditions, self.visit = job, repair, conditions, visit
        self.crop, self.inches, self.project, self.count = crop, inches, project, count
        self.width, self.height = size
        self.left, self.right = MARGIN, self.width - MARGIN
        self.page, self.y, self.untold = self._open(), 0.0, False
        self.done: list[Page] = []

    def pages(self) -> list[Page]:
        """The pages, from the head to the sources; with a smaller picture where that saves a page with a few lines."""
        usual, *taller = _PICTURES_MM
        made = self._laid(usual)
        for tall in taller if self.untold else ():
            made = self._laid(tall)
            if not self.untold:
                return made
        if len(made) > 1 and self.y > self.height - MARGIN - 22 - _FEW_LINES_MM:
            for tall in _SMALLER_MM:
                fewer = self._laid(tall)
                if len(fewer) < len(made) and not self.untold:
                    return fewer
        return made

    def _laid(self, picture_mm: float) -> list[Page]:
        """The pages with a picture of this height; ``untold`` says whether figures had no room beside it."""
        self.page, self.done, self.untold = self._open(), [], False
        self.y = self.height - MARGIN - 20
        self._holds()
        self._picture_and_figures(picture_mm)
        job = self.job
        self._listed("Materials", [self._product(p) for p in job.products])
        self._listed("Tools", job.tools)
        self._listed("Steps", job.steps, numbered=True)
        self._listed("Never here", job.never, ink=_HOLD)
        self._listed("Good when", job.criteria, ticks=True)
        self._listed("Not known", job.doubts, ink=_DOUBT)
        if self.visit is not None:
            others = [
                f"{r} ({t})" for r, t in zip(self.visit.repairs, self.visit.treatments, strict=True)
            ]
            together = f"{self.visit.hours.likely_h:.1f} h of a crew, likely, set up once (common practice)"
            self._listed(
                "One visit",
                [f"Same stone, in this order: {', '.join(others)}. Together {together}."],
            )
        self._listed("Cautions", job.cautions)
        self._listed("Sources", self._sources(), size_pt=7.0, ink=_QUIET)
        return [*self.done, self.page]

    def _open(self) -> Page:
        job, top = self.job, self.height - MARGIN
        page = Page(width_mm=self.width, height_mm=self.height, title=job.repair)
        page.box(self.left, top - 17, self.right - self.left, 17, ink=None, fill=_DARK)
        page.text(
            self.left + 4,
            top - 5,
            f"JOB SHEET: {job.treatment.upper()}",
            size_pt=9,
            weight="bold",
            ink="#ffffff",
        )
        page.text(
            self.left + 4,
            top - 13.5,
            job.repair,
            size_pt=20,
            weight="bold",
            ink="#ffffff",
            within_mm=50,
        )
        page.text(
            self.right - 4,
            top - 6.5,
            job.method,
            size_pt=11,
            weight="bold",
            ink="#ffffff",
            anchor="right",
            within_mm=118,
        )
        where = " · ".join(
            w
            for w in (
                job.surface,
                f"stone {job.wall_stone}" if job.wall_stone else "on no stone",
                f"stage: {self.repair['stage']}",
            )
            if w
        )
        page.text(
            self.right - 4,
            top - 13.5,
            where,
            size_pt=9,
            ink="#ffffff",
            anchor="right",
            within_mm=118,
        )
        page.text(self.left, MARGIN - 5, self.project, size_pt=7.5, within_mm=110)
        page.text(
            self.right, MARGIN - 5, f"{job.repair}    job {self.count}", size_pt=7.5, anchor="right"
        )
        return page

    def _need(self, tall: float) -> None:
        if self.y - tall < MARGIN + 2:
            self.done.append(self.page)
            self.page = self._open()
            self.y = self.height - MARGIN - 22

    def _holds(self) -> None:
        if not self.job.holds:
            return
        lines = [f"• {h}" for h in self.job.holds]
        wide = self.right - self.left - 8
        probe = Page(width_mm=self.width, height_mm=self.height)
        y = 0.0
        for line in lines:
            y = probe.paragraph(0, y, line, width_mm=wide, size_pt=9)
        tall = -y + 9
        self.page.box(
            self.left,
            self.y - tall,
            self.right - self.left,
            tall,
            ink=_HOLD,
            width_mm=0.7,
            fill="#fdf0ee",
        )
        self.page.text(
            self.left + 4, self.y - 5, "HELD: do not begin", size_pt=10, weight="bold", ink=_HOLD
        )
        y = self.y - 9.5
        for line in lines:
            y = self.page.paragraph(self.left + 4, y, line, width_mm=wide, size_pt=9, ink=_HOLD)
        self.y -= tall + 3

    def _picture_and_figures(self, tall: float) -> None:
        wide = 88.0
        job = self.job
        put = draw_wall_window(
            self.page,
            self.crop,
            self.repair,
            self.conditions,
            box=(self.left, self.y - tall, wide, tall),
            inches=self.inches,
            least_m=0.12,
        )
        if put is not None:
            draw_places(self.page, job, put)
        x, y, width = self.left + wide + 4, self.y, self.right - self.left - wide - 4
        y = self.page.paragraph(x, y - 3.5, job.why, width_mm=width, size_pt=9) - 0.5
        y = self.page.paragraph(x, y, job.removes, width_mm=width, size_pt=9, weight="bold") - 1.5
        for f in job.figures:
            if y < self.y - tall + 1:
                self.untold = True
                break
            self.page.text(x, y, f.name, size_pt=8.2, within_mm=width * 0.5)
            self.page.text(
                x + width * 0.72,
                y,
                say(f.value, f.kind, inches=self.inches),
                size_pt=8.8,
                weight="bold",
                anchor="right",
                within_mm=width * 0.25,
            )
            self.page.text(
                x + width,
                y,
                _mark(f),
                size_pt=6.6,
                anchor="right",
                ink=_QUIET,
                within_mm=width * 0.26,
            )
            y -= 4.3
        self.y -= tall + 5

    def _product(self, product: Any) -> str:
        amount = say(product.amount, product.kind, inches=self.inches)
        return f"{product.name}: {amount}" + (f" ({product.purpose})" if product.purpose else "")

    def _listed(
        self,
        title: str,
        lines: Sequence[str],
        *,
        numbered: bool = False,
        ticks: bool = False,
        ink: str = "#000000",
        size_pt: float = 8.8,
    ) -> None:
        if not lines:
            return
        self._need(14)
        self.page.text(self.left, self.y - 3, title, size_pt=9.5, weight="bold", ink=ink)
        first = True
        for n, line in enumerate(lines, start=1):
            probe = Page(width_mm=self.width, height_mm=self.height)
            wide = self.right - self.left - 32
            tall = -probe.paragraph(0, 0, line, width_mm=wide, size_pt=size_pt)
            if not first:
                self._need(tall + 1)
            y = self.y - 3
            if ticks:
                self.page.box(self.left + 27, y - 0.4, 2.6, 2.6, width_mm=0.25)
            mark = "" if ticks else f"{n}." if numbered else "–" if len(lines) > 1 else ""
            self.page.text(self.left + 27, y, mark, size_pt=size_pt, ink=ink)
            self.y = (
                self.page.paragraph(
                    self.left + 32, y, line, width_mm=wide, size_pt=size_pt, ink=ink
                )
                + 2.4
            )
            first = False
        self.page.line(self.left, self.y - 1, self.right, self.y - 1, width_mm=0.1, ink="#999999")
        self.y -= 3

    def _sources(self) -> list[str]:
        cited: dict[str, list[str]] = {}
        for f in self.job.figures:
            cited.setdefault(f"{f.source} [{_mark(f)}]", []).append(f.name)
        words = [f"{', '.join(names)}: {source}" for source, names in cited.items()]
        return ["; ".join(words) + "."] if words else []


def draw_places(page: Page, job: Job, put: Put) -> None:
    """Ports, rods with the way they go in, and screws of a job where they lie in a drawn window of the wall."""
    for place in job.places:
        (x, y) = np.asarray(put([[place.u_m, place.v_m]]))[0]
        kind, _, number = place.name.partition(" ")
        if kind == "rod" and place.toward_deg is not None:
            turn = math.radians(place.toward_deg)
            page.arrow(
                x, y, x + 6 * math.cos(turn), y + 6 * math.sin(turn), ink="#5b2a86", width_mm=0.5
            )
        page.discs(
            [(x, y)],
            0.9,
            ink="#ffffff",
            fill="#5b2a86" if kind == "rod" else "#0b6e4f",
            width_mm=0.25,
        )
        if kind != "screw":
            page.text(
                x + 1.4, y + 0.6, f"{kind[0]}{number}", size_pt=6.2, weight="bold", halo="#ffffff"
            )


def _watched(
    jobs: Sequence[Job], project: str, size: tuple[float, float], inches: bool
) -> Iterator[Page]:
    """What is left, and when it is looked at again, as a list."""
    width, height = size
    left, right = MARGIN, width - MARGIN
    rows = max(int((height - 2 * MARGIN - 34) // 5), 1)
    for begin in range(0, max(len(jobs), 1), rows):
        page = Page(width_mm=width, height_mm=height, title="left and looked at again")
        y = height - MARGIN
        page.text(left, y - 6, "Left, and looked at again", size_pt=15, weight="bold")
        page.paragraph(
            left,
            y - 12,
            "What does no harm stays: every cut takes sound stone as well. Photograph from the same place with a scale, and compare.",
            width_mm=right - left,
            size_pt=9,
        )
        y -= 24
        for x, word in (
            (left, "Repair"),
            (left + 28, "Stone"),
            (left + 68, "Surface"),
            (left + 122, "Look again after"),
            (left + 152, "Why then"),
        ):
            page.text(x, y, word, size_pt=8.5, weight="bold")
        page.line(left, y - 1.5, right, y - 1.5, width_mm=0.3)
        y -= 6
        for job in jobs[begin : begin + rows]:
            after: Figure | None = job.figure("look again after")
            page.text(left, y, job.repair, size_pt=8.5, within_mm=26)
            page.text(left + 28, y, job.wall_stone or "–", size_pt=8.5, within_mm=38)
            page.text(left + 68, y, job.surface, size_pt=8.5, within_mm=52)
            if after is not None:
                page.text(
                    left + 122,
                    y,
                    say(after.value, after.kind, inches=inches),
                    size_pt=8.5,
                    weight="bold",
                    within_mm=28,
                )
                page.text(left + 152, y, _mark(after), size_pt=7, ink=_QUIET, within_mm=34)
            y -= 5
        if not jobs:
            page.text(
                left, y, "No repair is left as it is, and none has a designed treatment.", size_pt=9
            )
        page.text(left, MARGIN - 5, project, size_pt=7.5, within_mm=110)
        yield page
