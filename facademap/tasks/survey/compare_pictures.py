"""Pictures of one wall compared with one another: photos, scans and bought orthoimages, each with each."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FacademapError
from facademap.io.rasters import Elevation, open_elevation
from facademap.photo.picture_shift import PictureShift, measure_shift
from facademap.report.proof_words import MOST_APART_PX
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tables.names import file_name
from facademap.wall.grid import Extent, PixelGrid

__all__ = ["common_grid", "compare_with_earlier", "laid_on", "moved_warnings"]

#: Pictures are compared at no more pixels than this.
_COMPARE_PX = 3_000_000
#: What the picture is called that a new one of the same name replaces.
EARLIER = "the earlier elevation"
#: Of the pictures that a wall has had the newest so many are compared.
_MOST_PICTURES = 6


def compare_with_earlier(
    project: Project, surface: str, target: Path, *, before: Path | None = None
) -> dict[str, Any]:
    """Disagreement of a new picture with those that the surface has or had, where both show the wall.

    Parameters
    ----------
    project : Project
    surface : str
    target : Path
        The new picture.
    before : Path, optional
        Where the picture waits that the new one replaced under the same name.

    Returns
    -------
    dict
        ``disagreements`` with every other picture, the one in use first, and ``disagreement`` with that one, else the
        largest.
    """
    stored = project.row("surfaces", surface)["picture"]
    earlier = None if is_missing(stored) else project.place(str(stored))
    others = [(path, path.name) for path in _others(project, surface, target, earlier)]
    if before is not None:
        others.insert(0, (before, target.name if earlier != target else EARLIER))
    found = [said for path, name in others if (said := _compare(path, target, name))]
    in_use = EARLIER if earlier == target else None if earlier is None else earlier.name
    first = next((s for s in found if s["with"] == in_use), None)
    largest = max(found, key=lambda s: math.hypot(s["du_m"], s["dv_m"]), default=None)
    return {"disagreement": first or largest, "disagreements": found}


def moved_warnings(report: Mapping[str, Any]) -> list[str]:
    """That places moved against the elevation that was there, so that what was drawn on it lies off.

    Parameters
    ----------
    report : mapping
        Of the new elevation, with ``gsd_m`` and what `compare_with_earlier` found.
    """
    said = report["disagreement"]
    if said is None:
        return []
    apart = math.hypot(said["du_m"], said["dv_m"]) + said["spread_m"]
    if apart <= MOST_APART_PX * report["gsd_m"]:
        return []
    return [
        f"places moved by up to {apart * 1000:.0f} mm {said['text'].partition(':')[0]}: what was drawn on it lies off by as much"
    ]


def _others(project: Project, surface: str, target: Path, earlier: Path | None) -> list[Path]:
    """Pictures of the surface that lie in the project, the one in use first, then the newest."""
    folder = project.place("elevations")
    own = re.compile(
        rf"(?:{re.escape(surface)}|{re.escape(file_name(surface))})(?:-[0-9a-f]{{8}})?\.tif"
    )
    kept = [p for p in folder.glob("*.tif") if own.fullmatch(p.name)] if folder.is_dir() else []
    kept.sort(key=lambda p: (p != earlier, -p.stat().st_mtime_ns))
    return [p for p in kept if p != target][:_MOST_PICTURES]


def _compare(earlier: Path, target: Path, name: str) -> dict[str, Any] | None:
    """How far two pictures lie apart; None where nothing tells it."""
    try:
        old_picture = open_elevation(earlier)
    except FacademapError:  # a file of somebody else's
        return None
    with old_picture as old, open_elevation(target) as new:
        grid = common_grid(old, new, most_px=_COMPARE_PX)
        if grid is None:
            return None
        laid = [laid_on(picture, grid, grey=True) for picture in (old, new)]
    first, second = (values for values, _ in laid)
    seen = laid[0][1] & laid[1][1]
    shift = measure_shift(first, second, seen, gsd_m=grid.gsd_m)
    return None if shift is None else _in_words(shift, name)


def common_grid(
    one: Elevation, other: Elevation, *, most_px: int, finest_m: float = 0.0
) -> PixelGrid | None:
    """A grid over the part of the wall that both pictures show, as fine as the coarser of them; None without such a part.

    Parameters
    ----------
    one, other : Elevation
    most_px : int
        A larger part gets a coarser grid.
    finest_m : float
        Finer pixels are not asked for.
    """
    a, b = one.grid.extent, other.grid.extent
    box = (max(a.u0_m, b.u0_m), max(a.v0_m, b.v0_m), min(a.u1_m, b.u1_m), min(a.v1_m, b.v1_m))
    if box[0] >= box[2] or box[1] >= box[3]:
        return None
    common = Extent(u0_m=box[0], v0_m=box[1], u1_m=box[2], v1_m=box[3])
    least = math.sqrt(common.width_m * common.height_m / most_px)
    return PixelGrid.over(common, gsd_m=max(one.grid.gsd_m, other.grid.gsd_m, least, finest_m))


def laid_on(
    picture: Elevation, grid: PixelGrid, *, grey: bool = False
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """A picture on another grid, and where it shows the wall.

    Parameters
    ----------
    picture : Elevation
    grid : PixelGrid
        From `common_grid`.
    grey : bool
        Light and dark alone.
    """
    own, rgb, mask = picture.read(grid.extent, gsd_m=grid.gsd_m)
    scale = grid.gsd_m / own.gsd_m
    shift_x = (grid.left_m - own.left_m) / own.gsd_m + (scale - 1) / 2
    shift_y = (own.top_m - grid.top_m) / own.gsd_m + (scale - 1) / 2
    matrix = np.array([[scale, 0.0, shift_x], [0.0, scale, shift_y]])
    size = (grid.width_px, grid.height_px)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    own_pixels = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY) if grey else rgb
    laid = cv2.warpAffine(own_pixels, matrix, size, flags=flags)
    seen = cv2.warpAffine(mask, matrix, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return np.asarray(laid, np.uint8), np.asarray(seen > 127)


def _in_words(shift: PictureShift, earlier: str) -> dict[str, Any]:
    return {
        "with": earlier,
        "du_m": shift.du_m,
        "dv_m": shift.dv_m,
        "spread_m": shift.spread_m,
        "places": shift.n,
        "text": f"against {earlier}: {shift.du_m * 1000:+.1f} mm along, {shift.dv_m * 1000:+.1f} mm up, "
        f"95 % within {shift.spread_m * 1000:.1f} mm of that ({shift.n} places)",
    }
