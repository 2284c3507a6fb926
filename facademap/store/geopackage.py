"""The GeoPackage underneath a project: its system tables, geometry blobs and spatial index.

Only the standard library's sqlite3 ever touches the live file. A second SQLite (the one inside
GDAL) in the same process does not see our locks and damages the file.

References
----------
OGC 12-128r18, GeoPackage 1.3.1: clauses 1.1 (base tables), 2.1.3 (geometry blobs), annex F.3
(R-tree index) and F.10 (WKT for reference systems).
"""

from __future__ import annotations

import json
import sqlite3
import struct
from typing import Any

import shapely
from shapely.errors import ShapelyError

from facademap.tables import Column, Table

__all__ = [
    "APPLICATION_ID",
    "OUR_STYLES",
    "add_surface_view",
    "blob_from_geometry",
    "column_sql",
    "create_system_tables",
    "create_table",
    "drop_surface_view",
    "geometry_from_blob",
    "geometry_from_wkb",
    "register_reference_system",
    "register_spatial_functions",
    "remake",
    "sql_value",
    "unique_names_sql",
    "wkb_of_blob",
]

APPLICATION_ID = 0x47504B47
GEOPACKAGE_VERSION = 10300
_HEADER = struct.Struct("<2sBBi")
_ENVELOPE = struct.Struct("<4d")
_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_SQL_TYPES = {
    "text": "TEXT",
    "int": "INTEGER",
    "float": "DOUBLE",
    "bool": "BOOLEAN",
    "date": "DATE",
    "time": "TEXT",
    "json": "TEXT",
}
#: Point, line and area, and what many of each are called, after OGC 06-103r4, 8.2.3.
_SIMPLE = frozenset({1, 2, 3})
_MANY = {4: 1, 5: 2, 6: 3}
_GEOMETRY_NAMES = {"polygon": "GEOMETRY", "line": "GEOMETRY", "point": "POINT", "any": "GEOMETRY"}
_SYSTEM_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT,
  definition_12_063 TEXT NOT NULL DEFAULT 'undefined');
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
CREATE TABLE gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
INSERT INTO gpkg_spatial_ref_sys VALUES
  ('Undefined Cartesian SRS', -1, 'NONE', -1, 'undefined', 'undefined Cartesian coordinate reference system', 'undefined'),
  ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', 'undefined geographic coordinate reference system', 'undefined'),
  ('WGS 84 geodetic', 4326, 'EPSG', 4326,
   'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433],AXIS["Latitude",NORTH],AXIS["Longitude",EAST],AUTHORITY["EPSG","4326"]]',
   'longitude/latitude coordinates in decimal degrees on the WGS 84 spheroid',
   'GEOGCRS["WGS 84",DATUM["World Geodetic System 1984",ELLIPSOID["WGS 84",6378137,298.257223563,LENGTHUNIT["metre",1]]],PRIMEM["Greenwich",0,ANGLEUNIT["degree",0.0174532925199433]],CS[ellipsoidal,2],AXIS["geodetic latitude (Lat)",north,ORDER[1],ANGLEUNIT["degree",0.0174532925199433]],AXIS["geodetic longitude (Lon)",east,ORDER[2],ANGLEUNIT["degree",0.0174532925199433]],ID["EPSG",4326]]');
INSERT INTO gpkg_extensions VALUES
  ('gpkg_spatial_ref_sys', 'definition_12_063', 'gpkg_crs_wkt', 'http://www.geopackage.org/spec/#extension_crs_wkt', 'read-write');
"""
_RTREE = """
CREATE VIRTUAL TABLE "rtree_{t}_geom" USING rtree(id, minx, maxx, miny, maxy);
CREATE TRIGGER "rtree_{t}_geom_insert" AFTER INSERT ON "{t}"
  WHEN (new."geom" NOT NULL AND NOT ST_IsEmpty(NEW."geom"))
  BEGIN INSERT OR REPLACE INTO "rtree_{t}_geom" VALUES (NEW."fid", ST_MinX(NEW."geom"), ST_MaxX(NEW."geom"),
    ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")); END;
CREATE TRIGGER "rtree_{t}_geom_update" AFTER UPDATE OF "geom" ON "{t}"
  BEGIN DELETE FROM "rtree_{t}_geom" WHERE id = OLD."fid";
    INSERT INTO "rtree_{t}_geom" SELECT NEW."fid", ST_MinX(NEW."geom"), ST_MaxX(NEW."geom"),
    ST_MinY(NEW."geom"), ST_MaxY(NEW."geom") WHERE NEW."geom" NOT NULL AND NOT ST_IsEmpty(NEW."geom"); END;
CREATE TRIGGER "rtree_{t}_geom_delete" AFTER DELETE ON "{t}" WHEN old."geom" NOT NULL
  BEGIN DELETE FROM "rtree_{t}_geom" WHERE id = OLD."fid"; END;
"""


def blob_from_geometry(geometry: shapely.Geometry | None, srs_id: int) -> bytes | None:
    """A GeoPackage geometry blob (little endian, with envelope), or ``None``."""
    if geometry is None:
        return None
    header = _HEADER.pack(b"GP", 0, 0b0000_0011, srs_id)
    min_x, min_y, max_x, max_y = geometry.bounds
    return (
        header
        + _ENVELOPE.pack(min_x, max_x, min_y, max_y)
        + bytes(shapely.to_wkb(geometry, byte_order=1, output_dimension=2))
    )


def _is_flat(body: bytes) -> bool:
    """Whether well-known binary holds one geometry, or many of one simple kind.

    Collections in collections overflow the stack of the library that reads them, which ends the whole process.
    """
    try:
        kind, at = _wkb_kind(body, 0)
        if kind in _SIMPLE:
            return True
        if kind not in _MANY:
            return False
        order = "<I" if body[0] else ">I"
        (count,) = struct.unpack_from(order, body, at)
        at += 4
        for _ in range(min(count, len(body))):
            member, at = _wkb_kind(body, at)
            if member != _MANY[kind]:
                return False
            at = _end_of_simple(body, at, member, order)
    except (struct.error, IndexError):
        return False
    return True


def _wkb_kind(body: bytes, at: int) -> tuple[int, int]:
    """Kind of the geometry that begins at a byte, and where its contents begin; only flat ones have a kind known here."""
    (kind,) = struct.unpack_from("<I" if body[at] == 1 else ">I", body, at + 1)
    return kind, at + 5


def _end_of_simple(body: bytes, at: int, kind: int, order: str) -> int:
    if kind == 1:
        return at + 16
    rings = 1
    if kind == 3:
        (rings,) = struct.unpack_from(order, body, at)
        at += 4
    for _ in range(min(rings, len(body))):
        (corners,) = struct.unpack_from(order, body, at)
        at += 4 + 16 * corners
    return at


def wkb_of_blob(blob: Any) -> bytes | None:
    """The well-known binary inside a GeoPackage blob; ``ValueError`` where it is none, or of a kind no table takes."""
    if blob is None:
        return None
    if not isinstance(blob, bytes) or blob[:2] != b"GP":
        raise ValueError("no outline of a GeoPackage")
    start = _HEADER.size + _ENVELOPE_BYTES.get((blob[3] >> 1) & 0b111, len(blob))
    return _checked_wkb(blob[start:])


def _checked_wkb(body: bytes) -> bytes:
    if not _is_flat(body):
        raise ValueError("a collection, or an outline that ends too early")
    return body


def geometry_from_wkb(body: bytes) -> shapely.Geometry:
    """The shapely geometry of well-known binary; ``ValueError`` for what is none, or is of a kind that no table takes."""
    return shapely.from_wkb(_checked_wkb(body))


def geometry_from_blob(blob: bytes | None) -> shapely.Geometry | None:
    """The shapely geometry of a GeoPackage blob."""
    return None if blob is None else shapely.from_wkb(wkb_of_blob(blob))


def _bound(blob: Any, index: int) -> float | None:
    """One side of an outline's box; nothing for an outline that cannot be read, which then is in no index."""
    try:
        if isinstance(blob, bytes) and blob[3] & 0b1111 == 0b0011:  # as we write it
            return float(struct.unpack_from("<d", blob, _HEADER.size + 8 * index)[0])
        shape = geometry_from_blob(blob)
    except (ValueError, IndexError, struct.error, ShapelyError):
        return None
    if shape is None or shape.is_empty:
        return None
    min_x, min_y, max_x, max_y = shape.bounds
    return float((min_x, max_x, min_y, max_y)[index])


def _is_empty(blob: Any) -> int | None:
    bound = _bound(blob, 0)
    return None if blob is None else int(bound is None or bound != bound)


def register_spatial_functions(connection: sqlite3.Connection) -> None:
    """Give SQLite the five functions that the standard's index triggers call."""
    for index, name in enumerate(("ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY")):
        connection.create_function(
            name, 1, lambda blob, index=index: _bound(blob, index), deterministic=True
        )
    connection.create_function("ST_IsEmpty", 1, _is_empty, deterministic=True)


def create_system_tables(connection: sqlite3.Connection) -> None:
    """Make an empty database a GeoPackage."""
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {GEOPACKAGE_VERSION}")
    for statement in _statements(_SYSTEM_TABLES):
        connection.execute(statement)


def _statements(script: str) -> list[str]:
    """Split a script at its statements, so that it runs inside the caller's transaction."""
    result, pending = [], ""
    for piece in script.split(";"):
        pending += piece + ";"
        if pending.strip(" \n;") and sqlite3.complete_statement(pending):
            result.append(pending)
            pending = ""
    return result


def register_reference_system(connection: sqlite3.Connection, wkt: str, *, name: str) -> int:
    """Add an engineering reference system once; returns its ``srs_id``."""
    found = connection.execute(
        "SELECT srs_id FROM gpkg_spatial_ref_sys WHERE definition_12_063 = ?", (wkt,)
    ).fetchone()
    if found:
        return int(found[0])
    (last,) = connection.execute(
        "SELECT max(srs_id) FROM gpkg_spatial_ref_sys WHERE srs_id >= 100000"
    ).fetchone()
    srs_id = (last or 99_999) + 1
    label = name.replace('"', "")
    old_style = f'LOCAL_CS["{label}",UNIT["metre",1],AXIS["(u)",EAST],AXIS["(v)",NORTH]]'
    connection.execute(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, 'NONE', ?, ?, 'wall frame in metres', ?)",
        (name, srs_id, srs_id, old_style, wkt),
    )
    return srs_id


def create_table(connection: sqlite3.Connection, table: Table, *, srs_id: int) -> None:
    """Create one table after its contract, with index and entry in the contents."""
    columns = ['"fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL']
    if table.geometry:
        columns.append(f'"geom" {_GEOMETRY_NAMES[table.geometry]}')
    columns += [column_sql(c) for c in table.columns]
    columns.append('"rev" INTEGER NOT NULL DEFAULT 1')
    connection.execute(f'CREATE TABLE "{table.name}" ({", ".join(columns)})')
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) VALUES (?, ?, ?, ?, ?)",
        (
            table.name,
            "features" if table.geometry else "attributes",
            table.name,
            table.meaning,
            srs_id if table.geometry else None,
        ),
    )
    connection.execute(unique_names_sql(table))
    for column in table.columns:
        if column.name in ("surface", "repair", "block", "wall_stone"):
            connection.execute(
                f'CREATE INDEX "{table.name}_{column.name}" ON "{table.name}" ("{column.name}")'
            )
    if table.geometry:
        connection.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)",
            (table.name, _GEOMETRY_NAMES[table.geometry], srs_id),
        )
        connection.execute(
            "INSERT INTO gpkg_extensions VALUES (?, 'geom', 'gpkg_rtree_index', "
            "'http://www.geopackage.org/spec120/#extension_rtree', 'write-only')",
            (table.name,),
        )
        for statement in _statements(_RTREE.format(t=table.name)):
            connection.execute(statement)


def remake(connection: sqlite3.Connection, table: Table, columns: tuple[str, ...]) -> list[str]:
    """Make columns of a table again, empty, or the whole table where none is named; returns what was made."""
    if not columns:
        (srs_id,) = connection.execute(
            "SELECT max(srs_id) FROM gpkg_geometry_columns WHERE srs_id >= 100000"
        ).fetchone()
        for register in ("gpkg_extensions", "gpkg_geometry_columns", "gpkg_contents"):
            connection.execute(f'DELETE FROM "{register}" WHERE table_name = ?', (table.name,))
        connection.execute(f'DROP TABLE IF EXISTS "rtree_{table.name}_geom"')
        create_table(connection, table, srs_id=srs_id or -1)
        return [table.name]
    made = []
    for name in columns:
        if name == "id":
            continue  # rows without names cannot be told apart
        declared = {"geom": f'"geom" {_GEOMETRY_NAMES[table.geometry or "any"]}'}.get(name) or (
            '"rev" INTEGER NOT NULL DEFAULT 1' if name == "rev" else column_sql(table.column(name))
        )
        connection.execute(f'ALTER TABLE "{table.name}" ADD COLUMN {declared}')
        if name in table.names and (default := table.column(name).default) is not None:
            connection.execute(
                f'UPDATE "{table.name}" SET "{name}" = ?', (sql_value(table.column(name), default),)
            )
        made.append(f"{table.name}.{name}")
    return made


def unique_names_sql(table: Table) -> str:
    """The promise that two ids of a table differ in more than case."""
    return (
        f'CREATE UNIQUE INDEX IF NOT EXISTS "{table.name}_names" '
        f'ON "{table.name}" ("id" COLLATE NOCASE)'
    )


def column_sql(column: Column) -> str:
    """A column as it is declared in SQLite."""
    unique = " NOT NULL UNIQUE" if column.name == "id" else ""
    return f'"{column.name}" {_SQL_TYPES[column.kind]}{unique}'


#: Between the table and the surface in the name of a layer.
_OF = " of "
#: How the description of our own styles begins, by which they are told from those that somebody made.
OUR_STYLES = "facademap signs"


def _view_name(table: Table, surface: str) -> str:
    return f"{table.name}{_OF}{surface}".replace('"', "")


def add_surface_view(
    connection: sqlite3.Connection, table: Table, *, surface: str, srs_id: int
) -> None:
    """A layer of one surface's rows in that surface's own reference system, for use in a GIS."""
    drop_surface_view(connection, table, surface=surface)
    view, quoted = _view_name(table, surface), surface.replace("'", "''")
    names = ", ".join(f'"{n}"' for n in ("fid", "geom", *table.names))
    connection.execute(
        f'CREATE VIEW "{view}" AS SELECT {names} FROM "{table.name}" WHERE "surface" = \'{quoted}\''
    )
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES (?, 'features', ?, ?, ?)",
        (view, view, table.meaning, srs_id),
    )
    connection.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)",
        (view, _GEOMETRY_NAMES[table.geometry or "any"], srs_id),
    )
    style_view(connection, view, table.name)


def style_view(connection: sqlite3.Connection, view: str, table_name: str) -> None:
    """Give the layer of one surface our styles of its table, as far as the file keeps any; others' styles of it stay."""
    if not connection.execute("PRAGMA table_info(layer_styles)").fetchone():
        return
    ours = f"{OUR_STYLES}%"
    connection.execute(
        "DELETE FROM layer_styles WHERE f_table_name = ? AND description LIKE ?", (view, ours)
    )
    connection.execute(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, "
        "styleSLD, useAsDefault, description, owner) SELECT f_table_catalog, f_table_schema, ?, f_geometry_column, styleName, "
        "styleQML, styleSLD, useAsDefault, description, owner FROM layer_styles WHERE f_table_name = ? AND description LIKE ?",
        (view, table_name, ours),
    )


def surface_views(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    """Layers of single surfaces, each with the table that its rows are of."""
    tables = {
        r[0]
        for r in connection.execute(
            "SELECT table_name FROM gpkg_contents WHERE data_type = 'features'"
        )
    }
    return sorted((n, n.split(_OF)[0]) for n in tables if n.split(_OF)[0] in tables - {n})


def drop_surface_view(connection: sqlite3.Connection, table: Table, *, surface: str) -> None:
    """Remove the layer of one surface."""
    view = _view_name(table, surface)
    connection.execute("DELETE FROM gpkg_geometry_columns WHERE table_name = ?", (view,))
    connection.execute("DELETE FROM gpkg_contents WHERE table_name = ?", (view,))
    if connection.execute("PRAGMA table_info(layer_styles)").fetchone():
        connection.execute("DELETE FROM layer_styles WHERE f_table_name = ?", (view,))
    connection.execute(f'DROP VIEW IF EXISTS "{view}"')


def sql_value(column: Column, value: Any) -> Any:
    """A checked value as the database stores it."""
    if value is None or (isinstance(value, float) and value != value):
        return None
    if column.kind == "json":
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    if column.kind == "bool":
        return bool(value)
    return value
