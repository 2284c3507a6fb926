"""Our signs for the layers of a project, in the table of styles that GIS programs look into.

The styles are Styled Layer Descriptors, an open standard.

References
----------
OGC 05-077r4 (Symbology Encoding 1.1) and OGC 05-078r4 (Styled Layer Descriptor 1.1).
"""

from __future__ import annotations

import sqlite3
from xml.sax.saxutils import escape

from facademap.condition.glossary import FAMILIES

__all__ = ["write_styles"]

_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))
"""
_OUTLINES = {
    "surfaces": ("#6b7280", 0.0, 1.0),
    "wall_stones": ("#7b6f63", 0.0, 0.8),
    "openings": ("#3b4252", 0.35, 1.2),
    "repairs": ("#7a1f1f", 0.25, 2.2),
    "pieces": ("#7a1f1f", 0.0, 1.4),
    "control_points": ("#111111", 1.0, 1.0),
}


def write_styles(connection: sqlite3.Connection) -> None:
    """Create the style table and fill it with one default style a layer."""
    connection.execute(_TABLE)
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles of the layers.')"
    )
    styles = {name: _sld(name, [_rule(name, *look)]) for name, look in _OUTLINES.items()}
    styles["conditions"] = _sld(
        "conditions", [_rule(f.name, f.colour, 0.35, 1.6, family=f.id) for f in FAMILIES]
    )
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, "
        "styleSLD, useAsDefault, description, owner) VALUES ('', '', ?, 'geom', ?, '', ?, 1, 'facademap signs', '')",
        [(name, name, sld) for name, sld in styles.items()],
    )


def _rule(
    title: str, colour: str, opacity: float, width: float, *, family: str | None = None
) -> str:
    wanted = (
        (
            f"<ogc:Filter><ogc:PropertyIsEqualTo><ogc:PropertyName>family</ogc:PropertyName><ogc:Literal>{family}"
            "</ogc:Literal></ogc:PropertyIsEqualTo></ogc:Filter>"
        )
        if family
        else ""
    )
    return (
        f"<se:Rule><se:Name>{escape(title)}</se:Name>{wanted}<se:PolygonSymbolizer><se:Fill>"
        f'<se:SvgParameter name="fill">{colour}</se:SvgParameter>'
        f'<se:SvgParameter name="fill-opacity">{opacity}</se:SvgParameter></se:Fill><se:Stroke>'
        f'<se:SvgParameter name="stroke">{colour}</se:SvgParameter>'
        f'<se:SvgParameter name="stroke-width">{width}</se:SvgParameter></se:Stroke></se:PolygonSymbolizer></se:Rule>'
    )


def _sld(name: str, rules: list[str]) -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?><StyledLayerDescriptor xmlns="http://www.opengis.net/sld" '
        'xmlns:ogc="http://www.opengis.net/ogc" xmlns:se="http://www.opengis.net/se" version="1.1.0"><NamedLayer>'
        f"<se:Name>{escape(name)}</se:Name><UserStyle><se:Name>{escape(name)}</se:Name><se:FeatureTypeStyle>"
        f"{''.join(rules)}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )
