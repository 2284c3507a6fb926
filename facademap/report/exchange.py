"""Exchange files that other programs read back without loss: GeoJSON in the world, DXF in the wall frame."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import ezdxf
import numpy as np
import pandas as pd
import pyproj
import shapely

from facademap.errors import InputError
from facademap.report.cut_dxf import dxf_bytes, new_drawing
from facademap.report.drawing_content import Content
from facademap.report.drawing_relief import ReliefLayer
from facademap.report.rows import rows_of
from facademap.report.typeface import printable
from facademap.tables import is_missing

__all__ = [
    "add_hatch",
    "add_outline",
    "add_relief",
    "plain_value",
    "write_drawing_dxf",
    "write_world_geojson",
]

_DEGREES = 9
_METRES = 4


def plain_value(value: Any) -> Any:
    """A value that JSON and GDAL know; lists and mappings become JSON text, NaN nothing."""
    if isinstance(value, (list, dict, tuple)):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    if is_missing(value):
        return None
    if hasattr(value, "item"):
        value = value.item()
    return value


def _placed(surfaces: pd.DataFrame) -> dict[str, tuple[int, np.ndarray]]:
    """EPSG code and matrix of the surfaces that have their place in the world."""
    found = {}
    for surface in rows_of(surfaces):
        world = surface["world"]
        if (
            not isinstance(world, Mapping)
            or world.get("epsg") is None
            or world.get("matrix") is None
        ):
            continue
        matrix = np.asarray(world["matrix"], dtype=float)
        if matrix.shape == (3, 4) and np.isfinite(matrix).all():
            found[str(surface["id"])] = (int(world["epsg"]), matrix)
    return found


def write_world_geojson(
    frame: Any, surfaces: pd.DataFrame, *, name: str, net_area_m2: Mapping[str, float] | None = None
) -> bytes | None:
    """Rows with an outline as RFC 7946 GeoJSON, or ``None`` when no surface has its place in the world.

    Parameters
    ----------
    frame : GeoDataFrame
        Rows with ``id``, ``surface`` and outline in the wall frame.
    surfaces : DataFrame
        Surfaces with ``world``: EPSG code and 3 x 4 matrix from (u, v, w, 1) to (E, N, H).
    name : str
        Name of the collection.
    net_area_m2 : mapping of id to area, optional
        Area net of openings.

    Notes
    -----
    Positions are longitude, latitude (WGS 84) and height, the height as surveyed in the projected system (its
    datum is not changed; RFC 7946 means the ellipsoid). A vertical wall has no plan area, so ``face_area_m2``
    and ``length_m`` from the wall frame stand as properties.

    References
    ----------
    RFC 7946, sections 3.1.1 (positions) and 4 (coordinate reference system).
    """
    placed = _placed(surfaces)
    if not placed:
        return None
    to_world = {epsg: _transformer(epsg) for epsg, _ in placed.values()}
    features = []
    for row in rows_of(frame):
        place = placed.get(str(row["surface"]))
        shape = row.pop("geometry")
        if place is None or shape is None or shape.is_empty:
            continue
        epsg, matrix = place
        properties = {k: plain_value(v) for k, v in row.items()}
        properties["face_area_m2"] = (
            round(float((net_area_m2 or {}).get(str(row["id"]), shape.area)), 9)
            if shape.area
            else 0.0
        )
        properties["face_length_m"] = (
            round(float(shape.length), 9) if shape.geom_type.endswith("LineString") else 0.0
        )
        features.append(
            {
                "type": "Feature",
                "id": row["id"],
                "properties": properties,
                "geometry": _geometry(shape, matrix, to_world[epsg]),
            }
        )
    body = {"type": "FeatureCollection", "name": name, "features": features}
    return (
        json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"
    ).encode("utf-8")


def _transformer(epsg: int) -> pyproj.Transformer:
    try:
        return pyproj.Transformer.from_crs(f"EPSG:{epsg}", "EPSG:4326", always_xy=True)
    except pyproj.exceptions.ProjError as error:
        raise InputError(
            f"EPSG:{epsg} is no coordinate system that is known ({str(error)[:80]})",
            "Correct the code of the projected system.",
        ) from None


def _geometry(shape: Any, matrix: np.ndarray, transformer: pyproj.Transformer) -> dict[str, Any]:
    def positions(points: Any) -> list[list[float]]:
        uv = np.asarray(points, dtype=float)[:, :2]
        world = np.column_stack([uv, np.zeros(len(uv)), np.ones(len(uv))]) @ matrix.T
        lon, lat = transformer.transform(world[:, 0], world[:, 1])
        return [
            [round(float(a), _DEGREES), round(float(b), _DEGREES), round(float(h), _METRES)]
            for a, b, h in zip(lon, lat, world[:, 2], strict=True)
        ]

    def rings(polygon: Any) -> list[list[list[float]]]:
        turned = shapely.orient_polygons(polygon)
        return [positions(r.coords) for r in (turned.exterior, *turned.interiors)]

    kind = shape.geom_type
    if kind == "Polygon":
        return {"type": kind, "coordinates": rings(shape)}
    if kind == "MultiPolygon":
        return {"type": kind, "coordinates": [rings(p) for p in shape.geoms]}
    if kind == "LineString":
        return {"type": kind, "coordinates": positions(shape.coords)}
    if kind == "MultiLineString":
        return {"type": kind, "coordinates": [positions(p.coords) for p in shape.geoms]}
    return {"type": "Point", "coordinates": positions(shape.coords)[0]}


def write_drawing_dxf(content: Content, *, hatches: bool = True) -> bytes:
    """The drawing of an elevation in metres of its development: one layer a term or treatment.

    Outlines are closed polylines (holes too), lines open ones; each bears its label as extended data. Hatches
    lie in layers of their own, so that they can be turned off.
    """
    layers: dict[str, tuple[int, str]] = {
        "STONES": (8, "Wall stones"),
        "OPENINGS": (9, "Architectural openings"),
        "LABELS": (7, "Labels"),
    }
    if content.relief is not None:
        layers |= {
            "CONTOURS": (8, "Contours of the relief, at their depth"),
            "SECTIONS": (6, "Lines of sections"),
        }
    names = {}
    for n, group in enumerate(content.groups):
        base = (
            "".join(c if c.isalnum() or c in "-_" else "_" for c in printable(group.name).upper())[
                :60
            ]
            or f"GROUP_{n}"
        )
        name = base if base not in layers else f"{base}_{n}"
        names[n] = name
        layers[name] = (7, f"{group.heading}: {group.name}"[:200])
        if hatches:
            layers[f"{name}-HATCH"] = (7, f"Hatch of {group.name}"[:200])
    drawing = new_drawing(layers, metres=True)
    drawing.appids.add("FACADEMAP")
    for n, group in enumerate(content.groups):
        for layer in (names[n], f"{names[n]}-HATCH"):
            if layer in layers:
                drawing.layers.get(layer).rgb = tuple(
                    int(group.colour[i : i + 2], 16) for i in (1, 3, 5)
                )
    space = drawing.modelspace()
    for layer, shapes in (("STONES", content.stones), ("OPENINGS", content.openings)):
        for part in shapely.get_parts(shapes) if len(shapes) else ():
            add_outline(space, part, layer, "")
    for n, group in enumerate(content.groups):
        for shape, label in zip(group.shapes, group.labels, strict=True):
            for part in shapely.get_parts(shape):
                add_outline(space, part, names[n], label)
                if hatches and part.geom_type == "Polygon":
                    add_hatch(space, part, f"{names[n]}-HATCH", group.hatch)
            spot = shapely.point_on_surface(shape)
            space.add_text(
                printable(label), height=0.02, dxfattribs={"layer": "LABELS"}
            ).set_placement((spot.x, spot.y))
    if content.relief is not None:
        add_relief(space, content.relief)
    return dxf_bytes(drawing)


def add_relief(
    space: Any, relief: ReliefLayer, *, contours: str = "CONTOURS", sections: str = "SECTIONS"
) -> None:
    """Contours and lines of sections.

    Parameters
    ----------
    space : ezdxf layout
    relief : ReliefLayer
    contours, sections : str
        Layers of the drawing.

    Notes
    -----
    Contours lie at their own height out of the wall, so that a program in three dimensions has them in place.
    """
    for out_m, line in relief.contours:
        attributes = {"layer": contours, "elevation": round(out_m, 6)}
        space.add_lwpolyline(line.round(4).tolist(), dxfattribs=attributes)
    for cut in relief.cuts:
        space.add_lwpolyline(cut.ends_m.tolist(), dxfattribs={"layer": sections})
        for u, v in cut.ends_m:
            space.add_text(
                printable(cut.name), height=0.05, dxfattribs={"layer": sections}
            ).set_placement((u, v))


def add_outline(
    space: Any, part: Any, layer: str, label: str, *, pen: int | None = None, dash: str = ""
) -> None:
    """An outline, line or place in a drawing, with its label as extended data.

    Parameters
    ----------
    space : ezdxf layout
    part : geometry
        Polygon, line or point, in metres.
    layer, label : str
    pen : int, optional
        Width of the line in hundredths of a millimetre; that of the layer where missing.
    dash : str
        Name of a kind of line that the drawing has.
    """
    attributes: dict[str, Any] = {"layer": layer}
    if pen is not None:
        attributes["lineweight"] = pen
    if dash:
        attributes["linetype"] = dash
    entities = []
    if part.geom_type == "Polygon":
        for ring in (part.exterior, *part.interiors):
            entities.append(
                space.add_lwpolyline(list(ring.coords)[:-1], close=True, dxfattribs=attributes)
            )
    elif part.geom_type == "LineString":
        entities.append(space.add_lwpolyline(list(part.coords), dxfattribs=attributes))
    elif part.geom_type == "Point":
        entities.append(space.add_circle((part.x, part.y), 0.01, dxfattribs=attributes))
    if label:
        for entity in entities:
            entity.set_xdata("FACADEMAP", [(1000, printable(label)[:250])])


def add_hatch(space: Any, part: Any, layer: str, sign: Any, metres_a_mm: float = 0.02) -> None:
    """The hatch of an area as a pattern of the drawing.

    Parameters
    ----------
    space : ezdxf layout
    part : polygon
    layer : str
    sign : Hatch
        Its distances are millimetres of paper.
    metres_a_mm : float
        Metres of the wall in a millimetre of paper; those of 1 : 20 where nothing else is said.
    """
    hatch = space.add_hatch(dxfattribs={"layer": layer})
    spacing = sign.spacing_mm * metres_a_mm
    lines = [
        [
            angle,
            (0.0, 0.0),
            (-np.sin(np.radians(angle)) * spacing, np.cos(np.radians(angle)) * spacing),
            [d * metres_a_mm * (1 if k % 2 == 0 else -1) for k, d in enumerate(sign.dash_mm)],
        ]
        for angle in sign.angles_deg
    ]
    if not lines:
        lines = [[0.0, (0.0, 0.0), (spacing / 2, spacing), [0.0, -spacing]]]
    hatch.set_pattern_fill("FACADEMAP", color=256, definition=lines)
    hatch.paths.add_polyline_path(
        list(part.exterior.coords)[:-1], is_closed=True, flags=ezdxf.const.BOUNDARY_PATH_EXTERNAL
    )
    for ring in part.interiors:
        hatch.paths.add_polyline_path(
            list(ring.coords)[:-1], is_closed=True, flags=ezdxf.const.BOUNDARY_PATH_OUTERMOST
        )
