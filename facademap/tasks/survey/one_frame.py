"""Two reliefs brought into one frame and on one grid: by their control, else by the stone that has not changed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.rasters import open_elevation
from facademap.io.relief_files import read_relief
from facademap.relief.build import Relief
from facademap.relief.first_place import FirstPlace, first_place_of_pictures
from facademap.relief.registration import Registered, agreement, register_reliefs
from facademap.tasks.survey.same_frame import Control, check_same_frame
from facademap.wall.grid import PixelGrid

__all__ = ["OneFrame", "cut_to_common", "on_one_frame", "read_grey"]

#: Pictures are looked at with no more pixels than this.
_MOST_PX = 4_000_000
#: Share of the cells that must agree where they lie, if no control point tells that the frame is the same (ours).
_LEAST_AGREE = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class OneFrame:
    """Two reliefs on one grid.

    Parameters
    ----------
    old, new : Relief
    registered : Registered or None
        How the older one was laid on the newer, where their frames differ.
    """

    old: Relief
    new: Relief
    registered: Registered | None = None


def on_one_frame(
    old: Path,
    new: Path,
    *,
    control: tuple[Control | None, Control | None],
    names: tuple[str, str],
    remedy: str,
    register: bool | None,
    pictures: tuple[Path, Path] | None = None,
    warnings: list[str],
) -> OneFrame:
    """Bring two reliefs together.

    Parameters
    ----------
    old, new : Path
    control : pair of mapping of str to (u, v, w), optional
        What each was measured by, metres.
    names : (str, str)
        What the reliefs are called.
    remedy : str
        What helps where they cannot be brought together.
    register : bool, optional
        Lay the older one on the newer by stable stone; default: where the control points do not tell one frame.
    pictures : (Path, Path), optional
        Elevations of both surveys, each in its own frame: their features tell where to begin.
    warnings : list of str
        Grows.

    Raises
    ------
    FileError, InputError
        Other frames that cannot be brought together with enough certainty, other cells, nothing in common.
    """
    if register:
        return _registered(old, new, pictures, names, warnings)
    said = len(warnings)
    try:
        check_same_frame(*control, names=names, remedy=remedy, warnings=warnings)
    except InputError as moved:
        if register is False:
            raise
        return _or_else(moved.problem, remedy, old, new, pictures, names, warnings)
    first, second = cut_to_common(old, new, warnings)
    pair = OneFrame(old=first, new=second)
    told = control[0] and control[1]
    if not told or set(control[0] or ()) & set(control[1] or ()) or register is False:
        return pair
    # no point in common: the reliefs themselves must tell that they lie in one frame
    agree = agreement(pair.old, pair.new)
    if agree >= _LEAST_AGREE:
        warnings.append(f"where they lie, {agree:.0%} of the cells of the two surveys agree")
        return pair
    del warnings[said:]
    problem = f"the surveys have no control point in common, and only {agree:.0%} of their cells agree where they lie"
    return _or_else(problem, remedy, old, new, pictures, names, warnings)


def _or_else(
    problem: str,
    remedy: str,
    old: Path,
    new: Path,
    pictures: tuple[Path, Path] | None,
    names: tuple[str, str],
    warnings: list[str],
) -> OneFrame:
    try:
        found = _registered(old, new, pictures, names, warnings)
    except InputError as fault:
        raise InputError(f"{problem}; by stable stone: {fault.problem}", remedy) from None
    warnings.insert(0, problem)
    return found


def _registered(
    old: Path,
    new: Path,
    pictures: tuple[Path, Path] | None,
    names: tuple[str, str],
    warnings: list[str],
) -> OneFrame:
    first, second = (_read(path) for path in (old, new))
    start: FirstPlace | None = None
    if pictures is not None:
        was, now = (read_grey(path) for path in pictures)
        start = first_place_of_pictures(now, was)
    found = register_reliefs(second, first, start=start)
    began = "their relief" if start is None else start.said
    warnings.append(
        f"{names[0]} was laid on {names[1]} by stable stone, found by {began}: {found.words()}; what moved as a whole "
        "between them is not seen"
    )
    return OneFrame(old=found.relief, new=second, registered=found)


def cut_to_common(old: Path, new: Path, warnings: list[str]) -> tuple[Relief, Relief]:
    """Two reliefs of one frame cut to the cells that they have in common; a word in ``warnings`` where their extents differ.

    Raises
    ------
    FileError, InputError
        Cells of another size or place, or no part of the wall in common.
    """
    first, second = (_read(path) for path in (old, new))
    a, b = first.grid, second.grid
    if abs(a.gsd_m - b.gsd_m) > 1e-3 * a.gsd_m:
        raise InputError(
            f"the cells of {old.name} are {a.gsd_m * 1000:g} mm, those of {new.name} {b.gsd_m * 1000:g} mm",
            "Make both with the same --cell-mm.",
        )
    shift_x, shift_y = (b.left_m - a.left_m) / a.gsd_m, (a.top_m - b.top_m) / a.gsd_m
    column, row = round(shift_x), round(shift_y)
    if max(abs(shift_x - column), abs(shift_y - row)) > 0.02:
        raise InputError(
            f"the cells of {new.name} lie {abs(shift_x - column):.2f} and {abs(shift_y - row):.2f} of a cell beside "
            f"those of {old.name}",
            "Make both over the same --extent.",
        )
    left, top = max(0, column), max(0, row)
    right = min(a.width_px, column + b.width_px)
    bottom = min(a.height_px, row + b.height_px)
    if right <= left or bottom <= top:
        raise InputError(
            f"{old.name} and {new.name} have no part of the wall in common",
            "Compare surveys of the same part, in the same wall frame.",
        )
    common, sizes = (right - left, bottom - top), {(g.width_px, g.height_px) for g in (a, b)}
    if sizes != {common}:
        warnings.append("the extents differ: only the part in common is compared")
    grid = PixelGrid(
        left_m=a.left_m + left * a.gsd_m,
        top_m=a.top_m - top * a.gsd_m,
        gsd_m=a.gsd_m,
        width_px=right - left,
        height_px=bottom - top,
    )
    here = np.s_[top:bottom, left:right]
    there = np.s_[top - row : bottom - row, left - column : right - column]
    return (
        Relief(grid=grid, out_m=first.out_m[here], sigma_m=first.sigma_m[here]),
        Relief(grid=grid, out_m=second.out_m[there], sigma_m=second.sigma_m[there]),
    )


def _read(path: Path) -> Relief:
    grid, out_m, sigma_m = read_relief(path)
    return Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)


def read_grey(path: Path) -> tuple[PixelGrid, NDArray[np.uint8]]:
    """An elevation as grey, 0 where it shows nothing, and its grid.

    Parameters
    ----------
    path : Path
    """
    with open_elevation(path) as picture:
        extent = picture.grid.extent
        gsd = max(picture.grid.gsd_m, math.sqrt(extent.width_m * extent.height_m / _MOST_PX))
        grid, rgb, mask = picture.read(extent, gsd_m=gsd)
    grey: Any = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    return grid, np.where(mask > 127, np.maximum(grey, 1), 0).astype(np.uint8)
