"""What the audit says of depths: typed ones that the relief contradicts, measured ones that wait or went stale."""

from __future__ import annotations

from collections.abc import Iterator

from facademap.condition.measured_depth import depth_disagrees, depth_waits, is_stale
from facademap.store.project import Project
from facademap.tasks.project.finding import Finding

__all__ = ["measured_depths_of"]


def measured_depths_of(project: Project) -> Iterator[Finding]:
    """Findings on measured depths of conditions."""
    waiting = []
    for row in project.read("conditions").to_dict("records"):
        id = str(row["id"])
        if depth_waits(row):
            waiting.append(id)
        if is_stale(row):
            yield Finding(
                level="warning",
                kind="unconfirmed",
                about=f"condition {id}",
                problem="its outline was changed after its depth was measured",
                remedy="Measure it again with facademap depths --store.",
                table="conditions",
                row=id,
                field="depth_m",
            )
        elif depth_disagrees(row):
            told = row["measured_depth"]
            yield Finding(
                level="warning",
                kind="wanting",
                about=f"condition {id}",
                problem=f"the record says {float(row['depth_m']) * 1000:.0f} mm deep, the relief "
                f"{told['deepest_m'] * 1000:.0f} mm (mean {told['mean_m'] * 1000:.1f} ± {told['plus_minus_95_m'] * 1000:.1f} mm)",
                remedy="Look at the place; confirm the measured depth, or type the right one with a note.",
                table="conditions",
                row=id,
                field="depth_m",
            )
    if waiting:
        yield Finding(
            level="warning",
            kind="unconfirmed",
            about="conditions",
            problem=f"{len(waiting)} measured depths not confirmed by a person, such as {', '.join(waiting[:3])}",
            remedy="Look at each on the survey desk, or confirm them with facademap depths --confirm.",
            table="conditions",
            row=waiting[0],
            field="depth_m",
        )
