"""Bring shapes of any office to metres of a wall: pixels, feet, millimetres, a projected system, degrees.

What the file states counts, and what the user states counts more. Where nothing is stated metres are taken, if the shapes
then lie on the wall and have the sizes of stones; else the intake stops and says what would fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from facademap.errors import FacademapError, InputError
from facademap.io.pictures import read_picture_info
from facademap.io.rasters import open_elevation
from facademap.io.vectors import ShapeFile
from facademap.photo.mosaic_views import WallView
from facademap.photo.plane import PlaneView
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.units import LENGTH_UNITS_M
from facademap.values import frozen_value
from facademap.wall.grid import Extent, PixelGrid

__all__ = ["SurfacePlace", "place_of_surface", "plausible_units", "shapes_on_wall"]

Floats = NDArray[np.floating[Any]]

#: Middle half of the sizes that stones, openings and conditions have, m2 (common practice, generous).
USUAL_AREA_M2 = {"wall_stones": (0.002, 4.0), "openings": (0.01, 60.0), "conditions": (1e-4, 200.0)}
#: Shapes that lie further out of the wall than this belong to another surface.
MOST_OUT_OF_PLANE_M = 1.0
#: Share of the shapes that must touch the picture.
FEWEST_ON_PICTURE = 0.5


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class SurfacePlace:
    """What is known of where a surface is.

    Parameters
    ----------
    surface : str
    extent : Extent or None
        Its picture, else its outline, else its control.
    grid : PixelGrid or None
        Of its picture.
    picture : str or None
        File name of its picture.
    world : ndarray, shape (3, 4), or None
        Wall to world.
    epsg : int or None
    """

    surface: str
    extent: Extent | None
    grid: PixelGrid | None
    picture: str | None
    world: Floats | None
    epsg: int | None


def place_of_surface(project: Project, surface: str) -> SurfacePlace:
    """Picture, extent and place in the world of a surface of the project."""
    row = project.row("surfaces", surface)
    grid = extent = picture = None
    if not is_missing(row["picture"]):
        picture = Path(str(row["picture"])).name
        path = project.place(str(row["picture"]))
        if path.is_file():
            with open_elevation(path) as elevation:
                grid, extent = elevation.grid, elevation.grid.extent
    outline = row["geometry"]
    if extent is None and outline is not None and not outline.is_empty:
        u0, v0, u1, v1 = outline.bounds
        extent = Extent(u0_m=u0, v0_m=v0, u1_m=u1, v1_m=v1)
    if extent is None:
        points = project.read("control_points")
        places = points[points["surface"] == surface][["u_m", "v_m"]].dropna().to_numpy(dtype=float)
        if len(places) > 1 and np.ptp(places, axis=0).min() > 0:
            extent = Extent.around(places).grown(0.1)
    world = None if is_missing(row["world"]) else row["world"]
    epsg = None if world is None or not world.get("epsg") else int(world["epsg"])
    return SurfacePlace(
        surface=surface,
        extent=extent,
        grid=grid,
        picture=picture,
        world=None if world is None else np.asarray(world["matrix"], dtype=float),
        epsg=epsg,
    )


def shapes_on_wall(
    project: Project, file: ShapeFile, place: SurfacePlace, *, unit: str | None, source: str
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """The shapes in metres of the wall, and what was done to them.

    Raises
    ------
    InputError
        They cannot be brought to the wall.
    """
    stated = unit or file.unit
    if unit is None and file.world:
        return _from_world(file.frame, None, place, source)
    if unit is None and file.crs is not None and not _is_local(file.crs):
        return _from_world(file.frame, file.crs, place, source)
    if stated == "px":
        return _from_pixels(project, file, place, source, copied=unit == "px")
    factor = LENGTH_UNITS_M[stated] if stated else _crs_unit(file.crs)
    notes = [f"read in {stated}"] if stated not in (None, "m") else []
    return _moved(file.frame, lambda xyz: xyz[:, :2] * factor), notes


def _is_local(crs: CRS) -> bool:
    return bool(crs.is_engineering) or not (crs.is_projected or crs.is_geographic or crs.is_bound)


def _crs_unit(crs: CRS | None) -> float:
    if crs is None or not crs.axis_info:
        return 1.0
    return float(crs.axis_info[0].unit_conversion_factor or 1.0)


def _moved(frame: gpd.GeoDataFrame, change: Callable[[Floats], Floats]) -> gpd.GeoDataFrame:
    """A frame of plane shapes whose corners were changed, shape (n, 2) from (n, 3)."""
    shapes = frame.geometry.to_numpy()
    corners = np.nan_to_num(shapely.get_coordinates(shapes, include_z=True), nan=0.0)
    flat = shapely.force_2d(shapes.copy())
    return frame.set_geometry(
        gpd.GeoSeries(shapely.set_coordinates(flat, change(corners)), index=frame.index)
    )


def _from_world(
    frame: gpd.GeoDataFrame, crs: CRS | None, place: SurfacePlace, source: str
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """East, north and height to the wall; degrees go through the project's projected system."""
    named = _crs_name(crs)
    local = f"or say --unit m if the coordinates are metres of the wall {place.surface}"
    if place.world is None:
        raise InputError(
            f"{source}: is in {named}, and the place of surface {place.surface} in the world is not known",
            f"Give survey points in the world with facademap add-control, {local}.",
        )
    if crs is not None and place.epsg is None:
        raise InputError(
            f"{source}: is in {named}, and the survey of surface {place.surface} names no EPSG code",
            f"Give facademap add-control --epsg, {local}.",
        )
    if not shapely.has_z(frame.geometry.to_numpy()).all():
        raise InputError(
            f"{source}: is in {named} without heights, in which a wall is only a line",
            f"Export it with heights, {local}.",
        )
    matrix = place.world
    change = None
    if crs is not None and place.epsg is not None:
        change = Transformer.from_crs(crs.to_2d(), CRS.from_epsg(place.epsg), always_xy=True)
    out_of_plane: list[Floats] = []

    def to_wall(corners: Floats) -> Floats:
        enh = corners.copy()
        if change is not None:
            try:
                enh[:, 0], enh[:, 1] = change.transform(corners[:, 0], corners[:, 1], errcheck=True)
            except ProjError as error:
                raise InputError(
                    f"{source}: its coordinates cannot be converted ({error})",
                    "Check the reference system of the file.",
                ) from None
        uvw = (enh - matrix[:, 3]) @ matrix[:, :3]
        out_of_plane.append(uvw[:, 2])
        return np.asarray(uvw[:, :2])

    moved = _moved(frame, to_wall)
    out = float(np.median(np.abs(out_of_plane[0])))
    if out > MOST_OUT_OF_PLANE_M:
        raise InputError(
            f"{source}: in {named} its shapes lie {out:.1f} m out of surface {place.surface}",
            "Name the surface they belong to, or check the reference system of file and survey.",
        )
    worst = float(np.abs(out_of_plane[0]).max())
    return moved, [f"converted from {named}; up to {worst * 1000:.0f} mm out of the wall"]


def _crs_name(crs: CRS | None) -> str:
    if crs is None:
        return "east, north, height"
    code = crs.to_epsg()
    kind = "degrees, " if crs.is_geographic else ""
    return f"{kind}{f'EPSG:{code}' if code else crs.name}"


def _from_pixels(
    project: Project, file: ShapeFile, place: SurfacePlace, source: str, *, copied: bool
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Pixels of the rectified picture, or of a photo of the project, to the wall."""
    # a copy of the surface's picture has another name: what the user says counts more than that
    if file.picture is not None and file.picture != place.picture and not copied:
        return _from_photo(project, file, place, source)
    grid = place.grid
    if grid is None:
        raise InputError(
            f"{source}: is in pixels, and surface {place.surface} has no picture",
            "Make its elevation first, or give the outlines in metres.",
        )
    # a picture without a place lies below zero in a GIS, its first row at the top
    y = shapely.get_coordinates(file.frame.geometry.to_numpy())[:, 1]
    down = -1.0 if y.size and y.max() <= 0 and y.min() < -1 else 1.0
    moved = _moved(file.frame, lambda c: grid.wall_from_pixel(c[:, 0], down * c[:, 1]))
    return moved, [f"read in pixels of the picture of {place.surface}"]


def _from_photo(
    project: Project, file: ShapeFile, place: SurfacePlace, source: str
) -> tuple[gpd.GeoDataFrame, list[str]]:
    from facademap.tasks.survey.elevation_views import fit_photos

    photos = project.read("photos")
    if file.picture not in set(photos["id"]):
        raise InputError(
            f"{source}: is in pixels of {file.picture}, which is neither the picture of {place.surface} nor a photo of the project",
            f"Add the photo, or say --unit px if it is a copy of the picture of {place.surface}.",
        )
    names = ("photos", "control_points", "observations", "surfaces")
    try:
        fitted, _ = fit_photos(project, place.surface, {n: project.read(n) for n in names})
    except FacademapError as error:
        raise InputError(f"{source}: {error.problem}", error.remedy) from None
    found = next((f for f in fitted if f.name == file.picture), None)
    view = None if found is None else found.view
    if found is None or not isinstance(view, PlaneView | WallView):
        raise InputError(
            f"{source}: photo {file.picture} is not placed on surface {place.surface}",
            "Pick control in it with facademap add-control --observations.",
        )
    info = read_picture_info(found.path)
    moved = _moved(file.frame, lambda c: view.wall_from_pixel(c[:, 0], c[:, 1]))
    if not np.isfinite(shapely.get_coordinates(moved.geometry.to_numpy())).all():
        raise InputError(
            f"{source}: an outline of {file.picture} does not lie on the wall", "Remove it."
        )
    return moved, [
        f"read in pixels of photo {found.name} ({info.width_px} x {info.height_px} px), placed by its control"
    ]


def plausible_units(
    frame: gpd.GeoDataFrame, place: SurfacePlace, *, kind: str
) -> list[tuple[str, float, float]]:
    """Units other than metres in which the shapes would lie on the wall and have usual sizes.

    Returns
    -------
    list of (unit, share on the picture, median area m2)
    """
    found = []
    corners = shapely.get_coordinates(shapely.force_2d(frame.geometry.to_numpy()))
    for unit in ("px", "mm", "cm", "in", "ft"):
        if unit == "px":
            if place.grid is None:
                continue
            grid = place.grid
            y = -corners[:, 1] if corners[:, 1].max() <= 0 else corners[:, 1]
            low, high = (-1.0, -1.0), (grid.width_px + 1.0, grid.height_px + 1.0)
            inside = ((np.c_[corners[:, 0], y] >= low) & (np.c_[corners[:, 0], y] <= high)).all(
                axis=1
            )
            factor, share = grid.gsd_m, float(inside.mean())
        else:
            factor = LENGTH_UNITS_M[unit]
            share = on_extent(frame.geometry.to_numpy(), place.extent, factor=factor)
        area = _median_area(frame) * factor**2
        low_m2, high_m2 = USUAL_AREA_M2[kind]
        if share >= 0.95 and (area == 0 or low_m2 <= area <= high_m2):
            found.append((unit, share, area))
    return found


def on_extent(shapes: Any, extent: Extent | None, *, factor: float = 1.0) -> float:
    """Share of the shapes that touch the extent; 1 where none is known."""
    if extent is None or not len(shapes):
        return 1.0
    box = shapely.box(*(np.array(extent.as_tuple()) / factor))
    return float(np.mean(shapely.intersects(shapely.force_2d(shapes), box)))


def _median_area(frame: gpd.GeoDataFrame) -> float:
    areas = shapely.area(frame.geometry.to_numpy())
    areas = areas[areas > 0]
    return float(np.median(areas)) if len(areas) else 0.0
