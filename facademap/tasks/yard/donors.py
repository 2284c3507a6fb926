"""Blocks that whole-stone repairs will yield: size, weight and colour as the stone stands in the wall."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from typing import Any

import numpy as np
import shapely

from facademap.errors import FacademapError, GeometryError, InputError
from facademap.io.rasters import Elevation, open_elevation
from facademap.repair.handling import stone_weight
from facademap.salvage.densities import density_of
from facademap.salvage.face_picture import RIM_M
from facademap.salvage.stock import donor_face, sound_stone
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.plan.appearance import HARMLESS, measure_in_wall
from facademap.tasks.plan.densities import densities_of_project

__all__ = ["donors_to_come"]

#: Stone this near to visible decay is not trusted (common practice, project setting ``donor_cut_back_m``).
CUT_BACK_M = 0.03
#: A donor in which no circle of this width has room is left out (as for remainders).
LEAST_SIDE_M = 0.06
_FACE_BEDS: dict[str, Any] = {"horizontal": "x", "edge": "x", "parallel": "parallel"}


def donors_to_come(
    project: Project, notes: list[str]
) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Block and face of the sound part of every stone that comes out whole, with its colour as seen in the wall.

    ``notes`` takes why a repair yields none, or one without a colour.
    """
    repairs = project.read("repairs", where={"treatment": "whole stone"}).to_dict("records")
    stones = {s["id"]: s for s in project.read("wall_stones").to_dict("records")}
    conditions = {c["id"]: c for c in project.read("conditions").to_dict("records")}
    densities = densities_of_project(project)
    cut_back_m = float(project.setting("donor_cut_back_m", CUT_BACK_M))
    with _Elevations(project) as elevations:
        for repair in repairs:
            stone = stones.get(repair["wall_stone"])
            if stone is None or is_missing(stone["depth_m"]) or repair["stage"] == "on hold":
                notes.append(
                    f"{repair['id']}: no donor, "
                    + (
                        "it is on hold"
                        if repair["stage"] == "on hold"
                        else "its wall stone or depth is unknown"
                    )
                )
                continue
            decayed = [
                p
                for c in repair["conditions"] or ()
                if c in conditions
                for p in shapely.get_parts(conditions[c]["geometry"])
                if p.geom_type == "Polygon"
            ]
            upright = stone["bed"] == "edge"  # x of a face runs along the bed
            rings = [_ring(p, upright) for p in (stone["geometry"], *decayed)]
            try:
                face = donor_face(
                    rings[0],
                    rings[1:],
                    depth_m=stone["depth_m"],
                    cut_back_m=cut_back_m,
                    parent=stone["id"],
                    bed=_FACE_BEDS.get(stone["bed"], "unknown"),
                )
            except GeometryError as error:
                notes.append(f"{repair['id']}: {error.problem}")
                continue
            width, height = (float(v) for v in np.ptp(face.outline_m, axis=0))
            if (
                2 * shapely.length(shapely.maximum_inscribed_circle(face.sound(), tolerance=1e-3))
                < LEAST_SIDE_M
            ):
                notes.append(f"{repair['id']}: too little of wall stone {stone['id']} is sound")
                continue
            name, colour = f"D-{stone['id']}", {}
            rings = [_ring(p, False) for p in (stone["geometry"], *decayed)]
            sound = sound_stone(rings[0], rings[1:], cut_back_m=cut_back_m)
            try:
                colour = elevations.colour(stone, sound, conditions.values())
            except FacademapError as error:
                notes.append(f"{name} has no colour and is not matched: {error.problem}")
            weight_kg = stone_weight(
                stone["geometry"].area * stone["depth_m"],
                density_of(stone["stone_type"], stone["kind"], densities=densities).high_kg_per_m3,
            )
            yield (
                {
                    "id": name,
                    "stone_type": stone["stone_type"] or "unknown",
                    "kind": stone["kind"],
                    "provenance": f"wall stone {stone['id']}",
                    "location": f"the wall, {stone['id']}",
                    "length_m": width,
                    "height_m": height,
                    "depth_m": stone["depth_m"],
                    "state": "future",
                    "weight_kg": weight_kg,
                    "weight_status": "from density",
                    "acceptance": "to test",
                    "after_repair": repair["id"],
                    "parent": None,
                    "note": "Comes out with this repair's cut-out; sound and test it then. The weight is that of the whole wall stone",
                },
                {
                    "id": f"{name}.1",
                    "block": name,
                    "outline": face.outline_m.tolist(),
                    "usable_depth_m": stone["depth_m"],
                    "bed": face.bed,
                    "flaws": [
                        {"kind": f.kind, "ring": f.ring_m.tolist(), "depth_m": None, "from_m": 0.0}
                        for f in face.flaws
                    ],
                    "finish": stone["finish"],
                    "weathered": True,
                    "width_m": width,
                    "height_m": height,
                    **colour,
                },
            )


class _Elevations:
    """The rectified elevations of a project, opened when they are asked for."""

    def __init__(self, project: Project) -> None:
        self.project, self.opened = project, ExitStack()
        self.surfaces = {s["id"]: s for s in project.read("surfaces").to_dict("records")}
        self.elevations: dict[str, Elevation] = {}

    def __enter__(self) -> _Elevations:
        return self

    def __exit__(self, *error: object) -> None:
        self.opened.close()

    def colour(
        self, stone: dict[str, Any], sound: Any, conditions: Iterable[dict[str, Any]]
    ) -> dict[str, Any]:
        """Columns of a face for the sound part of a stone, as the wall shows it.

        Raises
        ------
        FacademapError
            No elevation shows it.
        """
        surface = self.surfaces[stone["surface"]]
        if is_missing(surface["picture"]):
            raise InputError(
                "no rectified elevation shows its stone", "Make one with facademap elevations."
            )
        if surface["id"] not in self.elevations:
            self.elevations[surface["id"]] = self.opened.enter_context(
                open_elevation(self.project.place(surface["picture"]))
            )
        spoiled = [
            c["geometry"].buffer(RIM_M)
            for c in conditions
            if c["surface"] == surface["id"]
            and c["term"] not in HARMLESS
            and c["geometry"].intersects(sound)
        ]
        seen = sound.buffer(-RIM_M).difference(shapely.union_all(spoiled))
        if seen.is_empty:
            raise InputError(
                "none of its stone is clean enough to be measured", "Give its colour by hand."
            )
        found = measure_in_wall(
            seen,
            self.elevations[surface["id"]],
            calibrated=surface["colour_state"] != "uncalibrated",
            upright=stone["bed"] == "edge",
            weathered=True,
            finish="" if is_missing(stone["finish"]) else str(stone["finish"]),
        )
        return {
            "lab": found.lab.tolist(),
            "lab_covariance": found.covariance.tolist(),
            "lab_n": found.n,
            "spread": found.spread,
            "calibrated": found.calibrated,
            "appearance": found.as_record(),
        }


def _ring(polygon: Any, turned: bool) -> Any:
    points = shapely.get_coordinates(polygon.exterior)[:-1]
    return np.column_stack([points[:, 1], -points[:, 0]]) if turned else points
