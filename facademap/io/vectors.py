"""Outlines, lines and points from GeoPackage, GeoJSON and CSV files, in metres of a wall frame."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from shapely.geometry import shape

from facademap.errors import FileError, InputError
from facademap.io.csv_tables import read_text_file

__all__ = ["read_features"]

#: A survey of a wall is far smaller; larger files are read by mistake.
MAX_FILE_BYTES = 500_000_000
MAX_FEATURES = 1_000_000


def read_features(path: str | Path, *, layer: str | None = None) -> gpd.GeoDataFrame:
    """Every feature of a file with its properties; coordinates are taken as metres of the wall.

    Parameters
    ----------
    path : path
        ``.gpkg`` (all layers, or the one named), ``.geojson``/``.json`` or ``.csv`` with u_m and v_m.
    layer : str, optional
        Only this layer of a GeoPackage.

    Returns
    -------
    GeoDataFrame
        Without a reference system: the caller knows which surface it is.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending == ".gpkg":
        frame = _read_geopackage(path, layer)
    elif ending in (".geojson", ".json"):
        frame = _read_geojson(path)
    elif ending == ".csv":
        frame = _read_csv_points(path)
    else:
        raise InputError(
            f"{path}: outlines are read from .gpkg, .geojson or .csv, not {ending or 'a file without ending'}",
            "Export the layer in one of these formats.",
        )
    if frame.empty:
        raise InputError(
            f"{path}: holds no features", "Give a file with at least one outline, line or point."
        )
    return frame


def _read_geopackage(path: Path, layer: str | None) -> gpd.GeoDataFrame:
    import pyogrio

    if not path.is_file():
        raise FileError(f"{path}: there is no such file", "Check the path.")
    try:
        names = [n for n, kind in pyogrio.list_layers(path) if kind is not None]
        if layer is not None and layer not in names:
            raise InputError(
                f"{path}: has no layer {layer!r}", f"Use one of {', '.join(map(str, names))}."
            )
        frames = [
            pyogrio.read_dataframe(path, layer=n, datetime_as_string=True)
            for n in ([layer] if layer else names)
        ]
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, RuntimeError) as error:
        raise InputError(
            f"{path}: cannot be read as a GeoPackage ({_short(error)})",
            "Save it again from the program it came from.",
        ) from None
    filled = [f.set_crs(None, allow_override=True) for f in frames if len(f)]
    if not filled:
        return gpd.GeoDataFrame({"id": []}, geometry=[])
    return gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), geometry="geometry")


def _read_geojson(path: Path) -> gpd.GeoDataFrame:
    try:
        content = json.loads(
            read_text_file(path, what="GeoJSON file", max_bytes=MAX_FILE_BYTES),
            parse_constant=_refuse_constant,
        )
    except json.JSONDecodeError as error:
        raise InputError(
            f"{path}: is not JSON (line {error.lineno}: {error.msg})",
            "The file may be cut off; export it again.",
        ) from None
    except RecursionError:
        raise InputError(
            f"{path}: is nested too deeply", "Export it again as a plain feature collection."
        ) from None
    except ValueError as error:
        raise InputError(f"{path}: {error}", "Replace it by a number or leave it out.") from None
    features = content.get("features") if isinstance(content, dict) else None
    if not isinstance(features, list):
        raise InputError(
            f"{path}: is not a GeoJSON feature collection",
            "Export the layer as a feature collection.",
        )
    if len(features) > MAX_FEATURES:
        raise InputError(
            f"{path}: holds {len(features)} features, more than {MAX_FEATURES}",
            "Split it into parts.",
        )
    rows: list[dict[str, Any]] = []
    shapes: list[Any] = []
    for number, feature in enumerate(features, start=1):
        properties = (feature.get("properties") or {}) if isinstance(feature, dict) else {}
        if isinstance(feature, dict) and "id" not in properties and feature.get("id") is not None:
            properties = {"id": str(feature["id"]), **properties}
        shapes.append(_shape_of(feature, number, properties.get("id"), path))
        rows.append(properties)
    return gpd.GeoDataFrame(pd.DataFrame(rows, dtype=object), geometry=shapes)


def _shape_of(feature: Any, number: int, label: Any, path: Path) -> Any:
    try:
        geometry = shapely.force_2d(shape(feature["geometry"]))
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


def _read_csv_points(path: Path) -> gpd.GeoDataFrame:
    text = read_text_file(path, what="points file", max_bytes=MAX_FILE_BYTES)
    try:
        rows = list(csv.DictReader(text.splitlines(), strict=True))
    except csv.Error as error:
        raise InputError(
            f"{path}: is not a table ({error})", "Save it as comma-separated text."
        ) from None
    if not rows or not {"u_m", "v_m"} <= set(rows[0]):
        raise InputError(
            f"{path}: needs the columns u_m and v_m", "Name the two coordinate columns u_m and v_m."
        )
    shapes = []
    for line, row in enumerate(rows, start=2):
        try:
            u_m, v_m = float(row["u_m"]), float(row["v_m"])
        except (TypeError, ValueError):
            raise InputError(
                f"{path}: line {line}: u_m and v_m must be numbers", "Correct the line."
            ) from None
        if not (math.isfinite(u_m) and math.isfinite(v_m)):
            raise InputError(
                f"{path}: line {line}: u_m and v_m must be finite", "Correct the line."
            )
        shapes.append(shapely.Point(u_m, v_m))
    frame = pd.DataFrame(rows, dtype=object).drop(columns=["u_m", "v_m"])
    return gpd.GeoDataFrame(frame[[c for c in frame.columns if c is not None]], geometry=shapes)


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no number in JSON")


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120]
