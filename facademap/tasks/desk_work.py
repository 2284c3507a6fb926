"""What the record page of one repair needs: stage, next stages, checks with the measure they ask for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from facademap.io.rule_files import load_criteria
from facademap.store.project import Project
from facademap.tasks.work import work_state

__all__ = ["work_page"]


def work_page(folder: Path, repair: str) -> dict[str, Any]:
    """State of the work on one repair with the criteria in words."""
    state = work_state(folder, repair)
    with Project.open(folder, read_only=True) as project:
        criteria = load_criteria(project.setting("criteria_path"))
    asked = {c.name: c for c in criteria.for_treatment(state["treatment"])}
    for check in state["checks"]:
        found = asked.get(check["criterion"])
        if found is not None:
            check |= {"kind": found.kind, "measured": found.measured, "limit": found.limit, "source": found.source,
                      "status": found.status}
    return state
