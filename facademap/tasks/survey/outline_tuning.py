"""The tuning of outlines as a project keeps it."""

from __future__ import annotations

from typing import Any

import numpy as np

from facademap.condition.wall_tuning import MAPS, Tuning
from facademap.store.project import Project

__all__ = ["SETTING", "tuning_as_json", "tuning_of"]

SETTING = "outline_tuning"


def tuning_as_json(tuning: Tuning) -> dict[str, Any]:
    """Weights and numbers as lists."""
    return {
        "weights": [round(float(w), 6) for w in tuning.weights.ravel()],
        "bias": [round(float(b), 6) for b in tuning.bias],
    }


def tuning_of(project: Project) -> Tuning | None:
    """What the project has learned, or None; anything that is no tuning of this network counts as none."""
    kept = project.setting(SETTING)
    if not isinstance(kept, dict) or len(kept.get("bias", ())) != MAPS:
        return None
    weights = np.array(kept["weights"], np.float32)
    if weights.size % (MAPS * 9):
        return None
    return Tuning(weights=weights.reshape(MAPS, -1, 3, 3), bias=np.array(kept["bias"], np.float32))
