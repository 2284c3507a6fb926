"""Where the surfaces of a project stand in the world, as their rows say."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
import pyproj
from numpy.typing import ArrayLike, NDArray

from facademap.errors import FacademapError, InputError
from facademap.tables import is_missing
from facademap.wall.in_world import WallInWorld

__all__ = ["degrees_of", "north_first", "to_degrees", "wall_in_world"]


def wall_in_world(row: Mapping[str, Any]) -> WallInWorld | None:
    """The place of a surface; ``None`` where it has none, or one that nobody could find on a map.

    Parameters
    ----------
    row : mapping
        ``kind``, ``radius_m`` and ``world`` of the table of surfaces.
    """
    world = row["world"]
    if not isinstance(world, Mapping) or world.get("epsg") is None or not world.get("matrix"):
        return None
    matrix = np.asarray(world["matrix"], dtype=float)
    if matrix.shape != (3, 4) or not np.isfinite(matrix).all():
        return None
    is_round = row["kind"] == "cylinder"
    if is_round and is_missing(row["radius_m"]):
        return None
    try:
        to_degrees(int(world["epsg"]))
    except FacademapError:
        return None
    return WallInWorld(
        epsg=int(world["epsg"]),
        matrix=matrix,
        radius_m=float(row["radius_m"]) if is_round else None,
    )


def degrees_of(wall: WallInWorld, uv_m: ArrayLike) -> NDArray[np.floating[Any]]:
    """Longitude, latitude (WGS 84) and height as surveyed, shape (n, 3), of places on a wall, shape (n, 2)."""
    place = wall.enh(uv_m)
    lon, lat = to_degrees(wall.epsg).transform(place[:, 0], place[:, 1])
    return np.column_stack([lon, lat, place[:, 2]])


@lru_cache(maxsize=64)
def to_degrees(epsg: int) -> pyproj.Transformer:
    """From a projected system to longitude and latitude.

    Raises
    ------
    InputError
        The register has no such system.
    """
    try:
        return pyproj.Transformer.from_crs(f"EPSG:{epsg}", "EPSG:4326", always_xy=True)
    except pyproj.exceptions.ProjError:
        raise InputError(
            f"EPSG:{epsg} is no coordinate system that is known", "Correct the code of the surface."
        ) from None


@lru_cache(maxsize=64)
def north_first(epsg: int) -> bool:
    """Whether the register names the way north before the way east."""
    axes = pyproj.CRS.from_epsg(epsg).axis_info
    return bool(axes) and axes[0].direction.lower() in ("north", "south")
