"""Make the rectified elevation of every surface of a project from its photos and control."""

from __future__ import annotations

import base64
import datetime as dt
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from facademap.errors import InputError
from facademap.io.camera_files import camera_as_dict
from facademap.io.pictures import hash_file, read_picture
from facademap.io.rasters import open_elevation, write_elevation
from facademap.io.whole_files import as_before_on_failure, make_folder, temporary_folder
from facademap.photo.accuracy import proof_values, sample_distances_m, state_accuracy
from facademap.photo.chart import read_patch
from facademap.photo.mosaic import MosaicPlan, PictureShelf, mosaic_windows, plan_mosaic
from facademap.photo.plane import PlaneView
from facademap.photo.proof import (
    EXACT,
    TOGETHER,
    Proof,
    control_hull_m,
    leave_control_out,
    prove,
    prove_extent,
    prove_photos,
    prove_view,
    share_outside,
    shows_any,
)
from facademap.report.face_picture import encode_jpeg
from facademap.store.edit import Edit
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tables.names import file_name
from facademap.tasks.survey.compare_pictures import compare_with_earlier, moved_warnings
from facademap.tasks.survey.elevation_views import (
    FEWEST_CONTROL,
    FittedPhoto,
    fit_hosted_photos,
    fit_photos,
)
from facademap.tasks.survey.measured_by import control_by
from facademap.tasks.survey.off_picture import off_in_words, outlines_off
from facademap.tasks.survey.true_colour import TrueColour, true_colour
from facademap.wall.grid import Extent, PixelGrid

__all__ = ["FEWEST_CHECK_POINTS", "make_elevations"]

#: ASPRS Positional Accuracy Standards, Edition 2 (2023): below 30 check points an accuracy is indicative.
FEWEST_CHECK_POINTS = 30
#: The picture reaches this share beyond the control points.
EXTENT_MARGIN = 0.05
#: Larger side of the picture of a look, pixels, and the grey of what no photo shows (settings).
LOOK_PX = 900
LOOK_NOTHING = 128


def make_elevations(
    folder: str | Path,
    *,
    gsd_mm: float = 2.0,
    extents: Mapping[str, Extent] | None = None,
    fewest_check_points: int = FEWEST_CHECK_POINTS,
    look: bool = False,
    who: str = "surveyor",
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Fit every photo, join the best views and store one GeoTIFF a surface.

    Parameters
    ----------
    folder : path
        Project with photos, control points and observations.
    gsd_mm : float
        Ground sample distance.
    extents : mapping of surface id (empty for all others) to Extent, optional
        Part of the wall to show; the control grown by 5 % where not given.
    fewest_check_points : int
        Below this the accuracy is called indicative.
    look : bool
        Store nothing: each report holds a small picture (``look_jpeg``) and tells what would change.

    Returns
    -------
    dict
        ``surfaces`` (one report each; ``off_picture`` names the outlines that the picture does not show), ``control_rmse_m``, ``check_rmse_m``, ``check_n``, ``warnings``.
    """
    if not 0.05 <= gsd_mm <= 1000:
        raise InputError(
            f"ground sample distance {gsd_mm:g} mm", "Give a value from 0.05 to 1000 mm."
        )
    with Project.open(folder) as project:
        tables = {
            name: project.read(name)
            for name in ("photos", "control_points", "observations", "surfaces", "openings")
        }
        hosts = _hosts(tables)
        busy = [s for s in tables["surfaces"]["id"] if s not in hosts and _has_photos(s, tables)]
        busy += [s for s, host in hosts.items() if host in busy]
        if not busy:
            raise InputError(
                "the project has no photos of a surface", "Add photos with facademap add-photos."
            )
        reports: dict[str, dict[str, Any]] = {}
        fitted: dict[str, list[FittedPhoto]] = {}
        unseen: list[str] = []
        for number, surface in enumerate(busy):

            def part(fraction: float, number: int = number) -> None:
                progress((number + fraction) / len(busy))

            extent = (
                (extents or {}).get(surface)
                or (extents or {}).get("")
                or _own_extent(surface, tables)
            )
            if surface in hosts:
                found, notes = fit_hosted_photos(
                    project, surface, tables, fitted[hosts[surface]], extent
                )
                if not found:
                    unseen.append(
                        f"surface {surface} is left out: no photo of {hosts[surface]} shows it"
                    )
                    continue
                notes.append(
                    f"cameras placed by the control of {hosts[surface]}: it rests on the depth that was given"
                )
            else:
                found, notes = fit_photos(project, surface, tables)
            fitted[surface] = found
            reports[surface] = (_look_at_one if look else _make_one)(
                project,
                surface,
                tables,
                found,
                notes,
                grid=PixelGrid.over(extent, gsd_m=gsd_mm / 1000),
                who=who,
                fewest=fewest_check_points,
                progress=part,
            )
    total = pd.DataFrame(reports.values())
    return {
        "surfaces": reports,
        "photos": len({f.name for photos in fitted.values() for f in photos}),
        "control_rmse_m": _pooled(total["control_rmse_m"], total["control_n"]),
        "check_rmse_m": _pooled(total["check_rmse_m"], total["check_n"]),
        "check_n": int(total["check_n"].sum()),
        "warnings": [
            *unseen,
            *(w for r in reports.values() for w in r["warnings"]),
            *(w for r in reports.values() for w in off_in_words(r["off_picture"])),
        ],
    }


def _hosts(tables: Mapping[str, Any]) -> dict[str, str]:
    """Surfaces that take the camera places of a host, having no control of their own."""
    surfaces, points = tables["surfaces"].set_index("id"), tables["control_points"]
    with_control = set(points.loc[points["role"] == "control", "surface"])
    result = {}
    for surface, row in surfaces.iterrows():
        fold = None if is_missing(row["fold"]) else row["fold"]
        if (
            fold
            and surface not in with_control
            and (fold.get("reveal") or fold.get("set_back_m") is not None)
        ):
            host = fold["host"]
            if host not in surfaces.index or surfaces.at[host, "kind"] != "plane":
                raise InputError(
                    f"surface {surface}: its host {host} is not a plane surface of the project",
                    "Name a plane with control.",
                )
            result[str(surface)] = str(host)
    return result


def _has_photos(surface: str, tables: Mapping[str, Any]) -> bool:
    """Whether photos were added for a surface, or show enough of its control."""
    if (tables["photos"]["surface"] == surface).any():
        return True
    points = tables["control_points"]
    own = points[(points["surface"] == surface) & (points["role"] == "control")]["id"]
    seen = tables["observations"]
    counts = seen[seen["control_point"].isin(own)].groupby("photo").size()
    return bool(len(counts) and counts.max() >= FEWEST_CONTROL)


def _make_one(
    project: Project,
    surface: str,
    tables: Mapping[str, Any],
    fitted: list[FittedPhoto],
    notes: Sequence[str],
    *,
    grid: PixelGrid,
    fewest: int,
    who: str,
    progress: Callable[[float], None],
) -> dict[str, Any]:
    row = tables["surfaces"].set_index("id").loc[surface]
    report = _judged(project, surface, tables, fitted, notes, grid=grid, fewest=fewest)
    target = project.place(f"elevations/{file_name(surface)}.tif")
    make_folder(target.parent, inside=project.folder)
    views, shelf = (
        [f.view for f in fitted],
        PictureShelf(lambda number: read_picture(fitted[number].path)[0]),
    )
    plan = plan_mosaic(views, shelf, grid)
    windows = mosaic_windows(views, shelf, grid, plan=plan, progress=progress)
    colour = _true_colour(project, surface, fitted, plan)
    report |= colour.report
    with as_before_on_failure(target, inside=project.folder) as before:
        write_elevation(
            target,
            grid,
            ((window, colour.apply(rgb), mask) for window, rgb, mask, _ in windows),
            crs_wkt=row["frame_wkt"],
            tags={
                "FACADEMAP_SURFACE": surface,
                "FACADEMAP_ACCURACY": {
                    k: _storable(report[k])
                    for k in (
                        "proved",
                        "proof",
                        "supports_scale",
                        "control_rmse_m",
                        "control_n",
                        "check_rmse_m",
                        "check_n",
                        "warnings",
                    )
                },
                "FACADEMAP_PHOTOS": [f.name for f in fitted],
            },
        )
        report |= compare_with_earlier(project, surface, target, before=before.get(target))
        report["warnings"] += moved_warnings(report)
        report["warnings"] += [
            f"no photo shows {area:.2f} m2 at u {u0:.2f} to {u1:.2f} m, v {v0:.2f} to {v1:.2f} m"
            for u0, v0, u1, v1, area in plan.gaps()[:5]
        ]
        with gated_edit(project, who=who, what=f"rectified elevation of {surface}") as edit:
            edit.update(
                "surfaces",
                surface,
                {
                    "picture": f"elevations/{file_name(surface)}.tif",
                    "gsd_m": grid.gsd_m,
                    "control_rmse_m": report["control_rmse_m"],
                    "colour_state": colour.state,
                    "control_n": report["control_n"],
                    "check_rmse_m": report["check_rmse_m"],
                    "check_n": report["check_n"],
                    "report": _storable({**report, "picture_sha256": hash_file(target)}),
                },
            )
            _store_residuals(edit, fitted)
    return report


def _judged(
    project: Project,
    surface: str,
    tables: Mapping[str, Any],
    fitted: list[FittedPhoto],
    notes: Sequence[str],
    *,
    grid: PixelGrid,
    fewest: int,
) -> dict[str, Any]:
    """Accuracy, how the control was measured, and which outlines the picture would leave off."""
    points = tables["control_points"]
    points = points[points["surface"] == surface]
    report = _accuracy(fitted, points, grid, fewest=fewest)
    report["warnings"] = [*notes, *report["warnings"]]
    by = control_by(project, points)
    if by is not None:
        report["control_by"] = by
        report["warnings"].append(
            f"places of the control by {by} alone: level, plumb and scale of the wall rest on it"
        )
    report["off_picture"] = outlines_off(project, surface, grid.extent)
    return report


def _look_at_one(
    project: Project,
    surface: str,
    tables: Mapping[str, Any],
    fitted: list[FittedPhoto],
    notes: Sequence[str],
    *,
    grid: PixelGrid,
    fewest: int,
    who: str,
    progress: Callable[[float], None],
) -> dict[str, Any]:
    """The report as it would be stored, with a small picture, and how far it lies off the elevation that is there."""
    report = _judged(project, surface, tables, fitted, notes, grid=grid, fewest=fewest)
    coarse = max(grid.gsd_m, max(grid.extent.width_m, grid.extent.height_m) / LOOK_PX)
    small = PixelGrid.over(grid.extent, gsd_m=coarse)
    views = [f.view for f in fitted]
    shelf = PictureShelf(lambda number: read_picture(fitted[number].path)[0])
    windows = mosaic_windows(
        views, shelf, small, plan=plan_mosaic(views, shelf, small), progress=progress
    )
    with temporary_folder() as scratch:
        target = scratch / "look.tif"
        crs_wkt = tables["surfaces"].set_index("id").loc[surface]["frame_wkt"]
        write_elevation(
            target, small, ((w, rgb, mask) for w, rgb, mask, _ in windows), crs_wkt=crs_wkt
        )
        report |= compare_with_earlier(project, surface, target)
        report["warnings"] += moved_warnings(report)
        report["look_jpeg"] = _small_jpeg(target, coarse)
    earlier = project.row("surfaces", surface)["picture"]
    there = None if is_missing(earlier) else project.place(str(earlier))
    report["earlier_jpeg"] = _small_jpeg(there, coarse) if there and there.is_file() else None
    return dict(_storable(report))


def _small_jpeg(path: Path, gsd_m: float) -> str:
    """An elevation as a small picture, base64."""
    with open_elevation(path) as elevation:
        box = elevation.grid.extent
        coarse = max(gsd_m, max(box.width_m, box.height_m) / LOOK_PX)
        _, rgb, mask = elevation.read(box, gsd_m=coarse)
    rgb[mask == 0] = LOOK_NOTHING
    return base64.b64encode(encode_jpeg(rgb)).decode("ascii")


def _own_extent(surface: str, tables: Mapping[str, Any]) -> Extent:
    """The part of the wall that the surface was said to cover, else the surroundings of its points."""
    outline = tables["surfaces"].set_index("id").loc[surface]["geometry"]
    if outline is None or outline.is_empty:
        points = tables["control_points"]
        places = points[points["surface"] == surface][["u_m", "v_m"]].dropna().to_numpy()
        if len(places) < FEWEST_CONTROL:
            raise InputError(
                f"surface {surface} has {len(places)} points",
                "Give its control with facademap add-control.",
            )
        return Extent.around(places).grown(EXTENT_MARGIN)
    u0, v0, u1, v1 = outline.bounds
    return Extent(u0_m=u0, v0_m=v0, u1_m=u1, v1_m=v1)


def _true_colour(
    project: Project, surface: str, fitted: list[FittedPhoto], plan: MosaicPlan
) -> TrueColour:
    charts = project.setting("charts", {}) or {}
    names = [f.name for f in fitted]
    # a chart counts for every surface that its photo shows, the surface's own first
    usable = [
        c
        for s, c in sorted(charts.items(), key=lambda item: item[0] != surface)
        if c["photo"] in names
    ]
    if not usable:
        return TrueColour()
    chart = usable[0]
    number = names.index(chart["photo"])
    picture = read_picture(fitted[number].path)[0]
    readings = [
        read_patch(
            picture,
            name=p["name"],
            x_px=p["x_px"],
            y_px=p["y_px"],
            half_px=p["half_px"],
            role=p["role"],
            lab=None if p["lab"] is None else tuple(p["lab"]),
        )
        for p in chart["patches"]
    ]
    return true_colour(readings, edition=chart["edition"], level=plan.levels[number].factor)


def _accuracy(
    fitted: list[FittedPhoto], points: pd.DataFrame, grid: PixelGrid, *, fewest: int
) -> dict[str, Any]:
    """Root mean square residuals over all photos, what stands against the result, and what it is good for."""
    control, check, photos, warnings = [], [], [], []
    checked: set[str] = set()
    proof, left, hull = _proof(fitted, grid.extent)
    tested = [f.points.wall_m[f.used | ~f.points.is_control] for f in fitted]
    if any(f.used.any() for f in fitted):  # else it rests on the control of its host
        proof = prove_extent(proof, np.concatenate(tested), grid.extent.as_tuple())
    if not proof.proved:
        warnings.append(proof.reason)
    for f in fitted:
        residual, is_control = f.residual_m, f.points.is_control
        control.append(residual[f.used] if not f.is_exact else np.full((f.used.sum(), 2), np.nan))
        check.append(residual[~is_control])
        checked |= {n for n, c in zip(f.points.name, is_control, strict=True) if not c}
        warnings += [f"{f.name}: {note}" for note in f.notes]
        photos.append(
            {
                "photo": f.name,
                "lens": f.lens,
                "control_rmse_m": math.nan if f.is_exact else _radial_rmse(residual[f.used]),
                "check_rmse_m": _radial_rmse(residual[~is_control]),
                "control_n": int(f.used.sum()),
                "check_n": int((~is_control).sum()),
                "camera": camera_as_dict(f.camera),
                "joined": f.joined,
                "left_out": [
                    n
                    for n, c, u in zip(f.points.name, is_control, f.used, strict=True)
                    if c and not u
                ],
                "statement": asdict(state_accuracy(f.view, grid.extent, gsd_m=grid.gsd_m))
                if isinstance(f.view, PlaneView)
                else None,
            }
        )
    if len(checked) < fewest:
        warnings.append(
            f"accuracy is indicative: {len(checked)} check points, {fewest} are wanted (ASPRS Edition 2, 2023)"
        )
    stacked = np.concatenate(check) if check else np.zeros((0, 2))
    samples = [
        sample_distances_m(f.view, grid.extent, (f.camera.width_px, f.camera.height_px))
        for f in fitted
    ]
    seen = np.concatenate([s[np.isfinite(s)] for s in samples])
    return {
        **proof_values(proof, max(grid.gsd_m, float(np.median(seen))) if len(seen) else grid.gsd_m),
        "left_out_rmse_m": _radial_rmse(left),
        "control_hull_m": hull.tolist(),
        "outside_share": share_outside(hull, grid.extent.as_tuple()) if len(hull) else None,
        "photos": photos,
        "warnings": warnings,
        "control_rmse_m": _radial_rmse(np.concatenate(control)),
        "control_n": int(sum(len(c) for c in control)),
        "check_rmse_m": _radial_rmse(stacked),
        "check_n": len(checked),
        "check_observations": len(stacked),
        "check_rmse_u_m": _rms(stacked[:, 0]),
        "check_rmse_v_m": _rms(stacked[:, 1]),
        "largest_check_m": float(np.nanmax(np.hypot(*stacked.T)))
        if np.isfinite(stacked).any()
        else math.nan,
        "gsd_m": grid.gsd_m,
        "extent_m": list(grid.extent.as_tuple()),
        "points": len(points),
        "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
    }


def _proof(fitted: list[FittedPhoto], extent: Extent) -> tuple[Proof, np.ndarray, np.ndarray]:
    """What the points of all photos prove together, control left out in turn, and the outline round the control."""
    check = [
        (f.residual_m[~f.points.is_control], f.points.sigma_m[~f.points.is_control]) for f in fitted
    ]
    check_at_m = np.concatenate([f.points.check.wall_m for f in fitted])
    places = np.concatenate([f.points.wall_m[f.used] for f in fitted])
    single = [f.view for f in fitted if isinstance(f.view, PlaneView)]
    together = len(single) < len(fitted)
    left = [leave_control_out(v) for v in single]
    if not len(places):
        otherwise = "not proved: the surface has no control, it rests on the depth that was given"
    else:
        otherwise = TOGETHER if together else EXACT
    proof = prove(
        check_m=np.concatenate([m for m, _ in check]),
        check_sigma_m=np.concatenate([s for _, s in check]),
        check_at_m=check_at_m,
        left_out_m=np.zeros((0, 2)) if together else np.concatenate(left),
        control_at_m=places,
        extent_m=extent.as_tuple(),
        surplus=min((v.quality.surplus for v in single), default=0.0),
        doubts=tuple(d for v in single for d in v.doubts),
        otherwise=otherwise,
    )
    proof = _each_tested(proof, fitted, left) if proof.proved else proof
    joined = [f for f in fitted if not isinstance(f.view, PlaneView)]
    untested = [
        f.name
        for f in joined
        if not shows_any(f.view, (f.camera.width_px, f.camera.height_px), check_at_m)
    ]
    proof = prove_photos(proof, untested)
    return proof, np.concatenate([*left, np.zeros((0, 2))]), control_hull_m(places)


def _each_tested(proof: Proof, fitted: list[FittedPhoto], left: list[np.ndarray]) -> Proof:
    """What check points prove holds for the photos that show them; one with a fit of its own and none must prove itself."""
    outlines = iter(left)
    own = {
        f.name: prove_view(f.view, left_out_m=next(outlines))
        for f in fitted
        if isinstance(f.view, PlaneView)
    }
    own = {f.name: own[f.name] for f in fitted if f.name in own and f.points.is_control.all()}
    untested = [name for name, one in own.items() if not one.proved]
    if untested:
        reason = (
            f"not proved: no check point and too little surplus control in {', '.join(untested)}"
        )
        return replace(proof, proved=False, error_m=math.nan, reason=reason)
    worst = max((one.error_m for one in own.values()), default=0.0)
    return replace(proof, error_m=max(proof.error_m, worst))


def _storable(value: Any) -> Any:
    """Plain lists and mappings, with None for what is not known."""
    if isinstance(value, Mapping):
        return {str(k): _storable(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_storable(v) for v in value]
    if isinstance(value, np.generic):
        return _storable(value.item())
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _rms(values: Any) -> float:
    values = np.asarray(values, dtype=float)
    values = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(values**2))) if values.size else math.nan


def _radial_rmse(residual_m: Any) -> float:
    """sqrt(RMSE_u^2 + RMSE_v^2), no mean removed (ASPRS 2014, Annex D)."""
    return (
        math.hypot(_rms(residual_m[:, 0]), _rms(residual_m[:, 1])) if len(residual_m) else math.nan
    )


def _pooled(rmse: pd.Series, n: pd.Series) -> float:
    good = rmse.notna() & (n > 0)
    return (
        float(np.sqrt((rmse[good] ** 2 * n[good]).sum() / n[good].sum()))
        if good.any()
        else math.nan
    )


def _store_residuals(edit: Edit, fitted: list[FittedPhoto]) -> None:
    for f in fitted:
        rows = f.observations.copy()
        rows["du_m"], rows["dv_m"] = f.residual_m[:, 0], f.residual_m[:, 1]
        if len(rows):
            edit.put("observations", rows)
