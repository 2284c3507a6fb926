"""Setting out by hand-worked cases: joints, quoins, slivers, L-shapes, whole stones, mouldings, ids."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Polygon, box

from facademap.errors import GeometryError, InputError
from facademap.io.rule_files import load_criteria, load_profile, load_rules
from facademap.repair.cutouts import Need, set_out
from facademap.repair.measured import piece_as_measured, place_still_fits, read_measured
from facademap.repair.moulding import cut_levels, projection_over, read_profile_line
from facademap.repair.offsets import clean_ring, offset_edges
from facademap.repair.pieces import design_pieces
from facademap.repair.pins import set_out_pins
from facademap.repair.planning import carry_ids, plan_cut_outs, plan_repairs
from facademap.repair.removed import original_stone_removed
from facademap.repair.stonework import Stonework
from facademap.repair.tools import check_saw
from facademap.repair.ways import Way
from facademap.tables import CONDITIONS, OPENINGS, WALL_STONES

S = load_profile("metric")
RULES = load_rules()
JOINT = 0.006


def stones(*rows):
    base = {
        "surface": "A",
        "bed": "horizontal",
        "kind": "sedimentary",
        "stone_type": "sandstone",
        "depth_m": 0.3,
    }
    return WALL_STONES.check(
        gpd.GeoDataFrame(
            [{**base, "id": f"S-{k}", **r} for k, r in enumerate(rows, start=1)],
            geometry="geometry",
        )
    )


def seen(*rows):
    base = {"surface": "A", "term": "alveolization", "depth_m": 0.03, "cause_settled": True}
    return CONDITIONS.check(
        gpd.GeoDataFrame(
            [{**base, "id": f"C-{k}", **r} for k, r in enumerate(rows, start=1)],
            geometry="geometry",
        )
    )


def openings(*shapes):
    if not shapes:
        return OPENINGS.empty()
    return OPENINGS.check(
        gpd.GeoDataFrame(
            [{"id": f"O-{k}", "surface": "A", "geometry": g} for k, g in enumerate(shapes)],
            geometry="geometry",
        )
    )


PAIR = stones({"geometry": box(0, 0, 0.6, 0.3)}, {"geometry": box(0.6 + JOINT, 0, 1.2, 0.3)})


def test_damage_in_the_middle_is_cut_back_by_the_margin_and_no_more():
    repairs, gaps = plan_cut_outs(
        seen({"geometry": box(0.25, 0.12, 0.35, 0.18)}), PAIR, openings(), settings=S
    )
    assert gaps == ()
    assert repairs.geometry[0].equals_exact(
        box(0.23, 0.10, 0.37, 0.20).normalize(), 1e-9
    ) or shapely.equals_exact(
        shapely.normalize(repairs.geometry[0]), shapely.normalize(box(0.23, 0.10, 0.37, 0.20)), 1e-9
    )
    assert repairs["edge_kinds"][0] == ["inset"] * 4
    assert repairs["edges"][0] == [S.joint_m] * 4
    assert repairs["depth_m"][0] == S.depth_minimum_m


def test_an_edge_near_a_joint_goes_on_to_it_and_keeps_its_measured_width():
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(0.48, 0.12, 0.55, 0.18)}), PAIR, openings(), settings=S
    )
    r = repairs.iloc[0]
    # through the mortar to the stone across the joint, so that the piece ends where the old stone ended
    assert r.geometry.bounds == pytest.approx((0.46, 0.10, 0.6 + JOINT, 0.20), abs=1e-9)
    kinds = dict(zip(r["edge_kinds"], r["edges"], strict=True))
    assert kinds == pytest.approx({"inset": S.joint_m, "joint": JOINT})
    piece = design_pieces(repairs, PAIR, settings=S).pieces.iloc[0]
    assert piece.geometry.bounds[2] == pytest.approx(0.6, abs=1e-9)
    assert r["removed_area_m2"] == pytest.approx(0.14 * 0.10, abs=1e-9)


def test_damage_over_a_joint_makes_one_inset_in_each_stone():
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(0.5, 0.1, 0.72, 0.2)}), PAIR, openings(), settings=S
    )
    assert sorted(repairs["wall_stone"]) == ["S-1", "S-2"]
    assert all(c == ["C-1"] for c in repairs["conditions"])
    left, right = (repairs[repairs["wall_stone"] == s].geometry.iloc[0] for s in ("S-1", "S-2"))
    assert shapely.intersection(left, PAIR.geometry[1]).area == 0
    assert shapely.intersection(right, PAIR.geometry[0]).area == 0


def test_damage_drawn_a_little_over_the_joint_is_no_second_inset_and_said_so():
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(0.5, 0.1, 0.6 + JOINT + 0.004, 0.2)}), PAIR, openings(), settings=S
    )
    assert list(repairs["wall_stone"]) == ["S-1"]
    assert "S-2" in repairs["note"][0]


def test_neighbours_in_one_stone_merge_and_far_ones_do_not():
    near = seen({"geometry": box(0.1, 0.1, 0.16, 0.16)}, {"geometry": box(0.22, 0.1, 0.28, 0.16)})
    repairs, _ = plan_cut_outs(near, PAIR, openings(), settings=S)
    assert len(repairs) == 1
    assert sorted(repairs["conditions"][0]) == ["C-1", "C-2"]
    far = seen({"geometry": box(0.08, 0.1, 0.12, 0.16)}, {"geometry": box(0.45, 0.1, 0.5, 0.16)})
    assert len(plan_cut_outs(far, PAIR, openings(), settings=S)[0]) == 2
    one = S.with_values({"insets_a_stone": 1.0}, source="test")
    assert len(plan_cut_outs(far, PAIR, openings(), settings=one)[0]) == 1


def test_an_l_where_a_rectangle_would_waste_sound_stone():
    bent = Polygon([(0.1, 0.08), (0.5, 0.08), (0.5, 0.12), (0.14, 0.12), (0.14, 0.5), (0.1, 0.5)])
    big = stones({"geometry": box(0, 0, 1.2, 0.8)})
    repairs, _ = plan_cut_outs(seen({"geometry": bent}), big, openings(), settings=S)
    cut = repairs.geometry[0]
    assert len(clean_ring(cut)) == 6
    assert cut.covers(bent.buffer(S.margin_m - 1e-6, quad_segs=16))
    assert cut.area < 0.75 * shapely.envelope(cut).area
    piece = design_pieces(repairs, big, settings=S)
    assert piece.pieces.geometry[0].area > 0
    assert len(piece.repairs["pins"][0]) >= 3


def test_more_than_the_share_of_the_face_replaces_the_whole_stone_to_its_bed_depth():
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(0.05, 0.03, 0.5, 0.25)}), PAIR, openings(), settings=S
    )
    r = repairs.iloc[0]
    assert r["treatment"] == "whole stone"
    assert r["depth_m"] == 0.3
    assert r["removed_area_m2"] == pytest.approx(0.18)
    assert "%" in r["note"]


def test_damage_as_deep_as_the_stone_replaces_it():
    thin = stones({"geometry": box(0, 0, 0.6, 0.3), "depth_m": 0.1})
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(0.25, 0.12, 0.35, 0.18), "depth_m": 0.095}),
        thin,
        openings(),
        settings=S,
    )
    assert repairs["treatment"][0] == "whole stone"


def test_a_quoin_is_cut_to_its_arris_without_joint_and_no_thin_strip_stays_on_the_return():
    for sides, exposed in (("front,left", ["left"]), ("front,left,top", ["left", "top"])):
        quoin = stones(
            {"geometry": box(0, 0, 0.6, 0.3), "exposed": sides, "part": "quoin", "depth_m": 0.09},
            {"geometry": box(0.606, 0, 1.2, 0.3)},
        )
        repairs, _ = plan_cut_outs(
            seen({"geometry": box(0.01, 0.2, 0.08, 0.29), "depth_m": 0.04}),
            quoin,
            openings(),
            settings=S,
        )
        r = repairs.iloc[0]
        kinds = dict(
            zip(
                ["bottom", "right", "top", "left"],
                zip(r["edge_kinds"], r["edges"], strict=True),
                strict=True,
            )
        )
        for side in exposed:
            assert kinds[side] == ("exposed", 0.0)
        assert (
            r["depth_m"] == 0.09
        )  # 90 - 50 would leave 40 mm on the return, less than the least strip
        assert "return" in r["note"]
        piece = design_pieces(repairs, quoin, settings=S).pieces.iloc[0]
        assert piece["exposed"].split(",") == [
            "front",
            *sorted(exposed, key=["top", "left"].index),
        ] or set(piece["exposed"].split(",")) == {"front", *exposed}
        assert piece.geometry.bounds[0] == pytest.approx(0.0, abs=1e-9)


def test_an_edge_at_a_window_is_exposed():
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(1.14, 0.1, 1.19, 0.2)}), PAIR, openings(box(1.2, 0, 2, 1)), settings=S
    )
    r = repairs.iloc[0]
    assert (
        dict(zip(["bottom", "right", "top", "left"], r["edge_kinds"], strict=True))["right"]
        == "exposed"
    )


def test_ledges_are_cut_deeper_and_cornices_want_an_upright_bed():
    """Bed rule: Notes on Building Construction, Stonework (chestofbooks), read: cornices edge-bedded."""
    moulded = stones({"geometry": box(0, 0, 0.6, 0.3), "part": "cornice", "depth_m": 0.4})
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(0.25, 0.12, 0.35, 0.18)}), moulded, openings(), settings=S
    )
    assert repairs["depth_m"][0] == S.depth_minimum_exposed_m
    design = design_pieces(repairs, moulded, settings=S)
    assert design.pieces["bed"][0] == "edge"
    assert not design.pieces["turn_180"][0]
    assert any("engineer" in c for c in design.repairs["cautions"][0])
    face_bedded = stones({"geometry": box(0, 0, 0.6, 0.3), "bed": "parallel"})
    again, _ = plan_cut_outs(
        seen({"geometry": box(0.25, 0.12, 0.35, 0.18)}), face_bedded, openings(), settings=S
    )
    assert design_pieces(again, face_bedded, settings=S).pieces["bed"][0] == "horizontal"


def test_a_moulding_gives_its_projection_and_takes_the_joint_to_its_quirk():
    profile = [(0.0, 0.0), (0.0, 0.08), (0.06, 0.08), (0.06, 0.2), (0.0, 0.3)]
    assert cut_levels(read_profile_line(profile)) == (0.08, 0.08, 0.2)
    assert projection_over(read_profile_line(profile), 0.0, 0.05) == 0
    assert projection_over(read_profile_line(profile), 0.1, 0.15) == pytest.approx(0.06)
    moulded = stones({"geometry": box(0, 0, 0.6, 0.3), "part": "string course"})
    c = seen({"geometry": box(0.25, 0.12, 0.35, 0.16)})
    plan = plan_repairs(
        c, moulded, openings(), rules=RULES, settings=S, profiles={"string course": profile}
    )
    r, p = plan.repairs.iloc[0], plan.pieces.iloc[0]
    assert r.geometry.bounds[1] == pytest.approx(0.08)
    assert r.geometry.bounds[3] == pytest.approx(0.2)
    assert p["depth_m"] == pytest.approx(r["depth_m"] - S.bedding_m + 0.06 + S.proud_m)
    assert r["materials"]["moulding"]["projection_m"] == pytest.approx(0.06)
    with pytest.raises(InputError):
        read_profile_line([(0, 0)])


def test_bad_input_is_named_and_the_rest_is_planned():
    c = seen(
        {"geometry": box(0.25, 0.12, 0.35, 0.18), "depth_m": None},
        {"geometry": box(5, 5, 5.1, 5.1)},
        {"geometry": box(-0.5, -0.5, 0.59, 0.8)},
        {"geometry": box(0.7, 0.1, 0.8, 0.2)},
    )
    repairs, gaps = plan_cut_outs(c, PAIR, openings(), settings=S)
    about = {g.about: g for g in gaps}
    assert "not measured" in about["C-1"].problem
    assert "no wall stone" in about["C-2"].problem
    assert all(g.remedy for g in gaps)
    assert {"S-1", "S-2"} == set(repairs["wall_stone"])
    assert all(PAIR.geometry.buffer(0.05).union_all().covers(g) for g in repairs.geometry)


def test_a_stone_without_outline_is_named():
    frame = gpd.GeoDataFrame([{"id": "S-9", "surface": "A", "geometry": None}], geometry="geometry")
    work = Stonework.from_frames(frame, openings())
    assert work.stones == {}
    assert work.gaps[0][0] == "S-9"


def test_rubble_is_set_out_inside_its_outline():
    rng = np.random.default_rng(4)
    angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    radius = 0.25 + rng.normal(0, 0.004, 40)
    rubble = Polygon(
        np.column_stack([0.3 + radius * np.cos(angles), 0.3 + 0.7 * radius * np.sin(angles)])
    )
    work = Stonework.from_frames(stones({"geometry": rubble}), openings())
    outline = work.stones["S-1"].outline
    assert rubble.buffer(1e-9).covers(outline)
    assert outline.area > 0.8 * rubble.area
    cuts = set_out(
        work.stones["S-1"],
        [Need(condition="C", shape=box(0.28, 0.28, 0.33, 0.33), depth_m=0.03)],
        settings=S,
    )
    assert rubble.buffer(1e-9).covers(cuts[0].outline)


def test_touching_outlines_take_the_joint_of_the_profile_and_say_so():
    tight = stones({"geometry": box(0, 0, 0.6, 0.3)}, {"geometry": box(0.6, 0, 1.2, 0.3)})
    repairs, _ = plan_cut_outs(
        seen({"geometry": box(0.5, 0.1, 0.59, 0.2)}), tight, openings(), settings=S
    )
    r = repairs.iloc[0]
    assert r.geometry.bounds[2] == pytest.approx(0.6)
    assert S.joint_existing_m in r["edges"]
    assert "touch" in r["note"]


def test_surface_work_inside_a_cut_out_is_answered_by_it():
    c = seen(
        {"geometry": box(0.2, 0.1, 0.36, 0.2)},
        {"term": "soiling", "cc": 3, "geometry": box(0.22, 0.12, 0.3, 0.18)},
        {"term": "soiling", "cc": 3, "geometry": box(0.7, 0.1, 0.8, 0.2)},
    )
    plan = plan_repairs(c, PAIR, openings(), rules=RULES, settings=S)
    assert sorted(plan.repairs["treatment"]) == ["clean", "inset"]
    assert set(plan.repairs[plan.repairs["treatment"] == "inset"]["conditions"].iloc[0]) == {
        "C-1",
        "C-2",
    }


def test_ids_are_kept_for_the_same_conditions_and_new_ones_are_fresh():
    numbers = itertools.count(900)
    c = seen({"geometry": box(0.2, 0.1, 0.3, 0.2)}, {"geometry": box(0.9, 0.1, 1.0, 0.2)})
    first = plan_repairs(c, PAIR, openings(), rules=RULES, settings=S)
    before = dict(zip(first.repairs["wall_stone"], first.repairs["id"], strict=True))
    grown = seen(
        {"geometry": box(0.2, 0.1, 0.32, 0.2)},
        {"geometry": box(0.9, 0.1, 1.0, 0.2)},
        {"geometry": LineString([(0.05, 0.05), (0.12, 0.05)]), "term": "crack"},
    )
    again = carry_ids(
        plan_repairs(grown, PAIR, openings(), rules=RULES, settings=S),
        first.repairs,
        new_id=lambda: f"R-{next(numbers)}",
    )
    pieced = again.repairs[again.repairs["treatment"] == "inset"]
    assert dict(zip(pieced["wall_stone"], pieced["id"], strict=True)) == before
    assert list(again.repairs[again.repairs["treatment"] == "crack repair"]["id"]) == ["R-900"]
    assert set(again.pieces["id"]) == {f"P-{i[2:]}" for i in before.values()}


def test_approved_repairs_stand_and_new_damage_beside_them_is_named():
    c = seen({"geometry": box(0.2, 0.1, 0.3, 0.2)})
    first = plan_repairs(c, PAIR, openings(), rules=RULES, settings=S).repairs
    more = seen(
        {"geometry": box(0.2, 0.1, 0.3, 0.2)},
        {"geometry": box(0.33, 0.1, 0.4, 0.2)},
        {"geometry": box(0.9, 0.1, 1.0, 0.2)},
    )
    plan = plan_repairs(more, PAIR, openings(), rules=RULES, settings=S, fixed=first)
    assert list(plan.repairs["wall_stone"]) == ["S-2"]
    assert any(
        g.about == "C-2" and "R-001" in g.problem and "approv" in g.remedy for g in plan.gaps
    )


def test_original_stone_removed_counts_each_place_once():
    c = seen({"geometry": box(0.2, 0.1, 0.3, 0.2)}, {"geometry": box(0.61, 0.03, 1.15, 0.28)})
    plan = plan_repairs(c, PAIR, openings(), rules=RULES, settings=S)
    by_stone = original_stone_removed(plan.repairs, PAIR).set_index("wall_stone")
    assert by_stone.loc["S-1", "area_m2"] == pytest.approx(0.14 * 0.14)
    assert by_stone.loc["S-2", "share"] == pytest.approx(1.0)
    whole = original_stone_removed(plan.repairs, PAIR, by="surface").iloc[0]
    assert whole["area_m2"] == pytest.approx(by_stone["area_m2"].sum())
    assert whole["face_m2"] == pytest.approx(PAIR.geometry.area.sum())


def test_impossible_pins_are_named_with_what_to_change():
    thin = set_out_pins(box(0, 0, 0.3, 0.2), 0.03, weight_kg=5, settings=S)
    assert thin.pins == ()
    assert any("too thin" in f and "cut deeper" in f for f in thin.faults)
    narrow = set_out_pins(box(0, 0, 0.3, 0.02), 0.06, weight_kg=1, settings=S)
    assert any("narrow" in f for f in narrow.faults)
    wall = set_out_pins(box(0, 0, 0.3, 0.2), 0.06, weight_kg=5, settings=S, backing_m=0.03)
    assert any("behind" in f for f in wall.faults)
    heavy = set_out_pins(box(0, 0, 0.3, 0.2), 0.06, weight_kg=50, settings=S)
    assert heavy.pins[0].rod_m == S.rod_heavy_m
    # rods that stand in the wall before the piece are straight; only those drilled through the face are sloped
    assert {p.direction for p in heavy.pins} == {(0.0, 0.0, 1.0)}
    through = set_out_pins(
        box(0, 0, 0.3, 0.2), 0.06, weight_kg=50, settings=S, way=Way(fixing="through face")
    )
    assert {p.turn_deg for p in through.pins} == {S.pin_angle_deg, -S.pin_angle_deg}


def test_drilling_template_puts_both_holes_on_one_line():
    c = seen({"geometry": box(0.15, 0.05, 0.4, 0.2)})
    plan = plan_repairs(c, PAIR, openings(), rules=RULES, settings=S)
    t = plan.repairs["materials"][0]["drilling_template"]
    for a, b in zip(t["wall"], t["piece_back"], strict=True):
        assert a["right_m"] + b["right_m"] == pytest.approx(t["width_m"], abs=2e-5)
        assert a["up_m"] == b["up_m"]
        assert a["down_deg"] == b["up_deg"]


def test_saw_names_what_it_leaves_for_the_chisel():
    ring = clean_ring(box(0, 0, 0.3, 0.08))
    found = check_saw(ring, ["inset"] * 4, depth_m=0.075, settings=S)
    assert found.reach_short_m == pytest.approx(0.035)
    assert set(found.short_edges) == {1, 3}
    assert any("No over-run" in n for n in found.notes)
    assert check_saw(ring, ["joint"] * 4, depth_m=0.03, settings=S).tools == (
        "joint saw or quirk for the mortar of the existing joints",
    )


def test_offset_refuses_what_is_narrower_than_its_joints():
    with pytest.raises(GeometryError):
        offset_edges([(0, 0), (0.01, 0), (0.01, 0.3), (0, 0.3)], [0.006] * 4)
    with pytest.raises(GeometryError, match="joints for"):
        offset_edges([(0, 0), (1, 0), (1, 1)], [0.1])


def test_the_cut_out_as_measured_sizes_the_piece_and_tells_when_the_place_no_longer_fits():
    cut = box(0, 0, 0.3, 0.2)
    good = read_measured(
        {
            "widths_m": [0.3, 0.301],
            "heights_m": [0.2, 0.2],
            "diagonals_m": [0.3606, 0.3610],
            "depths_m": [0.05] * 4,
        }
    )
    piece = piece_as_measured(
        good,
        outline=cut,
        edges=[0.002] * 4,
        design_depth_m=0.05,
        settings=S,
        criteria=load_criteria(),
    )
    assert piece.outline.bounds == pytest.approx((0.002, 0.002, 0.298, 0.198))
    assert piece.depth_m == pytest.approx(0.05 - S.bedding_m + S.proud_m)
    assert not piece.deeper
    room = {"planned_width_m": 0.296, "planned_height_m": 0.196, "planned_depth_m": piece.depth_m}
    assert place_still_fits(piece, **room) == (True, "")
    wide = read_measured(
        {
            "widths_m": [0.306, 0.307],
            "heights_m": [0.2, 0.2],
            "depths_m": [0.062, 0.06, 0.061, 0.06],
        }
    )
    larger = piece_as_measured(
        wide,
        outline=cut,
        edges=[0.002] * 4,
        design_depth_m=0.05,
        settings=S,
        criteria=load_criteria(),
    )
    assert larger.deeper
    fits, why = place_still_fits(larger, **room)
    assert not fits
    assert "width 6.0 mm" in why
    assert "depth 10.0 mm" in why
    for bad in (
        {"widths_m": [0.3]},
        {"depths_m": [0.05]},
        {"widths_m": [300, 301]},
        {"diagonals_m": [0.36]},
    ):
        with pytest.raises(InputError):
            read_measured({**good.as_json(), **bad})
    with pytest.raises(InputError, match="Check the repair"):
        piece_as_measured(
            read_measured({**good.as_json(), "widths_m": [0.9, 0.9]}),
            outline=cut,
            edges=[0.002] * 4,
            design_depth_m=0.05,
            settings=S,
            criteria=load_criteria(),
        )


_TAPED = {
    "widths_m": [0.307, 0.307],
    "heights_m": [0.265, 0.265],
    "diagonals_m": [0.4055, 0.4056],
    "depths_m": [0.05, 0.05, 0.051, 0.051],
}


def _as_taped(change):
    return piece_as_measured(
        read_measured({**_TAPED, **change}),
        outline=box(0, 0, 0.307, 0.265),
        edges=[0.002] * 4,
        design_depth_m=0.05,
        settings=S,
        criteria=load_criteria(),
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({k: [x / 25.4 for x in v] for k, v in _TAPED.items()}, "inches entered as millimetres"),
        ({k: [x / 1000 for x in v] for k, v in _TAPED.items()}, "metres entered as millimetres"),
        ({"widths_m": [7.8, 7.8]}, "millimetres entered as inches"),
        ({"depths_m": [0.00197] * 4}, "inches entered as millimetres"),
        ({"diagonals_m": [0.05, 0.05], "depths_m": [0.405] * 4}, "the order of the values"),
        ({"diagonals_m": [10.3, 10.3]}, "diagonals: 10300 mm is no length here"),
        ({"heights_m": [0.265, -0.1]}, "heights: -100 mm is no length here"),
        ({"depths_m": [0.05]}, "1 depths, 4 are needed"),
    ],
)
def test_readings_of_another_unit_or_order_are_named_in_the_words_of_the_ticket(change, said):
    with pytest.raises(InputError) as stopped:
        _as_taped(change)
    assert said in str(stopped.value)
    assert "_m" not in str(stopped.value).replace("depths_mm", "")


def test_diagonals_that_no_rectangle_of_these_sides_has_are_told():
    assert _as_taped({}).notes == ()
    # out of square only: one diagonal gains what the other loses
    skewed = _as_taped({"diagonals_m": [0.4003, 0.4107]}).notes
    assert len(skewed) == 1
    assert "not square" in skewed[0]
    assert any("contradict" in n for n in _as_taped({"diagonals_m": [0.300, 0.301]}).notes)


@pytest.mark.parametrize("seed", range(12))
def test_stones_that_are_not_quite_square_get_pieces_too(seed):
    """Real stones are a few millimetres out of square; edges on a joint follow it, all others are square."""
    rng = np.random.default_rng(seed)
    rows = []
    for course in range(3):
        for k in range(3):
            corners = np.asarray(
                box(k * 0.51, course * 0.31, k * 0.51 + 0.5, course * 0.31 + 0.3).exterior.coords
            )[:-1]
            rows.append({"geometry": Polygon(corners + rng.uniform(-0.0035, 0.0035, (4, 2)))})
    wall = stones(*rows)
    damage = [
        {"geometry": box(u, v, u + rng.uniform(0.03, 0.15), v + rng.uniform(0.03, 0.15))}
        for u, v in zip(rng.uniform(0, 1.4, 12), rng.uniform(0, 0.8, 12), strict=True)
    ]
    repairs, _ = plan_cut_outs(seen(*damage), wall, openings(), settings=S)
    design = design_pieces(repairs, wall, settings=S)
    assert len(design.pieces) == len(repairs)
    outlines = dict(zip(wall["id"], wall.geometry, strict=True))
    for r, p in zip(design.repairs.itertuples(), design.pieces.itertuples(), strict=True):
        assert all(
            shapely.intersection(r.geometry, g).area < 1e-8
            for i, g in outlines.items()
            if i != r.wall_stone
        )
        assert p.geometry.difference(outlines[r.wall_stone].buffer(1e-6)).area < 1e-9
        ring = np.asarray(r.geometry.exterior.coords)
        assert np.hypot(*np.diff(ring, axis=0).T).min() > 0.02
        for kind, step in zip(r.edge_kinds, np.abs(np.diff(ring, axis=0)), strict=True):
            if kind == "inset":
                assert step.min() < 1e-9
