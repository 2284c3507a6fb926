"""The same signs as XML for desktop GIS programs, which read that column of the table of styles first."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Sequence
from uuid import NAMESPACE_URL, uuid5

from facademap.condition.glossary import FAMILIES, TERMS, Hatch, family_named
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

__all__ = ["desktop_style", "desktop_style_of_conditions", "desktop_style_of_repairs"]

#: Our shapes in the words of these files.
_KINDS = {"polygon": "fill", "line": "line", "point": "marker"}
_CLASSES = (None, 0, 1, 2, 3)
_WAITING = '("origin" = \'assisted\' AND "confirmed_by" IS NULL)'


def desktop_style(layer: str, sign: Sign) -> str:
    """The style of a layer that has one sign."""
    style = _Style("point" if layer == "control_points" else "polygon")
    symbol = style.rule(layer, "")
    if layer == "control_points":
        _mark(symbol, sign.colour, sign.weight_mm)
    else:
        _plain(symbol, sign.colour, sign.fill)
        _stroke(symbol, sign.colour, sign.weight_mm)
    return style.text()


def desktop_style_of_conditions(shape: str) -> str:
    """The style of conditions that are areas, lines or points."""
    style = _Style(shape, labelled=True)
    if shape == "polygon":
        for term in TERMS:
            symbol, colour = (
                style.rule(term.name, _is("term", term.name)),
                family_named(term.family).colour,
            )
            _plain(symbol, colour, CONDITION_FILL)
            _hatch(symbol, term.hatch, colour)
    for cc in _CLASSES:
        weight, of_class = weight_of_class(cc), f'"cc" = {cc}' if cc is not None else '"cc" IS NULL'
        for name, colour, wanted, dash in _outlines(shape):
            symbol = style.rule(
                f"{name}, CC{'?' if cc is None else cc}", f"{wanted} AND {of_class}"
            )
            if shape == "point":
                _mark(symbol, colour, weight)
            else:
                _stroke(symbol, colour, weight + (LINE_EXTRA_MM if shape == "line" else 0.0), dash)
    return style.text()


def desktop_style_of_repairs() -> str:
    """The style of repairs: hatch and outline of each treatment, and an outline for any other word."""
    style = _Style("polygon")
    for treatment, sign in SIGN_OF_TREATMENT.items():
        symbol = style.rule(treatment, _is("treatment", treatment))
        if sign.hatch:
            _hatch(symbol, sign.hatch, sign.colour)
        _stroke(symbol, sign.colour, sign.weight_mm)
    other, symbol = SIGN_OF_THING["repairs"], style.rule("another treatment", "ELSE")
    _plain(symbol, other.colour, other.fill)
    _stroke(symbol, other.colour, other.weight_mm)
    return style.text()


def _outlines(shape: str) -> list[tuple[str, str, str, Sequence[float]]]:
    """Name, colour, filter and dash of each kind of outline."""
    if shape == "point":
        return [(f.name, f.colour, _is("family", f.id), ()) for f in FAMILIES]
    proposed: list[tuple[str, str, str, Sequence[float]]] = [
        (f"{f.name}, proposed", f.colour, f"{_is('family', f.id)} AND {_WAITING}", PROPOSED_DASH_MM)
        for f in FAMILIES
    ]
    if shape == "polygon":
        return [
            *proposed,
            *(
                (f.name, f.colour, f"{_is('family', f.id)} AND NOT {_WAITING}", ())
                for f in FAMILIES
            ),
        ]
    own: list[tuple[str, str, str, Sequence[float]]] = [
        (
            t.name,
            family_named(t.family).colour,
            f"{_is('term', t.name)} AND NOT {_WAITING}",
            DASH_OF_LINE.get(t.name, ()),
        )
        for t in TERMS
    ]
    return proposed + own


def _is(column: str, value: str) -> str:
    return f"\"{column}\" = '{value.replace(chr(39), 2 * chr(39))}'"


class _Style:
    """A file in the making: rules, and the symbol of each."""

    def __init__(self, shape: str, *, labelled: bool = False) -> None:
        self.kind = _KINDS[shape]
        self.root = ET.Element(
            "qgis",
            version="3.16.0",
            styleCategories="Symbology|Labeling",
            labelsEnabled=str(int(labelled)),
        )
        renderer = ET.SubElement(
            self.root,
            "renderer-v2",
            type="RuleRenderer",
            symbollevels="0",
            enableorderby="0",
            forceraster="0",
        )
        self.rules = ET.SubElement(renderer, "rules", key=_key(shape))
        self.symbols = ET.SubElement(renderer, "symbols")
        if labelled:
            _labels(self.root)

    def rule(self, label: str, wanted: str) -> ET.Element:
        number = str(len(self.symbols))
        rule = ET.SubElement(
            self.rules, "rule", key=_key(f"{label} {wanted}"), symbol=number, label=label
        )
        if wanted:
            rule.set("filter", wanted)
        return _symbol(self.symbols, number, self.kind)

    def text(self) -> str:
        return ET.tostring(self.root, encoding="unicode")


def _key(words: str) -> str:
    return f"{{{uuid5(NAMESPACE_URL, words)}}}"


def _symbol(holder: ET.Element, name: str, kind: str) -> ET.Element:
    return ET.SubElement(
        holder, "symbol", name=name, type=kind, alpha="1", clip_to_extent="1", force_rhr="0"
    )


def _layer(symbol: ET.Element, kind: str, **values: object) -> ET.Element:
    layer = ET.SubElement(
        symbol, "layer", {"class": kind, "pass": "0", "locked": "0", "enabled": "1"}
    )
    for name, value in values.items():
        ET.SubElement(layer, "prop", k=name, v=str(value))
    return layer


def _ink(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[n : n + 2], 16) for n in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _plain(symbol: ET.Element, colour: str, opacity: float) -> None:
    style = "solid" if opacity else "no"
    _layer(symbol, "SimpleFill", color=_ink(colour, opacity), style=style, outline_style="no")


def _stroke(
    symbol: ET.Element, colour: str, weight_mm: float, dash_mm: Sequence[float] = ()
) -> None:
    _layer(
        symbol,
        "SimpleLine",
        line_color=_ink(colour),
        line_style="solid",
        line_width=round(weight_mm, 3),
        line_width_unit="MM",
        use_custom_dash=int(bool(dash_mm)),
        customdash=";".join(f"{d:g}" for d in dash_mm) or "5;2",
        customdash_unit="MM",
        capstyle="flat",
        joinstyle="miter",
    )


def _mark(symbol: ET.Element, colour: str, weight_mm: float) -> None:
    _layer(
        symbol,
        "SimpleMarker",
        name="triangle",
        color=_ink("#ffffff"),
        outline_color=_ink(colour),
        outline_style="solid",
        outline_width=round(weight_mm, 3),
        outline_width_unit="MM",
        size=MARK_MM,
        size_unit="MM",
    )


def _hatch(symbol: ET.Element, hatch: Hatch, colour: str) -> None:
    for angle in hatch.angles_deg:
        layer = _layer(
            symbol,
            "LinePatternFill",
            angle=f"{angle:g}",
            distance=f"{hatch.spacing_mm:g}",
            distance_unit="MM",
            offset=0,
            offset_unit="MM",
        )
        _stroke(
            _symbol(layer, f"@{symbol.get('name')}@{len(symbol) - 1}", "line"),
            colour,
            HATCH_LINE_MM,
            hatch.dash_mm,
        )
    if hatch.angles_deg:
        return
    rise = hatch.spacing_mm * 3**0.5 / 2
    layer = _layer(
        symbol,
        "PointPatternFill",
        distance_x=f"{hatch.spacing_mm:g}",
        distance_x_unit="MM",
        distance_y=f"{rise:.4f}",
        distance_y_unit="MM",
        displacement_x=f"{hatch.spacing_mm / 2:g}",
        displacement_x_unit="MM",
        displacement_y=0,
        displacement_y_unit="MM",
    )
    dot = _symbol(layer, f"@{symbol.get('name')}@{len(symbol) - 1}", "marker")
    _layer(
        dot,
        "SimpleMarker",
        name="circle",
        color=_ink(colour),
        outline_style="no",
        size=2 * DOT_RADIUS_MM,
        size_unit="MM",
    )


def _labels(root: ET.Element) -> None:
    """The letter of each term with the marks of its urgency."""
    letters = ", ".join(f"'{t.name}', '{t.abbreviation}'" for t in TERMS)
    marks = " ".join(f"WHEN {n} THEN '{mark}'" for n, mark in enumerate(URGENCY_MARKS) if mark)
    words = f'map_get(map({letters}), "term") || CASE "uc" {marks} ELSE \'\' END'
    settings = ET.SubElement(
        ET.SubElement(root, "labeling", type="simple"), "settings", calloutType="simple"
    )
    style = ET.SubElement(
        settings,
        "text-style",
        fieldName=words,
        isExpression="1",
        fontSize="7",
        fontSizeUnit="Point",
        textColor="17,17,17,255",
    )
    ET.SubElement(
        style,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.6",
        bufferSizeUnits="MM",
        bufferColor="255,255,255,255",
    )
