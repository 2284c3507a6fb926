"""Papers and map, audit, record and programme."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from facademap.library.results import (
    Checked,
    MapMade,
    PapersMade,
    Programme,
    Recorded,
    WorkState,
    as_rows,
    told,
)
from facademap.library.tables import FilePath, Progress, ProjectTables, quiet
from facademap.values import ReadOnly

__all__ = ["WorkSteps"]


class WorkSteps(ProjectTables):
    """What is handed out and recorded."""

    __slots__ = ()

    def make_papers(
        self,
        *only: str,
        again: bool = False,
        out: FilePath | None = None,
        who: str = "conservator",
    ) -> PapersMade:
        """Make drawings, tickets, saw plans, lists and exchange files.

        Parameters
        ----------
        *only : str
            Names of papers; all without any.
        again : bool
            Make also what did not change.
        out : path, optional
            Another folder than the project's ``out``.
        who : str

        Returns
        -------
        PapersMade
            A paper that cannot be made stands in ``failed`` and does not hold up the others.

        Raises
        ------
        FacademapError
            The folder cannot be written, or there is no such paper.
        """
        from facademap.tasks.issue.papers import make_papers

        done = make_papers(self.folder, only=only, again=again, out=out, who=who)
        rows = [
            {"paper": paper, "file": str(done.folder / name), "made": paper in done.made}
            for paper, names in done.files.items()
            for name in names
        ]
        return PapersMade(
            folder=self.folder,
            frame=pd.DataFrame(rows, columns=["paper", "file", "made"]),
            made=done.made,
            unchanged=done.unchanged,
            failed=ReadOnly(done.failed),
            warnings=done.warnings,
        )

    def make_map(
        self,
        *,
        out: FilePath | None = None,
        who: str = "conservator",
        progress: Progress | None = None,
    ) -> MapMade:
        """Make the condition map, one page that opens offline.

        Parameters
        ----------
        out : path, optional
        who : str
        progress : callable, optional

        Returns
        -------
        MapMade

        Raises
        ------
        FacademapError
            The page cannot be written.
        """
        from facademap.tasks.issue.condition_map import make_condition_map

        done = make_condition_map(
            self.folder,
            target=None if out is None else Path(out),
            who=who,
            progress=progress or quiet,
        )
        path = Path(done.pop("path"))
        return told(MapMade, done, path=path, folder=self.folder, frame=self.conditions)

    def check(self, *, fast: bool = False, progress: Progress | None = None) -> Checked:
        """Go through the project: contracts, references, survey, repairs, saw plans, papers.

        Parameters
        ----------
        fast : bool
            Leave out what reads every picture.
        progress : callable, optional

        Returns
        -------
        Checked
        """
        from facademap.tasks.project.check import check_project
        from facademap.tasks.project.finding import Finding

        done = check_project(self.folder, fast=fast, progress=progress or quiet)
        rows = done.pop("findings")
        return told(
            Checked,
            done,
            findings=tuple(Finding(**r) for r in rows),
            folder=self.folder,
            frame=as_rows(rows),
        )

    def state_of(self, repair: str) -> WorkState:
        """Where a repair stands, and its checks.

        Parameters
        ----------
        repair : str

        Returns
        -------
        WorkState

        Raises
        ------
        InputError
            There is no such repair.
        """
        from facademap.tasks.record.work import work_state

        done = work_state(self.folder, repair)
        checks = as_rows(done.pop("checks"))
        return told(WorkState, done, folder=self.folder, frame=checks)

    def move_on(
        self,
        repair: str,
        stage: str,
        *,
        at: dt.datetime | None = None,
        mason: str | None = None,
        reason: str | None = None,
        photo: str | None = None,
        who: str = "conservator",
    ) -> Recorded:
        """Enter a stage of a repair when its gate is open.

        Parameters
        ----------
        repair, stage : str
        at : datetime, optional
            When it was; now without it.
        mason, reason, photo : str, optional
        who : str

        Returns
        -------
        Recorded

        Raises
        ------
        InputError
            The gate is shut, with the reason; nothing is stored.
        """
        from facademap.tasks.record.work import move_on

        done = move_on(
            self.folder, repair, stage, at=at, mason=mason, reason=reason, photo=photo, who=who
        )
        return self._recorded(repair, done)

    def record(
        self,
        repair: str,
        criterion: str,
        *,
        measured: Mapping[str, Any] | None = None,
        result: str | None = None,
        reason: str | None = None,
        at: dt.datetime | None = None,
        mason: str | None = None,
        photo: str | None = None,
        who: str = "conservator",
    ) -> Recorded:
        """Record a check of the work on a repair.

        Parameters
        ----------
        repair, criterion : str
        measured : mapping, optional
            Values with their units in the names.
        result : str, optional
            Where nothing is measured.
        reason : str, optional
        at : datetime, optional
        mason, photo : str, optional
        who : str

        Returns
        -------
        Recorded

        Raises
        ------
        InputError
            Not a check of this repair, or values that cannot be; nothing is stored.
        """
        from facademap.tasks.record.work import record

        done = record(
            self.folder,
            repair,
            criterion,
            measured=measured,
            result=result,
            reason=reason,
            at=at,
            mason=mason,
            photo=photo,
            who=who,
        )
        return self._recorded(repair, done)

    def _recorded(self, repair: str, entry: Mapping[str, Any]) -> Recorded:
        rows = self.table("work_log", where={"id": entry["id"]})
        return Recorded(folder=self.folder, frame=rows, entry=str(entry["id"]), repair=repair)

    def schedule(
        self,
        *,
        start: dt.date,
        crews: int = 1,
        weekend: bool = False,
        days_off: Sequence[dt.date] = (),
        time_limit_s: float = 10.0,
        out: FilePath | None = None,
    ) -> Programme:
        """Order the work, so that neighbours are not out at once and lime has its time.

        Parameters
        ----------
        start : date
        crews : int
        weekend : bool
            Whether weekends are worked.
        days_off : sequence of date
        time_limit_s : float
        out : path, optional
            Folder for the programme as a page and tables.

        Returns
        -------
        Programme

        Raises
        ------
        InputError
            No repair can be scheduled.
        """
        from facademap.tasks.record.schedule import schedule_project

        done = schedule_project(
            self.folder,
            start=start,
            crews=crews,
            weekend=weekend,
            days_off=days_off,
            time_limit_s=time_limit_s,
            out=out,
        )
        bars = as_rows(done.pop("bars"))
        return told(Programme, done, folder=self.folder, frame=bars)
