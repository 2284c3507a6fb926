"""Photos of the record in the guide: one repair of each treatment as it was before, during and after, and its trials."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from facademap.repair.steps import PHOTO_SLOTS, slot_of
from facademap.report.guide.blocks import Block, Drawing
from facademap.report.page import Page
from facademap.tables import is_missing

__all__ = ["Photo", "photos_of"]

#: Gives a photo by its id as JPEG with its width and height, or nothing where it cannot be read.
Photo = Callable[[str], tuple[bytes, int, int] | None]
Row = Mapping[str, Any]
#: So many side by side, on so wide a page, no taller than that, with a gap; a caption takes two lines below.
_MOST, _WIDE, _TALL, _GAP, _WORDS = 3, 170.0, 62.0, 3.0, 8.5
#: A caption is no narrower than that, also below a tall picture.
_LEAST = 30.0


def photos_of(
    treatment: str,
    *,
    repairs: Sequence[Row],
    log: Sequence[Row],
    trials: Sequence[Row],
    photo: Photo | None,
) -> list[Block]:
    """Figures for a chapter; none where no photo of such a repair or trial is in the record.

    Parameters
    ----------
    treatment : str
    repairs, log, trials : sequence of mapping
        Rows of these tables.
    photo : callable, optional
    """
    if photo is None:
        return []
    found: list[Block] = []
    told = _of_record(treatment, repairs, log)
    if told:
        name, shots = told
        drawn = _row(shots, photo, title=f"{treatment} {name}")
        if drawn is not None:
            found.append(Drawing(page=drawn, legend=f"From the record of this wall: {name}."))
    for trial in trials:
        if str(trial["treatment"]) != treatment or str(trial["result"]) != "approved":
            continue
        shots = [
            (str(trial[c]), (word, ""))
            for c, word in (("photo_before", "before"), ("photo_after", "after, dry"))
            if not is_missing(trial[c])
        ]
        drawn = _row(shots, photo, title=f"trial {trial['id']}") if shots else None
        if drawn is not None:
            legend = f"Trial {trial['id']}, {trial['kind']} on {trial['stone_type']}, approved by {trial['approved_by']}, {trial['approved_on']}."
            found.append(Drawing(page=drawn, legend=legend))
            break
    return found


def _of_record(
    treatment: str, repairs: Sequence[Row], log: Sequence[Row]
) -> tuple[str, list[tuple[str, tuple[str, str]]]] | None:
    """The repair whose photos show the most of its sequence, and its first, middle and last."""
    own = {str(r["id"]) for r in repairs if str(r["treatment"]) == treatment}
    corrected = {str(e["corrects"]) for e in log if not is_missing(e.get("corrects"))}
    shots: dict[str, list[_Shot]] = {}
    for entry in log:
        if (
            str(entry["repair"]) in own
            and not is_missing(entry["photo"])
            and str(entry["id"]) not in corrected
        ):
            shot = _Shot(
                place=_place_of(entry),
                at=str(entry["at"]),
                photo=str(entry["photo"]),
                said=_said(entry),
            )
            shots.setdefault(str(entry["repair"]), []).append(shot)
    if not shots:
        return None
    name = max(sorted(shots), key=lambda n: len({s.place for s in shots[n]}))
    inorder = sorted(shots[name])
    chosen = (
        inorder if len(inorder) <= _MOST else [inorder[0], inorder[len(inorder) // 2], inorder[-1]]
    )
    return name, [(s.photo, (s.said, s.at[:10])) for s in chosen]


@dataclass(frozen=True, slots=True, order=True)
class _Shot:
    """A photo of the record, by the place in the sequence that it was taken for, then by its day."""

    place: int
    at: str
    photo: str
    said: str


def _place_of(entry: Row) -> int:
    """Place in the sequence; between the first and the last where it was taken for none."""
    slot = slot_of(entry)
    return PHOTO_SLOTS.index(slot) if slot in PHOTO_SLOTS else len(PHOTO_SLOTS) // 2


def _said(entry: Row) -> str:
    """What a photo shows, as the record says it."""
    slot = slot_of(entry)
    if slot in PHOTO_SLOTS:
        return slot
    told = (entry[k] for k in ("check", "stage", "note"))
    return next((str(w) for w in told if not is_missing(w) and str(w)), "")


def _row(shots: Sequence[tuple[str, tuple[str, str]]], photo: Photo, *, title: str) -> Page | None:
    """Pictures of one height side by side, each with its words and day below; nothing where none can be read."""
    known = [(found, words) for name, words in shots[:_MOST] if (found := photo(name)) is not None]
    if not known:
        return None
    shapes, room = [w / h for (_, w, h), _ in known], _WIDE - _GAP * (len(known) - 1)
    tall = min(_TALL, room / sum(shapes))
    while tall > 1 and sum(max(tall * s, _LEAST) for s in shapes) > room + 1e-6:
        tall -= 1
    page = Page(width_mm=_WIDE, height_mm=tall + _WORDS + 1, title=title)
    x = 0.0
    for ((jpeg, _, _), (said, day)), shape in zip(known, shapes, strict=True):
        wide = tall * shape
        page.picture(jpeg, x, _WORDS, wide, tall)
        page.text(x, 4.9, said, size_pt=8, weight="bold", within_mm=max(wide, _LEAST))
        page.text(x, 1.4, day, size_pt=7.5, within_mm=max(wide, _LEAST))
        x += max(wide, _LEAST) + _GAP
    return page
