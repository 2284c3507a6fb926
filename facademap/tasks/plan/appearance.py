"""Measure what each piece must look like: the sound stone round its cut-out on the elevation."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from facademap.errors import FacademapError, InputError
from facademap.io.rasters import Elevation, open_elevation
from facademap.salvage.appearance import Appearance, measure_appearance
from facademap.salvage.face_picture import COMPARE_GSD_M
from facademap.salvage.neighbourhood import sound_ring
from facademap.store.edit import Edit
from facademap.store.gate import store_large
from facademap.store.project import Project
from facademap.tables import PIECED, is_missing
from facademap.wall.grid import Extent, PixelGrid

__all__ = ["DE_TOLERANCE", "HARMLESS", "measure_in_wall", "measure_targets"]

#: Greatest CIEDE2000 between block and neighbourhood, used only where both colours were made true
#: (common practice: above 5 the difference is plain to see).
DE_TOLERANCE = 5.0
#: Conditions that leave the colour of the stone as it is do not spoil a neighbourhood.
HARMLESS = frozenset({"open joint", "decayed pointing", "hard pointing", "displacement"})


def measure_targets(
    folder: str | Path,
    *,
    who: str = "conservator",
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Fill the wanted colour of every piece from the neighbourhood of its cut-out.

    Returns
    -------
    dict
        ``measured``, ``notes`` (pieces without a colour, and why).
    """
    notes: list[str] = []
    changes: dict[str, dict[str, Any]] = {}
    with Project.open(folder) as project:
        pieces, repairs = project.read("pieces"), project.read("repairs")
        tolerance = float(project.setting("de_tolerance", DE_TOLERANCE))
        done = 0
        for surface in project.read("surfaces").to_dict("records"):
            own = pieces[pieces["surface"] == surface["id"]]
            if own.empty:
                continue
            if is_missing(surface["picture"]):
                notes.append(
                    f"{surface['id']}: no rectified elevation, so its pieces rank without colour"
                )
                continue
            around = _Around(project, surface["id"], repairs)
            with open_elevation(project.place(surface["picture"])) as elevation:
                for piece in own.to_dict("records"):
                    try:
                        changes[piece["id"]] = _target(
                            piece, repairs, around, elevation, surface["colour_state"], tolerance
                        )
                    except FacademapError as error:
                        notes.append(f"{piece['id']}: {error.problem}")
                    done += 1
                    progress(done / len(pieces))

        def store(edit: Edit) -> None:
            for piece_id, change in changes.items():
                edit.update("pieces", piece_id, change)

        store_large(project, store, who=who, what="measure the colour wanted")
    return {"measured": len(changes), "notes": notes}


class _Around:
    """What lies round the cut-outs of one surface."""

    def __init__(self, project: Project, surface: str, repairs: Any) -> None:
        def rows(table: str) -> Any:
            frame = project.read(table)
            return frame[frame["surface"] == surface]

        stones, conditions, openings = rows("wall_stones"), rows("conditions"), rows("openings")
        self.stones, self.types = stones.geometry.to_numpy(), stones["stone_type"].tolist()
        spoiling = conditions[~conditions["term"].isin(HARMLESS)]
        cut = repairs[(repairs["surface"] == surface) & repairs["treatment"].isin(PIECED)]
        self.damaged = np.concatenate([spoiling.geometry.to_numpy(), cut.geometry.to_numpy()])
        self.openings = openings.geometry.to_numpy()
        self.trees = [shapely.STRtree(g) for g in (self.stones, self.damaged, self.openings)]

    def near(self, shape: Any, reach_m: float) -> tuple[Any, Any, Any, list[Any]]:
        area = shape.buffer(reach_m)
        stones, damaged, openings = (np.sort(tree.query(area)) for tree in self.trees)
        return (
            self.stones[stones],
            self.damaged[damaged],
            self.openings[openings],
            [self.types[i] for i in stones],
        )


def _target(
    piece: dict[str, Any],
    repairs: Any,
    around: _Around,
    elevation: Elevation,
    colour_state: str,
    tolerance: float,
) -> dict[str, Any]:
    cut_out = repairs.set_index("id").loc[piece["repair"], "geometry"]
    stones, damaged, openings, types = around.near(cut_out, 1.0)
    wanted = None if is_missing(piece["stone_type"]) else piece["stone_type"]
    ring = sound_ring(cut_out, stones, damaged, openings, stone_types=types, wanted=wanted)
    if ring.is_empty:
        raise InputError("no sound stone lies round the cut-out", "Give the colour wanted by hand.")
    found = measure_in_wall(
        ring,
        elevation,
        calibrated=colour_state != "uncalibrated",
        finish="" if is_missing(piece["finish"]) else str(piece["finish"]),
    )
    return {
        "lab": found.lab.tolist(),
        "de_tolerance": tolerance if found.calibrated else math.nan,
        "appearance": found.as_record(),
    }


def measure_in_wall(
    shape: Any, elevation: Elevation, *, calibrated: bool, upright: bool = False, **state: Any
) -> Appearance:
    """Appearance of a part of the wall on its rectified elevation.

    Parameters
    ----------
    shape : shapely geometry
        In the wall frame.
    elevation : Elevation
    calibrated : bool
        Whether the colours of the elevation were made true.
    upright : bool
        Whether the beds of the stone stand upright; the grain is then seen along them, as on the face of a block.
    **state
        ``finish``, ``weathered`` as for `measure_appearance`.

    Raises
    ------
    InputError
        The elevation does not show it, or shows too little.
    """
    u0, v0, u1, v1 = shape.bounds
    grid, rgb, mask = elevation.read(
        Extent(u0_m=u0, v0_m=v0, u1_m=u1, v1_m=v1), gsd_m=COMPARE_GSD_M
    )
    used = _raster(shape, grid) & (mask > 0)
    if upright:
        rgb, used = (
            np.ascontiguousarray(np.rot90(rgb, -1)),
            np.ascontiguousarray(np.rot90(used, -1)),
        )
    return measure_appearance(
        rgb,
        used,
        gsd_m=grid.gsd_m,
        calibrated=calibrated,
        source_gsd_m=elevation.grid.gsd_m,
        **state,
    )


def _raster(shape: Any, grid: PixelGrid) -> Any:
    """Pixels whose centre region lies in a geometry."""
    mask = np.zeros((grid.height_px, grid.width_px), np.uint8)
    for part in shapely.get_parts(shape):
        if part.geom_type != "Polygon":
            continue
        for number, ring in enumerate((part.exterior, *part.interiors)):
            corners = np.asarray(ring.coords)
            pixels = np.round(grid.pixel_from_wall(corners[:, 0], corners[:, 1])).astype(np.int32)
            cv2.fillPoly(mask, [pixels.reshape(-1, 2)], 0 if number else 1)
    return mask.astype(bool)
