"""Our signs for the layers of a project, in the table of styles that GIS programs look into.

The styles are Styled Layer Descriptors, an open standard.

References
----------
OGC 05-077r4 (Symbology Encoding 1.1) and OGC 05-078r4 (Styled Layer Descriptor 1.1).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from xml.sax.saxutils import escape

from facademap.condition.glossary import FAMILIES
from facademap.condition.signs import PROPOSED_DASH_MM, SIGN_OF_THING, weight_of_class

__all__ = ["write_styles"]

_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))
"""
#: Pixels of a GIS program in a millimetre: the standardised rendering pixel of OGC 05-077r4 is 0.28 mm wide.
PX_PER_MM = 1 / 0.28
_FILL_OF_CONDITIONS = 0.35


def write_styles(connection: sqlite3.Connection) -> None:
    """Create the style table and fill it with one default style a layer."""
    connection.execute(_TABLE)
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles of the layers.')"
    )
    styles = {
        name: _sld(name, [_rule(name, sign.colour, sign.fill, sign.weight_mm)])
        for name, sign in SIGN_OF_THING.items()
    }
    styles["conditions"] = _sld("conditions", _rules_of_conditions())
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, "
        "styleSLD, useAsDefault, description, owner) VALUES ('', '', ?, 'geom', ?, '', ?, 1, 'facademap signs', '')",
        [(name, name, sld) for name, sld in styles.items()],
    )


def _rules_of_conditions() -> list[str]:
    """A rule for each family and condition class, and whether a person has confirmed it."""
    rules = []
    for family in FAMILIES:
        for cc in (None, 0, 1, 2, 3):
            for proposed in (False, True):
                rules.append(
                    _rule(
                        f"{family.name}, CC{'?' if cc is None else cc}{', proposed' if proposed else ''}",
                        family.colour,
                        _FILL_OF_CONDITIONS,
                        weight_of_class(cc),
                        dash_mm=PROPOSED_DASH_MM if proposed else (),
                        wanted=_and(_is("family", family.id), _class(cc), _waiting(proposed)),
                    )
                )
    return rules


def _is(column: str, value: str) -> str:
    return (
        f"<ogc:PropertyIsEqualTo><ogc:PropertyName>{column}</ogc:PropertyName>"
        f"<ogc:Literal>{value}</ogc:Literal></ogc:PropertyIsEqualTo>"
    )


def _null(column: str) -> str:
    return f"<ogc:PropertyIsNull><ogc:PropertyName>{column}</ogc:PropertyName></ogc:PropertyIsNull>"


def _class(cc: int | None) -> str:
    return _null("cc") if cc is None else _is("cc", str(cc))


def _waiting(proposed: bool) -> str:
    open_ = _and(_is("origin", "assisted"), _null("confirmed_by"))
    return open_ if proposed else f"<ogc:Not>{open_}</ogc:Not>"


def _and(*filters: str) -> str:
    return f"<ogc:And>{''.join(filters)}</ogc:And>"


def _rule(
    title: str,
    colour: str,
    opacity: float,
    weight_mm: float,
    *,
    dash_mm: Sequence[float] = (),
    wanted: str = "",
) -> str:
    wanted = f"<ogc:Filter>{wanted}</ogc:Filter>" if wanted else ""
    width = round(weight_mm * PX_PER_MM, 3)
    dash = " ".join(f"{d * PX_PER_MM:.2f}" for d in dash_mm)
    dashed = f'<se:SvgParameter name="stroke-dasharray">{dash}</se:SvgParameter>' if dash else ""
    return (
        f"<se:Rule><se:Name>{escape(title)}</se:Name>{wanted}<se:PolygonSymbolizer><se:Fill>"
        f'<se:SvgParameter name="fill">{colour}</se:SvgParameter>'
        f'<se:SvgParameter name="fill-opacity">{opacity}</se:SvgParameter></se:Fill><se:Stroke>'
        f'<se:SvgParameter name="stroke">{colour}</se:SvgParameter>'
        f'<se:SvgParameter name="stroke-width">{width}</se:SvgParameter>{dashed}</se:Stroke></se:PolygonSymbolizer></se:Rule>'
    )


def _sld(name: str, rules: list[str]) -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?><StyledLayerDescriptor xmlns="http://www.opengis.net/sld" '
        'xmlns:ogc="http://www.opengis.net/ogc" xmlns:se="http://www.opengis.net/se" version="1.1.0"><NamedLayer>'
        f"<se:Name>{escape(name)}</se:Name><UserStyle><se:Name>{escape(name)}</se:Name><se:FeatureTypeStyle>"
        f"{''.join(rules)}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )
