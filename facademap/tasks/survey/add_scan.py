"""Make the elevation and the relief of a surface from a laser scan or any other point cloud."""

from __future__ import annotations

import contextlib
import datetime as dt
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError, InputError
from facademap.io.pictures import hash_file
from facademap.io.point_clouds import Cloud, open_cloud
from facademap.io.relief_files import ReliefWriter, open_relief_writer
from facademap.io.survey_files import read_survey_points
from facademap.io.whole_files import as_before_on_failure, make_folder
from facademap.photo.accuracy import describe_differences, proof_values
from facademap.photo.cylinder import fit_cylinder
from facademap.photo.point_grid import PointGrid
from facademap.photo.proof import prove
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.add_elevation import NOT_STATED, refuse_replacing, store_elevation
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.kept_reliefs import reliefs_of
from facademap.tasks.survey.outside import stated_precision, world_of
from facademap.tasks.survey.understand_shapes import place_of_surface
from facademap.units import LENGTH_UNITS_M
from facademap.wall.cloud_frame import (
    CloudPlane,
    fit_cloud_plane,
    frame_of_plane,
    places_in_frame,
)
from facademap.wall.frame import WorldPlacement, fit_world_placement
from facademap.wall.grid import Extent, PixelGrid, Window

__all__ = ["add_scan"]

Floats = NDArray[np.floating[Any]]

#: Points drawn for fitting.
SAMPLE = 200_000
#: A wall without this share of the sample near it is not in the cloud.
LEAST_ON_WALL = 0.002
#: A wall whose points scatter more about its plane, and a plane turned more from its surface, is no wall of that surface (common
#: practice: rubble and mouldings stay well below).
MOST_SCATTER_M, MOST_TURN_DEG = 0.12, 15.0
#: Points so near the frame are on the face of the wall, however rough.
FACE_M = 0.1
#: Pixels gathered at a time; each takes 26 bytes, and some 60 while its picture is made.
BAND_PX = 4_000_000
_MARGIN_PX = 4
_SPACINGS_MM = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """Where the wall is in the system of the cloud."""

    matrix: Floats
    radius_m: float | None
    source: str
    is_new: bool
    notes: tuple[str, ...]
    tie: _Tie | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tie:
    """Points known on the wall and in the cloud, those that lay the cloud on the wall and those that test it."""

    placed: WorldPlacement
    wall_m: Floats
    check_m: Floats
    check_at_m: Floats
    check_sigma_m: Floats


#: Pixels for each point of a cloud, beyond which its picture would be empty: points 30 pixels apart (habit of ours).
MOST_EMPTY = 900


def add_scan(
    folder: str | Path,
    path: str | Path,
    *,
    surface: str | None = None,
    points: str | Path | None = None,
    outside: tuple[float, float, float] | None = None,
    extent: Extent | None = None,
    gsd_m: float | None = None,
    reach_m: float = 0.5,
    unit: str | None = None,
    replace: bool = False,
    who: str = "surveyor",
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Read a cloud, find the wall in it, store its picture and its relief.

    Parameters
    ----------
    folder : path
        Project.
    path : path
        LAS, LAZ, E57, PLY or XYZ, z up.
    surface : str, optional
        May be left out where the project has one.
    points : path, optional
        Points known on the wall and in the cloud: ``name,role,u_m,v_m[,w_m],east_m,north_m,height_m[,sigma_mm]``. They
        weigh as precise as they say they are; those of role check are held back, and prove the picture.
    outside : tuple of float, optional
        A place before the wall in the system of the cloud; where the instrument stood without it, if the file says so.
    extent : Extent, optional
        Part of the wall; what is known of the surface, else what the cloud shows.
    gsd_m : float, optional
        Side of a pixel; from the density of the cloud without it.
    reach_m : float
        Points further out of the wall (scaffold, people, rooms) are left out.
    unit : str, optional
        Unit of the cloud; metres without it.
    replace : bool
        Put it in the place of an elevation that the surface has.

    Returns
    -------
    dict
        The report stored with the surface; ``relief`` names the relief layer.

    Raises
    ------
    FileError, InputError, GeometryError
        Nothing is stored.
    """
    path = Path(path)
    if not 0.01 <= reach_m <= 20:
        raise InputError(f"a reach of {reach_m:g} m", "Give 0.01 to 20 m.")
    known = _known_points(Path(points)) if points else None
    with Project.open(folder) as project:
        surface = surface_of(project, surface)
        refuse_replacing(project, surface, replace)
        place = project.place(f"elevations/{surface}.tif")
        make_folder(place.parent)
        unit_m = LENGTH_UNITS_M[unit or "m"]
        with open_cloud(
            path, beside=place, unit_m=unit_m, progress=lambda f: progress(0.6 * f)
        ) as cloud:
            drawn = cloud.sample(SAMPLE)
            sample = cloud.places(drawn)
            frame = _frame(project, surface, cloud, sample, known, outside)
            uvw = places_in_frame(sample, frame.matrix, radius_m=frame.radius_m)
            near = _near(project, surface, cloud, uvw, reach_m)
            box = extent or _extent(project, surface, near, is_new=frame.is_new)
            grid = PixelGrid.over(box, gsd_m=gsd_m or _spacing(cloud, sample, near))
            _refuse_sparse(grid, cloud)
            return _store(
                project,
                surface,
                path,
                cloud,
                frame,
                grid,
                sample=sample,
                near=near,
                echo=drawn["echo"],
                reach_m=reach_m,
                who=who,
                progress=lambda f: progress(0.6 + 0.4 * f),
            )


def _known_points(path: Path) -> _Tie:
    both = [p for p in read_survey_points(path) if p.on_wall and p.in_world]
    control, check = ([p for p in both if p.role == role] for role in ("control", "check"))
    if len(control) < 3:
        raise InputError(
            f"{path.name} has {len(control)} control points known on the wall and in the cloud",
            "Give three or more with u_m, v_m and east_m, north_m, height_m.",
        )
    wall, tested = (
        np.array([(p.u_m, p.v_m, p.w_m or 0.0) for p in rows], dtype=float).reshape(-1, 3)
        for rows in (control, check)
    )
    placed = fit_world_placement(
        wall,
        [world_of(p) for p in control],
        names=[p.name for p in control],
        sigma_m=stated_precision(control),
    )
    found = placed.wall_from_world(np.array([world_of(p) for p in check]).reshape(-1, 3))
    return _Tie(
        placed=placed,
        wall_m=wall[placed.used, :2],
        check_m=(found - tested)[:, :2],
        check_at_m=tested[:, :2],
        check_sigma_m=np.nan_to_num(np.array(stated_precision(check), dtype=float)),
    )


def _frame(
    project: Project,
    surface: str,
    cloud: Cloud,
    sample: Floats,
    known: _Tie | None,
    outside: tuple[float, float, float] | None,
) -> _Frame:
    """From points known in both, from the surface's place in the world, else from the cloud itself."""
    row = project.row("surfaces", surface)
    radius = None if row["kind"] != "cylinder" or is_missing(row["radius_m"]) else row["radius_m"]
    if known is not None:
        placed, n = known.placed, int(known.placed.used.sum())
        met = f", RMSE {placed.rmse_m * 1000:.1f} mm" if n > 3 else ", which nothing tests"
        return _Frame(
            matrix=placed.matrix,
            radius_m=radius,
            source=f"{n} points known on the wall and in the cloud{met}",
            is_new=False,
            notes=placed.flags,
            tie=known,
        )
    if not is_missing(row["world"]):
        return _Frame(
            matrix=np.asarray(row["world"]["matrix"], dtype=float),
            radius_m=radius,
            source="the surface's place in the world",
            is_new=False,
            notes=(),
        )
    _refuse_known_wall(project, surface)
    before = cloud.scanner_enh if outside is None else np.asarray(outside, dtype=float)
    if before is None:
        raise InputError(
            f"cloud {cloud.name} does not say on which side of the wall the instrument stood",
            "Give --outside x,y,z, a place before the wall in the cloud's own coordinates.",
        )
    if row["kind"] == "cylinder":
        return _frame_of_cylinder(sample, before, concave=(radius or 0) < 0)
    plane = fit_cloud_plane(sample, rng=np.random.default_rng(20082))
    matrix = frame_of_plane(plane, sample, outside_m=before)
    note = "the frame was taken from the cloud: its origin is the lower left corner of what was scanned"
    return _Frame(
        matrix=matrix, radius_m=None, source="a plane fitted to it", is_new=True, notes=(note,)
    )


def _frame_of_cylinder(sample: Floats, before: Floats, *, concave: bool) -> _Frame:
    fitted = fit_cylinder(sample[:: max(1, len(sample) // 5000)], upright=True)
    axis, radius = np.asarray(fitted.axis_point_enh, dtype=float), float(fitted.radius_m)
    # u = 0 is the side towards the instrument, or the middle of what it saw from within
    towards = (sample.mean(axis=0) if concave else before) - axis
    towards[2] = 0.0
    length = float(np.linalg.norm(towards))
    if length < 1e-6:
        raise GeometryError(
            "the place outside lies on the axis of the cylinder", "Give a place before the wall."
        )
    towards /= length
    facing = -towards if concave else towards
    up = np.array([0.0, 0.0, 1.0])
    origin = axis + radius * towards
    origin[2] = float(np.quantile(sample[:, 2], 0.001))
    matrix = np.c_[np.cross(up, facing), up, facing, origin]
    return _Frame(
        matrix=matrix,
        radius_m=-radius if concave else radius,
        source=f"a cylinder of {radius:.3f} m radius fitted to it",
        is_new=True,
        notes=("the frame was taken from the cloud",),
    )


def _refuse_known_wall(project: Project, surface: str) -> None:
    """Where something lies on the wall already, a new frame would move it."""
    for table in ("control_points", "wall_stones", "openings", "conditions"):
        rows = project.read(table)
        if (rows["surface"] == surface).any():
            raise InputError(
                f"surface {surface} has {table.replace('_', ' ')} in a frame whose place in the cloud is not known",
                "Give --points with three points known on the wall and in the cloud.",
            )
    if not is_missing(project.row("surfaces", surface)["picture"]):
        raise InputError(
            f"surface {surface} has a picture in a frame whose place in the cloud is not known",
            "Give --points with three points known on the wall and in the cloud.",
        )


def _near(project: Project, surface: str, cloud: Cloud, uvw: Floats, reach_m: float) -> Floats:
    """Places of the sample that lie on the wall."""
    on_wall = np.abs(uvw[:, 2]) <= reach_m
    known = place_of_surface(project, surface).extent
    if known is not None:
        grown = known.grown(0.2)
        on_wall &= (uvw[:, 0] > grown.u0_m) & (uvw[:, 0] < grown.u1_m)
        on_wall &= (uvw[:, 1] > grown.v0_m) & (uvw[:, 1] < grown.v1_m)
    if on_wall.mean() < LEAST_ON_WALL or on_wall.sum() < 50:
        middle = float(np.median(uvw[:, 2]))
        raise InputError(
            f"nothing of cloud {cloud.name} lies on surface {surface}: its middle is {middle:+.2f} m out of the wall",
            "Check that cloud and survey are in one system, or give --points known in both.",
        )
    return np.asarray(uvw[on_wall])


def _extent(project: Project, surface: str, near: Floats, *, is_new: bool) -> Extent:
    known = None if is_new else place_of_surface(project, surface).extent
    if known is not None:
        return known
    low, high = np.quantile(_on_face(near)[:, :2], (0.002, 0.998), axis=0)
    return Extent.around(np.array([low, high]))


def _on_face(near: Floats) -> Floats:
    """Places on the face of the wall itself: ground and scaffold before it would widen its extent."""
    face = near[np.abs(near[:, 2]) <= FACE_M]
    return face if len(face) >= 50 else near


def _spacing(cloud: Cloud, sample: Floats, near: Floats) -> float:
    """Pixel that holds one or two points of the wall, a usual size."""
    near = _on_face(near)
    size = np.quantile(near[:, :2], 0.998, axis=0) - np.quantile(near[:, :2], 0.002, axis=0)
    count = len(cloud) * len(near) / len(sample)
    spacing_mm = 1000 * math.sqrt(float(size[0] * size[1]) / max(count, 1))
    return next((s for s in _SPACINGS_MM if s >= spacing_mm), _SPACINGS_MM[-1]) / 1000


def _store(
    project: Project,
    surface: str,
    path: Path,
    cloud: Cloud,
    frame: _Frame,
    grid: PixelGrid,
    *,
    sample: Floats,
    near: Floats,
    echo: Floats,
    reach_m: float,
    who: str,
    progress: Callable[[float], None],
) -> dict[str, Any]:
    digest = hash_file(path)
    relief_name = f"elevations/{surface}-{digest[:8]}-relief.tif"
    bands = 3 if cloud.has_colour else 1 if cloud.has_echo else 0
    plane = _agreement(sample, frame, near)
    if not frame.is_new and frame.radius_m is None:
        _refuse_no_wall(cloud, surface, plane)
    report = _report(cloud, frame, grid, bands, near, plane, reach_m)
    report["warnings"] += _measured_before(project, surface)
    relief = project.place(relief_name)
    make_folder(relief.parent, inside=project.folder)
    with (
        as_before_on_failure(relief, inside=project.folder),
        contextlib.ExitStack() as stack,
    ):

        def windows(wkt: str) -> Iterator[tuple[Window, Any, Any]]:
            writer = stack.enter_context(open_relief_writer(relief, grid, crs_wkt=wkt))
            yield from _bands(cloud, frame, grid, bands, echo, reach_m, writer, report, progress)

        report["relief"] = relief_name
        more = _world_of(frame) if frame.is_new else {}
        return store_elevation(
            project,
            surface,
            path,
            grid,
            windows,
            report,
            who=who,
            digest=digest,
            more=more,
            finish=stack.close,
        )


def _measured_before(project: Project, surface: str) -> list[str]:
    """Reliefs from photos that the scan can be compared with."""
    kept = [k for k in reliefs_of(project.row("surfaces", surface)) if k.source == "photos"]
    return [
        f"survey {k.survey} has a relief from photos: relief --survey {k.survey} --replace tells how the scan differs "
        "from it, and joins both"
        for k in kept[-1:]
    ]


def _refuse_sparse(grid: PixelGrid, cloud: Cloud) -> None:
    """A picture of almost nothing: stray points far away, or coordinates that are not those of the wall."""
    pixels = grid.width_px * grid.height_px
    if pixels > MOST_EMPTY * max(cloud.count, 10_000):
        raise InputError(
            f"{cloud.count} points on a picture of {grid.width_px} x {grid.height_px} px would leave it empty",
            "Give --extent and a coarser --gsd-mm, or export the cloud again.",
        )


def _world_of(frame: _Frame) -> dict[str, Any]:
    """Place of a surface whose frame the cloud gave."""
    values: dict[str, Any] = {
        "world": {
            "epsg": None,
            "matrix": frame.matrix.tolist(),
            "names": [],
            "residual_m": [],
            "out_of_plane_m": [],
            "used": [],
            "rmse_m": None,
            "flags": list(frame.notes),
        }
    }
    if frame.radius_m is not None:
        values["radius_m"] = frame.radius_m
    return values


def _agreement(sample: Floats, frame: _Frame, near: Floats) -> CloudPlane | None:
    """The plane of the cloud near the frame, to show how far the two disagree."""
    if frame.radius_m is not None:
        return None
    try:
        return fit_cloud_plane(
            near,
            rng=np.random.default_rng(1),
            near=(near.mean(axis=0) * (1, 1, 0), np.array([0.0, 0.0, 1.0])),
        )
    except GeometryError:
        return None


def _refuse_no_wall(cloud: Cloud, surface: str, plane: CloudPlane | None) -> None:
    """Points that happen to lie near the frame, of ground, trees or a wall that crosses it, are no picture of the wall."""
    if plane is None or plane.sigma_m > MOST_SCATTER_M:
        raise InputError(
            f"cloud {cloud.name} shows no wall where surface {surface} stands: its points there lie all about",
            "Check that cloud and survey are in one system, or cut the wall out of the cloud.",
        )
    turn_deg = math.degrees(math.acos(min(1.0, abs(float(plane.normal[2])))))
    if turn_deg > MOST_TURN_DEG:
        raise InputError(
            f"cloud {cloud.name} lies across surface {surface}: its plane is turned from it by {turn_deg:.0f} degrees",
            "Name the surface it shows with --surface, or give --points known in both.",
        )


def _report(
    cloud: Cloud,
    frame: _Frame,
    grid: PixelGrid,
    bands: int,
    near: Floats,
    plane: CloudPlane | None,
    reach_m: float,
) -> dict[str, Any]:
    notes = list(frame.notes)
    if bands == 1:
        notes.append(
            "the cloud has no colour: the picture shows the strength of the laser's echo, and colours are not matched from it"
        )
    if bands == 0:
        notes.append(
            "the cloud has neither colour nor strength of echo: the picture is the shaded relief, and colours are not matched from it"
        )
    if cloud.dropped:
        notes.append(f"{cloud.dropped} points without finite coordinates were left out")
    agreement = None
    if plane is not None and not frame.is_new:
        normal = plane.normal * np.sign(plane.normal[2])
        offset = float(plane.centre @ normal / normal[2])
        tilt = 1000 * float(np.hypot(normal[0], normal[1]) / normal[2])
        agreement = {"offset_m": offset, "tilt_mm_per_m": tilt, "sigma_m": plane.sigma_m}
        notes.append(
            f"the plane of the cloud stands {offset * 1000 + 0.0:+.1f} mm out of the frame in its middle and turns from it by "
            f"{tilt:.1f} mm in a metre; its points scatter by {plane.sigma_m * 1000:.1f} mm"
        )
    proved = _proved(frame.tie, grid)
    if not proved["proved"]:
        notes.append(proved["proof"])
    return {
        "origin": "point cloud",
        "placed_by": frame.source,
        **proved,
        "photos": [],
        "points": len(cloud),
        "picture_from": {3: "colour", 1: "strength of the echo", 0: "shaded relief"}[bands],
        "reach_m": reach_m,
        "plane_of_cloud": agreement,
        "radius_m": frame.radius_m,
        "gsd_m": grid.gsd_m,
        "extent_m": list(grid.extent.as_tuple()),
        "width_px": grid.width_px,
        "height_px": grid.height_px,
        "warnings": notes,
        "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
    }


def _proved(tie: _Tie | None, grid: PixelGrid) -> dict[str, Any]:
    """Only what points held back show of the picture's accuracy."""
    nowhere = np.zeros((0, 2))
    proof = prove(
        check_m=nowhere if tie is None else tie.check_m,
        check_sigma_m=np.zeros(0) if tie is None else tie.check_sigma_m,
        check_at_m=nowhere if tie is None else tie.check_at_m,
        left_out_m=nowhere,
        control_at_m=nowhere if tie is None else tie.wall_m,
        extent_m=grid.extent.as_tuple(),
        otherwise=NOT_STATED,
    )
    check = None if tie is None else describe_differences(tie.check_m)
    n = 0 if tie is None else len(tie.wall_m)
    return {
        "accuracy": f"RMSE {check.rmse_radial_m * 1000:.1f} mm at {check.n} check points"
        if check
        else "not stated",
        **proof_values(proof, grid.gsd_m),
        "control_rmse_m": tie.placed.rmse_m if tie is not None and n > 3 else None,
        "control_n": n,
        "check_rmse_m": check.rmse_radial_m if check else None,
        "check_n": check.n if check else 0,
    }


def _bands(
    cloud: Cloud,
    frame: _Frame,
    grid: PixelGrid,
    bands: int,
    echo: Floats,
    reach_m: float,
    writer: ReliefWriter,
    report: dict[str, Any],
    progress: Callable[[float], None],
) -> Iterator[tuple[Window, Any, Any]]:
    """Windows of the picture band by band; the relief of each band is written beside it."""
    rows = max(512, BAND_PX // max(1, grid.width_px) // 512 * 512)
    matrix = frame.matrix.copy()
    matrix[:, 3] -= cloud.origin
    low, high = (float(q) for q in np.quantile(echo, (0.01, 0.99)))
    noise: float | None = None
    filled = 0
    for top in range(0, grid.height_px, rows):
        height = min(rows, grid.height_px - top)
        first = max(0, top - _MARGIN_PX)
        last = min(grid.height_px, top + height + _MARGIN_PX)
        part = grid.crop(Window(column=0, row=first, width=grid.width_px, height=last - first))
        gathered = PointGrid(grid=part, bands=bands, reach_m=reach_m)
        for chunk in cloud.chunks():
            gathered.add(
                chunk["xyz"], chunk["rgb"], chunk["echo"], matrix=matrix, radius_m=frame.radius_m
            )
        if noise is None and math.isfinite(own := gathered.point_noise()):
            noise = own
        inner = slice(top - first, top - first + height)
        relief = gathered.relief(noise)
        writer.write_rows(top, relief.out_m[inner], relief.sd_m[inner])
        filled += int(gathered.seen[inner].sum())
        rgb, mask = gathered.picture(echo_range=(low, high))
        del relief, gathered
        yield from _windows(top, rgb[inner], mask[inner])
        progress((top + height) / grid.height_px)
    report["pixels_with_points"] = filled / (grid.width_px * grid.height_px)
    report["point_noise_m"] = noise
    if filled == 0:
        raise InputError(
            f"nothing of cloud {cloud.name} lies on the part of the wall asked for",
            "Check --extent, or leave it out.",
        )


def _windows(top: int, rgb: Any, mask: Any) -> Iterator[tuple[Window, Any, Any]]:
    for row in range(0, rgb.shape[0], 512):
        for left in range(0, rgb.shape[1], 512):
            part = (slice(row, row + 512), slice(left, left + 512))
            height, width = mask[part].shape
            yield (
                Window(column=left, row=top + row, width=width, height=height),
                np.ascontiguousarray(rgb[part]),
                np.ascontiguousarray(mask[part]),
            )
