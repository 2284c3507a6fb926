"""What is wrong with the wall: where each condition lies, how deep it goes and how the survey classes it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from shapely.affinity import rotate, scale, translate
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from .masonry import BUFF, GREY, HEIGHT_M, RED, WIDTH_M, Building, Stone
from .noise import stream

INSET, WHOLE = "inset", "whole stone"
#: Deposits and growth may lie over other conditions and run from stone to stone.
MOVED = ("loose stone", "displacement")
VEILS = ("streak", "wide", "joint", "tuft")


@dataclass(frozen=True)
class Condition:
    """One condition as it truly is (``shape``, metres in the wall frame) with the survey's judgement."""

    id: str
    term: str
    shape: BaseGeometry
    stones: tuple[str, ...]
    depth_m: float | None
    width_m: float | None
    cc: int
    uc: int
    rc: int
    activity: str
    cause: str
    cause_settled: bool
    note: str
    surveyor: str
    observed_on: str
    deserves: str
    seed: int


@dataclass(frozen=True)
class Kind:
    """How often a term occurs and what it looks like."""

    term: str
    count: int
    anchor: str
    size_m: tuple[float, float, float, float]
    depth_mm: tuple[float, float]
    where: Callable[[Stone], bool]
    cc: tuple[int, ...]
    cause: str
    settled: float = 0.6
    deserves: str = ""
    activity: tuple[str, ...] = ("active", "stable", "unknown")
    note: tuple[str, ...] = ("",)


def _role(*roles: str) -> Callable[[Stone], bool]:
    return lambda s: s.role in roles


def _walling(*types: str) -> Callable[[Stone], bool]:
    return lambda s: s.role in ("walling", "quoin", "jamb", "parapet") and s.stone_type in types


def _low(s: Stone) -> bool:
    return s.role == "walling" and s.box[3] < 1.9 and s.box[1] > 0.55


def _any(s: Stone) -> bool:
    return s.role in ("walling", "quoin", "plinth", "parapet")


def _bedded(s: Stone) -> bool:
    return s.bed == "parallel"


def _red(s: Stone) -> bool:
    return s.stone_type == RED


def _grey_dressing(s: Stone) -> bool:
    return s.stone_type == GREY and s.role in ("quoin", "jamb", "plinth", "string", "parapet")


SALT, FROST, RUST = (
    "salt crystallisation from the damp zone",
    "frost on saturated stone",
    "corroding iron behind the face",
)
TRAFFIC, DRIP, SMOKE = (
    "cargo and barrows on the quay",
    "run-off from a failed drip",
    "soot and gypsum in sheltered places",
)
SEA = "wind-driven sea salt"

#: Painted and recorded in this order; the first are the largest, so that they find room.
KINDS = (
    Kind("delamination", 2, "most", (0, 0, 0, 0), (48, 60), _bedded, (3,), "stone set with its bed parallel to the face", 1.0, WHOLE, ("active",), ("sounds hollow over most of the face",)),
    Kind("alveolization", 1, "most", (0, 0, 0, 0), (55, 70), _walling(BUFF), (3,), SEA, 1.0, WHOLE, ("active",), ("cells join behind the face",)),
    Kind("disintegration", 1, "most", (0, 0, 0, 0), (45, 60), lambda s: _low(s) and s.polygon.area < 0.27, (3,), SALT, 1.0, WHOLE, ("active",), ("face lost, arrises gone",)),
    Kind("delamination", 6, "inside", (0.18, 0.36, 0.14, 0.28), (20, 42), _bedded, (2, 3), "stone set with its bed parallel to the face", 0.9, INSET, ("active",), ("layers lift under the fingers", "")),
    Kind("scaling", 6, "edge", (0.16, 0.34, 0.12, 0.24), (16, 30), _low, (2, 3), SALT, 0.8, INSET, ("active",), ("scales 5 to 12 mm thick", "")),
    Kind("alveolization", 5, "inside", (0.18, 0.34, 0.14, 0.26), (25, 55), _walling(BUFF, RED), (2, 3), SEA, 0.8, INSET, ("active", "unknown")),
    Kind("missing part", 6, "corner", (0.12, 0.26, 0.10, 0.22), (35, 80), _any, (2, 3), "broken arris", 0.9, INSET, ("stable",), ("fracture face is clean", "")),
    Kind("impact damage", 4, "inside", (0.11, 0.22, 0.11, 0.20), (18, 38), lambda s: _any(s) and s.box[3] < 2.6, (2,), TRAFFIC, 0.95, INSET, ("stable",)),
    Kind("bursting", 2, "edge", (0.14, 0.24, 0.12, 0.22), (25, 45), _grey_dressing, (3,), RUST, 0.9, INSET, ("active",), ("iron cramp seen behind",)),
    Kind("disintegration", 2, "edge", (0.20, 0.34, 0.14, 0.24), (18, 28), _low, (2, 3), SALT, 0.8, INSET, ("active",), ("sand runs when brushed",)),
    Kind("differential erosion", 2, "inside", (0.24, 0.40, 0.14, 0.24), (16, 26), _walling(BUFF, RED), (2,), SEA, 0.7, INSET, ("active",)),
    Kind("fragmentation", 2, "corner", (0.12, 0.22, 0.12, 0.2), (20, 40), _walling(GREY, RED), (2, 3), "load on a hard cement joint", 0.6, INSET, ("active",)),
    Kind("failed repair", 2, "box", (0.22, 0.34, 0.16, 0.24), (22, 35), _role("walling"), (2,), "resin mortar shrunk away from the stone", 0.9, INSET, ("active",), ("hollow, edge open",)),
    Kind("blistering", 3, "inside", (0.12, 0.26, 0.10, 0.2), (4, 9), _walling(BUFF, RED), (1, 2), SALT, 0.5, "", ("active",)),
    Kind("peeling", 2, "inside", (0.2, 0.34, 0.12, 0.24), (1, 2), _walling(BUFF), (1,), SALT, 0.4),
    Kind("scaling", 3, "edge", (0.12, 0.22, 0.08, 0.14), (4, 9), _walling(BUFF, RED), (1, 2), FROST, 0.4),
    Kind("deformation", 1, "inside", (0.3, 0.4, 0.2, 0.28), (8, 12), _role("parapet"), (2,), "movement of the parapet", 0.2, "", ("unknown",), ("bows outward, watch with a plumb line",)),
    Kind("erosion", 3, "edge", (0.3, 0.5, 0.06, 0.1), (5, 12), _grey_dressing, (1, 2), DRIP, 0.7),
    Kind("pitting", 2, "inside", (0.24, 0.4, 0.16, 0.24), (1, 3), _role("plinth"), (1,), SEA, 0.6),
    Kind("craquele", 1, "inside", (0.26, 0.36, 0.18, 0.26), (1, 2), _role("lintel"), (1,), "rubbed face, fire or frost", 0.2),
    Kind("black crust", 4, "top", (0.3, 0.7, 0.08, 0.2), (2, 5), _role("parapet", "walling", "lintel", "quoin"), (2,), SMOKE, 0.9, "", ("active",)),
    Kind("soiling", 2, "streak", (0.3, 0.5, 0.5, 0.9), (0, 0), _role("walling"), (1,), SMOKE, 0.8),
    Kind("efflorescence", 5, "inside", (0.24, 0.5, 0.14, 0.26), (0, 1), _low, (1, 2), SALT, 0.7, "", ("active",)),
    Kind("salt crust", 1, "inside", (0.2, 0.3, 0.12, 0.18), (1, 3), _low, (2,), SALT, 0.7, "", ("active",)),
    Kind("staining", 3, "rust", (0.05, 0.09, 0.3, 0.6), (1, 2), _role("walling", "quoin", "parapet"), (1,), RUST, 0.8, "", ("active",)),
    Kind("moist area", 2, "wide", (0.8, 1.5, 0.4, 0.7), (0, 0), _low, (1, 2), "water lying behind the paving", 0.6, "", ("active",)),
    Kind("deposit", 2, "streak", (0.1, 0.2, 0.3, 0.5), (0, 1), _role("string", "walling"), (1,), "gulls on the ledge above", 1.0, "", ("active",)),
    Kind("alga", 5, "streak", (0.25, 0.5, 0.5, 1.0), (0, 1), _any, (1, 2), DRIP, 0.8, "", ("active",)),
    Kind("lichen", 6, "spots", (0.2, 0.45, 0.12, 0.26), (0, 2), _role("parapet", "quoin", "coping", "plinth", "walling"), (1,), "clean air, undisturbed face", 0.9, "", ("stable",)),
    Kind("moss", 3, "joint", (0.25, 0.5, 0.03, 0.05), (0, 15), _role("plinth", "coping", "parapet"), (1,), "joint that holds water", 0.8, "", ("active",)),
    Kind("plant", 1, "tuft", (0.14, 0.2, 0.16, 0.22), (60, 80), _role("parapet"), (2,), "open joint behind the cornice", 0.9, "", ("active",), ("root in the joint",)),
)  # fmt: skip


def plan_conditions(building: Building, seed: int, keep_free: list[Polygon]) -> list[Condition]:
    """Place every condition; none covers a survey target and no two that go deep overlap."""
    rng = stream(seed, 2)
    openings = unary_union([o.polygon.buffer(0.02) for o in building.openings])
    targets: list[BaseGeometry] = [k.buffer(0.015) for k in keep_free]
    taken, veils = list(targets), []
    used: set[str] = set()
    out: list[Condition] = []
    for kind in KINDS:
        for _ in range(kind.count):
            veil = kind.anchor in VEILS
            placed = _place(rng, building, kind, veils + targets if veil else taken, used, openings)
            shape, stones = placed
            out.append(_record(rng, kind, shape, stones, len(out) + 1))
            (veils if veil else taken).append(shape.buffer(0.02))
            used.update(stones if kind.depth_mm[1] > 10 else ())
    out += _lines(rng, building, taken, used, len(out))
    out += _points(rng, building, taken, used, len(out))
    return out


def _place(
    rng: np.random.Generator,
    b: Building,
    kind: Kind,
    taken: list[BaseGeometry],
    used: set[str],
    openings: BaseGeometry,
) -> tuple[Polygon, tuple[str, ...]]:
    stones = [s for s in b.stones if kind.where(s) and s.id not in used and s.polygon.area > 0.05]
    if not stones:
        stones = [s for s in b.stones if kind.where(s) and s.polygon.area > 0.04]
    busy = unary_union(taken)
    for _ in range(900):
        s = stones[int(rng.integers(len(stones)))]
        shape = _shape(rng, s, kind)
        if kind.anchor in VEILS:
            shape = _largest(shape.intersection(box(0, 0, WIDTH_M, HEIGHT_M)).difference(openings))
        else:
            shape = _largest(shape.intersection(s.polygon))
        if shape.area < 0.4 * kind.size_m[0] * kind.size_m[2] or shape.intersects(busy):
            continue
        if kind.deserves == INSET and not 0.011 < shape.area < 0.115:
            continue
        return shape, tuple(
            t.id for t in b.stones if t.polygon.intersection(shape).area > 1e-4
        ) or (s.id,)
    raise RuntimeError(f"no room on the wall for {kind.term!r}")


def _largest(g: BaseGeometry) -> Polygon:
    parts = list(g.geoms) if isinstance(g, MultiPolygon) else [g]
    parts = [p for p in parts if isinstance(p, Polygon)]
    return max(parts, key=lambda p: p.area, default=Polygon())


def blob(
    rng: np.random.Generator, w: float, h: float, *, rough: float = 0.16, n: int = 48
) -> Polygon:
    """A closed irregular outline about w by h round the origin."""
    a = np.linspace(0, 2 * np.pi, n, endpoint=False)
    r = np.ones(n)
    for k in range(2, 9):
        r += rough / k**0.85 * rng.normal() * np.cos(k * a + rng.uniform(0, 7))
    square = (np.abs(np.cos(a)) ** 3.2 + np.abs(np.sin(a)) ** 3.2) ** (-1 / 3.2)
    r = np.clip(r, 0.55, 1.5) * square
    return Polygon(np.column_stack([r * np.cos(a) * w / 2, r * np.sin(a) * h / 2])).buffer(0)


def _shape(rng: np.random.Generator, s: Stone, kind: Kind) -> Polygon:
    u0, v0, u1, v1 = s.box
    w, h = rng.uniform(*kind.size_m[:2]), rng.uniform(*kind.size_m[2:])
    cu, cv = (u0 + u1) / 2, (v0 + v1) / 2
    if kind.anchor == "most":
        return translate(blob(rng, (u1 - u0) * 0.98, (v1 - v0) * 0.98, rough=0.08), cu, cv)
    if kind.anchor == "box":
        p = rotate(box(-w / 2, -h / 2, w / 2, h / 2), rng.normal(0, 1.0))
        return translate(p, cu + rng.uniform(-0.06, 0.06), cv + rng.uniform(-0.04, 0.04))
    if kind.anchor == "corner":
        a, c = (u0 if rng.random() < 0.5 else u1), (v0 if rng.random() < 0.5 else v1)
        return translate(blob(rng, 2 * w, 2 * h, rough=0.14), a, c)
    if kind.anchor == "edge":
        side = rng.integers(3)
        if side == 0:
            return translate(blob(rng, w, 1.7 * h), rng.uniform(u0, u1), v0)
        return translate(blob(rng, 1.5 * w, h), (u0, u1)[side - 1], rng.uniform(v0, v1))
    if kind.anchor == "top":
        return translate(
            blob(rng, w, 1.6 * h), rng.uniform(u0 + w / 3, max(u1 - w / 3, u0 + w / 3 + 0.01)), v1
        )
    if kind.anchor in ("streak", "rust"):
        p = blob(rng, w, h, rough=0.12)
        lean = np.array(
            [
                [
                    x * (1.15 - 0.5 * (y / h))
                    if kind.anchor == "streak"
                    else x * (0.7 - 0.6 * y / h),
                    y,
                ]
                for x, y in p.exterior.coords
            ]
        )
        return translate(Polygon(lean).buffer(0), cu + rng.uniform(-0.1, 0.1), v1 - h / 2)
    if kind.anchor == "joint":
        return translate(blob(rng, w, h, rough=0.2), rng.uniform(u0, u1), v1)
    if kind.anchor == "tuft":
        return translate(scale(blob(rng, w, h, rough=0.3), 1, 1), u0, v0 + 0.06)
    ru, rv = max(0.0, (u1 - u0 - w) / 2), max(0.0, (v1 - v0 - h) / 2)
    return translate(blob(rng, w, h), cu + rng.uniform(-ru, ru), cv + rng.uniform(-rv, rv))


def _record(
    rng: np.random.Generator, kind: Kind, shape: BaseGeometry, stones: tuple[str, ...], n: int
) -> Condition:
    cc = int(rng.choice(kind.cc))
    depth = float(rng.uniform(*kind.depth_mm))
    uc = {WHOLE: 3, INSET: min(3, cc)}.get(kind.deserves, max(0, cc - 1))
    if "stable" in kind.activity[:1]:
        uc = max(1, uc - 1)
    rc = 3 if kind.deserves == WHOLE else 2 if kind.deserves == INSET else min(1, cc)
    return Condition(
        id=f"C-{n:03d}", term=kind.term, shape=shape, stones=stones,
        depth_m=round(depth / 1000, 4) if kind.depth_mm[1] > 0 else None, width_m=None,
        cc=cc, uc=uc, rc=rc, activity=str(rng.choice(kind.activity)), cause=kind.cause,
        cause_settled=bool(rng.random() < kind.settled), note=str(rng.choice(kind.note)),
        surveyor=str(rng.choice(("I. Strand", "R. Penhale"))), observed_on=str(rng.choice(("2026-04-14", "2026-04-15", "2026-04-16"))),
        deserves=kind.deserves, seed=int(rng.integers(1 << 30)),
    )  # fmt: skip


def _walk(
    rng: np.random.Generator,
    start: tuple[float, float],
    heading: float,
    length: float,
    *,
    wander: float,
) -> LineString:
    step = 0.012
    pts = [np.array(start)]
    for _ in range(int(length / step)):
        heading += rng.normal(0, wander)
        pts.append(pts[-1] + step * np.array([np.cos(heading), np.sin(heading)]))
    return LineString(pts)


_LINES = (
    # term, count, width mm, length m, heading (rad), deserves, cause
    ("crack", 7, (1.2, 3.5), (0.25, 0.6), np.pi / 2, "", "slight settlement of the quay wall"),
    (
        "fracture",
        3,
        (2.0, 4.5),
        (1.0, 1.0),
        np.pi / 2,
        "",
        "load through a stone laid on a hard bed",
    ),
    ("hair crack", 4, (0.05, 0.09), (0.2, 0.45), 0.6, "", "shrinkage or frost"),
    ("splitting", 2, (0.8, 2.0), (0.25, 0.5), 0.0, "", "bed opened by frost"),
)


def _lines(
    rng: np.random.Generator, b: Building, taken: list, used: set[str], n: int
) -> list[Condition]:
    out: list[Condition] = []
    busy = unary_union(taken)
    for term, count, width, length, heading, deserves, cause in _LINES:
        done = 0
        for _ in range(2000):
            if done == count:
                break
            s = b.stones[int(rng.integers(len(b.stones)))]
            if s.id in used or s.role not in (
                "walling",
                "quoin",
                "jamb",
                "plinth",
                "lintel",
                "parapet",
            ):
                continue
            u0, v0, u1, v1 = s.box
            start = (
                rng.uniform(u0 + 0.12, max(u1 - 0.12, u0 + 0.13)),
                v0 if heading > 1 else rng.uniform(v0 + 0.08, v1 - 0.08),
            )
            if heading < 1:
                start = (u0 + 0.03, start[1])
            line = _walk(
                rng,
                start,
                heading + rng.normal(0, 0.15),
                2.0 if term == "fracture" else rng.uniform(*length),
                wander=0.16 if heading else 0.05,
            )
            line = line.intersection(s.polygon)
            if line.geom_type != "LineString" or line.length < 0.18 or line.intersects(busy):
                continue
            kind = Kind(
                term,
                1,
                "",
                (0, 0, 0, 0),
                (8, 60),
                _any,
                (1,) if term == "hair crack" else (2,),
                cause,
                0.4,
                deserves,
            )
            c = _record(rng, kind, line, (s.id,), n + len(out) + 1)
            out.append(_with_width(c, float(rng.uniform(*width)) / 1000))
            used.add(s.id)
            busy = busy.union(line.buffer(0.03))
            done += 1
        if done < count:
            raise RuntimeError(f"no room for {term}")
    out += _joint_lines(rng, b, busy, n + len(out))
    return out


def _joint_lines(
    rng: np.random.Generator, b: Building, busy: BaseGeometry, n: int
) -> list[Condition]:
    """Open joints follow real joints between stones."""
    out: list[Condition] = []
    stones = [s for s in b.stones if s.role in ("walling", "parapet", "plinth")]
    for _ in range(800):
        if len(out) == 6:
            break
        s = stones[int(rng.integers(len(stones)))]
        u0, v0, u1, v1 = s.box
        upright = len(out) % 3 == 0
        line = (
            LineString([(u1 + 0.003, v0), (u1 + 0.003, v1)])
            if upright
            else LineString([(u0, v1 + 0.003), (min(u1, u0 + 0.7), v1 + 0.003)])
        )
        if (
            line.intersects(busy)
            or u1 > WIDTH_M - 0.1
            or any(o.polygon.buffer(0.05).intersects(line) for o in b.openings)
        ):
            continue
        kind = Kind(
            "open joint",
            1,
            "",
            (0, 0, 0, 0),
            (25, 60),
            _any,
            (2,),
            "pointing washed out",
            0.9,
            "",
            ("active",),
        )
        c = _record(rng, kind, line, (s.id,), n + len(out) + 1)
        out.append(_with_width(c, float(rng.uniform(4.5, 7.5)) / 1000))
        busy = busy.union(line.buffer(0.05))
    return out


def _with_width(c: Condition, width_m: float) -> Condition:
    return replace(c, width_m=round(width_m, 5), rc=1)


_POINTS = (
    ("perforation", 2, "old bolt hole", 45, "walling"),
    ("star crack", 2, "blow on a hard face", 15, "plinth"),
    ("loose stone", 1, "bed joint empty, moves by hand", 0, "parapet"),
    ("displacement", 1, "stone has come forward about 12 mm", 12, "walling"),
    ("crack", 2, "crack at an arris, too short to draw", 20, "quoin"),
)


def _points(
    rng: np.random.Generator, b: Building, taken: list, used: set[str], n: int
) -> list[Condition]:
    out: list[Condition] = []
    busy = unary_union(taken)
    for term, count, note, depth, role in _POINTS:
        stones = [
            s for s in b.stones if s.role == role and s.id not in used and s.polygon.area > 0.08
        ]
        done = 0
        for i in rng.permutation(len(stones)):
            if done == count:
                break
            s = stones[int(i)]
            at = Point(
                s.polygon.centroid.x + rng.uniform(-0.1, 0.1),
                s.polygon.centroid.y + rng.uniform(-0.07, 0.07),
            )
            if at.buffer(0.09).intersects(busy) or (term in MOVED and s.polygon.intersects(busy)):
                continue
            cc = 3 if term in MOVED else 1
            kind = Kind(
                term,
                1,
                "",
                (0, 0, 0, 0),
                (depth, depth + 1e-6) if depth else (0, 0),
                _any,
                (cc,),
                note,
                0.5,
                "",
                ("unknown",),
                (note,),
            )
            shape = s.polygon if term in MOVED else at
            out.append(_record(rng, kind, shape, (s.id,), n + len(out) + 1))
            used.add(s.id)
            done += 1
        if done < count:
            raise RuntimeError(f"no room for {term}")
    return out
