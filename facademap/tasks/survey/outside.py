"""A wall placed in the world by its control, its outside told by the instrument's place, by photos, or by the user."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facademap.errors import InputError
from facademap.io.survey_files import Observation, SurveyPoint
from facademap.wall.frame import WorldPlacement, fit_surface, fit_world_placement

__all__ = ["FEWEST_WORLD_POINTS", "PlacedWall", "place_wall", "stated_precision", "world_of"]

Place = tuple[float, float, float]

#: Points that fix a plane.
FEWEST_WORLD_POINTS = 3
#: Width over length of the points seen in a photo below which they do not tell its side (common practice).
_LEAST_SPREAD = 0.02
_COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedWall:
    """A placement and how its outside was told.

    Parameters
    ----------
    placement : WorldPlacement
    outside_by : str
    """

    placement: WorldPlacement
    outside_by: str

    def sentence(self) -> str:
        """Origin and direction of the frame."""
        e, n, h = self.placement.matrix[:, 3]
        facing = self.placement.facing_deg
        return (
            f"origin at E {e:.3f}, N {n:.3f}, H {h:.3f} m; the wall faces {facing:.1f} degrees "
            f"({_COMPASS[round(facing / 45) % 8]}) from grid north, u runs to the right seen from there "
            f"(outside told by {self.outside_by})"
        )


def place_wall(
    points: Sequence[SurveyPoint],
    *,
    seen: Sequence[Observation] = (),
    outside_enh: Place | None = None,
    epsg: int | None = None,
    upright: bool = False,
) -> PlacedWall | None:
    """Place a wall by points with places in the world, on the wall, or both; None where they do not suffice.

    Parameters
    ----------
    points : sequence of SurveyPoint
        Those of role ``instrument`` stand before the wall.
    seen : sequence of Observation
        Where upright photos, taken from outside, show them.
    outside_enh : tuple of float, optional
    epsg : int, optional
    upright : bool

    Raises
    ------
    InputError
        Nothing tells the outside.
    """
    in_world = [p for p in points if p.in_world and p.role != "instrument"]
    both = [p for p in in_world if p.on_wall]
    if len(both) >= FEWEST_WORLD_POINTS:
        wall = np.array([(p.u_m, p.v_m, p.w_m or 0.0) for p in both], dtype=float)
        placement = fit_world_placement(
            wall,
            [world_of(p) for p in both],
            names=[p.name for p in both],
            epsg=epsg,
            sigma_m=stated_precision(both),
        )
        return PlacedWall(placement=placement, outside_by="the places on the wall")
    if len(in_world) < FEWEST_WORLD_POINTS:
        return None

    def fitted(outside: Place) -> WorldPlacement:
        return fit_surface(
            [world_of(p) for p in in_world],
            names=[p.name for p in in_world],
            outside_enh=outside,
            epsg=epsg,
            upright=upright,
            sigma_m=stated_precision(in_world),
        )

    if outside_enh is not None:
        return PlacedWall(placement=fitted(outside_enh), outside_by="the place given")
    instruments = [p for p in points if p.in_world and p.role == "instrument"]
    if instruments:
        return PlacedWall(
            placement=fitted(world_of(instruments[0])), outside_by="the instrument's place"
        )
    trial = fitted(world_of(in_world[0]))
    side = _side_seen(trial, in_world, seen)
    if side:
        here, out = trial.matrix[:, 3], trial.matrix[:, 2]
        e, n, h = here + 100.0 * side * out
        return PlacedWall(placement=fitted((float(e), float(n), float(h))), outside_by="the photos")
    raise InputError(
        "which side of the wall is outside cannot be told from points in the world alone",
        "Give --outside E,N,H: the instrument's place, or any place before the wall; or a row of role instrument, "
        "photos that show three points, or u_m and v_m of three points.",
    )


def stated_precision(points: Sequence[SurveyPoint]) -> list[float]:
    """One sigma of each point as stated, metres; NaN where it states none."""
    return [math.nan if p.sigma_m is None else p.sigma_m for p in points]


def world_of(point: SurveyPoint) -> Place:
    """East, north, height of a point that has them."""
    assert point.east_m is not None
    assert point.north_m is not None
    assert point.height_m is not None
    return (point.east_m, point.north_m, point.height_m)


def _side_seen(
    trial: WorldPlacement, points: Sequence[SurveyPoint], seen: Sequence[Observation]
) -> int:
    """1 where photos show the trial's u to the right, -1 where they show it mirrored, 0 where they do not tell."""
    places = {p.name: trial.wall_from_world(world_of(p))[:2] for p in points}
    votes = 0
    for photo in sorted({o.photo for o in seen}):
        rows = [
            (places[o.name], (o.x_px, -o.y_px))
            for o in seen
            if o.photo == photo and o.name in places
        ]
        if len(rows) < FEWEST_WORLD_POINTS:
            continue
        wall, picture = (np.array(side) - np.mean(side, axis=0) for side in zip(*rows, strict=True))
        spread = np.linalg.svd(wall, compute_uv=False)
        if spread[1] < _LEAST_SPREAD * spread[0]:
            continue
        turn = np.linalg.det(np.linalg.lstsq(wall, picture, rcond=None)[0])
        votes += int(np.sign(turn))
    return int(np.sign(votes))
