"""Numbers that reach stone, scaffold, money and rights: right on both sides of every limit, and by how much.

Each stands for a wrong number that once went unnoticed (``tests/mutation/named.toml``).
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import math
import sys
import uuid
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import Polygon, box

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.condition.records import attach_wall_stones, mend_outlines
from facademap.errors import ConflictError, GeometryError, InputError, StageError
from facademap.io.rule_files import load_criteria, load_profile
from facademap.io.tiled_tiff import halved
from facademap.match import (
    Blank,
    Block,
    Face,
    Flaw,
    Lock,
    Params,
    Placement,
    Problem,
    Repair,
    SawOrder,
    Slabs,
    Solution,
    saw,
    solve,
    verify,
)
from facademap.match.from_tables import flaws_mm
from facademap.match.solids import contour, holds_round, parted
from facademap.repair.handling import scaffold_load, stack_loads
from facademap.repair.mortar import mortar_volumes
from facademap.repair.pieces import design_pieces
from facademap.repair.pins import Pin
from facademap.repair.planning import plan_cut_outs
from facademap.repair.stages import enter_stage
from facademap.repair.work_hours import hours_of_repair
from facademap.report.costs import cost_rows, read_rates
from facademap.report.cut_dxf import write_cut_dxf
from facademap.report.quantities import LABOUR_H
from facademap.report.spreadsheet import guarded_text
from facademap.store.project import Project
from facademap.tables import CONDITIONS, OPENINGS, UNDECIDED, WALL_STONES
from facademap.tasks.desk.edit import read_changes
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.record.work import move_on
from facademap.wall.frame import WorldPlacement

S = load_profile("metric")
RING = ((0.0, 0.0), (300.0, 0.0), (300.0, 200.0), (0.0, 200.0))


# --- survey


@pytest.mark.parametrize(
    ("outward", "azimuth"), [((0, 1), 0.0), ((1, 0), 90.0), ((0, -1), 180.0), ((-1, 0), 270.0)]
)
def test_a_wall_faces_the_way_of_its_outward_normal(outward, azimuth) -> None:
    w = np.array([*outward, 0.0])
    up = np.array([0.0, 0.0, 1.0])
    matrix = np.column_stack([np.cross(up, w), up, w, [0.0, 0.0, 0.0]])
    frame = WorldPlacement(
        matrix=matrix,
        residual_m=np.zeros((3, 3)),
        out_of_plane_m=np.zeros(3),
        used=np.ones(3, dtype=bool),
        rmse_m=0.0,
    )
    assert frame.facing_deg == pytest.approx(azimuth, abs=1e-9)


@pytest.mark.parametrize(("away_m", "found"), [(0.0499, "S-1"), (0.0501, None)])
def test_a_condition_beside_a_stone_is_attached_within_five_centimetres(away_m, found) -> None:
    stones = gpd.GeoDataFrame({"id": ["S-1"], "surface": ["A"]}, geometry=[box(0, 0, 1, 1)])
    beside = gpd.GeoDataFrame(
        {"id": ["C-1"], "surface": ["A"]}, geometry=[shapely.Point(1 + away_m, 0.5)]
    )
    assert attach_wall_stones(beside, stones).tolist() == [found]


@pytest.mark.parametrize(("spike", "mended"), [(0.19, True), (0.21, False)])
def test_an_outline_is_mended_only_while_its_area_stays(spike, mended) -> None:
    """A square of 1 m2 whose line crosses itself beside it: the tip beyond the crossing counts against the area as drawn."""
    tip = Polygon(
        [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0.6), (-spike, 0.4), (-spike, 0.6), (0, 0.4)]
    )
    lobe = 0.1 * spike
    outline = gpd.GeoDataFrame({"id": ["C-1"]}, geometry=[tip])
    if mended:
        result, notes = mend_outlines(outline)
        assert result.iloc[0].area == pytest.approx(1 + lobe, abs=1e-6)
        assert len(notes) == 1
    else:
        with pytest.raises(GeometryError, match="C-1"):
            mend_outlines(outline)


def test_an_overview_shows_what_was_seen_by_half() -> None:
    """Four pixels become one: of those seen, two or more are shown in their own colour, one is not."""
    pixels = np.zeros((2, 8, 4), np.uint8)
    pixels[..., :3] = 7
    for column, seen in enumerate((0, 1, 2, 4)):
        flat = pixels[:, 2 * column : 2 * column + 2].reshape(4, 4)
        flat[:seen] = (200, 100, 50, 255)
        pixels[:, 2 * column : 2 * column + 2] = flat.reshape(2, 2, 4)
    small = halved(pixels)
    assert small[0, :, 3].tolist() == [0, 0, 255, 255]
    assert small[0, 2:, :3].tolist() == [[200, 100, 50]] * 2


# --- repair


def test_mortar_of_an_undercut_is_the_wedge_behind_the_edge() -> None:
    """A wedge: half the depth times what it widens, along the edge."""
    cut = box(0, 0, 0.3, 0.2)
    found = mortar_volumes(
        cut,
        cut.buffer(-0.002, join_style="mitre"),
        cut_depth_m=0.06,
        pins=(),
        settings=S,
        inset_length_m=1.0,
    )
    wedge = Polygon([(0, 0), (0.06, 0), (0.06, 0.06 * math.tan(math.radians(S.undercut_deg)))])
    assert found.undercut_m3 == pytest.approx(wedge.area * 1.0)
    assert found.undercut_m3 > 0


def test_mortar_of_an_inset_adds_up_by_hand() -> None:
    """300 x 200 mm cut 60 mm deep, joints of 2 mm, one rod of 6 mm in a hole of 9 mm: litres by school geometry."""
    s = S.with_values(
        {
            "bedding_m": 0.005,
            "groove_width_m": 0.004,
            "groove_depth_m": 0.003,
            "trial_beddings": 2,
            "trial_loss": 0.25,
            "waste": 0.1,
        },
        source="by hand",
    )
    rod = Pin(
        u_m=0.1, v_m=0.1, angle_deg=0.0, turn_deg=0.0, rod_m=0.006, hole_m=0.009, embedment_m=0.05, into_piece_m=0.03,
        hole_wall_m=0.053, hole_piece_m=0.033, grade="",
    )  # fmt: skip
    found = mortar_volumes(
        box(0, 0, 0.3, 0.2),
        box(0.002, 0.002, 0.298, 0.198),
        cut_depth_m=0.06,
        pins=(rod,),
        settings=s,
        inset_length_m=1.0,
        groove_length_m=1.5,
    )
    undercut = 0.06 * 0.06 * math.tan(math.radians(s.undercut_deg)) / 2
    bed, joints = 0.3 * 0.2 * 0.005, (0.3 * 0.2 - 0.296 * 0.196) * 0.055
    grooves = 1.5 * 0.004 * 0.003
    holes = math.pi / 4 * (0.009**2 * 0.086 - 0.006**2 * 0.08)
    assert found.bed_m3 == pytest.approx(bed)
    assert found.joints_m3 == pytest.approx(joints)
    assert found.grooves_m3 == pytest.approx(grooves)
    assert found.holes_m3 == pytest.approx(holes)
    assert found.undercut_m3 == pytest.approx(undercut)
    assert found.trials_m3 == pytest.approx(2 * 0.25 * bed)
    placed = bed + joints + undercut + grooves + holes
    assert found.waste_m3 == pytest.approx(0.1 * (placed + 0.5 * bed))
    assert found.in_place_m3 == pytest.approx(placed)
    assert found.total_m3 == pytest.approx(1.1 * (placed + 0.5 * bed))
    # a cut-out no deeper than its bedding is all bed
    shallow = mortar_volumes(
        box(0, 0, 0.3, 0.2), box(0, 0, 0.2, 0.2), cut_depth_m=0.004, pins=(), settings=s
    )
    assert shallow.bed_m3 == pytest.approx(0.3 * 0.2 * 0.004)
    assert shallow.joints_m3 == shallow.grooves_m3 == shallow.undercut_m3 == 0.0


def test_stone_weighs_on_a_scaffold_with_gravity_on_both_sides_of_its_class() -> None:
    """EN 12811-1 class 4 carries 3.0 kN/m2: 305.9 kg on a square metre at 9.80665 m/s2 (standard gravity)."""
    most = 3.0 * 1000 / 9.80665
    assert scaffold_load(most - 0.01, 1.0).within
    assert not scaffold_load(most + 0.01, 1.0).within
    assert scaffold_load(100.0, 2.0).load_kn_per_m2 == pytest.approx(0.4903325)
    repairs = pd.DataFrame({"id": ["R-1"], "surface": ["A"], "lift": [1], "bay": [2]})
    area = S.bay_length_m * S.bay_width_m
    most = S.scaffold_load_kn_per_m2 * area * 1000 / 9.80665
    for kg, within in ((most - 0.01, True), (most + 0.01, False)):
        pieces = pd.DataFrame({"repair": ["R-1"], "weight_saturated_kg": [kg]})
        assert list(stack_loads(pieces, repairs, settings=S)["within"]) == [within]


@pytest.mark.parametrize(("hours", "goes"), [(71.99, False), (72.0, True)])
def test_curing_is_whole_before_acceptance(hours, goes) -> None:
    began = dt.datetime(2027, 4, 5, 8, 0, tzinfo=dt.UTC)
    repair = {"id": "R-1", "treatment": "mortar repair", "stage": "curing", "held_back": None}
    log = [{"id": "W-1", "repair": "R-1", "at": began.isoformat(), "stage": "curing"}]
    none = dataclasses.replace(load_criteria(), criteria=())
    at = began + dt.timedelta(hours=hours)

    def accept() -> dict[str, Any]:
        return enter_stage(repair, "accepted", log=log, criteria=none, settings=S, at=at, now=at)

    if goes:
        assert accept()["stage"] == "accepted"
    else:
        with pytest.raises(StageError, match="of 72 h"):
            accept()


def test_drilling_dust_is_the_stone_of_the_holes() -> None:
    """Loose dust takes half as much room again as the stone, and a third of it is lost: as much as the holes hold."""
    stones = WALL_STONES.check(
        gpd.GeoDataFrame(
            {
                "id": ["S-1"], "surface": ["A"], "stone_type": ["Coalhouse"], "kind": ["sedimentary"],
                "bed": ["horizontal"], "depth_m": [0.4],
            },
            geometry=[box(0, 0, 1, 0.6)],
        )
    )  # fmt: skip
    seen = CONDITIONS.check(
        gpd.GeoDataFrame(
            {"id": ["C-1"], "surface": ["A"], "term": ["alveolization"], "depth_m": [0.04]},
            geometry=[box(0.3, 0.2, 0.6, 0.4)],
        )
    )
    repairs, _ = plan_cut_outs(seen, stones, OPENINGS.empty(), settings=S)
    (row,) = design_pieces(repairs, stones, settings=S).repairs.to_dict("records")
    holes = sum(
        math.pi / 4 * p["hole_m"] ** 2 * (p["hole_wall_m"] + p["hole_piece_m"]) for p in row["pins"]
    )
    assert row["pins"]
    assert row["materials"]["dust"]["kept_l"] == pytest.approx(holes * 1000)


def test_an_inset_takes_its_hours_by_volume() -> None:
    """Common practice: 3 h to set up and 1.5 h for every litre of stone."""
    assert hours_of_repair("inset", {"removed_volume_m3": 0.002}).likely_h == pytest.approx(6.0)
    norms = LABOUR_H["inset"]
    assert norms["count"] + 0.002 * norms["removed_volume_m3"] == pytest.approx(6.0)


# --- matching and sawing


def _repair(**more: Any) -> Repair:
    given: dict[str, Any] = {
        "id": "a", "outline_mm": ((0.0, 0.0), (100.0, 0.0), (100.0, 80.0), (0.0, 80.0)), "depth_mm": 60.0,
        "joints_mm": (3.0,), "bed": "horizontal", "stone": "sand", "lab": (70.0, 0.0, 10.0),
    }  # fmt: skip
    return Repair(**(given | more))


def _block(name: str = "y", *, depth: float = 100.0, **face: Any) -> Block:
    one = Face(id="f", outline_mm=RING, depth_mm=depth, **({"bed": "x"} | face))
    return Block(id=name, stone="sand", lab=(70.0, 0.0, 10.0), faces=(one,), weight_kg=10.0)


def _placed(problem: Problem, *, thickness: tuple[float, ...], **place: Any) -> Solution:
    where = {"x_mm": 20.0, "y_mm": 20.0, "rot_deg": 0, "slab": 0, **place}
    return dataclasses.replace(
        solve(problem),
        slabs={"y": Slabs(face_id="f", thickness_mm=thickness)},
        placements=(Placement(repair_id="a", block_id="y", face_id="f", **where),),
    )


def _rules(problem: Problem, plan: Solution) -> set[str]:
    return {v.rule for v in verify(problem, plan)} - {"objective", "bound", "gap"}


@pytest.mark.parametrize(
    ("begins", "ends", "slab", "hit"),
    [
        (69.95, None, 0, True),  # reaches the slab of 70 mm from behind
        (70.05, None, 0, False),  # begins behind it
        (0.0, 78.05, 1, True),  # still there where the second slab begins, at 70 + 8 mm
        (0.0, 77.95, 1, False),  # ends before
    ],
)
def test_a_flaw_counts_from_where_it_begins_to_where_it_ends(begins, ends, slab, hit) -> None:
    flaw = Flaw(outline_mm=RING, depth_mm=ends, from_mm=begins)
    problem = Problem(repairs=(_repair(),), blocks=(_block(depth=150.0, flaws=(flaw,)),))
    assert flaw.reaches(0.0 if slab == 0 else 78.0, 70.0) is hit
    plan = _placed(problem, thickness=(70.0, 70.0), slab=slab)
    assert _rules(problem, plan) == ({"flaw"} if hit else set())


def test_a_flaw_of_the_yard_begins_where_it_was_measured() -> None:
    row = {"flaws": [{"ring": [[0, 0], [0.1, 0], [0.1, 0.1]], "from_m": 0.03, "depth_m": 0.07}]}
    (flaw,) = flaws_mm(row)
    assert (flaw.from_mm, flaw.depth_mm) == (30.0, 70.0)


def test_another_finish_costs_its_penalty_and_the_plan_minds_it() -> None:
    params = Params(open_per_dm3=0.0, handle_per_kg=0.0)
    repair = _repair(finish="droved", priority=2.0)
    same, other = _block("same", finish="droved"), _block("other", finish="sawn")
    # what would be the cheaper block by a hair of colour loses to the finish
    dearer = dataclasses.replace(same, lab=(70.5, 0.0, 10.0))
    plan = solve(Problem(repairs=(repair,), blocks=(other, dearer), params=params))
    assert plan.placements[0].block_id == "same"
    alone = Problem(repairs=(repair,), blocks=(other,), params=params)
    plan = solve(alone)
    assert plan.objective == pytest.approx(2.0 * params.finish_penalty)
    assert verify(alone, plan) == []
    cheaper = dataclasses.replace(plan, objective=0.0)
    assert verify(alone, cheaper)


@pytest.mark.parametrize(("thick", "fits"), [(100.0, True), (100.02, False), (101.0, False)])
def test_slabs_are_no_thicker_than_their_block(thick, fits) -> None:
    problem = Problem(repairs=(_repair(),), blocks=(_block(depth=100.0),))
    assert _rules(problem, _placed(problem, thickness=(thick,))) == (set() if fits else {"slabs"})


@pytest.mark.parametrize(("axis"), ["x_mm", "y_mm"])
@pytest.mark.parametrize(("off", "held"), [(0.0, True), (0.009, True), (0.011, False)])
def test_a_lock_holds_along_both_axes(axis, off, held) -> None:
    lock = Lock(block_id="y", face_id="f", slab=0, x_mm=20.0, y_mm=20.0, rot_deg=0)
    problem = Problem(repairs=(_repair(lock=lock),), blocks=(_block(),))
    plan = _placed(problem, thickness=(100.0,), **{axis: 20.0 + off})
    assert ("lock" in _rules(problem, plan)) is not held


def test_sawn_parts_lie_a_kerf_apart_beside_and_behind() -> None:
    order = SawOrder(
        block_id="B-1", face_id="f", outline_mm=RING, depth_mm=150.0, thickness_mm=(150.0,),
        blanks=(Blank(piece_id="P-1", slab=0, outline_mm=((0.0, 0.0), (100.0, 0.0), (100.0, 200.0), (0.0, 200.0)), depth_mm=60.0),),
    )  # fmt: skip
    params = Params()
    plan = saw(order, params)
    kinds = {s.kind: s for s in plan.steps}
    upright = [plan.solids[g].polygon for g in kinds["upright"].gives]
    assert upright[0].distance(upright[1]) == pytest.approx(params.kerf_mm)
    front, back = (plan.solids[g] for g in kinds["parallel"].gives)
    assert back.z0_mm - front.z1_mm == pytest.approx(params.depth_kerf_mm)


@pytest.mark.parametrize(
    ("boxes", "kerf", "slack", "told"),
    [
        ([(0, 0, 10, 10), (13, 0, 20, 10)], 3.0, 0.0, (0, 10, [0], [1])),
        ([(0, 0, 10, 10), (13, 0, 20, 10)], 3.25, 0.0, None),
        ([(0, 0, 10, 10), (13, 0, 20, 10)], 3.25, 0.25, (0, 10, [0], [1])),
        ([(0, 0, 10, 10), (13, 0, 20, 10), (40, 0, 50, 10)], 3.0, 0.0, (0, 20, [0, 1], [2])),
        ([(0, 0, 10, 10), (20, 0, 30, 10), (40, 0, 50, 10)], 3.0, 0.0, (0, 10, [0], [1, 2])),
        ([(0, 0, 30, 5), (2, 6, 10, 10), (34, 0, 40, 10)], 3.0, 0.0, (0, 30, [0, 1], [2])),
        ([(0, 0, 10, 10), (4, 18, 20, 25)], 3.0, 0.0, (1, 10, [0], [1])),
        ([(0, 0, 10, 10), (15, 18, 20, 25)], 3.0, 0.0, (1, 10, [0], [1])),
    ],
)
def test_boxes_are_parted_at_the_widest_gap_that_has_room_for_the_kerf(
    boxes: Any, kerf: float, slack: float, told: Any
) -> None:
    assert parted(boxes, kerf_mm=kerf, slack_mm=slack) == told


def test_a_wire_takes_its_kerf_round_a_blank_and_a_slit_on_its_way_in() -> None:
    part = box(0, 0, 100, 100)
    inside = box(40, 45, 60, 65)
    blank, rest = contour(part, inside, kerf_mm=2.0)
    assert blank.equals(inside)
    (left,) = rest
    assert not left.interiors
    assert left.area == pytest.approx(100**2 - 24**2 - 2 * 33, abs=5)
    assert left.distance(inside) == pytest.approx(2)
    _, (fine,) = contour(part, inside, kerf_mm=0.0)
    assert fine.area == pytest.approx(100**2 - 20**2 - 0.02 * 35, abs=0.1)
    _, (beside,) = contour(part, box(0, 0, 20, 20), kerf_mm=2.0)
    assert beside.area == pytest.approx(100**2 - 22**2)
    tip = Polygon([(10, 45), (10, 55), (47.3, 50)])  # 15 degrees: a mitre would reach far beyond it
    _, (sharp,) = contour(part, tip, kerf_mm=2.0)
    assert sharp.contains(shapely.Point(47.3 + 3 * 2.0, 50))


def test_a_round_piece_has_room_in_its_inscribed_circle() -> None:
    """A rectangle is as wide as its shorter side; a right triangle holds a + b - c."""
    assert holds_round(box(0, 0, 30, 20), 20.0)
    assert not holds_round(box(0, 0, 30, 20), 20.01)
    half = Polygon([(0, 0), (40, 0), (0, 40)])
    widest = 80 - math.hypot(40, 40)
    assert holds_round(half, widest - 0.01)
    assert not holds_round(half, widest + 0.01)


# --- papers


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_the_blank_of_a_cutting_file_lies_round_its_piece(turn) -> None:
    """An outline without any symmetry, turned as on the block: only turned back the right way does it hold the piece."""
    piece = Polygon([(0, 0), (0.3, 0), (0.3, 0.06), (0.1, 0.06), (0.1, 0.2), (0, 0.2)])
    blank = piece.buffer(0.003, join_style="mitre")
    turned = shapely.affinity.rotate(blank, turn, origin=(0, 0))
    low = np.array(turned.bounds[:2])
    ticket = SimpleNamespace(
        piece={"id": "P-1", "geometry": piece, "bed": "any", "depth_m": 0.06},
        repair={"geometry": None},
        rods=(),
        measured=True,
        assembly=None,
        say=SimpleNamespace(inches=False),
        place={
            "blank": (np.asarray(turned.exterior.coords)[:-1] - low + 0.5).tolist(),
            "rotation_deg": turn,
        },
    )
    drawing = ezdxf.read(io.StringIO(write_cut_dxf(ticket).decode()))  # type: ignore[arg-type]

    def outline(layer: str) -> Polygon:
        line = drawing.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]').first
        return Polygon([(x, y) for x, y, *_ in line.get_points()])

    cut, rough = outline("CUT"), outline("ROUGH")
    assert rough.buffer(1e-4).contains(cut)
    assert rough.exterior.distance(cut.exterior) == pytest.approx(3.0, abs=1e-3)


def test_a_cutting_file_is_in_millimetres_from_the_corner_of_its_piece() -> None:
    """A piece that lies elsewhere on the wall, with a hole, its cut-out and three rods of which one has no place yet."""
    piece = Polygon(
        box(2.0, 5.0, 2.3, 5.2).exterior.coords, [box(2.1, 5.05, 2.15, 5.1).exterior.coords]
    )
    rod = lambda u, v, hole: SimpleNamespace(u_m=u, v_m=v, hole_m=hole, mark=(u, v))  # noqa: E731
    ticket = SimpleNamespace(
        piece={"id": "P-1", "geometry": piece, "bed": "any", "depth_m": 0.06},
        repair={"geometry": piece.buffer(0.005, join_style="mitre")},
        rods=(
            rod(2.05, 5.08, 0.012),
            rod(2.2, 5.15, None),
            rod(2.1, None, 0.012),
            rod(None, 5.1, 0.012),
        ),
        measured=True,
        assembly=None,
        say=SimpleNamespace(inches=False),
        place=None,
    )
    space = ezdxf.read(io.StringIO(write_cut_dxf(ticket).decode())).modelspace()  # type: ignore[arg-type]

    def bounds(layer: str) -> list[tuple[float, ...]]:
        lines = space.query(f'LWPOLYLINE[layer=="{layer}"]')
        return [Polygon([(x, y) for x, y, *_ in line.get_points()]).bounds for line in lines]

    assert bounds("CUT") == [
        pytest.approx((0, 0, 300, 200), abs=1e-6),
        pytest.approx((100, 50, 150, 100), abs=1e-6),
    ]
    assert bounds("CUT-OUT") == [pytest.approx((-5, -5, 305, 205), abs=1e-6)]
    assert bounds("ROUGH") == []
    circles = [(*c.dxf.center.vec2, c.dxf.radius) for c in space.query("CIRCLE")]
    assert circles == [
        pytest.approx((50, 80, 6), abs=1e-6),
        pytest.approx((200, 150, 4.5), abs=1e-6),
    ]


# --- money


def _rates(low: Any, likely: Any, high: Any) -> str:
    rate = f"treatment='inset'\nmeasure='count'\nlow={low}\nlikely={likely}\nhigh={high}"
    return f"currency='EUR'\n[[rates]]\n{rate}"


def _counted(**counts: float) -> Any:
    by_treatment = pd.DataFrame({"count": counts})
    return SimpleNamespace(breakdown=lambda basis, dimension: by_treatment)


def test_an_item_costs_its_quantity_times_each_rate() -> None:
    (row,) = cost_rows(_counted(inset=12.0, clean=3.0), read_rates(_rates(10, 20.5, 31))).to_dict(
        "records"
    )
    assert row["quantity"] == 12
    assert [row[f"rate_{k}"] for k in ("low", "likely", "high")] == [10, 20.5, 31]
    assert [row[f"cost_{k}"] for k in ("low", "likely", "high")] == [120, 246, 372]
    (none,) = cost_rows(_counted(clean=3.0), read_rates(_rates(10, 20, 30))).to_dict("records")
    assert [none[k] for k in ("quantity", "cost_low", "cost_likely", "cost_high")] == [0, 0, 0, 0]


@pytest.mark.parametrize(
    ("prices", "goes"),
    [
        ((0, 0, 0), True),
        ((5, 5, 5), True),
        ((1, 2, 3), True),
        ((-0.01, 2, 3), False),
        ((1, -2, 3), False),
        ((2, 1.99, 3), False),
        ((1, 3, 2.99), False),
        (("true", 2, 3), False),
        (("'1'", 2, 3), False),
    ],
)
def test_prices_are_nothing_or_more_and_in_rising_order(
    prices: tuple[Any, Any, Any], goes: bool
) -> None:
    if goes:
        (rate,) = read_rates(_rates(*prices)).rates
        assert (rate.low, rate.likely, rate.high) == prices
    else:
        with pytest.raises(InputError):
            read_rates(_rates(*prices))


def test_what_has_no_rate_is_told_and_what_needs_none_is_not() -> None:
    rates = read_rates(_rates(1, 2, 3))
    told = rates.without_rate(_counted(inset=1, clean=1, leave=1, **{UNDECIDED: 1}))
    assert told == ("clean",)
    assert rates.hour is None
    assert rates.labour_h is None


def test_hours_and_what_they_cost_are_those_of_the_office() -> None:
    more = "\n[hour]\nlow=80\nlikely=95\nhigh=110\n[[labour]]\ntreatment='inset'\nmeasure='count'"
    rates = read_rates(_rates(1, 2, 3) + more + "\nhours=3.5")
    assert rates.hour == (80, 95, 110)
    assert rates.labour_h == {"inset": {"count": 3.5}}
    with pytest.raises(InputError, match="hours"):
        read_rates(_rates(1, 2, 3) + more + "\nhour=3.5")
    with pytest.raises(InputError, match="order"):
        read_rates(_rates(1, 2, 3) + "\n[hour]\nlow=96\nlikely=95\nhigh=110")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)"])
def test_no_text_reaches_a_spreadsheet_as_a_formula(text) -> None:
    assert guarded_text(text) == f"'{text}"
    assert guarded_text(f"x{text}") == f"x{text}"


# --- store and rights


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = desk_sample.make_project(
        tmp_path_factory.mktemp("limits") / "sample", many=10, blocks=1, picture=False
    )
    plan_project(made)
    return made


def test_planning_leaves_what_is_on_hold(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        repair = str(project.read("repairs", where={"stage": "proposed"})["id"].iloc[0])
    move_on(folder, repair, "on hold", reason="waits for the client")
    with Project.open(folder, read_only=True) as project:
        before = project.row("repairs", repair)
    plan_project(folder)
    with Project.open(folder, read_only=True) as project:
        after = project.row("repairs", repair)
    assert (after["stage"], after["rev"]) == ("on hold", before["rev"])


def test_a_row_that_others_changed_is_not_deleted(folder: Path) -> None:
    with Project.open(folder) as project:
        row = project.read("conditions").iloc[0]["id"]
        rev = project.row("conditions", row)["rev"]
        with project.edit(who="ben", what="note") as edit:
            edit.update("conditions", row, {"note": "seen again"})
        with (
            pytest.raises(ConflictError, match="somebody else"),
            project.edit(who="ada", what="delete") as edit,
        ):
            edit.delete("conditions", row, rev=rev)
        assert project.row("conditions", row)["note"] == "seen again"
        with project.edit(who="ada", what="delete") as edit:
            edit.delete("conditions", row, rev=rev + 1)


@pytest.mark.parametrize("table", ["reviews", "work_log"])
@pytest.mark.parametrize("op", ["update", "delete"])
def test_what_people_said_and_did_is_never_changed(table, op) -> None:
    body = {
        "key": f"desk-{uuid.uuid4().hex[:20]}", "who": "ada", "what": "change",
        "changes": [{"op": op, "table": table, "id": "V-001", "rev": 1, "values": {"text": "other"}}],
    }  # fmt: skip
    with pytest.raises(InputError):
        read_changes(body)
