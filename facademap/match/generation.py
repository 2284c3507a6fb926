"""Column generation on one part of a problem: prices, groups that pay, a bound that holds, a plan.

The master program over known groups gives a price to every repair. At these prices every face is asked
for its most profitable group. What all faces could earn together bounds every plan from below
(Lagrangian bound), whatever the prices; new groups go to the master until nothing pays any more. An
integer program over the groups found then picks a plan.

References
----------
Column generation and its dual bound: Lübbecke & Desrosiers (2005), Selected topics in column
generation, Operations Research 53 (from memory). Smoothing of the prices: Wentges (1997) (from memory).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt

from facademap.match.candidates import Candidates
from facademap.match.layouts import Layout, Layouts, Piece
from facademap.match.master import Column, Master, Prices
from facademap.match.pricing import FacePricing
from facademap.match.repicking import pick_in_parts
from facademap.match.start import cheapest_pieces

__all__ = ["Component", "quantum_of"]

_NEAR = 1e-7
#: How near prices and bound must come under a cap that will be lifted: what is left is settled without a cap.
NEAR_ENOUGH = 0.02
#: Rounds that gain less than a thousandth, after which the cap is lifted all the same.
MOST_IDLE = 6
#: Most queries for one face in one round.
LEAST_EFFORT = 4_000
MOST_EFFORT = 4_000_000
#: Faces asked between two looks at the clock.
TOGETHER = 32
#: Most that a repair may pay for a unit of priority, in steps: dear prices make every group worth a look,
#: so they come last, when few repairs need them. Capped prices bound the true problem too.
CAPS = (15.0, 40.0, 120.0, 400.0, math.inf)


def quantum_of(priorities: list[float]) -> float:
    """The step in which sums of priorities can differ; 0 when there is none worth using."""
    whole = [round(p * 1000) for p in priorities]
    if any(abs(p * 1000 - w) > 1e-9 or w <= 0 for p, w in zip(priorities, whole, strict=True)):
        return 0.0
    return math.gcd(*whole) / 1000.0


class Component:
    """Repairs and blocks that hang together, with the state of their solution.

    Attributes
    ----------
    bound : float
        Proved lower bound on the cost of this part.
    least_unmatched : float
        Proved lower bound on the priority left unmatched here.
    plan : list of Column
        The best plan so far.
    cost : float
        Its cost, penalties included.
    """

    def __init__(
        self,
        layouts: Layouts,
        candidates: Candidates,
        *,
        repairs: list[int],
        keys: list[tuple[int, int]],
        forced: dict[int, tuple[int, ...]],
        stop: Callable[[], bool],
        run: Callable[..., Iterable[None]] = map,
    ) -> None:
        problem = layouts.problem
        self.layouts, self.candidates, self.repairs, self.keys, self.stop = (
            layouts,
            candidates,
            repairs,
            keys,
            stop,
        )
        #: Runs a function for many faces, perhaps several at a time; the results do not depend on that.
        self.run = run
        self.forced = forced
        self.locked = {i for group in forced.values() for i in group}
        self.priorities = np.array([r.priority for r in problem.repairs])
        self.penalties = self.priorities * problem.params.unmatched_penalty
        #: What a repair costs at most in a relaxation: left unmatched, or from a face that was not looked at.
        self.ceilings = np.minimum(self.penalties, candidates.beyond)
        self.whole = not np.isfinite(np.array(candidates.beyond)[repairs]).any()
        self.quantum = quantum_of([problem.repairs[i].priority for i in repairs])
        self.plan: list[Column] = []
        self.cost = math.inf
        self.bound = math.fsum(
            min(
                [
                    float(self.ceilings[i]),
                    *(c for pair in candidates.pairs[i].values() for c in pair),
                ]
            )
            for i in repairs
        )
        self.least_unmatched = 0.0
        self.rounds = 0
        self.converged = False
        self.faces: list[FacePricing] = []
        self._face_at = {key: at for at, key in enumerate(keys)}
        self._told = 0
        self._center: Prices | None = None
        #: Prices at which the bound was proved, and what every block earns at them at best.
        self._proof: tuple[Prices, dict[int, float]] | None = None
        self._supports: list[tuple[float, float]] = []
        #: The best bound at the present cap of the prices.
        self._best_here = -math.inf
        self._idle = 0
        self._smooth = 0.0
        self._master_one: Master | None = None
        #: How often the priority left unmatched was bounded by itself: once soon, and once when the prices have settled.
        self.counted = 0
        self.finished = False
        self.last_pick, self.next_pick, self.closings = -1, 4, 0
        #: Effort that was spent on groups not known to be possible.
        self._tried: dict[int, int] = {}
        self.master = Master(
            repairs=repairs,
            blocks=sorted({b for b, _ in keys}),
            n_repairs=len(problem.repairs),
            penalties=self.penalties,
            ceilings=self.ceilings,
            priorities=self.priorities,
            forced=self.locked,
            locked_blocks=set(forced),
        )
        self.cap = 0
        self.effort = LEAST_EFFORT
        self.master.cap(CAPS[0])

    # -- groups ---------------------------------------------------------------------------------------

    def column_of(
        self, block: int, face: int, pieces: tuple[Piece, ...], layout: Layout | None
    ) -> Column:
        """A group with its cost: looks of the pieces and opening of the block."""
        key = (block, face)
        looks = math.fsum(self.candidates.pairs[i][key][0 if must else 1] for i, must in pieces)
        return Column(
            block=block,
            face=face,
            pieces=pieces,
            cost=looks + self.candidates.opening[key],
            layout=layout,
        )

    def set_plan(self, groups: dict[tuple[int, int], tuple[int, ...]]) -> None:
        """Take over a plan made elsewhere."""
        plan = []
        for key, group in sorted(groups.items()):
            pieces, layout = cheapest_pieces(self.layouts, self.candidates, *key, group)
            if layout is not None:
                plan.append(self.column_of(*key, pieces, layout))
        self.offer_plan(plan)

    def offer_plan(self, plan: list[Column]) -> bool:
        """Keep a plan when it holds all locks and is the best so far; what is served twice is dropped once."""
        plan = self._without_twins(plan)
        served = {i for c in plan for i in c.repairs}
        if not self.locked <= served:
            return False
        cost = math.fsum(c.cost for c in plan) + math.fsum(
            self.penalties[i] for i in self.repairs if i not in served
        )
        if cost < self.cost - 1e-9:
            self.plan, self.cost = plan, cost
            for column in plan:
                self.master.add(column)
            return True
        return False

    def _without_twins(self, plan: list[Column]) -> list[Column]:
        offers: dict[int, list[tuple[float, int]]] = {}
        for n, column in enumerate(plan):
            for i, must in column.pieces:
                cost = self.candidates.pairs[i][column.block, column.face][0 if must else 1]
                offers.setdefault(i, []).append((cost, n))
        drop: dict[int, set[int]] = {}
        for i, found in offers.items():
            for _, n in sorted(found)[1:]:
                drop.setdefault(n, set()).add(i)
        result = []
        for n, column in enumerate(plan):
            if n in drop:
                pieces = tuple(p for p in column.pieces if p[0] not in drop[n])
                if not pieces:
                    continue
                old = column.layout
                assert old is not None
                layout = Layout(
                    block=old.block,
                    face=old.face,
                    thickness_mm=old.thickness_mm,
                    places=tuple(p for p in old.places if p[0] not in drop[n]),
                )
                column = self.column_of(column.block, column.face, pieces, layout)
            result.append(column)
        return result

    @property
    def unmatched(self) -> float:
        """Priority that the best plan leaves unmatched."""
        served = {i for c in self.plan for i in c.repairs}
        return math.fsum(float(self.priorities[i]) for i in self.repairs if i not in served)

    # -- rounds ---------------------------------------------------------------------------------------

    def prepare(self) -> bool:
        """Make the tables of all faces; False when time is up."""
        users = self.candidates.users()
        for key in self.keys[len(self.faces) :]:
            if self.stop():
                return False
            face = FacePricing(
                self.layouts,
                self.candidates,
                *key,
                users.get(key, []),
                forced=frozenset(self.forced.get(key[0], ())),
            )
            for piece, alive in enumerate(face.alive.tolist()):
                if not alive:
                    self.candidates.drop(int(face.repairs[piece]), key, reason="size")
            self.faces.append(face)
        return True

    def expect(self, prices: npt.NDArray[np.float64]) -> None:
        """Begin near these prices of the repairs, which are better than those that few groups give."""
        most = np.minimum(self.ceilings, CAPS[0] * self.priorities)
        repairs = np.zeros(len(prices))
        repairs[self.repairs] = np.minimum(prices, most)[self.repairs]
        self._center = Prices(
            objective=-math.inf,
            repairs=repairs,
            blocks=dict.fromkeys(self.master.blocks, 0.0),
            count=0.0,
        )
        self._smooth = 0.5

    def round(self) -> bool:
        """One round of prices and offers; False when time is up before its end."""
        lp = self.master.prices()
        self._tell_faces()
        if self._settle_doubts():
            lp = self.master.prices()
        self.layouts.work += 500
        used = self._smoothed(lp)
        found = self._ask(self.master, used, lp, costs=None)
        if found is None:
            return False
        added, best, unproved = found
        earned = math.fsum(best.values())
        bound = float(used.repairs[self.repairs].sum()) + used.count * self.least_unmatched + earned
        self._supports.append((bound - used.count * self.least_unmatched, used.count))
        self._idle = 0 if bound > self._best_here + 1e-3 * abs(bound) else self._idle + 1
        if bound > self._best_here:
            self._best_here, self._center = bound, used
        if bound > self.bound:
            self.bound = bound
            self._proof = (used, best)
        self.rounds += 1
        near = _NEAR if self.at_last_cap else NEAR_ENOUGH
        idle = self._idle >= MOST_IDLE and not self.at_last_cap
        if (
            idle
            or lp.objective - self.bound <= near * max(1.0, abs(lp.objective))
            or (not added and self._smooth == 0.0)
        ):
            if not self.at_last_cap:
                self.cap += 1
                self.master.cap(CAPS[self.cap])
                self._center, self._best_here, self._idle = None, -math.inf, 0
            elif self.effort < MOST_EFFORT and (
                self._doubtful()
                or (unproved and lp.objective - self.bound > near * max(1.0, abs(lp.objective)))
            ):
                self.effort *= 4
            else:
                self.converged = True
        self._smooth = 0.5 if added else 0.0
        return True

    @property
    def at_last_cap(self) -> bool:
        """Whether repairs may pay their whole penalty by now."""
        return self.cap == len(CAPS) - 1

    def _doubtful(self) -> list[int]:
        """Groups in use of which it is not known whether they can be cut."""
        return [k for k in self.master.in_use() if self.master.columns[k].layout is None]

    def _settle_doubts(self) -> bool:
        """Look harder at the doubtful groups in use; True where one of them turned out to be impossible."""
        changed = False
        for k in self._doubtful():
            if self._tried.get(k, 0) >= self.effort:
                continue
            self._tried[k] = self.effort
            column = self.master.columns[k]
            face = self.faces[self._face_at[column.block, column.face]]
            verdict, layout = face.decide(column.pieces, most_queries=self.effort)
            if verdict == "yes":
                self.master.replace(k, dataclasses.replace(column, layout=layout))
            elif verdict == "no":
                self.master.drop(k)
                face.forget(column.pieces)
                changed = True
        return changed

    def _tell_faces(self) -> None:
        """Every face remembers its groups among those that are new."""
        groups: dict[tuple[int, int], list[tuple[Piece, ...]]] = {}
        for column in self.master.columns[self._told :]:
            groups.setdefault((column.block, column.face), []).append(column.pieces)
        self._told = len(self.master.columns)
        for face in self.faces:
            if face.key in groups:
                face.remember(groups[face.key])

    def _smoothed(self, lp: Prices) -> Prices:
        center = self._center
        if center is None or self._smooth == 0.0:
            self._smooth = 0.0 if center is None else self._smooth
            return lp
        a = self._smooth
        return Prices(
            objective=lp.objective,
            repairs=a * center.repairs + (1 - a) * lp.repairs,
            blocks={b: a * center.blocks[b] + (1 - a) * v for b, v in lp.blocks.items()},
            count=a * center.count + (1 - a) * lp.count,
        )

    def _ask(
        self, master: Master, used: Prices, lp: Prices, *, costs: float | None
    ) -> tuple[int, dict[int, float], int] | None:
        """Ask every face for its best group at prices; groups added, what each block earns at least, undecided ones."""
        best: dict[int, float] = {}
        added = 0
        unproved = 0
        for at, face in enumerate(self.faces):
            if at % TOGETHER == 0:
                if self.stop():
                    return None
                list(
                    self.run(
                        lambda face: self._begin(face, used, costs), self.faces[at : at + TOGETHER]
                    )
                )
            opening = face.opening if costs is None else 0.0
            offer = face.answer()
            gain = opening - offer.worth
            best[face.block] = min(
                best.get(face.block, 0.0 if face.block not in self.forced else math.inf), gain
            )
            unproved += not offer.proved
            for pieces, layout in ((offer.pieces, offer.layout), (offer.doubtful, None)):
                if not pieces:
                    continue
                column = self.column_of(face.block, face.face, pieces, layout)
                cost = column.cost if costs is None else 0.0
                reduced = (
                    cost - float(lp.repairs[list(column.repairs)].sum()) - lp.blocks[face.block]
                )
                if reduced < -1e-6:
                    if costs is None:
                        added += master.add(column)
                    else:
                        added += master.add(
                            Column(
                                block=column.block,
                                face=column.face,
                                pieces=column.pieces,
                                cost=0.0,
                                layout=column.layout,
                            )
                        )
                        self.master.add(column)
        return added, best, unproved

    def _begin(self, face: FacePricing, used: Prices, costs: float | None) -> None:
        opening = face.opening if costs is None else 0.0
        own = None if costs is None else np.where([must for _, must in face.pieces], 1e6, 0.0)
        face.begin(
            used.repairs,
            floor=opening if face.block not in self.forced else -1e6,
            costs=own,
            most_effort=self.effort,
            most_queries=max(500, self.effort // 10),
            most_nodes=max(20_000, self.effort),
        )

    def settle_count(self, *, most_rounds: int = 60) -> bool:
        """Bound the priority left unmatched alone, and round it up; False when time is up."""
        if self.quantum == 0.0 or self.unmatched <= 1e-9 or not self.whole:
            self.counted += 1
            return True
        if self._master_one is None:
            self._master_one = Master(
                repairs=self.repairs,
                blocks=self.master.blocks,
                n_repairs=self.master.n_repairs,
                penalties=self.priorities,
                ceilings=self.priorities,
                priorities=self.priorities,
                forced=self.master.forced,
                locked_blocks=self.master.locked_blocks,
            )
        one = self._master_one
        for k, column in enumerate(self.master.columns):
            if k in self.master.dropped:
                continue
            one.add(
                Column(
                    block=column.block,
                    face=column.face,
                    pieces=tuple((i, False) for i, _ in column.pieces),
                    cost=0.0,
                    layout=column.layout,
                )
            )
        best = 0.0
        for _ in range(most_rounds):
            lp = one.prices()
            self.layouts.work += 500
            found = self._ask(one, lp, lp, costs=0.0)
            if found is None:
                return False
            added, earned, _ = found
            best = max(best, float(lp.repairs[self.repairs].sum()) + math.fsum(earned.values()))
            self._raise_count(best)
            if not added or self.least_unmatched >= self.unmatched - 1e-9:
                break
            if self._rounded(best) >= self._rounded(lp.objective) - 1e-9:
                break
        self.counted += 1
        return True

    def _rounded(self, priority: float) -> float:
        return math.ceil(priority / self.quantum - 1e-6) * self.quantum

    def _raise_count(self, priority: float) -> None:
        least = max(0.0, self._rounded(priority))
        if least > self.least_unmatched + 1e-9:
            self.least_unmatched = least
            self.master.require(least)
            self.bound = max(
                [self.bound, *(base + count * least for base, count in self._supports)]
            )
            self.converged = False

    def least_left(self) -> float:
        """Lower bound on the priority left unmatched, from the bound on the cost too.

        A plan costs no more than its unmatched repairs, the dearest piece of every repair and the opening
        of every block; where the bound lies above that, more stays unmatched.
        """
        if not self.whole:  # a pair that was not looked at may cost more
            return self.least_unmatched
        pairs = self.candidates.pairs
        dearest = math.fsum(
            max(max(c) for c in pairs[i].values()) for i in self.repairs if pairs[i]
        )
        opening: dict[int, float] = {}
        for key in self.keys:
            opening[key[0]] = max(opening.get(key[0], 0.0), self.candidates.opening[key])
        unit = self.layouts.problem.params.unmatched_penalty
        spare = min(self.bound, self.cost) - dearest - math.fsum(opening.values())
        if self.quantum == 0.0 or unit <= 0.0 or spare <= 0.0:
            return self.least_unmatched
        return max(self.least_unmatched, self._rounded(spare / unit))

    def bound_at(self, unmatched: float) -> float:
        """Lower bound on plans that leave this much priority unmatched."""
        return max([self.bound, *(base + count * unmatched for base, count in self._supports)])

    def close(self, *, most_groups: int, most_effort: int, time_limit_s: float | None) -> bool:
        """Close the gap: every plan better than the one at hand is made of groups that cost little more than they earn.

        At the prices of the bound a group that loses more than the gap against the best of its block is in
        no better plan. All others are listed, and the best plan made of them is the best of all. Where they
        are too many, fewer are listed and the bound rises by as much as they reach.

        Returns
        -------
        bool
            False when time is up.
        """
        if self._proof is None or not self.whole:
            return True
        prices, best = self._proof
        base = (
            float(prices.repairs[self.repairs].sum())
            + prices.count * self.least_unmatched
            + math.fsum(best.values())
        )
        reach = self.cost - base
        groups: list[tuple[FacePricing, tuple[Piece, ...], Layout | None]] | None = None
        for _ in range(4):
            groups = []
            for face in self.faces:
                if self.stop():
                    return False
                floor = face.opening - best[face.block] - reach - 1e-7
                found = face.all_worth(
                    prices.repairs,
                    floor=floor,
                    most=most_groups - len(groups) + 1,
                    most_effort=most_effort,
                )
                if found is None or len(groups) + len(found) > most_groups:
                    groups = None
                    break
                groups += [(face, *group) for group in found]
            if groups is not None:
                break
            reach /= 3.0
        if groups is None:
            return True
        columns = [self.column_of(*face.key, pieces, layout) for face, pieces, layout in groups]
        least = self._pick_decided(columns, most_effort=most_effort, time_limit_s=time_limit_s)
        self.bound = max(self.bound, min(least, base + reach, self.cost))
        return True

    # -- plans ----------------------------------------------------------------------------------------

    def pick(self, *, most_columns: int, most_nodes: int, time_limit_s: float | None) -> None:
        """Pick the best plan made of the groups found so far."""
        self._pick_from(
            self._worth_picking(most_columns), most_nodes=most_nodes, time_limit_s=time_limit_s
        )

    def round_off(self) -> None:
        """A plan by rounding the linear program; quick where there are too many groups to pick from."""
        self.layouts.work += 5000
        plan = self.master.rounded_plan(self._worth_picking(None))
        self.offer_plan(plan)

    def pick_in_parts(self, *, seed: int, stop: Callable[[], bool], wide: int = 1) -> None:
        """Better the plan part by part, as far as time allows."""
        columns = [
            c
            for k, c in enumerate(self.master.columns)
            if c.layout is not None and k not in self.master.dropped
        ]
        prices = self.master.prices()
        reduced = [
            c.cost - float(prices.repairs[list(c.repairs)].sum()) - prices.blocks[c.block]
            for c in columns
        ]

        def better(plan: list[Column]) -> list[Column]:
            self.offer_plan(plan)
            return self.plan

        pick_in_parts(
            self.master,
            self.plan,
            columns,
            reduced,
            penalties=self.penalties,
            seed=seed,
            stop=stop,
            better=better,
            wide=wide,
        )

    def _worth_picking(self, most: int | None) -> list[Column]:
        """Groups known to be possible that may be part of a better plan; with ``most``, those that lose least."""
        prices = self.master.prices()
        reduced = self.master.reduced_costs(prices).tolist()
        # no better plan of known groups holds one that loses more than the gap to the linear program
        gap = self.cost - prices.objective + 1e-7
        good = [
            k
            for k, c in enumerate(self.master.columns)
            if c.layout is not None and reduced[k] <= gap
        ]
        return [
            self.master.columns[k]
            for k in sorted(sorted(good, key=lambda k: (reduced[k], k))[:most])
        ]

    def _pick_decided(
        self, columns: list[Column], *, most_effort: int, time_limit_s: float | None
    ) -> float:
        """Pick the best plan made of some groups; those that it would use are looked at harder until it can be cut."""
        while True:
            picked, least = self._integer_plan(
                columns, most_nodes=20_000, time_limit_s=time_limit_s
            )
            verdicts: dict[int, Column | None] = {}
            for column in picked:
                if column.layout is None:
                    face = self.faces[self._face_at[column.block, column.face]]
                    verdict, layout = face.decide(column.pieces, most_queries=most_effort)
                    self.layouts.work += most_effort // 100
                    if verdict != "unknown":
                        verdicts[id(column)] = (
                            None if layout is None else dataclasses.replace(column, layout=layout)
                        )
            if not verdicts or self.stop():
                break
            changed = [verdicts.get(id(c), c) for c in columns]
            columns = [c for c in changed if c is not None]
        if picked and all(c.layout is not None for c in picked):
            self.offer_plan(picked)
        elif picked:  # what is not known to be possible counts for the bound alone
            self._pick_from(
                [c for c in columns if c.layout is not None],
                most_nodes=20_000,
                time_limit_s=time_limit_s,
            )
        return least

    def _pick_from(
        self, columns: list[Column], *, most_nodes: int, time_limit_s: float | None
    ) -> None:
        """Pick the best plan made of some groups, all known to be possible, and of those of the plan at hand."""
        picked, _ = self._integer_plan(columns, most_nodes=most_nodes, time_limit_s=time_limit_s)
        if picked:  # none also stands for time that ran out
            self.offer_plan(picked)

    def _integer_plan(
        self, columns: list[Column], *, most_nodes: int, time_limit_s: float | None
    ) -> tuple[list[Column], float]:
        """What an integer program picks of some groups and of those of the plan at hand, and a bound on such plans."""
        # a group of the plan is known to be possible, even where the list could not tell
        columns = list({(c.block, c.face, c.pieces): c for c in (*columns, *self.plan)}.values())
        self.layouts.work += 5000
        return self.master.integer_plan(
            columns, start=self.plan, most_nodes=most_nodes, time_limit_s=time_limit_s
        )
