"""The steps of a saw plan as cards: a picture, what is cut and how, what comes of it and how it is lifted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from facademap.match.saw_model import SawStep
from facademap.report.page import Page
from facademap.report.saw_block import SawBlock
from facademap.report.saw_drawing import BLUE, Box, draw_step
from facademap.report.scales import scale_words
from facademap.report.typeface import MM_PER_PT, common_size, wrap_text

__all__ = ["CARDS", "cards"]

#: Columns and rows of cards on a sheet.
CARDS = (3, 2)
_TITLES = {
    "parallel": "PARALLEL TO THE FACE",
    "upright": "UPRIGHT",
    "level": "LEVEL",
    "slanted": "SLANTED",
    "contour": "ROUND THE OUTLINE",
    "dressed": "DRESS BY HAND",
}
#: Leading of the words of a card, and the largest and the smallest size that they are set in.
_LEADING, _MOST_PT, _LEAST_PT = 1.26, 8.0, 5.6
#: One long line does not set all smaller than this: it is set smaller by itself.
_LEAST_WIDE_PT = 6.6
#: Millimetres: height of a card's head and picture, edges beside and below its words.
_HEAD, _PICTURE, _INSET, _FOOT = 7.0, 32.0, 2.0, 1.2
_LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Words:
    """What a card says: lines with whether they are bold, and how parts are lifted."""

    lines: Sequence[tuple[str, bool]]
    lifts: Sequence[str]


def cards(page: Page, block: SawBlock, placed: Sequence[tuple[SawStep, Box]]) -> None:
    """Steps of a sheet, each in its zone (x, y, width, height), with words of one size: what the fullest card needs."""
    said = [_said(block, step) for step, _ in placed]
    size_pt = min(
        (_size(s, *_room(z)) for s, (_, z) in zip(said, placed, strict=True)), default=_MOST_PT
    )
    for words, (step, zone) in zip(said, placed, strict=True):
        _card(page, block, step, zone)
        _write(page, words, (zone[0] + _INSET, zone[1] + _FOOT, *_room(zone)), size_pt)


def _room(zone: Box) -> tuple[float, float]:
    """Width and height that are left for the words of a card."""
    return zone[2] - 2 * _INSET, zone[3] - _HEAD - _PICTURE - 2.0 - 3.6 - 4.2


def _marks(step: SawStep) -> list[str]:
    return [_LETTERS[k % 26] for k in range(len(step.gives))]


def _card(page: Page, block: SawBlock, step: SawStep, zone: Box) -> None:
    """Head and picture of a step."""
    x, y, w, h = zone
    page.box(x, y, w, h, width_mm=0.3)
    top = y + h
    page.box(x, top - 7, w, 7, ink=None, fill="#e9eef3")
    page.discs([(x + 4.5, top - 3.5)], 3.0, fill=BLUE)
    page.text(
        x + 4.5,
        top - 4.7,
        str(step.number),
        size_pt=9.5 if step.number < 100 else 7.5,
        weight="bold",
        anchor="centre",
        ink="#ffffff",
    )
    page.text(x + 9.5, top - 4.9, _TITLES[step.kind], size_pt=9, weight="bold", within_mm=w * 0.46)
    kerf = (
        ""
        if step.kind == "dressed"
        else f", kerf {block.say.length(step.kerf_mm / 1000, decimals=1)}"
    )
    page.text(
        x + w - 2, top - 4.8, f"{step.tool}{kerf}", size_pt=8, anchor="right", within_mm=w * 0.4
    )
    scale = draw_step(
        page,
        block.plan,
        step,
        (x + 3, top - _HEAD - 2 - _PICTURE, w - 6, _PICTURE),
        _marks(step),
        inches=block.say.inches,
    )
    view = "from above, old face below" if step.kind == "parallel" else "on the face"
    at = top - _HEAD - 2 - _PICTURE - 3.6
    page.text(
        x + 2,
        at,
        f"{view}, {scale_words(scale, inches=block.say.inches)}",
        size_pt=6.5,
        ink="#444444",
        within_mm=w - 4,
    )


def _said(block: SawBlock, step: SawStep) -> _Words:
    marks = _marks(step)
    cut = block.plan.solids[step.cuts]
    deep = cut.depth_mm if step.kind != "parallel" else min(cut.size_mm[:2])
    lines = [(f"Cut {cut.id}: {block.size(cut)}, {block.weight(cut.id)}", True)]
    for k, text in enumerate(block.where(step)):
        lines.append((text, k == 0))
    if step.kind != "dressed":
        lines.append((f"right through: the saw must reach {block.set_to(deep)}", False))
    for text, name in zip(marks, step.gives, strict=True):
        solid = block.plan.solids[name]
        lines.append(
            (f"{text}  {block.becomes(name)}: {block.size(solid)}, {block.weight(name)}", False)
        )
    marked = [
        f"{block.becomes(name).removeprefix('piece ')} on {text}"
        for text, name in zip(marks, step.gives, strict=True)
        if name in block.plan.pieces.values()
    ]
    if marked:
        lines.append((f"Mark {', '.join(marked)}, with its top and its bed.", True))
    dust = block.weights.kg(step.kerf_mm3)
    lines.append(
        (
            f"{'off by hand' if step.kind == 'dressed' else 'to the blade'}: {block.say.weight(dust, decimals=2)}",
            False,
        )
    )
    lifts = [
        f"Lift {text}: {words}."
        for text, name in zip(marks, step.gives, strict=True)
        if (words := block.lift(name))
    ]
    return _Words(lines=lines, lifts=lifts)


def _size(words: _Words, width_mm: float, height_mm: float) -> float:
    """Size of type in which the words fit; how a part is lifted is never cut short: it goes on below, and all is set smaller for it."""
    rows = len(words.lines) + len(words.lifts)
    size = min(_MOST_PT, height_mm / (_LEADING * rows) / MM_PER_PT)
    while size > _LEAST_PT and _tall(words, width_mm, size) > height_mm:
        size -= 0.1
    lines = [line for line, _ in words.lines]
    return common_size(lines, width_mm, size, weight="bold", least_pt=min(size, _LEAST_WIDE_PT))


def _write(page: Page, words: _Words, zone: Box, size: float) -> None:
    x, y, w, h = zone
    at = y + h
    for line, bold in words.lines:
        at -= size * MM_PER_PT
        page.text(x, at, line, size_pt=size, weight="bold" if bold else "regular", within_mm=w)
        at -= size * MM_PER_PT * (_LEADING - 1.0)
    for lift in words.lifts:
        for line in wrap_text(lift, w, size, weight="bold"):
            at -= size * MM_PER_PT
            page.text(x, at, line, size_pt=size, weight="bold", ink="#a11111")
            at -= size * MM_PER_PT * (_LEADING - 1.0)


def _tall(words: _Words, width_mm: float, size_pt: float) -> float:
    """Height of the words of a card."""
    lifted = sum(len(wrap_text(t, width_mm, size_pt, weight="bold")) for t in words.lifts)
    return (len(words.lines) + lifted) * size_pt * MM_PER_PT * _LEADING
