"""Make the rectified elevation of every surface of a project from its photos and control."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from facademap.errors import FileError, GeometryError, InputError
from facademap.io.camera_files import camera_as_dict
from facademap.io.pictures import hash_file, read_picture
from facademap.io.rasters import write_elevation
from facademap.photo.camera import Camera
from facademap.photo.chart import read_patch
from facademap.photo.colour import ColourCorrection, fit_correction
from facademap.photo.control import ControlPoint, ControlPoints
from facademap.photo.mosaic import MosaicPlan, PictureShelf, mosaic_windows, plan_mosaic
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.store.edit import Edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.wall.grid import Extent, PixelGrid

__all__ = ["FEWEST_CHECK_POINTS", "make_elevations"]

#: ASPRS Positional Accuracy Standards, Edition 2 (2023): below 30 check points an accuracy is indicative.
FEWEST_CHECK_POINTS = 30
#: The picture reaches this share beyond the control points.
EXTENT_MARGIN = 0.05
#: Precision of a picked point where the list does not state one (common practice).
PICK_SIGMA_PX = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _FittedPhoto:
    name: str
    path: Path
    view: PlaneView
    observations: pd.DataFrame


def make_elevations(folder: str | Path, *, gsd_mm: float = 2.0, extents: Mapping[str, Extent] | None = None,
                    fewest_check_points: int = FEWEST_CHECK_POINTS, who: str = "surveyor",
                    progress: Callable[[float], None] = lambda fraction: None) -> dict[str, Any]:
    """Fit every photo, join the best views and store one GeoTIFF a surface.

    Parameters
    ----------
    folder : path
        Project with photos, control points and observations.
    gsd_mm : float
        Ground sample distance.
    extents : mapping of surface id to Extent, optional
        Part of the wall to show; the control grown by 5 % where not given.
    fewest_check_points : int
        Below this the accuracy is called indicative.

    Returns
    -------
    dict
        ``surfaces`` (one report each), ``control_rmse_m``, ``check_rmse_m``, ``check_n``, ``warnings``.
    """
    if not 0.05 <= gsd_mm <= 1000:
        raise InputError(f"ground sample distance {gsd_mm:g} mm", "Give a value from 0.05 to 1000 mm.")
    with Project.open(folder) as project:
        tables = {name: project.read(name) for name in ("photos", "control_points", "observations", "surfaces", "openings")}
        busy = [s for s in tables["surfaces"]["id"] if (tables["photos"]["surface"] == s).any()]
        if not busy:
            raise InputError("the project has no photos of a surface", "Add photos with facademap add-photos.")
        reports: dict[str, dict[str, Any]] = {}
        for number, surface in enumerate(busy):
            def part(fraction: float, number: int = number) -> None:
                progress((number + fraction) / len(busy))

            reports[surface] = _make_one(project, surface, tables, gsd_m=gsd_mm / 1000, who=who,
                                         extent=(extents or {}).get(surface), fewest=fewest_check_points, progress=part)
    total = pd.DataFrame(reports.values())
    return {
        "surfaces": reports,
        "photos": int(total["photos"].map(len).sum()),
        "control_rmse_m": _pooled(total["control_rmse_m"], total["control_n"]),
        "check_rmse_m": _pooled(total["check_rmse_m"], total["check_n"]),
        "check_n": int(total["check_n"].sum()),
        "warnings": [w for r in reports.values() for w in r["warnings"]],
    }


def _make_one(project: Project, surface: str, tables: Mapping[str, Any], *, gsd_m: float, extent: Extent | None,
              fewest: int, who: str, progress: Callable[[float], None]) -> dict[str, Any]:
    row = tables["surfaces"].set_index("id").loc[surface]
    if row["kind"] != "plane":
        raise InputError(f"surface {surface} is a {row['kind']}", "Rectify it as a plane, or unroll it first.")
    fitted = _fit_photos(project, surface, tables)
    points = tables["control_points"]
    points = points[points["surface"] == surface]
    places = points[["u_m", "v_m"]].dropna().to_numpy()
    grid = PixelGrid.over(extent or _own_extent(row) or Extent.around(places).grown(EXTENT_MARGIN), gsd_m=gsd_m)
    report = _accuracy(fitted, points, grid, fewest=fewest)
    target = project.place(f"elevations/{surface}.tif")
    target.parent.mkdir(exist_ok=True)
    views, shelf = [f.view for f in fitted], PictureShelf(lambda number: read_picture(fitted[number].path)[0])
    plan = plan_mosaic(views, shelf, grid)
    windows = mosaic_windows(views, shelf, grid, plan=plan, progress=progress)
    colour = _true_colour(project, surface, fitted, plan)
    report |= colour.report
    write_elevation(target, grid, ((window, colour.apply(rgb), mask) for window, rgb, mask, _ in windows), crs_wkt=row["frame_wkt"],
                    tags={"FACADEMAP_SURFACE": surface, "FACADEMAP_ACCURACY": {
                        k: report[k] for k in ("control_rmse_m", "control_n", "check_rmse_m", "check_n", "warnings")},
                        "FACADEMAP_PHOTOS": [f.name for f in fitted]})
    report["warnings"] += [f"no photo shows {area:.2f} m2 at u {u0:.2f} to {u1:.2f} m, v {v0:.2f} to {v1:.2f} m"
                           for u0, v0, u1, v1, area in plan.gaps()[:5]]
    with project.edit(who=who, what=f"rectified elevation of {surface}") as edit:
        edit.update("surfaces", surface, {
            "picture": f"elevations/{surface}.tif", "gsd_m": gsd_m, "control_rmse_m": report["control_rmse_m"],
            "colour_state": colour.state, "control_n": report["control_n"], "check_rmse_m": report["check_rmse_m"], "check_n": report["check_n"],
            "report": {**report, "picture_sha256": hash_file(target)}})
        _store_residuals(edit, fitted)
    return report


def _own_extent(surface: pd.Series) -> Extent | None:
    """The part of the wall that the surface was said to cover."""
    outline = surface["geometry"]
    if outline is None or outline.is_empty:
        return None
    u0, v0, u1, v1 = outline.bounds
    return Extent(u0_m=u0, v0_m=v0, u1_m=u1, v1_m=v1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrueColour:
    """What makes the colours of a mosaic true: a chart in one of its photos."""

    state: str = "uncalibrated"
    report: Mapping[str, Any] = field(default_factory=dict)
    correction: ColourCorrection | None = None
    level: Any = None

    def apply(self, rgb: Any) -> Any:
        """Colours of a window: back to the levels of the photo with the chart, then corrected."""
        if self.correction is None:
            return rgb
        back = np.clip(rgb / self.level + 0.5, 0, 255).astype(np.uint8)
        return self.correction.srgb8(back)


def _true_colour(project: Project, surface: str, fitted: list[_FittedPhoto], plan: MosaicPlan) -> _TrueColour:
    chart = (project.setting("charts", {}) or {}).get(surface)
    names = [f.name for f in fitted]
    if not chart or chart["photo"] not in names:
        return _TrueColour()
    number = names.index(chart["photo"])
    picture = read_picture(fitted[number].path)[0]
    readings = [read_patch(picture, name=p["name"], x_px=p["x_px"], y_px=p["y_px"], half_px=p["half_px"], role=p["role"],
                           lab=None if p["lab"] is None else tuple(p["lab"])) for p in chart["patches"]]
    correction, report = fit_correction(readings, chart=chart["edition"])
    state = {"calibrated": "chart", "grey card": "grey card"}.get(report.state, "uncalibrated")
    return _TrueColour(state=state, report={"colour": asdict(report)}, correction=correction,
                       level=np.asarray(plan.levels[number].factor))


def _fit_photos(project: Project, surface: str, tables: Mapping[str, Any]) -> list[_FittedPhoto]:
    """Every photo of the surface with the points seen in it."""
    points = tables["control_points"].set_index("id")
    result = []
    for photo in tables["photos"][tables["photos"]["surface"] == surface].to_dict("records"):
        seen = tables["observations"][tables["observations"]["photo"] == photo["id"]].copy()
        seen = seen[[p in points.index and points.at[p, "surface"] == surface for p in seen["control_point"]]]
        control = ControlPoints.from_points([_point(points.loc[o.control_point], o) for o in seen.itertuples()])
        if int(control.is_control.sum()) < 4:
            raise GeometryError(f"{photo['id']}: shows {int(control.is_control.sum())} control points of {surface}, four are needed",
                                "Pick more control points in it, or take the photo out of the project.")
        path = project.place(photo["path"])
        if not path.is_file():
            raise FileError(f"{photo['path']}: the photo is missing from the project", "Put the file back.")
        if hash_file(path) != photo["sha256"]:
            raise InputError(f"{photo['path']}: was replaced since it was added (its content has changed)",
                             "Put the original back, or add the new picture under another name and measure it again.")
        camera = None if is_missing(photo["camera"]) else _camera(photo["camera"])
        view = fit_plane_view(control, width_px=photo["width_px"], height_px=photo["height_px"], camera=camera)
        result.append(_FittedPhoto(name=photo["id"], path=path, view=view, observations=seen))
    return result


def _camera(values: Mapping[str, float]) -> Camera:
    return Camera(width_px=int(values["width"]), height_px=int(values["height"]), fx_px=values["fx"], fy_px=values["fy"],
                  cx_px=values["cx"], cy_px=values["cy"], k1=values.get("k1", 0.0), k2=values.get("k2", 0.0),
                  k3=values.get("k3", 0.0), p1=values.get("p1", 0.0), p2=values.get("p2", 0.0))


def _point(point: pd.Series, seen: Any) -> ControlPoint:
    sigma_m = 0.0 if is_missing(point["sigma_m"]) else float(point["sigma_m"])
    return ControlPoint(name=str(point["name"]), u_m=float(point["u_m"]), v_m=float(point["v_m"]), x_px=seen.x_px,
                        y_px=seen.y_px, role=point["role"], sigma_px=PICK_SIGMA_PX, sigma_m=sigma_m)


def _accuracy(fitted: list[_FittedPhoto], points: pd.DataFrame, grid: PixelGrid, *, fewest: int) -> dict[str, Any]:
    """Root mean square residuals over all photos, what stands against the result, and what it is good for."""
    control, check, photos, warnings = [], [], [], []
    checked: set[str] = set()
    for f in fitted:
        residual, is_control = f.view.residual_m, f.view.points.is_control
        control.append(residual[f.view.used])
        check.append(residual[~is_control])
        checked |= {n for n, c in zip(f.view.points.name, is_control, strict=True) if not c}
        warnings += [f"{f.name}: {blunder.sentence()}" for blunder in f.view.blunders]
        warnings += [f"{f.name}: {flag}" for flag in f.view.flags]
        photos.append({"photo": f.name, "lens": f.view.lens, "control_rmse_m": _radial_rmse(residual[f.view.used]),
                       "check_rmse_m": _radial_rmse(residual[~is_control]), "control_n": int(f.view.used.sum()),
                       "check_n": int((~is_control).sum()), "camera": camera_as_dict(f.view.camera)})
    if len(checked) < fewest:
        warnings.append(f"accuracy is indicative: {len(checked)} check points, {fewest} are wanted (ASPRS Edition 2, 2023)")
    stacked = np.concatenate(check) if check else np.zeros((0, 2))
    return {
        "photos": photos, "warnings": warnings, "control_rmse_m": _radial_rmse(np.concatenate(control)),
        "control_n": int(sum(len(c) for c in control)), "check_rmse_m": _radial_rmse(stacked),
        "check_n": len(checked), "check_observations": len(stacked),
        "check_rmse_u_m": _rms(stacked[:, 0]), "check_rmse_v_m": _rms(stacked[:, 1]),
        "largest_check_m": float(np.nanmax(np.hypot(*stacked.T))) if len(stacked) else math.nan,
        "gsd_m": grid.gsd_m, "extent_m": list(grid.extent.as_tuple()), "points": len(points),
        "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
    }


def _rms(values: Any) -> float:
    values = np.asarray(values, dtype=float)
    values = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(values**2))) if values.size else math.nan


def _radial_rmse(residual_m: Any) -> float:
    """sqrt(RMSE_u^2 + RMSE_v^2), no mean removed (ASPRS 2014, Annex D)."""
    return math.hypot(_rms(residual_m[:, 0]), _rms(residual_m[:, 1])) if len(residual_m) else math.nan


def _pooled(rmse: pd.Series, n: pd.Series) -> float:
    good = rmse.notna() & (n > 0)
    return float(np.sqrt((rmse[good] ** 2 * n[good]).sum() / n[good].sum())) if good.any() else math.nan


def _store_residuals(edit: Edit, fitted: list[_FittedPhoto]) -> None:
    for f in fitted:
        rows = f.observations.copy()
        rows["du_m"], rows["dv_m"] = f.view.residual_m[:, 0], f.view.residual_m[:, 1]
        edit.put("observations", rows)
