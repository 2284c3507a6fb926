"""The search for tie points among many photos: cheap looks first, close looks only where they pay.

Every photo is first joined with the few that look most like it. From the chains of these pairs the overlap
of all others is known, so that only pairs that share a part of the wall are looked at closely.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facademap.photo.camera import Camera
from facademap.photo.features import (
    LONGEST_PX,
    MOST_FEATURES,
    Features,
    find_features,
    find_tilted_features,
    match_features,
)
from facademap.photo.photo_graph import PhotoGraph, chained_homographies
from facademap.photo.threads import in_order
from facademap.photo.ties import PairLimits, PairTies, overlap_share, tie_pair

__all__ = ["join_photos", "ranked_pairs"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Pair = tuple[int, int]
Depth = Literal["plain", "full", "fine", "tilted"]

#: Up to so many photos every pair is looked at; beyond it only pairs that look alike when small.
ALL_PAIRS_UP_TO = 8
#: A photo is compared closely with at most so many others, with so many of them before the overlaps are known.
NEIGHBOURS = 10
FIRST_NEIGHBOURS = 3
#: Matches of few features below which a pair is not worth a close look.
LEAST_ALIKE = 6
#: Foreseen share of a photo that another must show to be compared closely.
LEAST_OVERLAP = 0.02
#: Pairs that must agree on the distortion before it is taken for the others, and pairs looked at before each try.
LENS_PAIRS = 5
LENS_BATCH = 8
#: A search takes about 220 bytes a pixel: of photos longer than this one at a time, on all processors, and not two at once.
LARGE_PX = 1600


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FeatureStore:
    """Features of every photo, found when first asked for and kept."""

    load: Callable[[int], Bytes]
    most: int
    longest_px: float
    found: dict[tuple[int, Depth], Features] = field(default_factory=dict)

    def _find(self, photo: int, depth: Depth) -> Features:
        grey = self.load(photo)
        if depth == "plain":
            return find_features(grey, longest_px=self.longest_px, most=self.most)
        if depth == "full":
            return find_features(grey)
        if depth == "fine":
            return find_features(grey, longest_px=4000, most=12000)
        return find_tilted_features(grey)

    def fetch(
        self, photos: Iterable[int], depth: Depth, progress: Callable[[float], None] | None = None
    ) -> None:
        """Find the features of several photos at once."""
        missing = sorted({i for i in photos if (i, depth) not in self.found})
        if depth in ("full", "fine") or (depth == "plain" and self.longest_px > LARGE_PX):
            for number, photo in enumerate(missing):
                self.found[(photo, depth)] = self._find(photo, depth)
                if progress is not None:
                    progress((number + 1) / len(missing))
            return
        for photo, features in in_order(lambda i: self._find(i, depth), missing, progress=progress):
            self.found[(photo, depth)] = features

    def get(self, photo: int, depth: Depth) -> Features:
        return self.found[(photo, depth)]


def ranked_pairs(features: Sequence[Features], *, neighbours: int = NEIGHBOURS) -> list[Pair]:
    """Pairs of photos worth a close look, by a quick match of few features each, each photo's best first.

    Parameters
    ----------
    features : sequence of Features
        Of every photo.
    neighbours : int
        Most partners of a photo.

    Returns
    -------
    list of (int, int)
        Pairs, smaller index first: the best partner of every photo, then every second best, and so on.
    """
    count = len(features)
    if count <= ALL_PAIRS_UP_TO:
        return list(itertools.combinations(range(count), 2))
    few = [_strongest(f, 900) for f in features]
    score = np.zeros((count, count))
    everything = itertools.combinations(range(count), 2)
    for (a, b), alike in in_order(
        lambda p: len(match_features(few[p[0]], few[p[1]], ratio=0.75)[0]), everything
    ):
        score[a, b] = score[b, a] = alike
    best = np.argsort(-score, axis=1, kind="stable")
    ranked = [
        (min(a, b), max(a, b))
        for place in range(min(neighbours, count - 1))
        for a, b in ((a, int(best[a, place])) for a in range(count))
        if score[a, b] >= LEAST_ALIKE
    ]
    return list(dict.fromkeys(ranked))


def _strongest(features: Features, most: int) -> Features:
    """An even sample of the features (they are kept in reading order)."""
    step = max(1, len(features) // most)
    return Features(xy_px=features.xy_px[::step], descriptors=features.descriptors[::step])


@dataclass(frozen=True, slots=True, kw_only=True)
class _PairSearch:
    """The pairs looked at so far, and what is needed to look at more."""

    cameras: tuple[Camera, ...]
    store: _FeatureStore
    known_lens: bool
    one_lens: bool
    limits: PairLimits | None
    most_ties: int
    pairs: dict[Pair, PairTies] = field(default_factory=dict)

    def graph(self) -> PhotoGraph:
        """What is known by now."""
        return PhotoGraph(cameras=self.cameras, pairs=dict(self.pairs), known_lens=self.known_lens)

    def attempt(
        self, pairs: Sequence[Pair], depth: Depth, progress: Callable[[float], None] | None = None
    ) -> None:
        """Look at pairs closely; once enough of them agree on the lens, the others take it over."""
        self.store.fetch(itertools.chain.from_iterable(pairs), depth)
        done = 0
        while done < len(pairs):
            k1 = (
                _learnt_lens(self.pairs.values()) if self.one_lens and not self.known_lens else None
            )
            learning = self.one_lens and not self.known_lens and k1 is None
            batch = pairs[done : done + LENS_BATCH] if learning else pairs[done:]
            for pair, ties in in_order(lambda p, lens=k1: self._tie(p, depth, lens), batch):  # type: ignore[misc]
                self.pairs[pair] = ties
                done += 1
                if progress is not None:
                    progress(done / len(pairs))

    def _tie(self, pair: Pair, depth: Depth, k1: float | None) -> PairTies:
        one, other = (
            self.cameras[i] if k1 is None else replace(self.cameras[i], k1=k1) for i in pair
        )
        return tie_pair(
            self.store.load(pair[0]),
            self.store.load(pair[1]),
            one,
            other,
            self.store.get(pair[0], depth),
            self.store.get(pair[1], depth),
            limits=self.limits,
            known_lens=self.known_lens or k1 is not None,
            most_ties=self.most_ties,
            turns=1 if k1 is not None else 2,
        )

    def worth_it(self, pairs: Sequence[Pair]) -> list[Pair]:
        """Pairs not looked at yet whose photos overlap, or may overlap for all that is known."""
        graph = self.graph()
        frame: dict[int, tuple[int, Floats]] = {}
        for photo in range(len(self.cameras)):
            if photo not in frame:
                group = graph.reached_from(photo)
                chained = chained_homographies(graph, group)
                frame |= {
                    member: (photo, matrix) for member, matrix in zip(group, chained, strict=True)
                }

        def apart(a: int, b: int) -> bool:
            if frame[a][0] != frame[b][0]:
                return False
            forth = frame[a][1] @ np.linalg.inv(frame[b][1])
            return overlap_share(self.cameras[a], self.cameras[b], forth) < LEAST_OVERLAP

        return [(a, b) for a, b in pairs if (a, b) not in self.pairs and not apart(a, b)]


def join_photos(
    load: Callable[[int], Bytes],
    cameras: Sequence[Camera],
    *,
    known_lens: bool = False,
    thorough: bool = True,
    limits: PairLimits | None = None,
    progress: Callable[[float], None] | None = None,
    most_ties: int = 400,
    most_features: int = MOST_FEATURES,
    longest_px: float = LONGEST_PX,
    one_lens: bool = False,
) -> PhotoGraph:
    """Look for tie points between photos.

    Parameters
    ----------
    load : callable
        Grey picture of photo number ``i``; called from several threads.
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
    longest_px : float
        Longest side of the copies that are searched for features; photos left alone are searched again in full.
    one_lens : bool
        Whether all photos are of one camera, so that the distortion seen in the first pairs serves the others.
    """
    say = progress or (lambda fraction: None)
    store = _FeatureStore(load=load, most=most_features, longest_px=longest_px)
    search = _PairSearch(
        cameras=tuple(cameras),
        store=store,
        known_lens=known_lens,
        one_lens=one_lens,
        limits=limits,
        most_ties=most_ties,
    )
    store.fetch(range(len(cameras)), "plain", lambda f: say(0.3 * f))
    ranked = ranked_pairs([store.get(i, "plain") for i in range(len(cameras))])
    say(0.4)
    first = ranked if len(cameras) <= ALL_PAIRS_UP_TO else ranked[: FIRST_NEIGHBOURS * len(cameras)]
    search.attempt(first, "plain", lambda f: say(0.4 + 0.3 * f))
    search.attempt(search.worth_it(ranked[len(first) :]), "plain", lambda f: say(0.7 + 0.3 * f))
    for depth in _further_depths(search.cameras, longest_px, thorough=thorough):
        for pair in _missing_links(search.graph()):
            if depth == "fine" and max(cameras[i].width_px for i in pair) <= 1.2 * LONGEST_PX:
                continue  # nothing finer to be seen
            reached = set(search.graph().reached_from(0))
            if (pair[0] in reached) != (pair[1] in reached) or pair not in search.pairs:
                search.attempt([pair], depth)
    say(1.0)
    return search.graph()


def _further_depths(
    cameras: Sequence[Camera], longest_px: float, *, thorough: bool
) -> tuple[Depth, ...]:
    """How photos left alone are looked at again."""
    largest = max((max(c.width_px, c.height_px) for c in cameras), default=0)
    full: tuple[Depth, ...] = ("full",) if longest_px < min(LONGEST_PX, largest) else ()
    return (*full, "fine", "tilted") if thorough else full


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
        ranked = sorted(
            (-_inliers(graph, photo, o), o) for o in range(len(graph.cameras)) if o != photo
        )
        links += [(min(photo, o), max(photo, o)) for _, o in ranked[:4]]
    return list(dict.fromkeys(links))


def _inliers(graph: PhotoGraph, a: int, b: int) -> int:
    ties = graph.pairs.get((min(a, b), max(a, b)))
    return ties.inliers if ties is not None else 0
