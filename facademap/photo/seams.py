"""Which photo shows which part of a wall best, and where one photo gives way to the next.

The choice is made on a coarse lattice of cells over the whole mosaic. Where one photo is clearly
best, it is taken; in the bands between, the border is led where it is seen least: along joints,
where the photos agree, and away from the edges of stones and openings.

References
----------
.. [1] L. Vincent, P. Soille, "Watersheds in digital spaces", IEEE PAMI 13 (1991) 583-598.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.photo.resample import SurfaceView
from facademap.wall.grid import PixelGrid, Window

__all__ = ["CoarseView", "SeamSettings", "choose_sources", "coarse_view", "joint_likeness"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamSettings:
    """How photos are weighed against each other. All values are common practice.

    Attributes
    ----------
    oblique_weight : float
        Cost of the ratio between the coarsest and the finest direction (natural logarithms).
    edge_weight : float
        Cost of lying at the edge of the photo (soft corners, falling light).
    sharpness_weight : float
        Gain of a photo that is sharper than the others (natural logarithm of the sharpness).
    band : float
        Advantage in score below which the border may be moved to where it is seen least.
    margin_share : float
        Rim of each photo that is not used, as a share of its shorter side.
    joint_gain : float
        Share of the border's cost that is taken off within a joint.
    """

    oblique_weight: float = 0.5
    edge_weight: float = 0.35
    sharpness_weight: float = 0.35
    band: float = 0.18
    margin_share: float = 0.01
    joint_gain: float = 0.7


@dataclass(slots=True, kw_only=True, eq=False)
class CoarseView:
    """One photo on the cells it can fill.

    Attributes
    ----------
    window : Window
        Cells of the coarse grid.
    score : ndarray of float32, shape (height, width)
        Worth of the photo there, minus infinity where it does not show the wall.
    x_share, y_share : ndarray of float32, shape (height, width)
        Place in the photo, -1 to 1 from its middle to its sides.
    sample_m : ndarray of float32, shape (height, width)
        Wall length of a photo pixel in its coarser direction.
    """

    window: Window
    score: NDArray[np.float32]
    x_share: NDArray[np.float32]
    y_share: NDArray[np.float32]
    sample_m: NDArray[np.float32]


def _pixels(view: SurfaceView, grid: PixelGrid, columns: ArrayLike, rows: ArrayLike) -> Floats:
    places = grid.wall_from_pixel(np.asarray(columns)[None, :], np.asarray(rows)[:, None])
    return np.asarray(view.pixel_from_wall(places[..., 0], places[..., 1]))


def _shown(pixel: Floats, size_px: tuple[int, int], margin_px: float) -> NDArray[np.bool_]:
    width, height = size_px
    with np.errstate(invalid="ignore"):
        return np.asarray(
            np.isfinite(pixel).all(axis=-1)
            & (pixel[..., 0] >= margin_px)
            & (pixel[..., 1] >= margin_px)
            & (pixel[..., 0] <= width - 1 - margin_px)
            & (pixel[..., 1] <= height - 1 - margin_px)
        )


def _bounds(view: SurfaceView, grid: PixelGrid, size_px: tuple[int, int]) -> Window | None:
    """Cells that the photo may show, found on a sparse lattice."""
    step = max(1, min(grid.width_px, grid.height_px) // 48)
    columns = np.unique(np.r_[np.arange(0, grid.width_px, step), grid.width_px - 1])
    rows = np.unique(np.r_[np.arange(0, grid.height_px, step), grid.height_px - 1])
    shown = _shown(_pixels(view, grid, columns, rows), size_px, 0.0)
    if not shown.any():
        return None
    r, c = np.flatnonzero(shown.any(axis=1)), np.flatnonzero(shown.any(axis=0))
    left, right = (
        max(0, int(columns[c[0]]) - step),
        min(grid.width_px, int(columns[c[-1]]) + step + 1),
    )
    top, bottom = max(0, int(rows[r[0]]) - step), min(grid.height_px, int(rows[r[-1]]) + step + 1)
    return Window(column=left, row=top, width=right - left, height=bottom - top)


def coarse_view(
    view: SurfaceView,
    grid: PixelGrid,
    *,
    size_px: tuple[int, int],
    gsd_m: float,
    sharpness: float = 1.0,
    settings: SeamSettings | None = None,
) -> CoarseView | None:
    """How well a photo shows each cell.

    Parameters
    ----------
    view : SurfaceView
        Wall to pixel.
    grid : PixelGrid
        The coarse grid of cells.
    size_px : (int, int)
        Width and height of the photo.
    gsd_m : float
        Ground sample distance of the mosaic: finer photos gain nothing.
    sharpness : float
        Sharpness of the photo against the others (1: usual).
    settings : SeamSettings, optional

    Returns
    -------
    CoarseView or None
        None when the photo shows no cell.
    """
    use = settings or SeamSettings()
    window = _bounds(view, grid, size_px)
    if window is None:
        return None
    width, height = size_px
    # one cell more on each side, so that differences exist everywhere
    columns = window.column + np.arange(-1, window.width + 1)
    rows = window.row + np.arange(-1, window.height + 1)
    pixel = _pixels(view, grid, columns, rows)
    shown = _shown(pixel, size_px, use.margin_share * min(size_px))[1:-1, 1:-1]
    if not shown.any():
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        du = (pixel[1:-1, 2:] - pixel[1:-1, :-2]) / (2.0 * grid.gsd_m)
        dv = (pixel[2:, 1:-1] - pixel[:-2, 1:-1]) / (2.0 * grid.gsd_m)
        aa, bb = np.sum(du * du, axis=-1), np.sum(dv * dv, axis=-1)
        ab = np.sum(du * dv, axis=-1)
        root = np.sqrt(np.maximum((aa - bb) ** 2 / 4.0 + ab**2, 0.0))
        finest, coarsest = (
            np.sqrt((aa + bb) / 2.0 + root),
            np.sqrt(np.maximum((aa + bb) / 2.0 - root, 1e-12)),
        )
        middle = pixel[1:-1, 1:-1]
        x = (middle[..., 0] - (width - 1) / 2.0) / (width / 2.0)
        y = (middle[..., 1] - (height - 1) / 2.0) / (height / 2.0)
        score = np.log(np.minimum(coarsest * gsd_m, 1.2)) - use.oblique_weight * np.log(
            finest / coarsest
        )
        score = score - use.edge_weight * np.maximum(np.abs(x), np.abs(y)) ** 4
        score = score + use.sharpness_weight * np.log(sharpness)
        shown &= np.isfinite(score)
    return CoarseView(
        window=window,
        score=np.where(shown, score, -np.inf).astype(np.float32),
        x_share=np.nan_to_num(x).astype(np.float32),
        y_share=np.nan_to_num(y).astype(np.float32),
        sample_m=np.where(shown, 1.0 / coarsest, np.nan).astype(np.float32),
    )


def joint_likeness(grey: Bytes) -> NDArray[np.float32]:
    """How much every cell looks like part of a thin line darker or lighter than its surroundings (0 to 1)."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    dark = cv2.morphologyEx(smooth, cv2.MORPH_BLACKHAT, kernel)
    light = cv2.morphologyEx(smooth, cv2.MORPH_TOPHAT, kernel)
    line = np.maximum(dark, light).astype(np.float32)
    # a speck is no joint: the line must go on over some cells in one direction
    long = np.maximum(cv2.blur(line, (13, 1)), cv2.blur(line, (1, 13)))
    return np.asarray(np.clip((long - 3.0) / 12.0, 0.0, 1.0), dtype=np.float32)


def _seam_cost(
    views: Sequence[CoarseView | None],
    pictures: Sequence[Bytes | None],
    shape: tuple[int, int],
    first: NDArray[np.int16],
    second: NDArray[np.int16],
    use: SeamSettings,
) -> NDArray[np.float32]:
    """Cost of a border in every cell: difference of the two best photos and edges, less in joints."""
    picture_1, picture_2 = (_taken(views, pictures, shape, which) for which in (first, second))
    both = (first >= 0) & (second >= 0)
    difference = (
        np.abs(picture_1.astype(np.int16) - picture_2.astype(np.int16))
        .max(axis=2)
        .astype(np.float32)
    )
    difference[~both] = 0.0
    grey: Bytes = np.asarray(cv2.cvtColor(picture_1, cv2.COLOR_RGB2GRAY), np.uint8)
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.0).astype(np.float32)
    edges = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)) / 8.0
    joint = joint_likeness(grey)
    cost = (
        4.0
        + cv2.GaussianBlur(difference, (0, 0), 1.0) * 1.5
        + cv2.GaussianBlur(edges, (0, 0), 1.5) * 2.0
    )
    return np.asarray(cost * (1.0 - use.joint_gain * joint), dtype=np.float32)


def _taken(
    views: Sequence[CoarseView | None],
    pictures: Sequence[Bytes | None],
    shape: tuple[int, int],
    which: NDArray[np.int16],
) -> Bytes:
    out = np.zeros((*shape, 3), np.uint8)
    for i, (view, picture) in enumerate(zip(views, pictures, strict=True)):
        if view is not None and picture is not None:
            here = which[view.window.slices] == i
            out[view.window.slices][here] = picture[here]
    return out


def choose_sources(
    views: Sequence[CoarseView | None],
    pictures: Sequence[Bytes | None],
    shape: tuple[int, int],
    *,
    settings: SeamSettings | None = None,
) -> NDArray[np.int16]:
    """The photo that fills each cell.

    Parameters
    ----------
    views : sequence of CoarseView or None
        One a photo.
    pictures : sequence of ndarray of uint8 (height, width, 3) or None
        Levelled coarse pictures on the windows of the views; without one, borders follow the score alone.
    shape : (int, int)
        Rows and columns of the coarse grid.
    settings : SeamSettings, optional

    Returns
    -------
    ndarray of int16, shape (rows, columns)
        Number of the photo, -1 where none shows the wall.
    """
    use = settings or SeamSettings()
    best = np.full(shape, -np.inf, np.float32)
    runner = np.full(shape, -np.inf, np.float32)
    first, second = np.full(shape, -1, np.int16), np.full(shape, -1, np.int16)
    for i, view in enumerate(views):
        if view is None:
            continue
        at = view.window.slices
        b, r, f, s = best[at], runner[at], first[at], second[at]
        ahead = view.score > b
        r[ahead], s[ahead] = b[ahead], f[ahead]
        b[ahead], f[ahead] = view.score[ahead], i
        behind = ~ahead & (view.score > r)
        r[behind], s[behind] = view.score[behind], i
    if all(p is None for p in pictures):
        return first
    advantage = np.where(
        np.isfinite(runner), best - np.where(np.isfinite(runner), runner, 0.0), np.inf
    )
    return _led_borders(views, pictures, first, second, advantage.astype(np.float32), use)


def _led_borders(
    views: Sequence[CoarseView | None],
    pictures: Sequence[Bytes | None],
    first: NDArray[np.int16],
    second: NDArray[np.int16],
    advantage: NDArray[np.float32],
    use: SeamSettings,
) -> NDArray[np.int16]:
    """Move the borders between photos within the bands where either would do."""
    from skimage.segmentation import watershed

    flood: Callable[..., NDArray[np.int32]] = watershed  # it says nothing of its types
    shape = first.shape
    cost = _seam_cost(views, pictures, shape, first, second, use)
    sure = (first >= 0) & ~(advantage < use.band)
    # a band must touch two photos: a photo whose whole core is doubtful keeps its best cells
    for i in np.unique(first[first >= 0]):
        mine = first == i
        if not (sure & mine).any():
            sure |= mine & (advantage >= np.quantile(advantage[mine], 0.7))
    markers = np.where(sure, first.astype(np.int32) + 1, 0)
    # borders of a watershed lie on ridges, so the cheapest cells must be the highest
    flooded = flood(-cost, markers, mask=first >= 0).astype(np.int16) - 1
    chosen = np.where(flooded >= 0, flooded, first)
    for i, view in enumerate(views):
        if view is not None:
            at = view.window.slices
            wrong = (chosen[at] == i) & ~np.isfinite(view.score)
            chosen[at][wrong] = first[at][wrong]
    outside = np.ones(shape, bool)
    for i, view in enumerate(views):
        if view is not None:
            outside[view.window.slices] &= chosen[view.window.slices] != i
    return np.where(outside, first, chosen).astype(np.int16)
