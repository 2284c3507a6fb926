"""Survey points in the world that cannot be what they are said to be: degrees, other sites, systems that are no plan in metres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from facademap.errors import InputError

__all__ = ["refuse_absurd"]

Floats = NDArray[np.floating[Any]]

#: Coordinates beyond every system in metres, and a length beyond every wall (bounds on slips, common practice).
FARTHEST_M = 2e7
LARGEST_WALL_M = 2000.0
#: No wall is narrower in plan, and a wall of a kilometre has less in degrees (common practice).
NARROWEST_WALL_M = 0.02


def refuse_absurd(
    points: Floats,
    names: Sequence[str],
    *,
    outside_enh: tuple[float, float, float] | None,
    epsg: int | None,
) -> None:
    """Name what cannot be a place near a wall, or no coordinate system in metres.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        East, north, height, metres.
    names : sequence of str
    outside_enh : tuple of float, optional
        A place before the wall.
    epsg : int, optional
        Code of the system.

    Raises
    ------
    InputError
    """
    far = np.abs(points).max(axis=1, initial=0.0) > FARTHEST_M
    if far.any():
        i = int(np.argmax(far))
        raise InputError(
            f"point {names[i]} lies at {', '.join(f'{x:g}' for x in points[i])} m, beyond every coordinate "
            "system in metres",
            "Correct its row: east, north and height in metres.",
        )
    size = float(np.ptp(points, axis=0).max()) if len(points) else 0.0
    if size > LARGEST_WALL_M:
        middle = np.median(points, axis=0)
        i = int(np.argmax(np.linalg.norm(points - middle, axis=1)))
        raise InputError(
            f"the points span {size:g} m, which is no wall; {names[i]} lies farthest from the others",
            "Correct its row, or leave out the points of other sites.",
        )
    _refuse_degrees(points, names)
    if outside_enh is not None and not all(
        math.isfinite(x) and abs(x) <= FARTHEST_M for x in outside_enh
    ):
        raise InputError(
            f"place {', '.join(f'{x:g}' for x in outside_enh)} is no place before a wall",
            "Give --outside E,N,H in metres, in the system of the survey.",
        )
    if epsg is not None:
        try:
            system = CRS.from_epsg(epsg)
        except CRSError:
            raise InputError(
                f"EPSG:{epsg} is no known coordinate system",
                "Give the code of the projected system of the survey, or leave --epsg out.",
            ) from None
        if not system.is_projected:
            raise InputError(
                f"EPSG:{epsg} ({system.name}) is not a projected coordinate system",
                "Give the code of a projected system in metres, or leave --epsg out.",
            )
        factor = float(system.axis_info[0].unit_conversion_factor or 1.0)
        if abs(factor - 1.0) > 1e-9:
            raise InputError(
                f"EPSG:{epsg} ({system.name}) counts in {system.axis_info[0].unit_name}, and a wall in metres",
                "Give the coordinates and the code of a system in metres, or leave --epsg out.",
            )


def _refuse_degrees(points: Floats, names: Sequence[str]) -> None:
    """Longitude and latitude of a wall differ in the fourth decimal; metres of any wall by far more."""
    if len(points) < 2:
        return
    plan = points[:, :2]
    in_degrees = bool((np.abs(plan).max(axis=0) <= (180.0, 180.0)).all())
    if in_degrees and float(np.ptp(plan, axis=0).max()) < NARROWEST_WALL_M:
        east, north = plan[0]
        raise InputError(
            f"point {names[0]} at {east:g}, {north:g} and all others lie within {NARROWEST_WALL_M * 1000:g} mm in plan: "
            "degrees, or not metres",
            "Give east and north in metres of a projected system.",
        )
