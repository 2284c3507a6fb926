"""The photo sequence of a repair: before, cut out, dry fit, bond side, set, after; what is missing is said."""

from __future__ import annotations

from typing import TYPE_CHECKING

from facademap.repair.steps import PHOTO_SLOTS, photos_taken
from facademap.report.page import Page
from facademap.tables import PIECED, is_missing

if TYPE_CHECKING:
    from facademap.report.records import Photo, RepairRecord

__all__ = ["draw_photo_sequence", "has_begun"]

MARGIN = 12.0
#: Stages in which nothing has been done yet.
_NOT_BEGUN = frozenset({"proposed", "undecided", "on hold"})


def has_begun(record: RepairRecord) -> bool:
    """Whether an inset is approved or further, or anything of it was photographed."""
    return str(record.repair["treatment"]) in PIECED and (
        str(record.repair["stage"]) not in _NOT_BEGUN or any(photos_taken(record.entries).values())
    )


def draw_photo_sequence(
    record: RepairRecord,
    photo: Photo | None,
    *,
    project: str,
    size: tuple[float, float],
    count: str,
) -> Page:
    """One page with a frame for each slot, in order; the last photo entered for a slot is shown."""
    width, height = size
    name = str(record.repair["id"])
    page = Page(width_mm=width, height_mm=height, title=f"{name}, photos")
    left, right, top = MARGIN, width - MARGIN, height - MARGIN
    page.box(left, top - 12, right - left, 12, ink=None, fill="#22313f")
    page.text(left + 4, top - 8.2, "PHOTO SEQUENCE", size_pt=12, weight="bold", ink="#ffffff")
    page.text(
        right - 4,
        top - 8.2,
        f"{name}   stage: {record.repair['stage']}",
        size_pt=12,
        weight="bold",
        ink="#ffffff",
        anchor="right",
        within_mm=100,
    )
    taken = photos_taken(record.entries)
    wide, gap = (right - left - 6) / 2, 6.0
    tall = (top - 16 - MARGIN - 2 * gap) / 3
    for k, slot in enumerate(PHOTO_SLOTS):
        x, y = left + (k % 2) * (wide + gap), top - 16 - (k // 2 + 1) * tall - (k // 2) * gap
        page.box(x, y, wide, tall, width_mm=0.3)
        page.text(x + 2, y + tall - 5, f"{k + 1}  {slot}", size_pt=11, weight="bold")
        entries = taken[slot]
        if not entries:
            page.text(
                x + wide / 2,
                y + tall / 2,
                "not taken yet",
                size_pt=10,
                anchor="centre",
                ink="#777777",
            )
            continue
        last = entries[-1]
        words = [str(last["photo"]), str(last["at"])[:16].replace("T", " ")]
        words += [str(last["mason"])] if not is_missing(last["mason"]) else []
        words += [f"{len(entries)} photos, the last is shown"] if len(entries) > 1 else []
        page.text(x + 2, y + 2, "   ".join(words), size_pt=7.5, within_mm=wide - 4)
        found = photo(str(last["photo"])) if photo is not None else None
        if found is None:
            page.text(
                x + wide / 2,
                y + tall / 2,
                "the photo cannot be read",
                size_pt=10,
                anchor="centre",
                ink="#b3201f",
            )
            continue
        jpeg, across, up = found
        room = (wide - 4, tall - 13)
        scale = min(room[0] / across, room[1] / up)
        shown = (across * scale, up * scale)
        page.picture(
            jpeg,
            x + (wide - shown[0]) / 2,
            y + 5.5 + (room[1] - shown[1]) / 2,
            *shown,
        )
    page.text(left, MARGIN - 5, project, size_pt=7.5, within_mm=110)
    page.text(right, MARGIN - 5, f"{name}    photos, record {count}", size_pt=7.5, anchor="right")
    return page
