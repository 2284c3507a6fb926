"""Pieces whose stone is still in the wall: which repair it comes out with, and whether that can go first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from facademap.tables import is_missing

__all__ = ["BEFORE_CUT_OUT", "WallStone", "faults_of_wall_stone", "in_order", "wall_stone_of"]

#: Stages of a repair whose stone is still in the wall.
BEFORE_CUT_OUT = frozenset({"proposed", "approved"})


@dataclass(frozen=True, slots=True, kw_only=True)
class WallStone:
    """A piece planned from stone of the wall that nobody has accepted yet.

    Parameters
    ----------
    repair, piece, block : str
        Who needs the stone.
    donor : str
        Repair that it comes out with.
    out : bool
        Whether that one is cut out, so that the stone can be sounded and tested.
    stage : str
        Stage of that repair; empty when it is not there.
    state : str
        State of the placement.
    """

    repair: str
    piece: str
    block: str
    donor: str
    out: bool
    stage: str
    state: str


def wall_stone_of(
    placements: pd.DataFrame, blocks: pd.DataFrame, repairs: pd.DataFrame
) -> tuple[WallStone, ...]:
    """Pieces placed on blocks that exist only after another repair's cut-out, in the order of their repairs."""
    future = blocks[(blocks["state"] == "future") & ~blocks["after_repair"].map(is_missing)]
    donor_of = dict(zip(future["id"], future["after_repair"], strict=True))
    stages = dict(zip(repairs["id"], repairs["stage"], strict=True))
    found = []
    for p in placements.to_dict("records"):
        donor = donor_of.get(p["block"])
        if donor is not None:
            stage = str(stages.get(donor, ""))
            found.append(
                WallStone(
                    repair=str(p["repair"]),
                    piece=str(p["piece"]),
                    block=str(p["block"]),
                    donor=str(donor),
                    out=bool(stage) and stage not in BEFORE_CUT_OUT and stage != "on hold",
                    stage=stage,
                    state=str(p["state"]),
                )
            )
    return tuple(sorted(found, key=lambda w: w.repair))


def in_order(repairs: Iterable[str], waits: Mapping[str, str]) -> tuple[str, ...]:
    """Repairs, each after the one that it waits for; there must be no circle."""
    order: dict[str, None] = {}
    for repair in repairs:
        chain = [repair]
        while chain[-1] in waits and waits[chain[-1]] not in chain:
            chain.append(waits[chain[-1]])
        order.update(dict.fromkeys(reversed(chain)))
    return tuple(order)


def faults_of_wall_stone(
    uses: Sequence[WallStone], placements: pd.DataFrame, repairs: pd.DataFrame
) -> Iterator[tuple[str, str, str]]:
    """What keeps stone from being there when it is needed: repair, problem, remedy."""
    placed = set(placements["repair"])
    treatment = dict(zip(repairs["id"], repairs["treatment"], strict=True))
    waits = {w.repair: w.donor for w in uses if not w.out}
    told: set[str] = set()
    for use in uses:
        if use.out:
            continue
        again = "Match again."
        if treatment.get(use.donor) != "whole stone":
            yield (
                use.repair,
                f"its stone, block {use.block}, was to come out with repair {use.donor}, which takes out no whole stone now",
                again,
            )
        elif use.stage == "on hold":
            yield (
                use.repair,
                f"its stone, block {use.block}, comes out with repair {use.donor}, which is on hold",
                f"Take up {use.donor}, or match again.",
            )
        elif use.donor not in placed:
            yield (
                use.repair,
                f"its stone, block {use.block}, comes out with repair {use.donor}, which has no block and is not cut out",
                f"Find a block for {use.donor}, or match again.",
            )
        chain = [use.repair]
        while chain[-1] in waits and waits[chain[-1]] not in chain:
            chain.append(waits[chain[-1]])
        if waits.get(chain[-1]) == use.repair and use.repair not in told:
            told |= set(chain)
            yield (
                ", ".join(chain),
                "wait for stone that comes out with each other, in a circle",
                "Match again, or forbid one of the blocks.",
            )
