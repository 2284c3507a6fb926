"""Tape lengths typed in at the desk become places of the points of a surface, marked as measured by tape."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.errors import InputError
from facademap.photo.tape import TapeMeasure, place_by_tape
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.measured_by import mark_measured_by

__all__ = ["MOST_MEASURES", "place_points"]

MOST_MEASURES = 400
_KINDS = ("distance", "level", "plumb")
#: Setting: surface to its measures as they were typed.
_SETTING = "tape_measures"


def place_points(
    folder: str | Path, measures: Sequence[Any], *, surface: str, who: str = "surveyor"
) -> dict[str, Any]:
    """Adjust the measures and give the points of the surface their places.

    Parameters
    ----------
    folder : path
        Project.
    measures : sequence of mapping
        ``kind``, ``start``, ``end`` (names of points), ``length_m`` or ``None``, ``sigma_m`` or ``None``.
    surface : str
    who : str

    Returns
    -------
    dict
        ``points`` (names), ``redundancy``, ``sigma0``, ``largest_sigma_m``, ``warnings``.

    Notes
    -----
    The first point that had a place keeps it, so that what is drawn on the wall stays where it is; else the first point of the
    first measure is the origin. Points that the project does not have are made as control.
    """
    read = [_measure(number, m) for number, m in enumerate(_listed(measures), start=1)]
    found = place_by_tape(read)
    places = dict(zip(found.name, found.wall_m, strict=True))
    sigma = np.sqrt(np.diag(found.covariance_m2).reshape(-1, 2).mean(axis=1))
    with Project.open(folder) as project:
        project.row("surfaces", surface)
        rows = project.read("control_points", where={"surface": surface})
        known = {str(r["name"]): r for r in rows.to_dict("records")}
        anchor = next(
            (n for n in found.name if n in known and not is_missing(known[n]["u_m"])), None
        )
        shift = np.zeros(2)
        if anchor is not None:
            shift = np.array([known[anchor]["u_m"], known[anchor]["v_m"]]) - places[anchor]
        with gated_edit(project, who=who, what=f"{len(read)} tape measures on {surface}") as edit:
            ids = []
            for name, one_sigma in zip(found.name, sigma, strict=True):
                u, v = (float(c) for c in places[name] + shift)
                values = {
                    "u_m": round(u, 5),
                    "v_m": round(v, 5),
                    "sigma_m": float(one_sigma),
                    "geometry": shapely.Point(round(u, 5), round(v, 5)),
                }
                if name in known:
                    edit.update("control_points", known[name]["id"], values)
                    ids.append(str(known[name]["id"]))
                else:
                    new = {"id": edit.new_id("K"), "surface": surface, "name": name}
                    edit.insert("control_points", [{**new, "role": "control", **values}])
                    ids.append(new["id"])
            mark_measured_by(project, edit, dict.fromkeys(ids, "tape"))
            kept = project.setting(_SETTING, {}) or {}
            edit.set(_SETTING, {**kept, surface: [_plain(m) for m in read]})
    return {
        "points": list(found.name),
        "redundancy": found.redundancy,
        "sigma0": found.sigma0,
        "largest_sigma_m": float(sigma.max()),
        "warnings": list(found.flags),
    }


def _listed(measures: Sequence[Any]) -> Sequence[Any]:
    if not isinstance(measures, list | tuple) or not 1 <= len(measures) <= MOST_MEASURES:
        raise InputError("no list of tape measures", f"Send 1 to {MOST_MEASURES} measures.")
    return measures


def _measure(number: int, values: Any) -> TapeMeasure:
    where = f"measure {number}"
    if not isinstance(values, Mapping):
        raise InputError(f"{where}: is not an object", "Send kind, start, end and length_m.")
    kind = values.get("kind")
    if kind not in _KINDS:
        raise InputError(f"{where}: kind is {str(kind)[:20]!r}", f"Use {', '.join(_KINDS)}.")
    start, end = (str(values.get(n) or "").strip()[:80] for n in ("start", "end"))
    if not start or not end:
        raise InputError(f"{where}: a point is not named", "Name both points.")
    return TapeMeasure(
        kind=kind,
        start=start,
        end=end,
        length_m=_number(where, values.get("length_m"), math.nan),
        sigma_m=_number(where, values.get("sigma_m"), 0.003),
    )


def _number(where: str, value: Any, default: float) -> float:
    if value is None:
        return default
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"{where}: {str(value)[:20]!r} is not a number", "Give metres.")
    return float(value)


def _plain(measure: TapeMeasure) -> dict[str, Any]:
    length = None if math.isnan(measure.length_m) else measure.length_m
    return {
        "kind": measure.kind,
        "start": measure.start,
        "end": measure.end,
        "length_m": length,
        "sigma_m": measure.sigma_m,
    }
