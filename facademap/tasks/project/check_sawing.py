"""What of the saw plans does not come out, as findings of the audit."""

from __future__ import annotations

from collections.abc import Iterator

from facademap.match.saw_tables import sawing_of
from facademap.repair.settled import RESERVED_STATES, is_sawn
from facademap.store.project import Project
from facademap.tasks.match.yard_rules import rules_of_yard
from facademap.tasks.project.finding import Finding

__all__ = ["saw_plans_of", "sawn_unsaid"]

_SAWN = frozenset({"sawn", "used"})


def saw_plans_of(project: Project) -> Iterator[Finding]:
    """Blocks that cannot be sawn as planned; those that are sawn already are left alone."""
    placements = project.read("placements")
    if placements.empty:
        return
    blocks = project.read("blocks")
    sawn = set(blocks["id"][blocks["state"].isin(_SAWN)])
    frames = {
        "faces": project.read("faces"),
        "pieces": project.read("pieces"),
        "placements": placements[~placements["block"].isin(sawn)],
    }
    for refused in sawing_of(frames, rules_of_yard(project))[1]:
        yield Finding(
            level="fault",
            kind="plan",
            about=f"block {refused.block_id}",
            problem=f"{refused.problem} (pieces {', '.join(refused.pieces)})",
            remedy=refused.remedy,
            table="blocks",
            row=refused.block_id,
        )


def sawn_unsaid(project: Project) -> Iterator[Finding]:
    """Blocks that still count as whole though the record says that pieces were sawn from them."""
    repairs = {r["id"]: r for r in project.read("repairs").to_dict("records")}
    blocks = project.read("blocks")
    whole = set(blocks["id"][~blocks["state"].isin(_SAWN)])
    cut: dict[str, list[str]] = {}
    for place in project.read("placements").to_dict("records"):
        if (
            place["block"] in whole
            and place["state"] in RESERVED_STATES
            and is_sawn(repairs.get(place["repair"]))
        ):
            cut.setdefault(str(place["block"]), []).append(str(place["piece"]))
    for block, pieces in sorted(cut.items()):
        yield Finding(
            level="warning",
            kind="plan",
            about=f"block {block}",
            problem=f"the record says that {', '.join(sorted(set(pieces)))} is sawn from it, yet it counts as whole: a match may plan stone that is cut away",
            remedy="Once its last cut is made set its state to sawn, then run facademap yard remainders: what is left can be matched as it lies.",
            table="blocks",
            row=block,
            field="state",
        )
