"""Use case: one photo and its control become a rectified elevation with a report."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from facademap import __version__
from facademap.errors import InputError
from facademap.io.camera_files import camera_as_dict, read_camera_for
from facademap.io.pictures import hash_file, read_picture, read_picture_info, write_png
from facademap.io.rasters import open_elevation, write_elevation
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.accuracy import AccuracyRules, AccuracyStatement, Differences, state_accuracy
from facademap.photo.blur import blur_warning
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.photo.resample import check_horizon, rectify_windows
from facademap.photo.residual_drawing import draw_residuals_svg
from facademap.tasks.survey.control_table import control_in_photo
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

__all__ = ["Rectified", "rectify_photo", "report_values"]

#: The default extent is the control's bounding box, grown by this share on every side.
EXTENT_GROWTH = 0.05
#: Longer side of a preview.
PREVIEW_PX = 1600


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectified:
    """What a rectification returns.

    Parameters
    ----------
    view : PlaneView
    grid : PixelGrid
    accuracy : AccuracyStatement
    report : dict
        Content of ``report.json``.
    """

    view: PlaneView
    grid: PixelGrid
    accuracy: AccuracyStatement
    report: dict[str, Any]


def rectify_photo(
    photo: Path,
    control: Path,
    out: Path,
    *,
    gsd_m: float,
    camera: Path | None = None,
    stored_pixels: bool = False,
    report: Path | None = None,
    extent: Extent | None = None,
    name: str | None = None,
    estimate_lens: bool = True,
    interpolation: Literal["linear", "cubic"] = "cubic",
    rules: AccuracyRules | None = None,
    residuals: Path | None = None,
    preview: Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> Rectified:
    """Rectify one photo of one flat wall.

    Parameters
    ----------
    photo, control, out : Path
    gsd_m : float
        Ground sample distance.
    camera : Path, optional
        Camera file; without it the lens is estimated where the points allow.
    stored_pixels : bool
        The control was picked in the stored picture, before the turn that its EXIF asks for.
    report : Path, optional
        Where the report goes, as JSON.
    extent : Extent, optional
        Default: the control's bounding box grown by 5 % on every side.
    name : str, optional
        Name of the wall in the coordinate system; default: the output's name.
    estimate_lens : bool
    interpolation : {"linear", "cubic"}
    rules : AccuracyRules, optional
    residuals : Path, optional
        Where a drawing of the residual arrows goes, as SVG.
    preview : Path, optional
        Where a small picture goes, as PNG.
    progress : callable, optional

    Returns
    -------
    Rectified

    Raises
    ------
    FacademapError
        Anything that cannot be used; no file is written then.
    """
    if not (math.isfinite(gsd_m) and gsd_m > 0):
        raise InputError(
            f"ground sample distance {gsd_m * 1000:g} mm is not positive",
            "Give a ground sample distance above zero, in millimetres.",
        )
    _refuse_overwriting(out, (photo, control, camera))
    info = read_picture_info(photo)
    table = control_in_photo(control, turn=info.turn, stored_pixels=stored_pixels)
    points = table.points
    lens = read_camera_for(camera, info.turn, stored_pixels=stored_pixels) if camera else None
    view = fit_plane_view(
        points,
        width_px=info.width_px,
        height_px=info.height_px,
        camera=lens,
        focal_35mm_mm=info.focal_35mm_mm,
        estimate_lens=estimate_lens,
    )
    extent = extent or Extent.around(points.control.wall_m).grown(EXTENT_GROWTH)
    grid = PixelGrid.over(extent, gsd_m=gsd_m)
    check_horizon(view.depth, grid)
    accuracy = state_accuracy(view, grid.extent, gsd_m=gsd_m, rules=rules)
    digest = hash_file(photo)
    values = report_values(view, grid, accuracy) | table.report()
    values["warnings"] += table.notes
    values["photo"] = {
        "name": photo.name,
        "sha256": digest,
        "width_px": info.width_px,
        "height_px": info.height_px,
        "exif_orientation": info.orientation,
    }
    for side_file in (report, residuals, preview):
        check_writable(side_file)
    picture, _ = read_picture(photo)
    blurred = blur_warning(picture)
    if blurred is not None:
        values["warnings"].append(blurred)
    report_text = json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    write_elevation(
        out,
        grid,
        rectify_windows(view, picture, grid, interpolation=interpolation, progress=progress),
        crs_wkt=wall_crs(name or out.stem, f"{out.stem} {digest[:16]}"),
        tags=_tags(values, photo, digest),
    )
    if report is not None:
        write_whole(report, report_text)
    if residuals is not None:
        write_whole(
            residuals, draw_residuals_svg(view, grid.extent, title=f"Residuals of {photo.name}")
        )
    if preview is not None:
        _write_preview(out, preview, grid)
    return Rectified(view=view, grid=grid, accuracy=accuracy, report=values)


def _write_preview(elevation: Path, preview: Path, grid: PixelGrid) -> None:
    with open_elevation(elevation) as opened:
        _, rgb, mask = opened.read(
            gsd_m=grid.gsd_m * max(1.0, max(grid.width_px, grid.height_px) / PREVIEW_PX)
        )
    write_png(preview, np.dstack([rgb, mask]))


def _refuse_overwriting(out: Path, sources: tuple[Path | None, ...]) -> None:
    for source in sources:
        if source is not None and out.exists() and source.exists() and out.samefile(source):
            raise InputError(
                f"the output {out.name} is one of the inputs", "Choose another name for the output."
            )


def _finite(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _differences(d: Differences | None) -> dict[str, Any] | None:
    if d is None:
        return None
    return {
        "n": d.n,
        "mean_u_m": _finite(d.mean_m[0]),
        "mean_v_m": _finite(d.mean_m[1]),
        "sd_u_m": _finite(d.sd_m[0]),
        "sd_v_m": _finite(d.sd_m[1]),
        "rmse_u_m": _finite(d.rmse_m[0]),
        "rmse_v_m": _finite(d.rmse_m[1]),
        "rmse_radial_m": _finite(d.rmse_radial_m),
        "radius95_m": _finite(d.radius95_m),
        "largest_m": _finite(d.largest_m),
    }


def report_values(view: PlaneView, grid: PixelGrid, accuracy: AccuracyStatement) -> dict[str, Any]:
    """The report of one rectified photo as plain values for JSON.

    Parameters
    ----------
    view : PlaneView
    grid : PixelGrid
    accuracy : AccuracyStatement

    Returns
    -------
    dict
        ``residuals`` hold place found minus place given; ``used`` is false for blunders, which are
        left out of ``control_rmse_m`` too. Where the fit is exact by construction residuals of control and
        ``control_rmse_m`` are None. ``proved`` is true only where check points or control left out prove it.
    """
    points = view.points
    told = view.residual_m.copy()
    if accuracy.control is None:  # an exact fit: zeros would look like accuracy
        told[view.used] = np.nan
    residuals = [
        {
            "name": points.name[i],
            "du_m": _finite(told[i, 0]),
            "dv_m": _finite(told[i, 1]),
            "role": "control" if points.is_control[i] else "check",
            "used": bool(view.used[i]),
            "dx_px": _finite(view.residual_px[i, 0]),
            "dy_px": _finite(view.residual_px[i, 1]),
        }
        for i in range(len(points))
    ]
    return {
        "proved": accuracy.proof.proved,
        "proof": accuracy.proof.reason,
        "supports_scale": accuracy.scale,
        "control_rmse_m": _finite(accuracy.control.rmse_radial_m) if accuracy.control else None,
        "left_out_rmse_m": _finite(accuracy.left_out.rmse_radial_m) if accuracy.left_out else None,
        "check_rmse_m": _finite(accuracy.check.rmse_radial_m) if accuracy.check else None,
        "control_n": int(view.used.sum()),
        "check_n": accuracy.check.n if accuracy.check else 0,
        "residuals": residuals,
        "gsd_m": grid.gsd_m,
        "warnings": list(accuracy.warnings),
        "lens": view.lens,
        "scale": accuracy.scale,
        "scale_text": f"1:{accuracy.scale}" if accuracy.scale else None,
        "scale_rule": accuracy.scale_rule,
        "scale_error_m": _finite(accuracy.error_m),
        "scale_error_source": accuracy.error_source,
        "obliqueness_deg": _finite(accuracy.tilt_deg),
        "camera_distance_m": _finite(accuracy.distance_m),
        "camera_pose_is_known": bool(accuracy.pose_is_known),
        "check_rmse_with_survey_m": _finite(accuracy.check_with_survey_m),
        "control": _differences(accuracy.control),
        "check": _differences(accuracy.check),
        "blunders": [
            {
                "name": b.name,
                "miss_px": _finite(b.miss_px),
                "du_m": _finite(b.du_m),
                "dv_m": _finite(b.dv_m),
                "hint": b.hint,
            }
            for b in view.blunders
        ],
        "sigma_px": _finite(view.sigma_px),
        "sigma_median_m": _finite(accuracy.sigma_median_m),
        "sigma_worst_m": _finite(accuracy.sigma_worst_m),
        "sample_distance_map_m": [[_finite(x) for x in row] for row in accuracy.sample_distance_m],
        "obliqueness_map_deg": [[_finite(x) for x in row] for row in accuracy.obliqueness_deg],
        "pick_px": _finite(view.sigma_px),
        "pick_source": "surplus points" if view.quality.surplus > 0 else "stated",
        "empty_corners": list(accuracy.empty_corners),
        "control_hull_m": [list(place) for place in accuracy.control_hull_m],
        "outside_share": accuracy.outside_share,
        "control_share": accuracy.control_share,
        "relief_m": accuracy.relief_m,
        "relief_shift_m": _finite(accuracy.relief_shift_m),
        "extent_m": list(grid.extent.as_tuple()),
        "width_px": grid.width_px,
        "height_px": grid.height_px,
        "camera": camera_as_dict(view.camera),
        "homography_wall_to_ray": np.asarray(view.homography).tolist(),
    }


def _tags(values: dict[str, Any], photo: Path, digest: str) -> dict[str, Any]:
    kept = (
        "proved",
        "proof",
        "control_hull_m",
        "control_rmse_m",
        "check_rmse_m",
        "control_n",
        "check_n",
        "gsd_m",
        "lens",
        "scale_text",
        "obliqueness_deg",
        "sigma_median_m",
        "sigma_worst_m",
        "warnings",
        "blunders",
        "camera",
        "homography_wall_to_ray",
    )
    tags = {f"FACADEMAP_{key.upper()}": values[key] for key in kept}
    return {
        "TIFFTAG_SOFTWARE": f"facademap {__version__}",
        "FACADEMAP_PHOTO": photo.name,
        "FACADEMAP_PHOTO_SHA256": digest,
        **tags,
    }
