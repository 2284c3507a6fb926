"""Tell a project which photo shows a colour chart, and where its patches lie."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.patch_files import read_patches
from facademap.io.pictures import read_picture_info
from facademap.store.project import Project
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.colour import calibrate_photo

__all__ = ["add_chart"]


def add_chart(
    folder: str | Path,
    photo: str,
    patches: str | Path,
    *,
    edition: str,
    stored_pixels: bool = False,
    surface: str | None = None,
    who: str = "surveyor",
) -> dict[str, Any]:
    """Store the patches of a chart; the next elevations get true colours from it.

    Parameters
    ----------
    folder : path
        Project.
    photo : str
        Photo of the project that shows the chart.
    patches : path
        ``name,x_px,y_px,half_px,role,L,a,b``.
    edition : str
        Chart and edition of its reference values, which differ by more than the eye forgives.
    stored_pixels : bool
        The patches were picked in the stored picture, before the turn that its EXIF asks for.

    Returns
    -------
    dict
        The report of the fit.
    """
    if not edition.strip():
        raise InputError(
            "the edition of the chart's values is not given",
            "Name the chart and the year of its values.",
        )
    with Project.open(folder) as project:
        surface = surface_of(project, surface)
        path = project.place(project.row("photos", photo)["path"])
        _, report = calibrate_photo(path, Path(patches), chart=edition, stored_pixels=stored_pixels)
        turn = read_picture_info(path).turn
        rows = [
            asdict(r) for r in read_patches(Path(patches), turn=turn, stored_pixels=stored_pixels)
        ]
        charts = {
            **(project.setting("charts", {}) or {}),
            surface: {"photo": photo, "edition": edition, "patches": rows},
        }
        with project.edit(who=who, what="add colour chart") as edit:
            edit.set("charts", charts)
    return report
