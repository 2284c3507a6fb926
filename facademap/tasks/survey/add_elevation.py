"""Take a rectified picture from elsewhere into a project: a bought orthoimage, a straightened photo, a drawing's underlay."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.orthoimages import Orthoimage, open_orthoimage, strips
from facademap.io.pictures import hash_file
from facademap.io.rasters import write_elevation
from facademap.io.whole_files import as_before_on_failure, make_folder
from facademap.photo.accuracy import (
    Differences,
    describe_differences,
    few_checks_warning,
    proof_values,
)
from facademap.photo.control import ControlPoints
from facademap.photo.orientation import UPRIGHT
from facademap.photo.picture_place import (
    PicturePlace,
    place_by_length,
    place_by_points,
    place_stated,
)
from facademap.photo.proof import LEAST_ROUND, prove, prove_extent
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.compare_pictures import compare_with_earlier
from facademap.tasks.survey.control_table import PhotoControl, control_in_photo
from facademap.tasks.survey.off_picture import off_in_words, outlines_off
from facademap.tasks.survey.understand_shapes import place_of_surface
from facademap.units import LENGTH_UNITS_M
from facademap.wall.frame import WorldPlacement
from facademap.wall.grid import Extent, PixelGrid

__all__ = [
    "NOT_STATED",
    "add_elevation",
    "refuse_replacing",
    "store_elevation",
]

NOT_STATED = "accuracy not stated: no check points; sizes taken from this picture are not proved to any scale"
#: Coordinates of a projected system lie far beyond any wall's own.
_WALL_AT_MOST_M = 2_000.0


def add_elevation(
    folder: str | Path,
    path: str | Path,
    *,
    surface: str | None = None,
    known_length_m: float | None = None,
    between_px: tuple[float, float, float, float] | None = None,
    points: str | Path | None = None,
    unit: str | None = None,
    replace: bool = False,
    who: str = "surveyor",
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Make a rectified picture the elevation of a surface.

    Parameters
    ----------
    folder : path
        Project.
    path : path
        GeoTIFF, or TIFF, JPEG, PNG with or without a world file.
    surface : str, optional
        May be left out where the project has one.
    known_length_m, between_px : optional
        A length on the wall and the two pixels x1, y1, x2, y2 between which it was measured.
    points : path, optional
        Control table ``name,x_px,y_px,u_m,v_m,role``: two or more control points place the picture, check points
        state its accuracy.
    unit : str, optional
        Unit of the place that the file states; metres without it.
    replace : bool
        Put it in the place of an elevation that the surface has.

    Returns
    -------
    dict
        The report that is stored with the surface: ``origin``, ``placed_by``, ``accuracy``, ``proved``,
        ``supports_scale``, ``check_rmse_m``, ``gsd_m``, ``extent_m``, ``disagreement``, ``warnings``.

    Raises
    ------
    FileError, InputError, GeometryError
        Nothing is stored.
    """
    path = Path(path)
    with Project.open(folder) as project, open_orthoimage(path) as picture:
        surface = surface_of(project, surface)
        known = _known_points(project, surface, Path(points)) if points else None
        table = known.points if known else None
        refuse_replacing(project, surface, replace)
        place, notes = _place(
            project, picture, surface, known_length_m, between_px, table, unit or "m"
        )
        upright = place.is_upright(picture.width_px, picture.height_px)
        grid = _grid(place, picture, upright)
        notes += [*_fits_the_wall(project, surface, grid.extent), *(known.notes if known else ())]
        report = _report(picture, place, table, grid, notes, upright=upright)

        def windows(wkt: str) -> Any:
            matrix = None if upright else place.matrix
            return strips(picture, grid, place=matrix, wkt=wkt, progress=progress)

        return store_elevation(project, surface, path, grid, windows, report, who=who)


def store_elevation(
    project: Project,
    surface: str,
    source: Path,
    grid: PixelGrid,
    windows: Callable[[str], Any],
    report: dict[str, Any],
    *,
    who: str,
    digest: str | None = None,
    more: dict[str, Any] | None = None,
    finish: Callable[[], None] = lambda: None,
) -> dict[str, Any]:
    """Write the picture under a name of its own, compare it with the earlier one, and let the surface have it.

    The earlier picture stays, so that the step can be undone.

    Parameters
    ----------
    project, surface, source, grid
    windows : callable
        Windows of the picture for the wall's reference system.
    report : dict
    who : str
    digest : str, optional
        SHA-256 of the source, when it is known.
    more : dict, optional
        Further values of the surface.
    finish : callable
        Called when the picture is written, before the surface has it.
    """
    digest = digest or hash_file(source)
    name = f"elevations/{surface}-{digest[:8]}.tif"
    target = project.place(name)
    make_folder(target.parent)
    row = project.row("surfaces", surface)
    with as_before_on_failure(target, inside=project.folder):
        write_elevation(
            target,
            grid,
            windows(row["frame_wkt"]),
            crs_wkt=row["frame_wkt"],
            tags={
                "FACADEMAP_SURFACE": surface,
                "FACADEMAP_SOURCE": source.name,
                "FACADEMAP_SOURCE_SHA256": digest,
                "FACADEMAP_ORIGIN": report["origin"],
                "FACADEMAP_WARNINGS": report["warnings"],
            },
        )
        finish()
        report |= compare_with_earlier(project, surface, target)
        report["off_picture"] = outlines_off(project, surface, grid.extent)
        report["warnings"] += off_in_words(report["off_picture"])
        report |= {
            "source": source.name,
            "source_sha256": digest,
            "picture_sha256": hash_file(target),
        }
        with gated_edit(
            project, who=who, what=f"elevation of {surface} from {source.name}"
        ) as edit:
            edit.update(
                "surfaces",
                surface,
                {
                    "picture": name,
                    "gsd_m": grid.gsd_m,
                    "control_rmse_m": report["control_rmse_m"],
                    "control_n": report["control_n"],
                    "check_rmse_m": report["check_rmse_m"],
                    "check_n": report["check_n"],
                    "colour_state": "uncalibrated",
                    "report": report,
                    **(more or {}),
                },
            )
    return report


def _known_points(project: Project, surface: str, path: Path) -> PhotoControl:
    """Points of a picture, carried to the wall by the place that the surface has in the world."""
    world = project.row("surfaces", surface)["world"]
    if not is_missing(world):
        placed = WorldPlacement(
            matrix=np.asarray(world["matrix"], dtype=float),
            residual_m=np.zeros((0, 3)),
            out_of_plane_m=np.zeros(0),
            used=np.zeros(0, dtype=bool),
            rmse_m=math.nan,
        )
        return control_in_photo(path, placement=placed)
    found = control_in_photo(path)
    if found.placement is not None:
        raise InputError(
            f"{path.name} gives places in the world, and surface {surface} has none there yet",
            "Place the wall first with facademap add-control, or give u_m and v_m.",
        )
    return found


def refuse_replacing(project: Project, surface: str, replace: bool) -> None:
    """An elevation that is there is replaced only when this was said."""
    picture = project.row("surfaces", surface)["picture"]
    if not is_missing(picture) and not replace:
        raise InputError(
            f"surface {surface} has an elevation ({picture})",
            "Say --replace to put this one in its place; the earlier file stays.",
        )


def _place(
    project: Project,
    picture: Orthoimage,
    surface: str,
    known_length_m: float | None,
    between_px: tuple[float, float, float, float] | None,
    table: ControlPoints | None,
    unit: str,
) -> tuple[PicturePlace, list[str]]:
    """Points before a length before what the file says; contradictions are noted."""
    name = picture.path.name
    notes: list[str] = []
    if (known_length_m is None) != (between_px is None):
        raise InputError(
            "a known length without its two places, or places without a length",
            "Give --known-length M --between x1,y1,x2,y2.",
        )
    if table is not None:
        _refuse_outside(table, picture)
    control = int(table.is_control.sum()) if table is not None else 0
    if control == 1:
        raise InputError(
            "one control point does not place a picture",
            "Give two or more, or make it a check point.",
        )
    if table is not None and control >= 2:
        place = place_by_points(table.control.pixel_px, table.control.wall_m)
        place_stated(place.matrix, unit_m=1.0, name=name, source="")  # not mirrored, a usual size
        if control == 2:
            notes.append("placed by two points: exact by construction, not proved; add a point")
        return place, notes
    if known_length_m is not None and between_px is not None:
        _refuse_unplaced(project, surface)
        x1, y1, x2, y2 = between_px
        size = (picture.width_px, picture.height_px)
        for x, y in ((x1, y1), (x2, y2)):
            if not (-0.5 <= x <= size[0] - 0.5 and -0.5 <= y <= size[1] - 0.5):
                raise InputError(
                    f"--between: ({x:g}, {y:g}) lies outside the picture of {size[0]} x {size[1]} px",
                    "Give pixels of the picture, 0, 0 at its upper left.",
                )
        notes.append(
            "scaled by one length: level, upright and true shape are taken from the picture, not proved"
        )
        place = place_by_length(
            (x1, y1), (x2, y2), length_m=known_length_m, height_px=picture.height_px
        )
        return place_stated(place.matrix, unit_m=1.0, name=name, source=place.source), notes
    if picture.place is None:
        raise InputError(
            f"{name} does not say where it lies on the wall",
            "Give --known-length M --between x1,y1,x2,y2, or --points with two known points, or a world file beside it.",
        )
    unit_m, more = _stated_unit(picture, unit)
    if picture.turn.orientation != UPRIGHT:
        notes.append(
            f"{name} is turned by EXIF: its place was read for the picture as every program shows it"
        )
    source = "its own place" if picture.crs else "its world file"
    return place_stated(picture.place, unit_m=unit_m, name=name, source=source), [*notes, *more]


def _stated_unit(picture: Orthoimage, unit: str) -> tuple[float, list[str]]:
    """Metres of a unit of the stated place; systems of the world are no place on a wall."""
    crs = picture.crs
    if crs is None:
        return LENGTH_UNITS_M[unit], []
    code = crs.to_epsg()
    named = f"EPSG:{code}" if code else "a geographic or projected system"
    if crs.is_geographic:
        raise InputError(
            f"{picture.path.name} is in degrees ({named}): a map, no elevation",
            "Export it in metres of the wall, or place it with --points.",
        )
    assert picture.place is not None
    if not crs.is_projected:
        factor = float(crs.linear_units_factor[1]) if crs.linear_units != "unknown" else 1.0
        return (LENGTH_UNITS_M[unit] if unit != "m" else factor), []
    corner = picture.place @ np.array([picture.width_px, picture.height_px, 1.0])
    if max(*np.abs(picture.place[:, 2]), *np.abs(corner)) > _WALL_AT_MOST_M:
        raise InputError(
            f"{picture.path.name} lies in {named} by its plan coordinates: a map seen from above, no elevation",
            "Export the elevation in metres of the wall, or place it with --points.",
        )
    return LENGTH_UNITS_M[unit], [
        f"the file names {named}, but its coordinates are those of a wall; taken as metres of the wall"
    ]


def _refuse_outside(table: ControlPoints, picture: Orthoimage) -> None:
    for name, (x, y) in zip(table.name, table.pixel_px, strict=True):
        if not (-0.5 <= x <= picture.width_px - 0.5 and -0.5 <= y <= picture.height_px - 0.5):
            raise InputError(
                f"point {name} at ({x:g}, {y:g}) lies outside the picture of {picture.width_px} x {picture.height_px} px",
                "Correct its pixel.",
            )


def _refuse_unplaced(project: Project, surface: str) -> None:
    """A length gives a size and no place, which does where nothing lies on the wall yet."""
    for table in ("control_points", "wall_stones", "openings", "conditions"):
        rows = project.read(table)
        if (rows["surface"] == surface).any():
            raise InputError(
                f"surface {surface} has {table.replace('_', ' ')}, and a known length does not say where the picture lies",
                "Give --points with two points whose place on the wall is known.",
            )


def _grid(place: PicturePlace, picture: Orthoimage, upright: bool) -> PixelGrid:
    if upright:
        return PixelGrid(
            left_m=float(place.matrix[0, 2]),
            top_m=float(place.matrix[1, 2]),
            gsd_m=place.gsd_m,
            width_px=picture.width_px,
            height_px=picture.height_px,
        )
    w, h = picture.width_px, picture.height_px
    corners = np.array([(0, 0, 1), (w, 0, 1), (w, h, 1), (0, h, 1)]) @ place.matrix.T
    return PixelGrid.over(Extent.around(corners), gsd_m=place.gsd_m)


def _fits_the_wall(project: Project, surface: str, extent: Extent) -> list[str]:
    """A picture far from all that is known of the wall is in another frame."""
    known = place_of_surface(project, surface).extent
    if known is None:
        return []
    apart = (
        extent.u1_m < known.u0_m
        or known.u1_m < extent.u0_m
        or extent.v1_m < known.v0_m
        or known.v1_m < extent.v0_m
    )
    if apart:
        new, old = extent.as_tuple(), known.as_tuple()
        raise InputError(
            f"the picture would lie at u {new[0]:.2f} to {new[2]:.2f}, v {new[1]:.2f} to {new[3]:.2f} m, and surface {surface} "
            f"at u {old[0]:.2f} to {old[2]:.2f}, v {old[1]:.2f} to {old[3]:.2f} m",
            "Place it with --points in the frame of the surface.",
        )
    return []


def _report(
    picture: Orthoimage,
    place: PicturePlace,
    table: ControlPoints | None,
    grid: PixelGrid,
    notes: list[str],
    *,
    upright: bool,
) -> dict[str, Any]:
    """What is known of the picture, and only what check points show of its accuracy."""
    origin = _origin(picture)
    check: Differences | None = None
    found: NDArray[Any] = np.zeros((0, 2))
    sigma_m: NDArray[Any] = np.zeros(0)
    if table is not None and (~table.is_control).any():
        sigma_m = table.check.sigma_m
        found = place.wall_from_pixel(table.check.pixel_px) - table.check.wall_m
        check = describe_differences(found)
    control = describe_differences(place.residual_m) if place.residual_m is not None else None
    proof = prove(
        check_m=found,
        check_sigma_m=sigma_m,
        check_at_m=table.check.wall_m if table is not None else np.zeros((0, 2)),
        left_out_m=np.zeros((0, 2)),
        control_at_m=table.control.wall_m if table is not None else np.zeros((0, 2)),
        extent_m=grid.extent.as_tuple(),
        otherwise=NOT_STATED,
    )
    if table is not None and len(table.control) >= LEAST_ROUND:
        proof = prove_extent(proof, table.wall_m, grid.extent.as_tuple())
    few = few_checks_warning(check.n) if check is not None else None
    inherited = json.loads(picture.tags.get("FACADEMAP_WARNINGS", "[]"))
    warnings = [*notes, *([few] if few else []), *inherited]
    if not proof.proved:
        warnings.append(proof.reason)
    if not upright:
        warnings.append("resampled once, since its pixels do not lie square on the wall")
    return {
        "origin": origin,
        "placed_by": place.source,
        "accuracy": f"RMSE {check.rmse_radial_m * 1000:.1f} mm at {check.n} check points"
        if check
        else "not stated",
        **proof_values(proof, grid.gsd_m),
        "control_rmse_m": None if control is None else control.rmse_radial_m,
        "control_n": 0 if table is None else int(table.is_control.sum()),
        "check_rmse_m": None if check is None else check.rmse_radial_m,
        "check_n": 0 if check is None else check.n,
        "photos": [],
        "gsd_m": grid.gsd_m,
        "extent_m": list(grid.extent.as_tuple()),
        "width_px": grid.width_px,
        "height_px": grid.height_px,
        "warnings": warnings,
        "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
    }


def _origin(picture: Orthoimage) -> str:
    """Our own pictures say how they were made; all others come from elsewhere."""
    control = picture.tags.get("FACADEMAP_CONTROL", "")
    if "vanishing" in control:
        return "photo straightened by its joints and one distance, without control"
    if "FACADEMAP_PHOTO" in picture.tags or "FACADEMAP_PHOTOS" in picture.tags:
        return "photo rectified by facademap outside a project"
    return "rectified picture from elsewhere"
