"""Read a review file that the condition map saved: who said what of which repair or condition, and when."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.csv_tables import read_text_file
from facademap.plain_texts import parse_json
from facademap.store.gate import gated_edit
from facademap.store.project import Project

__all__ = ["add_review"]

_VERSION = 1
_KEYS = {"at", "reviewer", "about_table", "about", "decision", "text"}


def add_review(folder: str | Path, path: str | Path, *, who: str | None = None) -> dict[str, Any]:
    """Store the entries of a review file; a file read twice adds nothing.

    Notes
    -----
    An approval or a return is kept as the reviewer's word. It moves no repair to another stage by itself:
    that is the decision of the person who is responsible.

    Returns
    -------
    dict
        ``added``, ``known`` (entries that were there already), ``approved``, ``returned`` (ids).
    """
    path = Path(path)
    entries, project_id = _read(path)
    with Project.open(folder) as project:
        if project_id != project.project_id:
            raise InputError(
                f"{path}: is a review of another project",
                "Read it into the project whose map was reviewed.",
            )
        known = set(project.read("reviews")["id"])
        ids = {
            table: set(project.read(table)["id"]) for table in ("repairs", "conditions", "plans")
        }
        rows = []
        for entry in entries:
            if (
                entry["about_table"] in ids
                and entry["about"] not in ids[entry["about_table"]]
                and entry["about_table"] != "plans"
            ):
                raise InputError(
                    f"{path}: {entry['about']} is not in the project",
                    "It may have been deleted; see its history.",
                )
            mark = hashlib.sha256(json.dumps(entry, sort_keys=True).encode()).hexdigest()[:16]
            rows.append({"id": f"V-{mark}", **entry, "source": path.name})
        fresh = [r for r in rows if r["id"] not in known]
        with gated_edit(
            project,
            who=who or (rows[0]["reviewer"] if rows else "reviewer"),
            what=f"review {path.name}",
        ) as edit:
            edit.put("reviews", fresh)
    return {
        "added": len(fresh),
        "known": len(rows) - len(fresh),
        "approved": [r["about"] for r in rows if r["decision"] == "approve"],
        "returned": [r["about"] for r in rows if r["decision"] == "return"],
    }


def _read(path: Path) -> tuple[list[dict[str, Any]], str]:
    remedy = "Save the review again from the condition map."
    content = parse_json(read_text_file(path, what="review file"), where=str(path), remedy=remedy)
    if not isinstance(content, dict) or content.get("facademap_review") != _VERSION:
        raise InputError(f"{path}: is not a review file of a condition map", remedy)
    entries = content.get("entries")
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise InputError(f"{path}: has no list of entries", remedy)
    for number, entry in enumerate(entries, start=1):
        unknown = sorted(set(entry) - _KEYS)
        if unknown:
            raise InputError(f"{path}: entry {number} has an unknown part {unknown[0]}", remedy)
        if entry.get("decision") == "return" and not str(entry.get("text") or "").strip():
            raise InputError(
                f"{path}: entry {number} returns {entry.get('about')} without a reason",
                "Add the reason.",
            )
    return entries, str(content.get("project", ""))
