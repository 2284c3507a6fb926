"""Figures of a project that were worked out before, good until something of it changes: an estate is then opened at once."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path
from typing import Any

from facademap import __version__
from facademap.io.whole_files import STORE_NAME, keep_file
from facademap.report.costs import Rates
from facademap.store.changes import newest_change
from facademap.store.project import Project

__all__ = ["keep_figures", "kept_figures", "state_of"]

_PLACE = "cache/estate.json"


def state_of(project: Project, rates: Rates | None) -> str:
    """Stands for everything that the figures of a project are made from, with these rates."""
    parts: list[Any] = [__version__, project.project_id, newest_change(project), repr(rates)]
    # a program that writes rows into the file itself leaves no change behind
    for name in (STORE_NAME, f"{STORE_NAME}-wal"):
        try:
            told = (project.folder / name).stat()
            parts.append((told.st_size, told.st_mtime_ns) if told.st_size else 0)
        except OSError:
            parts.append(0)
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def kept_figures(folder: Path, state: str, day: dt.date) -> list[dict[str, Any]] | None:
    """The figures that were kept of a project in this state, if they hold on a day; ``None`` where there are none."""
    try:
        kept = json.loads((folder / _PLACE).read_text(encoding="utf-8"))
        first, last = kept["days"]
        holds = kept["state"] == state and first <= day.isoformat() <= last
        return list(kept["walls"]) if holds else None
    except (OSError, ValueError, TypeError, KeyError):
        return None


def keep_figures(
    folder: Path, state: str, days: tuple[dt.date, dt.date], walls: list[dict[str, Any]]
) -> None:
    """Keep the figures of a project, which hold from one day to another, beside it, where something can be written there."""
    told = [day.isoformat() for day in days]
    body = json.dumps({"state": state, "days": told, "walls": walls}, ensure_ascii=False)
    keep_file(folder, _PLACE, body.encode())
