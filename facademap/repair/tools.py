"""Cutting with a round blade: how deep it reaches, what it leaves in the corners, which tools finish them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facademap.repair.settings import Settings
from facademap.units import format_inches, format_mm

__all__ = ["SawCheck", "check_saw"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SawCheck:
    """What the saw can do on one cut-out.

    Parameters
    ----------
    reach_short_m : float
        Depth that the blade does not reach; 0 when it does.
    left_in_corner_m : float
        Length at full depth that the blade leaves uncut before each corner when its cut stops at the corner
        on the face; what it would over-run on the face if it were cut to full depth.
    short_edges : tuple of int
        Edges too short for the blade to be let in to full depth.
    tools : tuple of str
        Kinds of tools needed.
    notes : tuple of str
        In sentences.
    """

    reach_short_m: float
    left_in_corner_m: float
    short_edges: tuple[int, ...]
    tools: tuple[str, ...]
    notes: tuple[str, ...]


def check_saw(
    ring: np.ndarray, kinds: Sequence[str], *, depth_m: float, settings: Settings
) -> SawCheck:
    """Whether the blade reaches the depth and what remains for drill and chisel.

    Parameters
    ----------
    ring : array of shape (n, 2)
        Corners of the cut-out.
    kinds : sequence of str
        Kind of each edge; only those cut within the stone are sawn.
    depth_m : float
        Even depth.
    settings : Settings
        Blade diameter and reach.

    Notes
    -----
    A blade of radius R let in to depth d cuts sqrt(2 R d - d^2) longer on the face than at the bottom of the cut, on each
    side. Without over-run at the face this length is left at the bottom of every corner.

    References
    ----------
    The chord of a circle (elementary geometry).
    """
    radius = settings.blade_diameter_m / 2
    depth = min(depth_m, settings.blade_reach_m, radius)
    left = math.sqrt(max(2 * radius * depth - depth**2, 0.0))
    lengths = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    sawn = [i for i, k in enumerate(kinds) if k == "inset"]
    short_edges = tuple(i for i in sawn if lengths[i] < 2 * left)
    short = max(depth_m - settings.blade_reach_m, 0.0)
    notes, tools = [], []
    said = format_inches if settings.inches else format_mm
    if sawn:
        tools += [
            "right-angle saw for the relief cuts",
            "small blade and toothed chisel for the corners",
        ]
        notes.append(
            f"Stop every saw cut at the corner on the face: {said(left)} at the bottom of each corner stay for the "
            "chisel. No over-run into sound stone."
        )
    if short > 0:
        tools.append("drill and long chisel where the blade does not reach")
        notes.append(
            f"The blade reaches {said(settings.blade_reach_m)} of {said(depth_m)}: drill and chisel the last "
            f"{said(short)} to an even bottom."
        )
    if short_edges:
        notes.append(
            f"{len(short_edges)} edge{'s are' if len(short_edges) > 1 else ' is'} shorter than the blade's cut "
            f"({said(2 * left)}): use a smaller blade, or drill and chisel."
        )
        tools.append("smaller blade or core drill for short edges")
    if any(k == "joint" for k in kinds):
        tools.append("joint saw or quirk for the mortar of the existing joints")
    return SawCheck(
        reach_short_m=short,
        left_in_corner_m=left,
        short_edges=short_edges,
        tools=tuple(tools),
        notes=tuple(notes),
    )
