"""Densities of a project's stones: decided, else from its weighed blocks, else from handbooks."""

from __future__ import annotations

from facademap.salvage.densities import StoneDensity, measured_densities
from facademap.store.project import Project

__all__ = ["densities_of_project"]


def densities_of_project(project: Project) -> dict[str, StoneDensity | float]:
    """Densities by local name: what was decided for the project goes before what was weighed."""
    weighed = measured_densities(project.read("blocks").to_dict("records"))
    decided = project.setting("densities", {}) or {}
    return {**weighed, **{str(k): float(v) for k, v in decided.items()}}
