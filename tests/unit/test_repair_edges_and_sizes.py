"""Names of edges, sizes of any outline, and one rule for what lies within a limit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon, box

from facademap.errors import InputError
from facademap.io.rule_files import load_criteria, load_profile
from facademap.repair.criteria import judge
from facademap.repair.edge_plan import plan_edges, spacer_sum
from facademap.repair.edges import by_name, edge_names, from_named, named_order
from facademap.repair.measured import piece_as_measured, read_measured
from facademap.repair.pins import set_out_pins
from facademap.repair.sizes import sizes_of
from facademap.repair.tolerances import exceeds
from facademap.units import fitting_inches, fitting_mm

S, CRITERIA = load_profile("metric"), load_criteria()
ELL = [(0, 0), (0.4, 0), (0.4, 0.18), (0.18, 0.18), (0.18, 0.34), (0, 0.34)]
RING = [(0.0, 0.0), (0.3, 0.0), (0.3, 0.2), (0.0, 0.2)]


@pytest.mark.parametrize("start", range(4))
@pytest.mark.parametrize("turn", [1, -1])
def test_edges_keep_their_names_wherever_the_outline_starts_and_whichever_way_it_runs(start, turn):
    ring = np.roll(np.array(RING), -start, axis=0)[::turn]
    joints = {"top": 0.002, "right": 0.004, "bottom": 0.006, "left": 0.003}
    names = edge_names(ring)
    values = [joints[n] for n in names]
    assert by_name(ring, values) == joints
    assert list(by_name(ring, values)) == ["top", "right", "bottom", "left"]
    # perfect joints typed in the order that the ticket tells pass, for any start
    repair = {
        "geometry": Polygon(ring),
        "edges": values,
        "edge_kinds": ["joint"] * 4,
    }
    told = judge(
        CRITERIA.named("joint widths"),
        repair=repair,
        settings=S,
        measured={"joints_m": list(joints.values())},
    )
    assert told.result == "pass"
    wrong = judge(
        CRITERIA.named("joint widths"),
        repair=repair,
        settings=S,
        measured={"joints_m": joints | {"bottom": 0.0035}},
    )
    assert wrong.result == "redo"
    assert "bottom is 3.5 mm, drawn 6.0 mm" in wrong.reason


def test_the_outer_edge_bears_the_plain_name_and_the_others_are_numbered():
    names = edge_names(ELL)
    assert names == ("bottom", "right", "top 2", "right 2", "top", "left")
    assert [names[i] for i in named_order(names)] == [
        "top",
        "right",
        "bottom",
        "left",
        "top 2",
        "right 2",
    ]


@given(st.integers(3, 9), st.integers(0, 1000))
def test_every_edge_of_any_outline_has_a_name_of_its_own(count, seed):
    rng = np.random.default_rng(seed)
    angles = np.sort(rng.uniform(0, 2 * math.pi, count))
    if np.diff(angles).min(initial=1.0) < 1e-3:
        return
    ring = np.column_stack([np.cos(angles), np.sin(angles)])
    names = edge_names(ring)
    assert len(set(names)) == count
    assert sorted(named_order(names)) == list(range(count))


def test_exposed_edges_are_not_asked_for_a_joint_and_slips_are_named():
    kinds = ["joint", "exposed", "inset", "inset"]
    ring = np.array(RING)
    typed = from_named([0.002, 0.003, 0.002], ring=ring, kinds=kinds, what="x")
    assert list(typed) == ["top", "bottom", "left"]
    assert from_named([0.002, 0, 0.003, 0.002], ring=ring, kinds=kinds, what="x") == typed
    with pytest.raises(InputError, match="2 values for 3 edges") as fault:
        from_named([0.002, 0.003], ring=ring, kinds=kinds, what="x")
    assert "top, bottom, left" in fault.value.remedy
    with pytest.raises(InputError, match="no edge is named upper"):
        from_named(
            {"upper": 0.002, "top": 1, "bottom": 1, "left": 1}, ring=ring, kinds=kinds, what="x"
        )


@pytest.mark.parametrize("base", [0.0, 0.05, 0.303, 0.361, 1.234567])
@pytest.mark.parametrize("limit", [0.002, 0.003])
def test_exactly_the_limit_passes_in_every_place_that_judges(base, limit):
    assert not exceeds((base + limit) - base, limit)
    assert exceeds((base + limit + 0.0001) - base, limit)
    name, key = ("cut-out square", "diagonals_m") if limit == 0.002 else ("even depth", "depths_m")
    values = (
        [base + 0.1, base + 0.1 + limit] if limit == 0.002 else [0.05, 0.05, 0.05 + limit, 0.05]
    )
    # a cut-out of these diagonals, since those of another one would be refused
    across = values[0] if limit == 0.002 else 0.36
    width, height = 0.8 * across, 0.6 * across
    for step, passes in ((0.0, True), (0.0001, False)):
        read = [*values]
        read[2 if len(read) == 4 else 1] += step
        record = judge(CRITERIA.named(name), repair={}, settings=S, measured={key: read})
        measures = {
            "widths_m": [width, width],
            "heights_m": [height, height],
            "diagonals_m": [across, across],
            "depths_m": [0.05] * 4,
        } | {key: read}
        piece = piece_as_measured(
            read_measured(measures),
            outline=box(0, 0, width, height),
            edges=[0.002] * 4,
            design_depth_m=0.05,
            settings=S,
            criteria=CRITERIA,
        )
        assert (record.result == "pass") == passes
        assert (not any("differ" in n for n in piece.notes)) == passes, piece.notes


def test_sizes_to_fit_go_down_in_both_units():
    assert fitting_mm(0.22679) == "226.7 mm"
    assert fitting_inches(0.22679) == "8 29/32 in"
    for length in np.random.default_rng(0).uniform(0.02, 0.9, 200):
        whole, _, rest = fitting_inches(length).removesuffix(" in").partition(" ")
        parts = [whole, rest] if rest else [whole]
        inches = sum(float(p.split("/")[0]) / float([*p.split("/"), "1"][1]) for p in parts)
        assert -1e-7 <= length - inches * 0.0254 < 0.0254 / 32
        assert -1e-7 <= length * 1000 - float(fitting_mm(length).removesuffix(" mm")) < 0.1


def test_an_outline_that_is_no_rectangle_gets_all_its_sizes():
    s = sizes_of(Polygon(ELL))
    assert not s.rectangle
    assert [(c.letter, round(c.right_m, 3), round(c.up_m, 3)) for c in s.corners] == [
        ("A", 0.0, 0.34),
        ("B", 0.18, 0.34),
        ("C", 0.18, 0.18),
        ("D", 0.4, 0.18),
        ("E", 0.4, 0.0),
        ("F", 0.0, 0.0),
    ]
    assert {x.name: round(x.length_m, 3) for x in s.sides}["right 2"] == 0.16
    assert [n for n, _ in s.diagonals] == ["A–C", "A–D", "A–E"]
    skew = sizes_of(Polygon([(0, 0), (0.3, 0.0032), (0.3, 0.2), (0, 0.2)]))
    assert not skew.rectangle
    assert sizes_of(box(0, 0, 0.3, 0.2)).rectangle


def test_spacers_have_the_thickness_of_their_own_joint():
    edges = plan_edges(
        np.array(RING),
        [0.0051, 0.0, 0.002, 0.002],
        ["joint", "exposed", "inset", "inset"],
        cut_depth_m=0.05,
        settings=S,
    )
    assert [(e.name, round(e.spacer_m * 1000, 1), e.spacers) for e in edges] == [
        ("top", 2.0, 2),
        ("right", 0.0, 0),
        ("bottom", 5.1, 2),
        ("left", 2.0, 2),
    ]
    assert spacer_sum(edges)["by_thickness"] == [
        {"thickness_m": 0.0051, "count": 2},
        {"thickness_m": 0.002, "count": 4},
    ]
    assert edges[2].mortar_m3 == pytest.approx(0.0051 * 0.3 * 0.047)


def test_named_sides_give_widths_and_heights_and_wrong_ones_are_named():
    cut = box(0, 0, 0.3, 0.2)
    read = read_measured(
        {
            "sides_m": [0.301, 0.2, 0.3, 0.199],
            "depths_m": [0.05] * 4,
            "joints_m": {"top": 0.002, "right": 0.002, "bottom": 0.005, "left": 0.002},
        },
        outline=cut,
    )
    assert read.widths_m == (0.301, 0.3)
    assert read.heights_m == (0.199, 0.2)
    assert read.as_json()["joints_m"]["bottom"] == 0.005
    ell = read_measured(
        {
            "sides_m": [0.18, 0.18, 0.4, 0.34, 0.216, 0.16],
            "widths_m": [0.4, 0.4],
            "heights_m": [0.34, 0.34],
            "depths_m": [0.05] * 6,
        },
        outline=Polygon(ELL),
    )
    found = piece_as_measured(
        ell,
        outline=Polygon(ELL),
        edges=[0.002] * 6,
        design_depth_m=0.05,
        settings=S,
        criteria=CRITERIA,
    )
    assert "top 2 is 216.0 mm, drawn 220.0 mm" in found.notes


def test_a_side_a_hair_out_of_level_takes_no_pin_away():
    level = set_out_pins(box(0, 0, 0.303, 0.258), 0.047, weight_kg=9, settings=S)
    hair = set_out_pins(
        Polygon([(0, 0.00003), (0.303, 0), (0.303, 0.258), (0, 0.258)]),
        0.047,
        weight_kg=9,
        settings=S,
    )
    assert len(level.pins) == len(hair.pins) == 4


def test_an_l_as_taped_gets_its_own_corners_and_a_skew_one_is_no_fault_of_the_mason():
    cut = Polygon([(x * 1.0, y * 1.0) for x, y in ELL])
    true = Polygon(
        [(0, 0), (0.4, 0.001), (0.4, 0.18), (0.183, 0.18), (0.181, 0.338), (0.001, 0.339)]
    )
    real = sizes_of(true)
    values = {
        "sides_m": {s.name: s.length_m for s in real.sides},
        "diagonals_m": [d for _, d in real.diagonals],
        "widths_m": [0.4, 0.4],
        "heights_m": [0.339, 0.339],
        "depths_m": [0.05] * 6,
    }
    read = read_measured(values, outline=cut)
    found = piece_as_measured(
        read, outline=cut, edges=[0.0] * 6, design_depth_m=0.05, settings=S, criteria=CRITERIA
    )
    got = sizes_of(found.outline)
    for (name, wanted), (_, has) in zip(real.diagonals, got.diagonals, strict=True):
        assert has == pytest.approx(wanted, abs=1e-5), name
    for wanted, has in zip(real.sides, got.sides, strict=True):
        assert has.length_m == pytest.approx(wanted.length_m, abs=1e-5), wanted.name
    square = CRITERIA.named("cut-out square")
    exact = [d for _, d in sizes_of(cut).diagonals]
    assert (
        judge(square, repair={"geometry": cut}, settings=S, measured={"diagonals_m": exact}).result
        == "pass"
    )
    off = [exact[0] + 0.0026, *exact[1:]]
    assert (
        judge(square, repair={"geometry": cut}, settings=S, measured={"diagonals_m": off}).result
        == "redo"
    )
    with pytest.raises(InputError, match="1 diagonals"):
        read_measured(values | {"diagonals_m": [0.3]}, outline=cut)


def test_a_tape_that_contradicts_itself_is_named_and_the_piece_still_enters():
    skew = Polygon([(0, 0), (0.3, 0.004), (0.3, 0.2), (0, 0.2)])
    sizes = sizes_of(skew)
    sides = {s.name: s.length_m for s in sizes.sides}
    across = [d for _, d in sizes.diagonals]
    read = read_measured(
        {"sides_m": sides, "diagonals_m": [across[0] + 0.012, across[1]], "depths_m": [0.05] * 4},
        outline=skew,
    )
    found = piece_as_measured(
        read, outline=skew, edges=[0.002] * 4, design_depth_m=0.05, settings=S, criteria=CRITERIA
    )
    assert any("contradict" in n for n in found.notes)
    assert found.outline.area < skew.area


def test_pins_of_a_piece_a_little_out_of_square_stand_at_both_ends():
    piece = Polygon([(0, 0), (0.236, 0.0024), (0.236, 0.1132), (0, 0.1132)])
    layout = set_out_pins(piece, 0.117, weight_kg=9, settings=S)
    assert sorted(round(p.u_m, 2) for p in layout.pins) == [0.05, 0.19]


@pytest.mark.parametrize("profile", ["metric", "inch"])
def test_both_arms_of_an_l_are_pinned(profile):
    ell = Polygon(
        [(0, 0), (0.314, 0), (0.314, 0.0952), (0.1016, 0.0952), (0.1016, 0.254), (0, 0.254)]
    )
    pins = set_out_pins(ell, 0.06, weight_kg=5, settings=load_profile(profile)).pins
    assert any(p.u_m > 0.2 for p in pins)
    assert any(p.v_m > 0.12 for p in pins)
