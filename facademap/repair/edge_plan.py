"""What each edge of an inset gets: joint, spacers and mortar, under the name of the edge."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from facademap.repair.edges import edge_names, named_order
from facademap.repair.settings import Settings

__all__ = ["EdgePlan", "plan_edges", "spacer_sum"]

#: One spacer for each of these lengths, two at least: the piece must not rock on them (common practice).
SPACER_EVERY_M = 0.2
#: An edge shorter than this has room for one spacer.
SPACER_ALONE_M = 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePlan:
    """One edge of the cut-out.

    Parameters
    ----------
    name, kind : str
        Name as on every paper; inset, joint or exposed.
    at : int
        Its place in the outline: from corner ``at`` to the next.
    joint_m, length_m : float
        Joint that stays open, and length of the edge of the cut-out.
    spacer_m : float
        Thickness of its spacers: its own joint; 0 where it is exposed.
    spacers : int
        How many.
    mortar_m3 : float
        Mortar in this joint, with its undercut.
    """

    name: str
    kind: str
    at: int
    joint_m: float
    length_m: float
    spacer_m: float
    spacers: int
    mortar_m3: float

    def as_json(self) -> dict[str, Any]:
        """As kept with the materials of a repair."""
        return {
            "name": self.name,
            "kind": self.kind,
            "at": self.at,
            "joint_m": self.joint_m,
            "length_m": round(self.length_m, 6),
            "spacer_m": self.spacer_m,
            "spacers": self.spacers,
            "mortar_m3": self.mortar_m3,
        }


def plan_edges(
    ring: np.ndarray,
    joints_m: Sequence[float],
    kinds: Sequence[str],
    *,
    cut_depth_m: float,
    settings: Settings,
) -> tuple[EdgePlan, ...]:
    """The edges of a cut-out in the order of speaking.

    Parameters
    ----------
    ring : array of shape (n, 2)
        Corners of the cut-out, metres.
    joints_m, kinds : sequence
        Joint and kind of each edge in the order of the outline.
    cut_depth_m : float
        Depth of the cut-out.
    settings : Settings
        Bedding and undercut.

    Notes
    -----
    Mortar of an edge = joint x length x depth to the bedding, and half of depth^2 x tan(undercut) x length where the side
    is cut in the stone. At the corners two joints share a square of joint x joint, which is counted once in the whole.
    """
    names = edge_names(ring)
    lengths = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    body = max(cut_depth_m - settings.bedding_m, 0.0)
    under = 0.5 * cut_depth_m**2 * math.tan(math.radians(settings.undercut_deg))
    plans = []
    for i in named_order(names):
        joint, kind, length = float(joints_m[i]), str(kinds[i]), float(lengths[i])
        open_joint = kind != "exposed" and joint > 0
        plans.append(
            EdgePlan(
                name=names[i],
                kind=kind,
                at=i,
                joint_m=joint,
                length_m=length,
                spacer_m=joint if open_joint else 0.0,
                spacers=0
                if not open_joint
                else 1
                if length < SPACER_ALONE_M
                else max(2, math.ceil(length / SPACER_EVERY_M - 1e-9)),
                mortar_m3=(joint * length * body if open_joint else 0.0)
                + (under * length if kind == "inset" else 0.0),
            )
        )
    return tuple(plans)


def spacer_sum(edges: Sequence[EdgePlan]) -> dict[str, Any]:
    """Spacers of all edges by thickness, thickest first; thicknesses to a tenth of a millimetre."""
    counts: dict[float, int] = {}
    for e in edges:
        if e.spacers:
            thick = round(e.spacer_m, 4)
            counts[thick] = counts.get(thick, 0) + e.spacers
    by_thickness: list[Mapping[str, Any]] = [
        {"thickness_m": t, "count": n} for t, n in sorted(counts.items(), reverse=True)
    ]
    return {
        "count": sum(counts.values()),
        "by_thickness": by_thickness,
        "kind": "wood or plastic spacers, each edge of its own joint width",
    }
