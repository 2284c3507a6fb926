"""What changed between two surveys, as a page to print and a picture of the wall."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from facademap.condition.survey_pairs import Paired
from facademap.photo.colour_change import ColourChange
from facademap.relief.change import Change, PatchChange
from facademap.report.measures import METRIC, Measures

__all__ = [
    "FULL_M",
    "ChangeRow",
    "agreement",
    "change_colours",
    "change_page",
    "change_png",
    "ramp_colours",
]

Bytes = NDArray[np.uint8]
_LOST, _STILL, _GAINED = (
    np.array([33, 78, 140.0]),
    np.array([246, 244, 238.0]),
    np.array([201, 122, 32.0]),
)
_INK, _PAPER, _UNKNOWN = (30, 30, 30), (255, 255, 255), (196, 170, 190)
_LONGEST, _MARGIN, _FOOT = 1500, 28, 96
#: Change at which the colour is full.
FULL_M = 0.010


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRow:
    """One line of the page.

    Parameters
    ----------
    pair : Paired
    term : str
    patch : PatchChange or None
        Change of relief within its outlines.
    rate_m_a_year : float or None
    colour : ColourChange
    more_urgent : bool
        Grows faster than the limit.
    """

    pair: Paired
    term: str
    patch: PatchChange | None
    rate_m_a_year: float | None
    colour: ColourChange
    more_urgent: bool


def change_png(change: Change, pairs: Sequence[Paired], *, say: Measures = METRIC) -> bytes:
    """The wall by change: stone lost blue, gained ochre, pale where nothing can be told, striped where unknown.

    Parameters
    ----------
    change : Change
    pairs : sequence of Paired
        Their outlines are drawn and numbered as on the page.
    say : Measures
        Units of the legend.
    """
    value = change.difference.out_m
    rgb = change_colours(change)
    scale = _LONGEST / max(value.shape)
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_NEAREST
    rgb = np.asarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=how))
    height, width = rgb.shape[:2]
    sheet = Image.new("RGB", (max(width, 700) + 2 * _MARGIN, height + 2 * _MARGIN + _FOOT), _PAPER)
    sheet.paste(Image.fromarray(rgb), (_MARGIN, _MARGIN))
    pen = ImageDraw.Draw(sheet)
    grid = change.difference.grid
    for number, pair in enumerate(pairs, start=1):
        _outline(pen, pair.shape, grid, scale, number)
    _legend(sheet, pen, height + _MARGIN + 14, say)
    done = io.BytesIO()
    sheet.save(done, "PNG")
    return done.getvalue()


def change_colours(change: Change) -> Bytes:
    """A pixel a cell: stone lost blue, gained ochre, pale within the level of detection, striped where unknown.

    Parameters
    ----------
    change : Change
    """
    value = change.difference.out_m
    known = np.isfinite(value)
    told = known & (np.abs(np.nan_to_num(value)) > change.detection_m)
    share = np.clip(np.nan_to_num(value) / FULL_M, -1, 1)[..., None]
    strong = np.where(
        share < 0, _STILL + (_LOST - _STILL) * -share, _STILL + (_GAINED - _STILL) * share
    )
    rgb = np.where(told[..., None], strong, _STILL)
    rows, columns = np.mgrid[0 : value.shape[0], 0 : value.shape[1]]
    striped = np.where(((rows + columns) // 3 % 2)[..., None] > 0, _UNKNOWN, _PAPER)
    return np.where(known[..., None], rgb, striped).astype(np.uint8)


def agreement(change: Change, say: Measures) -> str:
    """How well the surveys agree where nothing changed, in a sentence.

    Parameters
    ----------
    change : Change
    say : Measures
    """
    least = 0.0001
    within = (
        say.error(change.registration_m)
        if change.registration_m >= least
        else f"less than {say.error(least)}"
    )
    offset = f", offset {say.signed(change.offset_m)}" if abs(change.offset_m) >= least / 2 else ""
    return f"On stable stone the surveys agree within {within} (one standard deviation{offset})."


def ramp_colours(count: int) -> Bytes:
    """So many colours from stone lost to stone gained, shape (count, 3).

    Parameters
    ----------
    count : int
    """
    share = np.linspace(-1, 1, count)[:, None]
    ramp = np.where(
        share < 0, _STILL + (_LOST - _STILL) * -share, _STILL + (_GAINED - _STILL) * share
    )
    return np.asarray(ramp, np.uint8)


def _outline(pen: ImageDraw.ImageDraw, shape: Any, grid: Any, scale: float, number: int) -> None:
    font = ImageFont.load_default(18)

    def at(u: float, v: float) -> tuple[float, float]:
        step = scale / grid.gsd_m
        return _MARGIN + (u - grid.left_m) * step, _MARGIN + (grid.top_m - v) * step

    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            pen.line([at(u, v) for u, v in part.exterior.coords], fill=_INK, width=2)
    x, y = at(shape.bounds[0], shape.bounds[3])
    box = pen.textbbox((x + 4, y + 3), str(number), font=font)
    pen.rectangle((box[0] - 3, box[1] - 2, box[2] + 3, box[3] + 2), fill=_PAPER, outline=_INK)
    pen.text((x + 4, y + 3), str(number), fill=_INK, font=font)


def _legend(sheet: Image.Image, pen: ImageDraw.ImageDraw, y: int, say: Measures) -> None:
    font, width = ImageFont.load_default(15), 320
    bar = np.broadcast_to(ramp_colours(width)[None], (16, width, 3))
    sheet.paste(Image.fromarray(np.ascontiguousarray(bar)), (_MARGIN, y))
    pen.rectangle((_MARGIN, y, _MARGIN + width, y + 16), outline=_INK)
    for part, words in ((0.0, say.signed(-FULL_M)), (0.5, "0"), (1.0, say.signed(FULL_M))):
        pen.text((_MARGIN + part * width, y + 20), words, fill=_INK, font=font, anchor="ma")
    told = "blue: stone lost; pale: within the level of detection at 95 %; striped: not known"
    pen.text((_MARGIN, y + 44), told, fill=_INK, font=font)


def change_page(
    title: str,
    rows: Sequence[ChangeRow],
    *,
    change: Change | None,
    years: float | None,
    warnings: Sequence[str],
    picture: bytes | None,
    say: Measures = METRIC,
) -> str:
    """The page, whole in one file.

    Parameters
    ----------
    title : str
    rows : sequence of ChangeRow
    change : Change, optional
    years : float, optional
        Between the surveys.
    warnings : sequence of str
    picture : bytes, optional
        PNG of :func:`change_png`.
    say : Measures
        Units of the office.
    """
    facts = []
    if years is not None:
        facts.append(f"{years:.1f} years between them.")
    if change is not None:
        facts.append(
            f"{agreement(change, say)} A change is told above its level of detection at 95 %."
        )
    counts: dict[str, int] = {}
    for row in rows:
        counts[row.pair.fate] = counts.get(row.pair.fate, 0) + 1
    facts.append(", ".join(f"{n} {fate}" for fate, n in counts.items()) or "No conditions.")
    image = ""
    if picture is not None:
        data = base64.b64encode(picture).decode("ascii")
        image = f'<img alt="The wall by change" src="data:image/png;base64,{data}">'
    body = "".join(_line(number, row, say) for number, row in enumerate(rows, start=1))
    said = "".join(f"<li>{html.escape(say.sentence(w))}</li>" for w in warnings)
    notes = f"<h2>To be known</h2><ul>{said}</ul>" if said else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{html.escape(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{html.escape(title)}</h1><p>{html.escape(' '.join(facts))}</p>{notes}{image}"
        '<div class="wide"><table><thead><tr><th>No.<th>Was<th>Is<th>Term<th>What became of it<th>Size<th>Depth'
        "<th>A year<th>Volume<th>Colour<th>Classes</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
        "<p>Size and depth with plus or minus at 95 %. Depth is the mean over the outlines of both surveys; negative: stone "
        "lost. Colour is CIEDE2000 with plus or minus at 95 %, the older picture seen in the light of the newer one by the sound "
        "stone round each place; it is called changed where it surely is by more than an eye tells apart, and not known where "
        "the light cannot be compared. For a bulge or a lean these are material for a structural engineer, never the judgement.</p>"
        "</body></html>\n"
    )


_STYLE = (
    "body{font:15px/1.45 system-ui,sans-serif;margin:2rem auto;max-width:75rem;padding:0 1rem;color:#1e1e1e}"
    "img{max-width:100%;border:1px solid #bbb}table{border-collapse:collapse;width:100%;margin:1rem 0}"
    "th,td{border-bottom:1px solid #ccc;padding:.3rem .5rem;text-align:left;vertical-align:top}"
    "td.n{text-align:right;white-space:nowrap}.told{font-weight:600}.wide{overflow-x:auto}"
    "@media print{body{margin:0}img{max-height:12cm}}"
)


def _line(number: int, row: ChangeRow, say: Measures) -> str:
    p, patch = row.pair, row.patch
    told_as = say.patch if p.unit == "m2" else say.length
    old, new, more = (told_as(v) for v in (p.size_old, p.size_new, p.plus_minus_95))
    size = f"{old} to {new} ± {more}" if p.unit else ""
    if p.unit and p.fate == "first drawn":
        size = new
    depth = volume = rate = ""
    if patch is not None:
        depth = f"{say.signed(patch.mean_change_m)} ± {say.error(patch.plus_minus_95_m)}"
        volume = say.lost(patch.volume_change_m3)
    if row.rate_m_a_year is not None:
        rate = say.signed(row.rate_m_a_year)
    fate = p.fate + (" - grows fast: more urgent" if row.more_urgent else "")
    told = "told" if patch is not None and patch.significant else ""
    cells = [
        ("n", str(number)),
        ("", ", ".join(p.old)),
        ("", ", ".join(p.new)),
        ("", row.term),
        ("told" if p.fate not in ("same", "repaired") else "", fate),
        ("n", size),
        (f"n {told}", depth),
        ("n", rate),
        ("n", volume),
        ("told" if row.colour.changed else "", row.colour.words),
        ("", "; ".join(p.classes)),
    ]
    return "<tr>" + "".join(f'<td class="{c}">{html.escape(t)}' for c, t in cells) + "</tr>"
