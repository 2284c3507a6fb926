"""All stones of a wall, proposed without a click: looked for at several scales, the best of each place kept.

Stones are looked for where they are some dozens of pixels across. A coarse look tells how large they are, or the ground
sample distance does; from that follow the scales. Where proposals of two scales lie over each other, the one that agrees best
with what was seen is kept, and none overlaps another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from facademap.condition.wall_net import Seen, look
from facademap.condition.wall_regions import Region, regions_of
from facademap.values import frozen_value

__all__ = ["Stone", "joints_of", "likelihood_of", "outline_wall"]

Floats = NDArray[Any]

#: Pixels of the first look, and at most of any look.
_FIRST_PX, _MOST_PX = 1.6e6, 26e6
#: Breadths in a look at which a stone is seen in full, and those at which it is not seen.
_WELL_PX, _TOO_SMALL_PX, _LARGE_PX, _TOO_LARGE_PX = 40.0, 8.0, 200.0, 420.0
#: The breadth, in the finest look, of the small stones of a wall.
_FINEST_BREADTH_PX = 64.0
#: Breadth of small stones in metres that the finest look is made for when the sample distance is known.
_FINEST_GSD_M, _COARSEST_GSD_M = 0.0022, 0.02
#: A proposal that shares more than this of itself with a better one is left out.
_SHARED = 0.25
#: Stones of one wall differ in size less than this from one beside them; other masonry within this share of the picture's
#: sides from its frame, that covers less than this share of what the wall covers, is left out.
_ALIKE, _FRINGE, _LITTLE = 2.5, 0.04, 0.05
#: Breadth in a look at which a stone is told best from its parts and its neighbours, what a look from half or twice as far
#: counts, and the overlap of the same stone in two looks.
_TELLING_PX, _AWAY, _THE_SAME = 45.0, 0.08, 0.8
#: Stones of at least this likelihood with two like ones beside them that make masonry, or the share of the picture that such
#: stones cover without them.
_FEWEST, _FAIR, _MUCH = 6, 0.7, 0.35
#: Loose stones lie this far from one another, by their size, and are surely stones.
_LOOSE, _SURE = 0.7, 0.9
#: Places along an outline at which its joint is measured.
_PLACES = 48
#: Below this likelihood a proposal is not worth a person's time.
DOUBTFUL = 0.5


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Stone:
    """A proposed stone.

    Parameters
    ----------
    ring_px : ndarray, shape (n, 2)
        Ring (x, y), not closed.
    confidence : float
        Share of proposals like this one that overlap a stone by three quarters, on rendered walls of kinds never trained on.
    joint_px : float
        Middle distance to its neighbours; not a number where it has none.
    """

    ring_px: Floats
    confidence: float
    joint_px: float = float("nan")


def outline_wall(
    rgb: NDArray[Any],
    *,
    gsd_m: float | None = None,
    see: Callable[[NDArray[np.uint8]], Seen] = look,
) -> list[Stone]:
    """Propose all stones of a picture of a wall.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    gsd_m : float, optional
        Ground sample distance; narrows the scales.
    see : callable, optional
        What looks at a picture.

    Returns
    -------
    list of Stone
        None overlaps another. Empty where no masonry is seen.
    """
    found: list[tuple[float, Region]] = []
    for scale in _scales(rgb, gsd_m, see, found):
        found += _looked(rgb, scale, see)
    return _on_the_wall(_kept(found), rgb.shape[1], rgb.shape[0])


def _looked(
    rgb: NDArray[Any], scale: float, see: Callable[[NDArray[np.uint8]], Seen]
) -> list[tuple[float, Region]]:
    """Regions at one scale, in pixels of the picture, with the scale."""
    size = tuple(max(1, round(n * scale)) for n in rgb.shape[1::-1])
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = np.asarray(rgb if scale == 1 else cv2.resize(rgb, size, interpolation=how), np.uint8)
    exact = np.array(size) / rgb.shape[1::-1]
    return [
        (scale, replace(r, ring_px=(r.ring_px + 0.5) / exact - 0.5)) for r in regions_of(see(small))
    ]


def _scales(
    rgb: NDArray[Any],
    gsd_m: float | None,
    see: Callable[[NDArray[np.uint8]], Seen],
    found: list[tuple[float, Region]],
) -> Iterable[float]:
    """Scales from coarse to fine; what a first look finds is added to ``found``."""
    pixels = rgb.shape[0] * rgb.shape[1]
    finest = min(2.0, np.sqrt(_MOST_PX / pixels))
    first = min(1.0, np.sqrt(_FIRST_PX / pixels))
    if gsd_m is not None:
        finest = min(finest, max(gsd_m / _FINEST_GSD_M, 0.05))
        first = min(first, finest)
    scale = first
    while True:
        regions = _looked(rgb, scale, see)
        found += regions
        good = [r for _, r in regions if r.agrees > 0.8 and r.breadth_px > _TOO_SMALL_PX]
        covered = sum(shapely.Polygon(r.ring_px).area for r in good) / pixels
        if (len(good) >= 12 and covered > 0.15) or scale * 2 > finest * 1.05:
            break
        scale *= 2
    if good:
        breadth = np.array([r.breadth_px for r in good])
        small = float(np.percentile(breadth, 20))
        wanted = scale * _FINEST_BREADTH_PX / small
        while scale * 1.5 < wanted and scale * 2 <= finest * 1.05:
            scale *= 2
            yield scale
    coarse = first / 2
    while coarse * max(rgb.shape[:2]) >= 300:
        yield coarse
        coarse /= 2


def _fits(breadth_px: float) -> float:
    """How well a stone of this breadth is seen, 0 to 1."""
    rise = (breadth_px - _TOO_SMALL_PX) / (_WELL_PX - _TOO_SMALL_PX)
    fall = (_TOO_LARGE_PX - breadth_px) / (_TOO_LARGE_PX - _LARGE_PX)
    return float(np.clip(min(rise, fall), 0.0, 1.0))


def likelihood_of(region: Region) -> float:
    """Likelihood that a region overlaps a stone by three quarters."""
    fits = _fits(region.breadth_px)
    value = (
        -23.8
        + 10.2 * region.agrees
        + 12.3 * region.face
        + 4.6 * region.border
        - 15.0 * region.other
        + 0.8 * fits
        + 0.1 * region.cut
    )
    return float(1 / (1 + np.exp(-value)))


def _kept(found: list[tuple[float, Region]]) -> list[Stone]:
    """The best of proposals that lie over each other."""
    shapes, likely, rank, scales = [], [], [], []
    for scale, region in found:
        shape = shapely.make_valid(shapely.Polygon(region.ring_px))
        parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
        if not parts:
            continue
        likelihood = likelihood_of(region)
        if likelihood < DOUBTFUL:
            continue
        shapes.append(shapely.Polygon(max(parts, key=lambda p: p.area).exterior))
        likely.append(likelihood)
        scales.append(scale)
        # from too near a crack or a stain parts a stone, from too far hair joints are not seen
        away = abs(np.log2(max(region.breadth_px, 1.0) / _TELLING_PX))
        rank.append(likelihood - _AWAY * away)
    if not shapes:
        return []
    polygons = np.array(shapes, dtype=object)
    area = shapely.area(polygons)
    tree = shapely.STRtree(polygons)
    a, b = tree.query(polygons, predicate="intersects")
    apart = a != b
    a, b = a[apart], b[apart]
    common = shapely.area(shapely.intersection(polygons[a], polygons[b]))
    over: list[list[tuple[int, float]]] = [[] for _ in shapes]
    for i, j, c in zip(a, b, common, strict=True):
        if c > 1e-6 * area[i]:
            over[i].append((int(j), float(c)))
    taken = np.zeros(len(shapes), bool)
    order = np.argsort(-np.array(rank), kind="stable")
    finer = _finest(area, scales, over, likely)
    kept: list[tuple[Any, float]] = []
    for i in order:
        rivals = [(j, c) for j, c in over[i] if taken[j]]
        if (
            any(c > 0.5 * area[j] for j, c in rivals)
            or sum(c for _, c in rivals) > _SHARED * area[i]
        ):
            continue
        shape = polygons[finer[i]]
        for j, _ in rivals:
            shape = shape.difference(polygons[j])
        parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
        if not parts:
            continue
        largest = shapely.Polygon(max(parts, key=lambda p: p.area).exterior)
        taken[i] = True
        polygons[i] = largest
        kept.append((largest, likely[i]))
    shapes_kept = np.array([shape for shape, _ in kept], dtype=object)
    return [
        Stone(
            ring_px=np.array(shape.exterior.coords)[:-1],
            confidence=round(value, 3),
            joint_px=float(joint),
        )
        for (shape, value), joint in zip(kept, joints_of(shapes_kept), strict=True)
    ]


def _finest(
    area: Floats, scales: list[float], over: list[list[tuple[int, float]]], likely: list[float]
) -> list[int]:
    """Of each proposal the same stone as seen from nearest, whose borders are the truest."""
    found = []
    for i, others in enumerate(over):
        best = i
        for j, common in others:
            same = common / (area[i] + area[j] - common) > _THE_SAME
            if same and scales[j] > scales[best] and likely[j] > 0.8 * likely[i]:
                best = j
        found.append(best)
    return found


def _on_the_wall(stones: list[Stone], width_px: int, height_px: int) -> list[Stone]:
    """Nothing where there is no masonry, and without small masonry that only lines the frame: a neighbour's bricks, setts."""
    if len(stones) < 2:
        return []
    polygons = np.array([shapely.Polygon(s.ring_px) for s in stones], dtype=object)
    size = np.sqrt(shapely.area(polygons))
    tree = shapely.STRtree(polygons)
    a, b = tree.query(polygons, predicate="dwithin", distance=0.3 * size)
    alike = (size[a] < _ALIKE * size[b]) & (size[b] < _ALIKE * size[a])
    links = coo_matrix((np.ones(alike.sum()), (a[alike], b[alike])), shape=(len(size),) * 2)
    likely = np.array([s.confidence for s in stones])
    fair, sure = likely >= _FAIR, likely >= _SURE
    beside = np.bincount(a[alike & (a != b)], minlength=len(size))
    c, d = tree.query(polygons, predicate="dwithin", distance=_LOOSE * size)
    like = (c != d) & (size[c] < _ALIKE * size[d]) & (size[d] < _ALIKE * size[c])
    near = np.bincount(c[like], minlength=len(size))
    laid = ((beside >= 2) & fair).sum() >= _FEWEST or ((near >= 2) & sure).sum() >= _FEWEST
    if not laid and (size[fair] ** 2).sum() < _MUCH * width_px * height_px:
        return []  # things that look like single stones are no masonry
    _, group = connected_components(links, directed=False)
    covered = np.bincount(group, size**2)
    main = int(np.argmax(covered))
    usual = float(np.median(size[group == main]))
    bounds = shapely.bounds(polygons)
    band = _FRINGE * np.array([width_px, height_px])
    kept = []
    for k in range(len(covered)):
        here = group == k
        low, high = bounds[here, :2].min(axis=0), bounds[here, 2:].max(axis=0)
        at_frame = (high < band).any() or (low > [width_px, height_px] - band).any()
        small = np.median(size[here]) < usual / _ALIKE and covered[k] < _LITTLE * covered[main]
        if k == main or not (at_frame and small):
            kept += np.flatnonzero(here).tolist()
    return [stones[k] for k in sorted(kept)]


def joints_of(polygons: NDArray[Any]) -> Floats:
    """Middle distance of each stone to those beside it; not a number where none is near."""
    found = np.full(len(polygons), np.nan)
    if len(polygons) < 2:
        return found
    breadth = np.sqrt(shapely.area(polygons))
    reach = 0.3 * breadth
    tree = shapely.STRtree(polygons)
    mine, near = tree.query(polygons, predicate="dwithin", distance=reach)
    apart = mine != near
    mine, near = mine[apart], near[apart]
    if not len(mine):
        return found
    along = np.linspace(0, 1, _PLACES, endpoint=False)
    rings = shapely.get_exterior_ring(polygons)
    places = shapely.line_interpolate_point(rings[:, None], along[None], normalized=True)
    away = shapely.distance(places[mine], polygons[near][:, None])
    least = np.full((len(polygons), _PLACES), np.inf)
    np.minimum.at(least, mine, away)
    for k, row in enumerate(least):
        seen = row[row < reach[k]]
        if len(seen):
            found[k] = np.median(seen)
    return found
