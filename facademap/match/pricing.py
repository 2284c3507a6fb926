"""The most profitable group of pieces on one face at given prices: a relaxation made exact step by step.

A group is first chosen by necessary conditions alone (room, pairs that cannot be parted, groups known to
be impossible), then laid out exactly. Where that fails, the smallest impossible part of it is remembered
and the choice is made again. So the value is always an upper bound, and exact when the layout succeeds.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from facademap.match.candidates import Candidates, need_mm
from facademap.match.freespace import CHOICE_COLUMNS, FreeSpace
from facademap.match.kernels.group import MOST_IN_GROUP
from facademap.match.kernels.values import (
    Answer,
    Bench,
    Bids,
    Blanks,
    Box,
    FaceOffer,
    Known,
    Scratch,
    Slabs,
)
from facademap.match.layouts import Layout, Layouts, Piece, Verdict
from facademap.match.problem import TOLERANCE_MM

__all__ = ["FacePricing", "Offer", "slab_counts"]

#: How many impossible groups a face has room for at first and at most, and how large they may be.
FEWEST_BADS, MOST_BADS = 32, 2048
WIDEST_BAD = 16
#: Parts of a length by which sizes are counted up or down.
LIFTED = (1, 2)
#: A slab's bounding box counts first where it is no larger than so many times the sound area.
ROUGH = 1.03
#: Thicknesses of pieces that are told apart on one face.
MOST_CLASSES = 8

Floats: TypeAlias = npt.NDArray[np.float64]
_NO_LIST = np.zeros((0, MOST_IN_GROUP + 1), dtype=np.int64)


class Offer:
    """What a face offers at given prices.

    Attributes
    ----------
    worth : float
        Upper bound on the profit of any group (before opening the block).
    pieces : tuple of Piece
        The group found.
    layout : Layout or None
        How it is cut.
    doubtful : tuple of Piece
        A better group of which it is not known whether it can be cut.
    proved : bool
        Whether ``worth`` is what ``pieces`` are worth.
    """

    __slots__ = ("doubtful", "layout", "pieces", "proved", "worth")

    def __init__(
        self,
        worth: float,
        pieces: tuple[Piece, ...],
        layout: Layout | None,
        proved: bool,
        doubtful: tuple[Piece, ...] = (),
    ) -> None:
        self.worth, self.pieces, self.layout, self.proved, self.doubtful = (
            worth,
            pieces,
            layout,
            proved,
            doubtful,
        )


@dataclass(slots=True, eq=False)
class _Asked:
    """A search that was begun: what the pieces pay, which are wanted, from what worth on, its limits and result."""

    paid: Floats
    wanted: npt.NDArray[np.int64]
    floor: float
    limits: tuple[int, int, int]
    best: float = 0.0


class FacePricing:
    """Prices groups on one (block, face); remembers what it learns about it.

    Parameters
    ----------
    layouts, candidates
        Exact layouts and candidate pairs.
    block, face : int
        Which face.
    users : list of int
        The repairs that might use it.
    forced : frozenset of int
        Repairs that every group on this face must hold.
    """

    def __init__(
        self,
        layouts: Layouts,
        candidates: Candidates,
        block: int,
        face: int,
        users: list[int],
        *,
        forced: frozenset[int] = frozenset(),
    ) -> None:
        self.layouts, self.block, self.face = layouts, block, face
        self.key = (block, face)
        space, problem = layouts.space, layouts.problem
        self.opening = candidates.opening[self.key]
        self.pieces: list[Piece] = []
        costs: list[float] = []
        for i in users:
            first, deeper = candidates.pairs[i][self.key]
            self.pieces.append((i, False))
            costs.append(deeper)
            if first < deeper:
                self.pieces.append((i, True))
                costs.append(first)
        self.costs = np.array(costs, dtype=float)
        self.repairs = np.array([p[0] for p in self.pieces], dtype=np.int64)
        n = len(self.pieces)
        same = self.repairs[:, None] == self.repairs[None, :]
        self.clash = same.astype(np.int8)
        np.fill_diagonal(self.clash, 0)
        self.twin = (
            np.where(self.clash.any(axis=1), self.clash.argmax(axis=1), -1)
            if n
            else np.zeros(0, dtype=np.int64)
        )
        self._number = {p: k for k, p in enumerate(self.pieces)}
        self._known = np.zeros((0, n))
        self._offered: list[tuple[Piece, ...]] = []
        self._tables(space)
        self.weights, self.rooms, self.nested = self._rooms(space)
        if problem.params.cut_mode == "guillotine":
            self._mark_pairs(space)
        self.bads = np.zeros((FEWEST_BADS, WIDEST_BAD), dtype=np.int32)
        self.bad_sizes = np.zeros(FEWEST_BADS + 1, dtype=np.int32)
        self.heads = np.full(n, -1, dtype=np.int32)
        self.links = np.zeros(FEWEST_BADS * WIDEST_BAD, dtype=np.int32)
        self.bonus = np.where(np.isin(self.repairs, list(forced)), 1e7, 0.0)
        self.forced = forced
        self._group = np.zeros(n + 3, dtype=np.int64)
        self._spent = np.zeros(3, dtype=np.int64)
        self._sure = np.zeros(n + 1, dtype=np.int64)

    def _tables(self, space: FreeSpace) -> None:
        """What the kernels need to know: choices at every depth level, thicknesses, slabs.

        Flaws that begin below the face are left out here, which only makes more possible; the exact
        layout has the last word.
        """
        problem = space.problem
        params, here = problem.params, problem.blocks[self.block].faces[self.face]
        depths = [0.0]
        if params.max_slabs > 1:
            depths += sorted(
                {
                    w.depth_mm
                    for w in here.flaws
                    if w.depth_mm is not None
                    and w.from_mm == 0.0
                    and w.depth_mm + params.min_slab_mm <= here.depth_mm + TOLERANCE_MM
                }
            )
        n = len(self.pieces)
        starts = np.zeros((len(depths), n + 1), dtype=np.int64)
        rows: list[Floats] = []
        count = 0
        for number, depth in enumerate(depths):
            level = tuple(
                k
                for k, w in enumerate(here.flaws)
                if w.from_mm == 0.0 and (w.depth_mm is None or w.depth_mm > depth + TOLERANCE_MM)
            )
            starts[number, 0] = count
            for piece, i in enumerate(self.repairs.tolist()):
                choices = space.choices(i, self.block, self.face, level)
                rows.append(choices)
                count += len(choices)
                starts[number, piece + 1] = count
        self.level_starts, self.level_depths = starts, np.array(depths, dtype=float)
        self.choices = np.concatenate(rows) if rows else np.zeros((0, CHOICE_COLUMNS))
        #: Pieces that fit at some level at least.
        self.alive: npt.NDArray[np.bool_] = np.asarray((np.diff(starts, axis=1) > 0).any(axis=0))
        each = [(problem.repairs[i], p) for p, (i, _) in enumerate(self.pieces)]
        self.needs = np.array(
            [[need_mm(r, here, params, slab=k) for r, _ in each] for k in (0, 1)], dtype=float
        )
        self.slabs_of = np.array(
            [self.layouts.slabs_of(self.pieces[p]) for _, p in each], dtype=np.int64
        ).T.copy()
        kerf = params.depth_kerf_mm
        most = max(
            1,
            min(
                params.max_slabs,
                int((here.depth_mm + kerf + TOLERANCE_MM) // max(params.min_slab_mm + kerf, 1e-6)),
            ),
        )
        self.slabs = Slabs(
            depth=here.depth_mm,
            depth_kerf=float(kerf),
            least=float(params.min_slab_mm),
            most=most,
            free=params.cut_mode == "free",
        )
        self.box = Box(*space.box(self.block, self.face))

    def _to_saw(self) -> FaceOffer:
        """What the kernels need to know of the face."""
        bench = Bench(
            self.box, float(self.layouts.problem.params.kerf_mm), self.layouts.space.shapes
        )
        return FaceOffer(
            self.level_starts,
            self.level_depths,
            self.choices,
            self.needs,
            self.slabs_of,
            self.slabs,
            bench,
        )

    def _rooms(self, space: FreeSpace) -> tuple[Floats, Floats, int]:
        """What each piece takes of the face's area, and what there is of it in every way of slabbing the block.

        Blanks grown by half a kerf do not overlap and lie on the face grown by half a kerf. Growing is
        by a square (Minkowski sum), whose area is known for any outline from its edges. Row by row the
        pieces that need a slab at least so thick; the last row, where there is one, those that must come
        from the front slab.
        """
        problem = space.problem
        params, here = problem.params, problem.blocks[self.block].faces[self.face]
        half = params.kerf_mm / 2.0 if params.cut_mode == "guillotine" else 0.0
        sound = shapely.Polygon(here.outline_mm)
        for flaw in here.flaws:
            if flaw.depth_mm is None and flaw.from_mm < params.min_slab_mm:
                sound = sound.difference(shapely.Polygon(flaw.outline_mm))
        area = _grown_area(sound, half) + TOLERANCE_MM * sound.length + 1.0
        grown = np.array(
            [_blank_area(space.blanks[i].outline_mm, half) for i in self.repairs.tolist()]
        )
        needs = np.array(
            [
                max(
                    params.min_slab_mm,
                    min(
                        need_mm(problem.repairs[i], here, params, slab=0),
                        need_mm(problem.repairs[i], here, params, slab=1),
                    ),
                )
                for i in self.repairs.tolist()
            ]
        )
        classes = _classes(needs.tolist())
        counts = slab_counts(classes, here.depth_mm, params.depth_kerf_mm, max(1, params.max_slabs))
        families = [(grown, area)]
        if params.cut_mode == "guillotine":
            families += self._box_families()
            if (
                families[1][1] < ROUGH * area
            ):  # nearly a plain rectangle: boxes bound better than outlines
                families[0], families[1] = families[1], families[0]
        deep = [needs >= c - TOLERANCE_MM for c in classes]
        rows = [weight * thick for weight, _ in families for thick in deep]
        ways = np.array(counts, dtype=float).reshape(len(counts), len(classes))
        rooms = [one * ways for _, one in families]
        front = np.array(
            [must or problem.repairs[i].weathered == "required" for i, must in self.pieces]
        )
        if front.any():
            rows.append(grown * front)
            rooms.append(np.full((len(ways), 1), area))
        return np.array(rows, dtype=float), np.concatenate(rooms, axis=1), len(classes)

    def _box_families(self) -> list[tuple[Floats, float]]:
        """What the bounding boxes of blanks take of a slab's bounding box, plainly and by dual feasible functions.

        Straight cuts part the bounding boxes. A blank higher than a k-th of the slab leaves no room for k others
        above it, so its height may count for more than it is (and less where more of them still fit).

        References
        ----------
        Fekete & Schepers (2001), New classes of fast lower bounds for bin packing problems, Mathematical
        Programming 91: the functions u^(k) (from memory).
        """
        kerf = float(self.layouts.problem.params.kerf_mm)
        full = (
            np.array([self.box.x1 - self.box.x0, self.box.y1 - self.box.y0])
            + kerf
            + 2.0 * TOLERANCE_MM
        )
        plain = np.full(len(self.pieces), np.inf)
        lifted = {(k, axis): plain.copy() for k in LIFTED for axis in (0, 1)}
        for piece in range(len(self.pieces)):
            for starts in self.level_starts:
                size = (self.choices[starts[piece] : starts[piece + 1], 2:4] + kerf) / full
                if not len(size):
                    continue
                plain[piece] = min(plain[piece], float(size.prod(axis=1).min()))
                for (k, axis), least in lifted.items():
                    least[piece] = min(
                        least[piece], float((size[:, 1 - axis] * _lift(size[:, axis], k)).min())
                    )
        one = float(full.prod())
        return [(np.where(np.isfinite(w), w, 0.0) * one, one) for w in (plain, *lifted.values())]

    def _mark_pairs(self, space: FreeSpace) -> None:
        """Pairs that cannot share a slab even where the fewest flaws reach, nor lie in two slabs."""
        problem = space.problem
        params, here = problem.params, problem.blocks[self.block].faces[self.face]
        starts = self.level_starts[-1]
        needs = [
            max(params.min_slab_mm, need_mm(problem.repairs[i], here, params, slab=1))
            for i in self.repairs.tolist()
        ]
        least = [
            max(params.min_slab_mm, need_mm(problem.repairs[i], here, params, slab=0))
            for i in self.repairs.tolist()
        ]
        front = np.array(
            [must or problem.repairs[i].weathered == "required" for i, must in self.pieces]
        )
        thick = np.minimum(needs, least)
        apart = (
            (thick[:, None] + thick[None, :] + params.depth_kerf_mm <= here.depth_mm + TOLERANCE_MM)
            & (params.max_slabs > 1)
            & ~(front[:, None] & front[None, :])
        )
        space.kernels.pairs_apart(
            apart.astype(np.int8), self._to_saw().bench, Blanks(starts, self.choices), self.clash
        )

    def begin(
        self,
        prices: Floats,
        *,
        floor: float,
        most_nodes: int = 50_000,
        most_effort: int = 100_000,
        most_queries: int = 4_000,
        costs: Floats | None = None,
    ) -> None:
        """Look for the best group at these prices; touches nothing that other faces use.

        Parameters
        ----------
        prices : ndarray
            What each repair pays when it is served.
        floor : float
            Groups worth less are of no interest; the offer's ``worth`` is never below it.
        most_nodes, most_effort, most_queries : int
            Effort of the search, of all its layouts and of one layout.
        costs : ndarray, optional
            Costs of the pieces instead of their looks.
        """
        paid = prices[self.repairs] - (self.costs if costs is None else costs) + self.bonus
        floor += 1e7 * len(self.forced)
        wanted = np.flatnonzero((paid > 1e-9) & self.alive)
        if costs is None and len(self._known) and len(wanted):
            floor = max(floor, float((self._known @ paid).max()))
        self._make_room()
        self._asked = _Asked(paid, wanted, floor, (most_nodes, most_effort, most_queries))
        if len(wanted):
            self._asked.best = self._search(paid, wanted, floor, *self._asked.limits, _NO_LIST)

    def answer(self) -> Offer:
        """The best group at the prices of :meth:`begin`."""
        asked, group = self._asked, self._group
        promised = 1e7 * len(self.forced)
        if not len(asked.wanted):
            return Offer(asked.floor - promised, (), None, True)
        while True:
            self.layouts.work += int(self._spent[0]) + int(group[1])
            worth, proved = asked.best - promised, int(group[2]) == 1
            best = self._named(group[3 : 3 + int(group[0])])
            pieces = best if proved else self._named(self._sure[1 : 1 + int(self._sure[0])])
            if not pieces:
                return Offer(worth, (), None, proved, () if proved else best)
            chosen = np.array([self._number[p] for p in pieces], dtype=np.int64)
            layout = self._layout(chosen, pieces)
            if (
                layout is None
                and self.late
                and self.layouts.find(self.block, self.face, pieces)[0] == "no"
            ):
                self._learn(chosen.tolist(), self._impossible)
                asked.best = self._search(
                    asked.paid, asked.wanted, asked.floor, *asked.limits, _NO_LIST
                )
                continue
            return Offer(
                worth, pieces if layout is not None else (), layout, proved, () if proved else best
            )

    def _named(self, chosen: npt.NDArray[np.int64]) -> tuple[Piece, ...]:
        return tuple(sorted(self.pieces[p] for p in chosen.tolist()))

    def decide(
        self, pieces: tuple[Piece, ...], *, most_queries: int
    ) -> tuple[Verdict, Layout | None]:
        """Whether a group can be cut, looked at harder than in a search.

        The answer is "no" only where that could be remembered, so that the group is not offered again.
        """
        chosen = np.array([self._number[p] for p in pieces], dtype=np.int64)
        answer, slot = self._cut(chosen, most_queries)
        layout = self._laid_out(pieces, answer, slot)
        if layout is not None:
            return "yes", layout
        if answer == 0 and self._learn(
            chosen.tolist(),
            lambda fewer: self._cut(np.array(fewer, dtype=np.int64), most_queries)[0] == 0,
        ):
            return "no", None
        return "unknown", None

    def all_worth(
        self, prices: Floats, *, floor: float, most: int, most_effort: int
    ) -> list[tuple[tuple[Piece, ...], Layout | None]] | None:
        """All groups worth more than ``floor`` at these prices: of those known to be possible the cheapest of each set of repairs.

        Parameters
        ----------
        prices : ndarray
            What each repair pays when it is served.
        floor : float
        most, most_effort : int
            Groups looked at, and the effort for them.

        Returns
        -------
        list or None
            Pieces with their layout (None where it is not known whether they can be cut); None where
            there are too many.
        """
        paid = prices[self.repairs] - self.costs + self.bonus
        promised = 1e7 * len(self.forced)
        ceiling = self._ceiling(paid, np.flatnonzero((paid > 0.0) & self.alive)) - promised
        if ceiling <= floor:
            return []
        wanted = np.flatnonzero((paid > floor - ceiling - 1e-9) & self.alive)
        listed = np.zeros((most, MOST_IN_GROUP + 1), dtype=np.int64)
        self._search(
            paid,
            wanted,
            floor + promised,
            most_effort,
            most_effort,
            max(500, most_effort // 10),
            listed,
        )
        self.layouts.work += int(self._spent[0]) + int(self._group[1])
        if int(self._group[2]) == 0:
            return None
        best: dict[tuple[int, ...], tuple[float, tuple[Piece, ...]]] = {}
        undecided: list[tuple[float, tuple[Piece, ...]]] = []
        for row in listed[: int(self._spent[2])]:
            chosen = row[1 : 1 + abs(int(row[0]))]
            found = (float(self.costs[chosen].sum()), self._named(chosen))
            if row[0] < 0:
                undecided.append(found)
                continue
            served = tuple(i for i, _ in found[1])
            best[served] = min(found, best.get(served, found))
        groups: list[tuple[tuple[Piece, ...], Layout | None]] = []
        for _, (_, pieces) in sorted(best.items()):
            layout = self._layout(
                np.array([self._number[p] for p in pieces], dtype=np.int64), pieces
            )
            groups.append((pieces, layout))
        for cost, pieces in sorted(undecided):
            served = tuple(i for i, _ in pieces)
            if served not in best or cost < best[served][0]:
                groups.append((pieces, None))
        return groups

    def _search(
        self,
        paid: Floats,
        wanted: npt.NDArray[np.int64],
        floor: float,
        most_nodes: int,
        most_effort: int,
        most_queries: int,
        listed: npt.NDArray[np.int64],
    ) -> float:
        """Ask the kernel, the pieces in order of what they pay for their room."""
        order = self._order(paid, wanted)
        space = self.layouts.space
        self._spent[:] = (0, most_effort, 0)
        return float(
            space.kernels.best_group(
                self._bids(paid, order),
                self.rooms,
                Known(self.clash, self.bads, self.bad_sizes, self.heads, self.links),
                self._to_saw(),
                float(floor),
                most_nodes,
                most_queries,
                Answer(self._group, self._spent, self._sure, listed),
            )
        )

    def _bids(self, paid: Floats, order: npt.NDArray[np.int64]) -> Bids:
        return Bids(paid, order, self.weights, self.nested, self.twin)

    def _order(self, paid: Floats, wanted: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Pieces by falling pay for the area that they take."""
        return wanted[np.argsort(-paid[wanted] / self.weights[0, wanted], kind="stable")].astype(
            np.int64
        )

    @property
    def late(self) -> bool:
        """Whether some flaw begins below the face, which the kernels do not look at."""
        return any(
            w.from_mm > 0.0 for w in self.layouts.problem.blocks[self.block].faces[self.face].flaws
        )

    def _cut(
        self, chosen: npt.NDArray[np.int64], most_queries: int
    ) -> tuple[int, npt.NDArray[np.int64]]:
        """Ask the kernel whether a group can be cut (1 yes, 0 no, 2 not decided), and from which slabs."""
        space = self.layouts.space
        slot = np.zeros(len(chosen), dtype=np.int64)
        answer = space.kernels.can_cut(chosen, self._to_saw(), most_queries, self._spent, slot)
        return int(answer), slot

    def _layout(self, chosen: npt.NDArray[np.int64], pieces: tuple[Piece, ...]) -> Layout | None:
        return self._laid_out(pieces, *self._cut(chosen, 20_000))

    def _laid_out(
        self, pieces: tuple[Piece, ...], answer: int, slot: npt.NDArray[np.int64]
    ) -> Layout | None:
        """The layout of a group after the kernel's answer."""
        if answer != 1 and self.slabs.free and len(pieces) < 5:
            return self.layouts.find(self.block, self.face, pieces)[1]
        return (
            self.layouts.settle(self.block, self.face, pieces, slot.tolist())
            if answer == 1
            else None
        )

    def _ceiling(self, paid: Floats, wanted: npt.NDArray[np.int64]) -> float:
        """A quick upper bound: fill the slabs by parts of pieces."""
        order = self._order(paid, wanted)
        bids = self._bids(paid, order)
        none, zero = np.zeros(len(self.rooms[0])), np.zeros(len(paid), dtype=np.int64)
        scratch = Scratch(
            none, none.copy(), np.zeros(len(paid), dtype=np.int8), zero, zero.copy(), zero
        )
        reach = self.layouts.space.kernels.reach_of
        return max(float(reach(0, np.inf, 0.0, bids, room, scratch, 1)) for room in self.rooms)

    def remember(self, groups: list[tuple[Piece, ...]]) -> None:
        """These groups have been offered; only what is worth more than they are is looked for."""
        rows = np.zeros((len(groups), len(self.pieces)))
        for row, pieces in zip(rows, groups, strict=True):
            row[[self._number[p] for p in pieces]] = 1.0
        self._known = np.concatenate([self._known, rows])
        self._offered += groups

    def forget(self, pieces: tuple[Piece, ...]) -> None:
        """This group turned out to be impossible."""
        if pieces in self._offered:
            at = self._offered.index(pieces)
            del self._offered[at]
            self._known = np.delete(self._known, at, axis=0)

    def _impossible(self, chosen: list[int]) -> bool:
        return self.layouts.find(self.block, self.face, self._named(np.array(chosen)))[0] == "no"

    def _learn(self, chosen: list[int], impossible: Callable[[list[int]], bool]) -> bool:
        """Remember the smallest impossible part of an impossible group; False where there is no room for it."""
        least = chosen
        for piece in chosen:
            fewer = [p for p in least if p != piece]
            if fewer and impossible(fewer):
                least = fewer
        self._make_room()
        if len(least) == 1:
            self.alive[least[0]] = False
        elif len(least) == 2:
            self.clash[least[0], least[1]] = self.clash[least[1], least[0]] = 1
        elif len(least) <= WIDEST_BAD and self.bad_sizes[-1] < len(self.bads):
            bad = int(self.bad_sizes[-1])
            self.bad_sizes[-1] += 1
            self.bad_sizes[bad] = len(least)
            for k, piece in enumerate(least):
                self.bads[bad, k] = piece
                self.links[bad * WIDEST_BAD + k] = self.heads[piece]
                self.heads[piece] = bad * WIDEST_BAD + k
        else:
            return False
        return True

    def _make_room(self) -> None:
        """Let more impossible groups be remembered before there is no room for them."""
        have, count = len(self.bads), int(self.bad_sizes[-1])
        if 2 * count < have or have >= MOST_BADS:
            return
        self.bads = np.concatenate([self.bads, np.zeros_like(self.bads)])
        self.bad_sizes = np.concatenate(
            [self.bad_sizes[:-1], np.zeros(have, dtype=np.int32), [count]]
        ).astype(np.int32)
        self.links = np.concatenate([self.links, np.zeros_like(self.links)])


def _classes(needs: list[float]) -> tuple[float, ...]:
    """Thicknesses by which pieces are told apart, rising; where they are many some count as the next thinner one."""
    values: list[float] = []
    for need in sorted(needs):
        if not values or need > values[-1] + TOLERANCE_MM:
            values.append(need)
    step = -(-len(values) // MOST_CLASSES)
    return tuple(values[:: max(1, step)])


@functools.lru_cache(maxsize=10_000)
def slab_counts(
    classes: tuple[float, ...], depth_mm: float, kerf_mm: float, most: int
) -> tuple[tuple[int, ...], ...]:
    """Ways of cutting a block into slabs that no other way covers.

    Parameters
    ----------
    classes : tuple of float
        Thicknesses in mm, rising.
    depth_mm, kerf_mm : float
        Depth of the block and of a cut.
    most : int
        Most slabs.

    Returns
    -------
    tuple of tuple of int
        For every way and class the number of slabs that are at least so thick.
    """
    found: set[tuple[int, ...]] = {(0,) * len(classes)}

    def grow(counts: tuple[int, ...], left: float, at: int, slabs: int) -> None:
        found.add(counts)
        for q in range(at, -1, -1):
            if slabs < most and classes[q] <= left + TOLERANCE_MM:
                grow(
                    tuple(c + (k <= q) for k, c in enumerate(counts)),
                    left - classes[q] - kerf_mm,
                    q,
                    slabs + 1,
                )

    grow((0,) * len(classes), depth_mm, len(classes) - 1, 0)
    return tuple(
        sorted(
            w
            for w in found
            if not any(v != w and all(a >= b for a, b in zip(v, w, strict=True)) for v in found)
        )
    )


def _lift(size: Floats, k: int) -> Floats:
    """The dual feasible function u^(k): shares of a length that still count for 1 at most when they fit in one."""
    times = (k + 1) * size
    return np.where(np.abs(times - np.round(times)) < 1e-9, size, np.floor(times) / k)


def _grown_area(shape: shapely.Geometry, half: float) -> float:
    """Upper bound on the area of a shape grown by a square of side 2 ``half`` (exact when convex)."""
    area = float(shape.area)
    if half == 0.0 or area == 0.0:
        return area
    count = 0
    for polygon in getattr(shape, "geoms", [shape]):
        if polygon.geom_type != "Polygon":
            continue
        count += 1
        for ring in (polygon.exterior, *polygon.interiors):
            steps = np.abs(np.diff(np.asarray(ring.coords), axis=0))
            area += float(steps.sum()) * half
    return area + count * 4.0 * half * half


@functools.lru_cache(maxsize=10_000)
def _blank_area(outline: tuple[tuple[float, float], ...], half: float) -> float:
    """Area of a blank grown by a square; from below where edges slant."""
    level = all(
        abs(a[0] - b[0]) < 1e-9 or abs(a[1] - b[1]) < 1e-9
        for a, b in zip(outline, (*outline[1:], outline[0]), strict=True)
    )
    grown = shapely.Polygon(outline).buffer(
        half, join_style="mitre" if level else "round", mitre_limit=10.0
    )
    return float(grown.area)
