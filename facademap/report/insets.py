"""Every inset gone through before it is printed, and the file of insets for whoever sets or checks them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd

from facademap.repair.assembly import Assembly
from facademap.repair.replay import Replay, replay_rows
from facademap.repair.settings import Settings
from facademap.report.rows import rows_of

__all__ = ["Insets", "go_through", "insets_that_fail", "write_insets"]

#: Piece id to its assembly (nothing where it cannot be read) and what going through it showed.
Insets = Mapping[str, tuple[Assembly | None, Replay]]


def go_through(frames: Mapping[str, pd.DataFrame], settings: Settings) -> Insets:
    """The replay of every piece, by its id.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``repairs``, ``pieces`` and, where there are any, ``wall_stones``.
    settings : Settings
        Trade values of the project.
    """
    repairs = {r["id"]: r for r in rows_of(frames["repairs"])}
    stones = {s["id"]: s for s in rows_of(frames["wall_stones"])} if "wall_stones" in frames else {}
    found: dict[str, tuple[Assembly | None, Replay]] = {}
    for piece in rows_of(frames["pieces"]):
        repair = repairs.get(piece["repair"])
        if repair is not None:
            found[str(piece["id"])] = replay_rows(
                repair, piece, settings=settings, stone=stones.get(repair["wall_stone"])
            )
    return found


def insets_that_fail(frames: Mapping[str, pd.DataFrame], insets: Insets) -> list[str]:
    """A sentence for each piece that cannot be set as planned, with its remedy."""
    repair_of: dict[Any, Any] = dict(
        zip(frames["pieces"]["id"], frames["pieces"]["repair"], strict=True)
    )
    return [
        f"{repair_of[piece]} ({piece}) cannot be set as planned, so it has no ticket: {found.faults[0].sentence}"
        for piece, (_, found) in insets.items()
        if not found.passed
    ]


def write_insets(frames: Mapping[str, pd.DataFrame], insets: Insets) -> bytes:
    """The insets that pass, as JSON: lengths in millimetres, x right and y up as seen from outside, z into the stone.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``repairs`` and ``pieces``.
    insets : mapping
        From :func:`go_through`; what fails is left out.
    """
    pieces = {str(p["id"]): p for p in rows_of(frames["pieces"])}
    treatments: dict[Any, Any] = dict(
        zip(frames["repairs"]["id"], frames["repairs"]["treatment"], strict=True)
    )
    listed = [
        assembly.as_contract(treatment=str(treatments[pieces[name]["repair"]]))
        for name, (assembly, found) in sorted(insets.items())
        if assembly is not None and found.passed
    ]
    return (json.dumps(listed, indent=1, ensure_ascii=False) + "\n").encode()
