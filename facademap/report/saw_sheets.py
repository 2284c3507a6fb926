"""The first sheets of a block: zero on its face, what it weighs and yields, and its slabs with all that lies on them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.match.problem import Point
from facademap.match.remainders import flaws_in
from facademap.match.solids import Solid
from facademap.repair.block_weights import how_to_lift
from facademap.report.materials import number
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.piece_sketch import RED
from facademap.report.saw_block import SawBlock, bed_words
from facademap.report.saw_drawing import Box, Fit, draw_solid, mark_beside, middle_of, role_of
from facademap.report.scales import scale_words

__all__ = ["draw_face_sheet", "draw_slab", "slabs_of", "yield_lines"]

_TOP = {0: (0.0, 1.0), 90: (-1.0, 0.0), 180: (0.0, -1.0), 270: (1.0, 0.0)}
Line = tuple[str, str, bool]
#: Waste thinner than this is not numbered on the drawing of a slab.
_SLIVER_MM = 6.0


def draw_face_sheet(page: Page, block: SawBlock, zone: Box, lines: Sequence[Line]) -> int:
    """Face with its zero, weights, and as many lines of what comes out as there is room for; returns how many."""
    x, y, w, h = zone
    left = w * 0.53
    words = block.how_to_strike_zero
    tall = 12.0 + 4.0 * (len(words) + 4)
    _face(page, block, (x, y + tall + 3, left, h - tall - 3))
    at = y + tall - 4.5
    page.box(x, y, left, tall, width_mm=0.6)
    page.text(x + 2, at, "ZERO: strike it first", size_pt=10, weight="bold")
    at -= 5.2
    for n, text in enumerate(words, start=1):
        page.text(x + 2, at, str(n), size_pt=8.2, weight="bold")
        at = page.paragraph(x + 6, at, text, width_mm=left - 8, size_pt=8.2, leading=1.2)
    page.paragraph(x + 2, at, bed_words(block.face), width_mm=left - 4, size_pt=8.2, weight="bold")
    return _yield(page, block, (x + left + 4, y, w - left - 4, h), lines)


def _face(page: Page, block: SawBlock, zone: Box) -> None:
    """The photo, square on, with the outline; its corners are named outside it."""
    x, y, w, h = zone
    zero, outline = block.zero, np.asarray(block.plan.order.outline_mm)
    low, high = outline.min(axis=0), outline.max(axis=0)
    box = (*low, *high)
    if (p := block.picture) is not None:
        box = (p.x0_m * 1000, p.y0_m * 1000, p.x1_m * 1000, p.y1_m * 1000)
    fit = Fit.into(box, (x + 14, y + 13, w - 28, h - 26), inches=block.say.inches)
    shown = fit([box[:2], box[2:]]).ravel().tolist()
    if p is not None:
        page.picture(p.jpeg, shown[0], shown[1], shown[2] - shown[0], shown[3] - shown[1])
    page.rings([fit(outline)], width_mm=0.8, ink="#111111")
    page.rings([fit(outline)], width_mm=0.4, dash_mm=(2.5, 1.5), ink="#ffffff")
    ((ox, oy),) = fit([(zero.x_mm, zero.y_mm)])
    page.line(shown[0] - 3, oy, shown[2] + 3, oy, ink=RED, width_mm=0.5)
    page.line(ox, shown[1] - 3, ox, shown[3] + 3, ink=RED, width_mm=0.5)
    page.discs([(ox, oy)], 1.6, fill=None, ink=RED, width_mm=0.6)
    page.text(ox - 3.5, shown[1] - 6, "ZERO", size_pt=9, weight="bold", ink=RED, anchor="right")
    page.text(ox + 1, shown[3] + 4, "upright line", size_pt=7, ink=RED)
    page.text(shown[2] + 2, oy - 4, "level", size_pt=7, ink=RED)
    page.text(shown[2] + 2, oy - 6.6, "line", size_pt=7, ink=RED)
    _corners(page, fit, shown, {"A": zero.upright, "B": zero.level, "C": zero.sight})
    if block.face["bed"] == "x":
        middle = (shown[0] + shown[2]) / 2
        page.arrow(middle - 14, shown[1] - 8, middle + 14, shown[1] - 8, both=True, width_mm=0.8)
        page.text(middle + 17, shown[1] - 9, "bed", size_pt=8, weight="bold")
    seen = "photo of the face, square on" if block.picture is not None else "no measured photo"
    page.text(
        x,
        y + h - 3.5,
        f"Face {block.face['id']}: {seen}, {scale_words(round(1 / fit.scale, 6), inches=block.say.inches)}. Black and white: sound outline.",
        size_pt=7.5,
        within_mm=w,
    )


def _corners(page: Page, fit: Fit, shown: Sequence[float], corners: Mapping[str, Point]) -> None:
    """Corners in rings, their letters outside the picture at the end of a leader; one ring may have two letters."""
    named: dict[Point, str] = {}
    for letter, corner in corners.items():
        named[corner] = f"{named[corner]}, {letter}" if corner in named else letter
    middle = ((shown[0] + shown[2]) / 2, (shown[1] + shown[3]) / 2)
    taken: list[tuple[float, float]] = []
    for corner, letters in named.items():
        ((px, py),) = fit([corner])
        page.discs([(px, py)], 1.5, fill=None, ink="#111111", width_mm=0.9)
        page.discs([(px, py)], 1.5, fill=None, ink="#ffffff", width_mm=0.35)
        sideways = abs(px - middle[0]) / (shown[2] - shown[0]) >= 0.3
        if sideways:
            tx, ty = (shown[0] - 7.0 if px < middle[0] else shown[2] + 7.0), py + 3.0
        else:
            tx, ty = px, (shown[1] - 5.0 if py < middle[1] else shown[3] + 5.0)
        while any(math.hypot(tx - a, ty - b) < 5.0 for a, b in taken):
            ty += 5.0
        taken.append((tx, ty))
        page.line(px, py, tx, ty, width_mm=0.25)
        page.discs([(tx, ty)], 2.9, fill="#ffffff", ink="#111111", width_mm=0.3)
        page.text(
            tx,
            ty - 1.2,
            letters,
            size_pt=9 if len(letters) < 2 else 6,
            weight="bold",
            anchor="centre",
        )


def yield_lines(block: SawBlock) -> list[Line]:
    """Lines of what comes out: text, a second one below it, and whether it is a heading."""
    plan = block.plan
    lines: list[Line] = [("PIECES, blanks with their trim", "", True)]
    for piece, solid in sorted(plan.pieces.items()):
        it = plan.solids[solid]
        row, place = block.pieces.get(piece, {}), block.places.get(piece, {})
        slab = int(place.get("slab") or 0) + 1
        told = (
            ""
            if not row
            else f"finished {_finished(row, block.say)}"
            + (", provisional" if row["provisional"] else "")
        )
        lines.append(
            (
                f"{piece}: {block.size(it)}, {block.say.stone(it.volume_mm3 * 1e-9)}, {block.weight(solid)}",
                f"slab {slab}, {told}",
                False,
            )
        )
    lines.append(("LEFT OVER, to the yard under these numbers", "", True))
    for name, left in block.remainders.items():
        flaw = (
            f"; {len(left.flaws)} flaw{'s reach' if len(left.flaws) > 1 else ' reaches'} it"
            if left.flaws
            else ""
        )
        lines.append(
            (
                f"{name}: {block.size(left.solid)} over all, {block.weight(name)}",
                f"{left.faces}{flaw}",
                False,
            )
        )
    if not plan.kept:
        lines.append(("nothing worth a place", "", False))
    return lines


def _finished(piece: Mapping[str, Any], say: Measures) -> str:
    return say.size(float(piece[n]) for n in ("width_m", "height_m", "depth_m"))


def _yield(page: Page, block: SawBlock, zone: Box, lines: Sequence[Line]) -> int:
    x, y, w, h = zone
    plan, weights, say = block.plan, block.weights, block.say
    at = y + h - 4
    page.text(x, at, "WEIGHT", size_pt=10, weight="bold")
    at -= 5
    waste = [n for n in plan.left if n not in plan.kept]
    parts = {
        "pieces": sum(block.kg(s) for s in plan.pieces.values()),
        "left over": sum(block.kg(n) for n in plan.kept),
        f"{len(waste)} offcuts": sum(block.kg(n) for n in waste),
        "to the blade": weights.kg(sum(s.kerf_mm3 for s in plan.steps)),
    }
    sound = weights.kg(plan.block.volume_mm3)
    told = [
        (
            "Block as it lies",
            "not known: weigh it"
            if weights.block_kg is None
            else say.both_weights(weights.block_kg)
            + (" (weighed)" if block.block["weight_status"] == "measured" else " (from density)"),
        ),
        (
            "Its sound stone",
            f"{say.weight(sound)} = "
            + " + ".join(f"{k} {say.weight(v).split()[0]}" for k, v in parts.items()),
        ),
    ]
    if (rim := block.rough_kg) is not None:
        told.append(
            (
                "Round and behind it",
                f"about {say.weight(rim)} more, on the part that still carries it"
                if rim > 0
                else "nothing left by these numbers: weigh and measure it again",
            )
        )
    for name, text in told:
        page.text(x, at, name, size_pt=8, weight="bold", within_mm=32)
        at = page.paragraph(x + 34, at, text, width_mm=w - 34, size_pt=8, leading=1.2) - 0.6
    at = page.paragraph(
        x,
        at,
        f"Weights from {weights.how} ({say.density(weights.likely_kg_per_m3)}); lifting from {say.density(weights.lift_kg_per_m3)}, "
        "heavier and wet. Gear, slings and route as a competent person has planned; nobody below.",
        width_mm=w,
        size_pt=7.2,
        leading=1.2,
    )
    lift = how_to_lift(
        (weights.block_kg or 0.0) * (weights.lift_kg_per_m3 / weights.likely_kg_per_m3),
        inches=say.inches,
    )
    if lift:
        text = f"Lift the block, at its heaviest and wet: {lift}."
        at = page.paragraph(x, at, text, width_mm=w, size_pt=8, weight="bold", ink=RED)
    if weights.warning:
        at = page.paragraph(x, at, weights.warning, width_mm=w, size_pt=8, weight="bold", ink=RED)
    return draw_lines(page, lines, x, at - 2, w, y)


def draw_lines(page: Page, lines: Sequence[Line], x: float, y: float, w: float, foot: float) -> int:
    """Lines from y down to ``foot``; returns how many had room."""
    for n, (text, below, heading) in enumerate(lines):
        need = 7.5 if heading else (8.0 if below else 4.4)
        # a heading does not stand alone at the foot
        if y - need - (8.0 if heading else 0.0) < foot:
            return n
        if heading:
            page.text(x, y - 5.2, text, size_pt=10, weight="bold", within_mm=w)
            page.line(x, y - 6.6, x + w, y - 6.6, width_mm=0.3)
        else:
            page.text(x, y - 3.2, text, size_pt=8.4, weight="bold", within_mm=w)
            if below:
                page.text(x + 3, y - 6.7, below, size_pt=7.6, within_mm=w - 3)
        y -= need
    return len(lines)


def slabs_of(block: SawBlock) -> list[tuple[float, float]]:
    """Front and back of every slab, from the face inwards."""
    found, start = [], 0.0
    order = block.plan.order
    kerf = next((s.kerf_mm for s in block.plan.steps if s.kind == "parallel"), 0.0)
    for k, thick in enumerate(order.thickness_mm):
        last = k == len(order.thickness_mm) - 1
        found.append((start, order.depth_mm if last else start + thick))
        start += thick + kerf
    return found


def draw_slab(page: Page, block: SawBlock, slab: int, zone: Box, behind_photo: str) -> None:
    """One slab in a zone: what begins at its front, the flaws that reach it, marks with their key below."""
    x, y, w, h = zone
    front, back = slabs_of(block)[slab]
    plan = block.plan
    page.box(x, y, w, h, width_mm=0.3)
    page.text(
        x + 2,
        y + h - 5,
        f"Slab {slab + 1}: {block.figure(front)} to {block.figure(back)} {block.say.unit} behind the old face",
        size_pt=9.5,
        weight="bold",
        within_mm=w - 4,
    )
    page.paragraph(
        x + 2, y + h - 9.4, behind_photo, width_mm=w - 4, size_pt=7.4, leading=1.18, most_lines=3
    )
    outline = np.asarray(plan.order.outline_mm)
    picture = (x + 4, y + h * 0.44, w - 8, h * 0.56 - 19.0)
    fit = Fit.into((*outline.min(axis=0), *outline.max(axis=0)), picture, inches=block.say.inches)
    page.rings([fit(outline)], width_mm=0.3, dash_mm=(2, 1))
    ((ox, oy),) = fit([(block.zero.x_mm, block.zero.y_mm)])
    page.discs([(ox, oy)], 1.3, fill=None, ink=RED, width_mm=0.6)
    here = [s for s in _ends(block) if front - 0.05 <= s.z0_mm < back - 0.05]
    shown = [s for s in here if s.z0_mm < front + 0.05]
    for solid in sorted(shown, key=lambda s: role_of(plan, s.id) == "piece"):
        draw_solid(page, fit(solid.outline_mm), role_of(plan, solid.id))
    whole = Solid(id="", outline_mm=plan.order.outline_mm, z0_mm=front, z1_mm=back)
    for flaw in flaws_in(plan.order.flaws, whole):
        page.rings([fit(flaw.outline_mm)], ink=RED, width_mm=0.5, fill=RED, opacity=0.35)
    keys = []
    slivers = [s for s in here if role_of(plan, s.id) == "waste" and min(s.size_mm) < _SLIVER_MM]
    for k, solid in enumerate(s for s in here if s not in slivers):
        text = str(k + 1)
        behind = solid not in shown
        keys.append((text, _key(block, solid, behind=behind)))
        if behind:
            continue
        ring = fit(solid.outline_mm)
        if role_of(plan, solid.id) == "piece":
            _top_arrow(page, block, solid, ring)
        mark_beside(
            page, ring, text, away_from=middle_of(fit(outline)), within=picture, radius_mm=2.1
        )
    if slivers:
        keys.append(
            (
                "",
                f"and {len(slivers)} slivers thinner than {block.say.length(_SLIVER_MM / 1000, decimals=0)}",
            )
        )
    size = min(7.8, (h * 0.44 - 11) / (1.25 * max(1, len(keys))) / 0.3528)
    at_y = y + h * 0.44 - 9.5
    for text, words in keys:
        page.text(x + 2, at_y, text, size_pt=size, weight="bold")
        page.text(x + 8, at_y, words, size_pt=size, within_mm=w - 10)
        at_y -= size * 0.3528 * 1.25
    page.text(
        x + w - 2,
        y + 1.6,
        scale_words(round(1 / fit.scale, 6), inches=block.say.inches),
        size_pt=6.5,
        anchor="right",
    )


def _ends(block: SawBlock) -> Iterator[Solid]:
    """All that lies on the bench in the end: pieces, what is kept, waste."""
    plan = block.plan
    yield from (plan.solids[s] for _, s in sorted(plan.pieces.items()))
    yield from (plan.solids[n] for n in plan.kept)
    yield from (plan.solids[n] for n in plan.left if n not in plan.kept)


def _key(block: SawBlock, solid: Solid, *, behind: bool) -> str:
    size = block.say.size((s / 1000 for s in solid.size_mm), decimals=0)
    role = role_of(block.plan, solid.id)
    name = {"piece": block.becomes(solid.id), "kept": f"{solid.id} to the yard"}.get(role, "waste")
    return f"{name}{', lies behind' if behind else ''}: {size}, {block.weight(solid.id)}"


def _top_arrow(page: Page, block: SawBlock, solid: Solid, ring: Any) -> None:
    """An arrow to the top of a piece, from its middle."""
    piece = next(p for p, s in block.plan.pieces.items() if s == solid.id)
    turn = int(number(block.places.get(piece, {}).get("rotation_deg")) or 0)
    dx, dy = _TOP[turn]
    cx, cy = middle_of(ring)
    polygon = shapely.Polygon(ring)
    reach = min(9.0, 0.36 * math.sqrt(polygon.area))
    page.arrow(
        cx + dx * 2.4,
        cy + dy * 2.4,
        cx + dx * reach,
        cy + dy * reach,
        head_mm=min(2.4, reach / 2),
        width_mm=0.6,
    )
