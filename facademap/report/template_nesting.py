"""Templates of pieces laid several to a sheet or a roll, each upright as it stands in the wall."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from facademap.errors import InputError
from facademap.report.paper import paper_named
from facademap.units import M_PER_INCH

__all__ = ["Roll", "Spot", "nest", "sheet_sides"]

_ROLL = re.compile(r"roll\s*(\d+(?:\.\d+)?)\s*(mm|in)?\Z")
#: Longest page of a roll: what plotters take at once, and one person handles (common practice).
LONGEST_MM = 2500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Roll:
    """A sheet to draw templates on.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the sheet; of a roll, its width and the longest page.
    cut : bool
        Whether the page is cut to what stands on it.
    """

    width_mm: float
    height_mm: float
    cut: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """Where one template stands.

    Parameters
    ----------
    index : int
        Which of those given.
    page : int
    x_mm, y_mm : float
        Its lower left corner in the zone of the page.
    """

    index: int
    page: int
    x_mm: float
    y_mm: float


def sheet_sides(name: str) -> Roll:
    """A sheet by its name, upright, or a roll by its width: ``roll 914``, ``roll 36 in``.

    Raises
    ------
    InputError
        No such sheet, or no roll has that width.

    Examples
    --------
    >>> sheet_sides("roll 24 in").width_mm, sheet_sides("A3").height_mm
    (609.6, 420.0)
    """
    found = _ROLL.match(" ".join(name.lower().split()))
    if found is None:
        width, height = paper_named(name)
        return Roll(width_mm=width, height_mm=height)
    width = float(found[1]) * (M_PER_INCH * 1000 if found[2] == "in" else 1.0)
    if not 200.0 <= width <= 1700.0:
        raise InputError(
            f"a roll {width:g} mm wide", "Give a width from 200 to 1700 mm, such as roll 914."
        )
    return Roll(width_mm=round(width, 3), height_mm=LONGEST_MM, cut=True)


def nest(sizes_mm: Sequence[tuple[float, float]], zone_mm: tuple[float, float]) -> list[Spot]:
    """Lay rectangles in rows on as few pages as a simple rule finds; none is turned.

    Parameters
    ----------
    sizes_mm : sequence of (width, height)
        Each fits the zone.
    zone_mm : (width, height)

    Returns
    -------
    list of Spot
        In the order given.

    Notes
    -----
    First fit by falling height, in shelves: at most 1.7 times the least height of a strip and one item more
    (Coffman, Garey, Johnson, Tarjan, 1980, Performance bounds for level-oriented two-dimensional packing algorithms;
    recalled).
    """
    order = sorted(range(len(sizes_mm)), key=lambda i: (-sizes_mm[i][1], -sizes_mm[i][0], i))
    # each shelf: page, y of its foot, height, width used
    shelves: list[tuple[int, float, float, list[float]]] = []
    filled: list[float] = []
    spots: dict[int, Spot] = {}
    for i in order:
        width, height = sizes_mm[i]
        shelf = next(
            (s for s in shelves if s[2] >= height and s[3][0] + width <= zone_mm[0] + 1e-9), None
        )
        if shelf is None:
            page = next((p for p, h in enumerate(filled) if h + height <= zone_mm[1] + 1e-9), -1)
            if page < 0:
                page = len(filled)
                filled.append(0.0)
            shelf = (page, filled[page], height, [0.0])
            shelves.append(shelf)
            filled[page] += height
        page, foot, tall, used = shelf
        # rows are filled from the top of the page down
        spots[i] = Spot(index=i, page=page, x_mm=used[0], y_mm=zone_mm[1] - foot - tall)
        used[0] += width
    return [spots[i] for i in range(len(sizes_mm))]
