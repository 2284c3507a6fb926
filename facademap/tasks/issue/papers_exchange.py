"""The project as a GeoPackage for other programs, written from a snapshot, never beside the live file."""

from __future__ import annotations

import os
from typing import Any

import geopandas as gpd
import pandas as pd

from facademap.io.whole_files import STORE_NAME, temporary_folder
from facademap.report.exchange import plain_value
from facademap.store.project import Project
from facademap.tables import TABLES

__all__ = ["write_geopackage"]

#: The history names people and the settings are ours; neither is anybody else's business.
_LEFT_OUT = frozenset({"settings"})
_FIXED_DATE = "2000-01-01T00:00:00.000Z"


def write_geopackage(project: Project) -> bytes:
    """Every table as layers of a new GeoPackage: outlines in one layer a surface with the surface's own reference system.

    The rows are those of one moment; GDAL writes a file of its own in a folder of its own, so that the two
    SQLite libraries never meet in one file.
    """
    import pyogrio

    before = os.environ.get("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _FIXED_DATE})
    try:
        with temporary_folder() as folder:
            path = folder / STORE_NAME
            surfaces = project.read("surfaces")
            frames = dict(zip(surfaces["id"], surfaces["frame_wkt"], strict=True))
            for name, table in TABLES.items():
                if name in _LEFT_OUT:
                    continue
                frame = project.read(name)
                if not len(frame):
                    continue
                if not table.geometry:
                    pyogrio.write_dataframe(
                        _plain(frame), path, layer=name, driver="GPKG", append=path.exists()
                    )
                    continue
                owner = frame["id"] if name == "surfaces" else frame["surface"]
                for surface in dict.fromkeys(owner):
                    part = _plain(frame[owner == surface])
                    wkt = frames.get(surface)
                    layer = (
                        gpd.GeoDataFrame(part, geometry="geometry", crs=None).set_crs(
                            wkt, allow_override=True
                        )
                        if wkt
                        else gpd.GeoDataFrame(part, geometry="geometry")
                    )
                    kinds = set(layer.geometry.dropna().geom_type)
                    pyogrio.write_dataframe(
                        layer,
                        path,
                        layer=f"{name} {surface}",
                        driver="GPKG",
                        append=path.exists(),
                        geometry_type=kinds.pop() if len(kinds) == 1 else "Unknown",
                    )
            return path.read_bytes() if path.exists() else b""
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _plain(frame: Any) -> Any:
    """Lists and mappings as JSON text, missing values as nothing."""
    columns: dict[str, Any] = {}
    for name in frame.columns:
        if name == "geometry":
            columns[name] = list(frame[name])
        elif frame[name].dtype == object:
            columns[name] = pd.Series([plain_value(v) for v in frame[name]], dtype=object)
        else:
            columns[name] = frame[name].reset_index(drop=True)
    return (
        gpd.GeoDataFrame(columns, geometry="geometry")
        if "geometry" in columns
        else pd.DataFrame(columns)
    )
