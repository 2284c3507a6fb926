"""The SQL that is the embedded GeoPackage's own."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any

import shapely

from facademap.errors import ProjectError
from facademap.store.dialect import Box, ToBlob
from facademap.store.geopackage import (
    add_surface_view,
    blob_from_geometry,
    drop_surface_view,
    register_reference_system,
    remake,
)
from facademap.tables import Table

__all__ = ["GEOPACKAGE"]


class _GeoPackage:
    copies = True
    begin_reading = "BEGIN"
    outline = '"geom"'
    outline_mark = "?"
    among = "(SELECT value FROM json_each(?))"
    lift_promise = "DROP TRIGGER IF EXISTS edit_log_is_append_only_1"
    keep_promise = """CREATE TRIGGER edit_log_is_append_only_1 BEFORE UPDATE ON edit_log
  BEGIN SELECT RAISE(ABORT, 'the history is append-only'); END"""
    broken_entries = (
        "SELECT seq FROM edit_log WHERE typeof(coalesce(before, '')) <> 'text' OR typeof(coalesce(after, '')) <> 'text' "
        "OR NOT json_valid(coalesce(before, 'null')) OR NOT json_valid(coalesce(after, 'null')) ORDER BY seq"
    )

    def begin(self, connection: Any) -> None:
        connection.execute("BEGIN IMMEDIATE")

    def within(self, table: Table, box: Box) -> tuple[str, list[Any]]:
        clause = (
            f'"fid" IN (SELECT id FROM "rtree_{table.name}_geom" '
            "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?)"
        )
        return clause, [box[0], box[2], box[1], box[3]]

    def bounds_of_walls(self, table: Table) -> str:
        return (
            'SELECT "surface", count(*), min(minx), min(miny), max(maxx), max(maxy) '
            f'FROM "{table.name}" LEFT JOIN "rtree_{table.name}_geom" AS boxes ON "fid" = boxes.id GROUP BY "surface"'
        )

    def folded(self, column: str) -> str:
        return f'"{column}" COLLATE NOCASE'

    def holds(self, column: str) -> str:
        return f"EXISTS (SELECT 1 FROM json_each(coalesce(\"{column}\", '[]')) WHERE value = ?)"

    def sound_json(self, column: str) -> str:
        return f'CASE WHEN json_valid("{column}") THEN "{column}" END'

    def unsound_json(self, columns: Sequence[str]) -> str:
        return "+".join(f'("{n}" IS NOT NULL AND NOT json_valid("{n}"))' for n in columns) or "0"

    def turned_on(self, column: str) -> str:
        path = f"'$.{column}'"
        return f"json_extract(after, {path}) AND NOT coalesce(json_extract(before, {path}), 0)"

    def columns_of(self, connection: Any, table_name: str) -> frozenset[str]:
        # as bytes: in a damaged file a name may be no text
        rows = connection.execute(
            "SELECT CAST(name AS BLOB) FROM pragma_table_info(?)", (table_name,)
        ).fetchall()
        return frozenset(row[0].decode(errors="replace") for row in rows)

    def to_blob(self, connection: Any, table: Table) -> ToBlob:
        found = connection.execute(
            "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (table.name,)
        ).fetchone()
        if found is None or not isinstance(found[0], int):
            raise ProjectError(
                f"the file does not say in which system the outlines of {table.name} lie",
                "Restore the project from a copy; facademap check tells what can still be read.",
            )
        srs_id = int(found[0])
        return lambda geometry: blob_from_geometry(geometry, srs_id)

    def remake(self, connection: Any, table: Table, columns: tuple[str, ...]) -> list[str]:
        return remake(connection, table, columns)

    def keep_view(
        self, connection: Any, table: Table, surface: str, row: Mapping[str, Any] | None
    ) -> None:
        if row is None:
            drop_surface_view(connection, table, surface=surface)
        elif row.get("frame_wkt"):
            srs_id = register_reference_system(
                connection, row["frame_wkt"], name=f"wall frame of {surface}"
            )
            add_surface_view(connection, table, surface=surface, srs_id=srs_id)

    def after_edit(
        self, connection: Any, touched: Mapping[str, Sequence[shapely.Geometry]]
    ) -> None:
        """Note the change in the table of contents and widen the layer's box, which the standard calls informative."""
        for name, added in touched.items():
            connection.execute(
                "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') WHERE table_name = ?",
                (name,),
            )
            if added:
                box = [float(v) for v in shapely.total_bounds(added)]
                connection.execute(
                    "UPDATE gpkg_contents SET min_x = min(coalesce(min_x, ?1), ?1), min_y = min(coalesce(min_y, ?2), ?2), "
                    "max_x = max(coalesce(max_x, ?3), ?3), max_y = max(coalesce(max_y, ?4), ?4) WHERE table_name = ?5",
                    (*box, name),
                )

    def integrity(self, connection: Any) -> list[str]:
        try:
            rows = connection.execute("PRAGMA integrity_check").fetchall()
        except sqlite3.DatabaseError as error:
            return [str(error)]
        return [text for (text,) in rows if text != "ok"]


GEOPACKAGE = _GeoPackage()
