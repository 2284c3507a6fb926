"""Placemarks of a KML file: longitude, latitude and height in degrees and metres (OGC 12-007r2, KML 2.3)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import shapely

from facademap.errors import InputError
from facademap.io.archives import unpack
from facademap.io.markup import parse_markup
from facademap.io.table_grids import read_bytes

__all__ = ["read_kml"]


def read_kml(path: Path) -> list[dict[str, Any]]:
    """Geometry and properties of every placemark; KMZ is unpacked.

    Raises
    ------
    FileError, InputError
    """
    data = read_bytes(path, what="KML file", limit="file_mb")
    try:
        if path.suffix.lower() == ".kmz":
            archive = unpack(
                data,
                name=path.name,
                kind="KML",
                remedy="Export it again.",
                smaller="Give a smaller file",
            )
            data = archive.read(next(e for e in archive.entries if e.lower().endswith(".kml")))
    except StopIteration:
        raise InputError(f"{path.name}: cannot be read as KML", "Export it again.") from None
    root = parse_markup(data, name=path.name, kind="KML", remedy="Export it again.")
    shapes = []
    for number, mark in enumerate(_all(root, "Placemark"), start=1):
        try:
            parts = [g for g in map(_geometry, mark.iter()) if g is not None]
            # only absolute heights are heights; the others are counted from a terrain nobody here has
            modes = {(e.text or "").strip() for e in _all(mark, "altitudeMode")}
            if modes != {"absolute"}:
                parts = [shapely.force_2d(g) for g in parts]
        except (ValueError, IndexError):
            raise InputError(
                f"{path.name}: placemark {number} has no readable coordinates", "Draw it again."
            ) from None
        row: dict[str, Any] = {
            _plain(e.tag): (e.text or "").strip()
            for e in mark
            if _plain(e.tag) in ("name", "description")
        }
        row |= {
            str(d.get("name")): ("".join(d.itertext())).strip()
            for d in mark.iter()
            if _plain(d.tag) in ("Data", "SimpleData") and d.get("name")
        }
        shapes += [{**row, "geometry": part} for part in parts]
    return shapes


def _plain(tag: str) -> str:
    return tag.rpartition("}")[2]


def _all(root: Any, name: str) -> list[Any]:
    return [e for e in root.iter() if _plain(e.tag) == name]


def _geometry(element: Any) -> Any:
    kind = _plain(element.tag)
    if kind == "Polygon":
        rings = {
            side: [_corners(r) for b in _all(element, side) for r in _all(b, "coordinates")]
            for side in ("outerBoundaryIs", "innerBoundaryIs")
        }
        return shapely.Polygon(rings["outerBoundaryIs"][0], rings["innerBoundaryIs"])
    if kind == "LineString":
        return shapely.LineString(_corners(_all(element, "coordinates")[0]))
    if kind == "Point":
        return shapely.Point(_corners(_all(element, "coordinates")[0])[0])
    return None


def _corners(element: Any) -> list[tuple[float, ...]]:
    return [tuple(float(c) for c in place.split(",")) for place in (element.text or "").split()]
