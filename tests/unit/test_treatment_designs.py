"""Designed treatments: what is worked out, what is held, and what is not given where nobody measured it."""

from __future__ import annotations

import dataclasses
import itertools
import math
import re
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from facademap.condition.measured_depth import outline_digest
from facademap.errors import InputError
from facademap.io.rule_files import load_profile
from facademap.repair.cautions import DEFER
from facademap.repair.work_hours import WorkRates
from facademap.treatment import read_treatment_values
from facademap.treatment.case import Case
from facademap.treatment.cleaning import design_cleaning, ladder_for
from facademap.treatment.consolidate import design_consolidation
from facademap.treatment.crack import Stitch, design_crack, stitches_across
from facademap.treatment.design import design_jobs, visits_of
from facademap.treatment.metal import design_metal
from facademap.treatment.mortar_repair import armature_places, design_mortar_repair, layers_of
from facademap.treatment.refix import design_refix
from facademap.treatment.repoint import design_repointing, joints_of
from facademap.treatment.shelter import design_shelter
from facademap.treatment.strips import measure_strip, points_along, strips_of_joints
from facademap.treatment.watch import design_make_safe

TEXT = resources.files("facademap.treatment").joinpath("values.toml").read_text("utf-8")
VALUES = read_treatment_values(TEXT)
SETTINGS = load_profile("metric")
STONE = {
    "id": "S1",
    "surface": "w",
    "stone_type": "buff sandstone",
    "part": "wall",
    "depth_m": 0.3,
    "geometry": shapely.box(0, 0, 0.8, 0.4),
}


def case(shape: Any, *, treatment: str, term: str, stone: Any = STONE, **given: Any) -> Case:
    """A repair of one condition."""
    repair = {
        "id": "R1",
        "surface": "w",
        "treatment": treatment,
        "wall_stone": "S1",
        "geometry": shape,
        "cautions": [],
    }
    known = {k: given.pop(k, None) for k in ("width_m", "depth_m", "activity") if True}
    condition = {"id": "C1", "term": term, "geometry": shape, "area_m2": None, **known}
    return Case(
        repair=repair,
        conditions=[condition],
        stone=stone,
        settings=SETTINGS,
        values=VALUES,
        **given,
    )


def value(job: Any, name: str) -> float:
    found = job.figure(name)
    assert found is not None, (name, [f.name for f in job.figures])
    return float(found.value)


# ---------------------------------------------------------------- strips
def test_a_branched_joint_has_the_length_of_its_middle_lines():
    tee = shapely.union_all(
        [
            shapely.LineString([(0, 0), (1, 0)]).buffer(0.004, cap_style="flat"),
            shapely.LineString([(0.5, 0), (0.5, 0.4)]).buffer(0.004, cap_style="flat"),
        ]
    )
    strip = measure_strip(tee)
    assert strip.width_m == pytest.approx(0.008, rel=0.01)
    assert strip.length_m == pytest.approx(1.4, rel=0.01)


def test_what_lies_between_stones_is_the_joint():
    stones = [shapely.box(0, 0, 0.5, 0.3), shapely.box(0.51, 0, 1, 0.3)]
    zone = shapely.box(0.45, 0.05, 0.56, 0.25)
    (strip,) = strips_of_joints(zone, stones)
    assert (strip.length_m, strip.width_m) == pytest.approx((0.2, 0.01))
    assert strip.lies == "perpend"


# ---------------------------------------------------------------- how a figure is known
@pytest.mark.parametrize(
    ("known", "mark", "doubted"),
    [
        ({}, "typed", True),
        ({"depth_from": "typed"}, "typed", True),
        ({"depth_from": "measured", "measured_depth": {}}, "measured", False),
        ({"depth_from": "measured", "measured_depth": {"note": "rendered, not measured"}}, "typed", True),
        ({"depth_from": "measured", "measured_depth": {"outline": "of another outline"}}, "typed", True),
    ],
)  # fmt: skip
def test_a_depth_says_whether_it_was_measured(
    known: dict[str, Any], mark: str, doubted: bool
) -> None:
    line = shapely.LineString([(0.1, 0.1), (0.6, 0.1)])
    patch = shapely.box(0.2, 0.1, 0.3, 0.2)
    for shape, term, treatment, design in (
        (line, "crack", "crack repair", design_crack),
        (patch, "scaling", "mortar repair", design_mortar_repair),
    ):
        asked = case(shape, treatment=treatment, term=term, width_m=0.002, depth_m=0.02)
        row = {**asked.conditions[0], "depth_confirmed_by": "A. Keeper", **known}
        if "measured_depth" in row:
            row["measured_depth"] = {"outline": outline_digest(shape), **row["measured_depth"]}
        job = design(dataclasses.replace(asked, conditions=[row]))
        depth = job.figure("depth, greatest")
        assert (depth.is_typed, depth.is_measured) == (mark == "typed", mark == "measured")
        assert any("does not say how it was found" in d for d in job.doubts) is doubted
        assert ("A. Keeper" in depth.source) is (mark == "measured")
        assert all(p.purpose for p in job.products), "every amount says where it comes from"


@pytest.mark.parametrize(
    ("rock", "said"),
    [
        ("buff sandstone", "28 N/mm² that ASTM C616 type I asks of new stone"),
        ("Ravelin buff", "Nothing is known of the strength of ravelin buff"),
        (None, "The kind of stone is not known"),
    ],
)
def test_a_mix_says_what_it_was_held_against(rock: str | None, said: str) -> None:
    """What a standard asks of new stone is no test of the old stone of a wall."""
    line, stone = shapely.LineString([(0, 0), (1, 0)]), {**STONE, "stone_type": rock}
    joint = case(line, treatment="repoint", term="open joint", width_m=0.012, stone=stone)
    assert any(said in d for d in design_repointing(joint).doubts)
    patch = case(shapely.box(0.2, 0.1, 0.3, 0.2), treatment="mortar repair", term="scaling", depth_m=0.02, stone=stone)  # fmt: skip
    assert any(said in d for d in design_mortar_repair(patch).doubts)


# ---------------------------------------------------------------- repointing
def test_a_joint_is_raked_to_a_multiple_of_its_width_and_beyond_the_loss():
    line = shapely.LineString([(0, 0), (1, 0)])
    wide = design_repointing(case(line, treatment="repoint", term="open joint", width_m=0.012))
    assert value(wide, "depth to rake, greatest") == pytest.approx(0.030)
    lost = case(line, treatment="repoint", term="open joint", width_m=0.006, depth_m=0.04)
    deep = design_repointing(lost)
    assert value(deep, "depth to rake, greatest") == pytest.approx(0.045)
    assert value(deep, "mortar in place") == pytest.approx(1 * 0.006 * 0.045)
    assert deep.products[0].amount == pytest.approx(1 * 0.006 * 0.045 * 1.25)
    assert not deep.held


def test_a_joint_without_width_is_held_and_gets_no_amount():
    line = shapely.LineString([(0, 0), (1, 0)])
    job = design_repointing(case(line, treatment="repoint", term="open joint"))
    assert job.held
    assert "width" in job.holds[0]
    assert not job.products
    assert job.figure("mortar in place") is None


def test_a_width_from_outlines_says_so():
    stones = [shapely.box(0, 0, 0.5, 0.3), shapely.box(0.51, 0, 1, 0.3)]
    zone = shapely.box(0.45, 0.05, 0.56, 0.25)
    known = case(zone, treatment="repoint", term="open joint", near=stones)
    joints, missing = joints_of(known)
    assert not missing
    assert joints[0].width_from == "outlines"
    job = design_repointing(known)
    assert any("not from a measurement" in d for d in job.doubts)


def test_narrow_joints_are_for_hand_tools_and_hair_joints_are_left():
    line = shapely.LineString([(0, 0), (1, 0)])
    narrow = design_repointing(case(line, treatment="repoint", term="open joint", width_m=0.005))
    assert any("No rotary blade and no power tool" in n for n in narrow.never)
    wide = design_repointing(case(line, treatment="repoint", term="open joint", width_m=0.015))
    assert not any("no power tool" in n for n in wide.never)
    hair = design_repointing(case(line, treatment="repoint", term="open joint", width_m=0.001))
    assert any("cannot be raked" in h for h in hair.holds)


# ---------------------------------------------------------------- cracks
@pytest.mark.parametrize(
    ("width_m", "method"),
    [
        (0.00005, "Leave and watch"),
        (0.0002, "Close at the face with fine lime"),
        (0.0005, "Grout from below"),
        (0.006, "Grout, then fill the face; stitch with rods"),
    ],
)
def test_the_width_of_a_crack_decides_what_is_done(width_m: float, method: str):
    line = shapely.LineString([(0.2, 0.2), (0.6, 0.2)])
    known = case(line, treatment="crack repair", term="crack", width_m=width_m, depth_m=0.1)
    assert design_crack(known).method == method


def test_a_crack_that_nobody_measured_is_not_designed():
    line = shapely.LineString([(0.2, 0.2), (0.6, 0.2)])
    for given in ({}, {"width_m": 0.002}):
        job = design_crack(case(line, treatment="crack repair", term="crack", **given))
        assert job.held
        assert not job.products
        assert job.method == "Not designed"
    area = shapely.box(0.2, 0.2, 0.3, 0.3)
    assert "line" in design_crack(case(area, treatment="crack repair", term="crack")).holds[0]


def test_an_active_crack_waits_for_its_cause():
    line = shapely.LineString([(0.2, 0.2), (0.6, 0.2)])
    known = case(
        line, treatment="crack repair", term="crack", width_m=5e-4, depth_m=0.1, activity="active"
    )
    assert any("active" in h for h in design_crack(known).holds)


def test_a_rod_crosses_the_crack_in_its_middle_and_keeps_its_cover():
    """The hole is followed in space, apart from the formulas of the module."""
    stitch = Stitch(embedment_m=0.075, cover_m=0.02, angle_deg=35)
    way = np.array([math.cos(math.radians(35)), math.sin(math.radians(35))])
    mouth = np.array([-stitch.entry_m, 0.0])
    end = mouth + stitch.hole_m * way
    begin = end - stitch.rod_m * way
    middle = (begin + end) / 2
    assert middle[0] == pytest.approx(0, abs=1e-12)  # on the crack
    assert middle[1] == pytest.approx(stitch.crossing_m)
    assert begin[1] == pytest.approx(0.02)
    assert end[0] == pytest.approx(stitch.beyond_m)
    assert end[1] == pytest.approx(stitch.bottom_m)


def test_rods_keep_from_the_edges_of_the_stone_at_both_ends():
    stitch = Stitch(embedment_m=0.075, cover_m=0.02, angle_deg=45)
    stone = shapely.box(0, 0, 0.8, 0.4)
    line = shapely.LineString([(0.1, 0.2), (0.7, 0.2)])
    places, left_out = stitches_across(line, stone, spacing_m=0.2, stitch=stitch, edge_m=0.05)
    assert len(places) == 3
    assert left_out == 0
    assert np.sign([p.v_m - 0.2 for p in places]).tolist() in ([1, -1, 1], [-1, 1, -1])
    for p in places:
        assert p.toward_deg is not None
        toward = math.radians(p.toward_deg)
        far = (stitch.entry_m + stitch.beyond_m) * np.array([math.cos(toward), math.sin(toward)])
        assert stone.buffer(-0.0499).contains(shapely.Point(p.u_m + far[0], p.v_m + far[1]))
    low = shapely.LineString([(0.1, 0.1), (0.7, 0.1)])
    places, left_out = stitches_across(low, stone, spacing_m=0.2, stitch=stitch, edge_m=0.05)
    assert left_out == 3
    assert not places


def test_rods_are_wanted_only_where_they_would_cross_the_crack_and_an_engineer_decides():
    line = shapely.LineString([(0.1, 0.2), (0.7, 0.2)])
    shallow = case(line, treatment="crack repair", term="crack", width_m=0.002, depth_m=0.03)
    job = design_crack(shallow)
    assert not any(p.name.startswith("rod") for p in job.places)
    assert any("behind the crack" in d for d in job.doubts)
    deep = case(line, treatment="crack repair", term="crack", width_m=0.002, depth_m=0.12)
    job = design_crack(deep)
    assert any(p.name.startswith("rod") for p in job.places)
    assert any("structural engineer" in h for h in job.holds)
    thin = {**STONE, "depth_m": 0.1}
    job = design_crack(
        case(line, treatment="crack repair", term="crack", stone=thin, width_m=0.002, depth_m=0.12)
    )
    assert any("the stone is 100 mm deep" in h for h in job.holds)


def test_ports_are_no_further_apart_than_the_crack_is_deep():
    line = shapely.LineString([(0, 0), (1, 0)])
    job = design_crack(
        case(line, treatment="crack repair", term="crack", width_m=5e-4, depth_m=0.08)
    )
    at = sorted(p.u_m for p in job.places)
    assert at[0] == 0
    assert at[-1] == 1
    assert max(np.diff(at)) <= 0.08 + 1e-12
    assert len(points_along(line, 0.5)) == 3


# ---------------------------------------------------------------- mortar repair
def test_a_patch_that_is_large_deep_or_on_an_edge_is_better_an_inset():
    small = shapely.box(0, 0, 0.1, 0.1)
    approved = [trial("mortar sample", "mortar repair")]
    fine = case(small, treatment="mortar repair", term="scaling", depth_m=0.02, trials=approved)
    assert not design_mortar_repair(fine).held
    for shape, depth, stone in (
        (shapely.box(0, 0, 0.201, 0.2), 0.02, STONE),
        (small, 0.051, STONE),
        (small, 0.02, {**STONE, "part": "sill"}),
    ):
        job = design_mortar_repair(
            case(
                shape,
                treatment="mortar repair",
                term="scaling",
                depth_m=depth,
                stone=stone,
                trials=approved,
            )
        )
        assert any(h.startswith("An inset is better here") for h in job.holds)


def test_layers_are_alike_and_none_too_thick():
    assert sum(layers_of(0.046, 0.015)) == pytest.approx(0.046)
    assert max(layers_of(0.046, 0.015)) <= 0.015
    assert len(layers_of(0.045, 0.015)) == 3


def test_screws_stay_within_the_patch():
    patch = shapely.box(0, 0, 0.2, 0.1)
    places = armature_places(patch, spacing_m=0.06, edge_m=0.015)
    inner = patch.buffer(-0.0149)
    assert places
    assert all(inner.covers(shapely.Point(p.u_m, p.v_m)) for p in places)


# ---------------------------------------------------------------- trials
def trial(kind: str, treatment: str, **changed: Any) -> dict[str, Any]:
    return {
        "id": "T1",
        "kind": kind,
        "treatment": treatment,
        "stone_type": "buff sandstone",
        "soiling": "crust",
        "method": "as found",
        "result": "approved",
        "approved_by": "a conservator",
        "approved_on": "2026-05-01",
        "uptake_m3_per_m2": 0.0015,
        **changed,
    }


@pytest.mark.parametrize("missing", ["approved_by", "approved_on", "result"])
def test_a_trial_counts_only_when_approved_by_name_and_date(missing: str):
    shape = shapely.box(0, 0, 0.3, 0.3)
    good = trial("cleaning panel", "clean")
    job = design_cleaning(case(shape, treatment="clean", term="black crust", trials=[good]))
    assert not job.held
    assert job.trial.startswith("T1")
    bad = {**good, missing: None}
    job = design_cleaning(case(shape, treatment="clean", term="black crust", trials=[bad]))
    assert job.held
    assert "not approved" in job.holds[0]


def test_a_consolidant_has_no_amount_before_a_panel_took_it_in():
    shape = shapely.box(0, 0, 0.5, 0.4)
    without = design_consolidation(case(shape, treatment="consolidate", term="sanding"))
    assert without.held
    assert not without.products
    panel = [trial("consolidation panel", "consolidate")]
    job = design_consolidation(case(shape, treatment="consolidate", term="sanding", trials=panel))
    assert not job.held
    assert job.products[0].amount == pytest.approx(0.2 * 0.0015)


def test_no_acid_on_limestone_and_no_water_on_salts():
    _, never = ladder_for(("black crust",), "cream limestone")
    assert any("No acid" in n for n in never)
    rungs, never = ladder_for(("black crust",), "buff sandstone")
    assert not any("ammonium" in r.method for r in rungs)
    rungs, never = ladder_for(("efflorescence",), "buff sandstone")
    assert rungs[0].method.startswith("dry")
    assert any("No water" in n for n in never)
    _, unknown = ladder_for(("soiling",), "")
    assert any("No acid" in n for n in unknown)
    assert any("hydrofluoric" in n for n in unknown)


# ---------------------------------------------------------------- metal, shelter, loose pieces
def test_lead_is_measured_from_the_stone_and_weighs_what_its_volume_weighs():
    ledge = shapely.box(0, 0, 2.95, 0.1)
    job = design_shelter(case(ledge, treatment="shelter", term="erosion", depth_m=0.12))
    assert value(job, "pieces") == 3
    wide = 0.12 + 0.025 + 0.075 + 0.04
    area = (2.95 + 2 * 0.1) * wide
    assert value(job, "area of the sheet") == pytest.approx(area)
    # 11.34 g/cm3: CRC Handbook of Chemistry and Physics
    assert value(job, "weight") == pytest.approx(area * 0.0018 * 11340)
    assert not job.held
    assert "no original stone" in job.removes
    unknown = design_shelter(case(ledge, treatment="shelter", term="erosion"))
    assert unknown.held
    assert not unknown.products


def test_iron_waits_for_an_engineer_and_has_no_amount_where_nobody_measured_it():
    line = shapely.LineString([(0, 0), (0.4, 0)])
    job = design_metal(
        case(line, treatment="metal", term="corroding iron", width_m=0.02, depth_m=0.06)
    )
    assert "engineer" in job.holds[0]
    assert value(job, "surface to be coated") == pytest.approx(math.pi * 0.02 * 0.4)
    assert job.products[0].amount == pytest.approx(math.pi * 0.01**2 * 0.4 * 8000)
    bare = design_metal(case(shapely.Point(0, 0), treatment="metal", term="corroding iron"))
    assert not bare.products
    assert len(bare.doubts) == 2


@pytest.mark.parametrize(
    ("side_m", "depth_m", "held"),
    [
        (0.3, 0.09, ""),
        (0.3, 0.03, "too thin"),
        (0.3, None, "thickness is not known"),
        (0.06, 0.09, "Too small"),
        (0.8, 0.12, "engineer"),
    ],
)
def test_a_loose_piece_goes_back_on_rods_where_rods_can_hold_it(
    side_m: float, depth_m: float | None, held: str
):
    shape = shapely.box(0, 0, side_m, side_m / 1.5)
    job = design_refix(case(shape, treatment="re-fix", term="loose stone", depth_m=depth_m))
    assert bool(job.holds) == bool(held)
    assert held in " ".join(job.holds)
    rods = [shapely.Point(p.u_m, p.v_m) for p in job.places]
    assert len(rods) >= 2 or held in ("too thin", "thickness is not known", "Too small")
    for one in rods:
        assert shape.exterior.distance(one) >= SETTINGS.edge_distance_m - 1e-9
    for one, two in itertools.pairwise(rods):
        assert one.distance(two) <= SETTINGS.pin_spacing_maximum_m + 1e-9


def test_a_net_covers_the_place_and_its_margin():
    job = design_make_safe(
        case(shapely.box(0, 0, 0.4, 0.2), treatment="make safe", term="loose stone")
    )
    assert value(job, "net, if it is netted") == pytest.approx(1.0 * 0.8)
    assert value(job, "fixings of the net, in joints") == 12


@pytest.mark.parametrize(
    ("term", "note", "flag"),
    [
        ("film", None, "lead"),
        ("soiling", "old PAINT over it", "lead"),
        ("deposit", "guano on the ledge", "droppings"),
        ("soiling", "painted-looking", "lead"),
        ("soiling", "painstaking work", ""),
    ],
)
def test_paint_and_droppings_are_flagged_before_anything_else(term: str, note: Any, flag: str):
    shape = shapely.box(0, 0, 0.3, 0.3)
    known = case(shape, treatment="clean", term=term)
    frames = {
        "repairs": pd.DataFrame([{**known.repair, "conditions": ["C1"], "held_back": None}]),
        "conditions": pd.DataFrame([{**known.conditions[0], "note": note}]),
        "wall_stones": pd.DataFrame([STONE]),
    }
    (job,) = design_jobs(frames, settings=SETTINGS, values=VALUES)
    flagged = [c for c in job.cautions if "Old paint" in c or "Bird droppings" in c]
    assert bool(flagged) == bool(flag)
    assert not flag or flag in job.cautions[0]


# ---------------------------------------------------------------- values and visits
def test_every_value_has_a_source_and_an_office_may_decide_otherwise():
    assert all(v.source and v.status for v in VALUES.values.values())
    changed = VALUES.with_values({"repoint.rake_minimum": 25}, source="the office")
    assert changed["repoint.rake_minimum"] == pytest.approx(0.025)
    assert changed.values["repoint.rake_minimum"].status == "project"
    assert VALUES["repoint.rake_minimum"] == pytest.approx(0.020)
    with pytest.raises(InputError, match="no treatment value"):
        VALUES.with_values({"repoint.rake": 25}, source="the office")
    for wrong in (0, -1, math.nan, True, "3"):
        with pytest.raises(InputError):
            VALUES.with_values({"repoint.rake_minimum": wrong}, source="the office")


def test_repairs_on_one_stone_are_one_visit_in_order_of_work():
    rows = [
        {
            "id": n,
            "surface": "w",
            "wall_stone": s,
            "treatment": t,
            "geometry": shapely.box(0, 0, 1, 1),
        }
        for n, s, t in (
            ("R1", "S1", "repoint"),
            ("R2", "S1", "clean"),
            ("R3", "S1", "leave"),
            ("R4", "S2", "inset"),
            ("R5", None, "clean"),
        )
    ]
    (visit,) = visits_of(rows)
    assert visit.repairs == ("R2", "R1")
    assert visit.wall_stone == "S1"
    # one square metre cleaned, two metres of joint, and one setting up instead of two
    rates = WorkRates()
    wanted = rates.surface_per_m2.likely_h + 2 * rates.joint_per_m.likely_h
    assert visit.hours.likely_h == pytest.approx(wanted + rates.small_set_up.likely_h)


@pytest.mark.parametrize(
    ("profile", "foreign"),
    [("inch", r"\d ?(mm|m²|mL|kg|°C)\b"), ("metric", r"\d ?(in|ft²|gal|lb|°F)\b")],
)
def test_a_profile_speaks_its_own_units_only(profile: str, foreign: str):
    settings = load_profile(profile)
    line = shapely.LineString([(0.1, 0.2), (0.7, 0.2)])
    box = shapely.box(0, 0, 0.3, 0.3)
    made = [
        (design_repointing, line, "repoint", "open joint", {"width_m": 0.0009, "depth_m": 0.01}),
        (design_crack, line, "crack repair", "crack", {"width_m": 0.003, "depth_m": 0.02}),
        (design_crack, line, "crack repair", "crack", {"width_m": 0.003, "depth_m": 0.2}),
        (design_mortar_repair, box, "mortar repair", "scaling", {"depth_m": 0.06}),
        (design_cleaning, box, "clean", "black crust", {}),
        (design_metal, line, "metal", "corroding iron", {"width_m": 0.012, "depth_m": 0.05}),
        (design_shelter, box, "shelter", "erosion", {"depth_m": 0.12}),
        (design_refix, box, "re-fix", "loose stone", {"depth_m": 0.09}),
        (design_make_safe, box, "make safe", "loose stone", {}),
    ]
    for design, shape, treatment, term, given in made:
        known = dataclasses.replace(
            case(shape, treatment=treatment, term=term, **given), settings=settings
        )
        job = design(known)
        said = [
            *job.steps,
            *job.holds,
            *job.doubts,
            *job.criteria,
            *job.never,
            job.removes,
            job.why,
        ]
        said += [f.source for f in job.figures] + [p.purpose for p in job.products]
        assert not [s for s in said if re.search(foreign, s)]


def test_a_panel_on_one_soiling_says_nothing_of_another():
    shape = shapely.box(0, 0, 0.3, 0.3)
    good = trial("cleaning panel", "clean")
    job = design_cleaning(case(shape, treatment="clean", term="moss", trials=[good]))
    assert job.held
    assert "growth" in job.holds[0]


@pytest.mark.parametrize("part", ["lintel", "voussoir", "quoin", "jamb"])
@pytest.mark.parametrize(
    "treatment",
    ["repoint", "crack repair", "mortar repair", "metal", "re-fix", "shelter", "make safe"],
)
def test_whatever_cuts_into_stone_that_carries_says_so_and_defers(treatment: str, part: str):
    """Also where it was entered for the plain stone beside: an outline that reaches in, a joint that belongs to both."""
    plain = {**STONE, "part": "walling", "geometry": shapely.box(0, 0, 0.6, 0.3)}
    carrying = {**STONE, "id": "S2", "part": part, "geometry": shapely.box(0.6, 0, 1.2, 0.3)}
    line = shapely.LineString([(0.6, 0.0), (0.6, 0.3)])
    shape = line if treatment in ("repoint", "crack repair") else shapely.box(0.4, 0.1, 0.8, 0.2)
    condition = {"id": "C1", "term": "open joint", "geometry": shape, "width_m": 0.008}
    for stone in ("S1", "S2"):
        repair = {
            "id": "R1",
            "surface": "w",
            "wall_stone": stone,
            "treatment": treatment,
            "conditions": ["C1"],
            "cautions": [],
            "held_back": None,
            "geometry": shape,
        }
        frames = {
            "repairs": pd.DataFrame([repair]),
            "conditions": pd.DataFrame([condition]),
            "wall_stones": pd.DataFrame([plain, carrying]),
        }
        (job,) = design_jobs(frames, settings=SETTINGS, values=VALUES)
        assert f"may carry ({part})" in job.cautions[0]
        assert job.cautions[-1] == DEFER
    far = {
        **repair,
        "geometry": shapely.transform(shape, lambda xy: xy - [0.5, 0.0]),
        "wall_stone": "S1",
    }
    frames["repairs"] = pd.DataFrame([far])
    (job,) = design_jobs(frames, settings=SETTINGS, values=VALUES)
    assert not any("may carry" in c for c in job.cautions)
