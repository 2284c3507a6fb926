"""Take control and check points into a project, and place the wall in the world where they allow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.errors import InputError
from facademap.io.csv_tables import TableWords
from facademap.io.picked_pixels import upright_place
from facademap.io.pictures import read_picture_info
from facademap.io.survey_files import (
    Observation,
    SurveyPoint,
    read_observations,
    read_survey_points,
)
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables.names import as_id, id_fault, unique_id
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.kept_columns import keep_columns, with_kept_columns
from facademap.tasks.survey.measured_by import mark_measured_by
from facademap.tasks.survey.outside import FEWEST_WORLD_POINTS, place_wall, world_of
from facademap.tasks.survey.world_points import refuse_absurd
from facademap.wall.frame import WorldPlacement

__all__ = ["add_control"]


def add_control(
    folder: str | Path,
    points_path: str | Path,
    *,
    observations_path: str | Path | None = None,
    stored_pixels: bool = False,
    surface: str | None = None,
    epsg: int | None = None,
    outside_enh: tuple[float, float, float] | None = None,
    words: TableWords | None = None,
    who: str = "surveyor",
) -> dict[str, Any]:
    """Read a surveyor's point list, and where photos show the points.

    Parameters
    ----------
    folder : path
        Project.
    points_path : path
        ``name,role`` with ``u_m,v_m[,w_m]`` and/or ``east_m,north_m,height_m``, and ``sigma_mm``.
    observations_path : path, optional
        ``photo,name,x_px,y_px``.
    stored_pixels : bool
        They were picked in stored pictures, before the turns that their EXIF ask for.
    surface : str, optional
        Surface the points lie on.
    epsg : int, optional
        Code of the projected system of the world coordinates; the project's setting without it.
    outside_enh : tuple of float, optional
        A place before the wall; needed where points have world coordinates alone, no row is of role ``instrument``,
        and no photo shows three of them.
    words : TableWords, optional
        Unit, decimal sign and an office's column names of the point list, which the project keeps.

    Returns
    -------
    dict
        ``control``, ``check``, ``observations``, ``world`` (rmse and largest out-of-plane distance, or
        ``None``), ``notes``.

    Notes
    -----
    Points that have only world coordinates get their place on the wall from the plane fitted through them.
    """
    with Project.open(folder, read_only=True) as project:
        words = with_kept_columns(project, "control_points", words)
    notes: list[str] = []
    points = read_survey_points(Path(points_path), words=words, notes=notes)
    seen = (
        read_observations(Path(observations_path), stored_pixels=stored_pixels)
        if observations_path
        else []
    )
    seen = [replace(o, photo=as_id(o.photo)) for o in seen]
    with Project.open(folder) as project:
        surface = surface_of(project, surface)
        epsg = epsg or project.setting("epsg")
        in_world = [p for p in points if p.in_world]
        refuse_absurd(
            np.array([world_of(p) for p in in_world], dtype=float).reshape(-1, 3),
            [p.name for p in in_world],
            outside_enh=outside_enh,
            epsg=epsg if in_world else None,
        )
        _refuse_strangers(seen, points, set(project.read("photos")["id"]), observations_path)
        seen = _upright(project, seen)
        placed_wall = place_wall(points, seen=seen, epsg=epsg, outside_enh=outside_enh)
        world = placed_wall.placement if placed_wall else None
        points = [p for p in points if p.role != "instrument"]
        ids = _ids(project, surface, [p.name for p in points])
        rows = [_row(point, surface, world, ids) for point in points]
        with gated_edit(
            project, who=who, what=f"read control from {Path(points_path).name}"
        ) as edit:
            edit.put("control_points", rows)
            edit.put(
                "observations",
                [
                    {
                        "id": f"{o.photo}:{surface}:{_word(o.name, ids)}",
                        "photo": o.photo,
                        "x_px": o.x_px,
                        "y_px": o.y_px,
                        "control_point": ids[o.name],
                    }
                    for o in seen
                ],
            )
            if world is not None:
                edit.update("surfaces", surface, {"world": world.to_dict()})
            keep_columns(project, edit, "control_points", words)
            mark_measured_by(
                project,
                edit,
                {ids[p.name]: p.measured_by for p in points},
            )
    placed = (
        None
        if world is None or placed_wall is None
        else {
            "rmse_m": world.rmse_m if world.used.sum() > FEWEST_WORLD_POINTS else None,
            "largest_out_of_plane_m": float(np.abs(world.out_of_plane_m).max()),
            "facing_deg": world.facing_deg,
            "lean_deg": world.lean_deg,
            "outside_by": placed_wall.outside_by,
            "frame": placed_wall.sentence(),
        }
    )
    return {
        "control": sum(p.role == "control" for p in points),
        "check": sum(p.role == "check" for p in points),
        "observations": len(seen),
        "world": placed,
        "notes": [*notes, *(world.flags if world else ())],
    }


def _ids(project: Project, surface: str, names: Sequence[str]) -> dict[str, str]:
    """Ids of points by name: those that the surface has (a list that names one corrects it), and new ones.

    A surveyor names points as they like, ``Tür oben`` or ``5/a``; an id that can be a file's name is made of that.
    """
    there = project.read("control_points", where={"surface": surface})
    ids = {str(n): str(i) for n, i in zip(there["name"], there["id"], strict=True)}
    # names that are good ids keep themselves; the others come after them
    for name in sorted(set(names) - set(ids), key=lambda n: (id_fault(n) is not None, n)):
        taken = {i.removeprefix(f"{surface}:") for i in ids.values()}
        free = id_fault(name) is None
        ids[name] = f"{surface}:{name if free else unique_id(name, taken)}"
    return ids


def _word(name: str, ids: Mapping[str, str]) -> str:
    """A point's name as part of an id."""
    return name if id_fault(name) is None else ids[name].rpartition(":")[2]


def _row(
    point: SurveyPoint, surface: str, world: WorldPlacement | None, ids: dict[str, str]
) -> dict[str, Any]:
    u_m, v_m, w_m = point.u_m, point.v_m, point.w_m
    if not point.on_wall:
        if world is None:
            raise InputError(
                f"point {point.name} has no place on the wall, and too few points place the wall in the world",
                "Give u_m and v_m, or at least three points with east_m, north_m and height_m.",
            )
        u_m, v_m, w_m = (float(v) for v in world.wall_from_world(world_of(point)))
    return {
        "id": ids[point.name],
        "surface": surface,
        "name": point.name,
        "role": point.role,
        "u_m": u_m,
        "v_m": v_m,
        "w_m": w_m,
        "east_m": point.east_m,
        "north_m": point.north_m,
        "height_m": point.height_m,
        "sigma_m": point.sigma_m,
        "geometry": shapely.Point(u_m, v_m),
    }


def _upright(project: Project, seen: list[Observation]) -> list[Observation]:
    """The places that were picked in stored pictures, in the upright ones."""
    turns = {
        photo: read_picture_info(project.place(project.row("photos", photo)["path"])).turn
        for photo in {o.photo for o in seen if o.stored}
    }
    return [
        replace(o, x_px=x_px, y_px=y_px, stored=False)
        for o in seen
        for x_px, y_px in [
            upright_place((o.x_px, o.y_px), turns[o.photo], stored=True)
            if o.stored
            else (o.x_px, o.y_px)
        ]
    ]


def _refuse_strangers(
    seen: list[Observation], points: list[SurveyPoint], photos: set[str], path: Any
) -> None:
    names = {p.name for p in points}
    for o in seen:
        if o.name not in names:
            raise InputError(
                f"{path}: point {o.name} in {o.photo} is not on the point list",
                "Add it to the list, or remove the row.",
            )
        if o.photo not in photos:
            raise InputError(
                f"{path}: photo {o.photo} is not in the project",
                "Add the photos first with facademap add-photos.",
            )
