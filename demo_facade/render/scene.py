"""Everything the camera sees as flat pieces in space, each with its texture."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from . import joinery, surroundings
from .colour import FULL
from .masonry import HEIGHT_M, WIDTH_M, Building, Opening
from .wall import PX_MM, ROWS


@dataclass(frozen=True)
class Piece:
    """A parallelogram ``origin + s * e1 + t * e2`` (metres), s and t from 0 to 1.

    ``texel`` (2, 3) turns (s, t, 1) into texture pixels; ``light`` is the factor at the four corners
    (s0 t0, s1 t0, s0 t1, s1 t1); ``holes`` are boxes (s0, t0, s1, t1) left open.
    """

    name: str
    origin: tuple[float, float, float]
    e1: tuple[float, float, float]
    e2: tuple[float, float, float]
    image: NDArray[np.uint16]
    texel: NDArray[np.float64]
    light: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    holes: tuple[tuple[float, float, float, float], ...] = field(default=())


def whole(image: NDArray[np.uint16]) -> NDArray[np.float64]:
    """Texel map that stretches a picture over its piece, t upwards."""
    h, w = image.shape[:2]
    return np.array([[w, 0, -0.5], [0, -h, h - 0.5]], float)


def on_wall(u0: float, du: float, v0: float, dv: float) -> NDArray[np.float64]:
    """Texel map of a piece that shows the wall texture from (u0, v0) over (du, dv)."""
    k = 1000 / PX_MM
    return np.array([[du * k, 0, u0 * k - 0.5], [0, -dv * k, ROWS - v0 * k - 0.5]], float)


class Scene:
    """The pieces of the building and what stands round it."""

    def __init__(self, building: Building, wall: NDArray[np.uint16], seed: int) -> None:
        self.wall = wall
        self.pieces: list[Piece] = []
        holes = tuple(
            (o.u0 / WIDTH_M, o.v0 / HEIGHT_M, o.u1 / WIDTH_M, o.v1 / HEIGHT_M)
            for o in building.openings
        )
        self._show("main plane", (0.0, WIDTH_M), (0.0, HEIGHT_M), (0.0, 0.0), holes=holes)
        self._ledges(building)
        for n, o in enumerate(building.openings):
            self._opening(o, seed, n)
        for name, origin, e1, e2, image, light in surroundings.pieces(seed):
            self.pieces.append(Piece(name, origin, e1, e2, image, whole(image), light))

    def _show(
        self,
        name: str,
        u: tuple[float, float],
        v: tuple[float, float],
        w: tuple[float, float],
        *,
        light: float = 1.0,
        sample: tuple[float, float] | None = None,
        holes: tuple[tuple[float, float, float, float], ...] = (),
    ) -> None:
        """A piece along the wall, from w[0] at its foot to w[1] at its head, showing the wall texture."""
        s0, s1 = sample or v
        self.pieces.append(
            Piece(name, (u[0], v[0], w[0]), (u[1] - u[0], 0, 0), (0, v[1] - v[0], w[1] - w[0]), self.wall,
                  on_wall(u[0], u[1] - u[0], s0, s1 - s0), (light,) * 4, holes)
        )  # fmt: skip

    def _ledges(self, b: Building) -> None:
        lev = b.levels
        doors = [(o.u0, o.u1) for o in b.openings if o.v0 < 0.01]
        runs, at = [], 0.0
        for a, c in [*doors, (WIDTH_M, WIDTH_M)]:
            runs.append((at, a))
            at = c
        top = lev[2]
        for run in runs:  # plinth: face, chamfer, cheeks at the door
            self._show("plinth", run, (0.0, top - 0.035), (0.04, 0.04))
            self._show("plinth chamfer", run, (top - 0.035, top), (0.04, 0.0), light=1.12)
        for a, c in doors:
            for u in (a, c):
                self._cheek(u, 0.0, top - 0.035, 0.04, 0.9 if u == a else 0.6)
        v0, v1 = lev[11], lev[12]
        full = (0.0, WIDTH_M)
        self._show("string soffit", full, (v0, v0 + 0.025), (0.0, 0.055), light=0.45)
        self._show("string", full, (v0 + 0.025, v1 - 0.04), (0.055, 0.055))
        self._show("string weathering", full, (v1 - 0.04, v1), (0.055, 0.0), light=1.15)
        v0, v1 = lev[19], lev[20]
        self._show("cornice bed mould", full, (v0, v0 + 0.13), (0.0, 0.095), light=0.56)
        self._show(
            "cornice soffit",
            full,
            (v0 + 0.13, v0 + 0.1301),
            (0.095, 0.13),
            light=0.4,
            sample=(v0 + 0.13, v0 + 0.16),
        )
        self._show("cornice", full, (v0 + 0.13, v1 - 0.05), (0.13, 0.13))
        self._show("cornice weathering", full, (v1 - 0.05, v1), (0.13, 0.0), light=1.15)
        v0 = lev[21]
        self._show(
            "coping soffit",
            full,
            (v0, v0 + 0.0001),
            (0.0, 0.045),
            light=0.42,
            sample=(v0, v0 + 0.04),
        )
        self._show("coping", full, (v0, HEIGHT_M), (0.045, 0.045))
        for s in b.stones:
            if s.role == "sill":
                u0, v0, u1, v1 = s.box
                self._show("sill", (u0, u1), (v0, v1), (0.04, 0.04))
                self._show(
                    "sill soffit",
                    (u0, u1),
                    (v0, v0 + 0.0001),
                    (0.0, 0.04),
                    light=0.4,
                    sample=(v0, v0 + 0.03),
                )
                self._cheek(u0, v0, v1, 0.04, 0.85)
                self._cheek(u1, v0, v1, 0.04, 0.55)

    def _cheek(self, u: float, v0: float, v1: float, proud: float, light: float) -> None:
        self.pieces.append(
            Piece(
                "cheek",
                (u, v0, 0.0),
                (0, 0, proud),
                (0, v1 - v0, 0),
                self.wall,
                on_wall(u - 0.02, proud, v0, v1 - v0),
                (light,) * 4,
            )
        )

    def _opening(self, o: Opening, seed: int, n: int) -> None:
        d, w, h = o.reveal_m, o.u1 - o.u0, o.v1 - o.v0
        # jambs show the masonry carried round the corner; the sun comes from the upper left
        self.pieces += [
            Piece("left reveal", (o.u0, o.v0, 0), (0, 0, -d), (0, h, 0), self.wall, on_wall(o.u0, -d, o.v0, h), (0.50, 0.34, 0.44, 0.28)),
            Piece("right reveal", (o.u1, o.v0, 0), (0, 0, -d), (0, h, 0), self.wall, on_wall(o.u1, d, o.v0, h), (0.88, 0.72, 0.80, 0.36)),
            Piece("head", (o.u0, o.v1, 0), (w, 0, 0), (0, 0, -d), self.wall, on_wall(o.u0, w, o.v1, d), (0.46, 0.46, 0.27, 0.27)),
        ]  # fmt: skip
        front = 0.04 if o.sill else 0.0
        if o.v0 > 0.01:
            lip = -0.14 if o.sill else -0.1
            self.pieces.append(
                Piece("sill top", (o.u0 + (lip if o.sill else 0), o.v0, front), (w - 2 * lip if o.sill else w, 0, 0), (0, 0.004, -d - front), self.wall,
                      on_wall(o.u0 + lip, w - 2 * lip, o.v0 - 0.15, 0.12), (1.1, 1.1, 0.55, 0.75))
            )  # fmt: skip
        image = joinery.leaf(o, seed, n)
        self.pieces.append(Piece(o.id, (o.u0, o.v0, -d), (w, 0, 0), (0, h, 0), image, whole(image)))


def chart_pieces() -> list[Piece]:
    """The printed colour chart on its stand before the wall."""
    u0, v0, w = CHART_AT
    image = joinery.chart()
    dark = np.full((8, 8, 3), int(0.035 * FULL), np.uint16)
    out = [
        Piece(
            "chart", (u0, v0, w), (CHART_SIZE[0], 0, 0), (0, CHART_SIZE[1], 0), image, whole(image)
        )
    ]
    for du in (0.09, CHART_SIZE[0] - 0.12):
        out.append(
            Piece(
                "leg", (u0 + du, 0.0, w - 0.02), (0.03, 0, 0), (0, v0 + 0.02, 0), dark, whole(dark)
            )
        )
    out.append(
        Piece(
            "shelf",
            (u0 - 0.02, v0 - 0.03, w + 0.01),
            (CHART_SIZE[0] + 0.04, 0, 0),
            (0, 0.03, 0),
            dark,
            whole(dark),
        )
    )
    return out


#: Lower left corner (u, v, w) and size of the chart board, metres.
CHART_AT, CHART_SIZE = (7.62, 0.42, 0.55), (0.60, 0.42)


def shrink(image: NDArray[np.uint16], factor: int) -> NDArray[np.uint16]:
    """A smaller copy for looking at."""
    return cv2.resize(image, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
