"""Reliefs for the survey desk: what a surface keeps, and its heights as a picture that the page lights itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.relief_files import read_relief
from facademap.report.change_page import agreement
from facademap.report.measures import Measures
from facademap.store.project import Project
from facademap.tasks.plan.reading import reads_inches
from facademap.tasks.survey.compare_surveys import change_of_kept
from facademap.tasks.survey.kept_reliefs import KeptRelief, reliefs_of
from facademap.wall.grid import PixelGrid

__all__ = ["BETWEEN", "ReliefHeights", "heights_of_relief", "pack_heights", "reliefs_to_look_at"]

#: Longer side of what a page holds and lights at once.
_LONGEST = 2400
#: Between the names of two surveys whose change is looked at; no name of a survey has it.
BETWEEN = ">"
#: Share of the cells that the range of the colours leaves out at each end.
_TAIL = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefHeights:
    """Heights of a relief for a page.

    Parameters
    ----------
    png : bytes
        Red and green hold the height in 65,535 steps from ``low_m`` to ``high_m``, blue is 255 where it is known.
    place : dict
        ``left_m, top_m, cell_m, width, height, low_m, high_m, step_m, from_m, to_m, middle_m, sigma_m``: ends of the
        values, the step, ends of the colours, the median, and the median standard deviation.
    """

    png: bytes
    place: dict[str, Any]


def reliefs_to_look_at(project: Project) -> dict[str, list[dict[str, Any]]]:
    """The reliefs of every surface that has some, oldest first: survey, day, what it is where it was not measured, and a version."""
    found = {}
    for row in project.read("surfaces").to_dict("records"):
        kept = [
            {
                "survey": k.survey,
                "taken_on": k.taken_on,
                "note": k.note,
                "version": _version(project, k),
            }
            for k in reliefs_of(row)
            if project.place(k.path).is_file()
        ]
        if len(kept) > 1:
            kept += [_between(kept[-2], kept[-1])]
        if kept:
            found[str(row["id"])] = kept
    return found


def _between(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """What changed between two reliefs, listed with them; the names of both are its survey."""
    notes = list(dict.fromkeys(r["note"] for r in (old, new) if r["note"]))
    return {
        "survey": f"{old['survey']}{BETWEEN}{new['survey']}",
        "taken_on": new["taken_on"],
        "note": "; ".join(notes) or None,
        "version": f"{old['version'][:8]}{new['version'][:8]}",
        "change": [old["survey"], new["survey"]],
    }


def heights_of_relief(project: Project, surface: str, survey: str) -> ReliefHeights:
    """One relief, thinned to what a page can light; or the change between two, zero within its level of detection.

    Raises
    ------
    InputError
        The surface keeps no relief of this survey.
    """
    kept = {k.survey: k for k in reliefs_of(project.row("surfaces", surface))}
    old, _, new = survey.partition(BETWEEN)
    if old in kept and new in kept:
        return _change(project, kept[old], kept[new])
    if survey not in kept:
        raise InputError(
            f"surface {surface} keeps no relief of survey {survey[:40]}",
            "Measure one with facademap relief.",
        )
    return _made(str(project.place(kept[survey].path)), _version(project, kept[survey]))


def _change(project: Project, old: KeptRelief, new: KeptRelief) -> ReliefHeights:
    said: list[str] = []
    change = change_of_kept(project, old, new, said)
    if change is None:  # pragma: no cover
        raise InputError("a relief is missing", "Measure it with facademap relief.")
    told, difference = change.detection_m, change.difference
    out_m = difference.out_m
    value = np.where(np.isfinite(out_m) & (np.abs(out_m) <= told), np.float32(0), out_m)
    made = _packed(difference.grid, value, difference.sigma_m, longest=_LONGEST, least_step_m=0.0)
    say = Measures(reads_inches(project))
    notes = {*old.warnings, *new.warnings}
    words = [agreement(change, say), *(say.sentence(w) for w in said if w not in notes)]
    return replace(made, place={**made.place, "said": words})


@lru_cache(maxsize=2)
def _made(path: str, version: str) -> ReliefHeights:
    """The page asks for the place and then for the picture: one reading serves both."""
    return pack_heights(Path(path), longest=_LONGEST)


def pack_heights(path: Path, *, longest: int, least_step_m: float = 0.0) -> ReliefHeights:
    """Heights of a relief as a picture.

    Parameters
    ----------
    path : Path
    longest : int
        Longer side, in cells; a larger relief is thinned.
    least_step_m : float
        Heights are told in steps of this at least, so that the picture is smaller.

    Raises
    ------
    FacademapError
        The relief cannot be read.
    """
    grid, out_m, sigma_m = read_relief(path)
    return _packed(grid, out_m, sigma_m, longest=longest, least_step_m=least_step_m)


def _packed(
    grid: PixelGrid,
    out_m: NDArray[np.float32],
    sigma_m: NDArray[np.float32],
    *,
    longest: int,
    least_step_m: float,
) -> ReliefHeights:
    thin = max(1, -(-max(out_m.shape) // longest))
    out_m = out_m[::thin, ::thin]
    known = np.isfinite(out_m)
    low, high, start, end = _ends(out_m[known])
    step_m = max((high - low) / 65535, least_step_m)
    value = np.where(known, np.round((np.nan_to_num(out_m) - low) / step_m), 0.0)
    value = np.clip(value, 0, 65535).astype(np.uint16)
    # OpenCV takes blue, green, red
    blue = np.where(known, 255, 0).astype(np.uint8)
    planes = [blue, (value & 255).astype(np.uint8), (value >> 8).astype(np.uint8)]
    pressed = 9 if least_step_m else 3
    done, png = cv2.imencode(".png", cv2.merge(planes), [cv2.IMWRITE_PNG_COMPRESSION, pressed])
    if not done:  # pragma: no cover
        raise InputError("the relief cannot be drawn", "Measure it again.")
    sigma = sigma_m[::thin, ::thin][known]
    place = {
        "left_m": grid.left_m,
        "top_m": grid.top_m,
        "cell_m": grid.gsd_m * thin,
        "width": out_m.shape[1],
        "height": out_m.shape[0],
        "low_m": low,
        "high_m": high,
        "step_m": step_m,
        "from_m": start,
        "to_m": end,
        "middle_m": float(np.median(out_m[known])) if known.any() else 0.0,
        "sigma_m": float(np.median(sigma)) if sigma.size else 0.0,
    }
    return ReliefHeights(png=png.tobytes(), place=place)


def _ends(known_m: NDArray[np.float32]) -> tuple[float, float, float, float]:
    if not known_m.size:
        return 0.0, 0.001, 0.0, 0.001
    low, high = float(known_m.min()), float(known_m.max())
    start, end = (float(q) for q in np.percentile(known_m, (_TAIL, 100 - _TAIL)))
    return low, max(high, low + 1e-4), start, max(end, start + 1e-4)


def _version(project: Project, kept: KeptRelief) -> str:
    told = kept.told.get("sha256") if kept.told else None
    return str(told)[:16] if told else f"{project.place(kept.path).stat().st_mtime_ns:x}"[-16:]
