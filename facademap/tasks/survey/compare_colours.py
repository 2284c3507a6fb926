"""Pictures of two surveys laid on one grid, and what the colour of every paired condition did between them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.condition.survey_pairs import Paired
from facademap.errors import FacademapError
from facademap.io.rasters import Elevation, open_elevation
from facademap.photo.colour_change import ColourChange, PatchOfWall, TwoPictures, colours_of_patches
from facademap.photo.picture_shift import measure_shift
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.change import cells_inside
from facademap.tasks.survey.compare_pictures import common_grid, laid_on
from facademap.tasks.survey.kept_reliefs import KeptRelief
from facademap.wall.grid import Extent, PixelGrid

__all__ = ["SurveyPicture", "colours_of_pairs", "picture_of_survey"]

#: Both pictures are compared at no more pixels than this, and no finer than this.
_MOST_PX, _FINEST_M = 8_000_000, 0.002
#: Pictures that lie further apart show other stone within one outline.
_MOST_APART_M = 0.010
#: Joints are no face of stone.
_JOINT_M = 0.006
#: What lies on the face and has no depth that throws a shadow: families of deposits and growth.
_FLAT_FAMILIES = frozenset({"D", "E"})
_SIDES = ("u0_m", "v0_m", "u1_m", "v1_m")
_DEEP_UNLESS_KNOWN_M = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyPicture:
    """The rectified picture of one survey.

    Parameters
    ----------
    path : Path
    said : str
        What it is.
    """

    path: Path
    said: str


def picture_of_survey(
    project: Project,
    surface: Mapping[str, Any],
    survey: str,
    kept: KeptRelief | None,
    *,
    given: Path | None,
    latest: bool,
) -> SurveyPicture | None:
    """The picture that shows the wall as a survey saw it; None where nothing tells of one.

    Parameters
    ----------
    project : Project
    surface : mapping
        Row of the table of surfaces.
    survey : str
    kept : KeptRelief, optional
        Its relief: a true elevation beside it was made from the same photos.
    given : Path, optional
        What a person says is its picture.
    latest : bool
        Whether it is the newest survey of the surface: the elevation in use is then taken for its picture.
    """
    if given is not None:
        return SurveyPicture(path=given, said=given.name)
    true = kept.told.get("true_elevation") if kept else None
    if isinstance(true, Mapping) and project.place(str(true["path"])).is_file():
        return SurveyPicture(
            path=project.place(str(true["path"])), said=f"the true elevation of survey {survey}"
        )
    if latest and not is_missing(surface["picture"]):
        path = project.place(str(surface["picture"]))
        if path.is_file():
            return SurveyPicture(path=path, said=f"the elevation in use, for survey {survey}")
    return None


def colours_of_pairs(
    old: SurveyPicture | None,
    new: SurveyPicture | None,
    pairs: Sequence[Paired],
    rows: Mapping[str, Mapping[str, Any]],
    *,
    stones: Iterable[Any],
    openings: Iterable[Any],
    repairs: Iterable[Any],
    warnings: list[str],
) -> list[ColourChange]:
    """Change of colour within every pair, or why none is known.

    Parameters
    ----------
    old, new : SurveyPicture or None
    pairs : sequence of Paired
    rows : mapping of str to mapping
        Conditions of the surface, of every survey, by id.
    stones, openings, repairs : iterable of geometries
        Of the surface. Where stones are drawn, their faces alone are the reference.
    warnings : list of str
        Grows.
    """
    if old is None or new is None:
        which = "no survey" if old is None and new is None else "one of the surveys"
        said = f"{which} keeps a picture" if old is None and new is None else f"{which} keeps none"
        warnings.append(
            f"colours were not compared: {said}; give rectified pictures of both days, facademap surveys --old-picture and --new-picture"
        )
        return [ColourChange(why="no picture of both surveys")] * len(pairs)
    try:
        with open_elevation(old.path) as one, open_elevation(new.path) as other:
            laid = _on_one_grid(one, other)
    except FacademapError as error:
        warnings.append(f"colours were not compared: {error.problem}; {error.remedy}")
        return [ColourChange(why="the pictures cannot be compared")] * len(pairs)
    if isinstance(laid, str):
        warnings.append(f"colours were not compared: {laid}")
        return [ColourChange(why="the pictures cannot be compared")] * len(pairs)
    grid, first, second, seen, apart_m = laid
    faces = [shapely.buffer(s, -_JOINT_M) for s in stones]
    sound = _cells(faces, grid) if faces else np.ones(seen.shape, bool)
    away = [r["geometry"].buffer(0.008) for r in rows.values()]
    sound &= seen & ~_cells([*away, *openings, *repairs], grid)
    warnings.append(
        f"colours are those of {old.said} and {new.said}, which agree within {apart_m * 1000:.1f} mm; they are told against "
        "the sound stone round each place, as a camera sees them, and hold only where both days found the wall dry"
    )
    pictures = TwoPictures(grid=grid, old=first, new=second, sound=sound, seen=seen)
    areas = [p for p in pairs if p.unit == "m2"]
    patches = (_patch(pair, grid, apart_m, _depth_m(pair, rows)) for pair in areas)
    told = iter(colours_of_patches(pictures, patches))
    return [next(told) if p.unit == "m2" else ColourChange(why="it has no area") for p in pairs]


def _on_one_grid(
    one: Elevation, other: Elevation
) -> tuple[PixelGrid, NDArray[np.uint8], NDArray[np.uint8], NDArray[np.bool_], float] | str:
    """Both pictures on the part that they share, and how far they lie apart; or why they cannot be compared."""
    grid = common_grid(one, other, most_px=_MOST_PX, finest_m=_FINEST_M)
    if grid is None:
        return "the pictures show no part of the wall in common: give two of one wall frame"
    (first, seen_first), (second, seen_second) = (laid_on(p, grid) for p in (one, other))
    seen = seen_first & seen_second
    grey = [cv2.cvtColor(p, cv2.COLOR_RGB2GRAY) for p in (first, second)]
    shift = measure_shift(np.asarray(grey[0]), np.asarray(grey[1]), seen, gsd_m=grid.gsd_m)
    if shift is None:
        return (
            "the pictures share too little texture to prove that they lie on each other: "
            "give pictures that were rectified by the same control"
        )
    apart = math.hypot(shift.du_m, shift.dv_m) + shift.spread_m
    if apart > _MOST_APART_M:
        return (
            f"the pictures lie up to {apart * 1000:.0f} mm apart, so that an outline holds other stone in each: "
            "rectify both by the same control"
        )
    return grid, first, second, seen, apart


def _cells(shapes: Iterable[Any], grid: PixelGrid) -> NDArray[np.bool_]:
    whole = [s for s in shapes if s is not None and not s.is_empty]
    if not whole:
        return np.zeros((grid.height_px, grid.width_px), bool)
    return cells_inside(shapely.GeometryCollection(whole), grid)


def _patch(pair: Paired, grid: PixelGrid, apart_m: float, depth_m: float) -> PatchOfWall:
    """Cells of a pair, without the rim that may lie on other stone in one of the pictures."""
    inner = pair.shape.buffer(-max(0.002, apart_m))
    window = (
        None
        if inner.is_empty
        else grid.window_of(Extent(**dict(zip(_SIDES, inner.bounds, strict=True))))
    )
    if window is None:
        return PatchOfWall(cells=np.zeros((1, 1), bool), top=0, left=0)
    return PatchOfWall(
        cells=cells_inside(inner, grid.crop(window)),
        top=window.row,
        left=window.column,
        depth_m=depth_m,
    )


def _depth_m(pair: Paired, rows: Mapping[str, Mapping[str, Any]]) -> float:
    """The deepest that is recorded or measured; what is not known to be flat counts as deep."""
    known: list[float] = []
    flat = True
    for id in (*pair.old, *pair.new):
        row = rows[id]
        flat &= str(row["family"]) in _FLAT_FAMILIES
        measured = row.get("measured_depth")
        if not is_missing(row["depth_m"]):
            known.append(float(row["depth_m"]))
        if isinstance(measured, Mapping):
            known.append(float(measured.get("mean_m") or 0.0))
    return max(known) if known else 0.0 if flat else _DEEP_UNLESS_KNOWN_M
