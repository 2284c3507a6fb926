"""Outlines and lines proposed from the picture of a wall, in metres of the wall."""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.desk_pictures import Pictures

__all__ = ["available", "propose"]

#: Proposals are worked out on at most this many pixels of the view.
MOST_PX = 2_000_000
#: Vertices closer to the line between their neighbours than this many pixels are left out of a proposal.
SIMPLE_PX = 0.9
_NAMES = {"outline": ("facademap.condition.assist", "outline_at"), "line": ("facademap.condition.assist_lines", "follow_line")}


def _function(kind: str) -> Callable[..., Any] | None:
    try:
        module, name = _NAMES[kind]
        found = getattr(importlib.import_module(module), name, None)
    except ImportError:
        return None
    return found if callable(found) else None


def available() -> dict[str, bool]:
    """Which proposals can be made."""
    return {kind: _function(kind) is not None for kind in _NAMES}


def propose(project: Project, pictures: Pictures, kind: str, *, surface: str, box: Sequence[float],
            points: Sequence[Sequence[float]]) -> dict[str, Any]:
    """A GeoJSON geometry in metres of the wall.

    Parameters
    ----------
    kind : str
        ``outline`` (one click inside) or ``line`` (clicks along it).
    box : (u0, v0, u1, v1)
        Part of the wall in view, metres.
    points : sequence of (u_m, v_m)
        Clicks.
    """
    function = _function(kind) if kind in _NAMES else None
    if function is None:
        raise InputError(f"no proposals of kind {kind[:40]!r}", "Draw it by hand.")
    u0, v0, u1, v1 = _view(box, points)
    grid, rgb = pictures.surface_part(project, surface, (u0, v0, u1, v1), most_px=MOST_PX)
    px = [((u - grid.left_m) / grid.gsd_m - 0.5, (grid.top_m - v) / grid.gsd_m - 0.5) for u, v in points]
    if any(not (0 <= x <= rgb.shape[1] - 1 and 0 <= y <= rgb.shape[0] - 1) for x, y in px):
        raise InputError("a click beside the picture", "Click on the wall.")
    found = function(rgb, *px[0]) if kind == "outline" else function(rgb, px)
    wall = np.column_stack([grid.left_m + (found[:, 0] + 0.5) * grid.gsd_m, grid.top_m - (found[:, 1] + 0.5) * grid.gsd_m])
    return _simple(kind, wall, grid.gsd_m)


def _simple(kind: str, wall: Any, gsd_m: float) -> dict[str, Any]:
    if kind == "outline":
        shape: Any = shapely.make_valid(shapely.Polygon(wall)).simplify(SIMPLE_PX * gsd_m)
        parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
        if not parts:
            raise InputError("nothing with a border was found there", "Click in the middle of it, or draw it by hand.")
        shape = max(parts, key=lambda p: p.area)
    else:
        shape = shapely.LineString(wall).simplify(SIMPLE_PX * gsd_m)
    return dict(shapely.geometry.mapping(shape))


def _view(box: Sequence[float], points: Sequence[Sequence[float]]) -> tuple[float, float, float, float]:
    """The view, checked, and grown so that all clicks lie in it."""
    try:
        values = [float(v) for v in box]
        places = [[float(v) for v in p] for p in points]
    except (TypeError, ValueError):
        values, places = [], []
    flat = [*values, *(v for p in places for v in p)]
    if len(values) != 4 or not places or any(len(p) != 2 for p in places) or not all(math.isfinite(v) and abs(v) < 2000 for v in flat):
        raise InputError("a view or clicks that are not numbers", "Send box as four and points as pairs of metres.")
    if len(places) > 500:
        raise InputError(f"{len(places)} clicks", "Follow the line in shorter parts.")
    us, vs = [p[0] for p in places], [p[1] for p in places]
    return (min(values[0], *us) - 1e-3, min(values[1], *vs) - 1e-3, max(values[2], *us) + 1e-3, max(values[3], *vs) + 1e-3)
