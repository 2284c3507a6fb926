"""What can be done to plans from the command line, one act after the other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.match.kept_plans import choose_plan, keep_now, keep_plan, name_plan, undo_plan

__all__ = ["act_on_plans"]


def act_on_plans(
    folder: str | Path,
    plan: str | None,
    *,
    name: str | None = None,
    keep: bool | None = None,
    keep_now_as: str | None = None,
    choose: bool = False,
    undo: bool = False,
    who: str = "facademap plans",
) -> list[dict[str, Any]]:
    """Name, keep, choose or take back plans; each act is an edit of its own and is told in words."""
    if plan is None and (name is not None or keep is not None or choose):
        raise InputError("no plan is named", "Give its number, as facademap plans lists it.")
    done: list[dict[str, Any]] = []
    with Project.open(folder) as project:
        if undo:
            found = undo_plan(project, who=who)
            now = found["plan"] or "none"
            done.append({**found, "text": f"{found['was']} taken back; in force: {now}"})
        if keep_now_as is not None:
            row = keep_now(project, keep_now_as, who=who)
            done.append(
                {"plan": row["id"], "text": f"kept as {row['id']} {row['name'] or ''}".strip()}
            )
        if plan is not None and name is not None:
            row = name_plan(project, plan, name, who=who)
            done.append({"plan": plan, "text": f"{plan} is called {row['name'] or 'nothing'}"})
        if plan is not None and keep is not None:
            keep_plan(project, plan, kept=keep, who=who)
            done.append({"plan": plan, "text": f"{plan} {'is kept' if keep else 'is let go'}"})
        if plan is not None and choose:
            found = choose_plan(project, plan, who=who)
            text = f"{plan} is in force; {len(found['changed'])} repairs have another place"
            done.append({**found, "text": text})
    return done
