"""Registration: several photos of one flat wall brought into the pixels of the first.

Pairs are joined by tie points (:mod:`facademap.photo.ties`), photos that do not overlap the first
are reached through others, and one adjustment over all ties distributes what is left. A photo that
cannot be reached is said to be so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.photo.bundle import Bundle, BundleResult, adjust_bundle
from facademap.photo.camera import Camera, nominal_camera
from facademap.photo.join import join_photos
from facademap.photo.photo_graph import (
    PhotoGraph,
    TieRows,
    camera_groups,
    chained_homographies,
    tie_rows,
)
from facademap.photo.ties import PairLimits

__all__ = ["Registration", "register_photos"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

#: Most standard deviation of a carried point, as a share of the first photo's longer side.
MOST_SIGMA_SHARE = 0.005
#: A pair whose ties lie this far off after the common adjustment contradicts the others (pixels, at 2000 px).
CONTRADICTION_PX = 6.0


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
        return (
            float(np.sqrt(np.mean(np.sum(self.bundle.residual_px[kept] ** 2, axis=1))))
            if kept.any()
            else 0.0
        )

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
    pictures: Sequence[Bytes],
    *,
    cameras: Sequence[Camera] | None = None,
    progress: Callable[[float], None] | None = None,
    limits: PairLimits | None = None,
    thorough: bool = True,
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
    used = (
        tuple(cameras)
        if cameras is not None
        else tuple(nominal_camera(p.shape[1], p.shape[0]) for p in pictures)
    )
    graph = join_photos(
        lambda i: pictures[i],
        used,
        known_lens=known,
        progress=progress,
        limits=limits,
        thorough=thorough,
    )
    return _adjusted(graph)


def _adjusted(graph: PhotoGraph) -> Registration:
    """Adjust everything connected with the first photo; leave out pairs that the others contradict."""
    contradicted: list[tuple[int, int]] = []
    while True:
        members = graph.reached_from(0)
        reasons = {i: graph.reason(i) for i in range(len(graph.cameras)) if i not in members}
        if len(members) < 2:
            return Registration(
                graph=graph,
                members=(0,),
                bundle=None,
                reasons=reasons,
                contradicted=tuple(contradicted),
            )
        result, rows = adjust_members(graph, members)
        worst = _contradiction(graph, result, rows)
        if worst is None:
            return Registration(
                graph=graph,
                members=tuple(members),
                bundle=result,
                reasons=reasons,
                contradicted=tuple(contradicted),
            )
        contradicted.append(worst)
        pairs = dict(graph.pairs)
        pairs[worst] = replace(
            pairs[worst], joined=False, reason="it contradicts the way round by other photos"
        )
        graph = replace(graph, pairs=pairs)


def lens_sigma_of(graph: PhotoGraph) -> tuple[float, ...]:
    """Prior of the lens terms: free when most pairs needed distortion, else held."""
    joined = list(graph.joined().values())
    bent = sum(ties.k1 != 0.0 for ties in joined)
    if graph.known_lens or bent * 2 <= len(joined):
        return (0.0,) * 7
    return (0.0, 0.0, 0.3, 0.3, 0.0, 0.0, 0.0)


def adjust_members(graph: PhotoGraph, members: Sequence[int]) -> tuple[BundleResult, TieRows]:
    """Adjust the members in the ray frame of the first; also the observations."""
    sigma = lens_sigma_of(graph)
    k1 = float(np.median([t.k1 for t in graph.joined().values()])) if any(sigma) else 0.0
    cameras = [
        replace(graph.cameras[i], k1=k1) if any(sigma) else graph.cameras[i] for i in members
    ]
    matrices = chained_homographies(graph, members)
    rows = tie_rows(graph, members, cameras, matrices)
    held = np.zeros(len(members), bool)
    held[0] = True
    bundle = Bundle(
        cameras=cameras,
        group=camera_groups(cameras),
        homographies=matrices,
        held=held,
        photo=rows.photo,
        point=rows.point,
        pixel_px=rows.pixel_px,
        sigma_px=np.full(len(rows.photo), 0.3),
        wall=rows.wall,
        wall_sigma=np.full(len(rows.wall), np.inf),
        lens_sigma=sigma,
    )
    return adjust_bundle(bundle), rows


def _contradiction(
    graph: PhotoGraph, result: BundleResult, rows: TieRows
) -> tuple[int, int] | None:
    """The pair that fits the common adjustment worst, when it does not fit at all."""
    worst: tuple[float, tuple[int, int] | None] = (0.0, None)
    for pair, at in rows.of_pair.items():
        # a robust fit lets one end of a bad tie go: only both ends together tell how far it is off
        miss = float(np.median(np.hypot(*result.residual_px[at].T).reshape(2, -1).sum(axis=0)))
        limit = CONTRADICTION_PX * max(1.0, graph.cameras[pair[0]].width_px / 2000.0)
        if miss > limit and miss > worst[0]:
            worst = (miss, pair)
    return worst[1]
