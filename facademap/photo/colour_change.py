"""Whether the colour of a place on the wall changed between two pictures, told against the sound stone round it.

The light of two days is never the same. Sound stone beside a place tells how the light differs there, channel by channel;
how far pieces of sound stone themselves come apart when they are treated in the same way is the plus or minus. Where that
is large, or the shadows at the rim of a hollow lie otherwise, nothing is told.

References
----------
.. [1] G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000 color-difference formula", Color Res. Appl. 30 (2005) 21-30.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.photo.lab import difference_ciede2000, lab_from_linear_rgb, linear_rgb_from_srgb
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid

__all__ = ["ColourChange", "ColourRules", "PatchOfWall", "TwoPictures", "colours_of_patches"]

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]
#: Values of 8 bit outside of these tell no colour: drowned or burnt out.
_DARKEST, _BRIGHTEST = 8, 250


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourRules:
    """Settings; starting values of ours (common practice where they are of sight).

    Parameters
    ----------
    gap_m, ring_m : float
        Sound stone counts from this far to that far outside an outline.
    sides_m : tuple of float
        Sides of the pieces of sound stone that stand for places of about that size.
    least_ring_m2 : float
        Less sound stone round a place tells no light.
    fewest_pieces, most_pieces : int
        Pieces of sound stone from which the plus or minus is read.
    worst_apart : float
        CIEDE2000 that 95 of 100 pieces of sound stone may come apart; beyond it the light cannot be compared.
    tint_apart : float
        Share by which the light may be redder or bluer.
    least_seen : float
        CIEDE2000 that an eye tells apart side by side (common practice).
    deep_m : float
        A place this deep throws shadows at its rim.
    least_alike : float
        Correlation of light and dark at the rim of such a place; below it the light came from another side.
    """

    gap_m: float = 0.008
    ring_m: float = 0.15
    sides_m: tuple[float, ...] = (0.03, 0.06, 0.12, 0.25)
    least_ring_m2: float = 0.002
    fewest_pieces: int = 12
    most_pieces: int = 160
    worst_apart: float = 4.0
    tint_apart: float = 0.25
    least_seen: float = 1.0
    deep_m: float = 0.005
    least_alike: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourChange:
    """Change of colour within one outline, or why none is known.

    Parameters
    ----------
    lightness, redness, yellowness : float
        CIELAB, new less old, the old one in the light of the new; NaN where nothing is known.
    difference, plus_minus_95 : float
        CIEDE2000; NaN where nothing is known.
    changed : bool
        Surely by more than an eye tells apart.
    why : str
        Why nothing is known; empty where something is.
    """

    lightness: float = math.nan
    redness: float = math.nan
    yellowness: float = math.nan
    difference: float = math.nan
    plus_minus_95: float = math.nan
    changed: bool = False
    why: str = ""

    @property
    def words(self) -> str:
        """What it came to, in a few words."""
        if self.why:
            return f"not known: {self.why}"
        told = f"{self.difference:.1f} ± {self.plus_minus_95:.1f}"
        return f"{told}, {self._direction}" if self.changed else f"{told}, no change told"

    @property
    def _direction(self) -> str:
        ways = (
            ("lighter", "darker", self.lightness),
            ("redder", "greener", self.redness),
            ("yellower", "bluer", self.yellowness),
        )
        strongest = max(abs(v) for _, _, v in ways)
        return ", ".join(
            up if v > 0 else down for up, down, v in ways if abs(v) >= max(0.5 * strongest, 0.5)
        )


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TwoPictures:
    """Two pictures of a wall on one grid.

    Parameters
    ----------
    grid : PixelGrid
    old, new : ndarray of uint8, shape (rows, columns, 3)
    sound : ndarray of bool, shape (rows, columns)
        Face of sound stone that both show: no joint, opening, or condition of either survey.
    seen : ndarray of bool, shape (rows, columns)
        Where both show the wall.
    """

    grid: PixelGrid
    old: NDArray[np.uint8]
    new: NDArray[np.uint8]
    sound: Mask
    seen: Mask


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PatchOfWall:
    """A place on the grid of two pictures.

    Parameters
    ----------
    cells : ndarray of bool, shape (rows, columns)
        Of a part of the grid.
    top, left : int
        Where that part begins.
    depth_m : float
        How deep the place is, as far as that is known.
    """

    cells: Mask
    top: int
    left: int
    depth_m: float = 0.0


def colours_of_patches(
    pictures: TwoPictures,
    patches: Iterable[PatchOfWall],
    *,
    rules: ColourRules | None = None,
) -> list[ColourChange]:
    """Change of colour of the cells of every mask.

    Parameters
    ----------
    pictures : TwoPictures
    patches : iterable of PatchOfWall
    rules : ColourRules, optional
    """
    rules, apart = rules or ColourRules(), dict[float, float]()
    found = []
    for patch in patches:
        area_m2 = float(patch.cells.sum()) * pictures.grid.gsd_m**2
        side = max((s for s in rules.sides_m if s**2 <= 1.5 * area_m2), default=None)
        if side is not None and side not in apart:
            apart[side] = _apart(pictures, side, rules)
        if not patch.cells.any():
            found.append(ColourChange(why="the pictures do not show it"))
        elif side is None:
            found.append(ColourChange(why="too small for its colour to be told"))
        else:
            found.append(_of_patch(pictures, patch, apart[side], rules))
    return found


def _of_patch(
    pictures: TwoPictures, patch: PatchOfWall, apart: float, rules: ColourRules
) -> ColourChange:
    rows, columns = patch.cells.shape
    here = np.s_[patch.top : patch.top + rows, patch.left : patch.left + columns]
    inside = patch.cells & pictures.seen[here]
    if inside.sum() < 0.5 * patch.cells.sum():
        return ColourChange(why="one of the pictures shows less than half of it")
    lab = _compared(pictures, inside, (patch.top, patch.left), rules)
    if isinstance(lab, str):
        return ColourChange(why=lab)
    if math.isnan(apart):
        return ColourChange(why="too little sound stone in both pictures to judge the light")
    if apart > rules.worst_apart:
        return ColourChange(
            why=f"the light is not comparable, sound stone itself comes apart by {apart:.1f} (CIEDE2000)"
        )
    if patch.depth_m >= rules.deep_m and _alike_at_rim(pictures, patch) < rules.least_alike:
        return ColourChange(
            why="shadows at its rim lie otherwise, the light came from another side"
        )
    was, now = lab
    difference = float(difference_ciede2000(was, now))
    lightness, redness, yellowness = (float(v) for v in now - was)
    return ColourChange(
        lightness=lightness,
        redness=redness,
        yellowness=yellowness,
        difference=difference,
        plus_minus_95=apart,
        changed=difference - apart > rules.least_seen,
    )


def _apart(pictures: TwoPictures, side_m: float, rules: ColourRules) -> float:
    """How far 95 of 100 pieces of sound stone of this size come apart, CIEDE2000; NaN where there are too few."""
    side = max(3, round(side_m / pictures.grid.gsd_m))
    rows, columns = pictures.sound.shape
    usable = pictures.sound & _exposed(pictures.old) & _exposed(pictures.new)
    whole = cv2.integral(usable.astype(np.uint8)).astype(np.int64)
    tops, lefts = (
        a.ravel() for a in np.mgrid[0 : rows - side + 1 : side, 0 : columns - side + 1 : side]
    )
    held = (
        whole[tops + side, lefts + side]
        - whole[tops, lefts + side]
        - whole[tops + side, lefts]
        + whole[tops, lefts]
    )
    places = np.flatnonzero(held >= 0.8 * side**2)
    if len(places) > rules.most_pieces:
        pick = np.linspace(0, len(places) - 1, rules.most_pieces).round().astype(int)
        places = places[pick]
    found = []
    for top, left in zip(tops[places].tolist(), lefts[places].tolist(), strict=True):
        piece = usable[top : top + side, left : left + side]
        lab = _compared(pictures, piece, (top, left), rules)
        if not isinstance(lab, str):
            found.append(float(difference_ciede2000(*lab)))
    return float(np.quantile(found, 0.95)) if len(found) >= rules.fewest_pieces else math.nan


def _exposed(rgb: NDArray[np.uint8]) -> Mask:
    return np.asarray((rgb.min(axis=-1) >= _DARKEST) & (rgb.max(axis=-1) <= _BRIGHTEST))


def _near(
    pictures: TwoPictures, cells: Mask, at: tuple[int, int], reach: int
) -> tuple[tuple[slice, slice], Mask]:
    """The part of the wall so many cells round a place, and the place in it."""
    (top, left), (rows, columns) = at, cells.shape
    up, aside = min(reach, top), min(reach, left)
    part = slice(top - up, top + rows + reach), slice(left - aside, left + columns + reach)
    place = np.zeros(pictures.seen[part].shape, bool)
    place[up : up + rows, aside : aside + columns] = cells
    return part, place


def _compared(
    pictures: TwoPictures, cells: Mask, at: tuple[int, int], rules: ColourRules
) -> tuple[Floats, Floats] | str:
    """CIELAB of a place in both pictures, the old one in the light of the new; or why that is not known."""
    cell = pictures.grid.gsd_m
    near, place = _near(pictures, cells, at, math.ceil(rules.ring_m / cell))
    old, new = pictures.old[near], pictures.new[near]
    fit = _exposed(old) & _exposed(new)
    away = cv2.distanceTransform((~place).astype(np.uint8), cv2.DIST_L2, 5) * cell
    ring = pictures.sound[near] & fit & (away > rules.gap_m) & (away <= rules.ring_m)
    if ring.sum() * cell**2 < rules.least_ring_m2:
        return "too little sound stone round it"
    inner = place & fit
    if inner.sum() < 0.7 * place.sum():
        return "too dark or too bright in one of the pictures"
    light = _middle(new, ring) / _middle(old, ring)
    tint = np.abs(np.log(light / light[1]))
    if float(tint.max()) > math.log1p(rules.tint_apart):
        return "the light has another colour"
    was, now = _middle(old, inner) * light, _middle(new, inner)
    return lab_from_linear_rgb(was), lab_from_linear_rgb(now)


def _middle(rgb: NDArray[np.uint8], where: Mask) -> Floats:
    """Median light of each channel, proportional to light."""
    return np.asarray(np.median(linear_rgb_from_srgb(rgb[where]), axis=0), dtype=float)


def _alike_at_rim(pictures: TwoPictures, patch: PatchOfWall) -> float:
    """How light and dark along the rim of a place agree in both pictures, as a correlation."""
    cell = pictures.grid.gsd_m
    near, inside = _near(
        pictures, patch.cells, (patch.top, patch.left), max(3, math.ceil(0.03 / cell))
    )
    place = inside.astype(np.uint8)
    width = max(2, math.ceil(0.012 / cell))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * width + 1, 2 * width + 1))
    rim = (cv2.dilate(place, kernel) > 0) & (cv2.erode(place, kernel) == 0) & pictures.seen[near]
    if rim.sum() < 12:
        return 0.0
    grey = [
        cv2.cvtColor(np.ascontiguousarray(p[near]), cv2.COLOR_RGB2GRAY).astype(np.float32)
        for p in (pictures.old, pictures.new)
    ]
    calm = [cv2.GaussianBlur(g, (0, 0), max(0.8, width / 2))[rim] for g in grey]
    if min(float(np.std(c)) for c in calm) < 1e-6:
        return 0.0
    return float(np.corrcoef(*calm)[0, 1])
