"""The register of issued papers as a project keeps it: one setting a transmittal, so that its history holds it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from facademap.report.issue_register import Document, Register, Transmittal
from facademap.report.revision import Revision
from facademap.store.project import Project
from facademap.tasks.issue.papers_register import ISSUED

__all__ = ["kept_transmittal", "read_register"]


def read_register(project: Project) -> Register:
    """The register of a project; empty where nothing was issued."""
    rows = project.read("settings")
    ids = sorted(i for i in rows["id"].astype(str) if i.startswith(ISSUED))
    kept = [(i.removeprefix(ISSUED), project.setting(i)) for i in ids]
    return Register(tuple(_transmittal(i, value) for i, value in kept if value))


def _transmittal(id: str, kept: Mapping[str, Any]) -> Transmittal:
    fresh = tuple(
        Document(
            **{k: v for k, v in d.items() if k != "revision"},
            revision=Revision(**d["revision"]),
            transmittal=id,
        )
        for d in kept["fresh"]
    )
    return Transmittal(
        id=id,
        fresh=fresh,
        to=tuple(kept["to"]),
        documents=tuple(kept["documents"]),
        **{k: str(kept[k]) for k in ("date", "status", "reason", "by")},
    )


def kept_transmittal(one: Transmittal) -> dict[str, Any]:
    """A transmittal as its setting holds it."""
    fresh = [{k: v for k, v in asdict(d).items() if k != "transmittal"} for d in one.fresh]
    plain = {k: v for k, v in asdict(one).items() if k not in ("id", "fresh")}
    return {**plain, "to": list(one.to), "documents": list(one.documents), "fresh": fresh}
