"""What a mason would notice at once if the matching got it wrong."""

from __future__ import annotations

import dataclasses

import pytest
import shapely

from facademap.errors import InputError
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
    compare_plans,
    cost_to_insist,
    explain,
    replay,
    saw_plan,
    solve,
    solve_again,
    stone_wanted,
    verify,
)
from facademap.match.outlines import blank_of, offset_outline


def _ring(w: float, h: float) -> tuple[tuple[float, float], ...]:
    return ((0.0, 0.0), (w, 0.0), (w, h), (0.0, h))


def _repair(name: str, w: float = 100.0, h: float = 80.0, **more: object) -> Repair:
    given = {
        "depth_mm": 60.0,
        "joints_mm": (3.0,),
        "bed": "horizontal",
        "stone": "sand",
        "lab": (70.0, 0.0, 10.0),
    } | more
    return Repair(id=name, outline_mm=_ring(w, h), **given)  # type: ignore[arg-type]


def _block(
    name: str,
    w: float = 300.0,
    h: float = 200.0,
    *,
    depth: float = 100.0,
    stone: str = "sand",
    lab: tuple[float, float, float] = (70.0, 0.0, 10.0),
    **face: object,
) -> Block:
    one = Face(id="f", outline_mm=_ring(w, h), depth_mm=depth, **({"bed": "x"} | face))  # type: ignore[arg-type]
    return Block(id=name, stone=stone, lab=lab, faces=(one,), weight_kg=10.0)


def test_blank_is_cut_out_less_joints_plus_trim() -> None:
    blank = blank_of(_repair("r", joints_mm=(5.0, 4.0, 3.0, 0.0)), Params(trim_mm=3.0))
    assert blank.width_mm == pytest.approx(100.0 + (3 - 4) + (3 - 0))
    assert blank.height_mm == pytest.approx(80.0 + (3 - 5) + (3 - 3))


def test_mitred_offset_agrees_with_shapely_for_equal_offsets() -> None:
    ring = ((0.0, 0.0), (100.0, 0.0), (140.0, 60.0), (60.0, 60.0), (60.0, 120.0), (0.0, 120.0))
    for by in (-4.0, 5.0):
        mine = shapely.Polygon(offset_outline(ring, [by] * 6))
        theirs = shapely.Polygon(ring).buffer(by, join_style="mitre", mitre_limit=1e9)
        assert mine.symmetric_difference(theirs).area < 1e-6


def test_piece_that_vanishes_in_its_joints_is_refused() -> None:
    with pytest.raises(InputError, match="r1"):
        solve(
            Problem(repairs=(_repair("r1", 10.0, 10.0, joints_mm=(12.0,)),), blocks=(_block("b"),))
        )


@pytest.mark.parametrize(
    ("reason", "repair", "block"),
    [
        ("stone_type", {"stone": "lime"}, {}),
        ("bed", {"bed": "edge"}, {"bed": "parallel"}),
        ("depth", {"depth_mm": 99.0}, {}),
        ("weathered", {"weathered": "required"}, {}),
        ("colour", {"de_tolerance": 2.0}, {"lab": (50.0, 0.0, 10.0)}),
        ("size", {"w": 310.0}, {}),
        ("locked_out", {"forbid": ("b",)}, {}),
        ("locked_out", {"lock": Lock(block_id=None)}, {}),
    ],
)
def test_reason_is_the_filter_that_leaves_nothing(reason: str, repair: dict, block: dict) -> None:
    problem = Problem(repairs=(_repair("r", **repair),), blocks=(_block("b", **block),))
    plan = solve(problem)
    assert [u.reason for u in plan.unmatched] == [reason]
    assert verify(problem, plan) == []


def test_capacity_and_the_stone_to_look_for() -> None:
    problem = Problem(
        repairs=(_repair("a", 290.0, 190.0), _repair("b", 280.0, 190.0)), blocks=(_block("y"),)
    )
    plan = solve(problem)
    assert [u.reason for u in plan.unmatched] == ["capacity"]
    wanted = stone_wanted(problem, plan)
    assert wanted[0].stone == "sand"
    assert wanted[0].depth_mm == pytest.approx(65.0)
    assert wanted[0].width_mm >= 280.0


def test_kerf_decides_whether_two_fit_side_by_side() -> None:
    pair = (
        _repair("a", 100.0, 200.0, joints_mm=(3.0,)),
        _repair("b", 100.0, 200.0, joints_mm=(3.0,)),
    )
    exact = Problem(repairs=pair, blocks=(_block("y", 205.0, 200.0),))
    assert len(solve(exact).placements) == 2
    short = Problem(repairs=pair, blocks=(_block("y", 204.5, 200.0),))
    assert len(solve(short).placements) == 1


def test_l_shaped_blank_may_keep_a_flaw_in_its_notch() -> None:
    ring = ((0.0, 0.0), (100.0, 0.0), (100.0, 50.0), (50.0, 50.0), (50.0, 100.0), (0.0, 100.0))
    repair = dataclasses.replace(_repair("l"), outline_mm=ring, joints_mm=(3.0,) * 6)
    flaw = Flaw(outline_mm=((60.0, 60.0), (95.0, 60.0), (95.0, 95.0), (60.0, 95.0)))
    problem = Problem(repairs=(repair,), blocks=(_block("y", 100.0, 100.0, flaws=(flaw,)),))
    plan = solve(problem)
    assert [p.rot_deg for p in plan.placements] == [0]
    moved = dataclasses.replace(
        plan, placements=(dataclasses.replace(plan.placements[0], rot_deg=180),)
    )
    assert {v.rule for v in verify(problem, moved)} == {"flaw"}


def test_second_slab_starts_behind_a_shallow_flaw() -> None:
    flaw = Flaw(outline_mm=_ring(300.0, 200.0), depth_mm=60.0)
    problem = Problem(repairs=(_repair("a"),), blocks=(_block("y", depth=200.0, flaws=(flaw,)),))
    plan = solve(problem)
    assert plan.placements[0].slab == 1
    assert plan.slabs["y"].thickness_mm[0] + 8.0 >= 60.0
    assert verify(problem, plan) == []


def test_upside_down_can_be_barred() -> None:
    ring = ((50.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0), (0.0, 50.0), (50.0, 50.0))
    repair = dataclasses.replace(_repair("l"), outline_mm=ring, joints_mm=(3.0,) * 6)
    flaw = Flaw(outline_mm=((60.0, 60.0), (95.0, 60.0), (95.0, 95.0), (60.0, 95.0)))
    block = _block("y", 100.0, 100.0, flaws=(flaw,))
    assert [p.rot_deg for p in solve(Problem(repairs=(repair,), blocks=(block,))).placements] == [
        180
    ]
    barred = dataclasses.replace(repair, turn180=False)
    assert [u.reason for u in solve(Problem(repairs=(barred,), blocks=(block,))).unmatched] == [
        "size"
    ]


def test_locks_at_one_place_are_refused_and_both_named() -> None:
    lock = Lock(block_id="y", face_id="f", slab=0, x_mm=0.0, y_mm=0.0, rot_deg=0)
    pair = (_repair("first", lock=lock), _repair("second", lock=lock))
    with pytest.raises(InputError, match=r"first.*second"):
        solve(Problem(repairs=pair, blocks=(_block("y"),)))


def test_lock_against_the_rules_is_refused() -> None:
    with pytest.raises(InputError, match="r1"):
        solve(
            Problem(
                repairs=(_repair("r1", stone="lime", lock=Lock(block_id="y")),),
                blocks=(_block("y"),),
            )
        )


def test_full_lock_is_kept_to_the_hundredth() -> None:
    lock = Lock(block_id="y", face_id="f", slab=0, x_mm=37.123, y_mm=11.0, rot_deg=180)
    plan = solve(Problem(repairs=(_repair("a", lock=lock), _repair("b")), blocks=(_block("y"),)))
    place = plan.placement("a")
    assert place is not None
    assert (place.x_mm, place.y_mm, place.rot_deg) == (37.123, 11.0, 180)
    assert len(plan.placements) == 2


@pytest.mark.parametrize(
    ("rule", "change"),
    [
        ("inside", {"x_mm": 210.0}),
        ("bed", {"rot_deg": 90}),
        ("slabs", {"slab": 1}),
        ("ids", {"face_id": "g"}),
    ],
)
def test_verify_finds_what_is_wrong(rule: str, change: dict) -> None:
    problem = Problem(repairs=(_repair("a"),), blocks=(_block("y"),))
    plan = solve(problem)
    broken = dataclasses.replace(
        plan, placements=(dataclasses.replace(plan.placements[0], **change),)
    )
    assert rule in {v.rule for v in verify(problem, broken)}


def test_verify_refuses_a_pinwheel_but_lets_free_cutting_do_it() -> None:
    repairs = tuple(
        _repair(f"r{n}", w, h, joints_mm=(3.0,))
        for n, (w, h) in enumerate([(100.0, 60.0), (60.0, 100.0), (100.0, 60.0), (60.0, 100.0)])
    )
    free = Problem(
        repairs=repairs,
        blocks=(_block("y", 165.0, 165.0),),
        params=Params(cut_mode="free", max_slabs=1),
    )
    plan = solve(free)
    assert len(plan.placements) == 4
    straight = dataclasses.replace(
        free, params=dataclasses.replace(free.params, cut_mode="guillotine")
    )
    assert "sawing" in {v.rule for v in verify(straight, plan)}
    assert len(solve(straight).placements) == 3


def test_verify_finds_two_blanks_too_close_and_a_double_use() -> None:
    problem = Problem(repairs=(_repair("a"), _repair("b")), blocks=(_block("y"),))
    plan = solve(problem)
    here = [
        Placement(repair_id=i, block_id="y", face_id="f", slab=0, x_mm=x, y_mm=0.0, rot_deg=0)
        for i, x in (("a", 0.0), ("b", 104.0))
    ]
    assert "sawing" in {
        v.rule for v in verify(problem, dataclasses.replace(plan, placements=tuple(here)))
    }
    twice = dataclasses.replace(plan, placements=(*plan.placements, plan.placements[0]))
    assert "once" in {v.rule for v in verify(problem, twice)}
    thick = dataclasses.replace(plan, slabs={"y": Slabs(face_id="f", thickness_mm=(70.0, 70.0))})
    assert "slabs" in {v.rule for v in verify(problem, thick)}


def test_saw_plan_of_a_solution_ends_with_its_pieces_and_loses_no_stone() -> None:
    problem = Problem(
        repairs=(_repair("a"), _repair("b", 120.0, 60.0)), blocks=(_block("y", depth=160.0),)
    )
    plan = solve(problem)
    sawn = saw_plan(problem, plan, "y", names={"a": "P-a"})
    assert replay(sawn) == []
    assert set(sawn.pieces) == {"P-a", "b"}
    assert [s.number for s in sawn.steps] == list(range(1, len(sawn.steps) + 1))
    ends = [sawn.solids[i].volume_mm3 for i in (*sawn.pieces.values(), *sawn.left)]
    assert sum(ends) + sum(s.kerf_mm3 for s in sawn.steps) == pytest.approx(300.0 * 200.0 * 160.0)
    assert {s.kerf_mm for s in sawn.steps} <= {
        problem.params.kerf_mm,
        problem.params.depth_kerf_mm,
        0.0,
    }


def test_explain_ranks_blocks_and_names_what_rules_out_the_rest() -> None:
    blocks = (
        _block("near"),
        _block("far", lab=(73.0, 0.0, 10.0)),
        _block("lime", stone="lime"),
        _block("tiny", 60.0, 60.0),
    )
    problem = Problem(repairs=(_repair("a"),), blocks=blocks)
    plan = solve(problem)
    told = explain(problem, plan)[0]
    assert [r.block_id for r in told.ranked] == ["near", "far"]
    assert {(o.block_id, o.reason) for o in told.ruled_out} == {
        ("lime", "stone_type"),
        ("tiny", "size"),
    }
    more, other = cost_to_insist(problem, plan, repair_id="a", block_id="far")
    assert more == pytest.approx(told.ranked[1].insist_alone, abs=1e-6)
    assert more > 0.5
    assert other.placements[0].block_id == "far"


def test_solving_again_after_a_forbidden_block_moves_only_what_it_must() -> None:
    repairs = tuple(_repair(f"r{n}") for n in range(4))
    problem = Problem(repairs=repairs, blocks=tuple(_block(f"b{n}", 110.0, 90.0) for n in range(6)))
    plan = solve(problem)
    moved = plan.placements[0]
    changed = dataclasses.replace(
        problem,
        repairs=tuple(
            dataclasses.replace(r, forbid=(moved.block_id,)) if r.id == moved.repair_id else r
            for r in repairs
        ),
    )
    again = solve_again(changed, plan)
    assert verify(changed, again) == []
    compared = compare_plans(changed, plan, again)
    assert compared.placed == (4, 4)
    assert len(compared.changes) <= 2


def test_empty_yard_and_no_repairs_and_twins_are_refused() -> None:
    with pytest.raises(InputError, match="yard is empty"):
        Problem(repairs=(_repair("a"),), blocks=())
    with pytest.raises(InputError, match="no repairs"):
        Problem(repairs=(), blocks=(_block("y"),))
    with pytest.raises(InputError, match="there twice"):
        Problem(repairs=(_repair("a"), _repair("a")), blocks=(_block("y"),))
