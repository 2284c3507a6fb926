"""Use case: photos of one wall and the targets picked in them become a relief with a report."""

from __future__ import annotations

import functools
import json
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.camera_files import camera_as_dict, read_camera_for
from facademap.io.pictures import hash_file, read_picture, read_picture_info
from facademap.io.relief_files import (
    ORIGIN_BAND,
    RELIEF_BANDS,
    control_of_relief,
    open_relief_writer,
    read_relief,
)
from facademap.io.target_files import TargetPick, read_target_picks
from facademap.io.whole_files import check_writable, write_whole
from facademap.limits import hold_within
from facademap.photo.camera import Camera, nominal_camera
from facademap.photo.threads import single_threaded_libraries
from facademap.relief.build import (
    GreyPhoto,
    Place,
    Relief,
    ReliefRules,
    Tile,
    TileJob,
    coarse_relief,
    find_ties,
    relief_strips,
)
from facademap.relief.stations import (
    FEWEST_TARGETS,
    Station,
    StationFit,
    TargetPicks,
    TiePicks,
    depth_sigma_m,
    fit_stations,
    spread_of_sight,
)
from facademap.relief.two_sources import SourcesCompared, two_sources
from facademap.report.relief_picture import relief_png
from facademap.tasks.survey.cluster import cluster_client
from facademap.tasks.survey.stable_stone import check_on_earlier, picks_on_earlier
from facademap.tasks.survey.true_elevation import make_true_elevation
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

__all__ = [
    "ReliefMade",
    "ReliefSolved",
    "Sightings",
    "lay_on_relief",
    "make_relief",
    "read_scan_relief",
    "solve_relief",
    "write_relief",
]

#: The default extent is that of the targets, grown by this share on every side.
EXTENT_GROWTH = 0.02
#: Share of known cells below which the report asks for more photos.
_FEW_KNOWN = 0.6
#: Base over distance below which depth is poor (common practice: 0.3 to 0.6).
_POOR_SPREAD = 0.2
_PICTURES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".bmp", ".jp2", ".heic", ".heif"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefMade:
    """What making a relief returns.

    Parameters
    ----------
    grid : PixelGrid
    report : dict
        Content of the report.
    """

    grid: PixelGrid
    report: dict[str, Any]


def make_relief(
    photos: Path,
    control: Path | None,
    out: Path,
    *,
    cell_m: float,
    earlier: tuple[Path, Path] | None = None,
    camera: Path | None = None,
    extent: Extent | None = None,
    report: Path | None = None,
    preview: Path | None = None,
    elevation: Path | None = None,
    gsd_m: float | None = None,
    search_m: tuple[float, float] | None = None,
    scan: Path | None = None,
    radius_m: float | None = None,
    workers: int = 2,
    cluster: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> ReliefMade:
    """How far a wall stands out of its plane, or of its cylinder, from photos of one camera.

    Parameters
    ----------
    photos : Path
        Folder.
    control : Path, optional
        Targets in the photos: ``photo,name,u_m,v_m,w_m,x_px,y_px,role``.
    out : Path
        GeoTIFF: band 1 metres out of the plane, band 2 standard deviation.
    cell_m : float
        Side of a cell.
    earlier : (Path, Path), optional
        Instead of control: relief and elevation of an earlier survey, on which the photos are laid by stable stone.
    camera : Path, optional
        Camera file of all photos; without it the lens is estimated.
    extent : Extent, optional
        Default: that of the targets, grown by 2 % on every side.
    report : Path, optional
        Where the report goes, as JSON.
    preview : Path, optional
        Where a picture by depth and shade goes, as PNG.
    elevation : Path, optional
        Where the true elevation goes: the photos laid on the relief, as GeoTIFF.
    gsd_m : float, optional
        Side of its pixels; default: half a cell.
    search_m : tuple of float, optional
        Deepest and highest place that is looked for, metres out of the plane.
    scan : Path, optional
        Relief of the same wall from a scan, in the same frame: both are compared and joined.
    radius_m : float, optional
        Of a round surface, negative when seen from within; u is arc.
    workers : int
    cluster : str, optional
        Address of a Dask scheduler whose workers make the tiles.
    progress : callable, optional

    Raises
    ------
    FacademapError
        Anything that cannot be used; no file is written then.
    """
    began = time.monotonic()
    _check_cell(cell_m)
    _check_radius(radius_m, elevation)
    for path in (out, report, preview, elevation):
        check_writable(path)
    warnings: list[str] = []
    before = None if earlier is None else read_scan_relief(earlier[0])
    picks = _picks(photos, control, before, None if earlier is None else earlier[1], warnings)
    if before is not None and extent is None:
        extent = before.grid.extent
    scanned = None if scan is None else read_scan_relief(scan)
    names = _photos_with_targets(photos, picks, warnings)
    sightings = Sightings(
        names=tuple(names),
        paths=tuple(photos / name for name in names),
        picks=tuple(picks),
        lens=_lens(photos, names, camera),
        estimate_lens=camera is None,
        radius_m=radius_m,
        picked=earlier is None,
    )
    warnings += _days_apart(sightings.paths)
    solved = solve_relief(
        sightings,
        cell_m=cell_m,
        extent=extent,
        search_m=search_m,
        scan=scanned,
        warnings=warnings,
        workers=workers,
        cluster=cluster,
        progress=progress,
    )
    relief, values = solved.relief, solved.values
    control_m = None
    if earlier is not None and before is not None:
        values["registered"] = check_on_earlier(before, relief, values, warnings)
        control_m = control_of_relief(earlier[0])
    frame = control or (earlier or (out,))[0]
    crs_wkt = wall_crs(out.stem, f"{out.stem} {hash_file(frame)[:16]}")
    if elevation is not None:
        values["true_elevation"] = lay_on_relief(
            elevation, relief, solved.stations, sightings, gsd_m=gsd_m, crs_wkt=crs_wkt
        )
    values["seconds"] = round(time.monotonic() - began, 2)
    write_relief(out, solved, sightings, crs_wkt=crs_wkt, control_m=control_m)
    if report is not None:
        write_whole(
            report, json.dumps(values, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        )
    if preview is not None:
        write_whole(preview, relief_png(relief, title=f"Relief {out.stem}"))
    return ReliefMade(grid=relief.grid, report=values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sightings:
    """Photos of one camera that show targets of one wall.

    Parameters
    ----------
    names : tuple of str
    paths : tuple of Path
        In the order of ``names``.
    picks : tuple of TargetPick
        Each names its photo.
    lens : Camera
        Given, or the first guess.
    estimate_lens : bool
    radius_m : float, optional
        Of a round surface, negative when seen from within; places of targets and extent are then developed: u is arc.
    picked : bool
        By a person, who is told which picks miss.
    """

    names: tuple[str, ...]
    paths: tuple[Path, ...]
    picks: tuple[TargetPick, ...]
    lens: Camera
    estimate_lens: bool
    radius_m: float | None = None
    picked: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefSolved:
    """A relief with its cameras.

    Parameters
    ----------
    relief : Relief
    values : dict
        What is to be said of it.
    stations : tuple of Station
        In the order of the photos.
    both : SourcesCompared or None
        Where a scan was given.
    """

    relief: Relief
    values: dict[str, Any]
    stations: tuple[Station, ...]
    both: SourcesCompared | None


def read_scan_relief(path: Path) -> Relief:
    """A relief that a scan left.

    Raises
    ------
    FileError, InputError
    """
    grid, out_m, sigma_m = read_relief(path)
    return Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)


def write_relief(
    path: Path,
    solved: ReliefSolved,
    sightings: Sightings,
    *,
    crs_wkt: str,
    control_m: Mapping[str, Sequence[float]] | None = None,
) -> None:
    """A relief as GeoTIFF, with its control points, by which a later survey sees whether the frame is still the same.

    Parameters
    ----------
    path : Path
    solved : ReliefSolved
    sightings : Sightings
    crs_wkt : str
    control_m : mapping of str to (u, v, w), optional
        What the frame rests on; default: the targets.
    """
    relief, both = solved.relief, solved.both
    if control_m is None:
        control_m = {p.name: p.uvw_m for p in sightings.picks if p.role == "control"}
    more = () if both is None else (both.origin,)
    bands = (*RELIEF_BANDS, *(ORIGIN_BAND for _ in more))
    with open_relief_writer(
        path, relief.grid, crs_wkt=crs_wkt, control_m=control_m, bands=bands
    ) as writer:
        writer.write_rows(0, relief.out_m, relief.sigma_m, *more)


def solve_relief(
    sightings: Sightings,
    *,
    cell_m: float,
    extent: Extent | None = None,
    search_m: tuple[float, float] | None = None,
    scan: Relief | None = None,
    warnings: list[str],
    workers: int = 2,
    cluster: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> ReliefSolved:
    """Relief of one wall, what is to be said of it, and its cameras.

    Parameters
    ----------
    sightings : Sightings
    cell_m : float
    extent : Extent, optional
        Default: that of the targets, grown by 2 % on every side.
    search_m : tuple of float, optional
    scan : Relief, optional
        From a scan, in the same frame; the two are joined.
    warnings : list of str
        Is added to.
    workers : int
    cluster : str, optional
        Address of a Dask scheduler whose workers make the tiles.
    progress : callable, optional

    Raises
    ------
    FacademapError
    """
    _check_cell(cell_m)
    targets = _targets(sightings, "control")
    rules = _rules(search_m)
    count, estimate = len(sightings.names), sightings.estimate_lens
    with single_threaded_libraries():
        fit = fit_stations(targets, sightings.lens, photos=count, estimate_lens=estimate)
        if sightings.picked:
            _tell_blunders(fit, targets, sightings.names, warnings)
        greys = _greys(sightings.paths)
        extent = extent or Extent.around(targets.uvw_m[:, :2]).grown(EXTENT_GROWTH)
        grid = PixelGrid.over(extent, gsd_m=cell_m)
        hold_within(
            "megapixels",
            grid.width_px * grid.height_px / 1e6,
            what=f"a relief of {grid.width_px} x {grid.height_px} cells",
            unit=" million",
            remedy="Give larger cells with --cell-mm, or a part with --extent",
        )
        ready = _ready(fit, greys, sightings.radius_m)
        coarse = coarse_relief(ready, grid, rules)
        ties = find_ties(ready, coarse, targets_m=_places(targets))
        if ties is not None:
            fit = fit_stations(
                targets,
                sightings.lens,
                photos=count,
                estimate_lens=estimate,
                ties=ties,
                start=fit.stations,
            )
            ready = _ready(fit, greys, sightings.radius_m)
        else:
            warnings.append(
                "the cameras rest on the targets alone: too few places look alike in several photos"
            )
        datum_m = _datum_sigma(targets, fit, grid, coarse, estimate, ties)
        out_m, sigma_m = (
            np.empty((grid.height_px, grid.width_px), dtype=np.float32) for _ in range(2)
        )
        compared = 0
        for row, out, sigma, count_layers in relief_strips(
            ready,
            grid,
            coarse,
            rules,
            workers=workers,
            elsewhere=None if cluster is None else functools.partial(_on_cluster, cluster),
            progress=progress,
        ):
            rows = slice(row, row + out.shape[0])
            out_m[rows] = out
            sigma_m[rows] = np.hypot(sigma, np.float32(datum_m))
            compared += count_layers
    relief = Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)
    both = None if scan is None else _with_scan(relief, scan, warnings)
    relief = relief if both is None else both.relief
    checks = _targets(sightings, "check")
    stations = tuple(photo.station for photo in ready)
    values = _report(relief, checks, stations, warnings, sightings.names)
    values |= {
        "cameras_sigma_w_m": datum_m,
        "cell_views_layers": int(compared),
        "lens": "estimated" if estimate else "given",
        "camera": camera_as_dict(fit.stations[0].camera),
        "targets_rmse_px": round(fit.rmse_px, 4),
        "ties_rmse_px": None if math.isnan(fit.tie_rmse_px) else round(fit.tie_rmse_px, 4),
        "stations": [
            {"photo": n, "centre_m": [round(float(c), 5) for c in s.centre_m]}
            for n, s in zip(sightings.names, fit.stations, strict=True)
        ],
    }
    if both is not None:
        values["scan"] = both.to_dict()
    return ReliefSolved(relief=relief, values=values, stations=stations, both=both)


def _with_scan(photos: Relief, scan: Relief, warnings: list[str]) -> SourcesCompared:
    both = two_sources(photos, scan)
    if not both.joined:
        warnings.append(
            f"the scan differs from the photos by {both.mean_m * 1000:+.1f} mm as a whole, more than both precisions "
            "explain: the photos were kept alone; lay the scan on the wall anew, by points known in both"
        )
    for place in both.places[:3] if both.joined else ():
        u0, v0, u1, v1 = place["box_m"]
        warnings.append(
            f"photos and scan contradict each other between u {u0:.2f} and {u1:.2f}, v {v0:.2f} and {v1:.2f} m: the scan "
            f"lies {place['mean_m'] * 1000:+.1f} mm out; the photos were kept there, and the doubt is in the standard deviation"
        )
    return both


def _on_cluster(address: str, job: TileJob, places: Sequence[Place]) -> Iterator[Tile]:
    """Tiles made by the workers of a scheduler, in their order; the photos go there once."""
    with cluster_client(address) as client:
        shared = client.scatter(job, broadcast=True)
        futures = [client.submit(TileJob.tile, shared, place, pure=False) for place in places]
        for future in futures:
            yield future.result()
            future.release()


def lay_on_relief(
    path: Path,
    relief: Relief,
    stations: Sequence[Station],
    sightings: Sightings,
    *,
    gsd_m: float | None,
    crs_wkt: str,
) -> dict[str, Any]:
    """The true elevation of a relief from the photos it was measured in; see `make_true_elevation`.

    Parameters
    ----------
    path : Path
    relief : Relief
    stations : sequence of Station
    sightings : Sightings
    gsd_m : float, optional
    crs_wkt : str
    """
    number = {name: k for k, name in enumerate(sightings.names)}
    checks = [
        (number[p.photo], p) for p in sightings.picks if p.role == "check" and p.photo in number
    ]
    return make_true_elevation(
        path, relief, stations, sightings.paths, checks, gsd_m=gsd_m, crs_wkt=crs_wkt
    )


def _check_cell(cell_m: float) -> None:
    if not (math.isfinite(cell_m) and 0 < cell_m < 1):
        raise InputError(
            f"cells of {cell_m * 1000:g} mm cannot be made",
            "Give --cell-mm above 0, such as 3.",
        )


def _check_radius(radius_m: float | None, elevation: Path | None) -> None:
    if radius_m is None:
        return
    if not (math.isfinite(radius_m) and 0.05 <= abs(radius_m) <= 200):
        raise InputError(
            f"a radius of {abs(radius_m) * 1000:g} mm is none of a round wall",
            "Give 50 mm to 200 m.",
        )
    if elevation is not None:
        raise InputError(
            "true elevations are laid on flat walls only", "Leave it out for a round surface."
        )


def _rules(search_m: tuple[float, float] | None) -> ReliefRules:
    if search_m is None:
        return ReliefRules()
    low, high = search_m
    if not (math.isfinite(low) and math.isfinite(high) and low < high and high - low < 5):
        raise InputError(
            f"the depth to search, {low * 1000:g} to {high * 1000:g} mm, is empty or too deep",
            "Give the deepest and the highest place, such as --search-mm -250,150.",
        )
    return ReliefRules(farthest_m=low, nearest_m=high)


def _named_as_files(picks: Sequence[TargetPick], folder: Path) -> list[TargetPick]:
    """Picks under the names of the files, where a list writes capitals otherwise and no two files differ by them."""
    if not folder.is_dir():
        return list(picks)
    names = [p.name for p in folder.iterdir() if p.suffix.lower() in _PICTURES]
    alike: dict[str, list[str]] = {}
    for name in names:
        alike.setdefault(name.casefold(), []).append(name)
    renamed = {
        p.photo: found[0]
        for p in picks
        if p.photo not in names and len(found := alike.get(p.photo.casefold(), [])) == 1
    }
    return [replace(p, photo=renamed.get(p.photo, p.photo)) for p in picks]


def _picks(
    photos: Path,
    control: Path | None,
    before: Relief | None,
    picture: Path | None,
    warnings: list[str],
) -> list[TargetPick]:
    if control is not None:
        return _named_as_files(read_target_picks(control), photos)
    if before is None or picture is None:
        raise InputError("nothing tells where the photos were taken", "Give --control.")
    if not photos.is_dir():
        raise InputError(f"{photos} is not a folder of photos", "Give the folder with --photos.")
    found = {p.name: p for p in sorted(photos.iterdir()) if p.suffix.lower() in _PICTURES}
    return picks_on_earlier(found, before, picture, warnings)


def _photos_with_targets(
    folder: Path, picks: Sequence[TargetPick], warnings: list[str]
) -> list[str]:
    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder of photos", "Give the folder with --photos.")
    there = {p.name for p in folder.iterdir() if p.suffix.lower() in _PICTURES and p.is_file()}
    counts: dict[str, set[str]] = {}
    for pick in picks:
        counts.setdefault(pick.photo, set())
        if pick.role == "control":
            counts[pick.photo].add(pick.name)
    missing = sorted(set(counts) - there)
    if missing:
        raise InputError(
            f"the control file names {missing[0]}, which is not in {folder.name}",
            "Correct the name in the column photo, or add the picture.",
        )
    for name in sorted(there - set(counts)):
        warnings.append(f"{name} was left out: no targets are picked in it")
    usable = []
    for name, found in sorted(counts.items()):
        if len(found) < FEWEST_TARGETS:
            warnings.append(
                f"{name} was left out: {len(found)} control points, at least {FEWEST_TARGETS} are needed"
            )
        else:
            usable.append(name)
    if len(usable) < 2:
        raise InputError(
            f"{len(usable)} photo has enough control points",
            "Relief needs at least two photos from different places, with "
            f"{FEWEST_TARGETS} control points or more in each.",
        )
    return usable


def _days_apart(paths: Sequence[Path]) -> list[str]:
    """Photos of several days, as they say themselves: other light, wet stone, other growth."""
    told = (read_picture_info(path).taken_at for path in paths)
    days = sorted({t[:10].replace(":", "-") for t in told if t})
    if len(days) < 2:
        return []
    return [
        f"the photos were taken on {len(days)} days, {days[0]} to {days[-1]}: where the light or the stone looks otherwise "
        "nothing is known; take them within an hour, or leave out those of the other day"
    ]


def _lens(folder: Path, names: Sequence[str], camera: Path | None) -> Camera:
    infos = {name: read_picture_info(folder / name) for name in names}
    first = infos[names[0]].turn
    for name, info in infos.items():
        if info.turn != first:
            # a lens lies otherwise in a picture that was turned otherwise, also where both have one size
            raise InputError(
                f"{name} is {info.width_px} x {info.height_px} px, EXIF orientation {info.orientation}; {names[0]} "
                f"{first.width_px} x {first.height_px} px, orientation {first.orientation}",
                "Give photos of one camera, all held the same way.",
            )
    info = infos[names[0]]
    if camera is None:
        return nominal_camera(info.width_px, info.height_px, focal_35mm_mm=info.focal_35mm_mm)
    lens = read_camera_for(camera, info.turn)
    if (lens.width_px, lens.height_px) != (info.width_px, info.height_px):
        raise InputError(
            f"camera file {camera.name} is for pictures of {lens.width_px} x {lens.height_px} px, "
            f"the photos have {info.width_px} x {info.height_px} px",
            "Give the calibration of this camera at this size.",
        )
    return lens


def _targets(sightings: Sightings, role: str) -> TargetPicks:
    number = {name: k for k, name in enumerate(sightings.names)}
    used = [p for p in sightings.picks if p.role == role and p.photo in number]
    return TargetPicks(
        photo=np.array([number[p.photo] for p in used], dtype=np.intp),
        names=tuple(p.name for p in used),
        uvw_m=np.array([p.uvw_m for p in used], dtype=float).reshape(-1, 3),
        pixel_px=np.array([p.pixel_px for p in used], dtype=float).reshape(-1, 2),
        radius_m=sightings.radius_m,
    )


def _places(targets: TargetPicks) -> NDArray[np.floating[Any]]:
    """Every target once."""
    found = dict(zip(targets.names, targets.uvw_m, strict=True))
    return np.array(list(found.values()))


def _tell_blunders(
    fit: StationFit, targets: TargetPicks, names: Sequence[str], warnings: list[str]
) -> None:
    for k in np.flatnonzero(~fit.kept):
        miss = float(np.hypot(*fit.residual_px[k]))
        warnings.append(
            f"{targets.names[k]} in {names[targets.photo[k]]} misses by {miss:.1f} px and was left out"
        )


def _greys(paths: Sequence[Path]) -> list[NDArray[np.uint8]]:
    greys = []
    for path in paths:
        picture, _ = read_picture(path)
        grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        greys.append(np.asarray(grey, dtype=np.uint8))
    return greys


def _ready(
    fit: StationFit, greys: Sequence[NDArray[np.uint8]], radius_m: float | None
) -> list[GreyPhoto]:
    return [
        GreyPhoto(station=replace(s, radius_m=radius_m), grey=g)
        for s, g in zip(fit.stations, greys, strict=True)
    ]


def _datum_sigma(
    targets: TargetPicks,
    fit: StationFit,
    grid: PixelGrid,
    coarse: Relief,
    estimate: bool,
    ties: TiePicks | None,
) -> float:
    """What the cameras leave in doubt, as the mean over the wall."""
    known = coarse.out_m[np.isfinite(coarse.out_m)]
    middle = float(np.median(known)) if known.size else 0.0
    fu, fv = np.meshgrid((0.1, 0.5, 0.9), (0.1, 0.5, 0.9))
    e = grid.extent
    places = np.stack(
        [e.u0_m + fu * e.width_m, e.v0_m + fv * e.height_m, np.full_like(fu, middle)], axis=-1
    ).reshape(-1, 3)
    sigma = depth_sigma_m(targets, fit, places, estimate_lens=estimate, ties=ties)
    good = sigma[np.isfinite(sigma)]
    return round(float(np.sqrt(np.mean(good**2))), 6) if good.size else 0.0


def _report(
    relief: Relief,
    checks: TargetPicks,
    stations: Sequence[Station],
    warnings: list[str],
    names: Sequence[str],
) -> dict[str, Any]:
    known = np.isfinite(relief.out_m)
    share = float(known.mean())
    if not known.any():
        raise InputError(
            "nothing of the wall was found in the photos",
            "Check the control points, the extent and --search-mm; the photos must overlap.",
        )
    if share < _FEW_KNOWN:
        warnings.append(
            f"only {share:.0%} of the cells are known: more overlap, more photos from other places, or an even light "
            "would help"
        )
    middle = np.array(
        [
            (relief.grid.extent.u0_m + relief.grid.extent.u1_m) / 2,
            (relief.grid.extent.v0_m + relief.grid.extent.v1_m) / 2,
            float(np.nanmedian(relief.out_m)),
        ]
    )
    spread = spread_of_sight(stations, middle)
    if spread < _POOR_SPREAD:
        warnings.append(
            f"the photos stand close together (base over distance {spread:.2f}): depth is poor; 0.3 to 0.6 is good"
        )
    error, unseen = _check_errors(relief, checks)
    if unseen:
        warnings.append(f"not known at check point {', '.join(unseen)}")
    if not len(error):
        warnings.append("not proved: no check points with a known depth")
    return {
        "check_rmse_w_m": round(float(np.sqrt(np.mean(error**2))), 6) if len(error) else None,
        "check_n": len(error),
        "cells": int(known.size),
        "known_share": round(share, 4),
        "sigma_median_m": round(float(np.nanmedian(relief.sigma_m)), 6),
        "cell_m": relief.grid.gsd_m,
        "base_over_distance": round(spread, 3),
        "photos": list(names),
        "warnings": warnings,
    }


def _check_errors(
    relief: Relief, checks: TargetPicks
) -> tuple[NDArray[np.floating[Any]], list[str]]:
    """Relief minus survey at each check point: the median of the cells within one of its place."""
    error, unseen = [], []
    grid = relief.grid
    for name, place in dict(zip(checks.names, checks.uvw_m, strict=True)).items():
        j = int((place[0] - grid.left_m) / grid.gsd_m)
        i = int((grid.top_m - place[1]) / grid.gsd_m)
        part = relief.out_m[max(0, i - 1) : max(0, i + 2), max(0, j - 1) : max(0, j + 2)]
        if part.size and np.isfinite(part).any():
            error.append(float(np.nanmedian(part)) - float(place[2]))
        else:
            unseen.append(name)
    return np.array(error), unseen
