"""Reliefs that a project keeps with its surfaces: by survey and date, the newest last."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from facademap.tables import is_missing

__all__ = ["KeptRelief", "newest_reliefs", "reliefs_of", "sections_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRelief:
    """One relief of a surface.

    Parameters
    ----------
    path : str
        Inside the project folder.
    survey : str
    taken_on : str or None
        Date, YYYY-MM-DD.
    source : str
        ``photos``, ``scan``, or ``photos and scan``.
    told : mapping
        The whole entry.
    """

    path: str
    survey: str
    taken_on: str | None
    source: str
    told: Mapping[str, Any]

    @property
    def note(self) -> str | None:
        """How it came to be where it was not measured."""
        note = self.told.get("note")
        return str(note) if note else None

    @property
    def warnings(self) -> list[str]:
        """What is to be said of every figure that rests on it."""
        if self.note is None:
            return []
        return [f"the relief of survey {self.survey} was {self.note}: no figure of it is measured"]


def reliefs_of(surface: Mapping[str, Any]) -> list[KeptRelief]:
    """Reliefs of a surface, oldest first; that of a scan which came before surfaces kept a list is the oldest.

    Parameters
    ----------
    surface : mapping
        Row of the table of surfaces.
    """
    entries = surface.get("reliefs")
    kept = [
        KeptRelief(
            path=str(e["path"]),
            survey=str(e["survey"]),
            taken_on=e.get("taken_on"),
            source=str(e["source"]),
            told=e,
        )
        for e in (entries if isinstance(entries, list) else [])
    ]
    report = surface.get("report")
    if isinstance(report, Mapping) and not is_missing(report.get("relief")):
        path = str(report["relief"])
        if all(k.path != path for k in kept):
            kept.insert(0, KeptRelief(path=path, survey="1", taken_on=None, source="scan", told={}))
    return kept


def newest_reliefs(surfaces: Iterable[Mapping[str, Any]]) -> dict[str, KeptRelief]:
    """The newest relief of every surface that has one."""
    return {str(s["id"]): kept[-1] for s in surfaces if (kept := reliefs_of(s))}


def sections_of(surface: Mapping[str, Any]) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Lines of sections of a surface: name, and u0, v0, u1, v1.

    Parameters
    ----------
    surface : mapping
        Row of the table of surfaces.
    """
    kept = surface.get("sections")
    found = []
    for entry in kept if isinstance(kept, list) else []:
        u0, v0, u1, v1 = (float(value) for value in entry["line_m"])
        found.append((str(entry["name"]), (u0, v0, u1, v1)))
    return found
