"""How the photos of a project see one of its surfaces: by control, by tie points, or by the camera places of a host."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from facademap.errors import FacademapError, FileError, GeometryError, InputError
from facademap.io.camera_files import camera_from_dict
from facademap.io.pictures import hash_file, read_picture
from facademap.photo.camera import Camera, nominal_camera
from facademap.photo.control import ControlPoint, ControlPoints
from facademap.photo.features import grey_picture
from facademap.photo.mosaic_views import (
    MosaicPoint,
    MosaicViews,
    WallView,
    fit_mosaic_views,
    join_reduced,
)
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.photo.pose import CameraPose, find_pose
from facademap.photo.posed import CylinderSurface, PlaneSurface, PosedView, fit_cylinder_view
from facademap.photo.resample import SurfaceView
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.rectify_surface import camera_with_focal
from facademap.values import frozen_value
from facademap.wall.grid import Extent

__all__ = [
    "FEWEST_CONTROL",
    "FittedPhoto",
    "fit_hosted_photos",
    "fit_photos",
    "surface_in_host",
    "unchanged_photo",
]

Floats = NDArray[np.floating[Any]]

#: Control points that fix a photo on its own.
FEWEST_CONTROL = 4
#: Precision of a picked point where the list does not state one (common practice).
PICK_SIGMA_PX = 0.5
#: A round surface whose control misses by more than this share of the picture's diagonal is not what was described.
MAX_MISS_SHARE = 0.01


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class FittedPhoto:
    """One photo and how it sees one surface.

    Parameters
    ----------
    name : str
    path : Path
    view : SurfaceView
    camera : Camera
    lens : str
        given, estimated or none.
    points : ControlPoints
        What it shows of the surface's points.
    used : ndarray of bool, shape (n,)
    residual_m : ndarray, shape (n, 2)
        Place seen minus place given.
    observations : DataFrame
        Rows of the table, in the order of ``points``.
    notes : tuple of str
        Blunders and limits, in sentences.
    joined : bool
        Whether tie points helped to place it.
    """

    name: str
    path: Path
    view: SurfaceView
    camera: Camera
    lens: str
    points: ControlPoints
    used: NDArray[np.bool_]
    residual_m: Floats
    observations: pd.DataFrame
    notes: tuple[str, ...] = ()
    joined: bool = False

    @property
    def is_exact(self) -> bool:
        """Whether the fit meets its control by construction, so that residuals of control say nothing."""
        return isinstance(self.view, PlaneView) and self.view.quality.is_exact

    def pose(self) -> CameraPose | None:
        """Where the camera stood, when the view of a plane tells it."""
        if not isinstance(self.view, PlaneView | WallView):
            return None
        pose = find_pose(self.view, focal_is_known=True if self.joined else None)
        return pose if pose.focal_is_known else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """A photo before its fit."""

    row: Mapping[str, Any]
    path: Path
    camera: Camera | None
    points: ControlPoints
    observations: pd.DataFrame

    @property
    def name(self) -> str:
        return str(self.row["id"])

    @property
    def control_n(self) -> int:
        return int(self.points.is_control.sum())


def fit_photos(
    project: Project, surface: str, tables: Mapping[str, Any]
) -> tuple[list[FittedPhoto], list[str]]:
    """Every photo that shows the surface: its own photos, and others in which four of its control points were picked.

    A photo of the surface with fewer control points is joined to the others by tie points.

    Parameters
    ----------
    project : Project
    surface : str
    tables : mapping of str to DataFrame
        ``photos, control_points, observations, surfaces``.

    Returns
    -------
    list of FittedPhoto, list of str
        The photos, and a sentence for each that was left out.

    Raises
    ------
    GeometryError
        No photo of the surface fits.
    FileError, InputError
        A photo is missing, or was replaced since it was added.
    """
    row = tables["surfaces"].set_index("id").loc[surface]
    seen = _photos_of(project, surface, tables)
    fitted: dict[str, FittedPhoto] = {}
    loose: list[_Seen] = []
    faults: dict[str, FacademapError] = {}
    for photo in seen:
        if photo.control_n < FEWEST_CONTROL:
            loose.append(photo)
            faults[photo.name] = GeometryError(
                f"{photo.name}: shows {photo.control_n} control points of {surface}, four are needed",
                "Pick more control points in it, or take the photo out of the project.",
            )
            continue
        try:
            fitted[photo.name] = (
                _fit_round(photo, row) if row["kind"] == "cylinder" else _fit_plane(photo)
            )
        except GeometryError as error:
            faults[photo.name] = error
    enough = len({n for p in seen for n in p.points.control.name}) >= FEWEST_CONTROL
    if loose and enough and row["kind"] == "plane":
        good = [p for p in seen if p.name in fitted or p in loose]
        for name, found in _join(good, faults).items():
            fitted[name] = found
            faults.pop(name, None)
    if not fitted:
        raise next(iter(faults.values()))
    notes = [f"photo {name} is left out: {error.problem}" for name, error in faults.items()]
    return [fitted[p.name] for p in seen if p.name in fitted], notes


def _photos_of(
    project: Project, surface: str, tables: Mapping[str, Any], *, fewest: int = FEWEST_CONTROL
) -> list[_Seen]:
    """Photos of the surface, and others in which ``fewest`` of its control points were picked."""
    points = tables["control_points"].set_index("id")
    result = []
    for photo in tables["photos"].to_dict("records"):
        observed = tables["observations"][tables["observations"]["photo"] == photo["id"]]
        observed = observed[
            [
                p in points.index and points.at[p, "surface"] == surface
                for p in observed["control_point"]
            ]
        ].copy()
        control = ControlPoints.from_points(
            [_point(points.loc[o.control_point], o) for o in observed.itertuples()]
        )
        if photo["surface"] != surface and int(control.is_control.sum()) < fewest:
            continue
        path = unchanged_photo(project, photo)
        result.append(
            _Seen(
                row=photo,
                path=path,
                points=control,
                observations=observed,
                camera=None if is_missing(photo["camera"]) else camera_from_dict(photo["camera"]),
            )
        )
    return result


def _fit_plane(photo: _Seen) -> FittedPhoto:
    view = fit_plane_view(
        photo.points,
        width_px=photo.row["width_px"],
        height_px=photo.row["height_px"],
        camera=photo.camera,
    )
    notes = (*(b.sentence() for b in view.blunders), *view.flags)
    return FittedPhoto(
        name=photo.name,
        path=photo.path,
        view=view,
        camera=view.camera,
        lens=view.lens,
        points=view.points,
        used=view.used,
        residual_m=view.residual_m,
        observations=photo.observations,
        notes=notes,
    )


def _fit_round(photo: _Seen, surface: pd.Series) -> FittedPhoto:
    if photo.camera is None:
        raise GeometryError(
            f"{photo.name}: shows a round surface and has no camera file",
            "Add the photo with --camera: a curved surface and a lens cannot be told apart.",
        )
    if is_missing(surface["radius_m"]):
        raise InputError(
            f"surface {surface.name}: is a cylinder without a radius",
            "Give radius_m (negative: seen from within).",
        )
    radius, concave = abs(float(surface["radius_m"])), float(surface["radius_m"]) < 0
    shape = CylinderSurface(
        radius_m=radius, axis_w_m=radius if concave else -radius, concave=concave
    )
    view = fit_cylinder_view(
        photo.points.control.wall_m, photo.points.control.pixel_px, photo.camera, shape
    )
    if view.rmse_px > MAX_MISS_SHARE * math.hypot(photo.camera.width_px, photo.camera.height_px):
        raise GeometryError(
            f"{photo.name}: its control misses a cylinder of {radius:g} m radius by {view.rmse_px:.0f} px",
            "Check the radius, the arcs and the camera file.",
        )
    return _posed(
        photo.name,
        photo.path,
        view,
        photo.points,
        photo.observations,
        lens="given",
        used=photo.points.is_control,
    )


def _posed(
    name: str,
    path: Path,
    view: PosedView,
    points: ControlPoints,
    observations: pd.DataFrame,
    *,
    lens: str,
    used: NDArray[np.bool_],
) -> FittedPhoto:
    return FittedPhoto(
        name=name,
        path=path,
        view=view,
        camera=view.camera,
        lens=lens,
        points=points,
        used=used,
        residual_m=view.residual_on_surface_m(points.wall_m, points.pixel_px),
        observations=observations,
    )


def _join(photos: Sequence[_Seen], faults: dict[str, FacademapError]) -> dict[str, FittedPhoto]:
    """All photos of a plane adjusted together over their tie points; those that do not fit say why in ``faults``."""
    known = all(p.camera is not None for p in photos)
    cameras = [p.camera or nominal_camera(p.row["width_px"], p.row["height_px"]) for p in photos]
    points = [
        MosaicPoint(
            photo=i,
            name=p.points.name[k],
            pixel_px=_pair(p.points.pixel_px[k]),
            wall_m=_pair(p.points.wall_m[k]),
            is_control=bool(p.points.is_control[k]),
            sigma_px=float(p.points.sigma_px[k]),
            sigma_m=float(p.points.sigma_m[k]),
        )
        for i, p in enumerate(photos)
        for k in range(len(p.points))
    ]
    graph = join_reduced(
        lambda i: grey_picture(read_picture(photos[i].path)[0]), cameras, known_lens=known
    )
    try:
        adjusted = fit_mosaic_views(graph, points, known_focal=known)
    except GeometryError as error:
        for p in photos:
            if p.name in faults:
                faults[p.name] = GeometryError(
                    f"{faults[p.name].problem}, and it cannot be joined to the others: {error.problem}",
                    error.remedy,
                )
        return {}
    for number, reason in adjusted.left_out:
        if photos[number].name in faults:
            problem = f"{faults[photos[number].name].problem}, and it cannot be joined to the others: {reason}"
            faults[photos[number].name] = GeometryError(problem, faults[photos[number].name].remedy)
    return {
        photos[i].name: _joined(photos[i], view, adjusted, known=known)
        for i, view in enumerate(adjusted.views)
        if view is not None
    }


def _pair(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _joined(photo: _Seen, view: WallView, adjusted: MosaicViews, *, known: bool) -> FittedPhoto:
    seen = view.wall_from_pixel(*photo.points.pixel_px.T)
    contradicted = np.array([n in adjusted.blunders for n in photo.points.name], dtype=bool)
    own = int(photo.points.is_control.sum())
    notes = [
        f"control point {n} is left out: the others contradict it"
        for n, bad in zip(photo.points.name, contradicted, strict=True)
        if bad
    ]
    if own < FEWEST_CONTROL:
        notes.append(f"placed by tie points, with {own} control points of its own")
    return FittedPhoto(
        name=photo.name,
        path=photo.path,
        view=view,
        camera=view.camera,
        lens="given" if known else "estimated",
        points=photo.points,
        used=photo.points.is_control & ~contradicted,
        residual_m=(seen - photo.points.wall_m).reshape(-1, 2),
        observations=photo.observations,
        notes=tuple(notes),
        joined=True,
    )


def surface_in_host(fold: Mapping[str, Any]) -> PlaneSurface:
    """The plane of a reveal or of a set-back, in the frame of its host.

    Parameters
    ----------
    fold : mapping
        ``reveal`` (left, right, top, bottom) with ``opening`` (u0, v0, u1, v1 on the host), or ``set_back_m``.

    Notes
    -----
    Left and right reveals run up with v, and u counts to the right as one faces them: a left one has u 0 at the
    arris and grows with depth, a right one has its depth at negative u. The head (top) keeps the host's u and has
    its depth at negative v; the sill (bottom) has it at positive v.
    """
    reveal = fold.get("reveal")
    if reveal is None:
        return PlaneSurface.set_back(float(fold["set_back_m"]))
    u0, v0, u1, v1 = (float(x) for x in fold["opening"])
    if reveal in ("left", "right"):
        return PlaneSurface.reveal(u0 if reveal == "left" else u1, faces_right=reveal == "left")
    return PlaneSurface(
        origin_m=(0.0, v1 if reveal == "top" else v0, 0.0),
        up=(0.0, 0.0, 1.0 if reveal == "top" else -1.0),
    )


def fit_hosted_photos(
    project: Project,
    surface: str,
    tables: Mapping[str, Any],
    host: Sequence[FittedPhoto],
    extent: Extent,
) -> tuple[list[FittedPhoto], list[str]]:
    """The host's photos that show a reveal or set-back plane without control of its own.

    Parameters
    ----------
    project : Project
    surface : str
    tables : mapping of str to DataFrame
    host : sequence of FittedPhoto
        Photos of the host; each gives the place of its camera.
    extent : Extent
        Of the surface, in its own frame.

    Returns
    -------
    list of FittedPhoto, list of str
        Empty when no photo shows the surface.
    """
    fold = tables["surfaces"].set_index("id").loc[surface]["fold"]
    plane = surface_in_host(fold)
    opening = fold.get("opening")
    aperture = None if opening is None else tuple(float(x) for x in opening)
    own = {p.name: p for p in _photos_of(project, surface, tables, fewest=0)}
    u, v = np.meshgrid(
        np.linspace(extent.u0_m, extent.u1_m, 17), np.linspace(extent.v0_m, extent.v1_m, 17)
    )
    result, notes = [], []
    for photo in host:
        pose = photo.pose()
        if pose is None:
            notes.append(
                f"photo {photo.name} is left out: its focal length is not known well enough to place the camera"
            )
            continue
        camera = (
            photo.camera
            if photo.lens == "given"
            else camera_with_focal(photo.camera, pose.focal_px)
        )
        view = PosedView(camera=camera, pose=pose, surface=plane, aperture=aperture)  # type: ignore[arg-type]
        pixel = view.pixel_from_wall(u, v)
        with np.errstate(invalid="ignore"):
            shown = ((pixel > 0) & (pixel < np.array([camera.width_px, camera.height_px]) - 1)).all(
                axis=-1
            )
        if not shown.any():
            continue
        mine = own.get(photo.name)
        points = mine.points if mine else ControlPoints.from_points([])
        rows = mine.observations if mine else photo.observations.iloc[:0]
        result.append(
            _posed(
                photo.name,
                photo.path,
                view,
                points,
                rows,
                lens=photo.lens,
                used=np.zeros(len(points), dtype=bool),
            )
        )
    return result, notes


def _point(point: pd.Series, seen: Any) -> ControlPoint:
    sigma_m = 0.0 if is_missing(point["sigma_m"]) else float(point["sigma_m"])
    return ControlPoint(
        name=str(point["name"]),
        u_m=float(point["u_m"]),
        v_m=float(point["v_m"]),
        x_px=seen.x_px,
        y_px=seen.y_px,
        role=point["role"],
        sigma_px=PICK_SIGMA_PX,
        sigma_m=sigma_m,
    )


def unchanged_photo(project: Project, photo: Mapping[Any, Any]) -> Path:
    """File of a photo of the project, as it was when it was added.

    Parameters
    ----------
    project : Project
    photo : mapping
        Its row: ``path`` and ``sha256``.

    Raises
    ------
    FileError, InputError
        It is missing, or its content has changed.
    """
    path = project.place(photo["path"])
    if not path.is_file():
        raise FileError(
            f"{photo['path']}: the photo is missing from the project", "Put the file back."
        )
    if hash_file(path) != photo["sha256"]:
        raise InputError(
            f"{photo['path']}: was replaced since it was added (its content has changed)",
            "Put the original back, or add the new picture under another name and measure it again.",
        )
    return path
