"""Our signs for the layers of a project, in the table of styles that GIS programs look into.

The styles are Styled Layer Descriptors, an open standard, and beside them the XML that desktop programs read from that
table. A rule for each term fills it with its hatch and writes its letter, a rule for each family and class draws the
outline: all rules that fit a shape are drawn. A rule for each treatment hatches and outlines a repair.

References
----------
OGC 05-077r4 (Symbology Encoding 1.1) and OGC 05-078r4 (Styled Layer Descriptor 1.1).
"""

from __future__ import annotations

import sqlite3
from base64 import b64encode
from collections.abc import Iterator, Sequence
from functools import cache
from xml.sax.saxutils import escape

from facademap.condition.glossary import FAMILIES, TERMS, Family, Hatch, Term, family_named
from facademap.condition.hatch_cells import hatch_cell
from facademap.condition.signs import (
    CONDITION_FILL,
    DASH_OF_LINE,
    DOT_RADIUS_MM,
    HATCH_LINE_MM,
    LINE_EXTRA_MM,
    MARK_MM,
    PROPOSED_DASH_MM,
    SIGN_OF_THING,
    SIGN_OF_TREATMENT,
    URGENCY_MARKS,
    Sign,
    weight_of_class,
)
from facademap.store.desktop_styles import (
    desktop_style,
    desktop_style_of_conditions,
    desktop_style_of_repairs,
)
from facademap.store.geopackage import OUR_STYLES, style_view, surface_views

__all__ = [
    "STYLES_EDITION",
    "renew_styles",
    "styles_are_old",
    "styles_of_tables",
    "write_layer_styles",
    "write_styles",
]

_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))
"""
#: Pixels of a GIS program in a millimetre: the standardised rendering pixel of OGC 05-077r4 is 0.28 mm wide.
PX_PER_MM = 1 / 0.28
_LETTER_PX = 10
#: Raised whenever a sign changes: a project whose styles are of an earlier edition gets the new ones when it is opened.
STYLES_EDITION = 3
_NOW = f"{OUR_STYLES} {STYLES_EDITION}"
_CLASSES = (None, 0, 1, 2, 3)


def write_styles(connection: sqlite3.Connection) -> None:
    """Create the style table and fill it: one default style a layer, and one more for lines and points of conditions."""
    connection.execute(_TABLE)
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles of the layers.')"
    )
    _fill(connection)


def styles_are_old(connection: sqlite3.Connection) -> bool:
    """Whether our styles in a project are those of an earlier edition; who took them all out is left in peace."""
    if not connection.execute("PRAGMA table_info(layer_styles)").fetchone():
        return False
    ours = {
        told
        for (told,) in connection.execute(
            "SELECT DISTINCT description FROM layer_styles WHERE description LIKE ?",
            (f"{OUR_STYLES}%",),
        )
    }
    return bool(ours) and _NOW not in ours


def renew_styles(connection: sqlite3.Connection) -> None:
    """Our styles as this version draws them; those that somebody made stay, and stay those to begin with."""
    if not connection.execute("PRAGMA table_info(layer_styles)").fetchone():
        write_styles(connection)
    else:
        connection.execute("DELETE FROM layer_styles WHERE description LIKE ?", (f"{OUR_STYLES}%",))
        _fill(connection)
    for view, table in surface_views(connection):
        style_view(connection, view, table)
    connection.execute(
        "UPDATE layer_styles SET useAsDefault = 0 WHERE description = ?1 AND f_table_name IN "
        "(SELECT f_table_name FROM layer_styles WHERE useAsDefault AND description IS NOT ?1)",
        (_NOW,),
    )


def _fill(connection: sqlite3.Connection) -> None:
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, "
        f"styleSLD, useAsDefault, description, owner) VALUES ('', '', ?, 'geom', ?, ?, ?, ?, '{_NOW}', '')",
        styles_of_tables(),
    )


def write_layer_styles(
    connection: sqlite3.Connection, layers: Sequence[tuple[str, str, str]], *, at: str
) -> None:
    """The same for layers of a file for other programs, which hold one kind of shape each.

    Parameters
    ----------
    connection : sqlite3.Connection
    layers : sequence of (layer, table, shape)
        ``shape`` is polygon, line or point.
    at : str
        Time that the rows bear.
    """
    by_name = {(table, name): (qml, sld) for table, name, qml, sld, _ in styles_of_tables()}
    connection.execute(_TABLE)
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles of the layers.', ?)",
        (at,),
    )
    for layer, table, shape in layers:
        name = {"line": "lines", "point": "points"}.get(shape, table)
        if (found := by_name.get((table, name))) is not None:
            connection.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
                "styleQML, styleSLD, useAsDefault, description, owner, update_time) "
                "VALUES ('', '', ?, 'geom', ?, ?, ?, 1, 'facademap signs', '', ?)",
                (layer, name, *found, at),
            )


@cache
def styles_of_tables() -> tuple[tuple[str, str, str, str, bool], ...]:
    """Layer, name, both styles, and whether it is the one to begin with."""
    found = [
        (name, name, desktop_style(name, sign), _sld(name, [_rule(name, _plain(sign))]), True)
        for name, sign in SIGN_OF_THING.items()
        if name != "repairs"
    ]
    repairs = _sld("repairs", list(_rules_of_repairs()))
    found.append(("repairs", "repairs", desktop_style_of_repairs(), repairs, True))
    for shape, name in (("polygon", "conditions"), ("line", "lines"), ("point", "points")):
        style, first = desktop_style_of_conditions(shape), shape == "polygon"
        # the one to begin with draws all shapes, since programs differ in how they part a layer
        sld = _sld(name, list(_rules_of_conditions() if first else _rules_of_shape(shape)))
        found.append(("conditions", name, style, sld, first))
    return tuple(found)


def _plain(sign: Sign) -> str:
    return _area(sign.colour, sign.fill) + _line(sign.colour, sign.weight_mm)


def _rules_of_repairs() -> Iterator[str]:
    """Each treatment by its hatch and outline; any other word that a program wrote there is drawn as well."""
    for treatment, sign in SIGN_OF_TREATMENT.items():
        hatch = _hatch(sign.hatch, sign.colour) if sign.hatch else ""
        yield _rule(treatment, hatch + _plain(sign), _is("treatment", treatment))
    yield (
        "<se:Rule><se:Name>another treatment</se:Name><se:ElseFilter/>"
        f"{_plain(SIGN_OF_THING['repairs'])}</se:Rule>"
    )


def _rules_of_conditions() -> Iterator[str]:
    for term in TERMS:
        wanted, colour = _is("term", term.name), family_named(term.family).colour
        if term.shape != "point":
            yield _rule(
                term.name, _area(colour, CONDITION_FILL) + _hatch(term.hatch, colour), wanted
            )
        if term.shape != "polygon":
            yield from _rules_of_class(term, colour)
        yield _rule(f"letter {term.abbreviation}", _text(term.abbreviation), wanted)
    for uc, mark in enumerate(URGENCY_MARKS):
        if mark:  # beside the letter
            yield _rule(f"UC{uc}", _text(mark, right_px=_LETTER_PX), _is("uc", str(uc)))
    for family in FAMILIES:
        yield from _outlines_of(family)


def _rules_of_shape(shape: str) -> Iterator[str]:
    """Terms that are lines, or places, alone."""
    for term in TERMS:
        if term.shape == shape:
            yield from _rules_of_class(term, family_named(term.family).colour)
            yield _rule(
                f"letter {term.abbreviation}", _text(term.abbreviation), _is("term", term.name)
            )


def _rules_of_class(term: Term, colour: str) -> Iterator[str]:
    """A crack by its line and a place by its mark, for each class, and whether a person has confirmed it."""
    for cc in _CLASSES:
        weight = weight_of_class(cc)
        if term.shape == "point":
            yield _rule(
                f"{term.name}, {_class_name(cc)}",
                _mark(colour, weight),
                _and(_is("term", term.name), _class(cc)),
            )
            continue
        for proposed in (False, True):
            dash = PROPOSED_DASH_MM if proposed else DASH_OF_LINE.get(term.name, ())
            yield _rule(
                f"{term.name}, {_class_name(cc)}{', proposed' if proposed else ''}",
                _line(colour, weight + LINE_EXTRA_MM, dash),
                _and(_is("term", term.name), _class(cc), _waiting(proposed)),
            )


def _outlines_of(family: Family) -> Iterator[str]:
    own = [_is("term", t.name) for t in TERMS if t.family == family.id and t.shape != "polygon"]
    others = (_not(_or(*own)),) if own else ()
    for cc in _CLASSES:
        for proposed in (False, True):
            yield _rule(
                f"{family.name}, {_class_name(cc)}{', proposed' if proposed else ''}",
                _line(family.colour, weight_of_class(cc), PROPOSED_DASH_MM if proposed else ()),
                _and(_is("family", family.id), _class(cc), _waiting(proposed), *others),
            )


def _class_name(cc: int | None) -> str:
    return f"CC{'?' if cc is None else cc}"


def _is(column: str, value: str) -> str:
    return (
        f"<ogc:PropertyIsEqualTo><ogc:PropertyName>{column}</ogc:PropertyName>"
        f"<ogc:Literal>{escape(value)}</ogc:Literal></ogc:PropertyIsEqualTo>"
    )


def _null(column: str) -> str:
    return f"<ogc:PropertyIsNull><ogc:PropertyName>{column}</ogc:PropertyName></ogc:PropertyIsNull>"


def _class(cc: int | None) -> str:
    return _null("cc") if cc is None else _is("cc", str(cc))


def _waiting(proposed: bool) -> str:
    open_ = _and(_is("origin", "assisted"), _null("confirmed_by"))
    return open_ if proposed else _not(open_)


def _and(*filters: str) -> str:
    return f"<ogc:And>{''.join(filters)}</ogc:And>"


def _or(*filters: str) -> str:
    return f"<ogc:Or>{''.join(filters)}</ogc:Or>" if len(filters) > 1 else filters[0]


def _not(filter: str) -> str:
    return f"<ogc:Not>{filter}</ogc:Not>"


def _rule(title: str, symbols: str, wanted: str = "") -> str:
    wanted = f"<ogc:Filter>{wanted}</ogc:Filter>" if wanted else ""
    return f"<se:Rule><se:Name>{escape(title)}</se:Name>{wanted}{symbols}</se:Rule>"


def _pen(**values: object) -> str:
    return "".join(
        f'<se:SvgParameter name="{name.replace("_", "-")}">{value}</se:SvgParameter>'
        for name, value in values.items()
        if value not in (None, "")
    )


def _area(colour: str, opacity: float) -> str:
    if not opacity:
        return ""
    return f"<se:PolygonSymbolizer><se:Fill>{_pen(fill=colour, fill_opacity=opacity)}</se:Fill></se:PolygonSymbolizer>"


def _line(colour: str, weight_mm: float, dash_mm: Sequence[float] = ()) -> str:
    """A line, or the outline of an area."""
    width = round(weight_mm * PX_PER_MM, 3)
    dash = " ".join(f"{d * PX_PER_MM:.2f}" for d in dash_mm)
    pen = _pen(stroke=colour, stroke_width=width, stroke_dasharray=dash)
    return f"<se:LineSymbolizer><se:Stroke>{pen}</se:Stroke></se:LineSymbolizer>"


def _mark(colour: str, weight_mm: float) -> str:
    return (
        "<se:PointSymbolizer><se:Graphic><se:Mark><se:WellKnownName>triangle</se:WellKnownName>"
        f"<se:Fill>{_pen(fill='#ffffff')}</se:Fill><se:Stroke>"
        f"{_pen(stroke=colour, stroke_width=round(weight_mm * PX_PER_MM, 3))}</se:Stroke></se:Mark>"
        f"<se:Size>{MARK_MM * PX_PER_MM:.2f}</se:Size></se:Graphic></se:PointSymbolizer>"
    )


def _hatch(hatch: Hatch, colour: str) -> str:
    """A fill with the cell of a hatch, as a drawing within the style."""
    cell = hatch_cell(hatch)
    picture = b64encode(_cell_svg(hatch, colour).encode()).decode("ascii")
    return (
        "<se:PolygonSymbolizer><se:Fill><se:GraphicFill><se:Graphic><se:ExternalGraphic>"
        f'<se:InlineContent encoding="base64">{picture}</se:InlineContent><se:Format>image/svg+xml</se:Format>'
        f"</se:ExternalGraphic><se:Size>{cell.height_mm * PX_PER_MM:.3f}</se:Size></se:Graphic></se:GraphicFill>"
        "</se:Fill></se:PolygonSymbolizer>"
    )


def _cell_svg(hatch: Hatch, colour: str) -> str:
    cell = hatch_cell(hatch)
    path = "".join(f"M{a:.2f} {b:.2f}L{c:.2f} {d:.2f}" for a, b, c, d in cell.strokes_mm)
    lines = f'<path d="{path}" stroke="{colour}" stroke-width="{HATCH_LINE_MM}"/>' if path else ""
    dots = "".join(
        f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{DOT_RADIUS_MM}" fill="{colour}"/>'
        for x, y in cell.dots_mm
    )
    wide, high = f"{cell.width_mm:.4f}", f"{cell.height_mm:.4f}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}mm" height="{high}mm" viewBox="0 0 {wide} {high}">'
        f"{lines}{dots}</svg>"
    )


def _text(letter: str, *, right_px: int = 0) -> str:
    place = (
        "<se:LabelPlacement><se:PointPlacement><se:AnchorPoint><se:AnchorPointX>0.5</se:AnchorPointX><se:AnchorPointY>0.5"
        "</se:AnchorPointY></se:AnchorPoint><se:Displacement>"
        f"<se:DisplacementX>{right_px}</se:DisplacementX><se:DisplacementY>0</se:DisplacementY>"
        "</se:Displacement></se:PointPlacement></se:LabelPlacement>"
    )
    return (
        f"<se:TextSymbolizer><se:Label><ogc:Literal>{escape(letter)}</ogc:Literal></se:Label><se:Font>"
        f"{_pen(font_family='sans-serif', font_size=_LETTER_PX)}</se:Font>{place}<se:Halo><se:Radius>1</se:Radius>"
        f"<se:Fill>{_pen(fill='#ffffff')}</se:Fill></se:Halo><se:Fill>{_pen(fill='#111111')}</se:Fill></se:TextSymbolizer>"
    )


def _sld(name: str, rules: list[str]) -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?><StyledLayerDescriptor xmlns="http://www.opengis.net/sld" '
        'xmlns:ogc="http://www.opengis.net/ogc" xmlns:se="http://www.opengis.net/se" version="1.1.0"><NamedLayer>'
        f"<se:Name>{escape(name)}</se:Name><UserStyle><se:Name>{escape(name)}</se:Name><se:FeatureTypeStyle>"
        f"{''.join(rules)}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )
