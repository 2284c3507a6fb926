"""Which photos of one flat wall are joined by which tie points, and what follows from it.

A graph of photos gives start values along chains of pairs, and the observations of one common adjustment.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.photo.camera import Camera
from facademap.photo.homography import apply_homography
from facademap.photo.ties import PairTies
from facademap.values import frozen_value

__all__ = ["PhotoGraph", "TieRows", "camera_groups", "chained_homographies", "tie_rows"]

Floats = NDArray[np.floating[Any]]
Indices = NDArray[np.intp]


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
        tried = [
            (ties.inliers, ties.reason)
            for pair, ties in self.pairs.items()
            if photo in pair and not ties.joined
        ]
        if not tried:
            return "it shares no place with any other photo"
        return max(tried)[1]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TieRows:
    """The tie points of a group of photos as observations: two rows a tie, one in each photo of its pair.

    Attributes
    ----------
    photo, point : ndarray of int, shape (n,)
        Place of the photo in the group, and number of the tie point.
    pixel_px : ndarray, shape (n, 2)
    wall : ndarray, shape (points, 2)
        Start values of the tie points in the frame of the homographies.
    of_pair : mapping of (int, int) to ndarray of int
        Rows of each pair: the first half in its first photo, the second half in its second.
    """

    photo: Indices
    point: Indices
    pixel_px: Floats
    wall: Floats
    of_pair: Mapping[tuple[int, int], Indices]


def tie_rows(
    graph: PhotoGraph, members: Sequence[int], cameras: Sequence[Camera], matrices: Floats
) -> TieRows:
    """Observations of the ties among some photos.

    Parameters
    ----------
    graph : PhotoGraph
    members : sequence of int
        The photos.
    cameras : sequence of Camera
        Of the members, in that order.
    matrices : ndarray, shape (members, 3, 3)
        Common frame to rays of each member.
    """
    at = {photo: k for k, photo in enumerate(members)}
    nowhere = np.zeros(0, np.intp)
    photo, point = [nowhere], [nowhere]
    pixel: list[Floats] = [np.zeros((0, 2))]
    wall: list[Floats] = [np.zeros((0, 2))]
    of_pair: dict[tuple[int, int], Indices] = {}
    count = 0
    for (a, b), ties in graph.joined().items():
        if a not in at or b not in at:
            continue
        places = apply_homography(
            np.linalg.inv(matrices[at[a]]), cameras[at[a]].ray_from_pixel(ties.first_px)
        )
        other = cameras[at[b]].pixel_from_ray(apply_homography(matrices[at[b]], places))
        good = np.isfinite(places).all(axis=1) & np.isfinite(other).all(axis=1)
        n = int(np.count_nonzero(good))
        photo += [np.full(n, at[a], np.intp), np.full(n, at[b], np.intp)]
        point += [count + np.arange(n)] * 2
        pixel += [ties.first_px[good], ties.second_px[good]]
        wall.append(places[good])
        of_pair[(a, b)] = np.arange(2 * count, 2 * (count + n))
        count += n
    return TieRows(
        photo=np.concatenate(photo),
        point=np.concatenate(point),
        pixel_px=np.concatenate(pixel),
        wall=np.concatenate(wall),
        of_pair=of_pair,
    )


def camera_groups(cameras: Sequence[Camera]) -> Indices:
    """Number of the lens group of every camera: alike in size and focal length."""
    kinds: dict[tuple[float, ...], int] = {}
    return np.array(
        [
            kinds.setdefault((c.width_px, c.height_px, round(c.fx_px, 3)), len(kinds))
            for c in cameras
        ],
        dtype=np.intp,
    )


def chained_homographies(graph: PhotoGraph, members: Sequence[int]) -> Floats:
    """Rays of the first member to rays of each member, along the shortest chain of pairs."""
    joined = graph.joined()
    matrices: dict[int, Floats] = {members[0]: np.eye(3)}
    for photo in members[1:]:
        links = [
            (ties.inliers, pair)
            for pair, ties in joined.items()
            if photo in pair and (pair[0] if pair[1] == photo else pair[1]) in matrices
        ]
        first_known = min(members.index(p[0] if p[1] == photo else p[1]) for _, p in links)
        nearest = [
            link for link in links if _steps(members, link[1], photo) <= first_known + len(members)
        ]
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
