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
from facademap.io.relief_files import control_of_relief, open_relief_writer
from facademap.io.vectors import read_shapes
from facademap.io.whole_files import check_writable, write_whole
from facademap.relief.change import Change, PatchChange, change_in_patch, change_of_reliefs
from facademap.relief.registration import Registered
from facademap.tasks.survey.one_frame import on_one_frame
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

__all__ = ["ChangeMade", "cells_inside", "compare_reliefs"]

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
    registered : Registered or None
        How the older relief was laid on the newer one, where they lay in other frames.
    warnings : tuple of str
    """

    change: Change
    patches: tuple[tuple[str, PatchChange], ...]
    registered: Registered | None
    warnings: tuple[str, ...]


def compare_reliefs(
    old: Path,
    new: Path,
    out: Path,
    *,
    polygons: Path | None = None,
    table: Path | None = None,
    align: bool | None = None,
    register: bool | None = None,
    pictures: tuple[Path, Path] | None = None,
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
    register : bool, optional
        Lay the older relief on the newer by stable stone; default: where their control points do not tell one frame.
    pictures : (Path, Path), optional
        Elevations of both surveys in the frames of their reliefs, for the features that they have in common.

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
    pair = on_one_frame(
        old,
        new,
        control=(control_of_relief(old), control_of_relief(new)),
        names=(old.name, new.name),
        remedy="Measure the older survey again with the control of now, and compare that.",
        register=register,
        pictures=pictures,
        warnings=warnings,
    )
    change = change_of_reliefs(pair.old, pair.new, align=align)
    grid = change.difference.grid
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
    outlines = _outlines(polygons) if polygons is not None else []
    patches = tuple(
        (name, change_in_patch(change, cells_inside(shape, grid), outlines=len(outlines)))
        for name, shape in outlines
    )
    for name, patch in patches:
        if patch.known_share == 0:
            warnings.append(f"outline {name} holds no cell that is known in both surveys")
    with open_relief_writer(
        out,
        grid,
        crs_wkt=wall_crs(out.stem, f"{old.stem} {new.stem}"),
        bands=("new minus old, m", "level of detection at 95 %, m"),
    ) as writer:
        writer.write_rows(0, change.difference.out_m, change.detection_m)
    if table is not None:
        write_whole(table, _table(patches))
    return ChangeMade(
        change=change,
        patches=patches,
        registered=pair.registered,
        warnings=tuple(warnings),
    )


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
