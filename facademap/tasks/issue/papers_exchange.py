"""The project as a GeoPackage for other programs, written from a snapshot, never beside the live file."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import sqlite3
from collections.abc import Iterator
from importlib.util import find_spec
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from facademap.io.whole_files import temporary_folder
from facademap.report.exchange import plain_value
from facademap.report.quantities import MEASURES
from facademap.store.project import Project
from facademap.store.styles import write_layer_styles
from facademap.tables import TABLES
from facademap.tables.names import file_name
from facademap.tasks.issue.papers_attached import (
    attach_photos,
    place_pictures,
    write_wall_pictures,
)

__all__ = ["write_data_dictionary", "write_flat_files", "write_geopackage"]

#: The history names people and the settings are ours; neither is anybody else's business.
_LEFT_OUT = frozenset({"settings"})
_FIXED_DATE = "2000-01-01T00:00:00.000Z"


def write_geopackage(project: Project) -> bytes:
    """Every table as layers of a new GeoPackage: outlines in one layer a surface and kind of shape, with our signs, each
    wall's picture as tiles under them, and the photos that conditions name as related media.

    Each layer has the reference system of its surface. The rows are those of one moment; GDAL writes a file of its own in a folder of its own, so that the two
    SQLite libraries never meet in one file.
    """
    import pyogrio

    before = os.environ.get("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _FIXED_DATE})
    try:
        with temporary_folder() as folder:
            path = folder / "exchange.gpkg"
            styled: list[tuple[str, str, str]] = []
            for name, table in TABLES.items():
                frame = project.read(name)
                if name in _LEFT_OUT or not len(frame):
                    continue
                if table.geometry:
                    for layer, shape, part in _layers_of(name, frame, project.read("surfaces")):
                        kinds = sorted(set(part.geometry.geom_type))
                        pyogrio.write_dataframe(
                            part, path, layer=layer, driver="GPKG", append=path.exists(), geometry_type=kinds[-1],
                            promote_to_multi=len(kinds) > 1,
                        )  # fmt: skip
                        styled.append((layer, name, shape))
                else:
                    pyogrio.write_dataframe(
                        _plain(frame), path, layer=name, driver="GPKG", append=path.exists()
                    )
            if not path.exists():
                return b""
            pictures = write_wall_pictures(project, path)
            with contextlib.closing(sqlite3.connect(path)) as connection, connection:
                write_layer_styles(connection, styled, at=_FIXED_DATE)
                place_pictures(connection, pictures)
                attach_photos(connection, project, styled, at=_FIXED_DATE)
            return path.read_bytes()
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def write_flat_files(project: Project) -> dict[str, bytes]:
    """Outlines of each surface in metres of its wall: FlatGeobuf and GeoParquet with its reference system, plain GeoJSON.

    GeoParquet is written where pyarrow is installed (``facademap[parquet]``).

    The GeoJSON is flat: u to the right, v up, in metres. RFC 7946 knows longitude and latitude alone, so the file says
    in words what its numbers are; lengths and areas come out right in every program that takes them as they stand.
    """
    import pyogrio

    files: dict[str, bytes] = {}
    surfaces = project.read("surfaces")
    for name in ("conditions", "repairs"):
        for layer, _, part in _layers_of(name, project.read(name), surfaces):
            stem = "-".join(file_name(word) for word in layer.split(" ") if word)
            with temporary_folder() as folder:
                path = folder / "layer.fgb"
                pyogrio.write_dataframe(part, path, driver="FlatGeobuf", SPATIAL_INDEX="NO")
                files[f"exchange/{stem}.fgb"] = path.read_bytes()
            if find_spec("pyarrow") is not None:
                table = io.BytesIO()
                part.to_parquet(table, index=False)
                files[f"exchange/{stem}.parquet"] = table.getvalue()
            files[f"exchange/{stem}-wall.geojson"] = _flat_geojson(layer, part)
    return files


def write_data_dictionary() -> bytes:
    """Every column of every table and file handed out: kind, unit, what it refers to, and what it says."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(
        ("table", "column", "kind", "unit", "may be empty", "refers to", "choices", "meaning")
    )
    for name, table in TABLES.items():
        if name in _LEFT_OUT:
            continue
        for c in table.columns:
            writer.writerow(
                (name, c.name, c.kind, c.unit, "yes" if c.nullable else "no", c.refers, "; ".join(c.choices), c.meaning)
            )  # fmt: skip
        if table.geometry:
            said = "Outline in metres of the wall: u to the right, v up, seen from outside; degrees in the files of the world."
            writer.writerow((name, "geometry", table.geometry, "m", "", "", "", said))
    for row in (*_OF_FILES, *_of_quantities()):
        writer.writerow(row)
    return text.getvalue().encode("utf-8")


#: Columns that are in no table of ours: table or file, column, kind, unit, may be empty, refers to, choices, meaning.
_OF_FILES = (
    *(
        (file, name, "float", unit, "no", "", "", meaning)
        for file in ("conditions.geojson", "repairs.geojson")
        for name, unit, meaning in (
            ("face_area_m2", "m2", "Area in the plane of the wall, net of openings; an upright wall has none in plan."),
            ("face_length_m", "m", "Length in the plane of the wall, of lines."),
        )
    ),
    ("photo_pictures", "data", "picture", "", "no", "", "", "The photo, made small."),
    ("photo_pictures", "content_type", "text", "", "no", "", "", "Kind of its file."),
    ("photo_pictures", "photo", "text", "", "no", "photos", "", "Photo that it is."),
    ("photos of", "base_id", "int", "", "no", "", "", "Number (fid) of the row in the layer that the table is named after."),
    ("photos of", "related_id", "int", "", "no", "photo_pictures", "", "Number of the picture that shows it."),
    *(
        ("layer_styles", name, "text", "", "yes", "", "", meaning)
        for name, meaning in (
            ("f_table_catalog", "Empty."),
            ("f_table_schema", "Empty."),
            ("f_table_name", "Layer that the style is for."),
            ("f_geometry_column", "Its column of outlines."),
            ("styleName", "Name of the style."),
            ("styleQML", "The style as desktop programs keep it."),
            ("styleSLD", "The style as an OGC Styled Layer Descriptor."),
            ("useAsDefault", "Whether a program takes it by itself."),
            ("description", "What it is."),
            ("owner", "Who keeps it."),
            ("ui", "Empty."),
            ("update_time", "When it was written."),
        )
    ),
)  # fmt: skip


def _of_quantities() -> Iterator[tuple[str, ...]]:
    """Columns of the plain table of quantities."""
    for name, kind, meaning in (
        ("basis", "text", "What was counted: repairs or conditions."),
        ("by", "text", "Breakdown: all, one of its dimensions, or id for single rows."),
        ("key", "text", "Value of the breakdown."),
    ):
        yield ("quantities.csv", name, kind, "", "no", "", "", meaning)
    for m in MEASURES:
        yield ("quantities.csv", m.name, "float", m.unit, "no", "", "", f"{m.title}.")
    yield ("quantities.csv", "rule", "text", "", "yes", "", "", "Rules that the figures follow.")


def _layers_of(name: str, frame: Any, surfaces: Any) -> Iterator[tuple[str, str, Any]]:
    """Layer, kind of shape, and rows: one surface and one kind of shape each."""
    frames = dict(zip(surfaces["id"], surfaces["frame_wkt"], strict=True))
    owner = frame["id"] if name == "surfaces" else frame["surface"]
    for surface in dict.fromkeys(owner):
        rows = frame[owner == surface]
        rows = rows[[g is not None and not g.is_empty for g in rows["geometry"]]]
        dimension = shapely.get_dimensions(np.asarray(rows["geometry"].array, dtype=object))
        for number, (shape, suffix) in enumerate(_SHAPES, start=0):
            chosen = rows[dimension == 2 - number]
            if not len(chosen):
                continue
            part = gpd.GeoDataFrame(_plain(chosen), geometry="geometry", crs=None)
            if wkt := frames.get(surface):
                part = part.set_crs(wkt, allow_override=True)
            yield f"{name} {surface}{suffix}", shape, part


#: Kinds of shape by falling dimension, and what the layers of each are called after the surface.
_SHAPES = (("polygon", ""), ("line", " lines"), ("point", " points"))


def _flat_geojson(name: str, part: Any) -> bytes:
    rows = pd.DataFrame(part.drop(columns="geometry")).to_dict("records")
    features = [
        {
            "type": "Feature",
            "id": row["id"],
            "properties": {k: plain_value(v) for k, v in row.items()},
            "geometry": shapely.geometry.mapping(shape),
        }
        for row, shape in zip(rows, part.geometry, strict=True)
    ]
    body = {
        "type": "FeatureCollection",
        "name": name,
        "coordinates": "metres of the wall: u to the right, v up, seen from outside; no place on the earth",
        "features": features,
    }
    text = json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return (text + "\n").encode("utf-8")


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
