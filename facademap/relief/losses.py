"""Places that lie deeper than the face of their stone and that nobody has outlined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.relief.build import Relief
from facademap.relief.robust import plane_of
from facademap.values import frozen_value

__all__ = ["Loss", "LossRules", "find_losses"]

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class LossRules:
    """Settings of what is proposed.

    Parameters
    ----------
    least_depth_m : float
        Below the face of the stone.
    least_area_m2 : float
    sure : float
        A cell counts when it is deeper by so many of its standard deviations.
    rim_m : float
        So near the outline of a stone lies its joint, not its face.
    """

    least_depth_m: float = 0.008
    least_area_m2: float = 0.0015
    sure: float = 2.0
    rim_m: float = 0.006


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """One place.

    Parameters
    ----------
    stone : int
        Number of the stone it lies on.
    outline_m : ndarray, shape (n, 2)
        Along and up the wall.
    """

    stone: int
    outline_m: NDArray[np.floating[Any]]


def find_losses(
    relief: Relief, stones: Sequence[Mask], outlined: Mask, *, rules: LossRules | None = None
) -> list[Loss]:
    """Losses of each stone below its own face, which may lean and stand out.

    Parameters
    ----------
    relief : Relief
    stones : sequence of ndarray of bool, shape (rows, columns)
    outlined : ndarray of bool, shape (rows, columns)
        Cells of conditions: what is drawn needs no proposal.
    rules : LossRules, optional

    References
    ----------
    As in :func:`facademap.relief.depth_below_face`; limits are settings (common practice).
    """
    rules = rules or LossRules()
    found = []
    for number, stone in enumerate(stones):
        rows, columns = (np.flatnonzero(stone.any(axis=a)) for a in (1, 0))
        if not len(rows):
            continue
        window = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        here = stone[window]
        deep = _deep_cells(
            relief.out_m[window], relief.sigma_m[window], here, relief.grid.gsd_m, rules
        )
        if deep is None:
            continue
        corner = (
            relief.grid.left_m + columns[0] * relief.grid.gsd_m,
            relief.grid.top_m - rows[0] * relief.grid.gsd_m,
        )
        found += [
            Loss(stone=number, outline_m=outline)
            for outline in _outlines(deep, outlined[window], corner, relief.grid.gsd_m, rules)
        ]
    return found


def _deep_cells(
    out_m: NDArray[np.float32],
    sigma_m: NDArray[np.float32],
    stone: Mask,
    cell_m: float,
    rules: LossRules,
) -> Mask | None:
    reach = cv2.distanceTransform(np.pad(stone, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    core = stone & (reach * cell_m > rules.rim_m) & np.isfinite(out_m)
    if core.sum() < 60:
        return None
    y, x = np.mgrid[0 : out_m.shape[0], 0 : out_m.shape[1]]
    terms = np.stack([np.ones(out_m.shape), x * cell_m, -y * cell_m], axis=-1)
    plane = plane_of(terms[core], out_m[core].astype(float))
    below = terms @ plane.terms - out_m
    sure = np.maximum(rules.least_depth_m, rules.sure * np.hypot(sigma_m, plane.scatter))
    return np.asarray(core & (below > sure))


def _outlines(
    deep: Mask, outlined: Mask, corner: tuple[float, float], cell_m: float, rules: LossRules
) -> list[NDArray[np.floating[Any]]]:
    smooth = cv2.morphologyEx(deep.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    smooth = cv2.morphologyEx(smooth, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, label = cv2.connectedComponents(smooth, connectivity=4)
    outlines: list[NDArray[np.floating[Any]]] = []
    for number in range(1, count):
        part = label == number
        if (
            part.sum() * cell_m**2 < rules.least_area_m2
            or (part & outlined).sum() > 0.2 * part.sum()
        ):
            continue
        # the outline runs along the edges of the cells: four times as fine, then the corners that matter
        fine = np.pad(np.kron(part, np.ones((4, 4), np.uint8)), 1).astype(np.uint8)
        fine = (cv2.GaussianBlur(fine * 255, (0, 0), 3.0) > 127).astype(np.uint8)
        rings, _ = cv2.findContours(fine, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        if not rings:
            continue
        ring = cv2.approxPolyDP(max(rings, key=cv2.contourArea), 1.5, True)[:, 0].astype(float)
        if len(ring) < 3:
            continue
        across = (ring - 1 + 0.5) / 4
        outlines.append(
            np.stack([corner[0] + across[:, 0] * cell_m, corner[1] - across[:, 1] * cell_m], axis=1)
        )
    return outlines
