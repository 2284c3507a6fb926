"""A better plan by ruin and recreate: some blocks around a repair emptied and filled again, many times a second."""

from __future__ import annotations

from collections.abc import Callable, Sequence, Sized

import numpy as np
import numpy.typing as npt

from facademap.match.candidates import Candidates, need_mm
from facademap.match.kernels.values import PlanState, Yard
from facademap.match.layouts import Layout, Layouts, Piece
from facademap.match.master import Column
from facademap.match.problem import TOLERANCE_MM, Face, Params

__all__ = ["Rebuilding"]

#: Turns for every repair in each cooling, and the temperatures (in units of cost) where they start and end.
COOLINGS = ((100, 2.0), (400, 1.5))
COLD = 0.02
#: With more repairs only the first cooling; the rounded plans that follow find more in the same time.
MOST_FOR_ALL = 1000
#: Turns for every repair and temperature when another plan is polished.
POLISH = (40, 0.3)
#: Best-looking faces of a repair that are looked at.
MOST_OPTIONS = 40
#: With more repairs only half as many.
MANY_REPAIRS = 300


class Rebuilding:
    """A plan that is improved in bursts.

    Parameters
    ----------
    layouts, candidates
        Oracle and candidate pairs.
    plan : list of Column
        Where to begin; every column has its layout.
    penalties : list of float
        Cost of leaving each repair unmatched.
    locked_blocks : set of int
        Blocks that stay as they are.
    seed : int
        Start of the random numbers.
    stop : callable
        Tells whether time is up; repairs whose tables are not made by then stay where they are.
    """

    def __init__(
        self,
        layouts: Layouts,
        candidates: Candidates,
        *,
        plan: list[Column],
        penalties: list[float],
        locked_blocks: set[int],
        seed: int,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self.layouts, self.candidates, self.seed, self._stop = layouts, candidates, seed, stop
        self.turn = self._past = 0
        n = len(penalties)
        coolings = COOLINGS if layouts.space.compiled and n <= MOST_FOR_ALL else COOLINGS[:1]
        self._stages = [(max(1, turns * n), hot) for turns, hot in coolings]
        users = candidates.users()
        self.keys = sorted(users)
        self._number = {key: f for f, key in enumerate(self.keys)}
        self._penalty = np.array(penalties)
        self._yard = self._tables(self._number)
        self._unlocked = np.array([b not in locked_blocks for b, _ in self.keys], dtype=bool)
        self._begin(plan)

    def polish(self, plan: list[Column]) -> None:
        """Go on from another plan, with little heat."""
        self._past += self.turn
        self.turn = 0
        self._stages = [(max(1, POLISH[0] * len(self._penalty)), POLISH[1])]
        self._begin(plan)

    def _begin(self, plan: list[Column]) -> None:
        """Take over a plan."""
        n, faces = len(self._penalty), len(self.keys)
        self._old = {self._number[c.block, c.face]: c for c in plan}
        most = max(1, self.layouts.problem.params.max_slabs)
        state = self._state = PlanState(
            face=np.full(n, -1, dtype=np.int64),
            slab=np.zeros(n, dtype=np.int64),
            places=np.full((n, 3), np.nan),
            thick=np.zeros((faces, most)),
            slabs=np.zeros(faces, dtype=np.int64),
        )
        self._open = np.full(len(self.layouts.problem.blocks), -1, dtype=np.int64)
        free = self._unlocked & (np.diff(self._yard.user_first) > 0)
        for f, column in self._old.items():
            assert column.layout is not None
            self._open[column.block] = f
            for i, slab, *_ in column.layout.places:
                state.face[i], state.slab[i] = f, slab
                free[f] &= (
                    self._yard.pair_of[f, i] >= 0
                )  # a piece whose pair is not in the tables stays where it is
        self._yard = self._yard._replace(movable=free.astype(np.int8))
        cost = self._cost()
        self._values = np.array([cost, cost])
        self._best = PlanState._make(a.copy() for a in state)

    def _tables(self, number: dict[tuple[int, int], int]) -> Yard:
        """What the kernel needs: pairs with costs and choices at every depth; lists both ways."""
        layouts, candidates = self.layouts, self.candidates
        problem, space = layouts.problem, layouts.space
        params = problem.params
        faces = [problem.blocks[block].faces[face] for block, face in self.keys]
        levels = [_levels_of(here, params) for here in faces]
        table = np.zeros((len(self.keys), 10))
        for f, (here, key) in enumerate(zip(faces, self.keys, strict=True)):
            table[f] = (
                f,
                params.kerf_mm,
                params.depth_kerf_mm,
                params.min_slab_mm,
                _most_slabs(here, params),
                *space.box(*key),
                here.depth_mm,
            )
        pair_of = np.full((len(self.keys), len(problem.repairs)), -1, dtype=np.int32)
        costs: list[tuple[float, float]] = []
        needs: list[list[float]] = []
        slabs: list[tuple[int, int]] = []
        begins: list[npt.NDArray[np.int64]] = []
        rows: list[npt.NDArray[np.float64]] = []
        options: list[list[int]] = []
        count = 0
        most_options = MOST_OPTIONS if len(problem.repairs) <= MANY_REPAIRS else MOST_OPTIONS // 2
        deepest = max((len(x) for x in levels), default=1)
        for i, pairs in enumerate(candidates.pairs):
            own: list[int] = []
            for key in sorted(pairs, key=lambda k: (pairs[k], k))[:most_options]:
                if self._stop():
                    break
                f = number[key]
                begin = np.zeros((deepest, 2), dtype=np.int64)
                for row, (_, level) in enumerate(levels[f]):
                    found = space.choices(i, *key, level)
                    begin[row] = (count, count + len(found))
                    count += len(found)
                    rows.append(found)
                if not (begin[:, 1] > begin[:, 0]).any():
                    continue
                pair_of[f, i] = len(costs)
                own.append(f)
                costs.append(pairs[key])
                needs.append(
                    [need_mm(problem.repairs[i], faces[f], params, slab=k) for k in (0, 1)]
                )
                slabs.append(layouts.slabs_of((i, False)))
                begins.append(begin)
            options.append(own)
        using = [np.flatnonzero(pair_of[f] >= 0) for f in range(len(self.keys))]
        return Yard(
            faces=table,
            movable=np.zeros(len(self.keys), dtype=np.int8),
            block_of=np.array([b for b, _ in self.keys], dtype=np.int64),
            opening=np.array([candidates.opening[k] for k in self.keys]),
            pair_of=pair_of,
            pair_cost=np.array(costs, dtype=float).reshape(-1, 2),
            pair_rows=np.array(begins, dtype=np.int64).reshape(-1, deepest, 2),
            pair_needs=np.array(needs, dtype=float).reshape(-1, 2),
            pair_slabs=np.array(slabs, dtype=np.int64).reshape(-1, 2),
            volume=np.array(
                [
                    space.blanks[i].area_mm2 * (r.depth_mm**0.7 if params.max_slabs > 1 else 1.0)
                    for i, r in enumerate(problem.repairs)
                ]
            ),
            penalty=self._penalty,
            option_first=_firsts(options),
            options=np.array([f for x in options for f in x], dtype=np.int64),
            user_first=_firsts(using),
            users=np.concatenate([*using, np.zeros(0, dtype=np.int64)]).astype(np.int64),
            level_first=_firsts(levels),
            level_depths=np.array([d for x in levels for d, _ in x], dtype=float),
            rows=np.concatenate(rows) if rows else np.zeros((0, 11)),
            shapes=space.shapes,
        )

    def _cost(self) -> float:
        cost = float(self._penalty[self._state.face < 0].sum())
        for f, column in self._old.items():
            cost += float(self._yard.opening[f])
            for i, slab, *_ in column.layout.places if column.layout is not None else ():
                cost += self.candidates.pairs[i][self.keys[f]][0 if slab == 0 else 1]
        return cost

    @property
    def done(self) -> bool:
        """Whether all turns have been taken."""
        return self.turn >= sum(turns for turns, _ in self._stages) or not self._yard.movable.any()

    def burst(self, turns: int) -> bool:
        """Take some turns; True when the best plan became better."""
        space = self.layouts.space
        outside = None if space.compiled else np.random.get_state()
        before = float(self._values[1])
        past, heat, cooling = self.turn, COLD, 1.0
        for length, hot in self._stages:
            if past < length:
                turns = min(turns, length - past)
                cooling = (COLD / hot) ** (1.0 / length)
                heat = hot * cooling**past
                break
            past -= length
        queries = space.kernels.rebuild(
            turns,
            (self.seed * 7919 + self._past + self.turn + 1) % 2**31,
            heat,
            cooling,
            self._yard._replace(shapes=space.shapes),  # which grow
            self._state,
            self._open,
            self._best,
            self._values,
        )
        if outside is not None:
            np.random.set_state(outside)
        self.turn += turns
        self.layouts.work += int(queries)
        return float(self._values[1]) < before - 1e-9

    def groups(self, *, best: bool) -> list[tuple[tuple[int, int], tuple[Piece, ...], Layout]]:
        """The best plan, or the one at hand: (block, face), pieces and layout of every block opened."""
        assign, slab, places, thick, slabs = self._best if best else self._state
        result = []
        for f in sorted(set(assign[assign >= 0].tolist())):
            key = self.keys[f]
            members = np.flatnonzero(assign == f).tolist()
            if np.isnan(places[members[0], 0]):
                old = self._old[f]
                assert old.layout is not None
                result.append((key, old.pieces, old.layout))
                continue
            placed = tuple(
                sorted(
                    (
                        i,
                        int(slab[i]),
                        float(places[i, 0]),
                        float(places[i, 1]),
                        int(self._yard.rows[int(places[i, 2]), 10]),
                    )
                    for i in members
                )
            )
            pieces = tuple(
                (i, k == 0 and self.candidates.pairs[i][key][0] < self.candidates.pairs[i][key][1])
                for i, k, *_ in placed
            )
            layout = Layout(
                block=key[0],
                face=key[1],
                places=placed,
                thickness_mm=tuple(float(t) for t in thick[f, : slabs[f]]),
            )
            result.append((key, pieces, layout))
        return result


def _levels_of(face: Face, params: Params) -> list[tuple[float, tuple[int, ...]]]:
    """Depths at which a slab meets fewer flaws, each with the flaws that it still meets there."""
    depths = [0.0]
    if params.max_slabs > 1:
        begins = {w.depth_mm for w in face.flaws if w.depth_mm is not None}
        room = face.depth_mm + TOLERANCE_MM
        depths += sorted(d for d in begins if d + params.min_slab_mm <= room)
    # a flaw that begins deeper down is taken to begin at the face: never wrong, at times too careful
    return [
        (
            d,
            tuple(
                k
                for k, w in enumerate(face.flaws)
                if w.depth_mm is None or w.depth_mm > d + TOLERANCE_MM
            ),
        )
        for d in depths
    ]


def _most_slabs(face: Face, params: Params) -> int:
    """Slabs that the depth of a face yields at most; one there always is."""
    kerf = params.depth_kerf_mm
    fit = (face.depth_mm + kerf + TOLERANCE_MM) // max(params.min_slab_mm + kerf, 1e-6)
    return max(1, min(params.max_slabs, int(fit)))


def _firsts(lists: Sequence[Sized]) -> npt.NDArray[np.int64]:
    """Where each of some lists begins when they are put end to end, and the end."""
    return np.cumsum([0, *(len(x) for x in lists)]).astype(np.int64)
