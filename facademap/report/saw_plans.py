"""Saw plans: for every block its zero and weights, its slabs, and its cuts step by step."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from facademap.match.saw_model import SawPlan
from facademap.match.saw_tables import Refused
from facademap.repair.block_weights import weights_of_block
from facademap.repair.donors import WallStone, wall_stone_of
from facademap.report.face_picture import FacePicture
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.piece_sketch import RED
from facademap.report.rows import rows_of
from facademap.report.saw_block import SawBlock, bed_words
from facademap.report.saw_cards import CARDS, cards
from facademap.report.saw_sheets import (
    draw_face_sheet,
    draw_lines,
    draw_slab,
    slabs_of,
    yield_lines,
)
from facademap.salvage.densities import StoneDensity
from facademap.salvage.seen_face import seen_face
from facademap.tables import is_missing

__all__ = ["write_saw_plans"]

MARGIN = 10.0
_FOOT = 17.0
_HEAD = 20.0


def write_saw_plans(
    plans: Sequence[SawPlan],
    refused: Sequence[Refused],
    frames: Mapping[str, pd.DataFrame],
    *,
    held: Collection[str] = (),
    densities: Mapping[str, StoneDensity | float] | None = None,
    pictures: Mapping[str, FacePicture] | None = None,
    project: str = "",
    revision: str = "",
    paper: str = "A4",
    inches: bool = False,
) -> bytes:
    """Saw plans of all blocks, and a sheet for every block that cannot be sawn as planned.

    Parameters
    ----------
    plans, refused
        From :func:`facademap.match.sawing_of`.
    frames : mapping of table name to frame
        ``blocks, faces, pieces, placements, repairs``.
    held : collection of str
        Pieces that cannot be set as planned: none of them is sawn before that is settled.
    densities : mapping, optional
        Densities by local name of the stone, asked before handbooks.
    pictures : mapping of face id to FacePicture, optional
    revision : str
        What state of the project they show, with its day.
    inches : bool
        Whether inches and pounds come first.
    """
    width, height = paper_named(paper, landscape=True)
    blocks = {b["id"]: b for b in rows_of(frames["blocks"])}
    faces = {f["id"]: f for f in rows_of(frames["faces"])}
    pieces = {p["id"]: p for p in rows_of(frames["pieces"])}
    places = {p["piece"]: p for p in rows_of(frames["placements"])}
    uses = _wall_stone(frames)
    pages: list[Page] = []
    every: list[SawPlan | Refused] = [*plans, *refused]
    for one in sorted(every, key=lambda p: p.block_id):
        row = blocks.get(one.block_id, {})
        waits = sorted(set(one.pieces) & set(held))
        sheets = _Sheets(one.block_id, row, uses.get(one.block_id), waits, width, height)
        if isinstance(one, Refused):
            _refused_sheet(sheets, one, Measures(inches))
        else:
            face = faces[one.order.face_id]
            block = SawBlock(
                plan=one,
                block=row,
                face=face,
                pieces={p: pieces[p] for p in one.pieces},
                places={p: places[p] for p in one.pieces},
                weights=weights_of_block(row, densities=densities),
                picture=(pictures or {}).get(face["id"]),
                say=Measures(inches),
            )
            _block_sheets(sheets, block)
        pages += sheets.pages
    if not pages:
        page = Page(width_mm=width, height_mm=height)
        page.text(15, height - 30, "No block is opened", size_pt=20, weight="bold")
        pages.append(page)
    for n, page in enumerate(pages, start=1):
        _foot(page, n, len(pages), project, revision, Measures(inches).unit)
    return write_pdf(
        pages, title=f"Saw plans, {project}".strip(", "), subject="Block by block, cut by cut"
    )


class _Sheets:
    """The sheets of one block, each with its head; what there is of the stone of the wall stands on every one."""

    def __init__(
        self,
        name: str,
        row: Mapping[str, object],
        wall: WallStone | None,
        held: Sequence[str],
        width: float,
        height: float,
    ) -> None:
        self.name, self.row, self.wall, self.held = name, row, wall, held
        self.width, self.height = width, height
        self.pages: list[Page] = []

    def new(self, what: str) -> tuple[Page, tuple[float, float, float, float]]:
        """A sheet with its head, and the box that is free on it."""
        page = Page(width_mm=self.width, height_mm=self.height, title=f"{self.name}, {what}")
        self.pages.append(page)
        left, right, top = MARGIN, self.width - MARGIN, self.height - MARGIN
        page.box(left, top - 16, right - left, 16, ink=None, fill="#111111")
        page.text(left + 4, top - 5.2, "SAW PLAN", size_pt=8.5, weight="bold", ink="#ffffff")
        page.text(
            left + 4,
            top - 13,
            f"Block {self.name}",
            size_pt=20,
            weight="bold",
            ink="#ffffff",
            within_mm=110,
        )
        page.text(
            right - 4,
            top - 6.4,
            what,
            size_pt=11,
            weight="bold",
            ink="#ffffff",
            anchor="right",
            within_mm=130,
        )
        place = self.row.get("location")
        where = "" if is_missing(place) else f", lies at {place}"
        page.text(
            right - 4,
            top - 12.6,
            f"{self.row.get('stone_type', '')}{where}",
            size_pt=10,
            ink="#ffffff",
            anchor="right",
            within_mm=150,
        )
        body = top - _HEAD
        for text in self._warnings():
            page.box(left, body - 6, right - left, 8, width_mm=0.6, fill="#ffd54a")
            page.text(
                left + 3, body - 3.3, text, size_pt=11, weight="bold", within_mm=right - left - 6
            )
            body -= 9
        return page, (left, _FOOT, right - left, body - _FOOT)

    def _warnings(self) -> list[str]:
        """What has to be settled before anything of the block is sawn."""
        found = []
        if self.wall is not None:
            where = (
                f"CAME OUT WITH {self.wall.donor}, NOT TESTED"
                if self.wall.out
                else f"STILL IN THE WALL, comes out with {self.wall.donor}"
            )
            found.append(
                f"{where}: sound and test it, measure it as it is, and saw nothing before it is accepted."
            )
        if self.held:
            found.append(
                f"HOLD, no ticket: {', '.join(self.held)} cannot be set as planned; saw nothing before that is settled."
            )
        return found


def _wall_stone(frames: Mapping[str, pd.DataFrame]) -> dict[str, WallStone]:
    if "repairs" not in frames:
        return {}
    return {
        u.block: u for u in wall_stone_of(frames["placements"], frames["blocks"], frames["repairs"])
    }


def _block_sheets(sheets: _Sheets, block: SawBlock) -> None:
    page, zone = sheets.new("zero, weights, what comes out")
    lines = yield_lines(block)
    done = draw_face_sheet(page, block, zone, lines)
    while done < len(lines):
        page, (x, y, w, h) = sheets.new("what comes out, continued")
        done += draw_lines(page, lines[done:], x, y + h, w, y)
    _slab_sheets(sheets, block)
    columns, rows = CARDS
    steps, most = block.plan.steps, columns * rows
    for start in range(0, len(steps), most):
        here = steps[start : start + most]
        page, (x, y, w, h) = sheets.new(
            f"cuts {here[0].number} to {here[-1].number} of {len(steps)}"
        )
        wide, tall = (w - 3 * (columns - 1)) / columns, (h - 3 * (rows - 1)) / rows
        places = [
            (x + k % columns * (wide + 3), y + h - (k // columns + 1) * tall - k // columns * 3)
            for k in range(len(here))
        ]
        cards(page, block, [(s, (*p, wide, tall)) for s, p in zip(here, places, strict=True)])


def _slab_sheets(sheets: _Sheets, block: SawBlock) -> None:
    slabs = slabs_of(block)
    for start in range(0, len(slabs), 3):
        here = range(start, min(start + 3, len(slabs)))
        page, (x, y, w, h) = sheets.new("slabs" if len(slabs) > 1 else "the slab")
        wide = (w - 6) / 3 if len(slabs) > 2 else (w - 3) / 2 if len(slabs) > 1 else w * 0.66
        for k, slab in enumerate(here):
            places = [p for p in block.places.values() if int(p["slab"] or 0) == slab]
            said = {
                seen_face(p, block.face, piece=block.pieces.get(n)).words
                for n, p in block.places.items()
                if p in places
            }
            told = (
                " ".join(sorted(s for s in said if s))
                or "Its front is the old face, as photographed."
            )
            draw_slab(
                page,
                block,
                slab,
                (x + k * (wide + 3), y + 7, wide, h - 7),
                told if places else "Nothing is sawn from it.",
            )
        aside = 0.0
        if block.face["bed"] == "x":
            page.arrow(x + 1, y + 2.6, x + 15, y + 2.6, both=True, width_mm=0.7)
            aside = 18.0
        page.text(
            x + aside,
            y + 1.5,
            f"{bed_words(block.face)} Arrows in pieces point to their top. Yellow: pieces; green: to the yard; hatched: waste; red: flaws as far as they reach the slab; red ring: zero.",
            size_pt=7.5,
            within_mm=w - aside,
        )


def _refused_sheet(sheets: _Sheets, refused: Refused, say: Measures) -> None:
    page, (x, y, w, h) = sheets.new("not to be sawn")
    at = y + h - 14
    page.text(x, at, "DO NOT SAW THIS BLOCK AS PLANNED", size_pt=20, weight="bold", ink=RED)
    for text in (
        f"Pieces that wait for it: {', '.join(refused.pieces)}.",
        say.sentence(refused.problem[:1].upper() + refused.problem[1:] + "."),
        say.sentence(refused.remedy),
    ):
        at = page.paragraph(x, at - 10, text, width_mm=w, size_pt=13)


def _foot(page: Page, number: int, count: int, project: str, revision: str, unit: str) -> None:
    left, right = MARGIN, page.width_mm - MARGIN
    page.line(left, MARGIN + 4.5, right, MARGIN + 4.5, width_mm=0.3)
    page.text(
        left,
        MARGIN + 1,
        f"Lengths in {'inches' if unit == 'in' else unit} from zero. Chalk its number on every part as it comes off. Cut wet, mask and ears; hold both halves before the cut runs out; defer to local codes and licensed practice.",
        size_pt=7.5,
        within_mm=right - left,
    )
    page.text(left, MARGIN - 2.6, project, size_pt=7.5, within_mm=(right - left) * 0.4)
    page.text(
        (left + right) / 2,
        MARGIN - 2.6,
        f"as of {revision}" if revision else "",
        size_pt=7.5,
        anchor="centre",
    )
    page.text(
        right,
        MARGIN - 2.6,
        f"sheet {number} of {count}",
        size_pt=7.5,
        weight="bold",
        anchor="right",
    )
