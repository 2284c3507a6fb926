"""Every table that people bring: who reads it, what its columns mean, and a filled-in example that goes in as it is.

The page of formats and the templates are made from this one list; a test gives every example to the command that reads it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from facademap.io.block_columns import (
    BLOCK_SHEET,
    FACE_SHEET,
    REQUIRED,
    REQUIRED_OF_FACE,
    column_help,
)
from facademap.tables import CONDITIONS

__all__ = ["TABLE_KINDS", "KindColumn", "TableKind"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KindColumn:
    """One column: name with its unit, meaning, whether it must be there."""

    name: str
    meaning: str
    required: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class TableKind:
    """One table.

    Parameters
    ----------
    name : str
        As asked for on the command line.
    read_by : str
        Command and option that read it.
    meaning : str
    columns : tuple of KindColumn
    rows : tuple of tuple
        Example, in the order of the columns; empty text for nothing.
    """

    name: str
    read_by: str
    meaning: str
    columns: tuple[KindColumn, ...]
    rows: tuple[tuple[str | float, ...], ...]

    def __post_init__(self) -> None:
        assert all(len(r) == len(self.columns) for r in self.rows), self.name


def _c(name: str, meaning: str, *, required: bool = True) -> KindColumn:
    return KindColumn(name=name, meaning=meaning, required=required)


def _optional(column: KindColumn) -> KindColumn:
    return replace(column, required=False)


_NAME = _c("name", "Name of the point, each its own.")
_X = _c(
    "x_px",
    "Right in the picture, pixels; whole numbers are pixel centres, 0 the first. The picture is upright, as every program shows it; a further column pixels may say stored (before the turn by EXIF).",
)
_Y = _c("y_px", "Down in the picture, pixels.")
_U = _c("u_m", "Along the wall, to the right seen from outside, metres.")
_V = _c("v_m", "Up the wall, metres.")
_ROLE = _c("role", "control (used in the fit) or check (kept apart, shows the accuracy).")
_SIGMA_PX = _c("sigma_px", "One sigma of picking, pixels.", required=False)
_SIGMA_MM = _c("sigma_mm", "One sigma of the survey, millimetres.", required=False)
_PHOTO = _c("photo", "File name of the photo, without folder.")
_EAST = _c("east_m", "Easting, metres.", required=False)
_NORTH = _c("north_m", "Northing, metres.", required=False)
_HEIGHT = _c("height_m", "Height, metres.", required=False)
_LAB = (
    _c("L", "Lightness, CIELAB D50."),
    _c("a", "Green to red, CIELAB D50."),
    _c("b", "Blue to yellow, CIELAB D50."),
)

#: A photo of 1600 x 1200 px that looks squarely at a wall of 8 m by 6 m, 5 mm a pixel, its lower left corner the origin.
_CONTROL_ROWS = (
    ("T1", 0.5025, 0.4975, 100, 1100, "control", 0.5, 2),
    ("T2", 7.5025, 0.4975, 1500, 1100, "control", 0.5, 2),
    ("T3", 7.5025, 5.4975, 1500, 100, "control", 0.5, 2),
    ("T4", 0.5025, 5.4975, 100, 100, "control", 0.5, 2),
    ("T5", 4.0025, 0.4975, 800, 1100, "control", 0.5, 2),
    ("T6", 4.0025, 5.4975, 800, 100, "control", 0.5, 2),
    ("K1", 2.0025, 2.9975, 400, 600, "check", 0.5, 2),
    ("K2", 6.0025, 3.4975, 1200, 500, "check", 0.5, 2),
)
#: Its origin in the world, and how far east and north it runs in a metre.
_ORIGIN_ENH, _ALONG_EN = (402300.0, 6050100.0, 12.0), (0.8, 0.6)
_WORLD_ROWS = (
    ("T1", "control", 0.0, 0.0, "", 402300.000, 6050100.000, 12.000, 2),
    ("T2", "control", 8.0, 0.0, "", 402306.400, 6050104.800, 12.000, 2),
    ("T3", "control", 8.0, 6.0, "", 402306.400, 6050104.800, 18.000, 2),
    ("K1", "check", 4.0, 3.0, "", 402303.200, 6050102.400, 15.000, 2),
)


def _place_in_world(u_m: float, v_m: float) -> tuple[float, float, float]:
    """East, north and height of a place on the wall of the examples."""
    (east, north, height), (right, ahead) = _ORIGIN_ENH, _ALONG_EN
    return round(east + right * u_m, 4), round(north + ahead * u_m, 4), round(height + v_m, 4)


def _block_kind(sheet: str, rows: tuple[tuple[str | float, ...], ...]) -> TableKind:
    required = REQUIRED if sheet == BLOCK_SHEET else REQUIRED_OF_FACE
    columns = tuple(
        _c(name, text, required=name in required) for name, text in column_help(sheet).items()
    )
    return TableKind(
        name=sheet,
        read_by="add-blocks PROJECT FILE" if sheet == BLOCK_SHEET else "add-blocks --faces",
        meaning="Salvaged blocks, each with its first face; name, stone and length, height and depth are enough to begin."
        if sheet == BLOCK_SHEET
        else "Further faces of the blocks; in a workbook the sheet faces beside the sheet blocks.",
        columns=columns,
        rows=tuple(_in_order(columns, dict(zip(r[::2], r[1::2], strict=True))) for r in rows),
    )


def _in_order(
    columns: tuple[KindColumn, ...], cells: Mapping[str | float, str | float]
) -> tuple[str | float, ...]:
    return tuple(cells.get(c.name, "") for c in columns)


_FACE = ("outline_mm", "0 0, 640 0, 640 310, 0 310", "usable_depth_mm", 220, "bed", "x")
_KINDS = (
    TableKind(
        name="control",
        read_by="rectify --control; locate --control; measure --control; straighten --control; tape --control; frame --survey; add-control; add-elevation --points",
        meaning="The one table of control: places on the wall (u_m, v_m), in the world (east_m, north_m, height_m), or both, and where one picture shows them. Each command takes what it needs: columns that are not known are left out.",
        columns=(
            _NAME,
            _optional(_U),
            _optional(_V),
            _EAST,
            _NORTH,
            _HEIGHT,
            _optional(_X),
            _optional(_Y),
            _c(
                "role",
                "control (used in the fit; so without it), check (kept apart, shows the accuracy) or instrument (the place that the wall was measured from).",
                required=False,
            ),
            _SIGMA_PX,
            _SIGMA_MM,
        ),
        rows=tuple((*r[:3], *_place_in_world(r[1], r[2]), *r[3:]) for r in _CONTROL_ROWS),
    ),
    TableKind(
        name="points",
        read_by="locate --points",
        meaning="Pixels whose place on the wall is asked for.",
        columns=(_NAME, _X, _Y),
        rows=(("sill left", 400, 800), ("sill right", 640, 801.5)),
    ),
    TableKind(
        name="shapes",
        read_by="measure --shapes",
        meaning="Lengths and areas to be measured; the rows of one shape are its corners in order.",
        columns=(_c("shape", "Name of the shape."), _c("kind", "length or area."), _X, _Y),
        rows=(
            ("crack", "length", 300, 400),
            ("crack", "length", 340, 520),
            ("loss", "area", 700, 600),
            ("loss", "area", 760, 600),
            ("loss", "area", 730, 660),
        ),
    ),
    TableKind(
        name="survey",
        read_by="frame --survey",
        meaning="Points of one surface from the total station.",
        columns=(
            _NAME,
            _c("e_m", "Easting, metres."),
            _c("n_m", "Northing, metres."),
            _c("h_m", "Height, metres."),
        ),
        rows=tuple((r[0], *r[5:8]) for r in _WORLD_ROWS),
    ),
    TableKind(
        name="survey-points",
        read_by="add-control PROJECT POINTS; add-elevation --points (scans)",
        meaning="The same without pictures: control and check points of a surface, on the wall, in the world, or both.",
        columns=(
            _NAME,
            _c("role", "control or check; control without it.", required=False),
            _c("u_m", "Along the wall, metres.", required=False),
            _c("v_m", "Up the wall, metres.", required=False),
            _c("w_m", "Out of the wall, metres.", required=False),
            _EAST,
            _NORTH,
            _HEIGHT,
            _SIGMA_MM,
            _c(
                "measured_by",
                "How the place was found, such as tape; papers say so.",
                required=False,
            ),
        ),
        rows=tuple((*r, "") for r in _WORLD_ROWS),
    ),
    TableKind(
        name="observations",
        read_by="add-control --observations",
        meaning="Where photos show the points of the survey.",
        columns=(_PHOTO, _NAME, _X, _Y),
        rows=(
            ("front_1.jpg", "T1", 102.4, 1101.7),
            ("front_1.jpg", "T2", 1498.2, 1096.3),
            ("front_1.jpg", "K1", 803.1, 598.8),
        ),
    ),
    TableKind(
        name="mosaic-control",
        read_by="mosaic --control",
        meaning="Control and check points in several photos, one row for each place where a photo shows a point.",
        columns=(_PHOTO, _NAME, _U, _V, _X, _Y, _ROLE, _SIGMA_PX, _SIGMA_MM),
        rows=(
            ("front_1.jpg", "T1", 0.5, 0.5, 100, 1100, "control", 0.5, 2),
            ("front_2.jpg", "T1", 0.5, 0.5, 60, 1090, "control", 0.5, 2),
            ("front_2.jpg", "K1", 2.0, 3.0, 400, 600, "check", 0.5, 2),
        ),
    ),
    TableKind(
        name="photo-points",
        read_by="register --points",
        meaning="Points picked in photos that are to be carried over.",
        columns=(_PHOTO, _NAME, _X, _Y),
        rows=(("front_1.jpg", "crack start", 402, 811), ("front_2.jpg", "crack start", 377.5, 802)),
    ),
    TableKind(
        name="tape",
        read_by="tape --tape",
        meaning="Tape distances, level and plumb lines between points.",
        columns=(
            _c("kind", "distance, level (both ends at one height) or plumb (one above the other)."),
            _c("start", "Point."),
            _c("end", "Point."),
            _c("length_m", "Measured length, metres; empty for a level or plumb line without one."),
            _c("sigma_mm", "One sigma of the measure, millimetres; 3 without it.", required=False),
        ),
        rows=(
            ("level", "A", "B", 4.0, 3),
            ("plumb", "A", "D", 3.0, 3),
            ("plumb", "B", "C", 3.0, 3),
            ("distance", "D", "C", 4.001, 3),
            ("distance", "A", "C", 5.002, 3),
            ("distance", "B", "D", 4.999, 3),
        ),
    ),
    TableKind(
        name="clicks",
        read_by="follow --clicks --kind outline",
        meaning="A click on each stone or defect.",
        columns=(_NAME, _X, _Y),
        rows=(("S1", 400, 600), ("S2", 820, 610)),
    ),
    TableKind(
        name="line-clicks",
        read_by="follow --clicks --kind line",
        meaning="Clicks along each crack or joint, in their order.",
        columns=(_NAME, _c("order", "1, 2, 3 along the line."), _X, _Y),
        rows=(("crack", 1, 300, 400), ("crack", 2, 340, 520), ("crack", 3, 352, 640)),
    ),
    TableKind(
        name="patches",
        read_by="add-chart PROJECT PHOTO PATCHES; colour --patches; mosaic --patches",
        meaning="Patches of a colour chart in a photo with their reference colours.",
        columns=(
            _NAME,
            _X,
            _Y,
            _c("half_px", "Half the side of the part to be read, pixels."),
            _c("role", "fit, or check (kept apart)."),
            *_LAB,
        ),
        rows=(
            ("white", 610, 900, 12, "fit", 96.5, -0.4, 1.2),
            ("grey", 650, 900, 12, "fit", 50.9, -0.2, -0.3),
            ("black", 690, 900, 12, "check", 20.5, 0.1, -0.9),
        ),
    ),
    TableKind(
        name="chart",
        read_by="colour --table",
        meaning="Reference colours of a chart of rows and columns, counted from 1.",
        columns=(
            _NAME,
            _c("row", "Row from the top."),
            _c("column", "Column from the left."),
            *_LAB,
        ),
        rows=(
            ("A1", 1, 1, 37.5, 14.4, 14.9),
            ("A2", 1, 2, 64.7, 17.2, 17.5),
            ("B1", 2, 1, 96.5, -0.4, 1.2),
            ("B2", 2, 2, 50.9, -0.2, -0.3),
        ),
    ),
    TableKind(
        name="face-control",
        read_by="yard measure --control; outline-block --control",
        meaning="Four or more points in the plane of a block's face.",
        columns=(
            _NAME,
            _X,
            _Y,
            _c("x_mm", "Along the face, millimetres."),
            _c("y_mm", "Up the face, millimetres."),
        ),
        rows=(
            ("1", 210, 940, 0, 0),
            ("2", 1390, 930, 600, 0),
            ("3", 1380, 330, 600, 300),
            ("4", 220, 345, 0, 300),
        ),
    ),
    TableKind(
        name="pictures",
        read_by="looks --images",
        meaning="Pictures of stones to be compared by their looks.",
        columns=(
            _NAME,
            _c("path", "Picture, beside this file or a full path."),
            _c("mask_path", "Picture that is white where the stone is.", required=False),
        ),
        rows=(("B-01", "B-01.png", ""), ("B-02", "B-02.png", "")),
    ),
    TableKind(
        name="conditions",
        read_by="add-outlines conditions PROJECT FILE",
        meaning="Conditions noted as points; outlines come as GeoPackage, GeoJSON, shapefile, FlatGeobuf, DXF or KML with the same columns.",
        columns=(
            _U,
            _V,
            *(
                _c(c.name, c.meaning, required=c.name == "term")
                for c in CONDITIONS.columns
                if c.name in ("id", "term", "depth_m", "cc", "uc", "observed_on", "note")
            ),
        ),
        rows=(),
    ),
    _block_kind(
        BLOCK_SHEET,
        (
            (
                "id",
                "B-01",
                "stone_type",
                "Buff sandstone",
                "length_mm",
                640,
                "height_mm",
                310,
                "depth_mm",
                240,
                *_FACE,
                "location",
                "row B, pallet 1",
                "state",
                "available",
            ),
            (
                "id",
                "B-02",
                "stone_type",
                "Buff sandstone",
                "length_mm",
                500,
                "height_mm",
                300,
                "depth_mm",
                200,
            ),
        ),
    ),
    _block_kind(
        FACE_SHEET,
        (
            (
                "block",
                "B-01",
                "face",
                "B-01.back",
                *_FACE,
                "flaws_mm",
                "crack 40: 10 10, 60 10, 60 30",
            ),
        ),
    ),
)


def _with_conditions(kind: TableKind) -> TableKind:
    if kind.name != "conditions":
        return kind
    cells = (
        {
            "u_m": 1.25,
            "v_m": 2.4,
            "term": "perforation",
            "depth_m": 0.06,
            "cc": 2,
            "observed_on": "2026-04-03",
        },
        {"u_m": 3.1, "v_m": 0.65, "term": "corroding iron", "cc": 2, "note": "cramp at the sill"},
    )
    return TableKind(
        name=kind.name,
        read_by=kind.read_by,
        meaning=kind.meaning,
        columns=kind.columns,
        rows=tuple(_in_order(kind.columns, c) for c in cells),  # type: ignore[arg-type]
    )


TABLE_KINDS: Mapping[str, TableKind] = {k.name: _with_conditions(k) for k in _KINDS}
