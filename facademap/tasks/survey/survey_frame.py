"""Use case: a total-station list becomes wall coordinates, with the wall's place in the world."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.csv_tables import read_csv_rows
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.cylinder import fit_cylinder
from facademap.tasks.survey.world_points import refuse_absurd
from facademap.wall.frame import fit_surface

__all__ = ["place_survey_points"]


Floats = NDArray[np.floating[Any]]


def place_survey_points(
    survey: Path,
    out: Path,
    *,
    placement: Path | None = None,
    outside_enh: tuple[float, float, float] | None = None,
    epsg: int | None = None,
    cylinder: bool = False,
    concave: bool = False,
    upright: bool = False,
) -> dict[str, Any]:
    """Derive a wall frame from surveyed points and write their wall coordinates.

    Parameters
    ----------
    survey : Path
        CSV ``name,e_m,n_m,h_m`` (or any right-handed local system with the third axis up).
    out : Path
        CSV ``name,u_m,v_m,w_m,on_surface``: u right, v up, w out of the surface.
    placement : Path, optional
        JSON with the matrix from wall to world, residuals and flags.
    outside_enh : tuple of float, optional
        A place before the wall, such as the instrument; a wall is refused without it.
    epsg : int, optional
    cylinder, concave : bool
        A round pier or turret; seen from within.
    upright : bool
        Hold the plane vertical.

    Returns
    -------
    dict
    """
    rows = read_csv_rows(survey, columns=("name", "e_m", "n_m", "h_m"), what="survey file")
    names = [row.text("name") for row in rows]
    points = np.array([[row.number(c) for c in ("e_m", "n_m", "h_m")] for row in rows])
    double = next((n for n in names if names.count(n) > 1), None)
    if double is not None:
        raise InputError(
            f"survey file {survey.name}: name {double} is given twice",
            "Give every point its own name.",
        )
    refuse_absurd(points, names, outside_enh=outside_enh, epsg=epsg)
    check_writable(placement)
    values: dict[str, Any] = {"out": str(out), "points": len(names)}
    if cylinder:
        if outside_enh is None:
            raise InputError(
                "a round surface needs a place before it", "Give --outside E,N,H (the instrument)."
            )
        fitted = fit_cylinder(points, names=names, upright=True)
        places = fitted.unroll(points, facing_enh=outside_enh, concave=concave)
        used, flags, rmse = fitted.used, fitted.flags, fitted.rmse_m
        values |= {
            "surface": "cylinder",
            "radius_m": fitted.radius_m,
            "axis_point": fitted.axis_point_enh.tolist(),
        }
    else:
        if outside_enh is None:
            raise InputError(
                "which side of the wall is outside cannot be told from points alone",
                "Give --outside E,N,H: the instrument's place, or any place before the wall.",
            )
        placed = fit_surface(
            points, names=names, outside_enh=outside_enh, epsg=epsg, upright=upright
        )
        places, used, flags, rmse = (
            placed.wall_from_world(points),
            placed.used,
            placed.flags,
            placed.rmse_m,
        )
        values |= {
            "surface": "plane",
            "facing_deg": placed.facing_deg,
            "lean_deg": placed.lean_deg,
            "placement": placed.to_dict(),
        }
    values |= {
        "rmse_m": rmse,
        "off_surface": [n for n, ok in zip(names, used, strict=True) if not ok],
        "warnings": list(flags),
    }
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("name", "u_m", "v_m", "w_m", "on_surface"))
    for name, place, ok in zip(names, places, used, strict=True):
        writer.writerow((name, *(f"{round(float(x), 5) + 0.0:.5f}" for x in place), int(ok)))
    write_whole(out, text.getvalue())
    if placement is not None:
        write_whole(
            placement,
            json.dumps(
                values.get(
                    "placement",
                    {"radius_m": values.get("radius_m"), "axis_point": values.get("axis_point")},
                ),
                indent=2,
            )
            + "\n",
        )
    return values
