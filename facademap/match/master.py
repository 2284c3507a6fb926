"""The master assignment: one group of pieces at most on every block, every repair served or paid for.

A linear program over the groups known so far gives prices; the same as an integer program picks a plan.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import highspy
import numpy as np
import numpy.typing as npt

from facademap.match.layouts import Layout, Piece

__all__ = ["Column", "Master", "Prices"]

#: What a repair left out costs in the rounding, for a unit of priority.
ROUNDING_CAP = 40.0
#: Of the groups in use, one in so many is taken at a time.
ROUNDED_PART = 16

Floats: TypeAlias = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A group of pieces on one face of a block; ``layout`` None where it is not known how to cut it."""

    block: int
    face: int
    pieces: tuple[Piece, ...]
    cost: float
    layout: Layout | None

    @property
    def repairs(self) -> tuple[int, ...]:
        """The repairs that the group serves."""
        return tuple(i for i, _ in self.pieces)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prices:
    """Duals of the master: what each repair pays, what each block earns, what a unit left unmatched earns."""

    objective: float
    repairs: Floats
    blocks: dict[int, float]
    count: float


class _QuietProgram(highspy.Highs):
    """The solver prints a banner when it is made; it must stay out of what a command prints."""

    def enableCallbacks(self) -> None:  # noqa: N802
        self.setOptionValue("output_flag", False)
        begin: Callable[[], None] = super().enableCallbacks  # it says nothing of its types
        begin()


class Master:
    """The master program of one group of repairs and blocks that hang together.

    Parameters
    ----------
    repairs, blocks : list of int
        Numbers in the problem.
    n_repairs : int
        Number of repairs of the whole problem (for the length of price vectors).
    penalties : ndarray
        Cost of leaving each repair of the problem unmatched.
    ceilings : ndarray
        No higher than these: the most that a repair may pay where that is a relaxation.
    priorities : ndarray
        Their priorities.
    forced : set of int
        Repairs that must be placed.
    """

    def __init__(
        self,
        *,
        repairs: list[int],
        blocks: list[int],
        n_repairs: int,
        penalties: Floats,
        ceilings: Floats,
        priorities: Floats,
        forced: set[int],
        locked_blocks: set[int],
    ) -> None:
        self.repairs, self.blocks, self.n_repairs = repairs, blocks, n_repairs
        self.penalties, self.ceilings, self.priorities, self.forced = (
            penalties,
            ceilings,
            priorities,
            forced,
        )
        self.locked_blocks = locked_blocks
        self.columns: list[Column] = []
        self.dropped: set[int] = set()
        self._used = np.zeros(0)
        self._known: dict[tuple[int, int, tuple[Piece, ...]], int] = {}
        self.row_of = {i: r for r, i in enumerate(repairs)}
        self.block_row = {b: len(repairs) + r for r, b in enumerate(blocks)}
        self.count_row = len(repairs) + len(blocks)
        self.least_unmatched = 0.0
        self._lp = self._program(ceilings)

    def _program(self, penalties: Floats) -> highspy.Highs:
        quiet: Callable[[], highspy.Highs] = _QuietProgram
        lp = quiet()
        for name, value in (
            ("output_flag", False),
            ("log_to_console", False),
            ("threads", 1),
            ("random_seed", 1),
            ("presolve", "off"),
        ):
            lp.setOptionValue(name, value)
        none = np.zeros(0, dtype=np.int32), np.zeros(0)
        inf = highspy.kHighsInf
        for _ in self.repairs:
            lp.addRow(1.0, inf, 0, *none)
        for b in self.blocks:
            lp.addRow(1.0 if b in self.locked_blocks else -inf, 1.0, 0, *none)
        lp.addRow(self.least_unmatched, inf, 0, *none)
        for i in self.repairs:
            upper = 0.0 if i in self.forced else inf
            lp.addCol(
                float(penalties[i]),
                0.0,
                upper,
                2,
                np.array([self.row_of[i], self.count_row], dtype=np.int32),
                np.array([1.0, float(self.priorities[i])]),
            )
        return lp

    def _entries(self, column: Column) -> tuple[npt.NDArray[np.int32], Floats]:
        rows = [self.row_of[i] for i in column.repairs] + [self.block_row[column.block]]
        return np.array(rows, dtype=np.int32), np.ones(len(rows))

    def add(self, column: Column) -> bool:
        """Add a group; False when it is there already."""
        key = (column.block, column.face, column.pieces)
        if key in self._known:
            return False
        self._known[key] = len(self.columns)
        self.columns.append(column)
        rows, ones = self._entries(column)
        self._lp.addCol(column.cost, 0.0, highspy.kHighsInf, len(rows), rows, ones)
        return True

    def replace(self, number: int, column: Column) -> None:
        """It is known by now how to cut this group."""
        self.columns[number] = column

    def drop(self, number: int) -> None:
        """This group turned out to be impossible."""
        self.dropped.add(number)
        self._lp.changeColBounds(len(self.repairs) + number, 0.0, 0.0)

    def in_use(self) -> list[int]:
        """The groups that the last solution of the linear program uses, wholly or in part."""
        return [int(k) for k in np.flatnonzero(self._used > 1e-7)]

    def cap(self, per_priority: float) -> None:
        """Let no repair pay more than this for a unit of priority (a relaxation; infinite for none)."""
        for at, i in enumerate(self.repairs):
            self._lp.changeColCost(
                at, float(min(self.ceilings[i], per_priority * self.priorities[i]))
            )

    def require(self, least_unmatched: float) -> None:
        """It is proved that at least this priority stays unmatched; use it."""
        self.least_unmatched = least_unmatched
        self._lp.changeRowBounds(self.count_row, least_unmatched, highspy.kHighsInf)

    def prices(self) -> Prices:
        """Solve the linear program over the groups known so far."""
        lp = self._lp
        lp.run()
        solution = lp.getSolution()
        dual, self._used = (
            np.asarray(solution.row_dual),
            np.asarray(solution.col_value)[len(self.repairs) :],
        )
        repairs = np.zeros(self.n_repairs)
        repairs[self.repairs] = np.maximum(dual[: len(self.repairs)], 0.0)
        blocks = {
            b: float(dual[r]) if b in self.locked_blocks else min(0.0, float(dual[r]))
            for b, r in self.block_row.items()
        }
        return Prices(
            objective=float(lp.getInfo().objective_function_value),
            repairs=repairs,
            blocks=blocks,
            count=max(0.0, float(dual[self.count_row])),
        )

    def reduced_costs(self, prices: Prices) -> Floats:
        """Reduced cost of every group."""
        return np.array(
            [
                c.cost - prices.repairs[list(c.repairs)].sum() - prices.blocks[c.block]
                for c in self.columns
            ]
        )

    def rounded_plan(self, columns: list[Column]) -> list[Column]:
        """A plan made by rounding the linear program up, the surest groups first, and solving it again.

        Parameters
        ----------
        columns : list of Column
            The groups to choose from.

        Returns
        -------
        list of Column
            Some repairs may be served twice, or not at all where that is cheaper by ``ROUNDING_CAP``.
        """
        lp = self._program(np.minimum(self.penalties, ROUNDING_CAP * self.priorities))
        n = len(self.repairs)
        for column in columns:
            rows, ones = self._entries(column)
            lp.addCol(column.cost, 0.0, 1.0, len(rows), rows, ones)
        taken = np.zeros(len(columns), dtype=bool)
        while True:
            lp.run()
            if lp.getModelStatus() != highspy.HighsModelStatus.kOptimal:
                break
            values = np.where(taken, 0.0, np.asarray(lp.getSolution().col_value)[n:])
            order = np.argsort(-values, kind="stable")
            order = order[values[order] > 1e-6]
            if not len(order):
                break
            most = max(1, int((values[order] > 1.0 - 1e-6).sum()), len(order) // ROUNDED_PART)
            blocks: set[int] = set()
            repairs: set[int] = set()
            for k in order[:most].tolist():  # what overlaps waits for the prices that follow
                column = columns[k]
                if column.block in blocks or repairs.intersection(column.repairs):
                    continue
                blocks.add(column.block)
                repairs.update(column.repairs)
                taken[k] = True
                lp.changeColBounds(n + k, 1.0, 1.0)
        return [c for c, t in zip(columns, taken, strict=True) if t]

    def integer_plan(
        self,
        columns: list[Column],
        *,
        start: list[Column],
        most_nodes: int,
        time_limit_s: float | None,
    ) -> tuple[list[Column], float]:
        """The best plan made of some groups.

        Parameters
        ----------
        columns, start : list of Column
            The groups, and those of them that make the plan at hand.
        most_nodes : int
        time_limit_s : float, optional

        Returns
        -------
        picked, bound
            The groups taken (none when no plan was found), and a lower bound on the cost of plans made of
            these groups.
        """
        mip = self._program(self.penalties)
        # presolve stays off: with a plan to begin from, HiGHS 1.16.0 at times gives a wrong optimum after it
        mip.setOptionValue("mip_max_nodes", most_nodes)
        mip.setOptionValue("mip_rel_gap", 1e-9)
        mip.setOptionValue("mip_abs_gap", 1e-7)
        if time_limit_s is not None:
            mip.setOptionValue("time_limit", max(0.05, time_limit_s))
        n = len(self.repairs)
        for column in columns:
            rows, ones = self._entries(column)
            mip.addCol(column.cost, 0.0, 1.0, len(rows), rows, ones)
        width = n + len(columns)
        for at in range(width):
            mip.changeColIntegrality(at, highspy.HighsVarType.kInteger)
            if at < n:
                mip.changeColBounds(at, 0.0, 0.0 if self.repairs[at] in self.forced else 1.0)
        if start:
            values = np.zeros(width)
            position = {(c.block, c.face, c.pieces): n + at for at, c in enumerate(columns)}
            served: set[int] = set()
            for column in start:
                values[position[column.block, column.face, column.pieces]] = 1.0
                served |= set(column.repairs)
            for at, i in enumerate(self.repairs):
                values[at] = 0.0 if i in served else 1.0
            mip.setSolution(width, np.arange(width, dtype=np.int32), values)
        mip.run()
        info = mip.getInfo()
        if mip.getModelStatus() == highspy.HighsModelStatus.kInfeasible:
            return [], float("inf")
        if info.primal_solution_status != 2:
            return [], float(info.mip_dual_bound)
        values = np.asarray(mip.getSolution().col_value)
        return [c for at, c in enumerate(columns) if values[n + at] > 0.5], float(
            info.mip_dual_bound
        )
