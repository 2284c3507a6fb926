"""What of the saw plans does not come out, as findings of the audit."""

from __future__ import annotations

from collections.abc import Iterator

from facademap.match.saw_tables import sawing_of
from facademap.store.project import Project
from facademap.tasks.match.yard_rules import rules_of_yard
from facademap.tasks.project.finding import Finding

__all__ = ["saw_plans_of"]

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
