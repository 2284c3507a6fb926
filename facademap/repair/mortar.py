"""Mortar of an inset from solid geometry."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon

from facademap.repair.pins import Pin
from facademap.repair.settings import Settings

__all__ = ["MortarVolumes", "hole_volume_m3", "mortar_volumes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MortarVolumes:
    """Volumes of mortar in cubic metres, part by part."""

    bed_m3: float
    joints_m3: float
    undercut_m3: float
    grooves_m3: float
    holes_m3: float
    trials_m3: float
    waste_m3: float

    @property
    def in_place_m3(self) -> float:
        """What stays in the wall."""
        return self.bed_m3 + self.joints_m3 + self.undercut_m3 + self.grooves_m3 + self.holes_m3

    @property
    def total_m3(self) -> float:
        """What has to be mixed."""
        return self.in_place_m3 + self.trials_m3 + self.waste_m3


def hole_volume_m3(
    hole_m: float, depth_m: float, *, rod_m: float = 0.0, rod_in_hole_m: float | None = None
) -> float:
    """Volume of a drilled hole less the rod in it.

    For a threaded rod give its stress diameter, else the grout comes out too little.

    References
    ----------
    Volume of a cylinder (elementary geometry).

    Examples
    --------
    >>> round(hole_volume_m3(0.008, 0.060) * 1e6, 3)
    3.016
    >>> round(hole_volume_m3(0.008, 0.060, rod_m=0.006) * 1e6, 3)
    1.319
    """
    rod_length = depth_m if rod_in_hole_m is None else rod_in_hole_m
    return math.pi / 4 * (hole_m**2 * depth_m - rod_m**2 * rod_length)


def mortar_volumes(
    cut_out: Polygon,
    piece: Polygon,
    *,
    cut_depth_m: float,
    pins: Sequence[Pin],
    settings: Settings,
    inset_length_m: float = 0.0,
    groove_length_m: float = 0.0,
) -> MortarVolumes:
    """Mortar of one inset from its solid geometry.

    Parameters
    ----------
    cut_out, piece : Polygon
        Faces in the wall, metres.
    cut_depth_m : float
        Even depth of the cut-out.
    pins : sequence of Pin
        Their holes, less their rods, in wall and piece.
    settings : Settings
        Bedding, undercut, grooves, trial beddings, waste.
    inset_length_m : float
        Length of the edges cut within the stone, which are undercut.
    groove_length_m : float
        Length of keyed grooves, wall and piece together.

    Notes
    -----
    bed = cut-out area x bedding; joints = (cut-out area - piece area) x (cut depth - bedding); undercut = half of
    depth^2 x tan(angle) along the edges cut within the stone; holes = pi/4 (hole^2 x drilled - rod^2 x rod).
    Pointing at the face is part of the joints.

    References
    ----------
    Solids added up (elementary geometry); waste and trial beddings are settings, common practice.
    """
    body = max(cut_depth_m - settings.bedding_m, 0.0)
    bed = cut_out.area * min(settings.bedding_m, cut_depth_m)
    joints = max(cut_out.area - piece.area, 0.0) * body
    undercut = 0.5 * cut_depth_m**2 * math.tan(math.radians(settings.undercut_deg)) * inset_length_m
    grooves = groove_length_m * settings.groove_width_m * settings.groove_depth_m
    holes = sum(
        hole_volume_m3(p.hole_m, p.hole_wall_m, rod_m=p.rod_m, rod_in_hole_m=p.embedment_m)
        + hole_volume_m3(p.hole_m, p.hole_piece_m, rod_m=p.rod_m, rod_in_hole_m=p.into_piece_m)
        for p in pins
    )
    trials = settings.trial_beddings * settings.trial_loss * bed
    placed = bed + joints + undercut + grooves + holes
    return MortarVolumes(
        bed_m3=bed,
        joints_m3=joints,
        undercut_m3=undercut,
        grooves_m3=grooves,
        holes_m3=holes,
        trials_m3=trials,
        waste_m3=settings.waste * (placed + trials),
    )
