"""Use case: how the walls of a project stand, by the relief that they keep, and what of it is for an engineer."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.condition.glossary import find_term
from facademap.errors import InputError
from facademap.io.relief_files import read_relief
from facademap.io.whole_files import check_writable, write_whole
from facademap.relief.build import Relief
from facademap.relief.deformation import Deformation, DeformationLimits, deformation_of
from facademap.store.gate import consequences_of, gated_edit, take_out
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.change import cells_inside
from facademap.tasks.survey.kept_reliefs import KeptRelief, newest_reliefs

__all__ = ["CAUTION", "LIMITS_SETTING", "look_at_deformation"]

CAUTION = (
    "How the wall stands, not why, nor whether it moves. Bulge, lean and steps are for a structural engineer to judge; "
    "keep people away from what may fall until then, as local rules say."
)
LIMITS_SETTING = "deformation_limits"
_MOST_URGENT = 3
#: Families of detachment, of loss, and of growth.
_NOT_THE_WALL = frozenset({"B", "C", "E"})


def look_at_deformation(
    folder: str | Path,
    *,
    surface: str | None = None,
    limits: dict[str, float] | None = None,
    table: Path | None = None,
    store: bool = False,
    who: str = "surveyor",
    warnings: list[str] | None = None,
) -> dict[str, Deformation | None]:
    """Bulge, lean and steps of each surface that keeps a relief.

    Parameters
    ----------
    folder : path
    surface : str, optional
    limits : dict, optional
        ``bulge_m``, ``lean_m_m``, ``step_m``; what the project keeps, else our starting values. With ``store`` they
        are kept.
    table : Path, optional
        Where a table goes (CSV).
    store : bool
        Propose a condition for each bulge and each stone that steps out, of the highest urgency: so they stand on the
        make-safe list until a person has looked. What was proposed before and not confirmed is replaced.
    who : str
    warnings : list of str, optional
        Grows by what is to be said of the reliefs.

    Returns
    -------
    dict
        By surface; ``None`` where too little is known.

    Raises
    ------
    FacademapError
    """
    check_writable(table)
    found: dict[str, Deformation | None] = {}
    with Project.open(folder, read_only=not store) as project:
        chosen = DeformationLimits(**{**_limits_of(project), **(limits or {})})
        surfaces = project.read("surfaces").to_dict("records")
        newest = newest_reliefs(surfaces)
        if surface is not None and surface not in {str(s["id"]) for s in surfaces}:
            raise InputError(f"there is no surface {surface!r}", "Give one that the project has.")
        wanted = {n: k for n, k in newest.items() if surface in (None, n)}
        if not wanted:
            raise InputError(
                "no surface has a relief",
                "Make one with facademap relief PROJECT, or bring a scan with add-elevation.",
            )
        stones, conditions = project.read("wall_stones"), project.read("conditions")
        for name, one in wanted.items():
            grid, out_m, sigma_m = read_relief(project.place(one.path))
            lost = _losses(conditions[conditions["surface"] == name].to_dict("records"))
            if lost:
                out_m = np.where(
                    cells_inside(shapely.GeometryCollection(lost), grid), np.nan, out_m
                )
            relief = Relief(grid=grid, out_m=np.asarray(out_m, np.float32), sigma_m=sigma_m)
            there = stones[stones["surface"] == name]
            shapes = dict(zip(there["id"].astype(str), there.geometry, strict=True))
            found[name] = deformation_of(relief, stones=shapes, limits=chosen)
            if warnings is not None:
                warnings += [f"{name}: {said}" for said in one.warnings]
        if store:
            shapes = dict(zip(stones["id"].astype(str), stones.geometry, strict=True))
            _store(project, found, shapes, chosen, wanted, who=who)
    if table is not None:
        write_whole(table, _table(found))
    return found


def _losses(conditions: list[dict[Any, Any]]) -> list[Any]:
    """Outlines in which stone is gone, loose or grown over: their depth tells nothing of how the wall stands."""
    return [
        row["geometry"]
        for row in conditions
        if row["family"] in _NOT_THE_WALL
        and row["geometry"] is not None
        and shapely.get_dimensions(row["geometry"]) == 2
    ]


def _limits_of(project: Project) -> dict[str, float]:
    """The limits that the project keeps, and our starting values for the rest."""
    usual, kept = asdict(DeformationLimits()), project.setting(LIMITS_SETTING)
    told = kept if isinstance(kept, dict) else {}
    return {
        name: float(told[name]) if isinstance(told.get(name), int | float) else value
        for name, value in usual.items()
    }


def _store(
    project: Project,
    found: dict[str, Deformation | None],
    stones: dict[str, Any],
    limits: DeformationLimits,
    reliefs: Mapping[str, KeptRelief],
    *,
    who: str,
) -> None:
    old = project.read("conditions")
    with gated_edit(project, who=who, what="deformation looked at") as edit:
        edit.set(LIMITS_SETTING, asdict(limits))
        for row in old.to_dict("records"):
            proposed = row["origin"] == "assisted" and is_missing(row["confirmed_by"])
            if proposed and str(row["note"]).startswith(_FROM_RELIEF):
                goes = consequences_of(project, [("conditions", str(row["id"]))])
                if not goes.refused:  # what an approved repair answers stays
                    take_out(edit, project, goes)
        rows = []
        for surface, one in found.items():
            if one is None:
                continue
            of_relief = reliefs[surface].note
            said = f"; the relief was {of_relief}" if of_relief else ""
            for bulge in one.bulges:
                words = (
                    f"{abs(bulge.most_m) * 1000:.0f} ± {bulge.plus_minus_95_m * 1000:.0f} mm "
                    + ("out of" if bulge.most_m > 0 else "behind")
                )
                rows.append(
                    _row(
                        edit.new_id("C"),
                        surface,
                        "bulge",
                        bulge.outline,
                        f"{words} the plane of the wall"
                        + (
                            ""
                            if bulge.most_m > 0
                            else " (a loss that nobody outlined looks the same)"
                        )
                        + said,
                    )
                )
            for step in one.steps:
                words = f"stands {step.step_m * 1000:.0f} ± {step.plus_minus_95_m * 1000:.0f} mm before {step.back}{said}"
                rows.append(
                    {
                        **_row(edit.new_id("C"), surface, "displacement", stones[step.out], words),
                        "wall_stone": step.out,
                    }
                )
        if rows:
            edit.insert("conditions", rows)


_FROM_RELIEF = "From the relief: "


def _row(id: str, surface: str, word: str, shape: Any, told: str) -> dict[str, Any]:
    term = find_term(word)
    return {
        "id": id,
        "surface": surface,
        "term": term.name,
        "family": term.family,
        "layer": term.layer,
        "geometry": shape,
        "area_m2": float(shape.area),
        "uc": _MOST_URGENT,
        "origin": "assisted",
        "note": f"{_FROM_RELIEF}{told}. For a structural engineer.",
    }


def _table(found: dict[str, Deformation | None]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        (
            "surface",
            "what",
            "name",
            "u_m",
            "v_m",
            "value_m",
            "plus_minus_95_m",
            "limit_m",
            "area_m2",
            "beyond",
        )
    )
    for surface, one in found.items():
        if one is None:
            continue
        lean = (
            f"{one.lean_m_m:.6f}",
            f"{one.lean_plus_minus_95_m_m:.6f}",
            f"{one.limits.lean_m_m:.6f}",
        )
        writer.writerow((surface, "lean, m per m", "", "", "", *lean, "", str(one.leans).lower()))
        for n, bulge in enumerate(one.bulges, start=1):
            at = bulge.outline.representative_point()
            numbers = (
                f"{v:.5f}"
                for v in (at.x, at.y, bulge.most_m, bulge.plus_minus_95_m, one.limits.bulge_m)
            )
            writer.writerow((surface, "bulge", n, *numbers, f"{bulge.outline.area:.4f}", "true"))
        for step in one.steps:
            numbers = (
                f"{v:.5f}"
                for v in (*step.place_m, step.step_m, step.plus_minus_95_m, one.limits.step_m)
            )
            writer.writerow(
                (surface, "step", f"{step.out} before {step.back}", *numbers, "", "true")
            )
    return text.getvalue()
