"""Photos of the record in the guide: one repair of each treatment as it was before, during and after, and its trials."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from facademap.report.guide.blocks import Block, Drawing
from facademap.report.page import Page
from facademap.tables import is_missing

__all__ = ["Photo", "photos_of"]

#: Gives a photo by its id as JPEG with its width and height, or nothing where it cannot be read.
Photo = Callable[[str], tuple[bytes, int, int] | None]
Row = Mapping[str, Any]
_MOST, _WIDE, _TALL, _GAP = 3, 170.0, 52.0, 3.0


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
            (str(trial[c]), word)
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
) -> tuple[str, list[tuple[str, str]]] | None:
    """The repair with the most photos, and its first, middle and last."""
    own = {str(r["id"]) for r in repairs if str(r["treatment"]) == treatment}
    corrected = {str(e["corrects"]) for e in log if not is_missing(e.get("corrects"))}
    shots: dict[str, list[tuple[str, str, str]]] = {}
    for entry in log:
        if (
            str(entry["repair"]) in own
            and not is_missing(entry["photo"])
            and str(entry["id"]) not in corrected
        ):
            word = next(
                (str(entry[k]) for k in ("check", "stage", "note") if not is_missing(entry[k])), ""
            )
            shots.setdefault(str(entry["repair"]), []).append(
                (str(entry["at"]), str(entry["photo"]), word)
            )
    if not shots:
        return None
    name = max(sorted(shots), key=lambda n: len(shots[n]))
    inorder = sorted(shots[name])
    chosen = (
        inorder if len(inorder) <= _MOST else [inorder[0], inorder[len(inorder) // 2], inorder[-1]]
    )
    return name, [(photo, f"{at[:10]} {word}".strip()) for at, photo, word in chosen]


def _row(shots: Sequence[tuple[str, str]], photo: Photo, *, title: str) -> Page | None:
    """Pictures side by side, each with its words below; nothing where none can be read."""
    known = [(found, words) for name, words in shots[:_MOST] if (found := photo(name)) is not None]
    if not known:
        return None
    page = Page(width_mm=_WIDE, height_mm=_TALL + 6, title=title)
    each = (_WIDE - _GAP * (_MOST - 1)) / _MOST
    for k, ((jpeg, width, height), words) in enumerate(known):
        scale = min(each / width, _TALL / height)
        x = k * (each + _GAP)
        page.picture(jpeg, x, 6 + _TALL - height * scale, width * scale, height * scale)
        page.text(x, 1.5, words, size_pt=7.5, within_mm=each)
    return page
