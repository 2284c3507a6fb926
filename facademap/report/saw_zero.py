"""The zero of a saw plan: two lines that a yard strikes on the face itself, and lengths to check them by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facademap.match.problem import Point
from facademap.report.measures import Measures

__all__ = ["Zero", "zero_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """Where the lines of a saw plan begin on a face.

    Parameters
    ----------
    x_mm, y_mm : float
        The zero point in the frame of the face: left of, and below, all sound stone.
    level : (x, y)
        Corner B of the outline that the level line touches.
    upright : (x, y)
        Corner A of the outline that the upright line touches.
    sight : (x, y)
        Corner C, far from B along the level line; it gives the line its direction.
    """

    x_mm: float
    y_mm: float
    level: Point
    upright: Point
    sight: Point

    def how(self, known_mm: float | None, say: Measures) -> tuple[str, ...]:
        """How to strike it, a sentence each; ``known_mm`` is how well lengths of the face are known, at 95 %."""
        most = max(2.0, known_mm or 0.0)
        sure = "" if known_mm is None else f" (the face is known to ± {say.error(known_mm / 1000)})"
        along = self.sight[0] - self.level[0]
        above = self.sight[1] - self.level[1]
        side = "right" if along > 0 else "left"
        passes = (
            "touches C as well"
            if above < 0.05
            else f"passes {say.length(above / 1000, decimals=1)} below C, "
            f"{say.length(abs(along) / 1000, decimals=1)} further to the {side}"
        )
        checks = ", ".join(
            f"{name} {say.figure(math.hypot(p[0] - self.x_mm, p[1] - self.y_mm) / 1000)}"
            for name, p in (("A", self.upright), ("B", self.level), ("C", self.sight))
        )
        return (
            "Find corners A, B and C of the drawn outline on the stone, face towards you, as in the picture.",
            f"Level line: it touches corner B and {passes}.",
            "Upright line: square to it, it touches corner A. Zero is where both cross, on the old face; scribe it and keep it.",
            f"Check from zero, in {say.unit_in_full}: to {checks}. More than {say.length(most / 1000, decimals=0)} off{sure}: measure the face again, saw nothing.",
            "Carry both lines over the edges to the back, on battens where stone is broken away, and set out all cuts of a slab "
            "from zero before the first of them.",
        )


def zero_of(outline_mm: Sequence[Point]) -> Zero:
    """The zero of an outline: its lowest and its leftmost corner, and the one along the level line that steadies it best.

    Parameters
    ----------
    outline_mm : sequence of (x, y)
        Sound outline in the frame of the face.

    Examples
    --------
    >>> z = zero_of(((0, 5), (0, 100), (200, 100), (200, 0)))
    >>> (z.x_mm, z.y_mm, z.level, z.upright, z.sight)
    (0.0, 0.0, (200.0, 0.0), (0.0, 5.0), (0.0, 5.0))
    """
    ring = np.asarray(outline_mm, dtype=float)
    low = ring.min(axis=0)
    b = ring[np.lexsort((ring[:, 0], ring[:, 1]))[0]]
    a = ring[np.lexsort((ring[:, 1], ring[:, 0]))[0]]
    # far along the line, and near to it: a corner high above gives no direction to a straight-edge
    reach = np.abs(ring[:, 0] - b[0]) - 2.0 * (ring[:, 1] - b[1])
    c = ring[int(np.argmax(np.where(np.abs(ring[:, 0] - b[0]) > 1e-9, reach, -np.inf)))]
    return Zero(
        x_mm=float(low[0]),
        y_mm=float(low[1]),
        level=(float(b[0]), float(b[1])),
        upright=(float(a[0]), float(a[1])),
        sight=(float(c[0]), float(c[1])),
    )
