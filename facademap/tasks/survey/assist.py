"""Outlines and lines proposed from clicks in a picture file."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from facademap.condition.assist import outline_at
from facademap.condition.assist_lines import follow_line
from facademap.condition.assist_model import outline_by_model
from facademap.errors import FacademapError, InputError
from facademap.io.csv_tables import CsvRow, read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, picked_pixel
from facademap.io.pictures import read_picture
from facademap.io.vectors import MARK, pixel_mark
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.orientation import Turn

__all__ = ["follow", "outline_finder"]

_Clicks = dict[str, list[tuple[float, float]]]


def follow(
    image: Path,
    *,
    clicks: Path,
    kind: str,
    out: Path,
    model: Path | None = None,
    stored_pixels: bool = False,
) -> dict[str, Any]:
    """Propose an outline for each click, or a line through the clicks of each name.

    Parameters
    ----------
    image : Path
        Picture; all places are pixels of it upright.
    clicks : Path
        CSV ``name,x_px,y_px`` (outlines) or ``name,order,x_px,y_px`` (lines).
    kind : {"outline", "line"}
    out : Path
        GeoJSON FeatureCollection to write, property ``name``.
    model : Path, optional
        ONNX file of a segmentation model that finds the outlines instead.
    stored_pixels : bool
        The clicks are pixels of the stored picture, before the turn that its EXIF asks for.

    Returns
    -------
    dict
        ``asked``, ``made`` and ``notes`` on the names without an answer.

    Raises
    ------
    FileError, InputError
        The picture or the table cannot be used, a click lies outside the picture, or the target cannot be written.
    """
    if kind not in ("outline", "line"):
        raise InputError(f"kind {kind[:40]!r} is unknown", "Give outline or line.")
    check_writable(out)
    if model is not None and kind == "line":
        raise InputError(
            "a segmentation model for a line", "Leave the model out, or ask for outlines."
        )
    if out.resolve() in (image.resolve(), clicks.resolve(), *([model.resolve()] if model else [])):
        raise InputError(
            f"{out.name} would overwrite the input", "Choose another file for the result."
        )
    rgb, info = read_picture(image)
    inside = _inside(info.turn, stored_pixels=stored_pixels)
    asked = _outline_clicks(clicks, inside) if kind == "outline" else _line_clicks(clicks, inside)
    find = outline_finder(model)
    features: list[dict[str, Any]] = []
    notes: list[str] = []
    for name, points in asked.items():
        try:
            found = find(rgb, *points[0]) if kind == "outline" else follow_line(rgb, points)
        except FacademapError as error:
            notes.append(f"{name}: {error}")
            continue
        places = [[round(float(x), 2), round(float(y), 2)] for x, y in found]
        if len(places) < (3 if kind == "outline" else 2):
            notes.append(f"{name}: nothing was found there")
            continue
        shape = (
            {"type": "Polygon", "coordinates": [[*places, places[0]]]}
            if kind == "outline"
            else {"type": "LineString", "coordinates": places}
        )
        features.append({"type": "Feature", "properties": {"name": name}, "geometry": shape})
    write_whole(
        out,
        json.dumps(
            {
                "type": "FeatureCollection",
                MARK: pixel_mark(image.name, width_px=rgb.shape[1], height_px=rgb.shape[0]),
                "features": features,
            },
            ensure_ascii=False,
        )
        + "\n",
    )
    return {"asked": len(asked), "made": len(features), "notes": notes}


def outline_finder(model: Path | None) -> Callable[..., Any]:
    """What finds the outline round a click: our own way, a user's model, or that of a plug-in by its name."""
    if model is None:
        return outline_at
    from facademap.io.plug_ins import called, offered
    from facademap.io.segmentation_model import GivenSegmenter, read_segmentation_model

    if not model.suffix and model.name in offered("outline_models"):
        given = GivenSegmenter(called("outline_models", model.name), model.name)
        return partial(outline_by_model, given)

    return partial(outline_by_model, read_segmentation_model(model))


def _inside(turn: Turn, *, stored_pixels: bool) -> Callable[[CsvRow], tuple[float, float]]:
    """What reads the click of a row and refuses one outside the picture."""

    def click(row: CsvRow) -> tuple[float, float]:
        x, y = picked_pixel(row, turn, stored=stored_pixels)
        if not (0 <= x < turn.width_px and 0 <= y < turn.height_px):
            raise InputError(
                f"{row.where}: the click ({x:g}, {y:g}) lies outside the picture of "
                f"{turn.width_px} x {turn.height_px} px",
                "Give pixels of the upright picture, 0, 0 at the upper left, or say --stored-pixels.",
            )
        return x, y

    return click


def _outline_clicks(path: Path, inside: Callable[[CsvRow], tuple[float, float]]) -> _Clicks:
    found: _Clicks = {}
    for row in read_csv_rows(
        path, columns=("name", "x_px", "y_px"), optional=(PIXELS_COLUMN,), what="clicks"
    ):
        name = row.text("name")
        if name in found:
            raise InputError(
                f"{row.where}: the name {name!r} is given twice",
                "Give each outline a name and a click of its own.",
            )
        found[name] = [inside(row)]
    return found


def _line_clicks(path: Path, inside: Callable[[CsvRow], tuple[float, float]]) -> _Clicks:
    found: dict[str, dict[float, tuple[float, float]]] = {}
    for row in read_csv_rows(
        path, columns=("name", "order", "x_px", "y_px"), optional=(PIXELS_COLUMN,), what="clicks"
    ):
        name, order = row.text("name"), row.number("order")
        places = found.setdefault(name, {})
        if order in places:
            raise InputError(
                f"{row.where}: {name!r} has the order {order:g} twice",
                "Number the clicks of a line along it.",
            )
        places[order] = inside(row)
    for name, places in found.items():
        if len(set(places.values())) < 2:
            raise InputError(
                f"{path.name}: the line {name!r} has one place only",
                "Click at least at its start and its end.",
            )
    return {name: [places[order] for order in sorted(places)] for name, places in found.items()}
