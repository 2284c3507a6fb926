"""The steps of the job as functions for a notebook or a script: tables of a project, and typed results that show themselves.

``import facademap as fm`` offers the same names; ``fm.open(folder)`` is where to begin. Every step calls the task of that
name, as the command line and the desk do.
"""

from __future__ import annotations

from facademap.library.one_photo import rectify
from facademap.library.project import Project, demo, new, open_project
from facademap.library.results import (
    BlocksAdded,
    Checked,
    ControlAdded,
    ElevationMade,
    ElevationsMade,
    Explained,
    LooksMeasured,
    MapMade,
    Matched,
    NoBlock,
    OutlinesAdded,
    PapersMade,
    PhotosAdded,
    Programme,
    Recorded,
    Rectified,
    RepairsPlanned,
    Result,
    WorkState,
)
from facademap.tasks.project.demo import demo_data

__all__ = [
    "BlocksAdded",
    "Checked",
    "ControlAdded",
    "ElevationMade",
    "ElevationsMade",
    "Explained",
    "LooksMeasured",
    "MapMade",
    "Matched",
    "NoBlock",
    "OutlinesAdded",
    "PapersMade",
    "PhotosAdded",
    "Programme",
    "Project",
    "Recorded",
    "Rectified",
    "RepairsPlanned",
    "Result",
    "WorkState",
    "demo",
    "demo_data",
    "new",
    "open_project",
    "rectify",
]
