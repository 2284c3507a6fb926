"""Use case: the relief of a surface measures the depth of every condition on it, beside what was typed."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.relief_files import read_relief
from facademap.io.whole_files import check_writable, write_whole
from facademap.relief.build import Relief
from facademap.relief.depth import DepthRules, MeasuredDepth, depth_below_face
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.change import cells_inside

__all__ = ["ConditionDepth", "DepthsMeasured", "measure_depths"]

#: A typed depth may differ from the deepest place by so much before it is named, beside the plus or minus (a setting).
LOOSE_M = 0.005
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
    warnings : tuple of str
    """

    depths: tuple[ConditionDepth, ...]
    warnings: tuple[str, ...]


def measure_depths(
    folder: str | Path,
    *,
    relief: Path | None = None,
    surface: str | None = None,
    out: Path | None = None,
    rules: DepthRules | None = None,
) -> DepthsMeasured:
    """Depth of every drawn condition below the sound face round it. The project is only read.

    Parameters
    ----------
    folder : path
        Project.
    relief : Path, optional
        Relief of ``surface``; default: the relief that a scan left with each surface.
    surface : str, optional
        Needed with ``relief`` where the project has several surfaces.
    out : Path, optional
        Table to write (CSV).
    rules : DepthRules, optional

    Raises
    ------
    FacademapError
        No relief, or an unknown surface.
    """
    check_writable(out)
    warnings: list[str] = []
    found: list[ConditionDepth] = []
    with Project.open(folder, read_only=True) as project:
        rows = project.read("surfaces").to_dict("records")
        conditions = project.read("conditions")
        for name, path in _reliefs(project, rows, relief, surface):
            grid, out_m, sigma_m = read_relief(path)
            there = conditions[
                (conditions["surface"] == name)
                & conditions.geometry.geom_type.isin(["Polygon", "MultiPolygon"])
            ]
            found.extend(
                _on_surface(there, Relief(grid=grid, out_m=out_m, sigma_m=sigma_m), rules, warnings)
            )
    if out is not None:
        write_whole(out, _table(found))
    return DepthsMeasured(depths=tuple(found), warnings=tuple(warnings))


def _reliefs(
    project: Project, surfaces: list[dict[str, Any]], relief: Path | None, surface: str | None
) -> list[tuple[str, Path]]:
    names = [str(s["id"]) for s in surfaces]
    if surface is not None and surface not in names:
        raise InputError(f"surface {surface} does not exist", f"Give one of {', '.join(names)}.")
    if relief is not None:
        if surface is None and len(names) != 1:
            raise InputError(
                f"the project has {len(names)} surfaces: whose relief is {relief.name}?",
                f"Add --surface, one of {', '.join(names)}.",
            )
        return [(surface or names[0], relief)]
    kept = [
        (str(s["id"]), project.place(s["report"]["relief"]))
        for s in surfaces
        if (surface is None or s["id"] == surface)
        and not is_missing(s["report"])
        and "relief" in s["report"]
    ]
    if not kept:
        raise InputError(
            "no surface has a relief",
            "Make one with facademap relief and give it with --relief, or bring a scan with add-elevation.",
        )
    return kept


def _on_surface(
    conditions: Any, relief: Relief, rules: DepthRules | None, warnings: list[str]
) -> list[ConditionDepth]:
    rows = conditions.to_dict("records")
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
