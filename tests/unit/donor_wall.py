"""A small wall of twelve stones, of which one comes out whole with a sound half, and a yard with one block."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.io.rasters import write_elevation
from facademap.store.project import Project
from facademap.tasks.plan.appearance import measure_targets
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.wall.grid import Extent, PixelGrid

__all__ = ["WARM", "make_donor_wall"]

WIDTH_M, HEIGHT_M, JOINT_M = 0.7, 0.36, 0.01
GREY, WARM, DECAYED, MORTAR = (170, 168, 160), (188, 164, 128), (120, 60, 40), (90, 90, 90)
STONE = "Quay sandstone"


def _stone(course: int, number: int) -> shapely.Polygon:
    return shapely.box(
        number * WIDTH_M + JOINT_M / 2,
        course * HEIGHT_M + JOINT_M / 2,
        (number + 1) * WIDTH_M - JOINT_M / 2,
        (course + 1) * HEIGHT_M - JOINT_M / 2,
    )


def make_donor_wall(
    folder: Path,
    *,
    picture: bool = True,
    colour_state: str = "chart",
    bed: str = "horizontal",
    insets: int = 1,
) -> Path:
    """Stone S-12 is decayed over 60 % of its face and comes out whole; S-20 and its like want small insets.

    The stones about them are warm, the block in the yard is grey and just large enough for the whole stone.
    """
    create_project(
        folder,
        ProjectPlan(
            name="Harbour store",
            elevations=({"id": "front", "name": "Quay side"},),
            surfaces=({"id": "front", "elevation": "front", "name": "Quay side"},),
        ),
    )
    stones: list[dict[str, Any]] = [
        {
            "id": f"S-{course}{number}",
            "surface": "front",
            "course": course + 1,
            "number": number + 1,
            "stone_type": STONE,
            "kind": "sedimentary",
            "bed": bed,
            "depth_m": 0.3,
            "finish": "droved",
            "geometry": _stone(course, number),
        }
        for course in range(3)
        for number in range(4)
    ]
    left, low, right, high = _stone(1, 2).bounds
    decay = shapely.box(left, low, left + 0.6 * (right - left), high)
    patches = [
        shapely.box(
            0.24 + WIDTH_M * k, 2 * HEIGHT_M + 0.12, 0.35 + WIDTH_M * k, 2 * HEIGHT_M + 0.22
        )
        for k in range(insets)
    ]
    conditions = [
        {
            "id": f"C-{k + 1}",
            "surface": "front",
            "term": "contour scaling",
            "geometry": shape,
            "depth_m": depth,
            "cc": 2,
            "uc": 2,
            "rc": 2,
            "wall_stone": stone,
            "cause": "leaking gutter, mended",
            "cause_settled": True,
        }
        for k, (shape, depth, stone) in enumerate(
            [(decay, 0.12, "S-12"), *((p, 0.05, f"S-2{k}") for k, p in enumerate(patches))]
        )
    ]
    with Project.open(folder) as project:
        if picture:
            _paint(project, stones, [c["geometry"] for c in conditions])
        with project.edit(who="test", what="wall") as edit:
            if picture:
                edit.update(
                    "surfaces",
                    "front",
                    {
                        "picture": "elevations/front.tif",
                        "gsd_m": 0.002,
                        "colour_state": colour_state,
                    },
                )
            edit.insert("wall_stones", stones)
            edit.insert("conditions", conditions)
            edit.insert(
                "blocks",
                [
                    {
                        "id": "B-1",
                        "stone_type": STONE,
                        "kind": "sedimentary",
                        "acceptance": "accepted",
                        "weight_kg": 190.0,
                        "length_m": 0.74,
                        "height_m": 0.4,
                        "depth_m": 0.32,
                        "location": "yard, bay 2",
                    }
                ],
            )
            edit.insert(
                "faces",
                [
                    {
                        "id": "B-1.1",
                        "block": "B-1",
                        "outline": [[0, 0], [0.74, 0], [0.74, 0.4], [0, 0.4]],
                        "usable_depth_m": 0.32,
                        "bed": "x",
                        "lab": [68, 0, 5],
                        "spread": 1.5,
                        "calibrated": True,
                        "finish": "droved",
                        "weathered": True,
                    }
                ],
            )
            edit.set("de_tolerance", 12.0)
    plan_project(folder)
    if picture:
        measure_targets(folder)
    return folder


def _paint(project: Project, stones: list[dict[str, Any]], decayed: list[shapely.Polygon]) -> None:
    """Warm stones, the lowest course grey, everything with some grain."""
    grid = PixelGrid.over(Extent(u0_m=0, v0_m=0, u1_m=4 * WIDTH_M, v1_m=3 * HEIGHT_M), gsd_m=0.002)
    rgb = np.empty((grid.height_px, grid.width_px, 3))
    rgb[:] = MORTAR

    def fill(shape: shapely.Polygon, tone: tuple[int, int, int]) -> None:
        x0, y0, x1, y1 = shape.bounds
        rgb[
            round((grid.top_m - y1) / grid.gsd_m) : round((grid.top_m - y0) / grid.gsd_m),
            round(x0 / grid.gsd_m) : round(x1 / grid.gsd_m),
        ] = tone

    for stone in stones:
        fill(stone["geometry"], GREY if stone["course"] == 1 else WARM)
    for shape in decayed:
        fill(shape, DECAYED)
    rgb += np.random.default_rng(3).normal(0, 4, (*rgb.shape[:2], 1))
    picture, seen = (
        np.clip(np.round(rgb), 0, 255).astype(np.uint8),
        np.full(rgb.shape[:2], 255, np.uint8),
    )
    project.place("elevations").mkdir(exist_ok=True)
    write_elevation(
        project.place("elevations/front.tif"),
        grid,
        ((w, picture[w.slices], seen[w.slices]) for w in grid.windows(512)),
        crs_wkt=str(project.row("surfaces", "front")["frame_wkt"]),
    )
