"""Use case: a total-station list becomes wall coordinates, with the wall's place in the world."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError
from facademap.io.survey_files import read_observations, read_survey_points
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.cylinder import fit_cylinder
from facademap.tasks.survey.outside import (
    FEWEST_WORLD_POINTS,
    place_wall,
    stated_precision,
    world_of,
)
from facademap.tasks.survey.world_points import refuse_absurd

__all__ = ["place_survey_points"]


Floats = NDArray[np.floating[Any]]


def place_survey_points(
    survey: Path,
    out: Path,
    *,
    placement: Path | None = None,
    outside_enh: tuple[float, float, float] | None = None,
    observations: Path | None = None,
    epsg: int | None = None,
    cylinder: bool = False,
    concave: bool = False,
    upright: bool = False,
) -> dict[str, Any]:
    """Derive a wall frame from surveyed points and write their wall coordinates.

    Parameters
    ----------
    survey : Path
        The one table of control: ``name,e_m,n_m,h_m`` (or any right-handed local system with the third axis up), and
        where there are any ``role``, ``u_m,v_m,w_m`` and ``sigma_mm``. Places on the wall of three points or more are kept.
    out : Path
        CSV ``name,u_m,v_m,w_m,on_surface``: u right, v up, w out of the surface.
    placement : Path, optional
        JSON with the matrix from wall to world, residuals and flags.
    outside_enh : tuple of float, optional
        A place before the wall; without it a row of role ``instrument`` or photos tell, else the wall is refused.
    observations : Path, optional
        Table ``photo,name,x_px,y_px`` of upright photos taken from outside.
    epsg : int, optional
    cylinder, concave : bool
        A round pier or turret; seen from within.
    upright : bool
        Hold the plane vertical.

    Returns
    -------
    dict
    """
    given = read_survey_points(survey)
    seen = read_observations(observations) if observations else []
    instruments = [p for p in given if p.role == "instrument" and p.in_world]
    given = [p for p in given if p.role != "instrument"]
    strange = [p.name for p in given if not p.in_world]
    if strange:
        raise InputError(
            f"survey file {survey.name}: point {strange[0]} has no place in the world",
            "Give e_m, n_m and h_m of every point.",
        )
    names = [p.name for p in given]
    points = np.array([world_of(p) for p in given])
    refuse_absurd(points, names, outside_enh=outside_enh, epsg=epsg)
    check_writable(placement)
    values: dict[str, Any] = {"out": str(out), "points": len(names)}
    if cylinder:
        if outside_enh is None and instruments:
            outside_enh = world_of(instruments[0])
        if outside_enh is None:
            raise InputError(
                "a round surface needs a place before it", "Give --outside E,N,H (the instrument)."
            )
        fitted = fit_cylinder(points, names=names, upright=True, sigma_m=stated_precision(given))
        places = fitted.unroll(points, facing_enh=outside_enh, concave=concave)
        used, flags = fitted.used, fitted.flags
        rmse: float | None = fitted.rmse_m
        values |= {
            "surface": "cylinder",
            "radius_m": fitted.radius_m,
            "axis_point": fitted.axis_point_enh.tolist(),
        }
    else:
        wall = place_wall(
            [*given, *instruments], seen=seen, outside_enh=outside_enh, epsg=epsg, upright=upright
        )
        if wall is None:
            raise GeometryError(
                f"{len(given)} survey points are too few, {FEWEST_WORLD_POINTS} are needed",
                "Survey more points, spread over the wall.",
            )
        placed = wall.placement
        places, flags = placed.wall_from_world(points), placed.flags
        fitted_names = dict(zip(placed.names, placed.used.tolist(), strict=True))
        used = np.array([fitted_names.get(n, True) for n in names])
        rmse = placed.rmse_m if placed.used.sum() > FEWEST_WORLD_POINTS else None
        values |= {
            "surface": "plane",
            "facing_deg": placed.facing_deg,
            "lean_deg": placed.lean_deg,
            "outside_by": wall.outside_by,
            "frame": wall.sentence(),
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
