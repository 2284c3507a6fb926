"""Projects made when pixels were those of the stored picture: what was picked in turned pictures is turned with them."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import FacademapError, InputError
from facademap.io.pictures import read_picture_info
from facademap.io.whole_files import path_inside
from facademap.photo.camera import Camera
from facademap.photo.orientation import UPRIGHT, Turn, upright_camera
from facademap.store.dialect import Connection
from facademap.store.edit import Edit

__all__ = ["TURNED", "refuse_stored_pixels", "turn_upright"]

#: What the history says of the step.
TURNED = "pixels are those of the upright picture"
#: What holds pixels of photos.
_WITH_PIXELS = ("photos", "observations", "faces")

_LENS = {"fx_px": "fx", "fy_px": "fy", "cx_px": "cx", "cy_px": "cy"}
_BEND = ("k1", "k2", "k3", "p1", "p2")


def turn_upright(connection: sqlite3.Connection, folder: Path, edit: Edit) -> list[str]:
    """Turn control, faces, lenses and charts of pictures that are not stored upright.

    Parameters
    ----------
    connection : sqlite3.Connection
        Within a transaction.
    folder : Path
        Of the project; a picture that is not there is left as it is.
    edit : Edit
        Gets the changes, so that the history tells them.

    Returns
    -------
    list of str
        Photos turned.
    """
    turns = {
        photo: turn
        for photo, path in connection.execute('SELECT "id", "path" FROM "photos"').fetchall()
        if (turn := _turn_of(folder, path)) is not None
    }
    for photo, turn in turns.items():
        _turn_photo(connection, edit, photo, turn)
    if turns:
        _turn_charts(connection, edit, turns)
    return sorted(turns)


def refuse_stored_pixels(connection: Connection, txn: str) -> None:
    """Refuse to take back an edit whose pixels were those of stored pictures, which no program shows any more.

    Parameters
    ----------
    connection : Connection
    txn : str
        The edit that is to be undone.

    Raises
    ------
    InputError
        It is the turning itself, or touched photos, control or faces before it.
    """
    found = connection.execute(
        "SELECT max(seq) FROM edit_log WHERE who = 'facademap' AND what = ?", (TURNED,)
    ).fetchone()[0]
    if found is None:
        return
    tables = ", ".join(f"'{t}'" for t in _WITH_PIXELS)
    held = connection.execute(
        f"SELECT 1 FROM edit_log WHERE txn = ? AND seq <= ? AND (table_name IN ({tables}) OR what = ?) LIMIT 1",
        (txn, found, TURNED),
    ).fetchone()
    if held:
        raise InputError(
            "this edit holds pixels of pictures as they are stored, before the turn by EXIF, and pixels are those of the "
            "upright picture since",
            "Pick the points of turned photos again, or give them with facademap add-control --observations.",
        )


def _turn_of(folder: Path, path: Any) -> Turn | None:
    """How a picture is turned; None for one that is stored upright or cannot be read."""
    try:
        turn = read_picture_info(path_inside(folder, str(path))).turn
    except (FacademapError, OSError):
        return None
    return None if turn.orientation == UPRIGHT else turn


def _turn_photo(connection: sqlite3.Connection, edit: Edit, photo: str, turn: Turn) -> None:
    (text,) = connection.execute(
        'SELECT "camera" FROM "photos" WHERE "id" = ?', (photo,)
    ).fetchone()
    lens = _turned_lens(json.loads(text), turn) if text else None
    edit.update(
        "photos",
        photo,
        {
            "width_px": turn.width_px,
            "height_px": turn.height_px,
            "exif_orientation": turn.orientation,
            **({"camera": lens} if lens else {}),
        },
    )
    seen = connection.execute(
        'SELECT "id", "x_px", "y_px" FROM "observations" WHERE "photo" = ?', (photo,)
    ).fetchall()
    for row, *place in seen:
        x_px, y_px = turn.upright_pixels(place).tolist()
        edit.update("observations", row, {"x_px": x_px, "y_px": y_px})
    faces = connection.execute(
        'SELECT "id", "photo_matrix" FROM "faces" WHERE "photo" = ? AND "photo_matrix" IS NOT NULL',
        (photo,),
    ).fetchall()
    for row, matrix in faces:
        turned = turn.matrix @ np.asarray(json.loads(matrix), dtype=float)
        edit.update("faces", row, {"photo_matrix": turned.tolist()})


def _turned_lens(values: dict[str, float], turn: Turn) -> dict[str, float]:
    camera = upright_camera(
        Camera(
            width_px=int(values["width"]),
            height_px=int(values["height"]),
            **{ours: values[theirs] for ours, theirs in _LENS.items()},
            **{k: values.get(k, 0.0) for k in _BEND},
        ),
        turn,
    )
    return {
        "width": camera.width_px,
        "height": camera.height_px,
        **{theirs: getattr(camera, ours) for ours, theirs in _LENS.items()},
        **{k: getattr(camera, k) for k in _BEND},
    }


def _turn_charts(connection: sqlite3.Connection, edit: Edit, turns: dict[str, Turn]) -> None:
    found = connection.execute('SELECT "value" FROM "settings" WHERE "id" = \'charts\'').fetchone()
    charts = json.loads(found[0]) if found and found[0] else {}
    turned = False
    for chart in charts.values():
        turn = turns.get(chart.get("photo"))
        if turn is None:
            continue
        for patch in chart.get("patches", ()):
            patch["x_px"], patch["y_px"] = turn.upright_pixels(
                (patch["x_px"], patch["y_px"])
            ).tolist()
            turned = True
    if turned:
        edit.set("charts", charts)
