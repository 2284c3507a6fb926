"""The scale of change between two surveys, for the legend of a drawing."""

from __future__ import annotations

from dataclasses import dataclass

from facademap.report.change_page import FULL_M, ramp_colours
from facademap.report.measures import Measures
from facademap.report.page import Anchor, Page

__all__ = ["SCALE_MM", "ChangeScale", "draw_change_scale"]

#: Height that the scale takes under the signs.
SCALE_MM = 25.0
_STEPS = 41


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeScale:
    """What the colours of the picture mean.

    Parameters
    ----------
    known_share : float
        Share of the cells that both surveys know.
    """

    known_share: float


def draw_change_scale(
    page: Page, scale: ChangeScale, place: tuple[float, float, float], *, inches: bool
) -> None:
    """Draw it under the signs.

    Parameters
    ----------
    page : Page
    scale : ChangeScale
    place : (x, top, width)
        Millimetres of the sheet.
    inches : bool
    """
    x, top, w = place
    say, wide = Measures(inches), w - 8
    page.text(x + 3, top - 4.5, "Change of depth, new less old", size_pt=7, weight="bold")
    for n, (r, g, b) in enumerate(ramp_colours(_STEPS)):
        page.box(
            x + 4 + n * wide / _STEPS, top - 9.5, wide / _STEPS + 0.05, 3.6, ink=None, fill=f"#{r:02x}{g:02x}{b:02x}"
        )  # fmt: skip
    page.box(x + 4, top - 9.5, wide, 3.6, width_mm=0.2)
    marks: tuple[tuple[float, str, Anchor], ...] = (
        (0.0, say.signed(-FULL_M), "left"),
        (0.5, "0", "centre"),
        (1.0, say.signed(FULL_M), "right"),
    )
    for share, words, anchor in marks:
        page.text(x + 4 + share * wide, top - 12.4, words, size_pt=6.5, anchor=anchor)
    for n, words in enumerate(
        (
            "blue: stone lost; ochre: gained",
            "pale: within the level of detection at 95 %",
            f"striped: not known ({1 - scale.known_share:.1%} of the cells)",
        )
    ):
        page.text(x + 4, top - 16.2 - 3.1 * n, words, size_pt=6.5, within_mm=w - 7)
