"""Does this piece fit on this face, flaws and all? Right answers and time a query: ``python benchmarks/match_fit.py [FACES]``.

Four rectangles and one L-shaped piece a face, each within 15 % of the largest of its proportions that fits: the queries that a
raster gets wrong. The exact set of free positions by shapely says what is right; a raster with a summed-area table is there
for comparison.
"""

from __future__ import annotations

import itertools
import math
import sys
import time
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from facademap.errors import GeometryError
from facademap.match import Block, Face, Flaw, Params, Problem, Repair
from facademap.match.freespace import FreeSpace
from facademap.match.kernels.place import EASE_MM

__all__ = ["critical_problem", "random_face", "shapely_fits"]

Ring: TypeAlias = tuple[tuple[float, float], ...]
RASTER_MM = 4.0


def _rectangle(w: float, h: float) -> Ring:
    return ((0.0, 0.0), (w, 0.0), (w, h), (0.0, h))


def _l_piece(w: float, h: float) -> Ring:
    return ((0.0, 0.0), (w, 0.0), (w, 0.5 * h), (0.4 * w, 0.5 * h), (0.4 * w, h), (0.0, h))


def random_face(rng: np.random.Generator) -> Face:
    """An irregular outline of 8 to 18 corners, often not convex, with one and a half flaws in the mean."""
    while True:
        w, h, n = rng.uniform(250, 1100), rng.uniform(180, 550), int(rng.integers(8, 19))
        around = np.clip(
            1.35 * np.array([np.cos(t := np.sort(rng.uniform(0, 2 * math.pi, n))), np.sin(t)]),
            -1,
            1,
        )
        corners = (1 + rng.uniform(0.75, 1.0, n) * around) * np.array([[w / 2], [h / 2]])
        flaws = []
        for _ in range(int(rng.poisson(1.5))):
            middle, radii = (
                rng.uniform(0.1, 0.9, 2) * (w, h),
                rng.uniform(10, 55) * rng.uniform(0.6, 1.0, 6),
            )
            flaws.append(
                [
                    (
                        round(middle[0] + r * math.cos(k * math.pi / 3), 1),
                        round(middle[1] + r * math.sin(k * math.pi / 3), 1),
                    )
                    for k, r in enumerate(radii)
                ]
            )
        try:
            return Face(
                id="f",
                outline_mm=tuple((round(x, 1), round(y, 1)) for x, y in corners.T),
                depth_mm=100.0,
                bed="x",
                flaws=tuple(Flaw(outline_mm=tuple(ring)) for ring in flaws),
            )
        except GeometryError:
            continue


def shapely_fits(face: Face, piece: Ring) -> bool:
    """Whether a rectilinear piece fits: the free positions, by Minkowski sums of all edges with all rectangles of the piece.

    The piece is made smaller by ``EASE_MM`` all round, as the matching does, so that both answer the same question.
    """
    outline = shapely.Polygon(face.outline_mm)
    solid = shapely.difference(
        outline, shapely.union_all([shapely.Polygon(f.outline_mm) for f in face.flaws])
    )
    rings = [face.outline_mm, *(f.outline_mm for f in face.flaws)]
    edges = np.array(
        [(*a, *b) for ring in rings for a, b in zip(ring, (*ring[1:], ring[0]), strict=True)]
    ).reshape(-1, 2, 2)
    small = np.array(
        shapely.Polygon(piece).buffer(-EASE_MM, join_style="mitre").exterior.coords[:-1]
    )
    xs, ys = np.unique(np.round(small[:, 0], 9)), np.unique(np.round(small[:, 1], 9))
    shape = shapely.Polygon(small).buffer(1e-6, join_style="mitre")
    swept = []
    for (x0, x1), (y0, y1) in itertools.product(
        itertools.combinations(xs, 2), itertools.combinations(ys, 2)
    ):
        if shape.covers(shapely.box(x0, y0, x1, y1)):
            corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
            swept += list(
                shapely.convex_hull(
                    shapely.multipoints((edges[:, :, None] - corners).reshape(len(edges), -1, 2))
                )
            )
    left, low, right, high = outline.bounds
    free = (
        shapely.difference(
            shapely.box(left - xs[0], low - ys[0], right - xs[-1], high - ys[-1]),
            shapely.union_all(swept),
        )
        if (right - left >= xs[-1] - xs[0] and high - low >= ys[-1] - ys[0])
        else shapely.Polygon()
    )
    for part in shapely.get_parts(free):
        if part.area > 0.0:
            at = part.representative_point()
            if solid.buffer(1e-6).covers(shapely.Polygon(small + np.array([at.x, at.y]))):
                return True
    return False


def _largest(face: Face, wide: float, high: float, shape: object) -> float:
    """How many times (wide, high) fits, to half a per cent."""
    low, top = 0.0, 1500.0 / max(wide, high)
    while top - low > 0.005 * top:
        middle = 0.5 * (low + top)
        low, top = (
            (middle, top)
            if shapely_fits(face, shape(middle * wide, middle * high))
            else (low, middle)
        )  # type: ignore[operator]
    return low


def critical_problem(n_faces: int, *, seed: int) -> Problem:
    """Faces, and five repairs for each (four rectangles, one L) that just fit it or just do not."""
    rng = np.random.default_rng(seed)
    repairs, blocks = [], []
    for n in range(n_faces):
        face = random_face(rng)
        blocks.append(Block(id=f"b{n}", stone="s", lab=(70.0, 0.0, 10.0), faces=(face,)))
        for k, shape in enumerate((*[_rectangle] * 4, _l_piece)):
            high = float(np.exp(rng.uniform(-1.0, 1.0)))
            scale = _largest(face, 1.0, high, shape) * rng.uniform(0.85, 1.15)
            ring = tuple((round(x, 2), round(y, 2)) for x, y in shape(scale, scale * high))
            repairs.append(
                Repair(
                    id=f"r{n}.{k}",
                    outline_mm=ring,
                    depth_mm=50.0,
                    joints_mm=(0.0,),
                    bed="horizontal",
                    stone="s",
                    turn180=False,
                )
            )
    return Problem(repairs=tuple(repairs), blocks=tuple(blocks), params=Params(trim_mm=0.0))


def _raster(face: Face) -> npt.NDArray[np.int64]:
    """Summed-area table of the cells that are not wholly sound."""
    outline = shapely.Polygon(face.outline_mm)
    solid = shapely.difference(
        outline, shapely.union_all([shapely.Polygon(f.outline_mm) for f in face.flaws])
    )
    x0, y0, x1, y1 = solid.bounds
    xs, ys = np.arange(x0, x1, RASTER_MM), np.arange(y0, y1, RASTER_MM)
    shapely.prepare(solid)
    blocked = ~shapely.covers(
        solid, shapely.box(xs[:, None], ys, xs[:, None] + RASTER_MM, ys + RASTER_MM)
    )
    return np.pad(blocked, ((1, 0), (1, 0))).cumsum(0).cumsum(1)


def _raster_fits(table: npt.NDArray[np.int64], wide: float, high: float) -> bool:
    a, b = math.ceil(wide / RASTER_MM), math.ceil(high / RASTER_MM)
    if a >= len(table) or b >= len(table[0]):
        return False
    return bool((table[a:, b:] - table[:-a, b:] - table[a:, :-b] + table[:-a, :-b] == 0).any())


def _row(name: str, answers: Sequence[bool], right: Sequence[bool], seconds: float) -> str:
    wrong_yes = sum(a and not r for a, r in zip(answers, right, strict=True))
    missed = sum(r and not a for a, r in zip(answers, right, strict=True))
    return f"{name:<34s} {1e6 * seconds / len(right):<10.1f} {wrong_yes:<10d} {missed}"


def main() -> None:
    """Print the table."""
    n_faces = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    problem = critical_problem(n_faces, seed=1)
    queries = [
        (i, i // 5, 0, tuple(range(len(problem.blocks[i // 5].faces[0].flaws))))
        for i in range(len(problem.repairs))
    ]
    for what, chosen in (
        ("rectangles", [q for q in queries if q[0] % 5 < 4]),
        ("L-shaped pieces", [q for q in queries if q[0] % 5 == 4]),
    ):
        began = time.process_time()
        right = [
            shapely_fits(problem.blocks[b].faces[0], problem.repairs[i].outline_mm)
            for i, b, _, _ in chosen
        ]
        reference_s = time.process_time() - began
        print(
            f"{len(chosen)} critical {what} on {n_faces} faces (mean "
            f"{np.mean([len(b.faces[0].outline_mm) for b in problem.blocks]):.1f} corners), {sum(right)} fit\n"
            "way                                us/query   wrong yes  missed fits"
        )
        print(_row("shapely, exact", right, right, reference_s))
        space = FreeSpace(problem, compiled=True)
        for q in (
            queries
        ):  # shapes and faces are made ready, and the code is compiled, before the clock runs
            space.fits(*q)
        began = time.process_time()
        answers = [space.fits(*q) for q in chosen]
        print(_row("ours, yes or no", answers, right, time.process_time() - began))
        began = time.process_time()
        answers = [len(space.choices(*q)) > 0 for q in chosen]
        print(_row("ours, all free positions", answers, right, time.process_time() - began))
        if what == "rectangles":
            began = time.process_time()
            tables = [_raster(block.faces[0]) for block in problem.blocks]
            made_s = time.process_time() - began
            sizes = [
                (space.blanks[i].width_mm, space.blanks[i].height_mm, b) for i, b, _, _ in chosen
            ]
            began = time.process_time()
            answers = [_raster_fits(tables[b], w, h) for w, h, b in sizes]
            print(
                _row(
                    f"raster of {RASTER_MM:g} mm (numpy)",
                    answers,
                    right,
                    time.process_time() - began,
                )
                + f"   and {1e3 * made_s / n_faces:.1f} ms a face to make it"
            )
    fresh = FreeSpace(problem, compiled=True)
    began = time.process_time()
    for q in queries[::5]:
        fresh.fits(*q)
    print(
        f"making a face and a piece ready: {1e6 * (time.process_time() - began) / n_faces:.0f} us, once for each"
    )


if __name__ == "__main__":
    main()
