"""The tables of a project, read when they are asked for."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from facademap.store.project import Project as Store
from facademap.tables import TABLES

__all__ = ["FilePath", "Progress", "ProjectTables", "quiet"]

FilePath = str | Path
Progress = Callable[[float], None]


def quiet(share: float) -> None:
    """Where nobody watches the progress."""


class _Rows:
    """A table of the project, read anew whenever it is asked for."""

    def __init__(self, table: str) -> None:
        self.table = table
        self.__doc__ = f"{TABLES[table].title}, one row each; units stand in the column names."

    def __get__(self, project: ProjectTables | None, owner: type) -> Any:
        return self if project is None else project.table(self.table)


class ProjectTables:
    """The tables of a project in a folder.

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

    surfaces = _Rows("surfaces")
    photos = _Rows("photos")
    control_points = _Rows("control_points")
    observations = _Rows("observations")
    wall_stones = _Rows("wall_stones")
    openings = _Rows("openings")
    conditions = _Rows("conditions")
    repairs = _Rows("repairs")
    pieces = _Rows("pieces")
    blocks = _Rows("blocks")
    faces = _Rows("faces")
    plans = _Rows("plans")
    placements = _Rows("placements")
    work_log = _Rows("work_log")
    reviews = _Rows("reviews")

    __slots__ = ("folder", "name")

    def __init__(self, folder: FilePath) -> None:
        with Store.open(folder) as store:
            self.folder = store.folder.resolve()
            self.name = str(store.setting("name", self.folder.name))

    # -- looking ------------------------------------------------------------------------------

    def table(self, name: str, *, where: Mapping[str, Any] | None = None) -> pd.DataFrame:
        """Rows of one table, as its contract promises.

        Parameters
        ----------
        name : str
            One of ``facademap.tables.TABLES``.
        where : mapping, optional
            Column and value that the rows must have.

        Returns
        -------
        GeoDataFrame or DataFrame
            Metres, square metres, cubic metres and kilograms, as the column names say; changing it changes nothing
            in the project.

        Raises
        ------
        InputError
            There is no such table or column.
        """
        with Store.open(self.folder, read_only=True) as store:
            rows: pd.DataFrame = store.read(name, where=where)
            return rows

    def history(self, *, last: int | None = None) -> pd.DataFrame:
        """Who changed what and when, newest first.

        Parameters
        ----------
        last : int, optional
            Only so many entries.

        Returns
        -------
        DataFrame
        """
        with Store.open(self.folder, read_only=True) as store:
            return store.history(last=last)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ProjectTables) and other.folder == self.folder

    def __hash__(self) -> int:
        return hash(self.folder)

    def __repr__(self) -> str:
        return f"<Project {self.name!r} in {self.folder.name}: {self._counted()}>"

    def _repr_html_(self) -> str:
        return f"<div><b>{html.escape(self.name)}</b><br>{html.escape(self._counted())}</div>"

    def _counted(self) -> str:
        counts = {n: len(self.table(n)) for n in ("photos", "conditions", "repairs", "blocks")}
        return ", ".join(f"{count} {name}" for name, count in counts.items())
