"""Room for the words of a sketch: each is put where it covers none that stands already."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import shapely

from facademap.report.typeface import MM_PER_PT, Weight, text_width_mm

__all__ = ["Room"]

#: Height of capitals and depth below the base line, as shares of the size of type.
_UP, _DOWN = 0.74, 0.2
#: Square millimetres that do not count.
_NOTHING = 0.01
Spot = tuple[float, float, float]


class Room:
    """What is taken on a sketch, in millimetres of the page.

    Examples
    --------
    >>> room = Room()
    >>> room.take_text("65.5", [(0.0, 0.0, 0.0)], size_pt=8.0)
    (0.0, 0.0, 0.0)
    >>> room.take_text("69", [(1.0, 0.0, 0.0), (20.0, 0.0, 0.0)], size_pt=8.0)
    (20.0, 0.0, 0.0)
    """

    def __init__(self) -> None:
        self._taken: list[Any] = []

    def take_box(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """Keep a box clear."""
        self._taken.append(shapely.box(x0, y0, x1, y1))

    def take_shape(self, shape: Any) -> None:
        """Keep a shape clear, in millimetres of the page."""
        self._taken.append(shape)

    def take_text(
        self,
        text: str,
        spots: Sequence[Spot],
        *,
        size_pt: float,
        weight: Weight = "regular",
    ) -> Spot:
        """Take the first of some spots at which a line covers nothing, else the one at which it covers least.

        Parameters
        ----------
        text : str
        spots : sequence of (x, y, angle_deg)
            Middle of the base line and its direction.
        size_pt : float
        weight : str

        Returns
        -------
        tuple of float
            The spot that was taken.
        """
        best, least = None, math.inf
        for spot in spots:
            box = _box(text, spot, size_pt, weight)
            covered = round(self.covered(box), 3)
            if covered < least:
                best, least = (spot, box), covered
            if covered < _NOTHING:
                break
        assert best is not None
        self._taken.append(best[1])
        return best[0]

    def take_free(
        self,
        text: str,
        spots: Sequence[Spot],
        *,
        size_pt: float,
        weight: Weight = "regular",
    ) -> Spot | None:
        """The same for words that are left out where they would cover something, since they stand elsewhere too."""
        for spot in spots:
            box = _box(text, spot, size_pt, weight)
            if self.covered(box) < _NOTHING:
                self._taken.append(box)
                return spot
        return None

    def covered(self, shape: Any) -> float:
        """Area of a shape that something else stands on, square millimetres."""
        if not self._taken:
            return 0.0
        return float(shapely.area(shapely.intersection(shape, self._taken)).sum())


def _box(text: str, spot: Spot, size_pt: float, weight: Weight) -> Any:
    x, y, angle = spot
    half, em = text_width_mm(text, size_pt, weight) / 2 + 0.3, size_pt * MM_PER_PT
    cos, sin = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    corners = ((-half, -_DOWN * em), (half, -_DOWN * em), (half, _UP * em), (-half, _UP * em))
    return shapely.Polygon([(x + a * cos - b * sin, y + a * sin + b * cos) for a, b in corners])
