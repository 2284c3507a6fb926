"""A project in a notebook: its tables, and every step of the job as a method."""

from __future__ import annotations

from facademap.library.deciding import PlanSteps
from facademap.library.survey import SurveySteps
from facademap.library.tables import FilePath
from facademap.library.work import WorkSteps

__all__ = ["Project", "demo", "new", "open_project"]


class Project(SurveySteps, PlanSteps, WorkSteps):
    """One campaign on one building, in a folder.

    Nothing is held open: every table is read, and every step stored, at the moment it is asked for, so that the
    survey desk and other notebooks may work on the same project.

    Parameters
    ----------
    folder : path
        The project folder.

    Raises
    ------
    FileError, ProjectError
        There is no project, or it is of a newer version.
    """

    __slots__ = ()


def open_project(folder: FilePath) -> Project:
    """Open a project; ``facademap.open`` is the same.

    Parameters
    ----------
    folder : path

    Returns
    -------
    Project

    Raises
    ------
    FileError, ProjectError
        There is no project, or it is of a newer version.
    """
    return Project(folder)


def new(
    folder: FilePath, *, name: str | None = None, description: FilePath | None = None
) -> Project:
    """Make a project.

    Parameters
    ----------
    folder : path
        Empty or missing.
    name : str, optional
        Name of the campaign; makes one elevation of one plane surface.
    description : path, optional
        A ``project.toml`` with elevations, surfaces and settings.

    Returns
    -------
    Project

    Raises
    ------
    InputError
        Both or neither were given, or the description cannot be used.
    FileError
        The folder holds a project already.
    """
    from facademap.errors import InputError
    from facademap.tasks.project.create_project import (
        ProjectPlan,
        create_project,
        read_project_plan,
    )

    if (name is None) == (description is None):
        raise InputError("a new project needs a name or a description", "Give one of the two.")
    plan = (
        ProjectPlan.of_one_wall(str(name))
        if description is None
        else read_project_plan(description)
    )
    create_project(folder, plan)
    return Project(folder)


def demo(folder: FilePath) -> Project:
    """Make the demo project and take it from photos to papers (a minute or two).

    Parameters
    ----------
    folder : path

    Returns
    -------
    Project

    Raises
    ------
    FileError
        This installation has no demo data, or the folder holds a project already.
    """
    from facademap.tasks.project.demo import run_demo

    run_demo(folder)
    return Project(folder)
