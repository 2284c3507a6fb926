"""No change by hand may let two cut-outs take the same stone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from facademap.errors import InputError
from facademap.repair.overlaps import SHARED_AREA_M2, shared_stone_m2
from facademap.store.edit import outline_from_hex
from facademap.store.project import Project
from facademap.tables import PIECED

__all__ = ["refuse_overlaps"]

Place = tuple[str, str]


def refuse_overlaps(project: Project, net: Mapping[Place, Sequence[Any]]) -> None:
    """Refuse an edit after which a cut-out that it changed takes stone that another takes too, and more than before.

    Parameters
    ----------
    net : mapping of (table, id) to (before, after)
        What the edit has done, row by row.

    Raises
    ------
    InputError
        Two cut-outs overlap.
    """
    for (table, id), (before, after) in net.items():
        if table != "repairs" or after is None or after["treatment"] not in PIECED:
            continue
        cut_before = before is not None and before["treatment"] in PIECED
        same = cut_before and all(before[n] == after[n] for n in ("geometry", "surface"))
        own = outline_from_hex(after["geometry"])
        if same or own is None or own.is_empty:
            continue
        was = outline_from_hex(before["geometry"]) if cut_before else None
        near: dict[str, Any] = {"where": {"surface": after["surface"]}, "box": own.bounds}
        repairs, stones = project.read("repairs", **near), project.read("wall_stones", **near)
        others = repairs[(repairs["id"] != id) & repairs["treatment"].isin(PIECED)]
        for other in others.to_dict("records"):
            shared = _shared(own, other["geometry"], stones)
            if shared > SHARED_AREA_M2 and (
                was is None or shared > _shared(was, other["geometry"], stones) + 1e-9
            ):
                raise InputError(
                    f"repair {id}: its cut-out takes {shared * 1e4:.0f} cm2 of stone that repair {other['id']} takes too",
                    f"Keep clear of {other['id']}, or plan the two as one.",
                )


def _shared(one: Any, other: Any, stones: Any) -> float:
    return sum(shared_stone_m2([one, other], list(stones.geometry)).values())
