"""The project on disk: folder, GeoPackage, history."""

from __future__ import annotations

from facademap.front_door import door

__all__ = [
    "SCHEMA_VERSION",
    "Consequences",
    "Edit",
    "Project",
    "changes_after",
    "changes_of",
    "consequences_of",
    "gated_edit",
    "transactions_of",
]

__getattr__ = door(
    __name__,
    {
        "SCHEMA_VERSION": "project",
        "Consequences": "gate",
        "Edit": "edit",
        "Project": "project",
        "changes_after": "changes",
        "changes_of": "changes",
        "consequences_of": "gate",
        "gated_edit": "gate",
        "transactions_of": "changes",
    },
)
