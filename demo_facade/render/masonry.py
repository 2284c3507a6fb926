"""The building as set out: courses, stones, openings and projections of the river front."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from shapely.geometry import Polygon

from .noise import stream

WIDTH_M, HEIGHT_M = 12.0, 8.0
BUFF, GREY, RED = "Ravelin buff sandstone", "Skerrow grey limestone", "Dunmarl red sandstone"
#: Mean CIELAB (D50, 2 degree) of a clean, dry face and how far one stone differs from the next.
STONE_LAB = {BUFF: (67.0, 5.2, 19.5), GREY: (68.5, 0.6, 6.4), RED: (50.5, 14.5, 18.5)}
STONE_SPREAD = {BUFF: (3.3, 1.1, 2.2), GREY: (2.6, 0.4, 1.1), RED: (2.8, 1.5, 1.6)}


@dataclass(frozen=True)
class Opening:
    """A window or a loading door: a hole in the main plane with reveals ``reveal_m`` deep."""

    id: str
    kind: str
    u0: float
    v0: float
    u1: float
    v1: float
    reveal_m: float
    lintel_course: int
    sill: bool

    @property
    def polygon(self) -> Polygon:
        return Polygon(
            [(self.u0, self.v0), (self.u1, self.v0), (self.u1, self.v1), (self.u0, self.v1)]
        )


@dataclass(frozen=True)
class Stone:
    """One stone in the wall; ``corners`` run anticlockwise from the lower left, metres (u, v)."""

    id: str
    course: int
    number: int
    corners: tuple[tuple[float, float], ...]
    stone_type: str
    role: str
    bed: str
    finish: str
    depth_m: float
    exposed: str
    proud_m: float
    lab: tuple[float, float, float]
    wear: float
    kind: str = "sedimentary"

    @property
    def polygon(self) -> Polygon:
        return Polygon(self.corners)

    @property
    def box(self) -> tuple[float, float, float, float]:
        us, vs = zip(*self.corners, strict=True)
        return min(us), min(vs), max(us), max(vs)


@dataclass(frozen=True)
class Building:
    """All stones and openings, and the heights of the courses."""

    stones: tuple[Stone, ...]
    openings: tuple[Opening, ...]
    levels: tuple[float, ...]
    kinds: tuple[str, ...]
    by_id: dict[str, Stone] = field(default_factory=dict)


#: Height of each course from the ground (m) and what it is.
COURSES = (
    *((h, "plinth") for h in (0.34, 0.28)),
    *((h, "walling") for h in (0.41, 0.36, 0.40, 0.37, 0.40, 0.36, 0.40, 0.35, 0.37)),
    (0.20, "string"),
    *((h, "walling") for h in (0.39, 0.41, 0.38, 0.40, 0.37, 0.41, 0.36)),
    (0.32, "cornice"),
    (0.44, "parapet"),
    (0.0, "coping"),
)
PROUD_M = {"plinth": 0.04, "string": 0.055, "cornice": 0.13, "coping": 0.045, "sill": 0.04}
RED_BANDS = (8, 16)  # course numbers, from 1


def set_out(seed: int) -> Building:
    """Set out the elevation."""
    rng = stream(seed, 1)
    heights = [h for h, _ in COURSES]
    heights[-1] = HEIGHT_M - sum(heights)
    kinds = tuple(k for _, k in COURSES)
    levels = tuple(float(x) for x in np.concatenate([[0.0], np.cumsum(heights)]))
    openings = _openings(levels)
    stones: list[Stone] = []
    joints_below: list[float] = []
    for k, kind in enumerate(kinds):
        boxes = _course_boxes(rng, k, kind, levels, openings, joints_below)
        joints_below = [b[0] for b in boxes] + [b[2] for b in boxes]
        boxes.sort(key=lambda b: (b[0] + b[2], b[1]))
        for n, (u0, v0, u1, v1, role) in enumerate(boxes, 1):
            stones.append(_stone(rng, k + 1, n, (u0, v0, u1, v1), role))
    stones = _patch_with_red(rng, stones)
    return Building(tuple(stones), openings, levels, kinds, {s.id: s for s in stones})


def _openings(levels: tuple[float, ...]) -> tuple[Opening, ...]:
    sill_low, head_low, sill_up, head_up = levels[4], levels[8], levels[13], levels[17]
    return (
        Opening("W-01", "window", 1.75, sill_low, 2.85, head_low, 0.22, 8, True),
        Opening("W-02", "window", 9.15, sill_low, 10.25, head_low, 0.22, 8, True),
        Opening("D-01", "loading door", 4.95, 0.0, 7.05, head_low, 0.25, 8, False),
        Opening("W-03", "window", 1.75, sill_up, 2.85, head_up, 0.19, 17, True),
        Opening("D-02", "loft door", 5.35, levels[12], 6.65, head_up, 0.20, 17, False),
        Opening("W-04", "window", 9.15, sill_up, 10.25, head_up, 0.19, 17, True),
    )


def _course_boxes(
    rng: np.random.Generator,
    k: int,
    kind: str,
    levels: tuple[float, ...],
    openings: tuple[Opening, ...],
    below: list[float],
) -> list[tuple[float, float, float, float, str]]:
    """Joint-centre boxes (u0, v0, u1, v1, role) of one course."""
    v0, v1 = levels[k], levels[k + 1]
    boxes: list[tuple[float, float, float, float, str]] = []
    breaks: list[tuple[float, float, bool]] = []  # (from, to, dressed jamb on both sides)
    under: list[tuple[float, float, float]] = []
    for o in openings:
        if o.v0 < v0 + 0.01 and o.v1 > v1 - 0.01:
            breaks.append((o.u0, o.u1, True))
        elif o.lintel_course == k:
            bear = 0.26 if o.kind == "window" else 0.38
            boxes.append((o.u0 - bear, v0, o.u1 + bear, v1, "lintel"))
            breaks.append((o.u0 - bear, o.u1 + bear, False))
        elif o.sill and abs(o.v0 - v1) < 0.01:
            boxes.append((o.u0 - 0.14, v1 - 0.16, o.u1 + 0.14, v1, "sill"))
            under.append((o.u0 - 0.14, o.u1 + 0.14, v1 - 0.16))
            breaks.append((o.u0 - 0.14, o.u1 + 0.14, False))
    breaks.sort()
    edges = [0.0]
    for a, b, _ in breaks:
        edges += [a, b]
    edges.append(WIDTH_M)
    dressed = [False] + [d for *_, d in breaks for _ in (0, 1)] + [False]
    long = {
        "plinth": (0.75, 1.25),
        "string": (0.9, 1.4),
        "cornice": (0.8, 1.3),
        "coping": (0.9, 1.4),
        "parapet": (0.5, 0.95),
    }
    span = long.get(kind, (0.42, 0.92))
    for i in range(0, len(edges), 2):
        a, b = edges[i], edges[i + 1]
        if b - a < 0.05:
            continue
        walling = kind == "walling"
        if walling and a == 0.0:
            q = 0.68 if k % 2 else 0.42
            boxes.append((a, v0, a + q, v1, "quoin"))
            a += q
        elif dressed[i] and walling:
            q = 0.46 if k % 2 else 0.27
            boxes.append((a, v0, a + q, v1, "jamb"))
            a += q
        tail = None
        if walling and b == WIDTH_M:
            q = 0.42 if k % 2 else 0.68
            tail = (b - q, v0, b, v1, "quoin")
        elif dressed[i + 1] and walling:
            q = 0.27 if k % 2 else 0.46
            tail = (b - q, v0, b, v1, "jamb")
        if tail:
            boxes.append(tail)
            b = tail[0]
        boxes += [(x, v0, y, v1, kind) for x, y in _lengths(rng, a, b, span, below)]
    for a, b, top in under:
        boxes += [(x, v0, y, top, kind) for x, y in _lengths(rng, a, b, span, below)]
    return boxes


def _lengths(
    rng: np.random.Generator, a: float, b: float, span: tuple[float, float], below: list[float]
) -> list[tuple[float, float]]:
    """Divide a run into stones whose perpends keep off the perpends of the course below."""
    best: list[float] = [a, b]
    best_score = -1.0
    for _ in range(60):
        n = max(1, round((b - a) / rng.uniform(*span)))
        parts = rng.uniform(0.7, 1.35, n)
        cuts = a + np.concatenate([[0], np.cumsum(parts)]) / parts.sum() * (b - a)
        inner = cuts[1:-1]
        lap = min((abs(c - j) for c in inner for j in below), default=0.2)
        short = float(np.diff(cuts).min())
        score = min(lap, 0.11) + 0.3 * min(short, 0.3)
        if score > best_score:
            best, best_score = list(cuts), score
    return list(pairwise(best))


def _stone(
    rng: np.random.Generator, course: int, number: int, box: tuple[float, ...], role: str
) -> Stone:
    u0, v0, u1, v1 = box
    j = rng.uniform(0.0021, 0.0038, 4)  # half of each joint
    e = rng.normal(0, 0.0011, (4, 2))
    left, right, low, high = (
        u0 + j[0] * (u0 > 0.001),
        u1 - j[1] * (u1 < WIDTH_M - 0.001),
        v0 + j[2] * (v0 > 0.001),
        v1 - j[3] * (v1 < HEIGHT_M - 0.001),
    )
    corners = np.array([(left, low), (right, low), (right, high), (left, high)])
    on_edge = np.array(
        [(u < 0.002 or u > WIDTH_M - 0.002, v < 0.002 or v > HEIGHT_M - 0.002) for u, v in corners]
    )
    corners = np.where(on_edge, corners, corners + np.clip(e, -0.0016, 0.0016))
    stone_type = BUFF if role in ("walling", "parapet") else GREY
    if role == "walling" and course in RED_BANDS:
        stone_type = RED
    bed = {"cornice": "edge", "coping": "edge", "string": "edge"}.get(role, "horizontal")
    if role == "walling" and rng.random() < 0.065:
        bed = "parallel"
    finish = {BUFF: "droved", GREY: "rubbed", RED: "broached"}[stone_type]
    if stone_type == BUFF and rng.random() < 0.14:
        finish = "rubbed"
    if role in ("quoin", "plinth"):
        finish = "droved" if role == "quoin" else "punched"
    faces = ["front"]
    if u0 < 0.001:
        faces.append("left")
    if u1 > WIDTH_M - 0.001:
        faces.append("right")
    if role == "jamb":
        faces.append("reveal")
    if role in ("sill", "string", "cornice", "coping"):
        faces.append("top")
    if role in ("lintel", "cornice"):
        faces.append("bottom")
    base, spread = np.array(STONE_LAB[stone_type]), np.array(STONE_SPREAD[stone_type])
    lab = base + np.clip(rng.normal(0, 1, 3), -2.1, 2.1) * spread
    depth = {
        "quoin": 0.36,
        "jamb": 0.30,
        "lintel": 0.28,
        "cornice": 0.42,
        "coping": 0.40,
        "sill": 0.26,
    }.get(role)
    return Stone(
        id=f"RF-{course:02d}-{number:02d}", course=course, number=number,
        corners=tuple((round(float(u), 4), round(float(v), 4)) for u, v in corners),
        stone_type=stone_type, role=role, bed=bed, finish=finish,
        depth_m=depth or round(float(rng.uniform(0.16, 0.26)), 2), exposed=",".join(faces),
        proud_m=PROUD_M.get(role, 0.0), lab=tuple(round(float(x), 2) for x in lab), wear=round(float(rng.uniform(0.15, 1.0)), 2),
    )  # fmt: skip


def _patch_with_red(rng: np.random.Generator, stones: list[Stone]) -> list[Stone]:
    """Later patching: single stones of red sandstone among the buff."""
    free = [
        i
        for i, s in enumerate(stones)
        if s.stone_type == BUFF and s.role == "walling" and s.bed == "horizontal"
    ]
    for i in rng.choice(free, 9, replace=False):
        lab = np.array(STONE_LAB[RED]) + rng.normal(0, 1, 3) * np.array(STONE_SPREAD[RED])
        stones[i] = replace(
            stones[i],
            stone_type=RED,
            finish="droved",
            wear=0.95,
            lab=tuple(round(float(x), 2) for x in lab),
        )
    return stones
