"""The saw plans as data, step by step, for a second program to follow."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from facademap.match.saw_model import SawPlan

__all__ = ["write_saw_steps"]


def write_saw_steps(plans: Sequence[SawPlan]) -> bytes:
    """JSON of every block that is opened.

    Returns
    -------
    bytes
        A list of blocks: ``block, volume_mm3, solids {id: {outline [[x, y], ..], z0, z1}}, steps [{n, tool, kerf, cuts,
        gives, kerf_mm3}], pieces {piece: solid}, left [solid, ..]``. Lengths in mm in the frame of the face, x to the
        right and y up as seen from outside, z from the face into the stone. The block is the solid under its own id.
    """
    return (json.dumps([_block(p) for p in plans], indent=1, ensure_ascii=False) + "\n").encode()


def _block(plan: SawPlan) -> dict[str, Any]:
    return {
        "block": plan.block_id,
        "volume_mm3": plan.block.volume_mm3,
        "solids": {
            name: {
                "outline": [list(p) for p in solid.outline_mm],
                "z0": solid.z0_mm,
                "z1": solid.z1_mm,
            }
            for name, solid in plan.solids.items()
        },
        "steps": [
            {
                "n": s.number,
                "tool": s.tool,
                "kerf": s.kerf_mm,
                "cuts": s.cuts,
                "gives": list(s.gives),
                "kerf_mm3": s.kerf_mm3,
            }
            for s in plan.steps
        ],
        "pieces": dict(plan.pieces),
        "left": list(plan.left),
    }
