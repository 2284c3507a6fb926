"""Repairs planned, their colours measured, a block found for each."""

from __future__ import annotations

from typing import Any

from facademap.library.results import (
    Explained,
    LooksMeasured,
    Matched,
    NoBlock,
    RepairsPlanned,
    as_rows,
    on_the_wall,
    told,
)
from facademap.library.tables import FilePath, Progress, ProjectTables, quiet

__all__ = ["PlanSteps"]


class PlanSteps(ProjectTables):
    """What is decided."""

    __slots__ = ()

    def plan(
        self,
        *,
        profile: FilePath | None = None,
        rules: FilePath | None = None,
        fixing: str | None = None,
        who: str = "conservator",
        progress: Progress | None = None,
    ) -> RepairsPlanned:
        """Decide treatments and set out cut-outs and pieces; what was approved is left alone.

        Parameters
        ----------
        profile : str or path, optional
            Trade values: ``metric``, ``inch`` or a TOML file.
        rules : path, optional
            Rule table of an office.
        fixing : str, optional
            How rods are set: ``before``, ``through face`` or ``resin``.
        who : str
        progress : callable, optional

        Returns
        -------
        RepairsPlanned

        Raises
        ------
        FacademapError
            No conditions, or values that cannot be.

        Notes
        -----
        A proposal for people who are trained and licensed to decide; local codes come first.
        """
        from facademap.tasks.plan.plan import plan_project

        done = plan_project(
            self.folder,
            profile=profile,
            rules_path=rules,
            fixing=fixing,
            who=who,
            progress=progress,
        )
        return told(RepairsPlanned, done, folder=self.folder, frame=self.repairs)

    def measure_looks(
        self, *, who: str = "conservator", progress: Progress | None = None
    ) -> LooksMeasured:
        """Measure the colour round every cut-out, which its piece must match.

        Parameters
        ----------
        who : str
        progress : callable, optional

        Returns
        -------
        LooksMeasured

        Raises
        ------
        FacademapError
            The elevation is missing or cannot be read.
        """
        from facademap.tasks.plan.appearance import measure_targets

        done = measure_targets(self.folder, who=who, progress=progress or quiet)
        return told(LooksMeasured, done, folder=self.folder, frame=self.pieces)

    def match(
        self,
        *,
        time_limit_s: float | None = 20.0,
        work_limit: int | None = None,
        seed: int = 0,
        again: bool = False,
        donors: bool = False,
        who: str = "conservator",
        progress: Progress | None = None,
    ) -> Matched:
        """Find a block for every piece, with a proof.

        Parameters
        ----------
        time_limit_s : float or None
        work_limit : int, optional
            The same on every machine.
        seed : int
            Same seed, same plan.
        again : bool
            Go on from the current plan: only what changed moves.
        donors : bool
            Also use stone that comes out of the wall with another repair.
        who : str
        progress : callable, optional

        Returns
        -------
        Matched

        Raises
        ------
        FacademapError
            No pieces or no blocks.
        """
        from facademap.tasks.match.match import match_project

        done = match_project(
            self.folder,
            time_limit_s=time_limit_s,
            work_limit=work_limit,
            seed=seed,
            again=again,
            donors=donors,
            who=who,
            progress=progress or quiet,
        )
        repairs: Any = self.repairs
        rows = self.table("placements", where={"plan": done["plan"]})
        rows = rows.merge(
            repairs[["id", "surface", "treatment"]].rename(columns={"id": "repair"}), on="repair"
        )
        none = tuple(
            NoBlock(repair=u["repair"], reason=u["reason"], source_mm=tuple(u["source_mm"]))
            for u in done.pop("unmatched")
        )
        frame = on_the_wall(rows, repairs, by="repair")
        return told(Matched, done, unmatched=none, folder=self.folder, frame=frame)

    def explain(self, repair: str, *, block: str | None = None) -> Explained:
        """Why a repair has its block, what would also do, and what another block would cost.

        Parameters
        ----------
        repair : str
        block : str, optional
            A block to insist on; nothing is stored.

        Returns
        -------
        Explained

        Raises
        ------
        InputError
            No plan, one that no longer fits, or a repair without a piece.
        """
        from facademap.tasks.match.explain import explain_repair

        done = explain_repair(self.folder, repair, block=block)
        ranked = as_rows(done.pop("ranked"))
        return told(Explained, done, folder=self.folder, frame=ranked)
