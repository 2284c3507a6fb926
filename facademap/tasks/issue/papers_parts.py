"""What each sheet of a paper was made from, so that a change says which sheets hold and which do not.

A ticket hangs on its own rows and on the block that it is sawn from, with all that is sawn from the same block.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import shapely

from facademap.repair.consents import open_consents
from facademap.tables import is_missing
from facademap.tasks.issue.papers_context import Context
from facademap.tasks.issue.papers_list import Paper
from facademap.treatment.poisons import poison_flags

__all__ = ["QUIET", "part_prints", "stale_parts"]

_LENGTH = 12
#: Columns that say nothing on a ticket, a template or a saw plan, by table.
QUIET: Mapping[str, frozenset[str]] = {
    "repairs": frozenset(
        {
            "stage",
            "priority",
            "removed_area_m2",
            "removed_volume_m3",
            "rule",
            "rule_source",
            "rule_status",
            "overruled_by",
            "reason",
            "consent_reference",
            "consent_conditions",
        }
    ),
    "wall_stones": frozenset({"measured_face"}),
    "pieces": frozenset({"lock_block", "forbid_blocks"}),
    "placements": frozenset({"plan", "de00", "visual", "state"}),
    "blocks": frozenset({"acceptance", "acceptance_checks"}),
}
Row = Mapping[str, Any]


def part_prints(context: Context, paper: Paper, code: str) -> dict[str, str]:
    """Digest of what each sheet of a paper is made from, by repair or block; empty for one that is a whole."""
    if not paper.parts:
        return {}
    common = "\n".join((code, repr(context.choices), context.settings_print(paper.settings)))
    links = _Links(context)
    found = links.by_repair() if paper.parts == "repair" else links.by_block()
    return {id: _digest(common, rows) for id, rows in sorted(found.items())}


def stale_parts(then: Mapping[str, str], now: Mapping[str, str]) -> tuple[list[str], list[str]]:
    """Sheets that do not hold any more, and those that do."""
    gone = [id for id, kept in then.items() if now.get(id) != kept]
    return gone, [id for id in then if id not in set(gone)]


class _Links:
    """Which rows belong together."""

    def __init__(self, context: Context) -> None:
        self.rows = {
            name: {str(r["id"]): _said(name, r) for r in context.frame(name).to_dict("records")}
            for name in (
                "elevations",
                "surfaces",
                "wall_stones",
                "conditions",
                "repairs",
                "pieces",
                "placements",
                "blocks",
                "faces",
            )
        }
        repairs = context.frame("repairs")
        self.stages = dict(zip(repairs["id"].astype(str), repairs["stage"], strict=True))
        consents = context.frame("consents").to_dict("records")
        self.waits = {str(r["id"]): open_consents(consents, r) for r in repairs.to_dict("records")}
        self.pieces = _grouped(self.rows["pieces"].values(), "repair")
        self.places = _grouped(self.rows["placements"].values(), "block")
        self.place_of = {str(p["piece"]): p for p in self.rows["placements"].values()}
        self.faces = _grouped(self.rows["faces"].values(), "block")

    def by_repair(self) -> dict[str, list[Row]]:
        found = {}
        for id, repair in self.rows["repairs"].items():
            pieces = self.pieces.get(id, [])
            if not pieces:
                continue
            rows = [repair, *pieces]
            surface = self._row("surfaces", repair["surface"])
            rows += [
                *surface,
                *(e for s in surface for e in self._row("elevations", s["elevation"])),
            ]
            rows += self._row("wall_stones", repair.get("wall_stone"))
            # of a condition, and of a consent, a ticket has what follows for whoever cuts
            answered = [c for name in repair["conditions"] for c in self._row("conditions", name)]
            rows += [{"says": flag} for flag in poison_flags(answered)]
            rows += [{"waits": consent} for consent in self.waits[id]]
            blocks = {str(p["block"]) for r in pieces if (p := self.place_of.get(str(r["id"])))}
            for block in sorted(blocks):
                rows += self._of_block(block)
            # what is cut out of the wall here may be stone for others
            for row in self.rows["blocks"].values():
                if row.get("after_repair") == id:
                    rows += self._of_block(str(row["id"]))
            found[id] = rows
        return found

    def by_block(self) -> dict[str, list[Row]]:
        return {block: self._of_block(block) for block in self.places}

    def _of_block(self, block: str) -> list[Row]:
        """A block with its faces, and everything that is sawn from it."""
        own = self._row("blocks", block)
        rows = [*own, *self.faces.get(block, [])]
        # stone that is in the wall yet: whether it has come out
        rows += [{"out_of_the_wall": self.stages.get(str(r["after_repair"]))} for r in own]
        for place in self.places.get(block, []):
            repair = self._row("repairs", place["repair"])
            rows += [place, *self._row("pieces", place["piece"]), *repair]
            rows += [s for r in repair for s in self._row("wall_stones", r["wall_stone"])]
        return rows

    def _row(self, table: str, id: Any) -> list[Row]:
        row = None if is_missing(id) else self.rows[table].get(str(id))
        return [] if row is None else [row]


def _said(table: str, row: Row) -> Row:
    quiet = QUIET.get(table, frozenset())
    return {k: v for k, v in row.items() if k not in quiet}


def _grouped(rows: Iterable[Row], column: str) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[str(row[column])].append(row)
    return found


def _digest(common: str, rows: Sequence[Row]) -> str:
    total = hashlib.sha256(common.encode())
    for row in rows:
        plain = {k: v for k, v in row.items() if k != "geometry"}
        total.update(json.dumps(plain, default=str, sort_keys=True).encode())
        if (shape := row.get("geometry")) is not None:
            total.update(bytes(shapely.to_wkb(shape)))
    return total.hexdigest()[:_LENGTH]
