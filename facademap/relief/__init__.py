"""How far a wall stands out of its plane: cameras round it, relief from photos, and change between surveys."""

from __future__ import annotations

from facademap.front_door import door

__all__ = [
    "Change",
    "DepthRules",
    "GreyPhoto",
    "Loss",
    "LossRules",
    "MeasuredDepth",
    "PatchChange",
    "Relief",
    "ReliefRules",
    "Station",
    "StationFit",
    "change_in_patch",
    "change_of_reliefs",
    "depth_below_face",
    "find_losses",
    "fit_stations",
    "relief_strips",
]

__getattr__ = door(
    __name__,
    {
        "Change": "change",
        "DepthRules": "depth",
        "GreyPhoto": "build",
        "Loss": "losses",
        "LossRules": "losses",
        "MeasuredDepth": "depth",
        "PatchChange": "change",
        "Relief": "build",
        "ReliefRules": "build",
        "Station": "stations",
        "StationFit": "stations",
        "change_in_patch": "change",
        "change_of_reliefs": "change",
        "depth_below_face": "depth",
        "find_losses": "losses",
        "fit_stations": "stations",
        "relief_strips": "build",
    },
)
