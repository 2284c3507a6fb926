"""Use case: many photos of one wall and their control become one rectified elevation.

The work goes in stages (ties, adjustment, plan, blocks, file). Finished stages and blocks are kept in
a working folder beside the output, so that an interrupted run goes on where it stopped; blocks depend
on nothing but the job and the photos, so that they can be made by the workers of a Dask scheduler.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap import __version__
from facademap.errors import FacademapError, InputError
from facademap.io.camera_files import camera_as_dict, read_camera_for
from facademap.io.mosaic_folder import MosaicFolder
from facademap.io.patch_files import read_patches
from facademap.io.pictures import hash_file, read_picture, read_picture_info
from facademap.io.point_files import read_mosaic_points
from facademap.io.rasters import write_elevation
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.accuracy import few_checks_warning, proof_values
from facademap.photo.camera import Camera, nominal_camera
from facademap.photo.chart import PatchReading, read_patch
from facademap.photo.features import grey_picture
from facademap.photo.mosaic import WINDOW_PX, MosaicPlan, PictureShelf, mosaic_window, plan_mosaic
from facademap.photo.mosaic_views import (
    MosaicPoint,
    MosaicViews,
    WallView,
    fit_mosaic_views,
    join_reduced,
)
from facademap.photo.orientation import Turn
from facademap.photo.proof import (
    TOGETHER,
    control_hull_m,
    prove,
    prove_extent,
    prove_photos,
    share_outside,
    shows_any,
)
from facademap.photo.threads import in_order
from facademap.tasks.survey.cluster import cluster_client
from facademap.tasks.survey.true_colour import TrueColour, true_colour
from facademap.wall.grid import Extent, PixelGrid, Window
from facademap.wall.world import wall_crs

__all__ = ["ChartInPhoto", "make_mosaic", "render_block"]

Bytes = NDArray[np.uint8]
Floats = NDArray[np.floating[Any]]
Progress = Callable[[float], None]

#: Side of a block, the unit of resuming and of spreading; a multiple of the tile.
BLOCK_PX = 4 * WINDOW_PX
#: Ties and control below which nothing can be said about the lens.
LEAST_POINTS_FOR_LENS = 6
#: Photos less sharp than this against the median are named (common practice).
BLURRED = 0.5
#: A photo's rim is part of the default extent only where its samples are no longer than this times the median.
LONGEST_SAMPLE = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sources:
    photos: tuple[Path, ...]
    hashes: tuple[str, ...]
    cameras: tuple[Camera, ...]
    turns: tuple[Turn, ...]
    known_lens: bool
    known_focal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartInPhoto:
    """A colour chart in one of the photos.

    Parameters
    ----------
    photo : str
        File name of the photo, without its folder.
    patches : Path
        Table ``name,x_px,y_px,half_px,role,L,a,b``.
    edition : str
        Chart and edition of its values, recorded.
    """

    photo: str
    patches: Path
    edition: str


def make_mosaic(
    photos: Sequence[Path],
    control: Path,
    out: Path,
    *,
    gsd_m: float,
    camera: Path | None = None,
    stored_pixels: bool = False,
    report: Path | None = None,
    extent: Extent | None = None,
    name: str | None = None,
    level: bool = True,
    flatten: bool = False,
    cluster: str | None = None,
    thorough: bool = False,
    keep_folder: bool = False,
    chart: ChartInPhoto | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Make one elevation from many photos of one flat wall.

    Parameters
    ----------
    photos : sequence of Path
    control : Path
        Table ``photo,name,u_m,v_m,x_px,y_px,role``.
    out : Path
        GeoTIFF to write.
    gsd_m : float
        Ground sample distance.
    camera : Path, optional
        Camera file of all photos; without it the lens is estimated.
    stored_pixels : bool
        Control and patches were picked in stored pictures, before the turns that their EXIF ask for.
    report : Path, optional
        Report to write, as JSON.
    extent : Extent, optional
        Default: what the photos show well.
    name : str, optional
        Name of the wall; default: the output's name.
    level : bool
        Whether exposure and white balance are levelled.
    flatten : bool
        Whether uneven light over the wall is taken out.
    cluster : str, optional
        Address of a Dask scheduler whose workers share the photos' and the output's folders.
    thorough : bool
        Whether photos left alone are tried again with simulated tilts.
    keep_folder : bool
        Whether the working folder stays after success.
    chart : ChartInPhoto, optional
        Colour chart in one of the photos, which makes the colours of the mosaic true.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    dict
        The report.
    """
    if not (math.isfinite(gsd_m) and gsd_m > 0):
        raise InputError(
            f"ground sample distance {gsd_m * 1000:g} mm is not positive",
            "Give a ground sample distance above zero, in millimetres.",
        )
    say = progress or (lambda fraction: None)
    for target in (out, report):
        check_writable(target)
    sources = _sources(photos, camera, stored_pixels=stored_pixels)
    names = [p.name for p in sources.photos]
    readings = (
        _chart_readings(chart, sources, stored_pixels=stored_pixels) if chart is not None else []
    )
    points = read_mosaic_points(
        control, photos=names, turns=sources.turns, stored_pixels=stored_pixels
    )
    folder = MosaicFolder(out.resolve().parent / f".{out.stem}.mosaic-{_key(sources, thorough)}")
    with _named_when_left_behind(folder):
        values = _worked(
            sources,
            points,
            out,
            folder,
            chart,
            readings,
            gsd_m=gsd_m,
            extent=extent,
            name=name,
            level=level,
            flatten=flatten,
            cluster=cluster,
            thorough=thorough,
            report=report,
            say=say,
        )
    if not keep_folder:
        folder.remove()
    say(1.0)
    return values


@contextmanager
def _named_when_left_behind(folder: MosaicFolder) -> Iterator[None]:
    """After an error, say where finished work waits for the next try; remove a folder that holds none."""
    try:
        yield
    except FacademapError as error:
        if folder.is_empty():
            folder.remove()
        else:
            error.remedy += f" (Work done by now is kept in {folder.path.name} for the next try; delete it otherwise.)"
        raise


def _worked(
    sources: _Sources,
    points: Sequence[MosaicPoint],
    out: Path,
    folder: MosaicFolder,
    chart: ChartInPhoto | None,
    readings: Sequence[PatchReading],
    *,
    gsd_m: float,
    extent: Extent | None,
    name: str | None,
    level: bool,
    flatten: bool,
    cluster: str | None,
    thorough: bool,
    report: Path | None,
    say: Progress,
) -> dict[str, Any]:
    """All stages, each taken from the folder where it is finished."""
    names = [p.name for p in sources.photos]
    graph = folder.read_ties(sources.cameras, known_lens=sources.known_lens)
    if graph is None:
        graph = join_reduced(
            lambda i: grey_picture(read_picture(sources.photos[i])[0]),
            sources.cameras,
            known_lens=sources.known_lens,
            thorough=thorough,
            progress=lambda f: say(0.4 * f),
        )
        folder.write_ties(graph)
    fitted = fit_mosaic_views(graph, points, known_focal=sources.known_focal)
    grid = PixelGrid.over(extent or _shown_extent(fitted, sources), gsd_m=gsd_m)
    job = _job(sources, fitted, grid, level, flatten)
    part = MosaicFolder(folder.path / hashlib.sha256(json.dumps(job).encode()).hexdigest()[:12])
    part.write_job(job)
    plan = part.read_plan()
    if plan is None:
        plan = _planned(part, grid, level, flatten, lambda f: say(0.42 + 0.13 * f))
    _render(part, grid, cluster, lambda f: say(0.55 + 0.4 * f))
    colour = _colour(chart, readings, names, fitted, plan)
    values = _report(sources, fitted, plan, grid) | {
        "colour": colour.state,
        "colour_report": colour.report.get("colour"),
    }
    if chart is not None and colour.correction is None:
        values["warnings"].append(
            f"the photo with the chart, {chart.photo}, is left out: the colours are uncalibrated"
        )
    write_elevation(
        out,
        grid,
        ((w, colour.apply(rgb), mask) for w, rgb, mask in _stored_windows(part, grid)),
        crs_wkt=wall_crs(name or out.stem, f"{out.stem} {sources.hashes[0][:16]}"),
        tags={
            "COLOUR": colour.state,
            "SOFTWARE": f"facademap {__version__}",
            "ACCURACY": _accuracy(values),
            "PHOTOS": [
                {"name": n, "sha256": h} for n, h in zip(names, sources.hashes, strict=True)
            ],
        },
    )
    if report is not None:
        write_whole(report, json.dumps(values, indent=2, ensure_ascii=False) + "\n")
    return values


def _chart_readings(
    chart: ChartInPhoto, sources: _Sources, *, stored_pixels: bool
) -> list[PatchReading]:
    """The patches of a chart, read before anything that takes time."""
    if not chart.edition.strip():
        raise InputError(
            "the edition of the chart's values is not given",
            "Name the chart and the year of its values with --edition.",
        )
    found = [p for p in sources.photos if p.name == chart.photo]
    if not found:
        raise InputError(
            f"{chart.photo} is not among the photos",
            "Give the file name of the photo that shows the chart.",
        )
    picture, info = read_picture(found[0])
    rows = read_patches(chart.patches, turn=info.turn, stored_pixels=stored_pixels)
    readings = [
        read_patch(
            picture,
            name=r.name,
            x_px=r.x_px,
            y_px=r.y_px,
            half_px=r.half_px,
            role=r.role,
            lab=r.lab,
        )
        for r in rows
    ]
    true_colour(readings, edition=chart.edition, level=(1.0, 1.0, 1.0))
    return readings


def _colour(
    chart: ChartInPhoto | None,
    readings: Sequence[PatchReading],
    names: Sequence[str],
    fitted: MosaicViews,
    plan: MosaicPlan,
) -> TrueColour:
    used = [names[i] for i, view in enumerate(fitted.views) if view is not None]
    if chart is None or chart.photo not in used:
        return TrueColour()
    return true_colour(
        readings, edition=chart.edition, level=plan.levels[used.index(chart.photo)].factor
    )


def _sources(photos: Sequence[Path], camera: Path | None, *, stored_pixels: bool) -> _Sources:
    names = [p.name for p in photos]
    double = sorted({n for n in names if names.count(n) > 1})
    if double:
        raise InputError(
            f"two photos are called {double[0]}", "Give photos with different file names."
        )
    infos = [read_picture_info(p) for p in photos]
    cameras = []
    for path, info in zip(photos, infos, strict=True):
        known = (
            None
            if camera is None
            else read_camera_for(camera, info.turn, stored_pixels=stored_pixels)
        )
        if known is not None and (info.width_px, info.height_px) != (
            known.width_px,
            known.height_px,
        ):
            raise InputError(
                f"photo {path.name} has {info.width_px} x {info.height_px} px, the camera file "
                f"{known.width_px} x {known.height_px}",
                "Give photos of that camera only.",
            )
        cameras.append(
            known or nominal_camera(info.width_px, info.height_px, focal_35mm_mm=info.focal_35mm_mm)
        )
    return _Sources(
        photos=tuple(p.resolve() for p in photos),
        hashes=tuple(hash_file(p) for p in photos),
        cameras=tuple(cameras),
        turns=tuple(info.turn for info in infos),
        known_lens=camera is not None,
        known_focal=camera is not None,
    )


def _key(sources: _Sources, thorough: bool) -> str:
    facts = [
        sources.hashes,
        [t.orientation for t in sources.turns],
        [camera_as_dict(c) for c in sources.cameras],
        sources.known_lens,
        thorough,
        __version__,
    ]
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()[:12]


def _shown_extent(fitted: MosaicViews, sources: _Sources) -> Extent:
    """What the photos show well: their rims where the samples are not much longer than usual."""
    rims, samples = [], []
    for view in fitted.views:
        if view is None:
            continue
        width, height = view.camera.width_px - 1, view.camera.height_px - 1
        x, y = (
            a.ravel() for a in np.meshgrid(np.linspace(0, width, 21), np.linspace(0, height, 21))
        )
        here, beside, below = (
            view.wall_from_pixel(x + dx, y + dy) for dx, dy in ((0, 0), (1, 0), (0, 1))
        )
        sample = np.maximum(np.hypot(*(beside - here).T), np.hypot(*(below - here).T))
        rims.append(here)
        samples.append(sample)
    places, sample = np.concatenate(rims), np.concatenate(samples)
    good = np.isfinite(places).all(axis=1) & np.isfinite(sample)
    return Extent.around(places[good & (sample <= LONGEST_SAMPLE * np.median(sample[good]))])


def _job(
    sources: _Sources, fitted: MosaicViews, grid: PixelGrid, level: bool, flatten: bool
) -> dict[str, Any]:
    used = [i for i, view in enumerate(fitted.views) if view is not None]
    views = [fitted.views[i] for i in used]
    return {
        "photos": [str(sources.photos[i]) for i in used],
        "hashes": [sources.hashes[i] for i in used],
        "numbers": used,
        "level": level,
        "flatten": flatten,
        "cameras": [camera_as_dict(v.camera) for v in views if v is not None],
        "homographies": [v.homography.tolist() for v in views if v is not None],
        "grid": [grid.left_m, grid.top_m, grid.gsd_m, grid.width_px, grid.height_px],
    }


def _camera_from(values: dict[str, Any]) -> Camera:
    return Camera(
        width_px=int(values["width"]),
        height_px=int(values["height"]),
        fx_px=values["fx"],
        fy_px=values["fy"],
        cx_px=values["cx"],
        cy_px=values["cy"],
        **{k: values.get(k, 0.0) for k in ("k1", "k2", "k3", "p1", "p2")},
    )


@lru_cache(maxsize=1)
def _opened(folder: str) -> tuple[tuple[WallView, ...], PictureShelf, MosaicFolder]:
    """Views and photos of a job, kept by a worker between its blocks."""
    place = MosaicFolder(Path(folder))
    job = place.read_job()
    views = tuple(
        WallView(camera=_camera_from(c), homography=np.array(h))
        for c, h in zip(job["cameras"], job["homographies"], strict=True)
    )
    return views, PictureShelf(lambda i: read_picture(Path(job["photos"][i]))[0]), place


@lru_cache(maxsize=1)
def _plan_of(folder: str) -> MosaicPlan:
    plan = MosaicFolder(Path(folder)).read_plan()
    if plan is None:
        raise InputError(f"the plan in {folder} is missing or damaged", "Run the mosaic again.")
    return plan


def _planned(
    part: MosaicFolder, grid: PixelGrid, level: bool, flatten: bool, progress: Progress
) -> MosaicPlan:
    views, _, _ = _opened(str(part.path))
    photos = part.read_job()["photos"]
    plan = plan_mosaic(
        views,
        lambda i: read_picture(Path(photos[i]))[0],
        grid,
        level=level,
        flatten=flatten,
        progress=progress,
    )
    part.write_plan(plan)
    return plan


def render_block(
    folder: str, block: tuple[int, int, int, int], *, threads: int = 2
) -> tuple[int, int]:
    """Make one block of a job and store it in the job's folder.

    Parameters
    ----------
    folder : str
        Working folder of the job.
    block : tuple of int
        Column, row, width, height.
    threads : int

    Returns
    -------
    (int, int)
        Column and row of the block.
    """
    views, shelf, place = _opened(folder)
    plan = _plan_of(folder)
    column, row, width, height = block
    whole = Window(column=column, row=row, width=width, height=height)
    pixels = np.zeros((height, width, 4), np.uint8)
    windows = [
        Window(
            column=c,
            row=r,
            width=min(WINDOW_PX, column + width - c),
            height=min(WINDOW_PX, row + height - r),
        )
        for r in range(row, row + height, WINDOW_PX)
        for c in range(column, column + width, WINDOW_PX)
    ]

    def fill(window: Window) -> None:
        rgb, mask, _ = mosaic_window(plan, views, shelf, window)
        at = (
            slice(window.row - row, window.row - row + window.height),
            slice(window.column - column, window.column - column + window.width),
        )
        pixels[at] = cv2.merge([rgb, mask])

    for _ in in_order(fill, windows, threads=threads, ahead=8):
        pass
    place.write_block(whole, pixels)
    return column, row


def _render(part: MosaicFolder, grid: PixelGrid, cluster: str | None, progress: Progress) -> None:
    """Make the blocks that are not there yet, here or on a cluster."""
    blocks = list(grid.windows(BLOCK_PX))
    missing = [b for b in blocks if not part.has_block(b)]
    # there and back again along the shorter side, so that neighbouring blocks share their photos
    upright = grid.height_px <= grid.width_px
    missing.sort(
        key=lambda b: (
            _there_and_back(b.column, b.row) if upright else _there_and_back(b.row, b.column)
        )
    )
    tasks = [(b.column, b.row, b.width, b.height) for b in missing]
    done = len(blocks) - len(missing)
    for _ in (
        _on_cluster(cluster, str(part.path), tasks) if cluster else _here(str(part.path), tasks)
    ):
        done += 1
        progress(done / len(blocks))


def _there_and_back(line_px: int, along_px: int) -> tuple[int, int]:
    return line_px, along_px if line_px // BLOCK_PX % 2 == 0 else -along_px


def _here(folder: str, tasks: Sequence[tuple[int, int, int, int]]) -> Iterator[Any]:
    for task in tasks:
        yield render_block(folder, task)


def _on_cluster(
    address: str, folder: str, tasks: Sequence[tuple[int, int, int, int]]
) -> Iterator[Any]:
    with cluster_client(address) as client:
        from distributed import as_completed

        finished: Callable[..., Iterator[Any]] = as_completed  # it says nothing of its types
        futures = [
            client.submit(render_block, folder, task, threads=1, pure=False) for task in tasks
        ]
        for future in finished(futures):
            yield future.result()


def _stored_windows(part: MosaicFolder, grid: PixelGrid) -> Iterator[tuple[Window, Bytes, Bytes]]:
    for window in grid.windows(WINDOW_PX):
        column, row = window.column // BLOCK_PX * BLOCK_PX, window.row // BLOCK_PX * BLOCK_PX
        block = Window(
            column=column,
            row=row,
            width=min(BLOCK_PX, grid.width_px - column),
            height=min(BLOCK_PX, grid.height_px - row),
        )
        pixels = part.read_window(block, window)
        yield window, pixels[..., :3], pixels[..., 3]


def _accuracy(values: dict[str, Any]) -> dict[str, Any]:
    return {
        k: values[k]
        for k in (
            "control_rmse_m",
            "control_n",
            "check_rmse_m",
            "check_n",
            "tie_rms_px",
            "lens",
            "scale_text",
        )
    }


def _untested(fitted: MosaicViews, names: Sequence[str], check_at_m: Floats) -> list[str]:
    """Names of the photos that show the place of no check point."""
    return [
        name
        for name, view in zip(names, fitted.views, strict=True)
        if view is not None
        and not shows_any(view, (view.camera.width_px, view.camera.height_px), check_at_m)
    ]


def _report(
    sources: _Sources, fitted: MosaicViews, plan: MosaicPlan, grid: PixelGrid
) -> dict[str, Any]:
    names = [p.name for p in sources.photos]
    used = [i for i, view in enumerate(fitted.views) if view is not None]
    control, control_n = fitted.rmse_m(control=True)
    check, check_n = fitted.rmse_m(control=False)
    gaps = plan.gaps()
    blurred = [names[used[k]] for k, s in enumerate(plan.sharpness) if s < BLURRED]
    left_out = [{"photo": names[i], "reason": reason} for i, reason in fitted.left_out]
    warnings = [f"photo {p['photo']} is left out: {p['reason']}" for p in left_out]
    warnings += [
        f"control point {n} is left out: the others contradict it" for n in fitted.blunders
    ]
    warnings += [f"photo {n} is blurred against the others" for n in blurred]
    if gaps:
        warnings.append(f"{len(gaps)} gaps, {sum(g[4] for g in gaps):.2f} m2 in all, show no photo")
    few = few_checks_warning(check_n)
    if few is not None:
        warnings.append(few)
    checks = [m for m in fitted.misses if not m.point.is_control]
    check_m = np.array([(m.du_m, m.dv_m) for m in checks]).reshape(-1, 2)
    check_at_m = np.array([m.point.wall_m for m in checks]).reshape(-1, 2)
    control_m = np.array([m.point.wall_m for m in fitted.misses if m.point.is_control and m.used])
    proof = prove(
        check_m=check_m,
        check_sigma_m=np.array([m.point.sigma_m for m in checks]),
        check_at_m=check_at_m,
        left_out_m=np.zeros((0, 2)),
        control_at_m=control_m,
        extent_m=grid.extent.as_tuple(),
        otherwise=TOGETHER,
    )
    proof = prove_photos(proof, _untested(fitted, names, check_at_m))
    proof = prove_extent(proof, np.concatenate([control_m, check_at_m]), grid.extent.as_tuple())
    hull = control_hull_m(control_m)
    if not proof.proved:
        warnings.insert(0, proof.reason)
    samples = plan.sample_m[np.isfinite(plan.sample_m)]
    sample = max(grid.gsd_m, float(np.median(samples))) if samples.size else math.nan
    view = next(v for v in fitted.views if v is not None)
    return {
        "photos": len(names),
        "photos_used": [names[used[k]] for k in plan.used],
        "left_out": left_out,
        "control_rmse_m": control,
        "control_n": control_n,
        "check_rmse_m": check,
        "check_n": check_n,
        "residuals": [
            {
                "photo": names[m.point.photo],
                "name": m.point.name,
                "du_m": m.du_m,
                "dv_m": m.dv_m,
                "role": "control" if m.point.is_control else "check",
                "used": m.used,
            }
            for m in fitted.misses
        ],
        "blunders": list(fitted.blunders),
        "ties": fitted.ties,
        "tie_rms_px": fitted.tie_rms_px,
        "lens": "given"
        if sources.known_lens
        else "none"
        if fitted.ties + control_n < LEAST_POINTS_FOR_LENS
        else "estimated",
        "camera": camera_as_dict(view.camera),
        "focal_factor": fitted.focal_factor,
        "levels": [
            {"photo": names[used[k]], "factor": list(lv.factor), "shading": list(lv.shading)}
            for k, lv in enumerate(plan.levels)
        ],
        "blurred": blurred,
        "gap_share": plan.gap_share,
        "gaps": [
            {"u0_m": g[0], "v0_m": g[1], "u1_m": g[2], "v1_m": g[3], "area_m2": g[4]}
            for g in gaps[:50]
        ],
        "sample_distance_m": {
            "median": float(np.nanmedian(plan.sample_m)),
            "largest": float(np.nanmax(plan.sample_m)),
        }
        if np.isfinite(plan.sample_m).any()
        else None,
        "gsd_m": grid.gsd_m,
        "width_px": grid.width_px,
        "height_px": grid.height_px,
        "extent_m": list(grid.extent.as_tuple()),
        "colour": "uncalibrated",
        "light_flattened": bool(plan.light.terms),
        **proof_values(proof, sample),
        "control_hull_m": hull.tolist(),
        "outside_share": share_outside(hull, grid.extent.as_tuple()),
        "warnings": warnings,
    }
