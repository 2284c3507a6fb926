"""A second program that follows saw plans from their file alone: numpy and school geometry, nothing of the package.

Solids are prisms. Volumes by the shoelace formula; whether one solid lies in another, and what a cut took, by points
thrown into the solid that is cut; gaps between outlines by corners and sides.
"""

from __future__ import annotations

import numpy as np

#: Tools that cut along a plane from end to end; the others go round an outline or work by hand.
STRAIGHT = {"block saw", "bridge saw"}
POINTS = 1500
#: Each of two neighbours may stand off its place by the tolerance of places, 0.01 mm (contract of the matching): stone that
#: stands over by both is no second kerf. 0.001 mm beyond that is the rounding of the file.
NEAR_MM = 2 * 0.01 + 0.001


def area(ring):
    x, y = ring[:, 0], ring[:, 1]
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def inside(ring, points):
    """Even-odd rule."""
    a, b = ring, np.roll(ring, -1, axis=0)
    x, y = points[:, :1], points[:, 1:2]
    over = (a[:, 1] > y) != (b[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    return (over & (x < at)).sum(axis=1) % 2 == 1


def to_sides(ring, points):
    """Distance of points to the nearest side of a ring."""
    a, b = ring, np.roll(ring, -1, axis=0)
    along = b - a
    t = ((points[:, None] - a) * along).sum(-1) / np.maximum((along**2).sum(-1), 1e-12)
    foot = a + np.clip(t, 0, 1)[..., None] * along
    return np.hypot(*(np.moveaxis(points[:, None] - foot, -1, 0))).min(axis=1)


def gap(a, b):
    """Distance between two prisms whose outlines do not cross."""
    deep = max(a["z0"] - b["z1"], b["z0"] - a["z1"], 0.0)
    beside = min(to_sides(a["ring"], b["ring"]).min(), to_sides(b["ring"], a["ring"]).min())
    if inside(a["ring"], b["ring"][:1]).any() or inside(b["ring"], a["ring"][:1]).any():
        beside = 0.0
    return float(np.hypot(deep, beside))


def volume(solid):
    return area(solid["ring"]) * (solid["z1"] - solid["z0"])


def read(solid):
    return {"ring": np.array(solid["outline"], dtype=float), "z0": solid["z0"], "z1": solid["z1"]}


def follow(blocks, *, rng=None):
    """Faults of all blocks, one line each; an empty list for plans that come out."""
    rng = rng or np.random.default_rng(7)
    return [fault for block in blocks for fault in _block(block, rng)]


def _block(block, rng):
    name, whole = block["block"], block["volume_mm3"]
    solids = {i: read(s) for i, s in block["solids"].items()}
    given = {g for step in block["steps"] for g in step["gives"]}
    first = [i for i in solids if i not in given]
    if len(first) != 1 or abs(volume(solids[first[0]]) - whole) > 1e-6 * whole:
        yield f"{name}: does not begin with one solid of the volume told"
        return
    bench = set(first)
    for n, step in enumerate(block["steps"], start=1):
        here = f"{name} step {n}"
        if step["n"] != n or step["cuts"] not in bench:
            yield f"{here}: cuts {step['cuts']}, which is not there"
            return
        if any(g in bench or g not in solids for g in step["gives"]) or not step["gives"]:
            yield f"{here}: gives what is there already, or nothing"
            return
        bench.remove(step["cuts"])
        bench.update(step["gives"])
        yield from _step(here, step, solids, whole, rng)
    told = [*block["pieces"].values(), *block["left"]]
    if sorted(told) != sorted(bench):
        yield f"{name}: ends with {sorted(bench)}, told {sorted(told)}"
    lost = sum(step["kerf_mm3"] for step in block["steps"])
    if abs(whole - lost - sum(volume(solids[i]) for i in bench)) > 1e-6 * whole:
        yield f"{name}: block is not pieces, kerf and what is left"


def _step(here, step, solids, whole, rng):
    cut, gives = solids[step["cuts"]], [solids[g] for g in step["gives"]]
    lost = volume(cut) - sum(volume(g) for g in gives)
    if abs(lost - step["kerf_mm3"]) > 1e-6 * whole or lost < -1e-6 * whole:
        yield f"{here}: loses {lost:.0f} mm3, told {step['kerf_mm3']:.0f}"
    for g in gives:
        out = g["ring"][~inside(cut["ring"], g["ring"])]
        beyond = to_sides(cut["ring"], out).max() if len(out) else 0.0
        if g["z0"] < cut["z0"] - 1e-4 or g["z1"] > cut["z1"] + 1e-4 or beyond > 1e-3:
            yield f"{here}: a solid does not lie in what it was cut from"
    for i, a in enumerate(gives):
        for b in gives[i + 1 :]:
            if gap(a, b) < step["kerf"] - NEAR_MM and not _same_side(a, b, gives, step["kerf"]):
                yield f"{here}: two solids are {gap(a, b):.2f} mm apart, the kerf is {step['kerf']}"
    low, high = cut["ring"].min(axis=0), cut["ring"].max(axis=0)
    points = rng.uniform([*low, cut["z0"]], [*high, cut["z1"]], size=(POINTS, 3))
    points = points[inside(cut["ring"], points)]
    within = np.array(
        [
            inside(g["ring"], points) & (points[:, 2] > g["z0"]) & (points[:, 2] < g["z1"])
            for g in gives
        ]
    )
    if (within.sum(axis=0) > 1).any():
        yield f"{here}: two solids share stone"
    gone = points[~within.any(axis=0)]
    share = lost / volume(cut)
    spread = 6 * np.sqrt(max(share * (1 - share), 1e-4) / max(1, len(points)))
    if abs(len(gone) / max(1, len(points)) - share) > spread:
        yield f"{here}: {len(gone)} of {len(points)} points are gone, {share:.3f} was told"
    # a skin within the tolerance of both neighbours shows no second kerf; a thicker one does
    kerf = gone[np.min([to_sides(g["ring"], gone[:, :2]) for g in gives], axis=0) > NEAR_MM]
    if step["tool"] in STRAIGHT and len(kerf) > 2 and _width(kerf, gives) > step["kerf"] + NEAR_MM:
        yield f"{here}: {step['tool']} took more than one straight kerf"


def _same_side(a, b, gives, kerf):
    """Two parts of a hollow stone on one side of a cut: a third lies a kerf away from both, across one straight line."""
    for c in gives:
        if c is a or c is b:
            continue
        for ring in (a["ring"], b["ring"], c["ring"]):
            for p, q in zip(ring, np.roll(ring, -1, axis=0), strict=True):
                length = np.hypot(*(q - p))
                if length < 1.0:
                    continue
                normal = np.array([q[1] - p[1], p[0] - q[0]]) / length
                off = [((s["ring"] - p) @ normal) for s in (a, b, c)]
                for sign in (1, -1):
                    pair = min((sign * off[0]).min(), (sign * off[1]).min())
                    if pair > -NEAR_MM and (sign * off[2]).max() < pair - kerf + NEAR_MM:
                        return True
    return False


def _width(gone, gives):
    """Narrowest straight band, along a side of what was left or parallel to the face, that holds the lost points."""
    widths = [float(np.ptp(gone[:, 2]))]
    for g in gives:
        side = np.roll(g["ring"], -1, axis=0) - g["ring"]
        side = side[np.hypot(*side.T) > 1.0]
        normal = np.column_stack([side[:, 1], -side[:, 0]]) / np.hypot(*side.T)[:, None]
        widths += list(np.ptp(gone[:, :2] @ normal.T, axis=0))
    return min(widths)
