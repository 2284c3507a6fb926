"""Original stone that a plan takes out: each stone, each surface, the whole; what the planner weighs."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from facademap.tables import PIECED

__all__ = ["original_stone_removed"]


def original_stone_removed(
    repairs: gpd.GeoDataFrame, wall_stones: gpd.GeoDataFrame, *, by: str = "wall_stone"
) -> pd.DataFrame:
    """Area, volume and share of original stone that the repairs take out.

    Parameters
    ----------
    repairs : GeoDataFrame
        Repairs table.
    wall_stones : GeoDataFrame
        Wall stones table.
    by : {'wall_stone', 'surface'}
        One row a stone that loses something, or one row a surface.

    Returns
    -------
    DataFrame
        ``area_m2`` counts every place once, where two cut-outs meet in a joint or overlap; ``face_m2`` is the whole face of
        the stone or of all stones of the surface; ``share`` = area / face; ``volume_m3`` is area times depth of cut.

    References
    ----------
    Common practice of measuring conservation work.
    """
    pieced = repairs[repairs["treatment"].isin(PIECED)] if len(repairs) else repairs
    faces = (
        {
            str(i): (str(s), g)
            for i, s, g in zip(
                wall_stones["id"], wall_stones["surface"], wall_stones.geometry, strict=True
            )
        }
        if len(wall_stones)
        else {}
    )
    rows: list[dict[str, Any]] = []
    for stone, group in pieced.groupby("wall_stone", sort=True) if len(pieced) else ():
        if str(stone) not in faces:
            continue
        surface, face = faces[str(stone)]
        cut = shapely.intersection(shapely.union_all(list(group.geometry)), face).area
        rows.append(
            {
                "wall_stone": str(stone),
                "surface": surface,
                "repairs": len(group),
                "face_m2": float(face.area),
                "area_m2": float(cut),
                "volume_m3": float(group["removed_volume_m3"].sum()),
                "share": float(cut / face.area),
            }
        )
    columns = ["wall_stone", "surface", "repairs", "face_m2", "area_m2", "volume_m3", "share"]
    by_stone = pd.DataFrame(rows, columns=columns)
    if by == "wall_stone":
        return by_stone
    surfaces: dict[str, float] = {}
    for surface, face in faces.values():
        surfaces[surface] = surfaces.get(surface, 0.0) + float(face.area)
    rows = []
    for surface in sorted(surfaces):
        part = by_stone[by_stone["surface"] == surface]
        area = float(part["area_m2"].sum())
        rows.append(
            {
                "surface": surface,
                "stones": len(part),
                "repairs": int(part["repairs"].sum()),
                "face_m2": surfaces[surface],
                "area_m2": area,
                "volume_m3": float(part["volume_m3"].sum()),
                "share": area / surfaces[surface],
            }
        )
    return pd.DataFrame(
        rows, columns=["surface", "stones", "repairs", "face_m2", "area_m2", "volume_m3", "share"]
    )
