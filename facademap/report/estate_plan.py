"""The elevations of an estate as the page draws them: lines in metres about the middle of all, figures, and years."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pyproj

__all__ = ["estate_data", "in_page"]

#: Decimals of metres on the plan.
_METRES = 2


def estate_data(
    walls: Sequence[Mapping[str, Any]],
    numbers: Sequence[tuple[str, str, int]],
    values_of: Callable[[Mapping[str, Any]], Mapping[str, float]],
    maps: Mapping[tuple[str, str], str],
) -> dict[str, Any]:
    """What the script of the page is given.

    Parameters
    ----------
    walls : sequence of mapping
        Elevations in the order of the table; ``ground`` of each are lines of longitude and latitude.
    numbers : sequence of (key, title, digits)
        Figures that are told.
    values_of : callable
        The figures of an elevation by key.
    maps : mapping of (project, elevation) to str
        Where the condition map of an elevation lies, from the page.

    Notes
    -----
    The plan is an azimuthal equidistant one about the middle of the estate: distances from there are true, and over an estate of
    100 km others are within 0.01 %.
    """
    every = [place for wall in walls for line in wall["ground"] for place in line]
    plane = None
    if every:
        lon, lat = (np.array([place[k] for place in every]) for k in (0, 1))
        plane = pyproj.Proj(
            proj="aeqd",
            lon_0=float((lon.min() + lon.max()) / 2),
            lat_0=float((lat.min() + lat.max()) / 2),
            ellps="WGS84",
        )
    return {
        "numbers": [list(n) for n in numbers],
        "walls": [
            {
                "building": wall["building"],
                "title": wall["title"],
                "ground": []
                if plane is None
                else [_metres(plane, line) for line in wall["ground"]],
                "values": dict(values_of(wall)),
                "years": wall["years"],
                "map": maps.get((str(wall["project"]), str(wall["elevation"])), ""),
            }
            for wall in walls
        ],
    }


def _metres(plane: pyproj.Proj, line: Sequence[Sequence[float]]) -> list[list[float]]:
    x, y = plane([p[0] for p in line], [p[1] for p in line])
    return [[round(float(a), _METRES), round(float(b), _METRES)] for a, b in zip(x, y, strict=True)]


def in_page(data: Mapping[str, Any]) -> str:
    """Data as JSON that no text in it can end: for a block of a page."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
