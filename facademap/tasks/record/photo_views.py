"""Views of the repairs of a project: which are missing, and before and after on one sheet."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FacademapError
from facademap.io.pictures import read_picture
from facademap.io.whole_files import write_whole
from facademap.photo.align_pair import align_pair
from facademap.repair.rows import rows_of
from facademap.repair.views import missing_views, views_taken
from facademap.report.before_after import RepairViews, View, write_before_after
from facademap.report.face_picture import encode_jpeg
from facademap.store.project import Project

__all__ = ["missing_in_project", "write_views"]

_LONGEST_PX = 1400
#: A later view that shows less of the first says how much.
_WHOLE = 0.95


def missing_in_project(folder: str | Path) -> list[dict[str, Any]]:
    """Every repair with a view that should be there at its stage and is not."""
    with Project.open(folder, read_only=True) as project:
        entries = project.read("work_log").to_dict("records")
        return [
            {"repair": str(r["id"]), "stage": str(r["stage"]), "missing": list(missing)}
            for r in rows_of(project.read("repairs"))
            if (missing := missing_views(r, entries))
        ]


def write_views(folder: str | Path, out: str | Path, *, paper: str = "A4") -> dict[str, Any]:
    """Sheets of before, during and after; each later view laid over the first, or said why not.

    Returns
    -------
    dict
        ``repairs`` on sheets, ``aligned`` and ``not_aligned`` views, ``out``.
    """
    with Project.open(folder, read_only=True) as project:
        entries = project.read("work_log").to_dict("records")
        paths = {str(p["id"]): str(p["path"]) for p in rows_of(project.read("photos"))}
        name = str(project.setting("name", "the project"))
        shown = []
        for row in rows_of(project.read("repairs")):
            taken = {v: own for v, own in views_taken(row, entries).items() if own}
            if taken:
                shown.append(
                    RepairViews(
                        repair=str(row["id"]),
                        treatment=str(row["treatment"]),
                        stage=str(row["stage"]),
                        views=_views(project, taken, paths),
                        missing=missing_views(row, entries),
                    )
                )
    write_whole(out, write_before_after(shown, project=name, paper=paper))
    later = [v for r in shown for v in r.views[1:]]
    return {
        "repairs": len(shown),
        "aligned": sum(v.aligned for v in later),
        "not_aligned": sum(not v.aligned for v in later),
        "out": out,
    }


def _views(
    project: Project, taken: Mapping[str, list[Mapping[Any, Any]]], paths: Mapping[str, str]
) -> list[View]:
    first: NDArray[np.uint8] | None = None
    found = []
    for name, own in taken.items():
        entry = own[-1]
        photo, day = str(entry["photo"]), str(entry["at"])[:10]
        try:
            picture = _read(project, paths[photo])
        except (FacademapError, KeyError):
            found.append(View(name=name, words=f"{photo}, {day}: cannot be read"))
            continue
        aligned, said = first is None, "as taken"
        if first is not None:
            laid, why = align_pair(first, picture)
            if laid is None:
                said = f"not aligned, shown as taken: {why}"
            else:
                picture, aligned = laid.picture, True
                said = f"laid over the first view by {laid.points} points, {laid.rms_px:.1f} px"
                if laid.covered < _WHOLE:
                    said += f"; shows {100 * laid.covered:.0f} % of it"
        else:
            first = picture
        found.append(
            View(
                name=name,
                words=f"{photo}, {day}: {said}",
                jpeg=encode_jpeg(picture, quality=80),
                width_px=picture.shape[1],
                height_px=picture.shape[0],
                aligned=aligned,
            )
        )
    return found


def _read(project: Project, path: str) -> NDArray[np.uint8]:
    rgb, _ = read_picture(project.place(path))
    factor = min(_LONGEST_PX / max(rgb.shape[:2]), 1.0)
    small = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(small, dtype=np.uint8)
