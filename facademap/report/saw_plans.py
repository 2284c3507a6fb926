"""Saw plans: a page a slab of every block that is opened."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely

from facademap.repair.donors import WallStone, wall_stone_of
from facademap.report.face_picture import FacePicture
from facademap.report.materials import number
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.piece_sketch import RED
from facademap.report.rows import rows_of
from facademap.report.saw_cuts import SawSequence, sequence_cuts
from facademap.tables import is_missing
from facademap.units import format_inches, format_mm

__all__ = ["write_saw_plans"]

MARGIN = 10.0
BLUE = "#0063a6"


def write_saw_plans(
    frames: Mapping[str, pd.DataFrame],
    *,
    pictures: Mapping[str, FacePicture] | None = None,
    project: str = "",
    paper: str = "A4",
    kerf_m: float = 0.005,
    depth_kerf_m: float = 0.008,
) -> bytes:
    """Saw plans of all blocks with a placement.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``blocks, faces, pieces, placements, repairs``.
    pictures : mapping of face id to FacePicture, optional
    kerf_m, depth_kerf_m : float
        Width of the cuts within a slab and between slabs.
    """
    pages = _pages(frames, pictures or {}, project, paper, kerf_m, depth_kerf_m)
    return write_pdf(pages, title=f"Saw plans, {project}".strip(", "), subject="One page a slab")


def _pages(
    frames: Mapping[str, pd.DataFrame],
    pictures: Mapping[str, FacePicture],
    project: str,
    paper: str,
    kerf_m: float,
    depth_kerf_m: float,
) -> Iterator[Page]:
    blocks = {b["id"]: b for b in rows_of(frames["blocks"])}
    faces = {f["id"]: f for f in rows_of(frames["faces"])}
    pieces = {p["id"]: p for p in rows_of(frames["pieces"])}
    on: dict[tuple[str, str, int], list[dict[str, Any]]] = {}
    for place in rows_of(frames["placements"]):
        if place["block"] in blocks and place["face"] in faces and place["blank"]:
            on.setdefault((place["block"], place["face"], int(place["slab"] or 0)), []).append(
                place
            )
    if not on:
        width, height = paper_named(paper, landscape=True)
        page = Page(width_mm=width, height_mm=height)
        page.text(15, height - 30, "No block is opened", size_pt=20, weight="bold")
        yield page
    uses = (
        {
            u.block: u
            for u in wall_stone_of(frames["placements"], frames["blocks"], frames["repairs"])
        }
        if "repairs" in frames
        else {}
    )
    for block, face, slab in sorted(on):
        yield _slab_page(
            blocks[block],
            faces[face],
            slab,
            on[block, face, slab],
            pieces,
            pictures.get(face),
            project=project,
            paper=paper,
            kerf_m=kerf_m,
            depth_kerf_m=depth_kerf_m,
            wall=uses.get(block),
        )


def _slab_page(
    block: Mapping[str, Any],
    face: Mapping[str, Any],
    slab: int,
    places: Sequence[Mapping[str, Any]],
    pieces: Mapping[str, Any],
    picture: FacePicture | None,
    *,
    project: str,
    paper: str,
    kerf_m: float,
    depth_kerf_m: float,
    wall: WallStone | None,
) -> Page:
    width, height = paper_named(paper, landscape=True)
    page = Page(width_mm=width, height_mm=height, title=f"{block['id']}, slab {slab + 1}")
    left, right, top = MARGIN, width - MARGIN, height - MARGIN
    page.box(left, top - 18, right - left, 18, ink=None, fill="#111111")
    page.text(left + 4, top - 5.5, "SAW PLAN", size_pt=9, weight="bold", ink="#ffffff")
    page.text(
        left + 4,
        top - 14.5,
        f"{block['id']}",
        size_pt=24,
        weight="bold",
        ink="#ffffff",
        within_mm=90,
    )
    slabs = [number(s) for s in places[0]["slab_thicknesses"] or []]
    page.text(
        right - 4,
        top - 7,
        f"slab {slab + 1} of {max(len(slabs), 1)}, face {face['id']}",
        size_pt=12,
        weight="bold",
        ink="#ffffff",
        anchor="right",
        within_mm=110,
    )
    where = "" if is_missing(block["location"]) else f", lies at {block['location']}"
    kg = number(block["weight_kg"])
    page.text(
        right - 4,
        top - 14,
        f"{block['stone_type']}{where}" + ("" if kg is None else f", {kg:.0f} kg"),
        size_pt=11,
        ink="#ffffff",
        anchor="right",
        within_mm=150,
    )
    boxes = []
    for place in places:
        ring = np.asarray(place["blank"], dtype=float).reshape(-1, 2)
        boxes.append(
            (
                str(place["repair"]),
                (
                    float(ring[:, 0].min()),
                    float(ring[:, 1].min()),
                    float(ring[:, 0].max()),
                    float(ring[:, 1].max()),
                ),
            )
        )
    outline = np.asarray(face["outline"], dtype=float).reshape(-1, 2)
    low, high = outline.min(axis=0), outline.max(axis=0)
    cuts = sequence_cuts(
        boxes, (float(low[0]), float(low[1]), float(high[0]), float(high[1])), kerf_m=kerf_m
    )
    table = 84.0
    body = top - 22
    if wall is not None:
        page.box(left, body - 7, right - left, 8, width_mm=0.6, fill="#ffd54a")
        where = (
            f"CAME OUT WITH {wall.donor}, NOT TESTED"
            if wall.out
            else f"STILL IN THE WALL, comes out with {wall.donor}"
        )
        page.text(
            left + 3,
            body - 4.3,
            f"{where}: sound and test it, measure it as it is, and saw nothing before it is accepted.",
            size_pt=11,
            weight="bold",
            within_mm=right - left - 6,
        )
        body -= 10
    if slab and picture is not None:
        behind = sum(s or 0.0 for s in slabs[:slab]) + slab * depth_kerf_m
        page.text(
            left + 2,
            body - 5,
            f"The photo shows the face; this slab lies {behind * 1000:.0f} mm behind it.",
            size_pt=8,
            weight="bold",
            halo="#ffffff",
        )
    _draw_slab(
        page,
        face,
        places,
        cuts,
        picture,
        (left, MARGIN + 33, right - left - table - 4, body - MARGIN - 33),
        outline,
    )
    _draw_slabs(
        page, face, slabs, slab, depth_kerf_m, (left, MARGIN + 4, right - left - table - 4, 26)
    )
    _table(
        page,
        cuts,
        places,
        pieces,
        right - table,
        body,
        table,
        low,
        slabs,
        slab,
        _flawed(face, cuts),
    )
    page.text(
        left,
        MARGIN - 2,
        f"{project}   Straight cuts, end to end of the part; kerf {format_mm(kerf_m, decimals=1)}. Cut wet; support both halves; defer to local codes and licensed practice.",
        size_pt=7.5,
        within_mm=right - left,
    )
    return page


def _flawed(face: Mapping[str, Any], cuts: SawSequence) -> frozenset[int]:
    """Numbers of the leftovers that a flaw of the face crosses."""
    rings = [f.get("ring") or f.get("poly") for f in face["flaws"] or [] if isinstance(f, Mapping)]
    flaws = [shapely.make_valid(shapely.Polygon(r)) for r in rings if r and len(r) >= 3]
    return frozenset(
        n
        for n, box in enumerate(cuts.remainders, start=1)
        if any(shapely.box(*box).intersects(f) for f in flaws)
    )


def _draw_slab(
    page: Page,
    face: Mapping[str, Any],
    places: Sequence[Mapping[str, Any]],
    cuts: SawSequence,
    picture: FacePicture | None,
    zone: tuple[float, float, float, float],
    outline: Any,
) -> None:
    low, high = outline.min(axis=0), outline.max(axis=0)
    grow = 0.04 * (high - low).max()
    low, high = low - grow, high + grow
    x, y, w, h = zone
    page.box(x, y, w, h, width_mm=0.3)
    k = min((w - 14) / (high[0] - low[0]), (h - 14) / (high[1] - low[1]))
    put = np.array([x + (w - (high[0] - low[0]) * k) / 2, y + (h - (high[1] - low[1]) * k) / 2])

    def to_page(points: Any) -> Any:
        return (np.asarray(points, dtype=float) - low) * k + put

    if picture is not None:
        (px, py), (qx, qy) = to_page([[picture.x0_m, picture.y0_m], [picture.x1_m, picture.y1_m]])
        page.picture(picture.jpeg, px, py, qx - px, qy - py)
    page.rings(
        [to_page(outline)], width_mm=0.7, dash_mm=(3, 1.2), ink="#ffffff" if picture else "#555555"
    )
    for flaw in face["flaws"] or []:
        ring = flaw.get("ring") or flaw.get("poly") if isinstance(flaw, Mapping) else None
        if ring:
            page.rings([to_page(ring)], ink=RED, width_mm=0.4, fill=RED, opacity=0.45)
    for n, box in enumerate(cuts.remainders, start=1):
        (ax, ay), (bx, by) = to_page([box[:2], box[2:]])
        page.rings(
            [[(ax, ay), (bx, ay), (bx, by), (ax, by)]],
            ink="#00795a",
            width_mm=0.4,
            dash_mm=(1.5, 1),
            fill="#ffffff",
            opacity=0.35,
        )
        wide = bx - ax >= 22
        page.text(
            (ax + bx) / 2,
            (ay + by) / 2 - 1,
            f"left over {n}" if wide else str(n),
            size_pt=8,
            weight="bold",
            anchor="centre",
            ink="#00543e",
            halo="#ffffff",
        )
    for place in places:
        ring = to_page(place["blank"])
        page.rings([ring], ink="#111111", width_mm=1.3, fill="#ffd54a", opacity=0.55)
        cx, cy = (ring.min(axis=0) + ring.max(axis=0)) / 2
        page.text(
            cx,
            cy,
            place["repair"],
            size_pt=12,
            weight="bold",
            anchor="centre",
            halo="#ffffff",
            within_mm=float(np.ptp(ring[:, 0])) - 2,
        )
        turn = int(place["rotation_deg"] or 0)
        page.text(
            cx,
            cy - 4.2,
            {0: "top ↑", 90: "top ←", 180: "top ↓", 270: "top →"}.get(turn, "")
            .replace("↑", "up")
            .replace("←", "left")
            .replace("↓", "down")
            .replace("→", "right"),
            size_pt=7.5,
            anchor="centre",
            halo="#ffffff",
            within_mm=float(np.ptp(ring[:, 0])) - 1,
        )
    for cut in cuts.cuts:
        ends = (
            [[cut.at_m, cut.start_m], [cut.at_m, cut.stop_m]]
            if cut.axis == "x"
            else [[cut.start_m, cut.at_m], [cut.stop_m, cut.at_m]]
        )
        (ax, ay), (bx, by) = to_page(ends)
        page.line(ax, ay, bx, by, ink=BLUE, width_mm=0.9)
        mx, my = (ax, by + 2.5) if cut.axis == "x" else (bx + 2.5, by)
        page.discs([(mx, my)], 2.7, fill=BLUE, ink="#ffffff", width_mm=0.3)
        page.text(
            mx,
            my - 1.2,
            str(cut.number),
            size_pt=8.5,
            weight="bold",
            anchor="centre",
            ink="#ffffff",
        )
    if face["bed"] == "x":
        page.arrow(x + 6, y + 5, x + 36, y + 5, both=True, width_mm=0.8, head_mm=3)
        page.text(x + 21, y + 6.4, "BED", size_pt=9, weight="bold", anchor="centre", halo="#ffffff")


def _draw_slabs(
    page: Page,
    face: Mapping[str, Any],
    slabs: Sequence[float | None],
    slab: int,
    depth_kerf_m: float,
    zone: tuple[float, float, float, float],
) -> None:
    """Section through the block: slabs from the face inwards."""
    x, y, w, h = zone
    depth = number(face["usable_depth_m"]) or 0.0
    thick = [s for s in slabs if s]
    total = max(depth, sum(thick) + depth_kerf_m * max(0, len(thick) - 1), 1e-6)
    k = (w - 40) / total
    page.text(x, y + h - 4, "Slabs, from the face inwards", size_pt=8.5, weight="bold")
    at = x + 14
    page.box(at, y + 4, total * k, h - 14, width_mm=0.3, ink="#777777", dash_mm=(2, 1))
    page.text(
        at - 1.5,
        y + 4 + (h - 14) / 2,
        "FACE",
        size_pt=8,
        weight="bold",
        anchor="centre",
        angle_deg=90,
    )
    for n, s in enumerate(thick):
        page.box(at, y + 4, s * k, h - 14, width_mm=0.9, fill="#ffd54a" if n == slab else "#efe9dc")
        page.text(
            at + s * k / 2,
            y + 4 + (h - 14) / 2 - 0.4,
            f"slab {n + 1}",
            size_pt=8.5,
            weight="bold",
            anchor="centre",
            within_mm=s * k - 1,
        )
        page.text(
            at + s * k / 2,
            y,
            f"{format_mm(s, decimals=1)}  {format_inches(s)}",
            size_pt=8,
            anchor="centre",
            within_mm=max(s * k, 22),
        )
        at += (s + depth_kerf_m) * k


def _table(
    page: Page,
    cuts: SawSequence,
    places: Sequence[Mapping[str, Any]],
    pieces: Mapping[str, Any],
    x: float,
    y: float,
    width: float,
    low: Any,
    slabs: Sequence[float | None],
    slab: int,
    flawed: frozenset[int],
) -> None:
    page.text(x, y - 4, "CUTS, in this order", size_pt=10, weight="bold")
    y -= 9
    thick = slabs[slab] if slab < len(slabs) else None
    if thick:
        page.text(
            x,
            y,
            f"First saw the slab to {format_mm(thick, decimals=1)}  ({format_inches(thick)})",
            size_pt=8.5,
            weight="bold",
            within_mm=width,
        )
        y -= 5
    step = 5.0 if len(cuts.cuts) <= 14 else max(3.2, 70.0 / len(cuts.cuts))
    for cut in cuts.cuts:
        at = cut.at_m - float(low[0] if cut.axis == "x" else low[1])
        what = "upright, from left" if cut.axis == "x" else "level, from below"
        side = {
            ("x", 1): "blade right",
            ("x", -1): "blade left",
            ("y", 1): "blade above",
            ("y", -1): "blade below",
        }[cut.axis, cut.side]
        page.discs([(x + 2.2, y + 1.1)], 2.1, fill=BLUE)
        page.text(
            x + 2.2,
            y + 0.1,
            str(cut.number),
            size_pt=7,
            weight="bold",
            anchor="centre",
            ink="#ffffff",
        )
        page.text(x + 6, y, what, size_pt=8, within_mm=24)
        page.text(x + 45, y, format_mm(at, decimals=1), size_pt=9.5, weight="bold", anchor="right")
        page.text(x + 47, y, format_inches(at), size_pt=8, within_mm=18)
        page.text(x + width, y, side, size_pt=7, anchor="right")
        y -= step
    if not cuts.cuts:
        page.text(x, y, "No cuts: see below", size_pt=9)
        y -= step
    if cuts.unparted:
        y = (
            page.paragraph(
                x,
                y - 1,
                f"Straight cuts end to end cannot part {', '.join(cuts.unparted)}: saw by wire or water-jet, or plan again.",
                width_mm=width,
                size_pt=8.5,
                weight="bold",
                ink=RED,
            )
            - 1
        )
    page.text(x, y - 3, "PIECES", size_pt=10, weight="bold")
    y -= 8
    for place in places:
        piece = pieces.get(place["piece"])
        page.text(x, y, place["repair"], size_pt=9.5, weight="bold", within_mm=24)
        if piece is not None:
            size = " × ".join(f"{piece[n] * 1000:.1f}" for n in ("width_m", "height_m", "depth_m"))
            page.text(
                x + width,
                y,
                f"{size} mm" + (", provisional" if piece["provisional"] else ""),
                size_pt=8,
                anchor="right",
                within_mm=width - 26,
            )
        y -= 4.8
    if cuts.remainders:
        page.text(x, y - 3, "LEFT OVER, back to the yard", size_pt=10, weight="bold")
        y -= 8
        for n, box in enumerate(cuts.remainders, start=1):
            if y < MARGIN + 8:
                break
            size = f"{(box[2] - box[0]) * 1000:.0f} × {(box[3] - box[1]) * 1000:.0f}" + (
                f" × {thick * 1000:.0f}" if thick else ""
            )
            page.text(x, y, f"{n}", size_pt=9, weight="bold")
            page.text(x + width, y, f"{size} mm at most", size_pt=8.5, anchor="right")
            if n in flawed:
                page.text(x + 5, y, "with a flaw", size_pt=8, weight="bold", ink=RED)
            y -= 4.8
