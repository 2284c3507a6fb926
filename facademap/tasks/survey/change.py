"""Use case: two reliefs of one wall become their difference, its level of detection, and a table by outline."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.block_columns import no_formula
from facademap.io.relief_files import control_of_relief, open_relief_writer, read_relief
from facademap.io.vectors import read_shapes
from facademap.io.whole_files import check_writable, write_whole
from facademap.relief.build import Relief
from facademap.relief.change import Change, PatchChange, change_in_patch, change_of_reliefs
from facademap.tasks.survey.same_frame import check_same_frame
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

__all__ = ["ChangeMade", "cells_inside", "compare_reliefs", "reliefs_on_one_grid"]

#: Disagreement on stable stone that is worth a word.
_POOR_AGREEMENT_M = 0.001
_COLUMNS = (
    "id",
    "area_m2",
    "mean_change_m",
    "plus_minus_95_m",
    "volume_change_m3",
    "significant",
    "known_share",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeMade:
    """What comparing two reliefs returns.

    Parameters
    ----------
    change : Change
    patches : tuple of (str, PatchChange)
    warnings : tuple of str
    """

    change: Change
    patches: tuple[tuple[str, PatchChange], ...]
    warnings: tuple[str, ...]


def compare_reliefs(
    old: Path,
    new: Path,
    out: Path,
    *,
    polygons: Path | None = None,
    table: Path | None = None,
    align: bool | None = None,
) -> ChangeMade:
    """New relief minus old.

    Parameters
    ----------
    old, new : Path
        GeoTIFFs: band 1 metres out of the wall, band 2 standard deviation.
    out : Path
        GeoTIFF: band 1 the difference, band 2 the level of detection at 95 %.
    polygons : Path, optional
        GeoJSON in metres of the wall; ``id`` of a feature or of its properties names it.
    table : Path, optional
        CSV, one row an outline.
    align : bool, optional
        Take offset and tilt of stable stone off first; default: where the precision of both surveys explains them.

    Raises
    ------
    FacademapError
        Anything that cannot be compared; no file is written then.
    """
    if (polygons is None) != (table is None):
        raise InputError("--polygons and --table belong together", "Give both, or neither of them.")
    for path in (out, table):
        check_writable(path)
    warnings: list[str] = []
    first, second = reliefs_on_one_grid(old, new, warnings)
    check_same_frame(
        control_of_relief(old),
        control_of_relief(new),
        names=(old.name, new.name),
        remedy="Measure the older survey again with the control of now, and compare that.",
        warnings=warnings,
    )
    change = change_of_reliefs(first, second, align=align)
    if change.registration_m > _POOR_AGREEMENT_M:
        warnings.append(
            f"on stable stone the surveys differ by {change.registration_m * 1000:.1f} mm (one standard deviation, "
            "offset counted in), and so little can be told: measure common points anew, or try --align"
        )
    if any(change.removed):
        warnings.append(
            f"an offset of {change.removed[0] * 1000:.2f} mm and a tilt of {change.removed[1] * 1000:.2f} mm/m along "
            f"and {change.removed[2] * 1000:.2f} mm/m up the wall were taken off: a change of the whole wall is not seen"
        )
    patches = tuple(
        (name, change_in_patch(change, cells_inside(shape, change.difference.grid)))
        for name, shape in (_outlines(polygons) if polygons is not None else ())
    )
    for name, patch in patches:
        if patch.known_share == 0:
            warnings.append(f"outline {name} holds no cell that is known in both surveys")
    grid = change.difference.grid
    with open_relief_writer(
        out,
        grid,
        crs_wkt=wall_crs(out.stem, f"{old.stem} {new.stem}"),
        bands=("new minus old, m", "level of detection at 95 %, m"),
    ) as writer:
        writer.write_rows(0, change.difference.out_m, change.detection_m)
    if table is not None:
        write_whole(table, _table(patches))
    return ChangeMade(change=change, patches=patches, warnings=tuple(warnings))


def reliefs_on_one_grid(old: Path, new: Path, warnings: list[str]) -> tuple[Relief, Relief]:
    """Two reliefs cut to the cells that they have in common; a word in ``warnings`` where their extents differ.

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


def _outlines(path: Path) -> list[tuple[str, Any]]:
    """Names and shapes of the outlines of a file in metres of the wall."""
    found = read_shapes(path)
    if found.unit not in (None, "m") or (found.crs is not None and found.crs.is_geographic):
        raise InputError(
            f"{path.name}: the outlines are in {found.unit or 'degrees'}, not in metres of the wall",
            "Export them in metres of the wall.",
        )
    named = []
    for number, (_, row) in enumerate(found.frame.iterrows(), start=1):
        label = row.get("id")
        name = str(number) if label is None or label != label else str(label)
        if row.geometry.geom_type not in ("Polygon", "MultiPolygon"):
            raise InputError(
                f"{path.name}: feature {name} is a {row.geometry.geom_type}, not an outline",
                "Leave lines and points out of the file.",
            )
        named.append((name, row.geometry))
    return named


def cells_inside(shape: Any, grid: PixelGrid) -> NDArray[np.bool_]:
    """Cells whose middle lies in a shape."""
    from rasterio.features import geometry_mask
    from rasterio.transform import Affine

    return np.asarray(
        geometry_mask(
            [shape],
            out_shape=(grid.height_px, grid.width_px),
            transform=Affine(*grid.transform),
            invert=True,
        )
    )


def _table(patches: tuple[tuple[str, PatchChange], ...]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for name, patch in patches:
        writer.writerow(
            [
                no_formula(name),
                f"{patch.area_m2:.6f}",
                *(
                    "" if math.isnan(v) else f"{v:.6f}"
                    for v in (patch.mean_change_m, patch.plus_minus_95_m)
                ),
                "" if math.isnan(patch.volume_change_m3) else f"{patch.volume_change_m3:.9f}",
                "true" if patch.significant else "false",
                f"{patch.known_share:.4f}",
            ]
        )
    return text.getvalue()
