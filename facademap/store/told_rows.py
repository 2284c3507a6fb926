"""Rows as JSON text, written from what the database holds without reading it into values and back.

Text of JSON columns goes through as it stands once the database has found it sound, and outlines are written for all rows
in one go: a page that was away for ten thousand changes is answered in a fraction of a second.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.store.cells import UNREADABLE
from facademap.store.database import in_plain_words
from facademap.store.dialect import dialect_of
from facademap.store.edit import table_named
from facademap.store.geopackage import wkb_of_blob
from facademap.store.project import Project
from facademap.tables import Table

__all__ = ["changed_places", "rows_as_json"]

_PLAIN = {"ensure_ascii": False, "allow_nan": False, "separators": (",", ":")}


def changed_places(project: Project, after: int, *, most: int) -> tuple[int, list[tuple[str, str]]]:
    """Rows that were changed after a moment, each once.

    Parameters
    ----------
    after : int
        Number of a change.
    most : int
        Changes that are looked at.

    Returns
    -------
    seq : int
        Number of the last change looked at; ``after`` when there is none.
    places : list of (table, id)
    """
    with in_plain_words(project.path):
        found = project._connection.execute(
            "SELECT seq, table_name, row_id FROM edit_log WHERE seq > ? ORDER BY seq LIMIT ?",
            (after, most),
        ).fetchall()
    places = dict.fromkeys((table, row_id) for _, table, row_id in found)
    return (found[-1][0] if found else after), list(places)


def rows_as_json(
    project: Project, table_name: str, ids: Iterable[str]
) -> dict[str, tuple[int, str]]:
    """Revision and JSON text of rows, by id; those that are not there are left out.

    Raises
    ------
    ProjectError
        A cell that cannot be read.
    """
    table = table_named(table_name)
    jsons = [c.name for c in table.columns if c.kind == "json"]
    others = [c for c in table.columns if c.kind != "json"]
    dialect = dialect_of(project._connection)
    asked = [
        '"rev"',
        *(f'"{c.name}"' for c in others),
        # the sound text of a column, and whether there was one that is not sound
        *(dialect.sound_json(n) for n in jsons),
        dialect.unsound_json(jsons),
        *([dialect.outline] if table.geometry else []),
    ]
    with in_plain_words(project.path):
        found = project._connection.execute(
            f'SELECT {", ".join(asked)} FROM "{table.name}" WHERE "id" IN {dialect.among}',
            (json.dumps(list(ids)),),
        ).fetchall()
    first, unsound = 1 + len(others), 1 + len(others) + len(jsons)
    kinds = [(c.name, c.kind) for c in others]
    place = 1 + [c.name for c in others].index("id")
    try:
        outlines = _outlines([r[-1] for r in found]) if table.geometry else []
    except UNREADABLE as error:
        raise project._damaged(table, error) from None
    told: dict[str, tuple[int, str]] = {}
    for number, row in enumerate(found):
        if row[unsound]:
            raise project._damaged(table, ValueError("JSON that cannot be read"))
        text = _plain_text(project, table, kinds, row)[:-1]
        for name, value in zip(jsons, row[first:unsound], strict=True):
            text += f',"{name}":{"null" if value is None else value}'
        if table.geometry:
            text += f',"geometry":{outlines[number]}'
        told[str(row[place])] = (int(row[0]), text + "}")
    return told


def _plain_text(
    project: Project, table: Table, kinds: Sequence[tuple[str, str]], row: Sequence[Any]
) -> str:
    """The columns that hold one value each, as a JSON object."""
    try:
        values = {
            name: value
            if value is None or kind not in ("bool", "float")
            else (bool(value) if kind == "bool" else float(value))
            for (name, kind), value in zip(kinds, row[1:], strict=False)
        }
        return json.dumps(values, **_PLAIN)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise project._damaged(table, error) from None


def _outlines(blobs: Sequence[bytes | None]) -> list[str]:
    """GeoJSON texts of outlines as the database keeps them; ``null`` for none."""
    shapes = shapely.from_wkb(
        np.array([None if b is None else wkb_of_blob(b) for b in blobs], dtype=object)
    )
    return ["null" if t is None else str(t) for t in shapely.to_geojson(shapes)]
