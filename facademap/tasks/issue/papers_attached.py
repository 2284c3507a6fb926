"""Pictures in the GeoPackage for others: each rectified wall as tiles, and the photos that conditions name.

References
----------
OGC 12-128 (GeoPackage 1.3), clause 2.2 tiles; OGC 18-000 (related tables extension), media tables and the relation
``media`` (both from memory; GDAL writes the tiles).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import simplejpeg

from facademap.errors import FacademapError
from facademap.io.pictures import read_picture
from facademap.io.rasters import open_elevation
from facademap.store.project import Project
from facademap.tables import is_missing

__all__ = ["attach_photos", "place_pictures", "write_wall_pictures"]

#: A picture behind the outlines has at most as many pixels; the full one is the GeoTIFF of the project.
MOST_PX = 6_000_000
PHOTO_WIDTH_PX = 1280
_QUALITY = 82
_DEFINITION = "http://www.geopackage.org/18-000.html"


def write_wall_pictures(project: Project, path: Path) -> list[tuple[str, str]]:
    """Write the rectified picture of each surface into a GeoPackage.

    Parameters
    ----------
    project : Project
    path : Path
        A GeoPackage that is there.

    Returns
    -------
    list of (layer, surface)
        Layers written.
    """
    import rasterio
    from rasterio.transform import from_origin

    written = []
    for row in project.read("surfaces").to_dict("records"):
        if is_missing(row["picture"]):
            continue
        try:
            with open_elevation(project.place(row["picture"])) as elevation:
                grid = elevation.grid
                finer = (grid.width_px * grid.height_px / MOST_PX) ** 0.5
                shown, rgb, mask = elevation.read(gsd_m=grid.gsd_m * max(1.0, finer))
        except (FacademapError, OSError):
            continue
        layer = f"picture {row['id']}"
        bands = np.moveaxis(np.where(mask[..., None] > 0, rgb, 255), 2, 0)
        with (
            rasterio.Env(OGR_CURRENT_DATE="2000-01-01T00:00:00.000Z"),
            rasterio.open(
                path,
                "w",
                driver="GPKG",
                width=shown.width_px,
                height=shown.height_px,
                count=3,
                dtype="uint8",
                transform=from_origin(shown.left_m, shown.top_m, shown.gsd_m, shown.gsd_m),
                APPEND_SUBDATASET="YES",
                RASTER_TABLE=layer,
                TILE_FORMAT="JPEG",
                QUALITY=str(_QUALITY),
            ) as target,
        ):
            target.write(bands)
        written.append((layer, str(row["id"])))
    return written


def place_pictures(connection: sqlite3.Connection, pictures: Sequence[tuple[str, str]]) -> None:
    """Give each picture the reference system of the outlines on it.

    Parameters
    ----------
    connection : sqlite3.Connection
        The GeoPackage.
    pictures : sequence of (layer, surface)
    """
    for layer, surface in pictures:
        known = connection.execute(
            "SELECT srs_id FROM gpkg_contents WHERE data_type = 'features' AND table_name IN (?, ?)",
            (f"surfaces {surface}", f"wall_stones {surface}"),
        ).fetchone()
        if known:
            for table in ("gpkg_contents", "gpkg_tile_matrix_set"):
                connection.execute(
                    f"UPDATE {table} SET srs_id = ? WHERE table_name = ?",
                    (known[0], layer),
                )


def attach_photos(
    connection: sqlite3.Connection,
    project: Project,
    layers: Sequence[tuple[str, str, str]],
    *,
    at: str,
) -> int:
    """Put the photos that conditions name into a GeoPackage, and relate each condition to its own.

    Parameters
    ----------
    connection : sqlite3.Connection
        The GeoPackage.
    project : Project
    layers : sequence of (layer, table, shape)
        Layers that were written.
    at : str
        Time of change that is noted.

    Returns
    -------
    int
        Photos attached.
    """
    named = {p for p in project.read("conditions")["photo"] if not is_missing(p)}
    pictures = dict(_small(project, named))
    if not pictures:
        return 0
    run = connection.execute
    run(
        "CREATE TABLE photo_pictures (id INTEGER PRIMARY KEY AUTOINCREMENT, data BLOB NOT NULL, "
        "content_type TEXT NOT NULL, photo TEXT NOT NULL)"
    )
    number = {}
    for photo, jpeg in sorted(pictures.items()):
        made = run(
            "INSERT INTO photo_pictures (data, content_type, photo) VALUES (?, 'image/jpeg', ?)",
            (jpeg, photo),
        )
        number[photo] = made.lastrowid
    _extension_tables(connection)
    _content(connection, "photo_pictures", at)
    for layer, table, _ in layers:
        if table == "conditions":
            _relate(connection, layer, number, at)
    return len(number)


def _small(project: Project, named: set[Any]) -> Iterator[tuple[str, bytes]]:
    for row in project.read("photos").to_dict("records"):
        if row["id"] not in named:
            continue
        try:
            picture, _ = read_picture(project.place(row["path"]))
        except FacademapError:
            continue
        shrink = min(1.0, PHOTO_WIDTH_PX / picture.shape[1])
        size = (
            max(1, round(picture.shape[1] * shrink)),
            max(1, round(picture.shape[0] * shrink)),
        )
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        yield (
            str(row["id"]),
            simplejpeg.encode_jpeg(np.ascontiguousarray(small), quality=_QUALITY, colorspace="RGB"),
        )


def _extension_tables(connection: sqlite3.Connection) -> None:
    connection.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, "
        "definition TEXT NOT NULL, scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    connection.execute(
        "CREATE TABLE gpkgext_relations (id INTEGER PRIMARY KEY AUTOINCREMENT, base_table_name TEXT NOT NULL, "
        "base_primary_column TEXT NOT NULL DEFAULT 'id', related_table_name TEXT NOT NULL, "
        "related_primary_column TEXT NOT NULL DEFAULT 'id', relation_name TEXT NOT NULL, mapping_table_name TEXT NOT NULL UNIQUE)"
    )
    _extended(connection, "gpkgext_relations")


def _extended(connection: sqlite3.Connection, table: str) -> None:
    connection.execute(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'related_tables', ?, 'read-write')",
        (table, _DEFINITION),
    )


def _content(connection: sqlite3.Connection, table: str, at: str) -> None:
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES (?, 'attributes', ?, '', ?)",
        (table, table, at),
    )


def _relate(
    connection: sqlite3.Connection, layer: str, number: Mapping[str, int | None], at: str
) -> None:
    rows = connection.execute(f'SELECT fid, photo FROM "{layer}"').fetchall()
    pairs = [(fid, number[photo]) for fid, photo in rows if photo in number]
    if not pairs:
        return
    mapping = f"photos of {layer}"
    connection.execute(
        f'CREATE TABLE "{mapping}" (base_id INTEGER NOT NULL, related_id INTEGER NOT NULL)'
    )
    connection.executemany(f'INSERT INTO "{mapping}" VALUES (?, ?)', pairs)
    connection.execute(
        "INSERT INTO gpkgext_relations (base_table_name, base_primary_column, related_table_name, "
        "related_primary_column, relation_name, mapping_table_name) VALUES (?, 'fid', 'photo_pictures', 'id', 'media', ?)",
        (layer, mapping),
    )
    _extended(connection, mapping)
    _content(connection, mapping, at)
