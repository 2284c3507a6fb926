"""Use case: the relief of a surface measures the depth of every condition on it, beside what was typed.

What is stored is a proposal: the depth of the record changes when a person confirms it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.condition.glossary import find_term
from facademap.condition.measured_depth import (
    LOOSE_M,
    depth_for_record,
    depth_on_edit,
    depth_waits,
    outline_digest,
)
from facademap.errors import InputError
from facademap.io.relief_files import read_relief
from facademap.io.whole_files import check_writable, write_whole
from facademap.relief.build import Relief
from facademap.relief.depth import DepthRules, MeasuredDepth, depth_below_face
from facademap.relief.losses import LossRules, find_losses
from facademap.relief.stone_face import StoneFace, face_of_stone
from facademap.store.draft import LARGE, store_drafted
from facademap.store.edit import Edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.change import cells_inside
from facademap.tasks.survey.kept_reliefs import KeptRelief, newest_reliefs, reliefs_of

__all__ = ["ConditionDepth", "DepthsMeasured", "confirm_depths", "measure_depths"]

#: What a loss without an outline is called until a person looks.
LOSS_TERM = "missing part"
_COLUMNS = (
    "condition",
    "term",
    "surface",
    "area_m2",
    "known_share",
    "mean_depth_m",
    "plus_minus_95_m",
    "deepest_m",
    "volume_m3",
    "typed_depth_m",
    "disagrees",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionDepth:
    """Depth of one condition.

    Parameters
    ----------
    condition, term, surface : str
    measured : MeasuredDepth or None
        None where too little is known.
    typed_m : float or None
        What the record says.
    disagrees : bool
        Typed depth and measured deepest place cannot both be right.
    """

    condition: str
    term: str
    surface: str
    measured: MeasuredDepth | None
    typed_m: float | None
    disagrees: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthsMeasured:
    """What measuring depths returns.

    Parameters
    ----------
    depths : tuple of ConditionDepth
    faces : tuple of (str, StoneFace)
        Wall stones.
    losses : tuple of str
        Conditions that were proposed where nothing was outlined.
    stored : int
        Conditions and stones whose measurement was stored.
    warnings : tuple of str
    """

    depths: tuple[ConditionDepth, ...]
    faces: tuple[tuple[str, StoneFace], ...] = ()
    losses: tuple[str, ...] = ()
    stored: int = 0
    warnings: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class _Found:
    """What one relief tells, gathered before anything is stored."""

    relief_name: str
    note: str | None = None
    depths: list[ConditionDepth] = field(default_factory=list)
    faces: list[tuple[str, StoneFace]] = field(default_factory=list)
    losses: list[tuple[str, str, Any]] = field(default_factory=list)


def measure_depths(
    folder: str | Path,
    *,
    relief: Path | None = None,
    surface: str | None = None,
    out: Path | None = None,
    store: bool = False,
    losses: LossRules | None = None,
    who: str = "surveyor",
    rules: DepthRules | None = None,
) -> DepthsMeasured:
    """Depth of every drawn condition below the sound face round it, and how each wall stone lies.

    Parameters
    ----------
    folder : path
        Project.
    relief : Path, optional
        Relief of ``surface``; default: the newest that is kept with each surface.
    surface : str, optional
        Needed with ``relief`` where the project has several surfaces.
    out : Path, optional
        Table to write (CSV).
    store : bool
        Keep the measurements with their conditions and stones, as proposals. Without it the project is only read.
    losses : LossRules, optional
        Propose an outline for each place deeper than this that has none (kept with ``store`` alone).
    who : str
    rules : DepthRules, optional

    Raises
    ------
    FacademapError
        No relief, or an unknown surface.
    """
    check_writable(out)
    warnings: list[str] = []
    found: list[_Found] = []
    with Project.open(folder, read_only=not store) as project:
        rows = project.read("surfaces").to_dict("records")
        tables = {name: project.read(name) for name in ("conditions", "wall_stones")}
        for name, path, kept in _reliefs(project, rows, relief, surface):
            there = {n: _outlines_on(t, name) for n, t in tables.items()}
            # how far a bulge or a displaced stone stands out is no depth of decay, and no cut-out goes by it
            there["conditions"] = [r for r in there["conditions"] if r["layer"] != "structural"]
            one = _on_surface(there, path, rules, losses, warnings)
            if kept is not None:
                one.relief_name, one.note = kept.path, kept.note
                warnings += [f"{name}: {said}" for said in kept.warnings]
            found.append(one)
        digests = {
            n: {str(i): outline_digest(g) for i, g in zip(t["id"], t.geometry, strict=True) if g}
            for n, t in tables.items()
        }
        stored, proposed = _store(project, found, digests, who=who) if store else (0, [])
    depths = [d for one in found for d in one.depths]
    if out is not None:
        write_whole(out, _table(depths))
    return DepthsMeasured(
        depths=tuple(depths),
        faces=tuple(f for one in found for f in one.faces),
        losses=tuple(proposed),
        stored=stored,
        warnings=tuple(warnings),
    )


def confirm_depths(
    folder: str | Path, conditions: Sequence[str] | None, *, who: str
) -> list[tuple[str, float]]:
    """Take measured depths into the record, as a person who has looked at them.

    Parameters
    ----------
    folder : path
    conditions : sequence of str, optional
        Default: every condition whose measured depth waits.
    who : str

    Returns
    -------
    list of (str, float)
        Conditions and the depths that they have now.

    Raises
    ------
    InputError
        A condition without a measured depth, or whose outline was changed since.
    """
    with Project.open(folder) as project:
        frame = project.read("conditions")
        rows = {str(r["id"]): r for r in frame.to_dict("records")}
        chosen = list(conditions) if conditions else [i for i, r in rows.items() if depth_waits(r)]
        for id in chosen:
            if id not in rows:
                raise InputError(f"there is no condition {id}", "Give the id as the list has it.")
        revisions = project.revisions("conditions")

        def work(apart: bool) -> list[tuple[str, float]]:
            done = []
            with project.edit(who=who, what="measured depths confirmed", apart=apart) as edit:
                for id in chosen:
                    values = depth_on_edit(rows[id], {"depth_from": "measured"}, who=who)
                    # an outline that was changed meanwhile is not the one that was measured
                    edit.update("conditions", id, values, rev=revisions[id])
                    done.append((id, float(values["depth_m"])))
            return done

        return store_drafted(work, large=len(chosen) > LARGE)


def _outlines_on(frame: Any, surface: str) -> list[dict[str, Any]]:
    there = frame[
        (frame["surface"] == surface)
        & frame.geometry.geom_type.isin(["Polygon", "MultiPolygon"]).to_numpy(dtype=bool)
    ]
    return list(there.to_dict("records"))


def _store(
    project: Project, found: list[_Found], digests: dict[str, dict[str, str]], *, who: str
) -> tuple[int, list[str]]:
    """Thousands of rows are drafted apart, so that who draws meanwhile waits for the storing alone."""

    def work(apart: bool) -> tuple[int, list[str]]:
        with project.edit(who=who, what="depths measured from the relief", apart=apart) as edit:
            return _store_rows(edit, found, digests)

    many = sum(len(one.depths) + len(one.faces) for one in found) > LARGE
    return store_drafted(work, large=many)


def _store_rows(
    edit: Edit, found: list[_Found], digests: dict[str, dict[str, str]]
) -> tuple[int, list[str]]:
    stored, proposed = 0, list[str]()
    for one in found:
        by = {"relief": one.relief_name, **({"note": one.note} if one.note else {})}
        for depth in one.depths:
            if depth.measured is not None:
                told = {
                    **asdict(depth.measured),
                    "depth_m": depth_for_record(depth.measured),
                    "outline": digests["conditions"][depth.condition],
                    **by,
                }
                edit.update("conditions", depth.condition, {"measured_depth": told})
                stored += 1
        for stone, face in one.faces:
            told = {
                **asdict(face),
                "outline": digests["wall_stones"][stone],
                **by,
            }
            edit.update("wall_stones", stone, {"measured_face": told})
            stored += 1
        rows = [_proposal(edit.new_id("C"), *loss, one.note) for loss in one.losses]
        if rows:
            proposed += edit.insert("conditions", rows)
    return stored, proposed


def _proposal(
    id: str, surface: str, stone: str, shape: Any, of_relief: str | None
) -> dict[str, Any]:
    term = find_term(LOSS_TERM)
    said = f" The relief was {of_relief}." if of_relief else ""
    return {
        "id": id,
        "surface": surface,
        "term": term.name,
        "family": term.family,
        "layer": term.layer,
        "wall_stone": stone,
        "geometry": shape,
        "area_m2": float(shape.area),
        "origin": "assisted",
        "note": f"Proposed from the relief: deeper than the face of its stone.{said}",
    }


def _reliefs(
    project: Project, surfaces: list[dict[str, Any]], relief: Path | None, surface: str | None
) -> list[tuple[str, Path, KeptRelief | None]]:
    """Surface and file of each relief that is measured on, and what the project keeps of it."""
    names = [str(s["id"]) for s in surfaces]
    if surface is not None and surface not in names:
        raise InputError(f"surface {surface} does not exist", f"Give one of {', '.join(names)}.")
    if relief is not None:
        if surface is None and len(names) != 1:
            raise InputError(
                f"the project has {len(names)} surfaces: whose relief is {relief.name}?",
                f"Add --surface, one of {', '.join(names)}.",
            )
        name = surface or names[0]
        known = {project.place(k.path).resolve(): k for s in surfaces for k in reliefs_of(s)}
        return [(name, relief, known.get(relief.resolve()))]
    kept: list[tuple[str, Path, KeptRelief | None]] = [
        (name, project.place(kept.path), kept)
        for name, kept in newest_reliefs(surfaces).items()
        if surface is None or name == surface
    ]
    if not kept:
        raise InputError(
            "no surface has a relief",
            "Make one with facademap relief PROJECT, or bring a scan with add-elevation.",
        )
    return kept


def _on_surface(
    there: dict[str, list[dict[str, Any]]],
    path: Path,
    rules: DepthRules | None,
    losses: LossRules | None,
    warnings: list[str],
) -> _Found:
    grid, out_m, sigma_m = read_relief(path)
    relief = Relief(grid=grid, out_m=out_m, sigma_m=sigma_m)
    found = _Found(relief_name=path.name)
    found.depths = _depths(there["conditions"], relief, rules, warnings)
    stones = [(r, cells_inside(r["geometry"], grid)) for r in there["wall_stones"]]
    for row, mask in stones:
        face = face_of_stone(relief, mask)
        if face is not None:
            found.faces.append((str(row["id"]), face))
    if losses is not None and stones:
        drawn = [r["geometry"] for r in there["conditions"]]
        outlined = (
            cells_inside(shapely.union_all(drawn), grid)
            if drawn
            else np.zeros(out_m.shape, dtype=bool)
        )
        for loss in find_losses(relief, [m for _, m in stones], outlined, rules=losses):
            row = stones[loss.stone][0]
            shape = shapely.make_valid(shapely.Polygon(loss.outline_m)).intersection(
                row["geometry"]
            )
            if shape.geom_type == "Polygon" and not shape.is_empty:
                found.losses.append((str(row["surface"]), str(row["id"]), shape))
    return found


def _depths(
    rows: list[dict[str, Any]], relief: Relief, rules: DepthRules | None, warnings: list[str]
) -> list[ConditionDepth]:
    masks = [cells_inside(row["geometry"], relief.grid) for row in rows]
    depths = []
    for k, (row, mask) in enumerate(zip(rows, masks, strict=True)):
        others = [m for j, m in enumerate(masks) if j != k and (m & ~mask).any()]
        measured = depth_below_face(relief, mask, others=others, rules=rules)
        typed = None if is_missing(row["depth_m"]) else float(row["depth_m"])
        disagrees = (
            measured is not None
            and typed is not None
            and abs(typed - measured.deepest_m) > measured.plus_minus_95_m + LOOSE_M
        )
        if measured is None:
            warnings.append(f"{row['id']}: too little of it or of the face round it is known")
        elif disagrees:
            warnings.append(
                f"{row['id']}: the record says {(typed or 0.0) * 1000:.0f} mm deep, the relief {measured.deepest_m * 1000:.0f} mm "
                f"(± {measured.plus_minus_95_m * 1000:.1f} mm on the mean): measure it again"
            )
        depths.append(
            ConditionDepth(
                condition=str(row["id"]),
                term=str(row["term"]),
                surface=str(row["surface"]),
                measured=measured,
                typed_m=typed,
                disagrees=disagrees,
            )
        )
    return depths


def _table(depths: list[ConditionDepth]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for d in depths:
        m = d.measured
        numbers = (
            [""] * 6
            if m is None
            else [
                f"{m.area_m2:.6f}",
                f"{m.known_share:.4f}",
                *(f"{v:.5f}" for v in (m.mean_m, m.plus_minus_95_m, m.deepest_m)),
                f"{m.volume_m3:.9f}",
            ]
        )
        typed = "" if d.typed_m is None else f"{d.typed_m:.5f}"
        writer.writerow([d.condition, d.term, d.surface, *numbers, typed, str(d.disagrees).lower()])
    return text.getvalue()
