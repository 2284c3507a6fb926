"""Where every blank may lie on every face: shapes as arrays for the kernels, worked out when first asked for."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.polygon import orient

from facademap.match.kernels import kernels
from facademap.match.kernels.place import EASE_MM
from facademap.match.kernels.values import Box, Outline, Shapes
from facademap.match.kernels.values import Face as FaceShape
from facademap.match.outlines import Blank, blank_of, turned
from facademap.match.problem import Face, Point, Problem, Repair

__all__ = ["CHOICE_COLUMNS", "FreeSpace", "turns_allowed"]

Floats: TypeAlias = npt.NDArray[np.float64]
#: Edges first and last, width, height, parts first and last, segments first and last, ring end, open, turn.
CHOICE_COLUMNS = 11
Level: TypeAlias = tuple[int, int, int]
#: The boundary of the free positions is looked for in a window that it cannot just touch.
_BEYOND_MM = 1.0
#: Told to write nothing, the kernel stops at the first free position that it finds.
_NO_ROOM: Floats = np.zeros((0, 4))


def turns_allowed(repair: Repair, face: Face) -> tuple[int, ...]:
    """The turns that keep the natural bed, by the repair's bed and the face's."""
    if face.bed in ("parallel", "unknown") and repair.bed != "any":
        return ()
    if face.bed != "x" or repair.bed == "any":
        turns: tuple[int, ...] = (0, 90, 180, 270)
    else:
        turns = (0, 180) if repair.bed == "horizontal" else (90, 270)
    if not repair.turn180:
        turns = tuple(t for t in turns if t < 180)
    if repair.lock is not None and repair.lock.rot_deg is not None:
        turns = tuple(t for t in turns if t == repair.lock.rot_deg)
    return turns


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turned:
    """One way up of a blank: its box and where its parts are in the arrays."""

    width_mm: float
    height_mm: float
    first: int
    last: int


class FreeSpace:
    """The free positions of blanks on faces, kept once worked out.

    Parameters
    ----------
    problem : Problem
    compiled : bool
        Use the compiled kernels.

    Attributes
    ----------
    edges, parts, planes, corners, segments : ndarray
        Arrays for the kernels; they grow, so take them fresh for every call. The last four columns of
        ``parts`` are the box of a part in full size, all else is made smaller by ``EASE_MM``.
    blanks : list of Blank
        One a repair.
    """

    def __init__(self, problem: Problem, *, compiled: bool) -> None:
        self.problem = problem
        self.compiled = compiled
        self.kernels: Any = kernels(compiled)
        self.blanks: list[Blank] = [blank_of(repair, problem.params) for repair in problem.repairs]
        self.edges = np.zeros((1024, 4))
        self.parts = np.zeros((64, 13))
        self.planes = np.zeros((256, 3))
        self.corners = np.zeros((64, 8))
        self.segments = np.zeros((256, 4))
        self._n_edges = self._n_parts = self._n_planes = self._n_segments = 0
        self._turned: dict[tuple[tuple[Point, ...], int], _Turned | None] = {}
        self._turns: dict[tuple[int, str], tuple[tuple[int, _Turned], ...]] = {}
        self._levels: dict[tuple[int, int, tuple[int, ...]], tuple[int, int, int]] = {}
        self._choices: dict[tuple[int, int, int, tuple[int, ...]], Floats] = {}
        self._reaching: dict[tuple[int, int, float, float], tuple[int, ...]] = {}
        self._regions: dict[tuple[Any, ...], tuple[int, int]] = {}
        self._scratch = np.zeros((4096, 4))
        self._boxes: dict[tuple[int, int], tuple[float, float, float, float]] = {}

    @property
    def shapes(self) -> Shapes:
        """The arrays that rows of choices point into, as they are now."""
        return Shapes(self.edges, self.parts, self.planes, self.segments)

    def box(self, block: int, face: int) -> tuple[float, float, float, float]:
        """Bounding box of a face, x0, y0, x1, y1, eased by the tolerance of the kernels."""
        key = (block, face)
        if key not in self._boxes:
            ring = self.problem.blocks[block].faces[face].outline_mm
            xs, ys = [p[0] for p in ring], [p[1] for p in ring]
            self._boxes[key] = (
                min(xs) - EASE_MM,
                min(ys) - EASE_MM,
                max(xs) + EASE_MM,
                max(ys) + EASE_MM,
            )
        return self._boxes[key]

    def reaching(
        self, block: int, face: int, start_mm: float, thickness_mm: float
    ) -> tuple[int, ...]:
        """The flaws that reach a slab, by number; this tuple names the depth level in other calls."""
        flaws = self.problem.blocks[block].faces[face].flaws
        if not flaws:
            return ()
        key = (block, face, start_mm, thickness_mm)
        if key not in self._reaching:
            self._reaching[key] = tuple(
                i for i, f in enumerate(flaws) if f.reaches(start_mm, thickness_mm)
            )
        return self._reaching[key]

    def choices(self, repair: int, block: int, face: int, level: tuple[int, ...]) -> Floats:
        """The ways to lay one blank on a face at one level, rows for the kernels; empty when it does not fit."""
        key = (repair, block, face, level)
        found = self._choices.get(key)
        if found is None:
            found = self._choices[key] = self._work_out(repair, block, face, level)
        return found

    def fits(self, repair: int, block: int, face: int, level: tuple[int, ...]) -> bool:
        """Whether one blank may lie anywhere on a face at one level; several times quicker than all its places.

        Exact for outlines of any shape: the answer is yes as soon as a piece of the boundary of the free
        positions is found, and no when there is none.
        """
        known = self._choices.get((repair, block, face, level))
        lock = self.problem.repairs[repair].lock
        if known is not None or (lock is not None and lock.x_mm is not None):
            return len(self.choices(repair, block, face, level)) > 0
        box = self.box(block, face)
        here = self._face_shape(self._obstacles(block, face, level))
        for _, shape in self._ways(repair, self.problem.blocks[block].faces[face]):
            if (
                shape.width_mm <= box[2] - box[0]
                and shape.height_mm <= box[3] - box[1]
                and self.kernels.free_edges(
                    self._outline(shape), self.corners, here, _window(box, shape), _NO_ROOM
                )
            ):
                return True
        return False

    def _work_out(self, repair: int, block: int, face: int, level: tuple[int, ...]) -> Floats:
        one, here = self.problem.repairs[repair], self.problem.blocks[block].faces[face]
        box = self.box(block, face)
        rows: list[list[float]] = []
        for turn, shape in self._ways(repair, here):
            if shape.width_mm > box[2] - box[0] or shape.height_mm > box[3] - box[1]:
                continue
            segment_first, segment_last, ring_end = self._obstacles(block, face, level)
            lock = one.lock
            if lock is not None and lock.x_mm is not None and lock.y_mm is not None:
                first, last = self._fixed(
                    shape, (segment_first, segment_last, ring_end), lock.x_mm, lock.y_mm
                )
                free = 0.0
            else:
                first, last = self._region(
                    shape, (block, face, level), (segment_first, segment_last, ring_end), box
                )
                free = 1.0
            if last > first:
                rows.append(
                    [
                        first,
                        last,
                        shape.width_mm,
                        shape.height_mm,
                        shape.first,
                        shape.last,
                        segment_first,
                        segment_last,
                        ring_end,
                        free,
                        turn,
                    ]
                )
        return np.array(rows, dtype=float).reshape(-1, CHOICE_COLUMNS)

    def _ways(self, repair: int, face: Face) -> tuple[tuple[int, _Turned], ...]:
        """The turns that keep the bed on such a face, with what they make of the blank; each shape once."""
        key = (repair, face.bed)
        if key not in self._turns:
            blank = self.blanks[repair]
            shapes: dict[tuple[Point, ...], tuple[int, _Turned]] = {}
            for turn in turns_allowed(self.problem.repairs[repair], face):
                outline = turned(
                    blank.outline_mm, turn, width_mm=blank.width_mm, height_mm=blank.height_mm
                )
                same = tuple(sorted((round(x, 6), round(y, 6)) for x, y in outline))
                shape = None if same in shapes else self._shape(blank, turn)
                if shape is not None:
                    shapes[same] = (turn, shape)
            self._turns[key] = tuple(shapes.values())
        return self._turns[key]

    def _shape(self, blank: Blank, turn: int) -> _Turned | None:
        key = (blank.outline_mm, turn)
        if key not in self._turned:
            self._turned[key] = self._add_shape(blank, turn)
        return self._turned[key]

    def _add_shape(self, blank: Blank, turn: int) -> _Turned | None:
        first = self._n_parts
        for part in blank.parts_mm:
            ring = turned(part, turn, width_mm=blank.width_mm, height_mm=blank.height_mm)
            small = _eased(ring)
            if small is None:
                continue
            planes = _half_planes(small)
            self.planes = _room(self.planes, self._n_planes + len(planes))
            self.parts = _room(self.parts, self._n_parts + 1)
            self.corners = _room(self.corners, self._n_parts + 1)
            self.planes[self._n_planes : self._n_planes + len(planes)] = planes
            xs, ys = [p[0] for p in small], [p[1] for p in small]
            self.parts[self._n_parts] = (
                min(xs),
                min(ys),
                max(xs),
                max(ys),
                sum(xs) / len(xs),
                sum(ys) / len(ys),
                self._n_planes,
                self._n_planes + len(planes),
                len(small),
                *(min(p[k] for p in ring) for k in (0, 1)),
                *(max(p[k] for p in ring) for k in (0, 1)),
            )
            self.corners[self._n_parts, : 2 * len(small)] = [v for p in small for v in p]
            self._n_planes += len(planes)
            self._n_parts += 1
        if self._n_parts == first:
            return None
        upright = turn % 180 == 0
        return _Turned(
            width_mm=blank.width_mm if upright else blank.height_mm,
            height_mm=blank.height_mm if upright else blank.width_mm,
            first=first,
            last=self._n_parts,
        )

    def _obstacles(self, block: int, face: int, level: tuple[int, ...]) -> Level:
        key = (block, face, level)
        if key not in self._levels:
            here = self.problem.blocks[block].faces[face]
            rings = [here.outline_mm, *(here.flaws[i].outline_mm for i in level)]
            outline = shapely.Polygon(here.outline_mm)
            lines: list[tuple[float, float, float, float]] = []
            ring_end = 0
            for number, ring in enumerate(rings):
                polygon = orient(shapely.Polygon(ring))
                if number and not polygon.intersects(outline):
                    continue
                points = list(polygon.exterior.coords)
                lines += [(*a, *b) for a, b in itertools.pairwise(points)]
                if not number:
                    ring_end = len(lines)
            first = self._n_segments
            self.segments = _room(self.segments, first + len(lines))
            self.segments[first : first + len(lines)] = lines
            self._n_segments += len(lines)
            self._levels[key] = (first, self._n_segments, ring_end)
        return self._levels[key]

    def _region(
        self,
        shape: _Turned,
        place: tuple[int, int, tuple[int, ...]],
        obstacles: Level,
        box: tuple[float, float, float, float],
    ) -> tuple[int, int]:
        key = (shape.first, place)
        if key not in self._regions:
            face, window = self._face_shape(obstacles), _window(box, shape)
            while True:
                count = self.kernels.free_edges(
                    self._outline(shape), self.corners, face, window, self._scratch
                )
                if count >= 0:
                    break
                self._scratch = np.zeros((2 * len(self._scratch), 4))
            self._regions[key] = self._keep(self._scratch[:count])
        return self._regions[key]

    def _fixed(self, shape: _Turned, obstacles: Level, x: float, y: float) -> tuple[int, int]:
        """A place that is given: one point, if the blank may lie there."""
        good = self.kernels.clear_at(
            self._outline(shape), self._face_shape(obstacles), float(x), float(y)
        )
        return self._keep(np.array([[x, y, x, y]])) if good else (0, 0)

    def _outline(self, shape: _Turned) -> Outline:
        return Outline(self.parts, self.planes, shape.first, shape.last)

    def _face_shape(self, obstacles: Level) -> FaceShape:
        first, last, ring_end = obstacles
        return FaceShape(self.segments[first:last], ring_end)

    def _keep(self, edges: Floats) -> tuple[int, int]:
        first = self._n_edges
        self.edges = _room(self.edges, first + len(edges))
        self.edges[first : first + len(edges)] = edges
        self._n_edges += len(edges)
        return first, self._n_edges


def _window(box: tuple[float, float, float, float], shape: _Turned) -> Box:
    """Where the lower-left corner of a blank can be on a face at most, and a little more."""
    return Box(
        box[0] - _BEYOND_MM,
        box[1] - _BEYOND_MM,
        box[2] - shape.width_mm + _BEYOND_MM,
        box[3] - shape.height_mm + _BEYOND_MM,
    )


def _room(array: Floats, rows: int) -> Floats:
    if rows <= len(array):
        return array
    larger = np.zeros((max(rows, 2 * len(array)), array.shape[1]))
    larger[: len(array)] = array
    return larger


def _half_planes(ring: Sequence[Point]) -> list[tuple[float, float, float]]:
    """Outward normals and offsets of a convex counter-clockwise ring: inside is n . p < c."""
    planes = []
    for (ax, ay), (bx, by) in zip(ring, (*ring[1:], ring[0]), strict=True):
        dx, dy = bx - ax, by - ay
        length = (dx * dx + dy * dy) ** 0.5
        nx, ny = dy / length, -dx / length
        planes.append((nx, ny, nx * ax + ny * ay))
    return planes


def _eased(ring: Sequence[Point]) -> list[Point] | None:
    """The convex ring made smaller by ``EASE_MM`` on every side; None for a sliver that vanishes."""
    planes = [(nx, ny, c - EASE_MM) for nx, ny, c in _half_planes(ring)]
    small = []
    for (ax, ay, ac), (bx, by, bc) in zip((planes[-1], *planes[:-1]), planes, strict=True):
        cross = ax * by - ay * bx
        if abs(cross) < 1e-12:
            return None
        small.append(((ac * by - bc * ay) / cross, (ax * bc - bx * ac) / cross))
    if any(nx * x + ny * y > c + 1e-9 for nx, ny, c in planes for x, y in small):
        return None
    return small
