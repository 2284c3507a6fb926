"""Glossary of conditions, measuring and checking records, assisted outlines."""

from __future__ import annotations

from facademap.front_door import door

__all__ = [
    "FAMILIES",
    "TERMS",
    "DamageIndices",
    "Family",
    "Sign",
    "Stone",
    "Term",
    "attach_wall_stones",
    "classify_terms",
    "damage_indices",
    "find_overlaps",
    "find_term",
    "follow_line",
    "measure_area_m2",
    "measure_length_m",
    "mend_outlines",
    "outline_at",
    "outline_wall",
    "signs_as_json",
]

__getattr__ = door(
    __name__,
    {
        "FAMILIES": "glossary",
        "TERMS": "glossary",
        "DamageIndices": "indices",
        "Family": "glossary",
        "Sign": "signs",
        "Stone": "wall_outlines",
        "Term": "glossary",
        "attach_wall_stones": "records",
        "classify_terms": "records",
        "damage_indices": "indices",
        "find_overlaps": "records",
        "find_term": "glossary",
        "follow_line": "assist_lines",
        "measure_area_m2": "records",
        "measure_length_m": "records",
        "mend_outlines": "records",
        "outline_at": "assist",
        "outline_wall": "wall_outlines",
        "signs_as_json": "signs",
    },
)
