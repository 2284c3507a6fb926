"""The designed treatments of a project: repairs that are not a piece of stone, each worked out from what is stored."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

from facademap.store.project import Project
from facademap.tasks.plan.plan import settings_of_project
from facademap.treatment import Job, TreatmentValues, design_jobs, read_treatment_values

__all__ = ["jobs_of_project", "treatment_values_of_project"]

_TABLES = ("repairs", "conditions", "wall_stones", "trials", "consents")


@lru_cache(maxsize=1)
def _packaged() -> TreatmentValues:
    text = resources.files("facademap.treatment").joinpath("values.toml").read_text("utf-8")
    return read_treatment_values(text)


def treatment_values_of_project(project: Project) -> TreatmentValues:
    """The packaged trade values of treatments with those that were decided for the project."""
    changes = project.setting("treatment_values", {}) or {}
    values = _packaged()
    return values.with_values(changes, source="decided for this project") if changes else values


def jobs_of_project(project: Project) -> list[Job]:
    """The job of every repair that is not a piece of stone, by id.

    Parameters
    ----------
    project : Project

    Returns
    -------
    list of Job
        Nothing is stored: a job follows from repairs, conditions, wall stones and trials as they are now.
    """
    return design_jobs(
        {name: project.read(name) for name in _TABLES},
        settings=settings_of_project(project),
        values=treatment_values_of_project(project),
    )
