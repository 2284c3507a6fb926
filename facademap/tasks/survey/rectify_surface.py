"""Use cases beyond one flat wall: a round pier unrolled, a set-back plane, true shape from joints, places by tape."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError, InputError
from facademap.io.camera_files import read_camera_for
from facademap.io.control_files import read_offsets
from facademap.io.csv_tables import read_csv_rows
from facademap.io.picked_pixels import upright_place
from facademap.io.pictures import hash_file, read_picture, read_picture_info
from facademap.io.rasters import write_elevation
from facademap.io.survey_files import read_survey_points
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.accuracy import (
    AccuracyRules,
    describe_differences,
    few_checks_warning,
    proof_values,
    sample_distances_m,
)
from facademap.photo.blur import blur_warning
from facademap.photo.camera import Camera, nominal_camera
from facademap.photo.control import ControlPoints, check_control
from facademap.photo.plane import fit_plane_view
from facademap.photo.pose import find_pose
from facademap.photo.posed import CylinderSurface, PlaneSurface, PosedView, fit_cylinder_view
from facademap.photo.proof import (
    Proof,
    apart_from_control,
    control_hull_m,
    left_out_by_refit,
    prove,
    prove_extent,
    share_outside,
)
from facademap.photo.resample import rectify_windows
from facademap.photo.tape import TapeMeasure, place_by_tape
from facademap.photo.vanishing import TrueShape, find_segments, fit_true_shape
from facademap.tasks.survey.control_table import control_in_photo, control_on_arc
from facademap.tasks.survey.known_distances import KnownDistance, read_known_distances
from facademap.tasks.survey.tape_control import known_measures, onto_the_wall
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

__all__ = [
    "camera_with_focal",
    "place_points_by_tape",
    "rectify_cylinder",
    "rectify_set_back",
    "straighten_photo",
]

Floats = NDArray[np.floating[Any]]
Progress = Callable[[float], None] | None

#: A check point so near to the depth that was given lies on the plane (common practice).
ON_PLANE_M = 0.010
#: Place and direction of a camera: so many numbers are fixed by control exactly.
POSE_TERMS = 6
#: A set-back deeper than so many times the camera's distance is taken for a slip (common practice).
MOST_SET_BACK = 3.0


def rectify_cylinder(
    photo: Path,
    control: Path,
    out: Path,
    *,
    camera: Path,
    gsd_m: float,
    radius_m: float,
    concave: bool = False,
    stored_pixels: bool = False,
    extent: Extent | None = None,
    report: Path | None = None,
    progress: Progress = None,
) -> dict[str, Any]:
    """Unroll an upright round pier, turret or niche.

    Parameters
    ----------
    photo, out : Path
    control : Path
        As for a wall; ``u_m`` is the length of arc from the side that faces out.
    camera : Path
        Needed: a curved surface and a lens cannot be told apart.
    gsd_m, radius_m : float
    concave : bool
        Seen from within.
    stored_pixels : bool
        The control was picked in the stored picture, before the turn that its EXIF asks for.
    extent : Extent, optional
    report : Path, optional
    progress : callable, optional

    Returns
    -------
    dict
        The report.
    """
    info = read_picture_info(photo)
    lens = read_camera_for(camera, info.turn, stored_pixels=stored_pixels)
    if (lens.width_px, lens.height_px) != (info.width_px, info.height_px):
        raise InputError(
            f"the camera file is for pictures of {lens.width_px} x {lens.height_px} px",
            "Use the camera file of this photo's camera.",
        )
    points = control_on_arc(control, turn=info.turn, stored_pixels=stored_pixels)
    check_control(points, width_px=info.width_px, height_px=info.height_px)
    surface = CylinderSurface(
        radius_m=radius_m, axis_w_m=radius_m if concave else -radius_m, concave=concave
    )
    view = fit_cylinder_view(points.control.wall_m, points.control.pixel_px, lens, surface)
    if view.rmse_px > 0.01 * math.hypot(info.width_px, info.height_px):
        raise GeometryError(
            f"the control does not fit a cylinder of {radius_m:g} m radius: it misses by {view.rmse_px:.0f} px",
            "Check the radius, the arcs and the camera file.",
        )
    extent = extent or Extent.around(points.control.wall_m).grown(0.05)
    return _write(
        view,
        photo,
        out,
        PixelGrid.over(extent, gsd_m=gsd_m),
        points,
        report,
        progress,
        lens_state="given",
        extra={"surface": "cylinder", "radius_m": radius_m, "concave": concave},
        proof=prove_round(view, points, lens, surface, extent),
    )


def rectify_set_back(
    photo: Path,
    control: Path,
    out: Path,
    *,
    camera: Path | None,
    gsd_m: float,
    depth_m: float,
    stored_pixels: bool = False,
    extent: Extent | None = None,
    report: Path | None = None,
    progress: Progress = None,
) -> dict[str, Any]:
    """Rectify a plane parallel to the wall of the control, behind it (or before it, negative depth).

    Parameters
    ----------
    photo, control, out : Path
        The control lies on the main wall. Check points whose ``w_m`` (out of the wall) says that they lie on the plane
        prove it; those on the main wall do not.
    camera : Path, optional
        Recommended; without it the focal length must show from the convergence of the view.
    gsd_m, depth_m : float
    stored_pixels : bool
        As for `unroll_photo`.
    extent : Extent, optional
    report : Path, optional
    progress : callable, optional

    Returns
    -------
    dict
        The report; its residuals are those on the main wall.
    """
    if not math.isfinite(depth_m):
        raise InputError(
            f"set-back {depth_m} m is not a finite number", "Give the depth in millimetres."
        )
    info = read_picture_info(photo)
    table = control_in_photo(control, turn=info.turn, stored_pixels=stored_pixels)
    points = table.points
    lens = read_camera_for(camera, info.turn, stored_pixels=stored_pixels) if camera else None
    offsets = read_offsets(control)
    on_plane = np.array(
        [
            not fitted and abs(offsets.get(name, math.inf) + depth_m) <= ON_PLANE_M
            for name, fitted in zip(points.name, points.is_control, strict=True)
        ],
        dtype=bool,
    )
    main = fit_plane_view(
        points.select(~on_plane),
        width_px=info.width_px,
        height_px=info.height_px,
        camera=lens,
        focal_35mm_mm=info.focal_35mm_mm,
    )
    pose = find_pose(main)
    if not pose.focal_is_known:
        raise GeometryError(
            "the camera's place cannot be told from this view without its focal length",
            "Give --camera, or use a photo taken more obliquely.",
        )
    if depth_m <= -pose.distance_m:
        raise GeometryError(
            f"a plane {-depth_m:g} m before the wall lies behind the camera", "Check the depth."
        )
    if depth_m > MOST_SET_BACK * pose.distance_m:
        raise GeometryError(
            f"a plane {depth_m:g} m behind the wall is more than {MOST_SET_BACK:g} times as far from it as the "
            f"camera ({pose.distance_m:.1f} m)",
            "Give the depth in millimetres.",
        )
    cam = main.camera if main.lens == "given" else camera_with_focal(main.camera, pose.focal_px)
    view = PosedView(camera=cam, pose=pose, surface=PlaneSurface.set_back(depth_m))
    there = view.residual_on_surface_m(points.wall_m, points.pixel_px)
    residual = there.copy()
    residual[~on_plane] = main.residual_m
    if main.quality.is_exact:  # zeros would look like accuracy
        residual[points.is_control] = np.nan
    extent = extent or Extent.around(points.control.wall_m).grown(0.05)
    return _write(
        view,
        photo,
        out,
        PixelGrid.over(extent, gsd_m=gsd_m),
        points,
        report,
        progress,
        lens_state=main.lens,
        extra={"surface": "set-back plane", "depth_m": depth_m, "warnings": list(main.flags)},
        proof=prove(
            check_m=there[on_plane],
            check_sigma_m=points.sigma_m[on_plane],
            check_at_m=points.wall_m[on_plane],
            left_out_m=np.zeros((0, 2)),
            control_at_m=points.control.wall_m,
            extent_m=extent.as_tuple(),
            otherwise="not proved: the points lie on the main wall, and the plane rests on the depth that was given",
        ),
        residual_m=residual,
        is_check=on_plane,
    )


def prove_round(
    view: PosedView,
    points: ControlPoints,
    camera: Camera,
    surface: CylinderSurface,
    extent: Extent,
) -> Proof:
    """What check points, or control left out of the fit in turn, prove of an unrolled round surface.

    Parameters
    ----------
    view : PosedView
        Fitted to all control of ``points``.
    points : ControlPoints
    camera : Camera
    surface : CylinderSurface
    extent : Extent
    """
    control = points.control

    def miss_without(keep: NDArray[np.bool_]) -> Floats:
        fit = fit_cylinder_view(control.wall_m[keep], control.pixel_px[keep], camera, surface)
        return fit.residual_on_surface_m(control.wall_m, control.pixel_px)

    left = left_out_by_refit(control.wall_m, miss_without) if len(control) > 4 else np.zeros((0, 2))
    return prove(
        check_m=view.residual_on_surface_m(points.wall_m, points.pixel_px)[~points.is_control],
        check_sigma_m=points.sigma_m[~points.is_control],
        check_at_m=points.check.wall_m,
        left_out_m=left,
        control_at_m=control.wall_m,
        extent_m=extent.as_tuple(),
        surplus=2.0 * len(control) - 6.0,
    )


def camera_with_focal(camera: Camera, focal_px: float) -> Camera:
    """The same bending of the picture written for another focal length (k grows with the square of it)."""
    s = focal_px / camera.fx_px
    return Camera(
        width_px=camera.width_px,
        height_px=camera.height_px,
        fx_px=focal_px,
        fy_px=focal_px,
        cx_px=camera.cx_px,
        cy_px=camera.cy_px,
        k1=camera.k1 * s**2,
        k2=camera.k2 * s**4,
        k3=camera.k3 * s**6,
        p1=camera.p1 * s,
        p2=camera.p2 * s,
    )


def _write(
    view: PosedView,
    photo: Path,
    out: Path,
    grid: PixelGrid,
    points: ControlPoints,
    report: Path | None,
    progress: Progress,
    *,
    lens_state: str,
    extra: dict[str, Any],
    proof: Proof,
    residual_m: Floats | None = None,
    is_check: NDArray[np.bool_] | None = None,
) -> dict[str, Any]:
    residual = (
        view.residual_on_surface_m(points.wall_m, points.pixel_px)
        if residual_m is None
        else residual_m
    )
    exact = residual_m is None and 2 * int(points.is_control.sum()) <= POSE_TERMS
    if exact:  # a fit without surplus: zeros would look like accuracy
        residual = np.where(points.is_control[:, None], np.nan, residual)
    control = describe_differences(residual[points.is_control])
    telling = np.array(~points.is_control if is_check is None else is_check)
    telling[telling] = apart_from_control(points.wall_m[telling], points.wall_m[points.is_control])
    check = describe_differences(residual[telling])
    n = check.n if check else 0
    tested = points.is_control | (True if is_check is None else is_check)
    proof = prove_extent(proof, points.wall_m[tested], grid.extent.as_tuple())
    warnings = [*([] if proof.proved else [proof.reason]), *extra.pop("warnings", [])]
    hull = control_hull_m(points.control.wall_m)
    few = few_checks_warning(n)
    if few is not None:
        warnings.append(few)
    seen, sample = _seen(view, grid, warnings)
    values: dict[str, Any] = {
        "control_rmse_m": control.rmse_radial_m if control else None,
        "check_rmse_m": check.rmse_radial_m if check else None,
        "control_n": int(points.is_control.sum()),
        "check_n": n,
        "residuals": _residuals_said(points, residual),
        "gsd_m": grid.gsd_m,
        "warnings": warnings,
        "lens": lens_state,
        "camera_distance_m": view.pose.distance_m,
        **seen,
        **proof_values(proof, max(grid.gsd_m, sample) if math.isfinite(sample) else math.nan),
        "control_hull_m": hull.tolist(),
        "outside_share": share_outside(hull, grid.extent.as_tuple()),
        "extent_m": list(grid.extent.as_tuple()),
        "width_px": grid.width_px,
        "height_px": grid.height_px,
        **extra,
    }
    check_writable(report)
    digest = hash_file(photo)
    picture, _ = read_picture(photo)
    blurred = blur_warning(picture)
    if blurred is not None:
        warnings.append(blurred)
    tags = {
        f"FACADEMAP_{k.upper()}": values[k]
        for k in (
            "proved",
            "proof",
            "control_rmse_m",
            "control_n",
            "check_rmse_m",
            "check_n",
            "gsd_m",
            "lens",
            "surface",
            "obliqueness_deg",
            "scale_text",
            "warnings",
        )
    }
    write_elevation(
        out,
        grid,
        rectify_windows(view, picture, grid, progress=progress),
        tags={**tags, "FACADEMAP_PHOTO": photo.name, "FACADEMAP_PHOTO_SHA256": digest},
        crs_wkt=wall_crs(out.stem, f"{out.stem} {digest[:16]}"),
    )
    if report is not None:
        write_whole(
            report, json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        )
    return values


def _residuals_said(points: ControlPoints, residual: Floats) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "du_m": du if math.isfinite(du) else None,
            "dv_m": dv if math.isfinite(dv) else None,
            "role": "control" if c else "check",
        }
        for name, (du, dv), c in zip(points.name, residual.tolist(), points.is_control, strict=True)
    ]


def _seen(view: PosedView, grid: PixelGrid, warnings: list[str]) -> tuple[dict[str, Any], float]:
    """How obliquely and how finely the photo shows the extent, with warnings; metres a pixel in the middle of it all."""
    extent = grid.extent
    samples = sample_distances_m(view, extent, (view.camera.width_px, view.camera.height_px))
    u, v = np.meshgrid(
        np.linspace(extent.u0_m, extent.u1_m, 7), np.linspace(extent.v1_m, extent.v0_m, 5)
    )
    shown = np.isfinite(samples)
    sight = np.where(shown, view.obliqueness_deg(u, v), np.nan)
    seen_at_all = bool(np.isfinite(sight).any())
    if np.isnan(samples).any():
        warnings.append("the photo does not show all of the extent")
    if seen_at_all and float(np.nanmax(sight)) > AccuracyRules().oblique_deg:
        warnings.append(
            f"part of the surface is seen at {float(np.nanmax(sight)):.0f} degrees: relief and picking errors grow there"
        )
    told = {
        "obliqueness_deg": float(np.nanmedian(sight)) if seen_at_all else None,
        "obliqueness_map_deg": _rows_said(sight),
        "sample_distance_map_m": _rows_said(samples),
    }
    return told, float(np.nanmedian(samples)) if shown.any() else math.nan


def _rows_said(values: Floats) -> list[list[float | None]]:
    return [[x if math.isfinite(x) else None for x in row] for row in values.tolist()]


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrueShapeView:
    """A photo straightened by its joints, as the resampler wants it."""

    shape: TrueShape
    camera: Camera

    def pixel_from_wall(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        inverse = np.linalg.inv(self.shape.homography)
        inverse = inverse * np.sign(np.linalg.det(self.shape.homography[:2, :2])) * -1.0
        q = np.stack([u, v, np.ones_like(u)], axis=-1) @ inverse.T
        # the side of the horizon is the one on which the picture's centre lies
        middle = (
            inverse @ self.shape.homography @ np.array([self.camera.cx_px, self.camera.cy_px, 1.0])
        )
        w = q[..., 2] * np.sign(middle[2])
        with np.errstate(divide="ignore", invalid="ignore"):
            pixel = np.where((w > 0)[..., None], q[..., :2] / q[..., 2:], np.nan)
        ray = (pixel - np.array([self.camera.cx_px, self.camera.cy_px])) / np.array(
            [self.camera.fx_px, self.camera.fy_px]
        )
        return self.camera.pixel_from_ray(ray)


def straighten_photo(
    photo: Path,
    out: Path,
    *,
    gsd_m: float,
    start_px: tuple[float, float] | None = None,
    end_px: tuple[float, float] | None = None,
    distance_m: float = math.nan,
    control: Path | None = None,
    camera: Path | None = None,
    stored_pixels: bool = False,
    progress: Progress = None,
) -> dict[str, Any]:
    """Straighten a photo by the vanishing points of its joints; the scale comes from one distance or from control.

    Parameters
    ----------
    photo, out : Path
    gsd_m : float
    start_px, end_px : tuple of float
        Two pixels of the picture between which ``distance_m`` was measured.
    distance_m : float
    control : Path, optional
        Table of control instead: the longest distance between its points gives the scale, the others are compared.
    camera : Path, optional
    stored_pixels : bool
        The two pixels are those of the stored picture, before the turn that its EXIF asks for.
    progress : callable, optional

    Returns
    -------
    dict
        Number of lines, their spread, extent, warnings.
    """
    info = read_picture_info(photo)
    picture, _ = read_picture(photo)
    size = (info.width_px, info.height_px)
    lens = (
        read_camera_for(camera, info.turn, stored_pixels=stored_pixels)
        if camera
        else nominal_camera(*size, focal_35mm_mm=info.focal_35mm_mm)
    )
    shape = fit_true_shape(
        find_segments(picture),
        lens,
        focal_is_known=camera is not None or info.focal_35mm_mm is not None,
    )
    if control is not None:
        known = read_known_distances(control, turn=info.turn, stored_pixels=stored_pixels)
    elif start_px is not None and end_px is not None:
        ends = [upright_place(p, info.turn, stored=stored_pixels) for p in (start_px, end_px)]
        known = [
            KnownDistance(
                names=("start", "end"), start_px=ends[0], end_px=ends[1], distance_m=distance_m
            )
        ]
    else:
        raise InputError("no scale is given", "Give --distance x0,y0,x1,y1,metres, or --control.")
    shape = shape.scaled(
        *_bare_pixels(lens, known[0]),
        distance_m=known[0].distance_m,
    )
    view = _TrueShapeView(shape=shape, camera=lens)
    grid = PixelGrid.over(_seen_extent(shape, size), gsd_m=gsd_m)
    warnings = [
        "shape and scale come from the joints and one distance: no accuracy can be stated without control"
    ]
    if not shape.aspect_is_known:
        warnings.append(
            "the ratio of width to height rests on an assumed focal length: measure a second distance "
            "across the first to check it"
        )
    warnings += _disagreement(shape, lens, known)
    digest = hash_file(photo)
    write_elevation(
        out,
        grid,
        rectify_windows(view, picture, grid, progress=progress),
        crs_wkt=wall_crs(out.stem, f"{out.stem} {digest[:16]}"),
        tags={
            "FACADEMAP_PHOTO": photo.name,
            "FACADEMAP_PHOTO_SHA256": digest,
            "FACADEMAP_CONTROL": "vanishing points and one distance",
            "FACADEMAP_WARNINGS": warnings,
        },
    )
    return {
        "out": str(out),
        "level_lines": shape.level_count,
        "upright_lines": shape.upright_count,
        "level_spread_deg": shape.level_spread_deg,
        "upright_spread_deg": shape.upright_spread_deg,
        "aspect_is_known": shape.aspect_is_known,
        "gsd_m": gsd_m,
        "width_px": grid.width_px,
        "height_px": grid.height_px,
        "extent_m": list(grid.extent.as_tuple()),
        "warnings": warnings,
    }


def _bare_pixels(lens: Camera, known: KnownDistance) -> Floats:
    """The two ends in a picture of the same camera without distortion."""
    ray = lens.ray_from_pixel(np.array([known.start_px, known.end_px]))
    return np.asarray(ray * (lens.fx_px, lens.fy_px) + (lens.cx_px, lens.cy_px))


def _disagreement(shape: TrueShape, lens: Camera, known: list[KnownDistance]) -> list[str]:
    """What the distances that did not give the scale say of the picture."""
    if len(known) < 2:
        return []
    misses = []
    for distance in known[1:]:
        start, end = shape.wall_from_pixel(_bare_pixels(lens, distance))
        misses.append((abs(math.dist(start, end) - distance.distance_m), distance))
    worst, where = max(misses, key=lambda m: m[0])
    return [
        f"scale from {known[0].names[0]} to {known[0].names[1]}; {len(misses)} other distances of the control differ by up to "
        f"{worst * 1000:.0f} mm ({where.names[0]} to {where.names[1]})"
    ]


def _seen_extent(shape: TrueShape, size: tuple[int, int]) -> Extent:
    """What the picture shows, less the parts that lie more than three times as far away as its centre."""
    x, y = np.meshgrid(np.linspace(0, size[0] - 1, 41), np.linspace(0, size[1] - 1, 41))
    pixel = np.stack([x.ravel(), y.ravel()], axis=1)
    depth = np.c_[pixel, np.ones(len(pixel))] @ shape.homography[2]
    middle = float(np.array([(size[0] - 1) / 2, (size[1] - 1) / 2, 1.0]) @ shape.homography[2])
    near = depth / middle > 1 / 3
    return Extent.around(shape.wall_from_pixel(pixel[near]))


def place_points_by_tape(tape: Path, out: Path, *, control: Path | None = None) -> dict[str, Any]:
    """Adjust a list of tape measures to places on the wall.

    Parameters
    ----------
    tape : Path
        CSV ``kind,start,end,length_m``; ``sigma_mm`` may be added. Kind: distance, level, plumb.
    out : Path
        CSV ``name,u_m,v_m,sigma_mm,measured_by``.
    control : Path, optional
        The one table of control: distances between its points take part, and those on the wall give the frame.
    """
    measures = []
    for row in read_csv_rows(
        tape, columns=("kind", "start", "end", "length_m"), optional=("sigma_mm",), what="tape file"
    ):
        kind = row.text("kind").lower()
        if kind not in ("distance", "level", "plumb"):
            raise InputError(f"{row.where}: kind is {kind!r}", "Give distance, level or plumb.")
        length = row.number("length_m") if row.cells.get("length_m", "").strip() else math.nan
        measures.append(
            TapeMeasure(
                kind=kind,  # type: ignore[arg-type]
                start=row.text("start"),
                end=row.text("end"),
                length_m=length,
                sigma_m=row.number("sigma_mm", default=3.0) / 1000,
            )
        )
    known = read_survey_points(control) if control else []
    if control:
        measures += known_measures(known, {n for m in measures for n in (m.start, m.end)})
    found = place_by_tape(measures)
    wall_m, placed = onto_the_wall(found.name, found.wall_m, known)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("name", "u_m", "v_m", "sigma_mm", "measured_by"))
    sigma = np.sqrt(np.diag(found.covariance_m2).reshape(-1, 2).sum(axis=1))
    for name, (u, v), s in zip(found.name, wall_m, sigma, strict=True):
        writer.writerow(
            (
                name,
                f"{round(u, 5) + 0.0:.5f}",
                f"{round(v, 5) + 0.0:.5f}",
                f"{s * 1000:.2f}",
                "tape",
            )
        )
    write_whole(out, text.getvalue())
    return {
        "out": str(out),
        "points": len(found.name),
        "redundancy": found.redundancy,
        "sigma0": found.sigma0,
        "warnings": [*found.flags, *([placed] if placed else [])],
    }
