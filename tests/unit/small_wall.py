"""A wall of 4 m by 3 m with a picture and a place in the world, for what is brought to it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely

from facademap.io.rasters import write_elevation
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

EXTENT = Extent(u0_m=0.0, v0_m=0.0, u1_m=4.0, v1_m=3.0)
GSD_M = 0.005
EPSG = 25832
#: The wall runs to the north-east and leans back by nothing: along, up, out as columns, then the origin.
_S = np.sqrt(0.5)
WORLD = np.array([[_S, 0.0, _S, 565_000.0], [_S, 0.0, -_S, 5_930_000.0], [0.0, 1.0, 0.0, 12.5]])


def make_wall(folder: Path, *, picture: bool = True, world: bool = True) -> str:
    """The project; returns the name of its surface."""
    create_project(folder, ProjectPlan.of_one_wall("Granary, yard side"))
    with Project.open(folder) as project:
        surface = str(project.read("surfaces")["id"].iloc[0])
        values: dict[str, object] = {}
        if picture:
            grid = PixelGrid.over(EXTENT, gsd_m=GSD_M)
            target = project.place(f"elevations/{surface}.tif")
            target.parent.mkdir(exist_ok=True)
            grey = np.full((512, 512, 3), 120, np.uint8)
            seen = np.full((512, 512), 255, np.uint8)
            write_elevation(
                target,
                grid,
                (
                    (w, grey[: w.height, : w.width], seen[: w.height, : w.width])
                    for w in grid.windows(512)
                ),
                crs_wkt=wall_crs("Granary", "granary"),
            )
            values |= {"picture": f"elevations/{surface}.tif", "gsd_m": GSD_M}
        if world:
            values["world"] = {"epsg": EPSG, "matrix": WORLD.tolist()}
        with project.edit(who="test", what="picture and place") as edit:
            if values:
                edit.update("surfaces", surface, values)
    return surface


def stones_m() -> list[shapely.Polygon]:
    """Twelve stones in three courses, in metres of the wall."""
    return [
        shapely.box(0.1 + 0.9 * k, 0.2 + 0.4 * c, 0.98 + 0.9 * k, 0.58 + 0.4 * c)
        for c in range(3)
        for k in range(4)
    ]


def in_world(shape: shapely.Polygon, w_m: float = 0.0) -> shapely.Polygon:
    """The same outline in east, north, height."""
    uv = np.array(shape.exterior.coords)
    uvw = np.c_[uv, np.full(len(uv), w_m)]
    return shapely.Polygon(uvw @ WORLD[:, :3].T + WORLD[:, 3])
