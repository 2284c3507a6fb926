"""Wall frames, their place in the world, pixel grids in metres, outlines that are mended."""

from __future__ import annotations

from facademap.front_door import door

__all__ = [
    "CloudPlane",
    "Extent",
    "FittedPlane",
    "PixelGrid",
    "Window",
    "WorldPlacement",
    "fit_cloud_plane",
    "fit_plane",
    "fit_surface",
    "fit_world_placement",
    "mend",
    "mend_all",
    "wall_crs",
]

__getattr__ = door(
    __name__,
    {
        "CloudPlane": "cloud_frame",
        "Extent": "grid",
        "FittedPlane": "plane_fit",
        "PixelGrid": "grid",
        "Window": "grid",
        "WorldPlacement": "frame",
        "fit_cloud_plane": "cloud_frame",
        "fit_plane": "plane_fit",
        "fit_surface": "frame",
        "fit_world_placement": "frame",
        "mend": "mending",
        "mend_all": "mending",
        "wall_crs": "world",
    },
)
