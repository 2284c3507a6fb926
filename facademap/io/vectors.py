"""Outlines, lines and points of any office's file, as they stand there: with heights, reference system and unit if stated.

What the coordinates mean on a wall is found by `facademap.tasks.survey.understand_shapes`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.errors import ShapelyError
from shapely.geometry import shape

from facademap.errors import FacademapError, FileError, InputError
from facademap.io.csv_tables import TableWords, read_table, read_text_file
from facademap.limits import hold_within
from facademap.plain_texts import parse_json
from facademap.values import frozen_value

__all__ = ["MARK", "ShapeFile", "pixel_mark", "read_shapes"]

#: Member of our own GeoJSON that says in what its coordinates are.
MARK = "facademap"
_OGR = {".gpkg": "a GeoPackage", ".shp": "a shapefile", ".fgb": "a FlatGeobuf file"}
#: How such a file begins. The library goes by the content, and a description of a source elsewhere, be it on this machine
#: or in a network, is a kind of content too.
_BEGINS = {".gpkg": b"SQLite format 3\0", ".shp": b"\0\0\x27\x0a", ".fgb": b"fgb"}
_READ = ".gpkg, .geojson, .shp, .fgb, .dxf, .kml, .csv, .xlsx or .ods"
#: Ways in which a table may give places: pixels, wall, world.
_PLACES = (("u_m", "v_m"), ("x_px", "y_px"), ("east_m", "north_m", "height_m"))


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeFile:
    """Shapes and what the file says of them.

    Parameters
    ----------
    frame : GeoDataFrame
        Properties and geometry, without a reference system; z is kept where there is one.
    crs : pyproj.CRS or None
        Reference system that the file states.
    unit : str or None
        Unit that the file states: ``m mm cm in ft ftus px``.
    picture : str or None
        Picture whose pixels the coordinates are, where the file says so.
    world : bool
        Coordinates are east, north, height.
    notes : tuple of str
        What had to be understood, what was left out.
    """

    frame: gpd.GeoDataFrame
    crs: CRS | None = None
    unit: str | None = None
    picture: str | None = None
    world: bool = False
    notes: tuple[str, ...] = ()


def pixel_mark(picture: str, *, width_px: int, height_px: int) -> dict[str, Any]:
    """What our own GeoJSON says of coordinates in pixels of a picture (x right, y down, centre at whole numbers)."""
    return {"unit": "px", "picture": picture, "width_px": width_px, "height_px": height_px}


def read_shapes(
    path: str | Path,
    *,
    layer: str | None = None,
    likely_layer: str | None = None,
    words: TableWords | None = None,
) -> ShapeFile:
    """Every feature of a file with its properties.

    Parameters
    ----------
    path : path
        GeoPackage, GeoJSON, shapefile, FlatGeobuf, DXF, KML or a table of points.
    layer : str, optional
        Layer of a GeoPackage or a drawing.
    likely_layer : str, optional
        Layer of a GeoPackage that is taken where several are there and none was named.
    words : TableWords, optional
        What the user says of a table.

    Raises
    ------
    FileError, InputError
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending in _OGR:
        found = _read_ogr(path, layer, likely_layer)
    elif ending in (".geojson", ".json"):
        found = _read_geojson(path)
    elif ending == ".dxf":
        found = _read_drawing(path, layer)
    elif ending in (".kml", ".kmz"):
        from facademap.io.kml_shapes import read_kml

        found = ShapeFile(frame=_framed(read_kml(path)), crs=CRS.from_epsg(4326))
    elif ending in (".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".ods"):
        found = _read_points(path, words)
    else:
        raise InputError(
            f"{path}: outlines are read from {_READ}, not {ending or 'a file without ending'}",
            "Export the layer in one of these formats.",
        )
    if found.frame.empty:
        raise InputError(
            f"{path}: holds no features", "Give a file with at least one outline, line or point."
        )
    _hold_count(path, len(found.frame))
    return found


def _hold_count(path: Path, count: int) -> None:
    hold_within(
        "features", count, what=f"{path}: holds {count} features", remedy="Split it into parts"
    )


def _framed(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    shapes = [r["geometry"] for r in rows]
    plain = [{k: v for k, v in r.items() if k != "geometry"} for r in rows]
    return gpd.GeoDataFrame(pd.DataFrame(plain, dtype=object), geometry=shapes)


#: What the reading library says of a damaged file, each kind of damage in its own words.
_UNREADABLE = (RuntimeError, ShapelyError, ValueError)


def _need_kind(path: Path) -> None:
    """Refuse what is not of the kind that its name says."""
    kind = path.suffix.lower()
    with path.open("rb") as file:
        if not file.read(16).startswith(_BEGINS[kind]):
            raise InputError(
                f"{path}: is not {_OGR[kind]}, it only has the name of one",
                "Save it again from the program it came from.",
            )


def _read_ogr(path: Path, layer: str | None, likely: str | None) -> ShapeFile:
    import pyogrio

    if not path.is_file():
        raise FileError(f"{path}: there is no such file", "Check the path.")
    _need_kind(path)
    try:
        names = [str(n) for n, kind in pyogrio.list_layers(path) if kind is not None]
        chosen = _chosen_layer(path, names, layer, likely)
        info = pyogrio.read_info(path, layer=chosen)
        _hold_count(path, info["features"])
        frame = pyogrio.read_dataframe(path, layer=chosen, datetime_as_string=True)
    except FacademapError:
        raise
    except _UNREADABLE as error:
        raise InputError(
            f"{path}: cannot be read as {_OGR[path.suffix.lower()]} ({_short(error)})",
            "Save it again from the program it came from.",
        ) from None
    if "geometry" not in frame:
        frame = gpd.GeoDataFrame({"id": []}, geometry=[])
    missing = [k + 1 for k, g in enumerate(frame.geometry) if g is None or g.is_empty]
    if missing:
        raise InputError(
            f"{path}: feature {missing[0]} has no outline"
            + (f", and {len(missing) - 1} more" if len(missing) > 1 else ""),
            "Draw it, or remove it.",
        )
    notes = (f"{path.name}: layer {chosen} of {len(names)} was read",) if len(names) > 1 else ()
    return ShapeFile(frame=frame.set_crs(None, allow_override=True), crs=frame.crs, notes=notes)


def _chosen_layer(path: Path, names: list[str], layer: str | None, likely: str | None) -> str:
    if not names:
        raise InputError(f"{path}: holds no features", "Give a file with outlines.")
    if layer is not None and layer not in names:
        raise InputError(
            f"{path}: has no layer {layer!r}", f"Use one of {', '.join(map(str, names))}."
        )
    if layer is None and len(names) > 1 and likely not in names:
        raise InputError(
            f"{path}: has {len(names)} layers: {', '.join(names[:12])}",
            "Name the one to be read with --layer.",
        )
    return layer or (str(likely) if likely in names else names[0])


def _read_drawing(path: Path, layer: str | None) -> ShapeFile:
    from facademap.io.dxf_shapes import read_dxf

    shapes, unit, notes = read_dxf(path, layer=layer)
    labels = [s["label"] for s in shapes]
    if labels and all(labels) and len(set(labels)) == len(labels):
        for s in shapes:
            s["id"] = s["label"]
        notes.append(f"{path.name}: the text in each outline was taken as its name")
    for s in shapes:
        s.pop("label", None) if not any(labels) or "id" in s else None
    return ShapeFile(frame=_framed(shapes), unit=unit, notes=tuple(notes))


def _read_geojson(path: Path) -> ShapeFile:
    text = read_text_file(path, what="GeoJSON file", limit="file_mb")
    content = parse_json(
        text, where=str(path), remedy="The file may be cut off or spoilt; export it again"
    )
    features = content.get("features") if isinstance(content, dict) else None
    if not isinstance(features, list):
        raise InputError(
            f"{path}: is not a GeoJSON feature collection",
            "Export the layer as a feature collection.",
        )
    _hold_count(path, len(features))
    rows: list[dict[str, Any]] = []
    shapes: list[Any] = []
    for number, feature in enumerate(features, start=1):
        properties = (feature.get("properties") or {}) if isinstance(feature, dict) else {}
        if isinstance(feature, dict) and "id" not in properties and feature.get("id") is not None:
            properties = {"id": str(feature["id"]), **properties}
        shapes.append(_shape_of(feature, number, properties.get("id"), path))
        rows.append(properties)
    mark = content.get(MARK)
    mark = mark if isinstance(mark, dict) else {}
    return ShapeFile(
        frame=gpd.GeoDataFrame(pd.DataFrame(rows, dtype=object), geometry=shapes),
        crs=_geojson_crs(content, path),
        unit=str(mark["unit"]) if mark.get("unit") else None,
        picture=str(mark["picture"]) if mark.get("picture") else None,
    )


def _geojson_crs(content: dict[str, Any], path: Path) -> CRS | None:
    """The reference system of the older standard, which programs still write; none is none of RFC 7946's degrees."""
    said = content.get("crs")
    if not isinstance(said, dict):
        return None
    name = (said.get("properties") or {}).get("name")
    try:
        return CRS.from_user_input(str(name))
    except CRSError:
        raise InputError(
            f"{path}: names the reference system {str(name)[:60]!r}, which is not known",
            "Export it with an EPSG code, or without one in metres of the wall.",
        ) from None


def _shape_of(feature: Any, number: int, label: Any, path: Path) -> Any:
    try:
        geometry = shape(feature["geometry"])
    except Exception:
        raise InputError(
            f"{path}: feature {number}{f' ({label})' if label else ''} has no readable geometry",
            "Draw it again, or remove it.",
        ) from None
    if not all(math.isfinite(c) for c in geometry.bounds):
        raise InputError(
            f"{path}: feature {number}{f' ({label})' if label else ''} is empty or not finite",
            "Draw it again, or remove it.",
        )
    return geometry


def _read_points(path: Path, words: TableWords | None) -> ShapeFile:
    """A table of points: places on the wall, in the picture, or in the world."""
    problem: InputError | None = None
    for columns in _PLACES:
        try:
            table = read_table(
                path, columns=columns, what="points file", words=words, keep_others=True
            )
        except InputError as error:
            if "is missing" not in error.problem:
                raise
            problem = problem or error
            continue
        rows = [
            {
                **{k: v for k, v in row.cells.items() if k not in columns},
                "geometry": shapely.Point([row.number(c) for c in columns]),
            }
            for row in table.rows
        ]
        unit = "px" if columns[0] == "x_px" else "m"
        return ShapeFile(frame=_framed(rows), unit=unit, world=len(columns) == 3, notes=table.notes)
    assert problem is not None
    raise InputError(
        problem.problem,
        "Name the columns of the place u_m and v_m, x_px and y_px, or east_m, north_m and height_m.",
    )


def _short(error: Exception) -> str:
    said = " ".join(str(error).split())
    # what the file holds stands in the library's message, and is no text
    return "damaged" if isinstance(error, UnicodeError) or "Raw error" in said else said[:120]
