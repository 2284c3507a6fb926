"""Use case: the relief of a project's surface from its own photos and control, kept with the surface by survey and date."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from dataclasses import replace as replace_fields
from pathlib import Path
from typing import Any

import pandas as pd

from facademap.errors import InputError
from facademap.io.camera_files import camera_from_dict
from facademap.io.pictures import hash_file
from facademap.io.target_files import TargetPick
from facademap.io.whole_files import make_folder
from facademap.photo.camera import nominal_camera
from facademap.relief.build import Relief
from facademap.relief.stations import FEWEST_TARGETS
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.elevation_views import unchanged_photo
from facademap.tasks.survey.kept_reliefs import reliefs_of
from facademap.tasks.survey.relief import (
    Sightings,
    lay_on_relief,
    read_scan_relief,
    solve_relief,
    write_relief,
)
from facademap.tasks.survey.stable_stone import check_on_earlier, picks_on_earlier
from facademap.wall.grid import Extent
from facademap.wall.world import wall_crs

__all__ = ["keep_relief"]

_SURVEY = re.compile(r"[0-9A-Za-z][0-9A-Za-z._-]{0,39}\Z")


def keep_relief(
    folder: str | Path,
    *,
    surface: str | None = None,
    cell_m: float,
    survey: str = "1",
    taken_on: str | None = None,
    extent: Extent | None = None,
    search_m: tuple[float, float] | None = None,
    elevation: bool = False,
    gsd_m: float | None = None,
    with_scan: bool = True,
    earlier: str | None = None,
    replace: bool = False,
    who: str = "surveyor",
    workers: int = 2,
    cluster: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Measure the relief of a surface and keep it.

    Parameters
    ----------
    folder : path
        Project.
    surface : str, optional
        May be left out where the project has one.
    cell_m : float
        Side of a cell.
    survey : str
        Name of the survey, as conditions have it.
    taken_on : str, optional
        Date of the photos, YYYY-MM-DD; default: what the photos say.
    extent : Extent, optional
        Default: that of the control points, grown by 2 %.
    search_m : tuple of float, optional
        Deepest and highest place that is looked for, metres out of the plane.
    elevation : bool
        Lay the photos on the relief too, and keep the true elevation beside it.
    gsd_m : float, optional
        Side of its pixels; default: half a cell.
    with_scan : bool
        Compare and join it with the relief of a scan, where the surface has one.
    earlier : str, optional
        Survey with relief and true elevation, on which photos of ``taken_on`` without control are laid by stable stone.
    replace : bool
        Put it in the place of a relief that this survey has.
    who : str
    workers : int
    cluster : str, optional
        Address of a Dask scheduler whose workers make the tiles.
    progress : callable, optional

    Returns
    -------
    dict
        The entry of the surface.

    Raises
    ------
    FacademapError
        Anything that cannot be used; nothing is stored then.
    """
    if not _SURVEY.match(survey):
        raise InputError(
            f"{survey[:60]!r} is no name of a survey",
            "Use up to 40 letters, digits, '-', '_' and '.'.",
        )
    _check_day(taken_on)
    with Project.open(folder) as project:
        name = surface_of(project, surface)
        row = project.row("surfaces", name)
        _refuse_other(row, name, survey, elevation=elevation, replace=replace)
        warnings: list[str] = []
        tables = {t: project.read(t) for t in ("photos", "control_points", "observations")}
        before = _earlier_of(project, row, name, earlier, survey, taken_on)
        chosen = (
            _photos_showing(project, name, tables, taken_on, warnings)
            if before is None
            else _photos_like(project, name, tables["photos"], str(taken_on), before, warnings)
        )
        day = taken_on or _day_of(chosen)
        sightings = replace_fields(_sightings(chosen, row, warnings), picked=before is None)
        if before is not None and extent is None:
            extent = before.relief.grid.extent
        scan = _scan_of(row) if with_scan else None
        solved = solve_relief(
            sightings,
            cell_m=cell_m,
            extent=extent,
            search_m=search_m,
            scan=None if scan is None else read_scan_relief(project.place(scan)),
            warnings=warnings,
            workers=workers,
            cluster=cluster,
            progress=progress,
        )
        relative = f"elevations/{name}_relief_{survey}.tif"
        target = project.place(relative)
        make_folder("elevations", inside=project.folder)
        wkt = row["frame_wkt"] if not is_missing(row["frame_wkt"]) else wall_crs(name, name)
        values = solved.values
        control_m = {p.name: p.uvw_m for p in sightings.picks if p.role == "control"}
        if before is not None:
            told = check_on_earlier(before.relief, solved.relief, values, warnings)
            values["registered"] = {"survey": earlier, **told}
            control_m = before.control_m
        if elevation:
            picture = f"elevations/{name}_true_{survey}.tif"
            place = project.place(picture)
            told = lay_on_relief(
                place, solved.relief, solved.stations, sightings, gsd_m=gsd_m, crs_wkt=wkt
            )
            values["true_elevation"] = {"path": picture, "sha256": hash_file(place), **told}
        write_relief(target, solved, sightings, crs_wkt=wkt, control_m=control_m)
        entry = {
            "path": relative,
            "survey": survey,
            "taken_on": day,
            "source": "photos" if scan is None else "photos and scan",
            "sha256": hash_file(target),
            "by": who,
            "extent_m": _box(solved.relief.grid.extent),
            "control_m": {n: [round(c, 5) for c in place] for n, place in control_m.items()},
            **values,
        }
        kept = [dict(k.told) for k in reliefs_of(row) if k.told and k.survey != survey]
        kept.append(entry)
        kept.sort(key=lambda e: str(e.get("taken_on") or ""))
        with project.edit(who=who, what=f"relief of {name}, survey {survey}") as edit:
            edit.update("surfaces", name, {"reliefs": kept})
    return entry


@dataclass(frozen=True, slots=True, kw_only=True)
class _Earlier:
    """What a survey without control is laid on."""

    relief: Relief
    picture: Path
    control_m: dict[str, Any]


def _earlier_of(
    project: Project,
    row: Mapping[str, Any],
    name: str,
    survey: str | None,
    new: str,
    taken_on: str | None,
) -> _Earlier | None:
    if survey is None:
        return None
    if taken_on is None:
        raise InputError(
            "photos without control points belong to a day", "Give it with --taken-on YYYY-MM-DD."
        )
    if row["kind"] == "cylinder":
        raise InputError(
            "photos of a round wall are not laid on an earlier survey",
            "Pick control points in the photos.",
        )
    if survey == new:
        raise InputError(
            f"survey {survey} cannot be laid on itself", "Name the new one with --survey."
        )
    kept = {k.survey: k for k in reliefs_of(row) if k.note is None}
    told = kept[survey].told.get("true_elevation") if survey in kept else None
    if not isinstance(told, Mapping):
        raise InputError(
            f"surface {name} keeps no measured relief with a true elevation of survey {survey}",
            f"Make it: facademap relief PROJECT --survey {survey} --true-elevation --replace.",
        )
    return _Earlier(
        relief=read_scan_relief(project.place(kept[survey].path)),
        picture=project.place(str(told["path"])),
        control_m=dict(kept[survey].told.get("control_m") or {}),
    )


def _photos_like(
    project: Project,
    surface: str,
    photos: pd.DataFrame,
    day: str,
    before: _Earlier,
    warnings: list[str],
) -> list[dict[str, Any]]:
    """Photos of the surface of a day, with what they have in common with the earlier survey instead of control points."""
    of_day = [
        {str(name): value for name, value in record.items()}
        for record in photos[photos["surface"] == surface].to_dict("records")
        if _day({str(name): value for name, value in record.items()}) == day
    ]
    files = {str(p["id"]): unchanged_photo(project, p) for p in of_day}
    if len(files) < 2:
        raise InputError(
            f"{len(files)} photo of surface {surface} was taken on {day}",
            "Relief needs at least two photos from different places; add them with facademap add-photos.",
        )
    picks = picks_on_earlier(files, before.relief, before.picture, warnings)
    found = [
        {**p, "file": files[str(p["id"])], "picks": [k for k in picks if k.photo == str(p["id"])]}
        for p in of_day
    ]
    return [p for p in found if p["picks"]]


def _check_day(day: str | None) -> None:
    if day is None:
        return
    try:
        dt.date.fromisoformat(day)
    except ValueError:
        raise InputError(f"{day[:40]!r} is no day", "Give it as YYYY-MM-DD.") from None


def _scan_of(row: Mapping[str, Any]) -> str | None:
    """The newest relief of the surface that was scanned."""
    found = [k.path for k in reliefs_of(row) if k.source == "scan" and k.note is None]
    return found[-1] if found else None


def _box(extent: Extent) -> list[float]:
    return [round(float(v), 6) for v in (extent.u0_m, extent.v0_m, extent.u1_m, extent.v1_m)]


def _refuse_other(
    row: Mapping[str, Any], name: str, survey: str, *, elevation: bool, replace: bool
) -> None:
    if row["kind"] == "cylinder" and is_missing(row["radius_m"]):
        raise InputError(
            f"surface {name} is round, and its radius is not known",
            "Give the radius with facademap add-surfaces, or bring a scan with facademap add-elevation.",
        )
    if elevation and row["kind"] == "cylinder":
        raise InputError(
            "true elevations are laid on flat walls only", "Leave --true-elevation out."
        )
    if not replace and any(k.survey == survey and k.told for k in reliefs_of(row)):
        raise InputError(
            f"surface {name} has a relief of survey {survey} already",
            "Give another --survey, or --replace to put the new one in its place.",
        )


def _photos_showing(
    project: Project,
    surface: str,
    tables: Mapping[str, pd.DataFrame],
    taken_on: str | None,
    warnings: list[str],
) -> list[dict[str, Any]]:
    """Photos with at least four control points of the surface, their picks beside them; of one day where one is given."""
    points = tables["control_points"]
    own = points[(points["surface"] == surface) & points["u_m"].notna()].set_index("id")
    seen = tables["observations"][tables["observations"]["control_point"].isin(own.index)]
    chosen = []
    for record in tables["photos"].to_dict("records"):
        photo = {str(name): value for name, value in record.items()}
        picks = [
            _pick(str(photo["id"]), own.loc[o.control_point], o)
            for o in seen[seen["photo"] == photo["id"]].itertuples()
        ]
        control = sum(p.role == "control" for p in picks)
        if not picks or (taken_on and (_day(photo) or taken_on) != taken_on):
            continue
        if control < FEWEST_TARGETS:
            warnings.append(
                f"{photo['id']} was left out: {control} control points, at least {FEWEST_TARGETS} are needed"
            )
            continue
        chosen.append({**photo, "file": unchanged_photo(project, photo), "picks": picks})
    if len(chosen) < 2:
        raise InputError(
            f"{len(chosen)} photo of surface {surface} shows {FEWEST_TARGETS} control points or more",
            "Relief needs at least two photos from different places; pick the control points in more photos.",
        )
    return chosen


def _pick(photo: str, point: Any, observed: Any) -> TargetPick:
    w = 0.0 if is_missing(point["w_m"]) else float(point["w_m"])
    return TargetPick(
        photo=photo,
        name=str(point["name"]),
        uvw_m=(float(point["u_m"]), float(point["v_m"]), w),
        pixel_px=(float(observed.x_px), float(observed.y_px)),
        role="check" if point["role"] == "check" else "control",
    )


def _day(photo: Mapping[str, Any]) -> str | None:
    return None if is_missing(photo["taken_at"]) else str(photo["taken_at"])[:10]


def _day_of(photos: list[dict[str, Any]]) -> str:
    """The day that the photos tell; photos of several days are no survey."""
    days = sorted({d for p in photos if (d := _day(p)) is not None})
    if len(days) > 1:
        raise InputError(
            f"the photos were taken on {len(days)} days, {days[0]} to {days[-1]}: other light and other growth",
            "Give the day of this survey with --taken-on.",
        )
    return days[0] if days else dt.datetime.now(dt.UTC).date().isoformat()


def _sightings(
    photos: list[dict[str, Any]], surface: Mapping[str, Any], warnings: list[str]
) -> Sightings:
    """The photos of one camera: the size, and the way it was held, that most of them have."""
    kinds: dict[tuple[int, int, int], list[dict[str, Any]]] = {}
    for photo in photos:
        turn = 1 if is_missing(photo["exif_orientation"]) else int(photo["exif_orientation"])
        kinds.setdefault((int(photo["width_px"]), int(photo["height_px"]), turn), []).append(photo)
    most = max(kinds.values(), key=len)
    if len(most) < 2:
        raise InputError(
            f"the photos of surface {surface['id']} have {len(kinds)} sizes or were held differently",
            "Add photos of one camera, all held the same way.",
        )
    for photo in photos:
        if photo not in most:
            warnings.append(f"{photo['id']} was left out: of another size, or held differently")
    cameras = [p["camera"] for p in most]
    known = not is_missing(cameras[0]) and all(c == cameras[0] for c in cameras)
    lens = (
        camera_from_dict(cameras[0])
        if known
        else nominal_camera(int(most[0]["width_px"]), int(most[0]["height_px"]))
    )
    return Sightings(
        names=tuple(str(p["id"]) for p in most),
        paths=tuple(p["file"] for p in most),
        picks=tuple(pick for p in most for pick in p["picks"]),
        lens=lens,
        estimate_lens=not known,
        radius_m=float(surface["radius_m"]) if surface["kind"] == "cylinder" else None,
    )
