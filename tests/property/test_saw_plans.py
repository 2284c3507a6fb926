"""Saw plans over random layouts: the replay of the package and a second program both end with exactly the pieces."""

from __future__ import annotations

import copy
import dataclasses
import json
import math
import sys
import time
from pathlib import Path

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_instances import random_yard
from saw_replay import follow

from facademap.errors import InputError
from facademap.io.match_files import problem_from_json
from facademap.match import (
    Blank,
    Flaw,
    Params,
    SawOrder,
    remainders_of,
    replay,
    saw,
    saw_plan,
    solve,
    verify,
)
from facademap.report.saw_steps import write_saw_steps

PARAMS = Params()


def _shape(
    kind: int, x0: float, y0: float, x1: float, y1: float
) -> tuple[tuple[float, float], ...]:
    """A blank in a box: rectangle, chamfered, L, out of square by less than the trim, or a triangle."""
    w, h = x1 - x0, y1 - y0
    return (
        ((x0, y0), (x1, y0), (x1, y1), (x0, y1)),
        ((x0, y0), (x1, y0), (x1, y1 - h / 3), (x1 - w / 3, y1), (x0, y1)),
        (
            (x0, y0),
            (x1, y0),
            (x1, y0 + h / 2),
            (x0 + w / 2, y0 + h / 2),
            (x0 + w / 2, y1),
            (x0, y1),
        ),
        ((x0, y0), (x1, y0 + 1.0), (x1, y1), (x0 + 0.7, y1)),
        ((x0, y0), (x1, y0), (x0, y1)),
    )[kind]


@st.composite
def orders(draw: st.DrawFn) -> SawOrder:
    """A block of up to three slabs, each a rectangle cut apart at random, with blanks of many shapes and depths."""
    width, height = draw(st.floats(250, 1200)), draw(st.floats(200, 700))
    chop = draw(st.tuples(*[st.floats(1, 25)] * 4))
    outline = (
        (chop[0], 0.0), (width - chop[1], 0.0), (width, chop[1]), (width, height - chop[2]),
        (width - chop[2], height), (chop[3], height), (0.0, height - chop[3]), (0.0, chop[0]),
    )  # fmt: skip
    thickness = tuple(draw(st.lists(st.floats(40, 150), min_size=1, max_size=3)))
    used = sum(thickness) + PARAMS.depth_kerf_mm * (len(thickness) - 1)
    depth = used + draw(st.sampled_from([0.0, 0.5, 5.0, 30.0, 120.0]))
    blanks: list[Blank] = []

    def split(slab: int, box: tuple[float, float, float, float], level: int) -> None:
        x0, y0, x1, y1 = box
        if level and draw(st.booleans()):
            at = draw(st.floats(0.3, 0.7))
            if draw(st.booleans()):
                middle = x0 + (x1 - x0) * at
                halves = (x0, y0, middle, y1), (middle + PARAMS.kerf_mm, y0, x1, y1)
            else:
                middle = y0 + (y1 - y0) * at
                halves = (x0, y0, x1, middle), (x0, middle + PARAMS.kerf_mm, x1, y1)
            for half in halves:
                split(slab, half, level - 1)
            return
        pad = draw(st.sampled_from([0.0, 0.005, 2.0, 4.0, 90.0]))
        if x1 - x0 - pad < 60 or y1 - y0 < 60 or draw(st.integers(0, 4)) == 0:
            return
        share = draw(st.floats(0.4, 1.0))
        blanks.append(
            Blank(
                piece_id=f"P-{len(blanks) + 1}",
                slab=slab,
                outline_mm=_shape(draw(st.integers(0, 4)), x0, y0, x1 - pad, y1),
                depth_mm=max(10.0, thickness[slab] * share),
            )
        )

    for slab in range(len(thickness)):
        split(slab, (26.0, 26.0, width - 26.0, height - 26.0), 3)
    if not blanks:
        blanks.append(
            Blank(piece_id="P-1", slab=0, outline_mm=_shape(0, 30, 30, 150, 120), depth_mm=40.0)
        )
    return SawOrder(
        block_id="B-1", face_id="B-1.1", outline_mm=outline, depth_mm=depth, thickness_mm=thickness,
        blanks=tuple(blanks),
    )  # fmt: skip


@settings(max_examples=120, deadline=None)
@given(orders())
def test_every_plan_ends_with_exactly_its_pieces(order: SawOrder) -> None:
    plan = saw(order, PARAMS)
    assert replay(plan) == []
    assert follow(json.loads(write_saw_steps([plan]))) == []
    told = [plan.solids[i] for i in (*plan.pieces.values(), *plan.left)]
    lost = math.fsum(s.kerf_mm3 for s in plan.steps)
    assert plan.block.volume_mm3 == pytest.approx(
        lost + math.fsum(s.volume_mm3 for s in told), rel=1e-9
    )
    for blank in order.blanks:
        solid = plan.solids[plan.pieces[blank.piece_id]]
        want = shapely.Polygon(blank.outline_mm).area * blank.depth_mm
        assert solid.volume_mm3 == pytest.approx(want, rel=1e-3)
    for step in plan.steps:
        if step.kind == "dressed":  # by hand only within the trim
            off = plan.solids[step.cuts].polygon.difference(
                plan.solids[step.gives[0]].polygon.buffer(
                    PARAMS.trim_mm + 0.001, join_style="mitre"
                )
            )
            assert off.area < 0.1


@settings(max_examples=60, deadline=None)
@given(orders(), st.randoms(use_true_random=False))
def test_a_plan_broken_on_purpose_is_named(order: SawOrder, rng) -> None:  # type: ignore[no-untyped-def]
    plan = saw(order, PARAMS)
    if not plan.steps:
        return
    data = json.loads(write_saw_steps([plan]))[0]
    k = rng.randrange(len(plan.steps))
    step = plan.steps[k]
    for broken in (
        dataclasses.replace(plan, steps=(*plan.steps[:k], *plan.steps[k + 1 :])),
        dataclasses.replace(plan, left=(*plan.left, next(iter(plan.pieces.values())))),
        dataclasses.replace(plan, pieces=dict(list(plan.pieces.items())[1:])),
        _with_step(plan, k, dataclasses.replace(step, kerf_mm3=step.kerf_mm3 * 1.1 + 100.0)),
        _with_solid(plan, step.gives[-1], 0.4),
    ):
        assert replay(broken), "the package did not see it"
    for change in (
        lambda d: d["steps"].pop(k),
        lambda d: d["left"].append(next(iter(d["pieces"].values()))),
        lambda d: d["pieces"].popitem(),
        lambda d: d["steps"][k].update(kerf_mm3=d["steps"][k]["kerf_mm3"] * 1.1 + 100.0),
        lambda d: d["solids"][d["steps"][k]["gives"][-1]].update(
            z1=d["solids"][d["steps"][k]["gives"][-1]]["z1"] + 0.4
        ),
    ):
        spoiled = copy.deepcopy(data)
        change(spoiled)
        assert follow([spoiled]), "the second program did not see it"


def _with_step(plan, k, step):  # type: ignore[no-untyped-def]
    return dataclasses.replace(plan, steps=(*plan.steps[:k], step, *plan.steps[k + 1 :]))


def _with_solid(plan, name, deeper):  # type: ignore[no-untyped-def]
    solid = plan.solids[name]
    return dataclasses.replace(
        plan,
        solids={**plan.solids, name: dataclasses.replace(solid, z1_mm=solid.z1_mm + deeper)},
    )


def test_outlines_cut_round_leave_solids_without_holes_and_come_out() -> None:
    """A pinwheel of four blanks round a fifth cannot be parted by straight cuts; a wire takes the nearest first."""
    boxes = {
        "P-1": (50, 50, 250, 145), "P-2": (255, 50, 350, 250), "P-3": (155, 255, 350, 350),
        "P-4": (50, 150, 150, 350), "P-5": (155, 150, 250, 250),
    }  # fmt: skip
    order = SawOrder(
        block_id="B-1", face_id="f", outline_mm=_shape(0, 0.0, 0.0, 400.0, 400.0), depth_mm=100.0,
        thickness_mm=(100.0,),
        blanks=tuple(
            Blank(piece_id=n, slab=0, outline_mm=_shape(0, *map(float, b)), depth_mm=80.0)
            for n, b in boxes.items()
        ),
    )  # fmt: skip
    with pytest.raises(InputError, match="straight cuts end to end cannot part"):
        saw(order, PARAMS)
    plan = saw(order, dataclasses.replace(PARAMS, cut_mode="free"))
    assert replay(plan) == []
    assert follow(json.loads(write_saw_steps([plan]))) == []
    assert {s.kind for s in plan.steps} >= {"contour", "parallel"}
    assert all(s.polygon.is_valid and not s.polygon.interiors for s in plan.solids.values())


def _one(width: float, depth: float, *, height: float = 150.0) -> SawOrder:
    """A piece of 100 x 150 x 54 mm in the lower left of a rectangular block."""
    return SawOrder(
        block_id="B-1", face_id="f", outline_mm=_shape(0, 0.0, 0.0, width, height), depth_mm=depth,
        thickness_mm=(depth,),
        blanks=(Blank(piece_id="P-1", slab=0, outline_mm=_shape(0, 0.0, 0.0, 100.0, 150.0), depth_mm=54.0),),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("width", "depth", "kinds", "kept"),
    [
        (100.02, 54.0, [], 0),  # within the tolerance of a place: no cut
        (103.0, 54.0, ["dressed"], 0),  # within the trim
        (103.1, 54.0, ["upright"], 0),
        (100.0, 57.0, ["dressed"], 0),
        (100.0, 57.1, ["parallel"], 0),
        (100.0 + 5.0 + 60.0, 54.0, ["upright"], 1),  # just wide enough for the yard
        (100.0 + 5.0 + 59.9, 54.0, ["upright"], 0),
        (100.0, 54.0 + 8.0 + 40.0, ["parallel"], 1),  # just thick enough
        (100.0, 54.0 + 8.0 + 39.9, ["parallel"], 0),
    ],
)
def test_what_is_dressed_sawn_and_kept_changes_at_its_limits(
    width: float, depth: float, kinds: list[str], kept: int
) -> None:
    plan = saw(_one(width, depth), PARAMS)
    assert replay(plan) == []
    assert ([s.kind for s in plan.steps], len(plan.kept)) == (kinds, kept)
    for step in plan.steps:
        assert step.kerf_mm == {"parallel": 8.0, "dressed": 0.0}.get(step.kind, 5.0)


def test_a_narrow_hollow_in_the_stone_is_no_kerf() -> None:
    """A crack 2 mm wide from below leaves two parts on one side of a cut, nearer to one another than a kerf."""
    hollow = (
        (0.0, 0.0), (199.0, 0.0), (200.0, 90.0), (201.0, 0.0), (400.0, 0.0), (400.0, 200.0), (0.0, 200.0),
    )  # fmt: skip
    order = SawOrder(
        block_id="B-1", face_id="f", outline_mm=hollow, depth_mm=80.0, thickness_mm=(80.0,),
        blanks=(Blank(piece_id="P-1", slab=0, outline_mm=_shape(0, 0.0, 95.0, 400.0, 200.0), depth_mm=80.0),),
    )  # fmt: skip
    plan = saw(order, PARAMS)
    assert replay(plan) == []
    assert follow(json.loads(write_saw_steps([plan]))) == []
    assert len(plan.steps[0].gives) == 3


def test_a_slab_thicker_than_its_piece_gives_back_what_lies_behind() -> None:
    """188 mm of stone behind a piece of 54 mm is cut off as one block, and its flaws are those that reach it."""
    square = _shape(0, 0.0, 0.0, 500.0, 260.0)
    flaws = (
        Flaw(outline_mm=_shape(0, 380.0, 10.0, 420.0, 60.0), depth_mm=30.0),
        Flaw(outline_mm=_shape(0, 300.0, 10.0, 340.0, 60.0), depth_mm=120.0),
        Flaw(outline_mm=_shape(0, 440.0, 10.0, 470.0, 60.0)),
    )
    order = SawOrder(
        block_id="B-6", face_id="f", outline_mm=square, depth_mm=250.0, thickness_mm=(250.0,), flaws=flaws,
        blanks=(Blank(piece_id="P-96", slab=0, outline_mm=_shape(0, 0.0, 0.0, 200.0, 150.0), depth_mm=54.0),),
    )  # fmt: skip
    plan = saw(order, PARAMS)
    assert replay(plan) == []
    back = remainders_of(plan)[0]
    assert (plan.steps[0].kind, plan.steps[0].kerf_mm, plan.steps[0].at_mm) == (
        "parallel",
        8.0,
        54.0,
    )
    assert back.solid.size_mm == pytest.approx((500.0, 260.0, 188.0))
    assert (back.old_face, back.old_back, back.sawn_edges) == (False, True, 0)
    assert [(f.depth_mm, f.from_mm) for f in back.flaws] == [(58.0, 0.0), (None, 0.0)]
    side = remainders_of(plan)[1]
    assert (side.old_face, side.old_back, side.sawn_edges) == (True, False, 1)
    assert [f.depth_mm for f in side.flaws] == [30.0, None, None]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"depth_mm": 60.5}, "needs 60.5 mm and its slab has 60.0 mm"),
        ({"slab": 3}, "lies on slab 4, which is not there"),
        ({"outline_mm": _shape(0, 200.0, 0.0, 300.1, 100.0)}, "leaves the sound stone"),
    ],
)
def test_what_cannot_be_sawn_is_named_with_its_piece(change: dict, said: str) -> None:  # type: ignore[type-arg]
    blank = Blank(
        piece_id="P-7", slab=0, outline_mm=_shape(0, 10.0, 10.0, 90.0, 90.0), depth_mm=60.0
    )
    order = SawOrder(
        block_id="B-2", face_id="f", outline_mm=_shape(0, 0.0, 0.0, 300.0, 200.0), depth_mm=60.0,
        thickness_mm=(60.0,), blanks=(dataclasses.replace(blank, **change),),
    )  # fmt: skip
    with pytest.raises(InputError, match=f"block B-2 cannot be sawn as planned: piece P-7 {said}"):
        saw(order, PARAMS)


def test_a_kerf_that_is_too_narrow_and_a_piece_on_a_flaw_are_named() -> None:
    ring = _shape(0, 0.0, 0.0, 300.0, 200.0)
    order = SawOrder(
        block_id="B-3", face_id="f", outline_mm=ring, depth_mm=60.0, thickness_mm=(60.0,),
        blanks=(Blank(piece_id="P-1", slab=0, outline_mm=_shape(0, 0.0, 0.0, 100.0, 200.0), depth_mm=60.0),),
    )  # fmt: skip
    plan = saw(order, PARAMS)
    other = plan.solids[plan.left[0]]
    wider = dataclasses.replace(
        other, outline_mm=tuple((max(102.0, x - 3.0), y) for x, y in other.outline_mm)
    )
    broken = dataclasses.replace(plan, solids={**plan.solids, other.id: wider})
    assert any("the kerf is 5 mm" in f for f in replay(broken))
    flawed = dataclasses.replace(
        plan, order=dataclasses.replace(order, flaws=(Flaw(outline_mm=_shape(0, 10.0, 10.0, 20.0, 20.0), depth_mm=5.0),))
    )  # fmt: skip
    assert replay(flawed) == ["B-3: piece P-1 holds flaw 1 of the face"]


def test_three_hundred_pieces_are_sawn_and_replayed_in_three_seconds() -> None:
    blanks = [
        Blank(piece_id=f"P-{i}-{j}", slab=0, outline_mm=_shape(3, i * 150.0, j * 120.0, i * 150.0 + 140.0, j * 120.0 + 110.0), depth_mm=70.0)
        for i in range(5) for j in range(3)
    ]  # fmt: skip
    order = SawOrder(
        block_id="B-1", face_id="f", outline_mm=_shape(0, -20.0, -20.0, 760.0, 380.0), depth_mm=250.0,
        thickness_mm=(80.0,), blanks=tuple(blanks),
    )  # fmt: skip
    start = time.process_time()
    for _ in range(20):
        assert replay(saw(order, PARAMS)) == []
    assert time.process_time() - start < 3.0


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("cut_mode", ["guillotine", "free"])
def test_what_the_matching_plans_can_be_sawn(seed: int, cut_mode: str) -> None:
    """Every block of a solved yard, with irregular faces, flaws and slabs, is sawn down to its pieces."""
    problem = problem_from_json(
        random_yard(14, 8, seed=seed, tight=bool(seed % 2), cut_mode=cut_mode)
    )
    solution = solve(problem, time_limit_s=None, work_limit=20_000)
    assert verify(problem, solution) == []
    plans = [
        saw_plan(problem, solution, b) for b in sorted({p.block_id for p in solution.placements})
    ]
    assert plans
    assert [f for p in plans for f in replay(p)] == []
    assert follow(json.loads(write_saw_steps(plans))) == []
    assert {i for p in plans for i in p.pieces} == {p.repair_id for p in solution.placements}
