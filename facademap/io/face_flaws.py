"""Flaws drawn on the photo of a face: GeoJSON polygons in pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.csv_tables import read_text_file
from facademap.plain_texts import parse_json
from facademap.values import frozen_value

__all__ = ["DrawnFlaw", "read_flaws"]


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnFlaw:
    """A flaw in the photo.

    Parameters
    ----------
    kind : str
    ring_px : ndarray, shape (n, 2)
    depth_m, from_m : float
        How deep it reaches (None = right through) and where it begins.
    """

    kind: str
    ring_px: NDArray[Any]
    depth_m: float | None
    from_m: float


def read_flaws(path: Path) -> list[DrawnFlaw]:
    """Read polygons in pixels with the properties ``kind``, ``depth_mm`` (null = right through) and ``from_mm``.

    Raises
    ------
    FileError, InputError
        Unreadable, or a feature that is no polygon or has no sensible depth; it is named.
    """
    remedy = "Save the flaws as a GeoJSON FeatureCollection."
    data = parse_json(read_text_file(path, what="file of flaws"), where=path.name, remedy=remedy)
    try:
        features = list(data["features"])
    except (TypeError, KeyError):
        raise InputError(f"{path.name} is no GeoJSON with features", remedy) from None
    return [
        _flaw(f"{path.name}, feature {n}", feature) for n, feature in enumerate(features, start=1)
    ]


def _flaw(where: str, feature: Any) -> DrawnFlaw:
    try:
        shape, properties = feature["geometry"], feature.get("properties") or {}
        if shape["type"] != "Polygon":
            raise InputError(
                f"{where}: is a {shape['type']}",
                "Draw each flaw as a polygon in pixels of the photo.",
            )
        ring = np.asarray(shape["coordinates"][0], dtype=float)[:, :2]
    except (TypeError, KeyError, IndexError, ValueError, AttributeError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"{where}: is no polygon", "Draw each flaw as a polygon in pixels of the photo."
        ) from None
    return DrawnFlaw(
        kind=str(properties.get("kind") or "flaw"),
        ring_px=ring,
        depth_m=_metres(where, properties, "depth_mm"),
        from_m=_metres(where, properties, "from_mm") or 0.0,
    )


def _metres(where: str, properties: dict[str, Any], name: str) -> float | None:
    value = properties.get(name)
    if value is None:
        return None
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, float))
        or not math.isfinite(value)
        or not 0 <= value <= 10_000
    ):
        raise InputError(
            f"{where}: {name} is {value!r}",
            "Give millimetres, 0 or more; leave depth_mm out for right through.",
        )
    return float(value) / 1000
