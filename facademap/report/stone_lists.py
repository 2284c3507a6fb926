"""Lists for the yard: stone that is still wanted, blocks to fetch, and labels to stick on."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from facademap.photo.lab import srgb_from_lab
from facademap.report.code_words import PLAIN_CODE, code_of
from facademap.report.label_sheets import Label, label_pages
from facademap.report.materials import number
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.rows import rows_of
from facademap.report.spreadsheet import guarded_text
from facademap.report.unmatched_words import reason_said
from facademap.tables import is_missing
from facademap.units import least_inches, least_mm

__all__ = ["wanted_stone", "write_labels", "write_wanted_csv", "write_wanted_pdf"]

MARGIN = 12.0
_SIDES = ("width", "height", "depth")
_HEADS = (
    "piece",
    "repair",
    "stone_type",
    "also_accepted",
    "width_mm",
    "height_mm",
    "depth_mm",
    "width_in",
    "height_in",
    "depth_in",
    "bed",
    "finish",
    "weathered_face",
    "priority",
    "reason",
    "weight_kg",
    "lab_l",
    "lab_a",
    "lab_b",
)
_NOTE = (
    "Sizes are the least stone to look for; the weight is that of a dry block of just this size. Swatch: colour wanted, as far as paper shows "
    "it; hold stone against the wall. Priority: larger is wanted more, as the project set it. Nobody lifts by this list: heavy stone is moved as a competent person has planned."
)


def wanted_stone(frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Pieces without a block, with the stone size to look for; largest first within a stone type."""
    placed = set(frames["placements"]["piece"])
    repairs = {r["id"]: r for r in rows_of(frames["repairs"])}
    rows = []
    for piece in rows_of(frames["pieces"]):
        if piece["id"] in placed:
            continue
        size = piece["source_size"]
        known = isinstance(size, list) and len(size) == 3 and all(number(s) for s in size)
        w, h, d = (
            (float(s) for s in size)
            if known
            else (piece["width_m"] + 0.02, piece["height_m"] + 0.02, piece["depth_m"] + 0.01)
        )
        repair = repairs.get(piece["repair"], {})
        rows.append(
            {
                "piece": piece["id"],
                "repair": piece["repair"],
                "stone_type": "" if is_missing(piece["stone_type"]) else piece["stone_type"],
                "also_accepted": ", ".join(map(str, piece["accept"] or [])),
                **{f"{n}_mm": least_mm(s) for n, s in zip(_SIDES, (w, h, d), strict=True)},
                **{f"{n}_in": least_inches(s) for n, s in zip(_SIDES, (w, h, d), strict=True)},
                "bed": piece["bed"],
                "finish": "" if is_missing(piece["finish"]) else piece["finish"],
                "weathered_face": "yes" if piece["weathered"] else "no",
                "priority": number(repair.get("priority")) or 0.0,
                "reason": "not matched yet"
                if is_missing(piece["unmatched_reason"])
                else piece["unmatched_reason"],
                "weight_kg": _weight(piece, w * h * d),
                **dict(zip(("lab_l", "lab_a", "lab_b"), _lab(piece), strict=True)),
            }
        )
    frame = pd.DataFrame(rows, columns=list(_HEADS))
    volume = frame["width_mm"] * frame["height_mm"] * frame["depth_mm"]
    return (
        frame.assign(_v=-volume)
        .sort_values(["stone_type", "_v", "piece"], kind="stable")
        .drop(columns="_v")
        .reset_index(drop=True)
    )


def _weight(piece: Mapping[str, Any], volume_m3: float) -> float:
    """Weight of the stone to look for, by the density of the piece; NaN where it is not known."""
    kg, own = number(piece["weight_kg"]), 1.0
    for side in ("width_m", "height_m", "depth_m"):
        own *= number(piece[side]) or 0.0
    return round(kg / own * volume_m3, 1) if kg and own else math.nan


def _lab(piece: Mapping[str, Any]) -> tuple[float, float, float]:
    lab = piece.get("lab")
    if not isinstance(lab, list) or len(lab) != 3:
        return (math.nan, math.nan, math.nan)
    return (round(float(lab[0]), 1), round(float(lab[1]), 1), round(float(lab[2]), 1))


def write_wanted_csv(frames: Mapping[str, pd.DataFrame]) -> bytes:
    """The list as CSV in UTF-8."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(_HEADS)
    for row in rows_of(wanted_stone(frames)):
        writer.writerow(
            [guarded_text(v) if isinstance(v, str) else "" if v != v else v for v in row.values()]
        )
    return text.getvalue().encode("utf-8")


def write_wanted_pdf(
    frames: Mapping[str, pd.DataFrame],
    *,
    project: str = "",
    paper: str = "A4",
    inches: bool = False,
) -> bytes:
    """The list for a walk through the yard."""
    return write_pdf(
        _wanted_pages(wanted_stone(frames), project, paper, inches),
        title=f"Stone wanted, {project}".strip(", "),
        subject="Pieces that no block serves yet",
    )


def _wanted_pages(wanted: pd.DataFrame, project: str, paper: str, inches: bool) -> Iterator[Page]:
    width, height = paper_named(paper)
    rows = rows_of(wanted)
    number_of_page = 0
    page: Page | None = None
    y = 0.0
    kind = None
    for row in rows:
        fresh = row["stone_type"] != kind
        if page is None or y - (13 + 12 * fresh) < MARGIN + 6:
            if page is not None:
                yield page
            number_of_page += 1
            page, y = _list_page(
                width,
                height,
                "STONE WANTED",
                f"{len(rows)} pieces no block serves yet. Found one? Write down where it lies and tell: ______________________________",
                project,
                number_of_page,
            )
            fresh = True
        if fresh:
            kind = row["stone_type"]
            y -= 9
            if number_of_page == 1 and row is rows[0]:
                y = (
                    page.paragraph(MARGIN, y + 1, _NOTE, width_mm=width - 2 * MARGIN, size_pt=8)
                    - 5.0
                )
            page.text(MARGIN, y, kind or "any stone", size_pt=14, weight="bold")
            page.line(MARGIN, y - 2, width - MARGIN, y - 2, width_mm=0.7)
            y -= 3.5
        page.box(MARGIN, y - 8.4, 5, 5, width_mm=0.5)
        sizes = _both_sizes(row, inches)
        page.text(MARGIN + 8, y - 5.4, sizes[0], size_pt=14, weight="bold", within_mm=70)
        page.text(MARGIN + 8, y - 9.8, f"({sizes[1]})", size_pt=9, within_mm=70)
        page.text(MARGIN + 80, y - 5.4, row["piece"], size_pt=11, weight="bold", within_mm=30)
        bed = {
            "horizontal": "bed along the width",
            "edge": "bed along the height",
            "any": "bed free",
        }.get(row["bed"], row["bed"])
        also = f", or {row['also_accepted']}" if row["also_accepted"] else ""
        page.text(
            MARGIN + 80,
            y - 9.8,
            bed + (", weathered face" if row["weathered_face"] == "yes" else "") + also,
            size_pt=9,
            within_mm=width - 2 * MARGIN - 80 - 36,
        )
        page.text(
            width - MARGIN,
            y - 5.4,
            f"{reason_said(row['reason'])}; priority {row['priority']:.3g}",
            size_pt=9,
            anchor="right",
            within_mm=68,
        )
        if row["weight_kg"] == row["weight_kg"]:
            weight = Measures(inches).both_weights(row["weight_kg"], decimals=0)
            page.text(width - MARGIN - 10, y - 9.8, weight, size_pt=9, anchor="right")
        if row["lab_l"] == row["lab_l"]:
            lab = np.array([row["lab_l"], row["lab_a"], row["lab_b"]])
            tone = "#" + "".join(f"{round(float(v) * 255):02x}" for v in srgb_from_lab(lab))
            page.box(width - MARGIN - 8, y - 10.8, 8, 4.2, ink="#666666", width_mm=0.15, fill=tone)
        page.line(MARGIN, y - 12, width - MARGIN, y - 12, width_mm=0.15)
        y -= 12.8
    if page is None:
        page, _ = _list_page(
            width,
            height,
            "STONE WANTED",
            "Every piece has its block: nothing to look for.",
            project,
            1,
        )
    yield page


def _both_sizes(row: Mapping[str, Any], inches: bool) -> tuple[str, str]:
    """Size in the unit that comes first, and in the other."""
    metric = " × ".join(str(row[f"{n}_mm"]) for n in _SIDES) + " mm"
    imperial = " × ".join(str(row[f"{n}_in"]).removesuffix(" in") for n in _SIDES) + " in"
    return (imperial, metric) if inches else (metric, imperial)


def _list_page(
    width: float, height: float, title: str, subtitle: str, project: str, sheet: int
) -> tuple[Page, float]:
    page = Page(width_mm=width, height_mm=height, title=f"{title.capitalize()} {sheet}")
    page.box(MARGIN, height - MARGIN - 13, width - 2 * MARGIN, 13, ink=None, fill="#111111")
    page.text(MARGIN + 4, height - MARGIN - 9.2, title, size_pt=18, weight="bold", ink="#ffffff")
    page.text(
        width - MARGIN - 4,
        height - MARGIN - 8.5,
        project,
        size_pt=10,
        ink="#ffffff",
        anchor="right",
        within_mm=90,
    )
    page.text(MARGIN, height - MARGIN - 18.5, subtitle, size_pt=9.5)
    page.text(width - MARGIN, MARGIN - 4, f"page {sheet}", size_pt=8, anchor="right")
    return page, height - MARGIN - 19


def write_labels(
    frames: Mapping[str, pd.DataFrame],
    *,
    link: str = PLAIN_CODE,
    project: str = "",
    paper: str = "A4",
    inches: bool = False,
) -> bytes:
    """Labels for blocks and pieces, two columns of seven on a sheet or one by one on a tape, each with a QR code.

    Parameters
    ----------
    frames : mapping of str to frame
    link : str
        Address or words of the codes on pieces.
    project : str
    paper : str
        A sheet, or a tape by its width, as in ``tape 62`` and ``tape 2 in``.
    inches : bool
        Whether inches come first.
    """
    labels = [
        _block_label(b, project, Measures(inches))
        for b in rows_of(frames["blocks"])
        if b["state"] not in ("used", "rejected")
    ]
    places = {p["piece"]: p for p in rows_of(frames["placements"])}
    labels += [
        _piece_label(p, places.get(p["id"]), link, Measures(inches))
        for p in rows_of(frames["pieces"])
    ]
    return write_pdf(
        label_pages(labels, paper),
        title=f"Labels, {project}".strip(", "),
        subject="Labels for blocks and pieces",
    )


def _block_label(block: Mapping[str, Any], project: str, say: Measures) -> Label:
    kg = number(block["weight_kg"])
    size = [number(block[n]) for n in ("length_m", "height_m", "depth_m")]
    lines = [
        str(block["stone_type"]),
        *_both_lines(size, say),
        "" if kg is None else say.both_weights(kg),
        "" if is_missing(block["location"]) else str(block["location"]),
    ]
    code = f"Block {block['id']}, {block['stone_type']}; {project[:40]}"
    return "BLOCK", str(block["id"]), lines, code


def _both_lines(size: Sequence[float | None], say: Measures) -> list[str]:
    """A size in both units, the first one first; nothing where a side is not known."""
    known = [s for s in size if s is not None]
    if len(known) < len(size):
        return []
    other = Measures(not say.inches)
    return [say.size(known, decimals=0), f"({other.size(known, decimals=0)})"]


def _piece_label(
    piece: Mapping[str, Any], place: Mapping[str, Any] | None, link: str, say: Measures
) -> Label:
    kg = number(piece["weight_kg"])
    lines = [
        str(piece["stone_type"] or ""),
        *_both_lines([piece[n] for n in ("width_m", "height_m", "depth_m")], say),
        "" if kg is None else say.both_weights(kg),
        "no block yet" if place is None else f"from {place['block']}",
    ]
    return (
        "PIECE",
        str(piece["id"]),
        lines,
        code_of(
            link,
            repair=str(piece["repair"]),
            piece=str(piece["id"]),
            block="" if place is None else str(place["block"]),
        ),
    )
