"""Salvaged blocks: faces, measuring from photos, usable areas, appearance."""

from __future__ import annotations

from facademap.front_door import door

__all__ = [
    "Appearance",
    "Face",
    "FaceScale",
    "FaceSize",
    "Flaw",
    "Rectangle",
    "SeenFace",
    "StoneDensity",
    "TracedFace",
    "density_of",
    "estimate_weight",
    "judge_acceptance",
    "largest_rectangle",
    "measure_appearance",
    "measure_outline",
    "measure_traced_face",
    "seen_face",
    "sound_stone",
    "usable_part",
]

__getattr__ = door(
    __name__,
    {
        "Appearance": "appearance",
        "Face": "stock",
        "FaceScale": "face_size",
        "FaceSize": "face_size",
        "Flaw": "stock",
        "Rectangle": "rectangles",
        "SeenFace": "seen_face",
        "StoneDensity": "densities",
        "TracedFace": "traced_face",
        "density_of": "densities",
        "estimate_weight": "densities",
        "judge_acceptance": "stock",
        "largest_rectangle": "rectangles",
        "measure_appearance": "appearance",
        "measure_outline": "face_size",
        "measure_traced_face": "traced_face",
        "seen_face": "seen_face",
        "sound_stone": "stock",
        "usable_part": "usable",
    },
)
