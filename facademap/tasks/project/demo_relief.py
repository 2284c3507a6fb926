"""Two reliefs of the demo wall, five years apart, made from what the demo knows of it: stones, openings, depths of decay.

Nothing is measured here: it is the demo's own truth with the noise of a scan, so that depth, sections, drawings and change
have something to show. Every entry says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.io.pictures import hash_file
from facademap.io.relief_files import open_relief_writer
from facademap.io.whole_files import make_folder
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

__all__ = ["GROWN_M", "NOISE_M", "make_demo_reliefs"]

Floats = NDArray[np.float32]
#: How much shallower losses were in the older survey, in turn; most did not grow.
GROWN_M = (0.0, 0.002, 0.0, 0.004, 0.0, 0.008)
NOISE_M, CELL_M = 0.0006, 0.008
SURVEYS = (("2021", "2021-04-20"), ("1", "2026-04-15"))
_JOINT_M, _STONE_M, _BULGE_M, _LEAST_LOSS_M = -0.006, 0.0015, 0.012, 0.005
_SAID = "made from the truth of the demo with the noise of a scan, not measured"


def make_demo_reliefs(folder: str | Path, *, seed: int = 7) -> dict[str, Any]:
    """Keep an older and a newer relief with the wall of the demo, and two lines of sections.

    Parameters
    ----------
    folder : path
        Project of the demo, its outlines added.
    seed : int

    Returns
    -------
    dict
        ``surface``, ``surveys``, ``grown``: metres by which each loss has become deeper since the older survey.
    """
    rng = np.random.default_rng(seed)
    with Project.open(folder) as project:
        row = project.read("surfaces").to_dict("records")[0]
        id = str(row["id"])
        frames = {
            n: project.read(n, where={"surface": id})
            for n in ("wall_stones", "openings", "conditions")
        }
        grid = _grid(frames["wall_stones"].total_bounds)
        face = _face(grid, frames["wall_stones"].geometry, frames["openings"].geometry, rng)
        losses = [
            (str(c["id"]), c["geometry"], float(c["depth_m"]))
            for c in frames["conditions"].sort_values("id").to_dict("records")
            if c["geometry"].geom_type == "Polygon"
            and not is_missing(c["depth_m"])
            and c["depth_m"] >= _LEAST_LOSS_M
        ]
        grown = {name: GROWN_M[k % len(GROWN_M)] for k, (name, _, _) in enumerate(losses)}
        make_folder("elevations", inside=project.folder)
        wkt = row["frame_wkt"] if not is_missing(row["frame_wkt"]) else wall_crs(id, id)
        entries = []
        for n, (survey, day) in enumerate(SURVEYS):
            out_m = face.copy()
            for name, shape, depth_m in losses:
                less = grown[name] if n == 0 else 0.0
                out_m[_inside(grid, shape)] -= np.float32(max(depth_m - less, 0.0))
            out_m += rng.normal(0.0, NOISE_M, out_m.shape).astype(np.float32)
            # tenths of a millimetre, so that the files stay small
            out_m = np.round(out_m, 4)
            sigma_m = np.where(np.isfinite(out_m), np.float32(NOISE_M), np.float32(np.nan))
            path = f"elevations/{id}_relief_{survey}.tif"
            with open_relief_writer(project.place(path), grid, crs_wkt=wkt) as writer:
                writer.write_rows(0, out_m, sigma_m)
            entries.append(
                {
                    "path": path,
                    "survey": survey,
                    "taken_on": day,
                    "source": "scan",
                    "sha256": hash_file(project.place(path)),
                    "cell_m": CELL_M,
                    "sigma_median_m": NOISE_M,
                    "known_share": float(np.isfinite(out_m).mean()),
                    "note": _SAID,
                    "warnings": [_SAID],
                }
            )
        u0, v0, u1, v1 = grid.extent.as_tuple()
        lines = {
            "A": (u0 + 0.1, v0 + 1.1, u1 - 0.1, v0 + 1.1),
            "B": (u0 + 1.2, v0 + 0.1, u0 + 1.2, v1 - 0.1),
        }
        with project.edit(who="facademap demo", what="reliefs of the demo") as edit:
            kept = [
                {"name": n, "line_m": [round(float(m), 3) for m in line]}
                for n, line in lines.items()
            ]
            edit.update("surfaces", id, {"reliefs": entries, "sections": kept})
    return {"surface": id, "surveys": [s for s, _ in SURVEYS], "grown": grown}


def _grid(bounds: Any) -> PixelGrid:
    u0, v0, u1, v1 = (float(b) for b in bounds)
    return PixelGrid(
        left_m=u0,
        top_m=v1,
        gsd_m=CELL_M,
        width_px=int((u1 - u0) / CELL_M),
        height_px=int((v1 - v0) / CELL_M),
    )


def _face(
    grid: PixelGrid, stones: Iterable[Any], openings: Iterable[Any], rng: np.random.Generator
) -> Floats:
    """Stones stand out a little or stand back, joints lie back, the wall bulges; of glass nothing is known."""
    out_m = np.full((grid.height_px, grid.width_px), _JOINT_M, np.float32)
    for stone in stones:
        out_m[_inside(grid, stone.buffer(-0.004))] = np.float32(rng.normal(0.0, _STONE_M))
    v, u = np.mgrid[0 : grid.height_px, 0 : grid.width_px] * grid.gsd_m
    out_m += (_BULGE_M * np.exp(-(((u - 2.0) / 1.2) ** 2) - ((v - 1.2) / 0.8) ** 2)).astype(
        np.float32
    )
    for opening in openings:
        out_m[_inside(grid, opening)] = np.nan
    return out_m


def _inside(grid: PixelGrid, shape: Any) -> NDArray[np.bool_]:
    """Cells of a shape without its holes."""
    mask = np.zeros((grid.height_px, grid.width_px), np.uint8)
    rings = [
        np.stack(
            [
                (np.asarray(part.exterior.coords)[:, 0] - grid.left_m) / grid.gsd_m - 0.5,
                (grid.top_m - np.asarray(part.exterior.coords)[:, 1]) / grid.gsd_m - 0.5,
            ],
            axis=1,
        )
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon" and not part.is_empty
    ]
    for ring in rings:
        cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
    return mask > 0
