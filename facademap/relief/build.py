"""The relief of a wall from photos of known place: a coarse look for where the wall lies, then tile by tile.

The coarse look, on cells four times as wide, tells how deep each tile has to be searched, so that a wall with one deep
recess is not searched that deep everywhere; memory is that of a tile for each core.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.relief.stations import Station, TiePicks, spread_of_sight
from facademap.relief.surface import SurfaceRules, surface_of_costs
from facademap.relief.sweep import (
    SweepRules,
    View,
    aggregated,
    agreement_on_surface,
    narrow_recesses,
    scores_of_layers,
    seen_on_surface,
)
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid

__all__ = [
    "GreyPhoto",
    "Relief",
    "ReliefRules",
    "TileJob",
    "coarse_relief",
    "find_ties",
    "relief_strips",
]

Floats = NDArray[np.floating[Any]]
Floats32 = NDArray[np.float32]
Place = tuple[int, int, int, int]
Tile = tuple[Floats32, Floats32, int]
TileRunner = Callable[["TileJob", Sequence[Place]], Iterable[Tile]]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class GreyPhoto:
    """A photo for matching: its place and its grey values.

    Parameters
    ----------
    station : Station
    grey : ndarray of uint8, shape (h, w)
    """

    station: Station
    grey: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefRules:
    """Settings of a relief.

    Parameters
    ----------
    nearest_m, farthest_m : float
        Where the wall is looked for at first, metres out of the wall's plane.
    layer_share : float
        Distance of two layers, as the share of a cell by which the picture moves between the most different views.
    coarse : int
        Cells of the first look, in cells.
    tile : int
        Side of a tile, cells.
    margin : int
        Cells beyond a tile that are worked out along, so that paths begin outside it.
    most_layers : int
        In one tile.
    least_spread : float
        Base over distance below which the photos stand too close together.
    sweep : SweepRules
    surface : SurfaceRules
    """

    nearest_m: float = 0.15
    farthest_m: float = -0.25
    layer_share: float = 0.35
    coarse: int = 4
    tile: int = 320
    margin: int = 12
    most_layers: int = 160
    least_spread: float = 0.08
    sweep: SweepRules = field(default_factory=SweepRules)
    surface: SurfaceRules = field(default_factory=SurfaceRules)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Relief:
    """How far a surface stands out of its plane.

    Parameters
    ----------
    grid : PixelGrid
    out_m, sigma_m : ndarray of float32, shape (rows, columns)
        NaN where unknown.
    """

    grid: PixelGrid
    out_m: Floats32
    sigma_m: Floats32


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TileJob:
    """What every tile of a relief rests on.

    Parameters
    ----------
    photos : tuple of GreyPhoto
    grid : PixelGrid
    coarse : Relief
    rules : ReliefRules
    """

    photos: tuple[GreyPhoto, ...]
    grid: PixelGrid
    coarse: Relief
    rules: ReliefRules

    def tile(self, place: Place) -> Tile:
        """Relief and standard deviation of a tile, and how much was compared.

        Parameters
        ----------
        place : (row, column, height, width)
        """
        return _tile(self.photos, self.grid, place, self.coarse, self.rules)


def coarse_relief(photos: Sequence[GreyPhoto], grid: PixelGrid, rules: ReliefRules) -> Relief:
    """First look: cells ``rules.coarse`` times as wide, over the whole depth that is searched.

    Raises
    ------
    InputError
        Fewer than two photos see the extent, or from nearly the same place.
    """
    wide = _widened(grid, rules.coarse)
    out_m, sigma_m = (
        np.full((wide.height_px, wide.width_px), np.nan, dtype=np.float32) for _ in range(2)
    )
    refused: InputError | None = None
    known = False
    for row in range(0, wide.height_px, rules.tile):
        for column in range(0, wide.width_px, rules.tile):
            height = min(rules.tile, wide.height_px - row)
            width = min(rules.tile, wide.width_px - column)
            try:
                tile = _coarse_tile(photos, _part(wide, row, column, height, width, rules), rules)
            except InputError as fault:
                refused = refused or fault
                continue
            known = True
            here = np.s_[row : row + height, column : column + width]
            out_m[here], sigma_m[here] = (_inner(t, height, width, rules) for t in tile)
    if refused is not None and not known:
        raise refused
    return Relief(grid=wide, out_m=out_m, sigma_m=sigma_m)


def _coarse_tile(
    photos: Sequence[GreyPhoto], part: PixelGrid, rules: ReliefRules
) -> tuple[Floats32, Floats32]:
    views = _views_of(photos, part, rules, gather=2 * rules.sweep.most_views)
    if len(views) < 2:
        raise InputError(
            f"{len(views)} of {len(photos)} photos sees the middle of the extent",
            "Relief needs at least two photos of each place, taken from different places.",
        )
    step = _layer_step(views, part, rules)
    layers = np.arange(rules.farthest_m, rules.nearest_m + step, step)
    # the first look may blur edges, and must not be led astray
    steady = replace(rules.sweep, window=max(5, rules.sweep.window), line_window=0)
    surface = replace(rules.surface, leap_m=4 * step, most_speckle_cells=12)
    return _found(views, part, layers, steady, surface)


def _part(
    grid: PixelGrid, row: int, column: int, height: int, width: int, rules: ReliefRules
) -> PixelGrid:
    """A tile of a grid with the margin round it."""
    m = rules.margin
    return PixelGrid(
        left_m=grid.left_m + (column - m) * grid.gsd_m,
        top_m=grid.top_m - (row - m) * grid.gsd_m,
        gsd_m=grid.gsd_m,
        width_px=width + 2 * m,
        height_px=height + 2 * m,
    )


def _inner(tile: Floats32, height: int, width: int, rules: ReliefRules) -> Floats32:
    m = rules.margin
    return tile[m : m + height, m : m + width]


def relief_strips(
    photos: Sequence[GreyPhoto],
    grid: PixelGrid,
    coarse: Relief,
    rules: ReliefRules,
    *,
    workers: int = 2,
    elsewhere: TileRunner | None = None,
    progress: Callable[[float], None] | None = None,
) -> Iterator[tuple[int, Floats32, Floats32, int]]:
    """Strips of the relief from the top.

    Parameters
    ----------
    photos : sequence of GreyPhoto
    grid : PixelGrid
    coarse : Relief
        From `coarse_relief`.
    rules : ReliefRules
    workers : int
        Tiles at a time.
    elsewhere : callable, optional
        Makes the tiles instead of threads here: from what all tiles need and their places, in their order.
    progress : callable, optional
        Called with the share that is done.

    Yields
    ------
    row : int
    out_m, sigma_m : ndarray of float32, shape (rows of the strip, columns)
    layers : int
        Cells times views times layers that were compared in the strip.
    """
    shared = TileJob(photos=tuple(photos), grid=grid, coarse=coarse, rules=rules)
    columns = range(0, grid.width_px, rules.tile)
    strips = [
        [
            (
                row,
                column,
                min(rules.tile, grid.height_px - row),
                min(rules.tile, grid.width_px - column),
            )
            for column in columns
        ]
        for row in range(0, grid.height_px, rules.tile)
    ]
    with contextlib.ExitStack() as stack:
        if elsewhere is not None:
            found = iter(elsewhere(shared, [place for strip in strips for place in strip]))
        else:
            pool = stack.enter_context(ThreadPoolExecutor(workers))
            # one strip at a time, so that no more than that waits in memory
            found = (tile for strip in strips for tile in pool.map(shared.tile, strip))
        for strip in strips:
            tiles = [next(found) for _ in strip]
            row, _, height, _ = strip[0]
            yield (
                row,
                np.concatenate([t[0] for t in tiles], axis=1),
                np.concatenate([t[1] for t in tiles], axis=1),
                sum(t[2] for t in tiles),
            )
            if progress is not None:
                progress(min(1.0, (row + height) / grid.height_px))


def find_ties(
    photos: Sequence[GreyPhoto],
    coarse: Relief,
    *,
    targets_m: Floats | None = None,
    most: int = 120,
    least_score: float = 0.75,
) -> TiePicks | None:
    """The same pieces of stone in several photos, found by correlation of patches laid on the coarse relief.

    Parameters
    ----------
    photos : sequence of GreyPhoto
    coarse : Relief
    targets_m : ndarray, shape (n, 3), optional
        Surveyed places of targets: the stone at each is looked for too, and lies as deep as surveyed. A click misses
        by half a pixel; the photos tell by a tenth of one how deep the stone at it lies.
    most : int
        Places.
    least_score : float
        Correlation of a patch with that of the photo that sees the place most squarely.

    Returns
    -------
    TiePicks or None
        None where fewer than ten places were found.
    """
    photo_of: list[int] = []
    place_of: list[int] = []
    pixels: list[Floats] = []
    depths: list[float] = []
    aims = [(place, math.nan) for place in _spread_places(coarse, most)]
    if targets_m is not None:
        aims += [((u, v, w), float(w)) for u, v, w in targets_m]
    for place, depth in aims:
        found = _one_tie(photos, np.array(place), least_score)
        if len(found) < 2:
            continue
        for photo, pixel in found:
            photo_of.append(photo)
            place_of.append(len(depths))
            pixels.append(pixel)
        depths.append(depth)
    if np.isnan(depths).sum() < 10:
        return None
    return TiePicks(
        photo=np.array(photo_of),
        place=np.array(place_of),
        pixel_px=np.array(pixels),
        out_m=np.array(depths),
        radius_m=photos[0].station.radius_m,
    )


def _spread_places(coarse: Relief, most: int) -> list[tuple[float, float, float]]:
    """One of the surest cells in each part of the wall."""
    rows, columns = coarse.out_m.shape
    side = max(1, int(math.sqrt(rows * columns / most)))
    places: list[tuple[float, float, float]] = []
    for i in range(0, rows, side):
        for j in range(0, columns, side):
            part = np.nan_to_num(coarse.sigma_m[i : i + side, j : j + side], nan=np.inf)
            y, x = np.unravel_index(int(part.argmin()), part.shape)
            if math.isfinite(part[y, x]):
                u = coarse.grid.left_m + (j + x + 0.5) * coarse.grid.gsd_m
                v = coarse.grid.top_m - (i + y + 0.5) * coarse.grid.gsd_m
                places.append((float(u), float(v), float(coarse.out_m[i + y, j + x])))
    return places


_PATCH, _SEARCH = 31, 5


def _one_tie(
    photos: Sequence[GreyPhoto], place: Floats, least_score: float
) -> list[tuple[int, Floats]]:
    toward = [p.station.sight_m(place) for p in photos]
    square = [float(t[2] / np.linalg.norm(t)) for t in toward]
    order = np.argsort(square)[::-1]
    cell = min(
        float(np.linalg.norm(t)) / p.station.camera.fx_px
        for p, t in zip(photos, toward, strict=True)
    )
    wide = _PATCH + 2 * _SEARCH
    reference: Floats32 | None = None
    found: list[tuple[int, Floats]] = []
    for k in order:
        side = wide if reference is not None else _PATCH
        half = side / 2 * cell
        grid = PixelGrid(
            left_m=float(place[0] - half),
            top_m=float(place[1] + half),
            gsd_m=cell,
            width_px=side,
            height_px=side,
        )
        seen = View(station=photos[k].station, grey=photos[k].grey, shrink=1.0).seen(
            grid, float(place[2])
        )
        if not np.isfinite(seen).all():
            continue
        if reference is None:
            if seen.std() < 3.0:
                return []
            reference = seen
            found.append((int(k), photos[k].station.pixel_from_wall(place)))
            continue
        match = np.asarray(cv2.matchTemplate(seen, reference, cv2.TM_CCOEFF_NORMED), dtype=float)
        _, score, _, (x, y) = cv2.minMaxLoc(match)
        if score < least_score or not (0 < x < 2 * _SEARCH and 0 < y < 2 * _SEARCH):
            continue
        du = x - _SEARCH + _vertex(match[y, x - 1 : x + 2])
        dv = y - _SEARCH + _vertex(match[y - 1 : y + 2, x])
        moved = place + np.array([du * cell, -dv * cell, 0.0])
        found.append((int(k), photos[k].station.pixel_from_wall(moved)))
    return found


def _vertex(three: Floats) -> float:
    low, mid, high = (float(v) for v in np.ravel(three))
    bend = low - 2 * mid + high
    return 0.0 if bend >= 0 else float(np.clip((low - high) / (2 * bend), -0.5, 0.5))


def _widened(grid: PixelGrid, factor: int) -> PixelGrid:
    return PixelGrid(
        left_m=grid.left_m,
        top_m=grid.top_m,
        gsd_m=grid.gsd_m * factor,
        width_px=max(1, math.ceil(grid.width_px / factor)),
        height_px=max(1, math.ceil(grid.height_px / factor)),
    )


def _middle(grid: PixelGrid, w_m: float = 0.0) -> Floats:
    return np.array(
        [
            grid.left_m + grid.width_px * grid.gsd_m / 2,
            grid.top_m - grid.height_px * grid.gsd_m / 2,
            w_m,
        ]
    )


def _views_of(
    photos: Sequence[GreyPhoto],
    grid: PixelGrid,
    rules: ReliefRules,
    *,
    gather: int,
    w_m: float = 0.0,
) -> list[View]:
    """Photos that see a good part of a grid, as different as can be, reduced to suit its cells."""
    fu, fv = np.meshgrid(np.linspace(0.05, 0.95, 5), np.linspace(0.05, 0.95, 5))
    width, height = grid.width_px * grid.gsd_m, grid.height_px * grid.gsd_m
    places = np.stack(
        [grid.left_m + fu * width, grid.top_m - fv * height, np.full_like(fu, w_m)], axis=-1
    )
    middle = _middle(grid, w_m)
    able = []
    for photo in photos:
        pixel = photo.station.pixel_from_wall(places)
        camera = photo.station.camera
        with np.errstate(invalid="ignore"):
            inside = (pixel[..., 0] > 1) & (pixel[..., 0] < camera.width_px - 2)
            inside &= (pixel[..., 1] > 1) & (pixel[..., 1] < camera.height_px - 2)
        toward = photo.station.sight_m(middle)
        slope = toward[:2] / max(toward[2], 1e-6)
        if inside.mean() >= 0.2 and float(np.linalg.norm(slope)) < 1.7:
            able.append((photo, slope))
    chosen = _most_different(able, gather)
    return [_reduced(photo, grid, middle) for photo in chosen]


def _most_different(able: list[tuple[GreyPhoto, Floats]], most: int) -> list[GreyPhoto]:
    if len(able) <= most:
        return [photo for photo, _ in able]
    left = sorted(able, key=lambda one: float(np.linalg.norm(one[1])))
    taken = [left.pop(0)]
    while len(taken) < most:
        # the farthest from those taken, but a grazing look is worth less than a square one
        gain = [
            min(float(np.linalg.norm(s - t)) for _, t in taken)
            / (1.0 + float(np.linalg.norm(s)) ** 2)
            for _, s in left
        ]
        taken.append(left.pop(int(np.argmax(gain))))
    return [photo for photo, _ in taken]


def _reduced(photo: GreyPhoto, grid: PixelGrid, middle: Floats) -> View:
    distance = float(np.linalg.norm(photo.station.sight_m(middle)))
    shrink = 0.6 * grid.gsd_m * photo.station.camera.fx_px / distance
    if shrink < 1.5:
        return View(station=photo.station, grey=photo.grey, shrink=1.0)
    height, width = photo.grey.shape
    size = max(2, round(width / shrink)), max(2, round(height / shrink))
    grey = cv2.resize(photo.grey, size, interpolation=cv2.INTER_AREA)
    return View(station=photo.station, grey=np.asarray(grey, np.uint8), shrink=width / size[0])


def _layer_step(views: Sequence[View], grid: PixelGrid, rules: ReliefRules) -> float:
    spread = spread_of_sight([v.station for v in views], _middle(grid))
    if spread < rules.least_spread:
        raise InputError(
            f"the photos stand too close together: base over distance {spread:.2f}",
            f"Take photos from places at least {rules.least_spread:.2f} of the distance apart; 0.3 to 0.6 is good.",
        )
    return rules.layer_share * grid.gsd_m / spread


def _tile(
    photos: Sequence[GreyPhoto],
    grid: PixelGrid,
    place: Place,
    coarse: Relief,
    rules: ReliefRules,
) -> Tile:
    row, column, height, width = place
    nothing = np.full((height, width), np.nan, dtype=np.float32)
    m = rules.margin
    part = _part(grid, row, column, height, width, rules)
    near = _coarse_part(coarse, row - m, column - m, part, rules.coarse)
    known = near[np.isfinite(near)]
    if known.size < 4:
        return nothing, nothing.copy(), 0
    views = _views_of(
        photos, part, rules, gather=rules.sweep.most_views, w_m=float(np.median(known))
    )
    if len(views) < 2 or (
        spread_of_sight([v.station for v in views], _middle(part)) < rules.least_spread
    ):
        return nothing, nothing.copy(), 0
    step = _layer_step(views, part, rules)
    reach = 3.0 * step * rules.coarse / 2
    low, high = np.percentile(known, (0.3, 99.7))
    count = min(rules.most_layers, math.ceil((high - low + 2 * reach) / step) + 1)
    middle = (low + high) / 2
    layers = middle + (np.arange(count) - (count - 1) / 2) * step
    out_m, sigma_m = _found(views, part, layers, rules.sweep, rules.surface)
    out_m, sigma_m = (_inner(t, height, width, rules) for t in (out_m, sigma_m))
    return out_m, sigma_m, height * width * len(views) * count


def _found(
    views: Sequence[View],
    grid: PixelGrid,
    layers_m: Floats,
    sweep: SweepRules,
    surface: SurfaceRules,
) -> tuple[Floats32, Floats32]:
    """The surface on a grid and its standard deviation; NaN where the photos do not agree on it."""
    score = scores_of_layers(views, grid, layers_m, sweep)
    out_m, sigma_m = surface_of_costs(
        aggregated(score, sweep), score, layers_m, grid.gsd_m, surface
    )
    seen = seen_on_surface(views, grid, out_m)
    doubtful = agreement_on_surface(seen, sweep) < surface.least_agreement
    if sweep.line_window:
        doubtful |= narrow_recesses(seen, sweep)
    out_m[doubtful] = np.nan
    sigma_m[doubtful] = np.nan
    return out_m, sigma_m


def _coarse_part(coarse: Relief, row: int, column: int, part: PixelGrid, factor: int) -> Floats32:
    top, left = max(0, row // factor - 1), max(0, column // factor - 1)
    return coarse.out_m[
        top : (row + part.height_px) // factor + 2, left : (column + part.width_px) // factor + 2
    ]
