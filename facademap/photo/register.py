"""Registration: several photos of one flat wall brought into the pixels of the first.

Pairs are joined by tie points (:mod:`facademap.photo.ties`), photos that do not overlap the first
are reached through others, and one adjustment over all ties distributes what is left. A photo that
cannot be reached is said to be so.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facademap.photo.bundle import Bundle, BundleResult, adjust_bundle
from facademap.photo.camera import Camera, nominal_camera
from facademap.photo.features import (
    LONGEST_PX,
    MOST_FEATURES,
    Features,
    find_features,
    find_tilted_features,
    match_features,
)
from facademap.photo.homography import apply_homography
from facademap.photo.ties import PairLimits, PairTies, tie_pair

__all__ = ["PhotoGraph", "Registration", "candidate_pairs", "join_photos", "register_photos"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Depth = Literal["plain", "fine", "tilted"]

#: Up to so many photos every pair is looked at; beyond it only pairs that look alike when small.
ALL_PAIRS_UP_TO = 8
#: A photo is compared closely with at most so many others.
NEIGHBOURS = 10
#: Pairs that must agree on the distortion before it is taken for the others.
LENS_PAIRS = 5
#: Most standard deviation of a carried point, as a share of the first photo's longer side.
MOST_SIGMA_SHARE = 0.005
#: A pair whose ties lie this far off after the common adjustment contradicts the others (pixels, at 2000 px).
CONTRADICTION_PX = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoGraph:
    """Which photos are joined by which ties.

    Attributes
    ----------
    cameras : tuple of Camera
        Nominal or known.
    pairs : mapping of (int, int) to PairTies
        All pairs looked at, joined or not.
    known_lens : bool
        Whether the cameras' distortion is known.
    """

    cameras: tuple[Camera, ...]
    pairs: Mapping[tuple[int, int], PairTies] = field(default_factory=dict)
    known_lens: bool = False

    def joined(self) -> dict[tuple[int, int], PairTies]:
        """The pairs that are believed."""
        return {pair: ties for pair, ties in self.pairs.items() if ties.joined}

    def reached_from(self, start: int) -> list[int]:
        """Photos connected with one photo, nearest first (by number of steps)."""
        joined = self.joined()
        order, queue, seen = [start], deque([start]), {start}
        while queue:
            here = queue.popleft()
            for a, b in joined:
                for one, other in ((a, b), (b, a)):
                    if one == here and other not in seen:
                        seen.add(other)
                        order.append(other)
                        queue.append(other)
        return order

    def reason(self, photo: int) -> str:
        """Why a photo is joined to no other: the reason of its most promising pair."""
        tried = [(ties.inliers, ties.reason) for pair, ties in self.pairs.items() if photo in pair and not ties.joined]
        if not tried:
            return "it shares no place with any other photo"
        return max(tried)[1]


class _FeatureStore:
    """Features of every photo, found when first asked for and kept."""

    def __init__(self, load: Callable[[int], Bytes], most: int) -> None:
        self.load, self.most = load, most
        self._found: dict[tuple[int, Depth], Features] = {}

    def get(self, photo: int, depth: Depth) -> Features:
        key = (photo, depth)
        if key not in self._found:
            grey = self.load(photo)
            if depth == "plain":
                self._found[key] = find_features(grey, most=self.most)
            elif depth == "fine":
                self._found[key] = find_features(grey, longest_px=4000, most=12000)
            else:
                self._found[key] = find_tilted_features(grey)
        return self._found[key]


def candidate_pairs(features: Sequence[Features], *, neighbours: int = NEIGHBOURS) -> list[tuple[int, int]]:
    """Pairs of photos worth a close look, by a quick match of few features each.

    Parameters
    ----------
    features : sequence of Features
        Of every photo.
    neighbours : int
        Most partners of a photo.

    Returns
    -------
    list of (int, int)
        Pairs, smaller index first, in order.
    """
    count = len(features)
    if count <= ALL_PAIRS_UP_TO:
        return list(itertools.combinations(range(count), 2))
    few = [_strongest(f, 900) for f in features]
    score = np.zeros((count, count))
    for a, b in itertools.combinations(range(count), 2):
        score[a, b] = score[b, a] = len(match_features(few[a], few[b], ratio=0.75)[0])
    chosen: set[tuple[int, int]] = set()
    for a in range(count):
        best = np.argsort(-score[a], kind="stable")[:neighbours]
        chosen |= {(min(a, int(b)), max(a, int(b))) for b in best if score[a, b] >= 6}
    return sorted(chosen)


def _strongest(features: Features, most: int) -> Features:
    """An even sample of the features (they are kept in reading order)."""
    step = max(1, len(features) // most)
    return Features(xy_px=features.xy_px[::step], descriptors=features.descriptors[::step])


def join_photos(
    load: Callable[[int], Bytes], cameras: Sequence[Camera], *, known_lens: bool = False, thorough: bool = True,
    limits: PairLimits | None = None, progress: Callable[[float], None] | None = None, most_ties: int = 400,
    most_features: int = MOST_FEATURES, one_lens: bool = False,
) -> PhotoGraph:
    """Look for tie points between photos.

    Parameters
    ----------
    load : callable
        Grey picture of photo number ``i``.
    cameras : sequence of Camera
        Nominal or known camera of every photo.
    known_lens : bool
        Whether the distortion of the cameras is known.
    thorough : bool
        Whether photos left alone are tried again with more features and simulated tilts.
    limits : PairLimits, optional
        When a pair is believed.
    progress : callable, optional
        Called with the fraction done.
    most_ties : int
        Tie points wanted of a pair.
    most_features : int
        Features kept of a photo.
    one_lens : bool
        Whether all photos are of one camera, so that the distortion seen in the first pairs serves the others.
    """
    store = _FeatureStore(load, most_features)
    count = len(cameras)
    say = progress or (lambda fraction: None)
    plain = [store.get(i, "plain") for i in range(count)]
    pairs: dict[tuple[int, int], PairTies] = {}

    def attempt(pair: tuple[int, int], depth: Depth) -> None:
        a, b = pair
        k1 = _learnt_lens(pairs.values()) if one_lens and not known_lens else None
        one, other = (cameras[i] if k1 is None else replace(cameras[i], k1=k1) for i in pair)
        pairs[pair] = tie_pair(load(a), load(b), one, other, store.get(a, depth), store.get(b, depth), limits=limits,
                               known_lens=known_lens or k1 is not None, most_ties=most_ties,
                               turns=1 if k1 is not None else 2)

    wanted = candidate_pairs(plain)
    for number, pair in enumerate(wanted):
        attempt(pair, "plain")
        say(0.7 * (number + 1) / len(wanted))
    graph = PhotoGraph(cameras=tuple(cameras), pairs=pairs, known_lens=known_lens)
    depths: tuple[Depth, ...] = ("fine", "tilted") if thorough else ()
    for depth in depths:
        for pair in _missing_links(graph):
            if depth == "fine" and max(cameras[i].width_px for i in pair) <= 1.2 * LONGEST_PX:
                continue  # nothing finer to be seen
            reached = set(graph.reached_from(0))
            if (pair[0] in reached) != (pair[1] in reached) or not pairs.get(pair):
                attempt(pair, depth)
    say(1.0)
    return graph


def _learnt_lens(seen: Iterable[PairTies]) -> float | None:
    """Distortion that the pairs joined so far agree on, none while they do not."""
    k1 = [ties.k1 for ties in seen if ties.joined]
    if len(k1) < LENS_PAIRS or float(np.ptp(np.quantile(k1[:LENS_PAIRS], [0.2, 0.8]))) > 0.02:
        return None
    return float(np.median(k1[:LENS_PAIRS]))


def _missing_links(graph: PhotoGraph) -> list[tuple[int, int]]:
    """Pairs that would join a photo left alone, the most promising first, at most a few a photo."""
    reached = set(graph.reached_from(0))
    alone = [i for i in range(len(graph.cameras)) if i not in reached]
    links: list[tuple[int, int]] = []
    for photo in alone:
        ranked = sorted((-_inliers(graph, photo, o), o) for o in range(len(graph.cameras)) if o != photo)
        links += [(min(photo, o), max(photo, o)) for _, o in ranked[:4]]
    return list(dict.fromkeys(links))


def _inliers(graph: PhotoGraph, a: int, b: int) -> int:
    ties = graph.pairs.get((min(a, b), max(a, b)))
    return ties.inliers if ties is not None else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Registration:
    """Photos in the frame of the first.

    Attributes
    ----------
    graph : PhotoGraph
        Pairs looked at.
    members : tuple of int
        Photos that were reached, the first photo first.
    bundle : BundleResult or None
        The adjustment over the members in that order; none when the first photo is alone.
    reasons : mapping of int to str
        Why a photo is not a member.
    contradicted : tuple of (int, int)
        Joined pairs that the others contradict and that were left out.
    """

    graph: PhotoGraph
    members: tuple[int, ...]
    bundle: BundleResult | None
    reasons: Mapping[int, str]
    contradicted: tuple[tuple[int, int], ...] = ()

    @property
    def rms_px(self) -> float:
        """Root mean square of the tie points' residuals."""
        if self.bundle is None:
            return 0.0
        kept = self.bundle.weight > 0.1
        return float(np.sqrt(np.mean(np.sum(self.bundle.residual_px[kept] ** 2, axis=1)))) if kept.any() else 0.0

    def carry(self, photo: int, xy_px: Floats) -> tuple[Floats, Floats]:
        """Carry pixels of a photo into the first photo.

        Parameters
        ----------
        photo : int
            Number of the photo.
        xy_px : ndarray, shape (n, 2)
            Pixels.

        Returns
        -------
        xy_px : ndarray, shape (n, 2)
            Pixels of the first photo (they may lie outside its frame); NaN where they cannot be carried.
        sigma_px : ndarray, shape (n,)
            One standard deviation, radial.
        """
        xy = np.asarray(xy_px, dtype=float)
        if photo == 0:
            return xy.copy(), np.zeros(len(xy))
        if self.bundle is None or photo not in self.members:
            return np.full(xy.shape, np.nan), np.full(len(xy), np.nan)
        k = self.members.index(photo)
        first = self.bundle.cameras[0]
        wall = self.bundle.wall_from_pixel(k, xy)
        sigma = self.bundle.sigma_wall(k, xy) * first.fx_px
        carried = first.pixel_from_ray(wall)
        doubtful = ~(sigma <= MOST_SIGMA_SHARE * max(first.width_px, first.height_px))
        carried[doubtful] = np.nan
        return carried, sigma


def register_photos(
    pictures: Sequence[Bytes], *, cameras: Sequence[Camera] | None = None,
    progress: Callable[[float], None] | None = None, limits: PairLimits | None = None, thorough: bool = True,
) -> Registration:
    """Register grey photos of one flat wall to the first.

    Parameters
    ----------
    pictures : sequence of ndarray of uint8, shape (rows, columns)
        Grey photos.
    cameras : sequence of Camera, optional
        Known cameras; without them a common distortion is estimated where it shows.
    progress : callable, optional
        Called with the fraction done.
    limits : PairLimits, optional
        When a pair is believed.
    thorough : bool
        Whether photos left alone are tried again with more features and simulated tilts.
    """
    known = cameras is not None
    used = tuple(cameras) if cameras is not None else tuple(nominal_camera(p.shape[1], p.shape[0]) for p in pictures)
    graph = join_photos(lambda i: pictures[i], used, known_lens=known, progress=progress, limits=limits,
                        thorough=thorough)
    return _adjusted(graph)


def _adjusted(graph: PhotoGraph) -> Registration:
    """Adjust everything connected with the first photo; leave out pairs that the others contradict."""
    contradicted: list[tuple[int, int]] = []
    while True:
        members = graph.reached_from(0)
        reasons = {i: graph.reason(i) for i in range(len(graph.cameras)) if i not in members}
        if len(members) < 2:
            return Registration(graph=graph, members=(0,), bundle=None, reasons=reasons,
                                contradicted=tuple(contradicted))
        result, rows = adjust_members(graph, members)
        worst = _contradiction(graph, result, rows)
        if worst is None:
            return Registration(graph=graph, members=tuple(members), bundle=result, reasons=reasons,
                                contradicted=tuple(contradicted))
        contradicted.append(worst)
        pairs = dict(graph.pairs)
        pairs[worst] = replace(pairs[worst], joined=False, reason="it contradicts the way round by other photos")
        graph = replace(graph, pairs=pairs)


def lens_sigma_of(graph: PhotoGraph) -> tuple[float, ...]:
    """Prior of the lens terms: free when most pairs needed distortion, else held."""
    joined = list(graph.joined().values())
    bent = sum(ties.k1 != 0.0 for ties in joined)
    if graph.known_lens or bent * 2 <= len(joined):
        return (0.0,) * 7
    return (0.0, 0.0, 0.3, 0.3, 0.0, 0.0, 0.0)


def adjust_members(
    graph: PhotoGraph, members: Sequence[int]
) -> tuple[BundleResult, list[tuple[tuple[int, int], NDArray[np.intp]]]]:
    """Adjust the members in the ray frame of the first; also which observations belong to which pair."""
    sigma = lens_sigma_of(graph)
    k1 = float(np.median([t.k1 for t in graph.joined().values()])) if any(sigma) else 0.0
    cameras = [replace(graph.cameras[i], k1=k1) if any(sigma) else graph.cameras[i] for i in members]
    matrices = chained_homographies(graph, members)
    at = {photo: k for k, photo in enumerate(members)}
    photo, point, pixel, wall = [], [], [], []
    rows: list[tuple[tuple[int, int], NDArray[np.intp]]] = []
    count = seen = 0
    for (a, b), ties in graph.joined().items():
        if a not in at or b not in at:
            continue
        ray = cameras[at[a]].ray_from_pixel(ties.first_px)
        places = apply_homography(np.linalg.inv(matrices[at[a]]), ray)
        other = cameras[at[b]].pixel_from_ray(apply_homography(matrices[at[b]], places))
        good = np.isfinite(places).all(axis=1) & np.isfinite(other).all(axis=1)
        n = int(np.count_nonzero(good))
        photo += [np.full(n, at[a]), np.full(n, at[b])]
        point += [count + np.arange(n)] * 2
        pixel += [ties.first_px[good], ties.second_px[good]]
        wall.append(places[good])
        rows.append(((a, b), np.arange(seen, seen + 2 * n)))
        count, seen = count + n, seen + 2 * n
    group = _groups(cameras)
    held = np.zeros(len(members), bool)
    held[0] = True
    bundle = Bundle(
        cameras=cameras, group=group, homographies=matrices, held=held, photo=np.concatenate(photo),
        point=np.concatenate(point), pixel_px=np.concatenate(pixel), sigma_px=np.full(seen, 0.3),
        wall=np.concatenate(wall), wall_sigma=np.full(count, np.inf), lens_sigma=sigma,
    )
    return adjust_bundle(bundle), rows


def _groups(cameras: Sequence[Camera]) -> NDArray[np.intp]:
    kinds: dict[tuple[float, ...], int] = {}
    return np.array([kinds.setdefault((c.width_px, c.height_px, round(c.fx_px, 3)), len(kinds)) for c in cameras],
                    dtype=np.intp)


def chained_homographies(graph: PhotoGraph, members: Sequence[int]) -> Floats:
    """Rays of the first member to rays of each member, along the shortest chain of pairs."""
    joined = graph.joined()
    matrices: dict[int, Floats] = {members[0]: np.eye(3)}
    for photo in members[1:]:
        links = [(ties.inliers, pair) for pair, ties in joined.items()
                 if photo in pair and (pair[0] if pair[1] == photo else pair[1]) in matrices]
        first_known = min(members.index(p[0] if p[1] == photo else p[1]) for _, p in links)
        nearest = [link for link in links if _steps(members, link[1], photo) <= first_known + len(members)]
        _, pair = max(nearest)
        # a pair's homography leads from rays of its second photo to rays of its first
        forth = joined[pair].homography
        if pair[1] == photo:
            matrix = np.linalg.inv(forth) @ matrices[pair[0]]
        else:
            matrix = forth @ matrices[pair[1]]
        matrices[photo] = matrix / np.linalg.norm(matrix)
    return np.stack([matrices[p] for p in members])


def _steps(members: Sequence[int], pair: tuple[int, int], photo: int) -> int:
    return members.index(pair[0] if pair[1] == photo else pair[1])


def _contradiction(
    graph: PhotoGraph, result: BundleResult, rows: list[tuple[tuple[int, int], NDArray[np.intp]]]
) -> tuple[int, int] | None:
    """The pair that fits the common adjustment worst, when it does not fit at all."""
    worst: tuple[float, tuple[int, int] | None] = (0.0, None)
    for pair, at in rows:
        # a robust fit lets one end of a bad tie go: only both ends together tell how far it is off
        miss = float(np.median(np.hypot(*result.residual_px[at].T).reshape(2, -1).sum(axis=0)))
        limit = CONTRADICTION_PX * max(1.0, graph.cameras[pair[0]].width_px / 2000.0)
        if miss > limit and miss > worst[0]:
            worst = (miss, pair)
    return worst[1]
