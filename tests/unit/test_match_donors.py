"""Stone that comes out of the wall with another repair: an order of work, and a proof that holds."""

from __future__ import annotations

import pytest
from test_match_rules import _block, _repair

from facademap.errors import InputError, SolveError
from facademap.match import Lock, Problem, order_of_work, solve, solve_with_donors, verify

FAR = (76.0, 0.0, 10.0)


def _ring_of(names: str) -> tuple[Problem, dict[str, str]]:
    """Repairs of which each looks best on the stone of the next, the last on that of the first; one poor block lies in the yard."""
    nexts = {r: names[(k + 1) % len(names)] for k, r in enumerate(names)}
    looks = {r: {f"from-{d}": 0.0 if d == nexts[r] else 50.0 for d in names} for r in names}
    problem = Problem(
        repairs=tuple(_repair(r) for r in names),
        looks=looks,
        blocks=(
            *(_block(f"from-{r}", 110.0, 90.0) for r in names),
            _block("yard", 110.0, 90.0, lab=FAR),
        ),
    )
    return problem, {f"from-{r}": r for r in names}


def _in_order(
    problem: Problem, donors: dict[str, str]
) -> tuple[dict[str, str], tuple[str, ...], float]:
    plan, order = solve_with_donors(problem, donors)
    assert verify(problem, plan) == []
    assert order_of_work(plan, donors) == order
    assert plan.status == "optimal"
    assert plan.bound == pytest.approx(plan.objective, rel=1e-6)
    return {p.repair_id: p.block_id for p in plan.placements}, order, plan.objective


@pytest.mark.parametrize("names", ["ab", "abc"])
def test_a_circle_is_broken_at_the_repair_that_takes_from_the_yard(names: str) -> None:
    problem, donors = _ring_of(names)
    free = solve(problem)
    assert "yard" not in {p.block_id for p in free.placements}
    with pytest.raises(InputError, match=", ".join(names)):
        order_of_work(free, donors)
    blocks, order, cost = _in_order(problem, donors)
    assert len(blocks) == len(names)
    assert blocks[order[0]] == "yard"
    assert (
        cost > free.objective + 1
    )  # the bound of the plan without an order would have called this open
    for one in order[1:]:
        assert order.index(donors[blocks[one]]) < order.index(one)


def test_no_repair_takes_its_own_stone() -> None:
    problem = Problem(repairs=(_repair("a"),), blocks=(_block("from-a"),))
    with pytest.raises(InputError, match="a waits for stone that comes out with itself"):
        order_of_work(solve(problem), {"from-a": "a"})
    plan, order = solve_with_donors(problem, {"from-a": "a"})
    assert (plan.placements, order, plan.status) == ((), (), "optimal")
    assert [u.reason for u in plan.unmatched] == ["capacity"]


def test_nothing_waits_for_stone_of_a_repair_that_no_block_serves() -> None:
    problem = Problem(
        repairs=(_repair("a"), _repair("d", 900.0)),
        blocks=(_block("from-d"), _block("yard", lab=FAR)),
    )
    with pytest.raises(InputError, match="a waits for stone that comes out with repair d"):
        order_of_work(solve(problem), {"from-d": "d"})
    blocks, order, _ = _in_order(problem, {"from-d": "d"})
    assert blocks == {"a": "yard"}
    assert order == ("a",)


def test_a_repair_that_frees_stone_for_another_goes_before_one_of_greater_weight() -> None:
    # one block serves d or c; c weighs more, but with d the stone for a comes out as well
    problem = Problem(
        repairs=(
            _repair("a"),
            _repair("c", 200.0, 150.0, priority=1.5),
            _repair("d", 200.0, 150.0),
        ),
        blocks=(_block("from-d", 110.0, 90.0), _block("yard", 210.0, 160.0)),
    )
    assert {u.repair_id for u in solve(problem).unmatched} == {"d"}
    blocks, order, cost = _in_order(problem, {"from-d": "d"})
    assert blocks == {"a": "from-d", "d": "yard"}
    assert order == ("d", "a")
    assert 1500.0 < cost < 1510.0


def test_locks_that_leave_no_order_are_refused_by_name() -> None:
    def repairs(**locks: str | None) -> tuple:
        return tuple(
            _repair(r, **({"lock": Lock(block_id=locks[r])} if r in locks else {})) for r in "abd"
        )

    blocks = (_block("from-a"), _block("from-b"), _block("from-d"), _block("yard"))
    donors = {"from-a": "a", "from-b": "b", "from-d": "d"}
    with pytest.raises(InputError, match="repairs a, b wait for each other"):
        solve_with_donors(Problem(repairs=repairs(a="from-b", b="from-a"), blocks=blocks), donors)
    with pytest.raises(InputError, match="repair b waits for stone that comes out with itself"):
        solve_with_donors(Problem(repairs=repairs(b="from-b"), blocks=blocks), donors)
    with pytest.raises(
        InputError,
        match="a is locked to stone that comes out with repair d, which is to stay without",
    ):
        solve_with_donors(Problem(repairs=repairs(a="from-d", d=None), blocks=blocks), donors)
    huge = (*repairs(a="from-d")[:2], _repair("d", 900.0))
    with pytest.raises(
        InputError,
        match="a is locked to stone that comes out with repair d, for which no piece was found",
    ):
        solve_with_donors(Problem(repairs=huge, blocks=blocks), donors)
    chain = (*repairs(a="from-d")[:1], _repair("d", 200.0, 150.0), _repair("e", 900.0))
    small = (
        _block("from-d", 110.0, 90.0),
        _block("from-e", 210.0, 160.0),
        _block("yard", 110.0, 90.0),
    )
    with pytest.raises(InputError, match=r"locked to it: a \(with d\)"):
        solve_with_donors(Problem(repairs=chain, blocks=small), {"from-d": "d", "from-e": "e"})


def test_a_lock_on_a_donor_is_kept_and_its_repair_served_first() -> None:
    problem = Problem(
        repairs=(
            _repair("a", lock=Lock(block_id="from-d")),
            _repair("c", 200.0, 150.0, priority=3.0),
            _repair("d", 200.0, 150.0),
        ),
        blocks=(_block("from-d", 110.0, 90.0), _block("yard", 210.0, 160.0)),
    )
    blocks, order, _ = _in_order(problem, {"from-d": "d"})
    assert blocks == {"a": "from-d", "d": "yard"}
    assert order == ("d", "a")


def test_a_donor_of_nothing_is_refused_and_a_stop_is_obeyed() -> None:
    problem, donors = _ring_of("abc")
    with pytest.raises(InputError, match="from-a of repair z"):
        solve_with_donors(problem, {"from-a": "z"})

    phases = []

    def stop_later(step: object) -> None:
        phases.append(step)
        if len(phases) == 3:
            raise SolveError("stopped", "Start again.")

    with pytest.raises(SolveError, match="stopped"):
        solve_with_donors(problem, donors, progress=stop_later)
    assert [p.fraction for p in phases] == sorted(p.fraction for p in phases)
