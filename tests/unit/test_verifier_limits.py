"""The independent verifier, each rule broken by its smallest amount: lengths are held to 0.01 mm, so 0.005 passes and 0.02 does not.

Plans are made by hand here; no solver is asked. Colours: two greys on the L axis differ by less than their L (CIEDE2000), so a
tolerance is set just below and above the difference that the formula gives.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from facademap.match import (
    Block,
    Face,
    Flaw,
    Lock,
    Params,
    Placement,
    Problem,
    Repair,
    Slabs,
    Solution,
    Unmatched,
    recount_objective,
    verify,
)
from facademap.photo.lab import difference_ciede2000

JUST, OVER = 0.005, 0.02
GREY = (70.0, 0.0, 10.0)


def ring(w: float, h: float, x: float = 0.0, y: float = 0.0) -> tuple[tuple[float, float], ...]:
    return ((x, y), (x + w, y), (x + w, y + h), (x, y + h))


def repair(name: str = "r", w: float = 100.0, h: float = 80.0, **more: Any) -> Repair:
    """Its blank is as large as its cut-out: 3 mm of joint, 3 mm of trim."""
    given = {
        "depth_mm": 60.0,
        "joints_mm": (3.0,),
        "bed": "horizontal",
        "stone": "sand",
        "lab": GREY,
    }
    return Repair(id=name, outline_mm=ring(w, h), **{**given, **more})  # type: ignore[arg-type]


def block(name: str = "b", w: float = 300.0, h: float = 200.0, **face: Any) -> Block:
    given = {"id": "f", "outline_mm": ring(w, h), "depth_mm": 200.0, "bed": "x", **face}
    return Block(id=name, stone="sand", lab=GREY, faces=(Face(**given),), weight_kg=10.0)


def at(x: float = 0.0, y: float = 0.0, *, name: str = "r", **more: Any) -> Placement:
    given = {"block_id": "b", "face_id": "f", "slab": 0, "rot_deg": 0, **more}
    return Placement(repair_id=name, x_mm=x, y_mm=y, **given)


def broken(
    repairs: tuple[Repair, ...],
    blocks: tuple[Block, ...],
    *placements: Placement,
    slabs: tuple[float, ...] | None = None,
    unmatched: tuple[Unmatched, ...] = (),
    **params: Any,
) -> set[str]:
    """Rules that a plan breaks, its numbers counted again so that they are never what is wrong."""
    problem = Problem(repairs=repairs, blocks=blocks, params=Params(**params))
    plan = Solution(
        status="feasible",
        objective=0.0,
        bound=0.0,
        gap=0.0,
        seconds=0.0,
        seed=0,
        ended_by="time",
        placements=placements,
        unmatched=unmatched,
        slabs={} if slabs is None else {"b": Slabs(face_id="f", thickness_mm=slabs)},
    )
    value = recount_objective(problem, plan)
    return {v.rule for v in verify(problem, replace(plan, objective=value, bound=value))}


@pytest.mark.parametrize(("off", "right"), [(JUST, True), (OVER, False)])
@pytest.mark.parametrize("side", ["left", "right", "below", "above"])
def test_a_blank_stays_on_its_face(side: str, off: float, right: bool) -> None:
    place = {
        "left": (-off, 0),
        "right": (200 + off, 0),
        "below": (0, -off),
        "above": (0, 120 + off),
    }
    assert broken((repair(),), (block(),), at(*place[side])) == (set() if right else {"inside"})


@pytest.mark.parametrize(("off", "right"), [(JUST, True), (OVER, False)])
def test_slabs_are_no_thinner_than_allowed_and_use_no_more_than_the_block(off, right) -> None:
    """Three slabs and two cuts of 8 mm: 61 + 61 + 62 + 16 = 200."""
    assert broken((repair(),), (block(),), at(), slabs=(65.0, 65.0, 54.0 + off)) == (
        set() if right else {"slabs"}
    )
    thin = broken((repair(),), (block(),), at(), slabs=(100.0, 40.0 - off))
    assert thin == (set() if right else {"slabs"})
    assert broken((repair(),), (block(depth_mm=65.0 - off),), at()) == (
        set() if right else {"depth"}
    )


def test_a_single_slab_may_not_be_thinner_than_allowed_either() -> None:
    for depth, rules in ((66.0, set()), (66.0 - OVER, {"slabs"}), (66.0 - JUST, set())):
        found = broken((repair(depth_mm=20.0),), (block(depth_mm=depth),), at(), min_slab_mm=66.0)
        assert found == rules


@pytest.mark.parametrize(
    ("slabs", "right"), [((60.0,) * 3, True), ((180.0,), True), ((44.0,) * 4, False), ((), False)]
)
def test_a_block_is_sawn_into_one_to_three_slabs(slabs: tuple[float, ...], right: bool) -> None:
    found = broken((repair(depth_mm=39.0),), (block(),), at(), slabs=slabs)
    assert (not found) is right
    assert right or "slabs" in found


def test_there_is_no_slab_behind_the_last() -> None:
    two = (90.0, 90.0)
    assert broken((repair(),), (block(),), at(slab=1), slabs=two) == set()
    assert broken((repair(),), (block(),), at(slab=2), slabs=two) == {"slabs"}
    assert "slabs" in broken((repair(),), (block(),), at(slab=-1), slabs=two)


@pytest.mark.parametrize(("off", "right"), [(JUST, True), (OVER, False)])
def test_a_piece_with_its_allowance_goes_into_its_slab(off, right) -> None:
    found = broken((repair(),), (block(),), at(slab=1), slabs=(100.0, 65.0 - off))
    assert found == (set() if right else {"depth"})
    # a weathered face that is kept needs no allowance; it lies on the first slab of a weathered face
    kept = repair(weathered="required")
    for depth, rules in ((60.0 - off, set() if right else {"depth"}),):
        assert broken((kept,), (block(weathered=True),), at(), slabs=(depth, 90.0)) == rules
    assert broken((kept,), (block(weathered=True),), at(slab=1), slabs=(90.0, 90.0)) == {
        "weathered"
    }
    assert broken((kept,), (block(weathered=False),), at(), slabs=(90.0, 90.0)) == {"weathered"}


@pytest.mark.parametrize(("off", "hit"), [(-OVER, False), (-JUST, False), (OVER, True)])
def test_a_flaw_beside_a_blank_is_no_flaw_of_it(off: float, hit: bool) -> None:
    beside = Flaw(outline_mm=ring(50.0, 50.0, x=100.0 - off, y=10.0))
    assert broken((repair(),), (block(flaws=(beside,)),), at()) == ({"flaw"} if hit else set())


@pytest.mark.parametrize(
    ("slab", "depth", "begins", "hit"),
    [
        (0, OVER, 0.0, True),
        (0, JUST, 0.0, False),
        (1, 88.0 + OVER, 0.0, True),  # 80 mm of slab and 8 mm of saw lie before the second
        (1, 88.0 + JUST, 0.0, False),
        (0, None, 80.0 - OVER, True),
        (0, None, 80.0 - JUST, False),
        (1, None, 168.0 - OVER, True),
        (1, None, 168.0 - JUST, False),
        (1, 200.0, 10.0, True),
    ],
)
def test_a_flaw_counts_from_where_it_begins_to_where_it_ends(slab, depth, begins, hit) -> None:
    if depth is not None and depth <= begins:
        begins = 0.0
    flaw = Flaw(outline_mm=ring(20.0, 20.0, x=10.0, y=10.0), depth_mm=depth, from_mm=begins)
    found = broken((repair(),), (block(flaws=(flaw,)),), at(slab=slab), slabs=(80.0, 80.0))
    assert found == ({"flaw"} if hit else set())


@pytest.mark.parametrize("mode", ["guillotine", "free"])
@pytest.mark.parametrize(("off", "right"), [(JUST, True), (OVER, False)])
@pytest.mark.parametrize("upright", [False, True])
def test_two_blanks_lie_a_kerf_apart(mode, off, right, upright) -> None:
    pair = (repair("a"), repair("c"))
    second = (0.0, 85.0 - off) if upright else (105.0 - off, 0.0)
    found = broken(pair, (block(),), at(name="a"), at(*second, name="c"), cut_mode=mode)
    assert found == (set() if right else {"sawing" if mode == "guillotine" else "kerf"})


@pytest.mark.parametrize(
    ("change", "right"),
    [
        ({}, True),
        ({"face_id": "g"}, False),
        ({"slab": 1}, False),
        ({"rot_deg": 180}, False),
        ({"x_mm": 10.0 + JUST}, True),
        ({"x_mm": 10.0 + OVER}, False),
        ({"x_mm": 10.0 - OVER}, False),
        ({"y_mm": 20.0 + JUST}, True),
        ({"y_mm": 20.0 + OVER}, False),
        ({"y_mm": 20.0 - OVER}, False),
    ],
)
def test_a_lock_holds_every_part_of_its_place(change: dict[str, Any], right: bool) -> None:
    two = Block(
        id="b",
        stone="sand",
        lab=GREY,
        faces=tuple(
            Face(id=i, outline_mm=ring(300.0, 200.0), depth_mm=200.0, bed="x") for i in "fg"
        ),
        weight_kg=10.0,
    )
    lock = Lock(
        block_id="b",
        **{"face_id": "f", "slab": 0, "rot_deg": 0, "x_mm": 10.0, "y_mm": 20.0, **change},
    )
    found = broken((repair(lock=lock),), (two,), at(10.0, 20.0), slabs=(90.0, 90.0))
    assert found == (set() if right else {"lock"})


def test_a_lock_names_its_block_or_none() -> None:
    blocks = (block("b"), block("other"))
    assert broken((repair(lock=Lock(block_id="b")),), blocks, at()) == set()
    assert broken((repair(lock=Lock(block_id="other")),), blocks, at()) == {"lock"}
    assert broken((repair(lock=Lock(block_id=None)),), blocks, at()) == {"lock"}
    least = Unmatched(repair_id="r", reason="locked_out", source_mm=(100.0, 80.0, 65.0))
    locked = repair(lock=Lock(block_id="b"))
    assert broken((locked,), blocks, unmatched=(least,)) == {"lock"}
    assert broken((repair(lock=Lock(block_id=None)),), blocks, unmatched=(least,)) == set()


@pytest.mark.parametrize(("off", "right"), [(JUST, True), (OVER, False)])
@pytest.mark.parametrize("side", [0, 1, 2])
def test_the_stone_to_look_for_is_large_enough(side: int, off: float, right: bool) -> None:
    size = [100.0, 80.0, 65.0]
    size[side] -= off
    none = Unmatched(repair_id="r", reason="capacity", source_mm=tuple(size))  # type: ignore[arg-type]
    assert broken((repair(),), (block(),), unmatched=(none,)) == (set() if right else {"source"})


def test_a_piece_is_unmatched_for_its_stone_only_where_there_is_none() -> None:
    def told(reason: Any, **more: Any) -> set[str]:
        none = Unmatched(repair_id="r", reason=reason, source_mm=(100.0, 80.0, 65.0))
        return broken((repair(**more),), (block(),), unmatched=(none,))

    assert told("capacity") == set()
    assert told("stone_type") == {"reason"}
    assert told("stone_type", stone="lime") == set()
    assert told("capacity", stone="lime") == {"reason"}
    assert told("stone_type", stone="lime", accept=("sand",)) == {"reason"}


def test_a_colour_is_within_its_tolerance() -> None:
    other = (66.0, 1.0, 12.0)
    apart = float(difference_ciede2000(GREY, other))
    for tolerance, rules in ((apart - 2e-6, {"colour"}), (apart, set()), (apart + 1e-4, set())):
        wanted = repair(de_tolerance=tolerance)
        assert broken((wanted,), (replace(block(), lab=other),), at()) == rules
        # the colour of the face goes before that of its block
        assert broken((wanted,), (block(lab=other),), at()) == rules
    assert (
        broken((repair(de_tolerance=1.0),), (replace(block(lab=GREY), lab=other),), at()) == set()
    )


@pytest.mark.parametrize(
    ("bed", "face_bed", "turn", "right"),
    [
        ("horizontal", "x", 0, True),
        ("horizontal", "x", 180, True),
        ("horizontal", "x", 90, False),
        ("edge", "x", 90, True),
        ("edge", "x", 270, True),
        ("edge", "x", 0, False),
        ("any", "x", 90, True),
        ("any", "parallel", 0, True),
        ("horizontal", "parallel", 0, False),
        ("horizontal", "unknown", 0, False),
        ("horizontal", "none", 90, True),
    ],
)
def test_the_natural_bed_lies_as_wanted(bed, face_bed, turn, right) -> None:
    found = broken((repair(bed=bed),), (block(bed=face_bed),), at(rot_deg=turn))
    assert found == (set() if right else {"bed"})


def test_stone_and_block_are_those_allowed() -> None:
    assert broken((repair(stone="lime"),), (block(),), at()) == {"stone"}
    assert broken((repair(stone="lime", accept=("sand",)),), (block(),), at()) == set()
    assert broken((repair(stone="lime", accept=("slate",)),), (block(),), at()) == {"stone"}
    assert broken((repair(forbid=("b",)),), (block(),), at()) == {"forbidden"}
    two = (block(), block("other"))
    assert broken((repair(forbid=("other",)),), two, at()) == set()


@pytest.mark.parametrize(
    ("asked", "there_for", "right"),
    [
        ("north", "north", True),
        ("north", "south", False),
        (None, "south", False),
        ("north", None, True),
    ],
)
def test_a_face_that_is_there_for_a_campaign_is_used_in_it(asked, there_for, right) -> None:
    found = broken((repair(campaign=asked),), (block(campaign=there_for),), at())
    assert found == (set() if right else {"campaign"})


def test_upside_down_is_told_where_it_is_barred() -> None:
    barred = repair(turn180=False)
    assert broken((barred,), (block(),), at()) == set()
    assert broken((barred,), (block(),), at(rot_deg=180)) == {"bed"}


def numbers(**change: float) -> set[str]:
    problem = Problem(repairs=(repair(),), blocks=(block(),))
    plan = Solution(
        status="feasible", objective=0.0, bound=0.0, gap=0.0, seconds=0.0, seed=0, ended_by="time",
        placements=(at(),), unmatched=(),
    )  # fmt: skip
    value = recount_objective(problem, plan)
    plan = replace(plan, objective=value, bound=value * 0.9, gap=0.1)
    changed = {k: v * value if k != "gap" else v for k, v in change.items()}
    return {v.rule for v in verify(problem, replace(plan, **changed))}  # type: ignore[arg-type]


def test_objective_bound_and_gap_are_counted_again() -> None:
    assert numbers() == set()
    assert numbers(objective=1.0 + 1e-9) == set()
    assert "objective" in numbers(objective=1.0 + 1e-4)
    assert "objective" in numbers(objective=1.0 - 1e-4)
    assert "bound" in numbers(bound=1.0 + 1e-4)
    assert numbers(gap=0.1 + 1e-7) == set()
    assert numbers(gap=0.1 + 1e-5) == {"gap"}
    assert numbers(gap=0.1 - 1e-5) == {"gap"}


def test_every_part_of_the_objective_by_hand() -> None:
    """Two pieces of priority 2 and 3 on one block, one left over of priority 4; weights as in `Params`."""
    through = Flaw(outline_mm=ring(20.0, 10.0, x=200.0, y=100.0))
    shallow = Flaw(outline_mm=ring(20.0, 10.0, x=200.0, y=150.0), depth_mm=5.0)
    stock = replace(
        block(flaws=(through, shallow), finish="droved", lab=(66.0, 1.0, 12.0)), spread=1.2
    )
    far = replace(stock.faces[0], haul_kg=25.0, provenance=0.4)  # from another building
    stock = replace(stock, faces=(far,))
    wanted = (
        repair("a", priority=2.0, finish="droved"),
        repair("c", priority=3.0, finish="rubbed"),
        repair("d", priority=4.0, stone="lime"),
        repair("e", priority=1.0, lab=None, finish="droved"),
    )
    problem = Problem(repairs=wanted, blocks=(stock,), looks={"c": {"b": 7.0}})
    plan = Solution(
        status="feasible", objective=0.0, bound=0.0, gap=0.0, seconds=0.0, seed=0, ended_by="time",
        placements=(at(name="a"), at(120.0, name="c"), at(0.0, name="e", slab=1)),
        unmatched=(Unmatched(repair_id="d", reason="stone_type", source_mm=(100.0, 80.0, 65.0)),),
        slabs={"b": Slabs(face_id="f", thickness_mm=(90.0, 90.0))},
    )  # fmt: skip
    apart = float(difference_ciede2000(GREY, (66.0, 1.0, 12.0)))
    by_hand = (
        2.0 * (apart + 0.25 * 1.2 + 0.4)
        + 3.0 * (7.0 + 1.5 + 0.4)
        + 1.0 * (0.0 + 0.25 * 1.2 + 1.5 + 0.4)  # its finish lies on the first slab only
        + 4.0 * 1000.0
        + 0.05 * (300.0 * 200.0 - 20.0 * 10.0) * 200.0 / 1e6
        + 0.01 * (10.0 + 25.0)
    )
    assert recount_objective(problem, plan) == pytest.approx(by_hand, abs=1e-9)


@pytest.mark.parametrize(("gap", "right"), [(5.0, True), (3.0, False)])
def test_a_cut_clears_every_blank_before_it_not_only_the_last(gap: float, right: bool) -> None:
    """A long blank below reaches further than the short one above it; the tall one beside them is parted from both."""
    three = (repair("a", 150.0, 50.0), repair("c", 50.0, 80.0), repair("t", 100.0, 135.0))
    places = (at(name="a"), at(10.0, 55.0, name="c"), at(150.0 + gap, name="t"))
    assert broken(three, (block(),), *places) == (set() if right else {"sawing"})
    turned = (repair("a", 50.0, 150.0), repair("c", 80.0, 50.0), repair("t", 135.0, 40.0))
    places = (at(name="a"), at(55.0, 10.0, name="c"), at(0.0, 150.0 + gap, name="t"))
    found = broken(turned, (block(h=250.0),), *places)
    assert found == (set() if right else {"sawing"})


@pytest.mark.parametrize(("off", "right"), [(0.0, True), (JUST, True), (OVER, False)])
def test_without_a_kerf_blanks_may_touch_and_not_overlap(off: float, right: bool) -> None:
    pair = (repair("a"), repair("c"))
    places = (at(name="a"), at(100.0 - off, name="c"))
    found = broken(pair, (block(),), *places, cut_mode="free", kerf_mm=0.0)
    assert found == (set() if right else {"kerf"})


def test_a_piece_that_vanishes_in_its_joints_is_unmatched_without_a_size() -> None:
    none = Unmatched(repair_id="r", reason="size", source_mm=(1.0, 1.0, 1.0))
    thin = repair(w=10.0, h=10.0, joints_mm=(12.0,))
    assert broken((thin,), (block(),), unmatched=(none,)) == set()


def test_one_block_of_its_stone_among_others_is_enough() -> None:
    stock = (block("b"), replace(block("s"), stone="slate"))
    for reason, rules in (("capacity", set()), ("stone_type", {"reason"})):
        none = Unmatched(repair_id="r", reason=reason, source_mm=(100.0, 80.0, 65.0))  # type: ignore[arg-type]
        assert broken((repair(),), stock, unmatched=(none,)) == rules
