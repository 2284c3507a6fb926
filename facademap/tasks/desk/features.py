"""Conditions, wall stones and repairs as features for other programs: which layers there are, and leaves of them as GeoJSON.

Every layer is there for the whole project, and once more for each surface. Places are told in longitude, latitude and height
where a surface has its place in the world; in the projected system it was placed in; or, of one surface, in the metres of its
wall, which is where areas and lengths can be measured.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from facademap.errors import FileError, InputError
from facademap.store.leaves import bounds_of_walls, leaf_of_rows
from facademap.store.project import Project
from facademap.tables import TABLES, Column, is_missing
from facademap.tasks.survey.walls_in_world import (
    degrees_of,
    north_first,
    to_degrees,
    wall_in_world,
)
from facademap.wall.in_world import WallInWorld

__all__ = [
    "CRS84H",
    "FEATURE_TABLES",
    "WALL",
    "Asked",
    "Layer",
    "Leaf",
    "filters_of",
    "layer_named",
    "layers_of",
    "leaf_of",
    "one_feature",
    "uri_of_epsg",
]

FEATURE_TABLES = ("conditions", "wall_stones", "repairs")
#: Longitude, latitude and height of WGS 84 (OGC 17-069r4, 7.13).
CRS84H = "http://www.opengis.net/def/crs/OGC/0/CRS84h"
#: Stands for the metres of the wall where a system is named.
WALL = "wall"
#: Column that says when; a layer without has no time.
_DAY = {"conditions": "observed_on"}
#: Decimals of degrees, and of metres: a tenth of a millimetre, and a thousandth of one.
_DEGREES, _METRES = 9, 6
#: A bounding box is looked at no farther than this from a wall, in degrees.
_NEAR_DEG = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """A table of features.

    Parameters
    ----------
    id, title : str
    table : str
    surface : str
        Empty for the whole project.
    walls : mapping of str to WallInWorld or None
        Every surface of the layer, with its place where it has one.
    epsg : tuple of int
        Projected systems in which it can be told.
    count : int
    bounds : tuple of float or None
        West, south, lowest, east, north, highest.
    """

    id: str
    title: str
    table: str
    surface: str
    walls: Mapping[str, WallInWorld | None]
    epsg: tuple[int, ...]
    count: int = 0
    bounds: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of a layer.

    Parameters
    ----------
    first, most : int
    box : sequence of float, optional
        Four numbers, or six with heights, in ``box_crs``.
    crs, box_crs : str
        :data:`CRS84H`, :data:`WALL`, or an EPSG code as text.
    days : (first, last), optional
        ISO days.
    equal : mapping
        Columns and values.
    """

    first: int = 0
    most: int = 1000
    box: Sequence[float] | None = None
    crs: str = CRS84H
    box_crs: str = CRS84H
    days: tuple[str, str] | None = None
    equal: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """Some features of a layer as GeoJSON texts, and how many there are in all."""

    matched: int
    features: list[str]


def uri_of_epsg(code: int) -> str:
    """The name of a system of the EPSG register."""
    return f"http://www.opengis.net/def/crs/EPSG/0/{code}"


def layers_of(project: Project, *, bounds: bool = False) -> list[Layer]:
    """Every layer of a project: three over all, then those of each surface.

    Parameters
    ----------
    project : Project
    bounds : bool
        Whether rows are counted and the boxes round them worked out.
    """
    surfaces = project.read("surfaces")
    names = [str(s) for s in surfaces["id"]]
    placed = {
        str(row["id"]): wall_in_world(row)
        for row in surfaces[["id", "kind", "radius_m", "world"]].to_dict("records")
    }
    layers = []
    for table in FEATURE_TABLES:
        counted = bounds_of_walls(project, table) if bounds else {}
        layers += [
            _layer(table, surface, {n: placed[n] for n in names if surface in ("", n)}, counted)
            for surface in ("", *names)
        ]
    return sorted(layers, key=lambda one: bool(one.surface))


def layer_named(project: Project, id: str, *, bounds: bool = False) -> Layer:
    """The layer of a name.

    Raises
    ------
    FileError
        There is none.
    """
    found = next((one for one in layers_of(project, bounds=bounds) if one.id == id), None)
    if found is None:
        raise FileError(
            f"there is no collection {id[:60]!r}", "See /ogc/collections for those there are."
        )
    return found


def _layer(
    table: str,
    surface: str,
    walls: Mapping[str, WallInWorld | None],
    counted: Mapping[str, tuple[int, Any]],
) -> Layer:
    codes = [wall.epsg for wall in walls.values() if wall is not None]
    of = TABLES[table].title
    mine = {n: c for n, c in counted.items() if n in walls or not surface}
    return Layer(
        id=f"{table}.{surface}" if surface else table,
        title=f"{of} of {surface}" if surface else of,
        table=table,
        surface=surface,
        walls=walls,
        epsg=tuple(dict.fromkeys(codes)) if len(set(codes)) == 1 else (),
        count=sum(count for count, _ in mine.values()),
        bounds=_bounds(walls, {n: box for n, (_, box) in mine.items()}),
    )


def _bounds(
    walls: Mapping[str, WallInWorld | None], boxes: Mapping[str, Any]
) -> tuple[float, ...] | None:
    places = []
    for name, box in boxes.items():
        wall = walls.get(name)
        if wall is None or box is None:
            continue
        u = np.linspace(box[0], box[2], 33)
        corners = np.array([(a, b) for b in (box[1], box[3]) for a in u])
        places.append(_told(wall, CRS84H, corners))
    if not places:
        return None
    every = np.concatenate(places)
    every = every[np.isfinite(every).all(axis=1)]
    return (*every.min(axis=0).tolist(), *every.max(axis=0).tolist()) if len(every) else None


def _told(wall: WallInWorld, crs: str, uv_m: Any) -> Any:
    """Coordinates of places on a wall, shape (n, 3), in a system, in the order of its axes."""
    if crs == CRS84H:
        return degrees_of(wall, uv_m)
    place = wall.enh(uv_m)
    return place[:, [1, 0, 2]] if north_first(wall.epsg) else place


def leaf_of(project: Project, layer: Layer, asked: Asked) -> Leaf:
    """Some features of a layer.

    Raises
    ------
    InputError, ProjectError
        A system that the layer is not told in; rows that cannot be read.
    """
    for name, crs in (("crs", asked.crs), ("bbox-crs", asked.box_crs)):
        _check_crs(layer, name, crs)
    walls: dict[str, Any] | None = {layer.surface: None} if layer.surface else None
    if asked.box is not None:
        walls = _parts(layer, asked)
    day = _DAY.get(layer.table)
    matched, rows = leaf_of_rows(
        project,
        layer.table,
        walls=walls,
        equal=asked.equal or {},
        days=(day, *asked.days) if asked.days and day else None,
        first=asked.first,
        most=asked.most,
    )
    return Leaf(matched=matched, features=_features(layer, asked.crs, rows))


def one_feature(project: Project, layer: Layer, id: str, crs: str) -> str:
    """One feature of a layer as GeoJSON text.

    Raises
    ------
    FileError, InputError
        There is none of that name in the layer; a system that the layer is not told in.
    """
    _check_crs(layer, "crs", crs)
    row = project.rows(layer.table, [id]).get(id)
    if row is None or (layer.surface and row["surface"] != layer.surface):
        raise FileError(
            f"{layer.title}: there is no {id[:60]!r}", "Check the id; it may have been deleted."
        )
    return _features(layer, crs, [row])[0]


def _check_crs(layer: Layer, name: str, crs: str) -> None:
    if crs == CRS84H or (crs == WALL and layer.surface) or crs in map(str, layer.epsg):
        return
    raise InputError(
        f"{name}: {layer.title} is not told in this system", "See crs of the collection."
    )


def _parts(layer: Layer, asked: Asked) -> dict[str, Any]:
    """Which part of every wall a bounding box takes in."""
    box = [float(value) for value in asked.box or ()]
    heights = (box[2], box[5]) if len(box) == 6 else None
    least, most = (box[0], box[1]), (box[-3], box[-2]) if len(box) == 6 else (box[2], box[3])
    if asked.box_crs == WALL:
        if heights is not None:
            raise InputError("bbox of a wall has two axes", "Give four numbers: u and v.")
        return {layer.surface: (*least, *most)}
    found: dict[str, Any] = {}
    for name, wall in layer.walls.items():
        if wall is None:
            continue
        ground = _ground(wall, asked.box_crs, least, most)
        part = None if ground is None else wall.part_within(ground, heights)
        if part is not None:
            found[name] = part
    return found


def _ground(
    wall: WallInWorld, crs: str, least: tuple[float, float], most: tuple[float, float]
) -> Any:
    """Corners (E, N) of a box round about a wall, anticlockwise; ``None`` where it is elsewhere."""
    if crs != CRS84H:
        if north_first(wall.epsg):
            least, most = least[::-1], most[::-1]
        return _corners(least[0], least[1], most[0], most[1])
    lon, lat = _told(wall, CRS84H, np.zeros((1, 2)))[0, :2]
    wide = _NEAR_DEG / max(0.01, math.cos(math.radians(lat)))
    south, north = max(least[1], lat - _NEAR_DEG), min(most[1], lat + _NEAR_DEG)
    # a box whose west lies east of its east goes over the line of the date (RFC 7946, 5.2)
    for west, east in (
        [(least[0], most[0])] if least[0] <= most[0] else [(least[0], 180.0), (-180.0, most[0])]
    ):
        a, b = max(west, lon - wide), min(east, lon + wide)
        if a <= b and south <= north:
            corners = _corners(a, south, b, north)
            back = to_degrees(wall.epsg).transform(
                corners[:, 0], corners[:, 1], direction="INVERSE"
            )
            return np.column_stack(back)
    return None


def _corners(west: float, south: float, east: float, north: float) -> Any:
    return np.array([(west, south), (east, south), (east, north), (west, north)])


def _features(layer: Layer, crs: str, rows: Sequence[Mapping[str, Any]]) -> list[str]:
    shapes = np.array([row["geometry"] for row in rows], dtype=object)
    told = np.full(len(rows), None, dtype=object)
    if crs == WALL:
        told = shapely.transform(shapes, lambda uv: np.round(uv, _METRES))
    else:
        surfaces = np.array([str(row["surface"]) for row in rows], dtype=object)
        for name in dict.fromkeys(surfaces):
            wall = layer.walls.get(str(name))
            if wall is None:
                continue
            mine = surfaces == name
            told[mine] = shapely.transform(
                shapely.force_3d(shapes[mine]), _teller(wall, crs), include_z=True
            )
    texts = shapely.to_geojson(told)
    day = _DAY.get(layer.table)
    return [_feature(layer, row, text, day) for row, text in zip(rows, texts, strict=True)]


def _teller(wall: WallInWorld, crs: str) -> Callable[[Any], Any]:
    decimals = [_DEGREES, _DEGREES, _METRES] if crs == CRS84H else [_METRES] * 3

    def tell(uvw: Any) -> Any:
        told = _told(wall, crs, uvw[:, :2])
        return np.column_stack([np.round(told[:, n], decimals[n]) for n in range(3)])

    return tell


def _feature(layer: Layer, row: Mapping[str, Any], text: str | None, day: str | None) -> str:
    values = {
        c.name: None if is_missing(row[c.name]) else row[c.name]
        for c in TABLES[layer.table].columns
    }
    properties = json.dumps(values, ensure_ascii=False, allow_nan=False, default=_plain)
    id = json.dumps(row["id"], ensure_ascii=False)
    # NaN: beyond half the way round a cylinder there is no place
    place = "null" if text is None or "NaN" in text or "nan" in text else text
    return f'{{"type":"Feature","id":{id},"geometry":{place},"properties":{properties}}}'


def _plain(value: Any) -> Any:
    if hasattr(value, "tolist"):
        return value.tolist()
    return list(value) if isinstance(value, tuple) else str(value)


def filters_of(layer: Layer) -> dict[str, Column]:
    """Columns by whose value features can be asked for."""
    return {
        c.name: c
        for c in TABLES[layer.table].columns
        if c.kind in ("text", "int", "bool", "date") and c.name != "id"
    }
