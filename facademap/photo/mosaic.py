"""One elevation from many photos of one surface.

First a plan is made on coarse cells: which photo fills which cell, and by how much each photo is
brightened. Then every window is filled on its own, from nothing but the plan and the photos that it
needs, so that windows may be made in any order, again, or on other machines, with the same pixels.

References
----------
.. [1] Which photo fills a cell, and by how much it is brightened: common practice.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.photo.exposure import OverlapSample, PhotoLevel, level_photos, sharpness_of
from facademap.photo.flatten import WallLight, fit_wall_light
from facademap.photo.resample import Interpolation, PhotoLevels, SurfaceView, rectify_window
from facademap.photo.seams import CoarseView, SeamSettings, choose_sources, coarse_view
from facademap.photo.threads import in_order
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid, Window

__all__ = ["MosaicPlan", "PictureShelf", "mosaic_window", "mosaic_windows", "plan_mosaic"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Pictures = Sequence[Bytes] | Callable[[int], Bytes]

#: Cells of the plan (a setting): enough to lead borders along joints, little enough to hold in memory.
MOST_CELLS = 1_500_000
LEAST_CELL_PX = 4
#: Memory for decoded photos (a setting).
SHELF_BYTES = 450_000_000
WINDOW_PX = 512
_LATTICE_PX = 16


class PictureShelf:
    """Decoded photos, the most recently used kept within a number of bytes.

    Parameters
    ----------
    pictures : sequence of ndarray, or callable
        Photos, or a function that decodes photo number ``i``.
    most_bytes : int
        Bound on the decoded photos that are kept (one photo is always kept).
    """

    def __init__(self, pictures: Pictures, *, most_bytes: int = SHELF_BYTES) -> None:
        self._load: Callable[[int], Bytes] = (
            pictures if callable(pictures) else pictures.__getitem__
        )
        self._most, self._lock = most_bytes, Lock()
        self._kept: OrderedDict[int, PhotoLevels] = OrderedDict()
        self._loading: dict[int, Lock] = {}

    def get(self, number: int) -> PhotoLevels:
        """The photo with its reduced copies."""
        with self._lock:
            if number in self._kept:
                self._kept.move_to_end(number)
                return self._kept[number]
            gate = self._loading.setdefault(number, Lock())
        with gate:
            with self._lock:
                if number in self._kept:
                    self._kept.move_to_end(number)
                    return self._kept[number]
            photo = PhotoLevels(np.asarray(self._load(number)))
            with self._lock:
                self._kept[number] = photo
                while (
                    len(self._kept) > 1 and sum(p.nbytes for p in self._kept.values()) > self._most
                ):
                    self._kept.popitem(last=False)
            return photo


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class MosaicPlan:
    """What every window needs to know.

    Attributes
    ----------
    grid : PixelGrid
        Of the mosaic.
    cell_px : int
        Side of a cell.
    source : ndarray of int16, shape (rows, columns)
        Photo of every cell, -1 where none shows the wall.
    levels : tuple of PhotoLevel
        One a photo.
    sizes_px : tuple of (int, int)
        Width and height of every photo.
    sharpness : tuple of float
        Of every photo against the median (below 0.5: blurred).
    sample_m : ndarray of float32, shape (rows, columns)
        Wall length of a photo pixel in its coarser direction, NaN in gaps.
    light : WallLight
        Uneven light over the wall that is taken out.
    """

    grid: PixelGrid
    cell_px: int
    source: NDArray[np.int16]
    levels: tuple[PhotoLevel, ...]
    sizes_px: tuple[tuple[int, int], ...]
    sharpness: tuple[float, ...]
    sample_m: NDArray[np.float32]
    light: WallLight = field(default_factory=WallLight)

    @property
    def gap_share(self) -> float:
        """Share of the extent that no photo shows."""
        return float(np.mean(self.source < 0))

    @property
    def used(self) -> tuple[int, ...]:
        """Photos that fill at least one cell."""
        return tuple(int(i) for i in np.unique(self.source) if i >= 0)

    def gaps(self, *, least_m2: float = 0.01) -> list[tuple[float, float, float, float, float]]:
        """Places that no photo shows: u0, v0, u1, v1 (metres) and area (square metres), largest first."""
        number, _, stats, _ = cv2.connectedComponentsWithStats(
            (self.source < 0).astype(np.uint8), connectivity=8
        )
        cell_m = self.grid.gsd_m * self.cell_px
        found = []
        for left, top, width, height, count in stats[1:number]:
            area = float(count) * cell_m**2
            if area >= least_m2:
                u0, v1 = self.grid.left_m + left * cell_m, self.grid.top_m - top * cell_m
                found.append((u0, v1 - height * cell_m, u0 + width * cell_m, v1, area))
        return sorted(found, key=lambda gap: -gap[4])


def cell_size_px(grid: PixelGrid) -> int:
    """Side of a cell: a power of two that keeps the plan within its size."""
    cell = LEAST_CELL_PX
    while math.ceil(grid.width_px / cell) * math.ceil(grid.height_px / cell) > MOST_CELLS:
        cell *= 2
    return cell


def _coarse_grid(grid: PixelGrid, cell: int) -> PixelGrid:
    return PixelGrid(
        left_m=grid.left_m,
        top_m=grid.top_m,
        gsd_m=grid.gsd_m * cell,
        width_px=math.ceil(grid.width_px / cell),
        height_px=math.ceil(grid.height_px / cell),
    )


def plan_mosaic(
    views: Sequence[SurfaceView],
    pictures: Pictures | PictureShelf,
    grid: PixelGrid,
    *,
    levels: Sequence[PhotoLevel] | None = None,
    level: bool = True,
    flatten: bool = False,
    settings: SeamSettings | None = None,
    progress: Callable[[float], None] | None = None,
) -> MosaicPlan:
    """Choose the photo of every cell and level the photos.

    Parameters
    ----------
    views : sequence of SurfaceView
        Wall to pixel of every photo.
    pictures : sequence of ndarray of uint8 (rows, columns, 3), callable, or PictureShelf
        The photos, or a function that decodes photo number ``i``; each is decoded once.
    grid : PixelGrid
        Of the mosaic.
    levels : sequence of PhotoLevel, optional
        Levels to use instead of solving them.
    level : bool
        Whether exposure and white balance are levelled.
    flatten : bool
        Whether uneven light over the wall is taken out.
    settings : SeamSettings, optional
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    MosaicPlan
    """
    load = (
        pictures.get
        if isinstance(pictures, PictureShelf)
        else PictureShelf(pictures, most_bytes=0).get
    )
    cell = cell_size_px(grid)
    coarse = _coarse_grid(grid, cell)
    shape = (coarse.height_px, coarse.width_px)

    def look(i: int) -> tuple[tuple[int, int], float, CoarseView | None, Bytes | None]:
        photo = load(i)
        size = int(photo.picture.shape[1]), int(photo.picture.shape[0])
        found, picture = (
            coarse_view(views[i], coarse, size_px=size, gsd_m=grid.gsd_m, settings=settings),
            None,
        )
        if found is not None:
            picture, mask = rectify_window(
                views[i], photo, coarse, found.window, interpolation="linear"
            )
            found.score[mask == 0] = -np.inf
        return size, sharpness_of(photo.picture), found, picture

    sizes, sharp, small = [], [], []
    seen: list[CoarseView | None] = []
    for i, (size, sharpness_i, found, picture) in in_order(look, range(len(views)), ahead=1):
        sizes.append(size)
        sharp.append(sharpness_i)
        seen.append(found)
        small.append(picture)
        if progress is not None:
            progress(0.8 * (i + 1) / len(views))
    sharpness = _relative(sharp)
    use = settings or SeamSettings()
    for view_i, value in zip(seen, sharpness, strict=True):
        if view_i is not None:
            view_i.score[...] += np.float32(
                use.sharpness_weight * math.log(min(1.5, max(0.1, value)))
            )
    if levels is None:
        overlaps = _overlaps(seen, small) if level else []
        levels = level_photos(len(views), overlaps)
    levelled = [
        None if p is None or v is None else _levelled(p, lv.at(v.x_share, v.y_share))
        for p, v, lv in zip(small, seen, levels, strict=True)
    ]
    source = choose_sources(seen, levelled, shape, settings=settings)
    sample = np.full(shape, np.nan, np.float32)
    for i, view_i in enumerate(seen):
        if view_i is not None:
            here = source[view_i.window.slices] == i
            sample[view_i.window.slices][here] = view_i.sample_m[here]
    light = WallLight()
    if flatten:
        shown = np.zeros((*shape, 3), np.uint8)
        for i, (view_i, picture) in enumerate(zip(seen, levelled, strict=True)):
            if view_i is not None and picture is not None:
                here = source[view_i.window.slices] == i
                shown[view_i.window.slices][here] = picture[here]
        light = fit_wall_light(shown, source >= 0, cell_m=coarse.gsd_m)
    if progress is not None:
        progress(1.0)
    return MosaicPlan(
        grid=grid,
        cell_px=cell,
        source=source,
        levels=tuple(levels),
        sizes_px=tuple(sizes),
        sharpness=tuple(sharpness),
        sample_m=sample,
        light=light,
    )


def _relative(values: Sequence[float]) -> list[float]:
    known = [v for v in values if v > 0]
    middle = float(np.median(known)) if known else 1.0
    return [v / middle if v > 0 else 1.0 for v in values]


def _levelled(rgb: Bytes, factor: Floats) -> Bytes:
    return np.asarray(np.clip(rgb * factor.astype(np.float32) + 0.5, 0, 255).astype(np.uint8))


def _overlaps(
    views: Sequence[CoarseView | None], pictures: Sequence[Bytes | None], *, most_cells: int = 4000
) -> list[OverlapSample]:
    """Cells that two photos share, thinned, without the over- and underexposed."""
    found: list[OverlapSample] = []
    smooth = [None if p is None else cv2.blur(p, (3, 3)).astype(np.float32) for p in pictures]
    for a, view_a in enumerate(views):
        for b in range(a + 1, len(views)):
            view_b = views[b]
            one, two = smooth[a], smooth[b]
            if view_a is None or view_b is None or one is None or two is None:
                continue
            parts = _common(view_a.window, view_b.window)
            if parts is None:
                continue
            at_a, at_b = parts
            rgb_a, rgb_b = one[at_a], two[at_b]
            good = np.isfinite(view_a.score[at_a]) & np.isfinite(view_b.score[at_b])
            for rgb in (rgb_a, rgb_b):
                good &= (rgb.min(axis=2) > 6) & (rgb.max(axis=2) < 250)
            count = int(np.count_nonzero(good))
            if count < 40:
                continue
            pick = np.flatnonzero(good)[:: max(1, count // most_cells)]
            ratio = np.log(rgb_a.reshape(-1, 3)[pick] / rgb_b.reshape(-1, 3)[pick])
            xy = [
                np.stack([v.x_share[at].ravel()[pick], v.y_share[at].ravel()[pick]], axis=1)
                for v, at in ((view_a, at_a), (view_b, at_b))
            ]
            found.append(
                OverlapSample(first=a, second=b, log_ratio=ratio, first_xy=xy[0], second_xy=xy[1])
            )
    return found


def _common(a: Window, b: Window) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
    left, top = max(a.column, b.column), max(a.row, b.row)
    right, bottom = (
        min(a.column + a.width, b.column + b.width),
        min(a.row + a.height, b.row + b.height),
    )
    if right <= left or bottom <= top:
        return None

    def local(w: Window) -> tuple[slice, slice]:
        return slice(top - w.row, bottom - w.row), slice(left - w.column, right - w.column)

    return local(a), local(b)


def mosaic_window(
    plan: MosaicPlan,
    views: Sequence[SurfaceView],
    shelf: PictureShelf,
    window: Window,
    *,
    interpolation: Interpolation = "cubic",
) -> tuple[Bytes, Bytes, NDArray[np.int16]]:
    """Fill one window; the result depends on nothing outside the plan and the photos.

    Parameters
    ----------
    plan : MosaicPlan
    views : sequence of SurfaceView
    shelf : PictureShelf
        The photos.
    window : Window
        Part of the plan's grid.
    interpolation : {"linear", "cubic"}

    Returns
    -------
    rgb : ndarray of uint8, shape (height, width, 3)
    mask : ndarray of uint8, shape (height, width)
        255 where a photo shows the wall.
    source_index : ndarray of int16, shape (height, width)
        Photo that a pixel is (mostly) taken from, -1 in gaps.
    """
    labels, weights = _window_weights(plan, window)
    source = np.full((window.height, window.width), -1, np.int16)
    if not labels:
        return (
            np.zeros((window.height, window.width, 3), np.uint8),
            np.zeros(source.shape, np.uint8),
            source,
        )
    if len(labels) == 1:
        rgb, mask = _one_photo(views, shelf, plan, labels[0], window, interpolation)
        if not _is_plain(plan, labels[0]):
            brightness = _brightness_map(plan, views[labels[0]], labels[0], window)
            rgb = np.asarray(
                cv2.multiply(rgb, _coloured(brightness, plan, labels[0]), dtype=cv2.CV_8U), np.uint8
            )
        if weights[0] is not None:
            # the plan's cells decide what is filled, so that the edge of a photo's rim stays out everywhere alike
            mask[weights[0] <= 0.0] = 0
            rgb[mask == 0] = 0
        source[mask > 0] = labels[0]
        return rgb, mask, source
    total = np.zeros((window.height, window.width), np.float32)
    mixed = np.zeros((window.height, window.width, 3), np.float32)
    most = np.zeros_like(total)
    for label, weight in zip(labels, weights, strict=True):
        assert weight is not None
        part, at = _filled_part(weight, window)
        rgb, mask = _one_photo(views, shelf, plan, label, part, interpolation)
        share = np.ascontiguousarray(weight[at])
        if not mask.all():
            share[mask == 0] = 0.0
        brightened = share * _brightness_map(plan, views[label], label, part)
        mixed[at] += cv2.multiply(rgb, _coloured(brightened, plan, label), dtype=cv2.CV_32F)
        total[at] += share
        ahead = share > most[at]
        source[at][ahead], most[at][ahead] = label, share[ahead]
    if float(total.min()) > 0.999:
        return (
            np.asarray(cv2.convertScaleAbs(mixed), np.uint8),
            np.full(source.shape, 255, np.uint8),
            source,
        )
    filled = total > 1e-6
    scale = np.where(filled, 1.0 / np.maximum(total, 1e-6), 0.0).astype(np.float32)
    whole = cv2.multiply(mixed, cv2.merge([scale, scale, scale]), dtype=cv2.CV_8U)
    return np.asarray(whole, np.uint8), filled.astype(np.uint8) * 255, source


def _filled_part(weight: NDArray[np.float32], window: Window) -> tuple[Window, tuple[slice, slice]]:
    """The part of a window that one photo has weight in, on the lattice of the maps."""
    rows, columns = np.flatnonzero(weight.any(axis=1)), np.flatnonzero(weight.any(axis=0))
    top, left = rows[0] // _LATTICE_PX * _LATTICE_PX, columns[0] // _LATTICE_PX * _LATTICE_PX
    bottom = min(window.height, -(-(rows[-1] + 1) // _LATTICE_PX) * _LATTICE_PX)
    right = min(window.width, -(-(columns[-1] + 1) // _LATTICE_PX) * _LATTICE_PX)
    part = Window(
        column=window.column + int(left),
        row=window.row + int(top),
        width=int(right - left),
        height=int(bottom - top),
    )
    return part, (slice(int(top), int(bottom)), slice(int(left), int(right)))


def _window_weights(
    plan: MosaicPlan, window: Window
) -> tuple[list[int], list[NDArray[np.float32] | None]]:
    """Photos of a window with their weights; the change from one to the next is a few cells wide."""
    cell, margin = plan.cell_px, 3
    rows, columns = plan.source.shape
    r0, c0 = window.row // cell - margin, window.column // cell - margin
    r1 = -(-(window.row + window.height) // cell) + margin
    c1 = -(-(window.column + window.width) // cell) + margin
    # beyond the mosaic the outermost cells go on
    part = plan.source[
        np.clip(np.arange(r0, r1), 0, rows - 1)[:, None], np.clip(np.arange(c0, c1), 0, columns - 1)
    ]
    labels = [int(v) for v in np.unique(part) if v >= 0]
    if len(labels) <= 1 and np.all(part >= 0):
        return labels, [None] * len(labels)
    weights: list[NDArray[np.float32] | None] = []
    for label in labels:
        blurred = cv2.blur(
            (part == label).astype(np.float32), (3, 3), borderType=cv2.BORDER_REPLICATE
        )
        weights.append(_zoomed(blurred, window, cell, r0, c0))
    gap = _zoomed((part >= 0).astype(np.float32), window, cell, r0, c0) < 0.5
    for weight in weights:
        assert weight is not None
        weight[gap] = 0.0
    keep = [k for k, weight in enumerate(weights) if weight is not None and weight.any()]
    return [labels[k] for k in keep], [weights[k] for k in keep]


def _zoomed(
    cells: NDArray[np.float32], window: Window, cell: int, r0: int, c0: int
) -> NDArray[np.float32]:
    """Cells interpolated at every pixel of the window (value of a cell at its middle)."""
    step = 1.0 / cell
    shift_x = (window.column + 0.5) * step - 0.5 - c0
    shift_y = (window.row + 0.5) * step - 0.5 - r0
    return np.asarray(
        cv2.warpAffine(
            cells,
            np.array([[step, 0.0, shift_x], [0.0, step, shift_y]]),
            (window.width, window.height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _one_photo(
    views: Sequence[SurfaceView],
    shelf: PictureShelf,
    plan: MosaicPlan,
    number: int,
    window: Window,
    interpolation: Interpolation,
) -> tuple[Bytes, Bytes]:
    """One photo on a window, as it was taken."""
    rgb, mask = rectify_window(
        views[number], shelf.get(number), plan.grid, window, interpolation=interpolation
    )
    return np.repeat(rgb, 3, axis=2) if rgb.shape[2] == 1 else rgb, mask


def _is_plain(plan: MosaicPlan, number: int) -> bool:
    """Whether a photo goes into the mosaic as it was taken."""
    return plan.levels[number].is_plain and not plan.light.terms


def _coloured(
    brightness: NDArray[np.float32], plan: MosaicPlan, number: int
) -> NDArray[np.float32]:
    """Multipliers of the three colours."""
    return np.asarray(
        cv2.merge([brightness * np.float32(f) for f in plan.levels[number].factor]), np.float32
    )


def _brightness_map(
    plan: MosaicPlan, view: SurfaceView, number: int, window: Window
) -> NDArray[np.float32]:
    """Multipliers of a window, alike for all colours, computed on a lattice and interpolated."""
    level = plan.levels[number]
    if not plan.light.terms and not any(level.shading):
        return np.ones((window.height, window.width), np.float32)
    columns = window.column + np.arange(math.ceil(window.width / _LATTICE_PX) + 2) * _LATTICE_PX
    rows = window.row + np.arange(math.ceil(window.height / _LATTICE_PX) + 2) * _LATTICE_PX
    places = plan.grid.wall_from_pixel(columns[None, :], rows[:, None])
    pixel = view.pixel_from_wall(places[..., 0], places[..., 1])
    width, height = plan.sizes_px[number]
    x = np.nan_to_num((pixel[..., 0] - (width - 1) / 2.0) / (width / 2.0)).clip(-1.2, 1.2)
    y = np.nan_to_num((pixel[..., 1] - (height - 1) / 2.0) / (height / 2.0)).clip(-1.2, 1.2)
    lattice = level.shade(x, y)
    if plan.light.terms:
        across = (2.0 * columns + 1.0) / plan.grid.width_px - 1.0
        down = (2.0 * rows + 1.0) / plan.grid.height_px - 1.0
        lattice = lattice * plan.light.factor(across[None, :], down[:, None])
    step = 1.0 / _LATTICE_PX
    return np.asarray(
        cv2.warpAffine(
            lattice.astype(np.float32),
            np.array([[step, 0.0, 0.0], [0.0, step, 0.0]]),
            (window.width, window.height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def mosaic_windows(
    views: Sequence[SurfaceView],
    pictures: Pictures | PictureShelf,
    grid: PixelGrid,
    *,
    gains: Sequence[PhotoLevel] | None = None,
    plan: MosaicPlan | None = None,
    interpolation: Interpolation = "cubic",
    threads: int = 2,
    window_px: int = WINDOW_PX,
    progress: Callable[[float], None] | None = None,
) -> Iterator[tuple[Window, Bytes, Bytes, NDArray[np.int16]]]:
    """Fill a whole mosaic window by window, row by row, with a bounded number in memory.

    Parameters
    ----------
    views : sequence of SurfaceView
        Wall to pixel of every photo (all of one surface).
    pictures : sequence of ndarray of uint8 (rows, columns, 3), callable, or PictureShelf
        The photos, or a function that decodes photo number ``i``.
    grid : PixelGrid
    gains : sequence of PhotoLevel, optional
        Levels of the photos; by default they are solved from the overlaps.
    plan : MosaicPlan, optional
        A plan made before with :func:`plan_mosaic`.
    interpolation : {"linear", "cubic"}
    threads : int
    window_px : int
        Side of a window.
    progress : callable, optional
        Called with the fraction done.

    Yields
    ------
    window : Window
    rgb : ndarray of uint8, shape (height, width, 3)
    mask : ndarray of uint8, shape (height, width)
        255 where a photo shows the wall.
    source_index : ndarray of int16, shape (height, width)
        Photo that a pixel is taken from, -1 in gaps.
    """
    shelf = pictures if isinstance(pictures, PictureShelf) else PictureShelf(pictures)
    if plan is None:
        plan = plan_mosaic(views, shelf, grid, levels=gains)
    windows = list(grid.windows(window_px))
    chosen = plan

    def fill(window: Window) -> tuple[Bytes, Bytes, NDArray[np.int16]]:
        return mosaic_window(chosen, views, shelf, window, interpolation=interpolation)

    for window, (rgb, mask, source) in in_order(fill, windows, threads=threads, progress=progress):
        yield window, rgb, mask, source
