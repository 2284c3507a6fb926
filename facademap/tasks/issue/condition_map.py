"""Make the condition map of a project: one HTML file that opens offline."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
import pandas as pd
import simplejpeg

from facademap.condition.records import class_wall_stones
from facademap.errors import FacademapError
from facademap.io.pictures import read_picture
from facademap.io.rasters import Elevation, open_elevation
from facademap.io.whole_files import make_folder, whole_folder, write_whole
from facademap.report.change_page import ChangeRow
from facademap.report.condition_map import MapContent, MapSurface, write_condition_map
from facademap.report.map_change import change_layer
from facademap.report.map_content import map_data
from facademap.report.map_measures import measure
from facademap.report.map_tiles import TILE_PX, count_levels, pyramid_tiles
from facademap.report.map_words import catalogues, with_own
from facademap.report.proof_words import control_edge_m, proved_error_m
from facademap.report.relief_picture import RAMP
from facademap.report.rows import rows_of
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tables.names import file_name
from facademap.tasks.desk.inwall import see_piece
from facademap.tasks.desk.languages import catalogues as catalogues_of_office
from facademap.tasks.desk.pictures import Pictures
from facademap.tasks.desk.reliefs import pack_heights
from facademap.tasks.desk.watch import watched_gauges
from facademap.tasks.issue.papers import keep_map, map_seen
from facademap.tasks.issue.papers_list import MAP, all_papers
from facademap.tasks.issue.papers_state import read_manifest
from facademap.tasks.plan.reading import reads_inches
from facademap.tasks.survey.compare_surveys import compared, newest_surveys
from facademap.tasks.survey.kept_reliefs import newest_reliefs, reliefs_of
from facademap.wall.grid import Window

__all__ = ["make_condition_map"]

_TILES_MADE = r"\d+/\d+/\d+\.jpg"
#: Above this the tiles lie in a folder beside the page, so that the page still opens at once.
PIXELS_IN_PAGE = 80_000_000
#: Photos are for looking closer; many of them are smaller, so that the page still goes by e-mail.
PHOTO_WIDTH_PX, MANY_PHOTOS, MANY_WIDTH_PX = 1280, 40, 640
_BY_REPAIR = frozenset({"records", "job-sheets"})
SEEN_PX = 60_000
#: Cells of all reliefs together, and the step of their heights: half a megabyte or so.
MOST_RELIEF_CELLS, RELIEF_STEP_M = 1_000_000, 0.0002


def make_condition_map(
    folder: str | Path,
    *,
    target: Path | None = None,
    pixels_in_page: int = PIXELS_IN_PAGE,
    progress: Callable[[float], None] = lambda fraction: None,
    who: str = "facademap map",
    language: str = "en",
) -> dict[str, Any]:
    """Write ``out/condition-map.html`` of a project.

    Parameters
    ----------
    folder : path
        Project.
    target : path, optional
        Where to write instead.
    pixels_in_page : int
        A wall with more pixels gets its tiles in a folder beside the page.
    who : str
        Named in the register of papers, into which the map of the project's own folder is entered.
    language : str
        Tag of the language in which the page opens.

    Returns
    -------
    dict
        ``path``, ``bytes``, ``features``, ``tiles``, ``missing`` (what could not be shown).
    """
    missing: list[str] = []
    with Project.open(folder, read_only=True) as project:
        project.need_whole()
        made_from = map_seen(project)
        tables = {name: project.read(name) for name in MAP.tables}
        classes = class_wall_stones(tables["wall_stones"], tables["conditions"])
        tables["wall_stones"] = tables["wall_stones"].assign(
            **{str(c): classes[c].astype("Int64").astype(object) for c in classes}
        )
        page = target or project.place("out/condition-map.html")
        make_folder(page.parent)
        tile_root = page.with_name(f"{page.stem}-tiles")
        surfaces = [
            _surface(project, row, tables, tile_root, pixels_in_page, missing, progress)
            for row in tables["surfaces"].to_dict("records")
        ]
        photos = _small_photos(project, tables, missing)
        seen = _pieces_seen(project, tables, missing)
        data = map_data(
            tables,
            settings={"project_id": project.project_id},
            photos=photos,
            seen=seen,
            extents={s.id: s.extent_m for s in surfaces},
        )
        data |= {"reliefs": _reliefs(project, tables, missing), "relief_ramp": RAMP.tolist()}
        data["gauges"] = [_gauge(g) for g in watched_gauges(project)]
        changed, data["changes"] = _changed(project, tables, missing)
        for feature in data["features"]:
            if feature["k"] == "condition" and feature["i"] in changed:
                feature["p"]["change"] = changed[feature["i"]]
        elevations = ", ".join(tables["elevations"]["name"])
        content = MapContent(
            title=f"{project.setting('name', 'Condition map')}",
            surfaces=surfaces,
            data=data,
            subtitle=f"{project.setting('building', '') or ''} {elevations}".strip(),
            papers=_papers_beside(page.parent),
            inches=reads_inches(project),
            languages=_languages(project.folder, missing),
        )
    body = write_condition_map(content, language=language)
    write_whole(page, body)
    if target is None:
        keep_map(folder, page, made_from, who=who)
    return {
        "path": str(page),
        "bytes": len(body),
        "features": len(data["features"]),
        "tiles": sum(len(s.tiles) for s in surfaces),
        "missing": missing,
    }


def _surface(
    project: Project,
    row: Mapping[str, Any],
    tables: Mapping[str, Any],
    tile_root: Path,
    limit: int,
    missing: list[str],
    progress: Callable[[float], None],
) -> MapSurface:
    error = proved_error_m(row)
    common: dict[str, Any] = {
        "id": row["id"],
        "name": row["name"],
        "sigma_m": None if error is None else error / math.sqrt(2),
        "control_edge_m": control_edge_m(row),
    }
    try:
        if is_missing(row["picture"]):
            raise FileNotFoundError
        elevation = open_elevation(project.place(row["picture"]))
    except (FacademapError, OSError):
        missing.append(f"{row['name']}: no rectified picture")
        u0, v0, u1, v1 = _bounds(row["id"], tables)
        return MapSurface(
            **common,
            left_m=u0,
            top_m=v1,
            gsd_m=0.004,
            extent_m=(u0, v0, u1, v1),
            has_picture=False,
            levels=count_levels(math.ceil((u1 - u0) / 0.004), math.ceil((v1 - v0) / 0.004)),
        )
    with elevation:
        grid = elevation.grid
        tiles = pyramid_tiles(
            lambda reduction, c, r: _read_tile(elevation, reduction, c, r),
            grid.width_px,
            grid.height_px,
            progress=progress,
        )
        shape: dict[str, Any] = {
            "left_m": grid.left_m,
            "top_m": grid.top_m,
            "gsd_m": grid.gsd_m,
            "has_picture": True,
            "levels": count_levels(grid.width_px, grid.height_px),
            "extent_m": grid.extent.as_tuple(),
        }
        if grid.width_px * grid.height_px <= limit:
            return MapSurface(**common, **shape, tiles=dict(tiles))
        own = file_name(row["id"])
        _write_tiles(tile_root, own, tiles)
        return MapSurface(**common, **shape, tile_folder=f"{tile_root.name}/{own}")


def _write_tiles(root: Path, surface: str, tiles: Any) -> None:
    make_folder(root)
    with whole_folder(surface, inside=root, made=_TILES_MADE) as fresh:
        for key, jpeg in tiles:
            write_whole(f"{key}.jpg", jpeg, inside=fresh, durable=False)


def _read_tile(elevation: Elevation, reduction: int, column: int, row: int) -> Any:
    """One tile of a level; its edges lie on whole pixels of the finest level."""
    grid, step = elevation.grid, TILE_PX * reduction
    width, height = min(step, grid.width_px - column * step), min(step, grid.height_px - row * step)
    if width <= 0 or height <= 0:
        return None
    window = Window(column=column * step, row=row * step, width=width, height=height)
    _, rgb, mask = elevation.read(window, gsd_m=grid.gsd_m * reduction)
    return rgb[:TILE_PX, :TILE_PX], mask[:TILE_PX, :TILE_PX]


def _bounds(surface: str, tables: Mapping[str, Any]) -> tuple[float, float, float, float]:
    """Where the outlines of a surface lie, with a margin; a square of 5 m when there are none."""
    boxes = []
    for name in ("wall_stones", "openings", "conditions", "repairs"):
        frame = tables[name]
        part = frame[frame["surface"] == surface]
        if len(part):
            boxes.append(part.total_bounds)
    if not boxes:
        return (0.0, 0.0, 5.0, 5.0)
    all_boxes = np.array(boxes)
    u0, v0 = all_boxes[:, :2].min(axis=0) - 0.25
    u1, v1 = all_boxes[:, 2:].max(axis=0) + 0.25
    return (float(u0), float(v0), float(u1), float(v1))


def _languages(folder: Path, missing: list[str]) -> dict[str, Any]:
    """The languages of the page, with what the office keeps in the project."""
    found, problems = catalogues_of_office(folder)
    missing += problems
    known = catalogues()
    for own in found:
        known = with_own(known, own.tag, own.language, own.texts)
    return known


def _papers_beside(folder: Path) -> list[dict[str, Any]]:
    """Papers for people that lie in the folder of the page, with the page of each piece or repair."""
    manifest, beside = read_manifest(folder), []
    for paper in all_papers():
        for name in sorted(manifest.get(paper.name, {}).get("files", ())):
            if not name.endswith(".pdf") or not (folder / name).is_file():
                continue
            title = paper.title if name.count("/") == 0 else f"{paper.title}: {Path(name).stem}"
            beside.append(
                {
                    "name": paper.name,
                    "title": f"{title} ({name})",
                    "file": quote(name),
                    "pages": _pages_named(folder / name)
                    if paper.parts or paper.name in _BY_REPAIR
                    else {},
                }
            )
    return beside


def _pages_named(path: Path) -> dict[str, int]:
    """The first page of each piece or repair that the table of contents of a PDF names, counted from one."""
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    try:
        reader = PdfReader(path)
        numbers: dict[str, int] = {}
        for entry in reader.outline:
            if isinstance(entry, list) or not (words := str(entry.title).split(",")[0].split()):
                continue
            page = reader.get_destination_page_number(entry)
            if page is not None:
                numbers.setdefault(words[0], page + 1)
    except (PyPdfError, OSError, ValueError):
        return {}
    return numbers


def _small_photos(
    project: Project, tables: Mapping[str, pd.DataFrame], missing: list[str]
) -> dict[str, str]:
    """Reduced copies of the photos that conditions name."""
    wanted = {p for p in tables["conditions"]["photo"] if not is_missing(p)}
    result = {}
    width = PHOTO_WIDTH_PX if len(wanted) <= MANY_PHOTOS else MANY_WIDTH_PX
    for row in tables["photos"].to_dict("records"):
        if row["id"] not in wanted:
            continue
        try:
            picture, _ = read_picture(project.place(row["path"]))
        except FacademapError as error:
            missing.append(error.problem)
            continue
        shrink = min(1.0, width / picture.shape[1])
        height = max(1, round(picture.shape[0] * shrink))
        size = (max(1, round(picture.shape[1] * shrink)), height)
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        result[row["id"]] = jpeg_address(small)
    missing += [f"photo {p} is missing" for p in sorted(wanted - set(tables["photos"]["id"]))]
    return result


def _reliefs(
    project: Project, tables: Mapping[str, pd.DataFrame], missing: list[str]
) -> list[dict[str, Any]]:
    """Heights of the newest relief of every surface, thinned so that the page still opens at once."""
    newest = newest_reliefs(rows_of(tables["surfaces"]))
    each = math.sqrt(MOST_RELIEF_CELLS / max(len(newest), 1))
    result = []
    for surface, kept in newest.items():
        try:
            packed = pack_heights(
                project.place(kept.path), longest=round(each), least_step_m=RELIEF_STEP_M
            )
        except FacademapError as error:
            missing.append(error.problem)
            continue
        png = "data:image/png;base64," + base64.b64encode(packed.png).decode("ascii")
        told = {
            "s": surface,
            "survey": kept.survey,
            "day": kept.taken_on or "",
            "note": kept.note or "",
        }
        result.append({**told, **packed.place, "png": png})
    return result


def _changed(
    project: Project, tables: Mapping[str, pd.DataFrame], missing: list[str]
) -> tuple[dict[str, str], list[dict[str, Any]]]:
    """What became of each condition since the survey before, in a sentence; and the change of relief of each surface."""
    found: dict[str, str] = {}
    layers: list[dict[str, Any]] = []
    conditions = tables["conditions"]
    for row in rows_of(tables["surfaces"]):
        here = conditions[conditions["surface"] == row["id"]]
        surveys = newest_surveys(row, rows_of(here))
        if surveys is None:
            continue
        try:
            done = compared(project, str(row["id"]), surveys, colours=False)
        except FacademapError as error:
            missing.append(f"{row['name']}, change since survey {surveys[0]}: {error.problem}")
            continue
        notes = [k.note for k in reliefs_of(row) if k.survey in surveys and k.note]
        made = bool(notes)
        if done.change is not None:
            note = f"A relief that was not measured: {notes[0]}." if made else ""
            told = {"s": str(row["id"]), "surveys": list(surveys), "note": note}
            layers.append({**told, **change_layer(done.change)})
        for one in done.rows:
            words = f"since survey {surveys[0]}: {_change_words(one)}"
            words += " (from a relief that was not measured)" if made and one.patch else ""
            found |= dict.fromkeys(one.pair.new, words)
    return found, layers


def _change_words(row: ChangeRow) -> str:
    parts = [str(row.pair.fate)]
    if row.patch is not None:
        parts.append(
            f"depth {measure('shift', row.patch.mean_change_m)} ± {measure('error', row.patch.plus_minus_95_m)}"
            + ("" if row.patch.significant else ", not told from none")
        )
    if row.more_urgent:
        parts.append("grows fast")
    return ", ".join((*parts, *row.pair.classes))


def _gauge(told: dict[str, Any]) -> dict[str, Any]:
    """A gauge as the page has it: metres of the wall, readings as pairs of day and metres."""
    kept = {k: v for k, v in told.items() if k not in ("id", "surface", "place_m", "readings")}
    readings = [[r["read_on"], r["value_m"]] for r in told["readings"]]
    return {
        **kept,
        "i": told["id"],
        "s": told["surface"],
        "c": told["place_m"],
        "readings": readings,
    }


def _pieces_seen(
    project: Project, tables: Mapping[str, pd.DataFrame], missing: list[str]
) -> list[dict[str, Any]]:
    """The wall round every repair that has a block: now, and with the piece."""
    pictures, result = Pictures(project.folder), []
    surfaces = dict(zip(tables["repairs"]["id"], tables["repairs"]["surface"], strict=True))
    for place in tables["placements"].to_dict("records"):
        try:
            seen = see_piece(
                project,
                pictures,
                repair=place["repair"],
                face=place["face"],
                x_m=place["x_m"],
                y_m=place["y_m"],
                turn_deg=int(place["rotation_deg"]),
                most_px=SEEN_PX,
            )
        except FacademapError as error:
            missing.append(f"{place['repair']}: {error.problem}")
            continue
        rows, columns = seen.now.shape[:2]
        box = [
            seen.left_m,
            seen.top_m - rows * seen.gsd_m,
            seen.left_m + columns * seen.gsd_m,
            seen.top_m,
        ]
        result.append(
            {
                "repair": place["repair"],
                "s": surfaces[place["repair"]],
                "box": [round(v * 1000) for v in box],
                "before": jpeg_address(seen.now),
                "image": jpeg_address(seen.after),
            }
        )
    return result


def jpeg_address(rgb: Any, *, quality: int = 75) -> str:
    """A picture as a data address that can stand in a page."""
    body = simplejpeg.encode_jpeg(np.ascontiguousarray(rgb), quality=quality, colorspace="RGB")
    return "data:image/jpeg;base64," + base64.b64encode(body).decode("ascii")
