"""Take drawn outlines into a project: wall stones, architectural openings, conditions."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import pandas as pd
import shapely

from facademap.condition.records import (
    attach_wall_stones,
    classify_terms,
    find_overlaps,
    measure_area_m2,
    measure_length_m,
    mend_outlines,
)
from facademap.errors import InputError
from facademap.io.csv_tables import TableWords
from facademap.io.vectors import ShapeFile, read_shapes
from facademap.io.whole_files import STORE_NAME
from facademap.store.edit import Edit
from facademap.store.gate import store_large
from facademap.store.project import Project
from facademap.tables import TABLES, Table, is_missing
from facademap.tables.names import as_id, id_fault
from facademap.tasks.plan.moved_stones import told_of_moved_stones
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.doubts import find_doubts, say_understood, without_lines
from facademap.tasks.survey.feature_columns import fit_columns
from facademap.tasks.survey.kept_columns import keep_columns, with_kept_columns
from facademap.tasks.survey.off_picture import read_off_picture
from facademap.tasks.survey.understand_shapes import place_of_surface, shapes_on_wall

__all__ = ["FeatureKind", "add_features", "complete_conditions"]

FeatureKind = Literal["conditions", "wall_stones", "openings"]
_PREFIX = {"conditions": "C", "wall_stones": "S", "openings": "O"}


def add_features(
    folder: str | Path,
    kind: FeatureKind,
    path: str | Path,
    *,
    surface: str | None = None,
    layer: str | None = None,
    words: TableWords | None = None,
    term: str | None = None,
    accept_doubts: bool = False,
    dry_run: bool = False,
    show: bool = False,
    who: str = "surveyor",
) -> dict[str, Any]:
    """Read outlines from a file into the project; a row whose id exists is brought up to date.

    Parameters
    ----------
    folder : path
        Project.
    kind : {"conditions", "wall_stones", "openings"}
    path : path
        See `facademap.io.vectors.read_shapes`.
    surface : str, optional
        Surface they lie on; may be left out where the project has one or the file names it.
    layer : str, optional
        Layer of the file.
    words : TableWords, optional
        Unit of the coordinates and an office's column names, which the project keeps.
    term : str, optional
        Term of the glossary of conditions that name none.
    accept_doubts : bool
        Store in spite of doubts about size or place; they are noted.
    dry_run : bool
        Say what was understood and store nothing.
    show : bool
        Of a dry run: give the shapes as well (``shapes``, GeoJSON in metres of the wall), also those in doubt.

    Returns
    -------
    dict
        ``added``, ``understood`` (one line), ``notes`` (what was converted, mended, left out, or overlaps), and for
        conditions ``area_m2``.

    Raises
    ------
    FileError, InputError
        Nothing is stored: unreadable, or in doubt.
    """
    table = TABLES[kind]
    _refuse_live_project(folder, path)
    with Project.open(folder) as project:
        words = with_kept_columns(project, kind, words)
        file = read_shapes(path, layer=layer, likely_layer=kind, words=words)
        frame, notes = fit_columns(file.frame, table, mapping=words.columns, source=str(path))
        if term is not None:
            frame = _with_term(frame, term, kind)
        if surface is not None and "surface" in frame:
            frame = frame.drop(columns="surface")  # what the caller says counts
        frame = _complete(frame, table, surface=surface_of(project, surface), source=str(path))
        _refuse_unknown_surfaces(frame, project)
        frame, mended = _plain_names(frame)
        frame, lines = without_lines(frame, kind)
        frame, moved, doubts = _on_walls(project, file, frame, kind, words.unit, str(path))
        doubts += lines
        notes = [*file.notes, *notes, *mended, *moved]
        if doubts and not (accept_doubts or (dry_run and show)):
            raise InputError(
                f"{path}: " + "; ".join(d.problem for d in doubts[:3]), doubts[0].remedy
            )
        notes += [f"accepted: {d.problem}" for d in doubts] if not show else []
        result: dict[str, Any] = {
            "added": len(frame),
            "understood": say_understood(frame, table, project),
            "notes": notes,
        }
        if dry_run:
            done = _finished(project, kind, _numbered(frame), result)
            result["notes"] += read_off_picture(project, done, kind.replace("_", " "))
            table.check(done, source=str(path))
            if show:
                result["doubts"] = [{"problem": d.problem, "remedy": d.remedy} for d in doubts]
                result["shapes"] = [json.loads(s) for s in shapely.to_geojson(done.geometry)]
            return {**result, "stored": False}

        def store(edit: Edit) -> dict[str, Any]:
            told = {**result, "stored": True}
            done = _finished(project, kind, _name_rows(frame, edit, _PREFIX[kind]), told)
            told["notes"] += read_off_picture(project, done, kind.replace("_", " "))
            edit.put(kind, table.check(done, source=str(path)))
            keep_columns(project, edit, kind, words)
            if kind == "wall_stones":
                told["notes"] = [
                    *told["notes"],
                    *(
                        f"{m['problem']}; {m['remedy']}"
                        for m in told_of_moved_stones(project, edit.txn)
                    ),
                ]
            return told

        what = f"read {kind.replace('_', ' ')} from {Path(path).name}"
        return store_large(project, store, who=who, what=what)


def _refuse_live_project(folder: str | Path, path: str | Path) -> None:
    """GDAL and the store may not have one file open at once: it would be damaged."""
    if Path(path).name == STORE_NAME and (Path(path).parent / "photos").is_dir():
        raise InputError(
            f"{path}: is the store of a project", "Export its layers, and read the export."
        )


def _on_walls(
    project: Project,
    file: ShapeFile,
    frame: gpd.GeoDataFrame,
    kind: FeatureKind,
    unit: str | None,
    source: str,
) -> tuple[gpd.GeoDataFrame, list[str], list[InputError]]:
    """Every shape in metres of its surface, what was done, and what is in doubt."""
    parts, notes, doubts = [], [], []
    for name, part in frame.groupby("surface", sort=False):
        place = place_of_surface(project, str(name))
        moved, said = shapes_on_wall(
            project, _with_frame(file, part), place, unit=unit, source=source
        )
        notes += said
        found, more = find_doubts(project, moved, part, place, kind=kind, converted=bool(said))
        doubts += found
        notes += more
        parts.append(moved)
    return pd.concat(parts).loc[frame.index], notes, doubts


def _with_term(frame: gpd.GeoDataFrame, term: str, kind: FeatureKind) -> gpd.GeoDataFrame:
    """The term given to every condition that names none; an unknown one is refused when it is looked up."""
    if kind != "conditions":
        raise InputError(f"a term is given for {kind.replace('_', ' ')}", "Leave --term out.")
    said = frame["term"] if "term" in frame else pd.Series([None] * len(frame), index=frame.index)
    values = [term if is_missing(v) or not str(v).strip() else v for v in said]
    return frame.assign(term=pd.Series(values, index=frame.index, dtype=object))


def _with_frame(file: ShapeFile, frame: gpd.GeoDataFrame) -> ShapeFile:
    return ShapeFile(
        frame=frame, crs=file.crs, unit=file.unit, picture=file.picture, world=file.world
    )


def _finished(
    project: Project, kind: FeatureKind, frame: gpd.GeoDataFrame, result: dict[str, Any]
) -> gpd.GeoDataFrame:
    """Mended outlines and, for conditions, what follows from them; notes go to the result."""
    shapes, mended = mend_outlines(frame)
    frame = frame.set_geometry(shapes)
    result["notes"] = [*result["notes"], *mended]
    if kind == "conditions":
        stones, openings = project.read("wall_stones"), project.read("openings")
        frame, more = complete_conditions(frame, stones, openings)
        result["notes"] += more
        result["area_m2"] = float(frame["area_m2"].sum())
    return frame


def _plain_names(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Names of other programs in the letters that ours have, and which were changed."""
    changed = {
        str(i): as_id(i) for i in frame["id"] if not is_missing(i) and id_fault(str(i)) is not None
    }
    if not changed:
        return frame, []
    names = [None if is_missing(i) else changed.get(str(i), str(i)) for i in frame["id"]]
    shown = ", ".join(f"{a} is {b}" for a, b in list(changed.items())[:3])
    more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
    return frame.assign(id=pd.Series(names, index=frame.index, dtype=object)), [
        f"names written plainly: {shown}{more}"
    ]


def _numbered(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Rows without an id named by their number, for a trial."""
    ids = [str(i) if not is_missing(i) else f"row-{k}" for k, i in enumerate(frame["id"], start=1)]
    return frame.assign(id=pd.Series(ids, index=frame.index, dtype=object))


def complete_conditions(
    conditions: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    openings: gpd.GeoDataFrame,
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Conditions with term, family, layer, wall stone, area and length found; notes on overlaps."""
    frame = conditions.copy()
    classified = classify_terms(frame)
    for name in classified:
        frame[name] = classified[name]
    frame["wall_stone"] = attach_wall_stones(frame, wall_stones)
    frame["area_m2"] = measure_area_m2(frame, openings)
    frame["length_m"] = measure_length_m(frame)
    overlaps = find_overlaps(frame)
    notes = [
        f"{r.a} and {r.b} are both {r.term} and overlap by {r.area_m2:.4f} m2; the area counts twice"
        for r in overlaps.itertuples()
    ]
    return frame, notes


def _complete(
    frame: gpd.GeoDataFrame, table: Table, *, surface: str, source: str
) -> gpd.GeoDataFrame:
    """The columns that a row cannot do without."""
    frame = frame.copy()
    if "surface" not in frame:
        frame["surface"] = surface
    frame["surface"] = [surface if is_missing(s) else s for s in frame["surface"]]
    if "id" not in frame:
        frame["id"] = None
    if table.name == "conditions" and "term" not in frame:
        raise InputError(
            f"{source}: has no column term",
            "Give every condition its term of the glossary, name your column with --column THEIRS=term, or say --term for all.",
        )
    if "origin" in table.names and "origin" not in frame:
        frame["origin"] = "imported"
    return frame


def _refuse_unknown_surfaces(frame: pd.DataFrame, project: Project) -> None:
    known = set(project.read("surfaces")["id"])
    strange = sorted(set(frame["surface"]) - known)
    if strange:
        raise InputError(
            f"the file places outlines on a surface {strange[0]!r}, which the project does not have",
            f"Correct its column surface to one of {', '.join(sorted(known))}, or give --surface for all of them.",
        )


def _name_rows(frame: gpd.GeoDataFrame, edit: Edit, prefix: str) -> gpd.GeoDataFrame:
    """Rows without an id get the next numbers of the project."""
    frame = frame.copy()
    taken = {str(i) for i in frame["id"] if not is_missing(i)}
    ids = []
    for value in frame["id"]:
        name = str(value) if not is_missing(value) else edit.new_id(prefix)
        while is_missing(value) and name in taken:
            name = edit.new_id(prefix)
        ids.append(name)
    frame["id"] = pd.Series(ids, index=frame.index, dtype=object)
    return frame
