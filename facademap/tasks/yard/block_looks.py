"""How alike the faces of the yard and the wall around each cut-out are, in full and in parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

import pandas as pd

from facademap.errors import InputError
from facademap.salvage.appearance import Appearance
from facademap.salvage.likeness import LikenessWeights, appearance_distance, appearance_distances
from facademap.store.project import Project
from facademap.tables import is_missing

__all__ = ["likeness_parts", "likeness_weights", "looks_in_parts", "project_looks"]


def likeness_weights(project: Project) -> LikenessWeights:
    """Weights of the parts, by the project's setting ``likeness``."""
    given = project.setting("likeness", {}) or {}
    unknown = sorted(set(given) - {f.name for f in fields(LikenessWeights)})
    if unknown:
        raise InputError(
            f"setting likeness has no {unknown[0]}",
            f"Use {', '.join(f.name for f in fields(LikenessWeights))}.",
        )
    return LikenessWeights(**given)


def project_looks(
    project: Project, *, pieces: pd.DataFrame, faces: pd.DataFrame
) -> dict[str, dict[str, float]]:
    """Distance of every measured neighbourhood to every block, by repair and block.

    Notes
    -----
    A block of several measured faces counts by the face most like the place.
    """
    targets = [
        (r, a)
        for r, a in zip(pieces["repair"], map(_appearance, pieces["appearance"]), strict=True)
        if a is not None
    ]
    known = [
        (b, a)
        for b, a in zip(faces["block"], map(_appearance, faces["appearance"]), strict=True)
        if a is not None
    ]
    if not targets or not known:
        return {}
    totals = appearance_distances(
        [a for _, a in targets], [a for _, a in known], weights=likeness_weights(project)
    )
    looks: dict[str, dict[str, float]] = {}
    for (repair, _), row in zip(targets, totals, strict=True):
        costs = looks.setdefault(repair, {})
        for (block, _), total in zip(known, row.tolist(), strict=True):
            costs[block] = min(costs.get(block, float("inf")), round(total, 6))
    return looks


def likeness_parts(project: Project, repair: str) -> list[dict[str, Any]]:
    """Every measured face beside the neighbourhood of a repair, most alike first.

    Returns
    -------
    list of dict
        ``block``, ``face``, ``total``, ``mean``, ``spread``, ``distribution``, ``grain``, ``rank_only``, ``flags``.

    Raises
    ------
    InputError
        The repair has no piece, or its neighbourhood was not measured.
    """
    pieces = project.read("pieces", where={"repair": repair})
    target = None if pieces.empty else _appearance(pieces.iloc[0]["appearance"])
    if target is None:
        raise InputError(
            f"the neighbourhood of repair {repair} was not measured",
            "Run facademap appearance first, and check the name.",
        )
    weights, found = likeness_weights(project), []
    for face in project.read("faces").to_dict("records"):
        seen = _appearance(face["appearance"])
        if seen is not None:
            parts = asdict(appearance_distance(target, seen, weights=weights))
            found.append(
                {"block": face["block"], "face": face["id"], **parts, "flags": list(parts["flags"])}
            )
    return sorted(found, key=lambda f: (f["total"], f["face"]))


def looks_in_parts(project: Project, repair: str) -> dict[str, dict[str, float]]:
    """The parts of :func:`project_looks` for one repair: what each adds to the distance of a block.

    Returns
    -------
    dict
        By block ``mean``, ``spread``, ``distribution`` and ``grain`` of its most alike face, each times its weight, so
        that they add up to the distance. Empty where the neighbourhood was not measured.
    """
    pieces = project.read("pieces", where={"repair": repair})
    if pieces.empty or _appearance(pieces.iloc[0]["appearance"]) is None:
        return {}
    weights = asdict(likeness_weights(project))
    parts: dict[str, dict[str, float]] = {}
    for face in likeness_parts(project, repair):
        parts.setdefault(
            face["block"], {name: weight * face[name] for name, weight in weights.items()}
        )
    return parts


def _appearance(record: Any) -> Appearance | None:
    if not isinstance(record, Mapping) or is_missing(record) or "pattern" not in record:
        return None
    return Appearance.from_record(record)
