"""Every inset offered can be pushed on, taken off with its rods in place and set again; what is broken on purpose is named.

The solids are checked against meshes made by trimesh and cut by manifold, which know nothing of the replay.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon, box

from facademap.errors import FacademapError
from facademap.io.rule_files import load_profile
from facademap.repair.assembly import STRAIGHT, Assembly
from facademap.repair.edges import edge_names
from facademap.repair.fixings import FIXINGS
from facademap.repair.offsets import clean_ring, offset_edges
from facademap.repair.pieces import design_pieces
from facademap.repair.pins import drilling_template, set_out_pins
from facademap.repair.planning import plan_cut_outs
from facademap.repair.replay import replay, replay_rows
from facademap.repair.ways import Way, parse_way
from facademap.tables import CONDITIONS, OPENINGS, WALL_STONES

PROFILES = {name: load_profile(name) for name in ("metric", "inch")}
QUICK = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def wall(widths: list[float], joint_m: float, deep_m: float) -> gpd.GeoDataFrame:
    rows, u = [], 0.0
    for number, width in enumerate(widths):
        rows.append(
            {
                "id": f"S-{number}",
                "surface": "A",
                "course": 0,
                "number": number,
                "bed": "horizontal",
                "kind": "sedimentary",
                "stone_type": "sandstone",
                "exposed": "front,left" if number == 0 else "front",
                "depth_m": deep_m,
                "geometry": box(u, 0, u + width, 0.34),
            }
        )
        u += width + joint_m
    return WALL_STONES.check(gpd.GeoDataFrame(rows, geometry="geometry"))


@st.composite
def damage(draw):
    u, v = draw(st.floats(0.0, 1.0)), draw(st.floats(0.0, 0.3))
    r = draw(st.floats(0.01, 0.2))
    return draw(
        st.sampled_from(
            [
                Point(u, v).buffer(r, quad_segs=4),
                box(u, v, u + r, v + r / 2),
                Polygon([(u, v), (u + r, v + r / 8), (u + r / 8, v + r)]),
                LineString([(u, v), (u + r, v + r / 2)]),
            ]
        )
    )


def planned(profile, found, depths, widths, joint_m, deep_m, fixing):
    stones = wall(widths, joint_m, deep_m)
    seen = CONDITIONS.check(
        gpd.GeoDataFrame(
            [
                {
                    "id": f"C-{i}",
                    "surface": "A",
                    "term": "alveolization",
                    "depth_m": d,
                    "geometry": g,
                }
                for i, (g, d) in enumerate(zip(found, depths, strict=False), start=1)
            ],
            geometry="geometry",
        )
    )
    repairs, _ = plan_cut_outs(seen, stones, OPENINGS.empty(), settings=PROFILES[profile])
    return design_pieces(repairs, stones, settings=PROFILES[profile], fixing=fixing), stones


@pytest.mark.parametrize("fixing", list(FIXINGS))
@pytest.mark.parametrize("profile", ["metric", "inch"])
@QUICK
@given(
    st.lists(damage(), min_size=1, max_size=3),
    st.lists(st.sampled_from([None, 0.01, 0.04, 0.09, 0.15]), min_size=3, max_size=3),
    st.lists(st.floats(0.15, 0.7), min_size=2, max_size=3),
    st.sampled_from([0.0007, 0.002, 0.006, 0.012]),
    st.sampled_from([0.12, 0.2, 0.3]),
)
def test_no_plan_offers_a_set_up_that_fails(
    profile, fixing, found, depths, widths, joint_m, deep_m
):
    design, stones = planned(profile, found, depths, widths, joint_m, deep_m, fixing)
    repairs = {r["id"]: r for r in design.repairs.to_dict("records")}
    rows = {s["id"]: s for s in stones.to_dict("records")}
    named = {g.about for g in design.gaps}
    for piece in design.pieces.to_dict("records"):
        repair = repairs[piece["repair"]]
        assembly, found_out = replay_rows(
            repair, piece, settings=PROFILES[profile], stone=rows[repair["wall_stone"]]
        )
        assert assembly is not None
        assert found_out.passed or repair["id"] in named, [f.sentence for f in found_out.faults]
        # what fails is only what the layout of the pins itself could not keep, and that is said
        told = (repair["materials"]["pins"]["faults"]) or not repair["pins"]
        assert found_out.passed or told, [f.sentence for f in found_out.faults]
        if fixing == "before":
            # a plan that asks for something that cannot be done is only allowed where the piece is too thin or the wall is
            hopeless = {f.about.split()[0] for f in found_out.faults}
            assert hopeless <= {"pin", "pins"}
            assert {p.direction for p in assembly.pins} <= {STRAIGHT}


def made(
    outline: Polygon,
    *,
    profile: str = "metric",
    depth_m: float = 0.06,
    joints: list[float] | None = None,
    fixing: str = "before",
    way: Way | None = None,
    kg: float = 8.0,
) -> Assembly:
    s = PROFILES[profile]
    ring = clean_ring(outline)
    way = way or Way(fixing=fixing)
    joints = joints or [s.joint_m] * len(ring)
    face = offset_edges(ring, joints)
    pins = set_out_pins(face, depth_m - s.bedding_m, weight_kg=kg, settings=s, way=way).pins
    return Assembly(
        repair="R-1",
        piece_id="P-1",
        cut_out=Polygon(ring),
        piece=face,
        joints_m=tuple(joints),
        kinds=("inset",) * len(ring),
        cut_depth_m=depth_m,
        piece_depth_m=depth_m - s.bedding_m + s.proud_m,
        bedding_m=s.bedding_m,
        out_m=s.proud_m,
        proud_m=s.proud_m,
        pins=pins,
        way_in=way.direction,
        undercut_deg=s.undercut_deg,
        groove_width_m=s.groove_width_m,
        groove_depth_m=s.groove_depth_m,
        groove_spacing_m=s.groove_spacing_m,
        template=drilling_template(face, pins),
        backing_m=0.2,
        host=Polygon(ring).buffer(0.1, join_style="mitre"),
    )


RECTANGLE = box(0, 0, 0.3, 0.25)
ELL = Polygon([(0, 0), (0.4, 0), (0.4, 0.18), (0.18, 0.18), (0.18, 0.34), (0, 0.34)])
SKEW = Polygon([(0, 0), (0.32, 0.012), (0.31, 0.24), (-0.008, 0.225)])


def tilted(a: Assembly, *, angle: float = 15.0, turn: float = 15.0) -> Assembly:
    pins = tuple(
        replace(p, angle_deg=angle, turn_deg=turn * (-1) ** i) for i, p in enumerate(a.pins)
    )
    return replace(a, pins=pins, template=drilling_template(a.piece, pins))


def broken_ways():
    a = made(RECTANGLE)
    first, rest = a.pins[0], a.pins[1:]

    def with_pin(**change):
        pins = (replace(first, **change), *rest)
        return replace(a, pins=pins, template=drilling_template(a.piece, pins))

    return {
        "alternating slopes": (tilted(a), "pin 1", "misses its hole"),
        "one common slope": (
            replace(tilted(a, turn=0.0), way_in=tilted(a, turn=0.0).pins[0].direction),
            "way in",
            "strikes the cut-out at top",
        ),
        "hole through the face": (with_pin(hole_piece_m=0.08), "pin 1", "comes out of the face"),
        "cover too thin": (with_pin(hole_piece_m=0.045), "pin 1", "stone before its hole"),
        "rod longer than the depth": (with_pin(into_piece_m=0.09), "pin 1", "end of the hole"),
        "too near the edge": (with_pin(u_m=0.01), "pin 1", "from an edge of the piece"),
        "beside the piece": (with_pin(u_m=-0.05), "pin 1", "does not lie in the piece"),
        "thick rod": (with_pin(rod_m=0.0085), "pin 1", "leaves no room for the grout"),
        "short in the wall": (with_pin(embedment_m=0.02), "pin 1", "of rod in the wall"),
        "short in the piece": (with_pin(into_piece_m=0.008), "pin 1", "of rod in the piece"),
        "unknown fixing": (with_pin(fixing="glue"), "pin 1", "unknown"),
        "holes run together": (
            with_pin(u_m=rest[0].u_m + 0.008, v_m=rest[0].v_m),
            "pins 1 and 2",
            "come within",
        ),
        "thin wall": (replace(a, backing_m=0.055), "pin 1", "stone behind it"),
        "near the joint of the stone": (
            replace(a, host=a.cut_out.buffer(-0.045)),
            "pin 1",
            "joint of the wall stone",
        ),
        "piece too large": (
            replace(a, piece=a.piece.buffer(0.0015, join_style="mitre"), template=None),
            "joint",
            "is drawn",
        ),
        "joint too thin": (made(RECTANGLE, joints=[0.0004] * 4), "joint", "too thin to be filled"),
        "piece too deep": (replace(a, piece_depth_m=0.08), "depth", "deep"),
        "template of another piece": (
            replace(a, template=drilling_template(a.piece, (replace(first, u_m=0.2), *rest))),
            "drilling template",
            "off its rod",
        ),
        "template short of a hole": (
            replace(a, template=drilling_template(a.piece, rest)),
            "drilling template",
            "rods",
        ),
    }


@pytest.mark.parametrize("way", list(broken_ways()))
def test_a_plan_broken_on_purpose_is_named_with_a_remedy(way):
    assembly, about, words = broken_ways()[way]
    faults = replay(assembly, settings=PROFILES["metric"]).faults
    hit = [f for f in faults if f.about.startswith(about) and words in f.problem]
    assert hit, [f.sentence for f in faults]
    assert all(f.remedy for f in faults)


@pytest.mark.parametrize("outline", [RECTANGLE, ELL, SKEW])
@pytest.mark.parametrize("profile", ["metric", "inch"])
@pytest.mark.parametrize("fixing", list(FIXINGS))
def test_the_plain_set_ups_pass(outline, profile, fixing):
    a = made(outline, profile=profile, fixing=fixing)
    found = replay(a, settings=PROFILES[profile])
    assert found.passed, [f.sentence for f in found.faults]
    assert found.way_clear_m == pytest.approx(min(a.joints_m))
    assert found.cover_m >= PROFILES[profile].cover_m - 2e-5


def lowered(degrees: float, *, free_top: bool, fixing: str = "before") -> Assembly:
    """A piece that goes in sloping down, its top in a joint or free as on a sill."""
    a = made(box(0, 0, 0.3, 0.25), depth_m=0.08, way=Way(fixing=fixing, down_deg=degrees))
    if not free_top:
        return a
    at = a.names.index("top")
    joints = [0.0 if i == at else j for i, j in enumerate(a.joints_m)]
    b = made(a.cut_out, depth_m=0.08, joints=joints, way=Way(fixing=fixing, down_deg=degrees))
    return replace(b, kinds=tuple("exposed" if i == at else k for i, k in enumerate(b.kinds)))


@pytest.mark.parametrize("fixing", ["before", "resin"])
@pytest.mark.parametrize("degrees", [2.0, 8.0, 14.0])
def test_a_piece_is_lowered_in_where_its_top_is_free_and_nowhere_else(degrees, fixing):
    free, shut = (lowered(degrees, free_top=top, fixing=fixing) for top in (True, False))
    found = replay(free, settings=PROFILES["metric"])
    assert found.passed, [f.sentence for f in found.faults]
    assert {p.direction for p in free.pins} == {free.way_in}
    assert found.cover_m >= PROFILES["metric"].cover_m - 2e-5
    (fault,) = replay(shut, settings=PROFILES["metric"]).faults
    assert fault.about == "way in"
    assert "top" in fault.problem
    # the slope that is said to go does go, and a little more does not
    said = float(fault.remedy.split("The joints allow ")[1].split(" ")[0])
    assert replay(lowered(said - 0.06, free_top=False), settings=PROFILES["metric"]).passed
    assert not replay(lowered(said + 0.06, free_top=False), settings=PROFILES["metric"]).passed


def test_a_way_is_typed_as_it_is_said():
    way = parse_way("resin, up 5, left 2.5 deg")
    assert (way.fixing, way.down_deg, way.right_deg) == ("resin", -5.0, -2.5)
    assert way.words == "in and 5° up, 2.5° to the left"
    assert parse_way("through face").straight
    assert np.linalg.norm(way.direction) == pytest.approx(1.0)
    assert way.direction[1] > 0 > way.direction[0]
    for wrong in ("", "glue", "down 50", "down 5, up 3", "before, resin", "down", "down -5"):
        with pytest.raises(FacademapError) as refused:
            parse_way(wrong)
        assert refused.value.remedy


def _cylinder(point, direction, low_m, high_m, diameter_m):
    ends = [np.asarray(point) + np.asarray(direction) * s for s in (low_m, high_m)]
    return trimesh.creation.cylinder(radius=diameter_m / 2, segment=ends, sections=64)


def _meshes(a: Assembly):
    """Wall with its cut-out and holes, piece with its holes, and the rods, depth counted along z."""
    outer = a.cut_out.buffer(0.08, join_style="mitre")
    block = trimesh.creation.extrude_polygon(outer, 0.25)
    pocket = trimesh.creation.extrude_polygon(a.cut_out, a.cut_depth_m + 0.05)
    pocket.apply_translation([0, 0, -0.05])
    block = block.difference(pocket)
    for i, kind in enumerate(a.kinds):
        if kind == "exposed":  # nothing of the wall stands before a free side
            ring = np.asarray(a.cut_out.exterior.coords)
            side = Polygon(
                LineString(ring[i : i + 2]).buffer(0.2, single_sided=True)
                if a.cut_out.exterior.is_ccw is False
                else LineString(ring[i : i + 2]).buffer(-0.2, single_sided=True)
            )
            block = block.difference(trimesh.creation.extrude_polygon(side, 0.5))
    piece = trimesh.creation.extrude_polygon(a.piece, a.piece_depth_m)
    piece.apply_translation([0, 0, -a.out_m])
    rods = []
    for p in a.pins:
        back = (p.u_m, p.v_m, a.in_wall_m)
        piece = piece.difference(
            _cylinder(back, p.direction, -p.hole_piece_m, 0.002, p.piece_hole_m)
        )
        block = block.difference(
            _cylinder(back, p.direction, 0.0, p.gap_m + p.hole_wall_m, p.hole_m)
        )
        rods.append(_cylinder(back, p.direction, -p.into_piece_m, p.gap_m + p.embedment_m, p.rod_m))
    return block, piece, rods


def _strikes(a: Assembly) -> float:
    """Greatest volume in which the piece on its way runs into wall or rods, mm3, by meshes."""
    block, piece, rods = _meshes(a)
    worst = 0.0
    for share in (0.0, 0.3, 0.6, 0.9, 1.1):
        moved = piece.copy()
        moved.apply_translation(-np.array(a.way_in) * share * a.in_wall_m / a.way_in[2])
        for other in (block, *rods):
            worst = max(worst, float(moved.intersection(other).volume) * 1e9)
    return worst


@pytest.mark.parametrize(
    ("assembly", "goes"),
    [
        (made(RECTANGLE), True),
        (made(ELL), True),
        (made(SKEW, profile="inch"), True),
        (tilted(made(RECTANGLE)), False),
        (tilted(made(ELL)), False),
        (tilted(made(RECTANGLE), angle=15.0, turn=0.0), False),
        (tilted(made(RECTANGLE), angle=1.5, turn=0.0), True),
        (
            replace(
                tilted(made(RECTANGLE), turn=0.0),
                way_in=tilted(made(RECTANGLE), turn=0.0).pins[0].direction,
            ),
            False,
        ),
        (
            replace(
                tilted(made(RECTANGLE), angle=1.2, turn=0.0),
                way_in=tilted(made(RECTANGLE), angle=1.2, turn=0.0).pins[0].direction,
            ),
            True,
        ),
        (lowered(8.0, free_top=True), True),
        (lowered(8.0, free_top=False), False),
    ],
)
def test_meshes_agree_on_what_can_be_pushed_on(assembly, goes):
    moving = [
        f
        for f in replay(assembly, settings=PROFILES["metric"]).faults
        if "misses its hole" in f.problem or f.about == "way in"
    ]
    assert (not moving) == goes
    assert (_strikes(assembly) < 1.0) == goes


@pytest.mark.parametrize("outline", [RECTANGLE, ELL, SKEW])
def test_volumes_are_those_of_the_meshes(outline):
    a = replace(made(outline), groove_depth_m=0.0, undercut_deg=0.0)
    block, piece, rods = _meshes(a)
    v = a.volumes()
    sector = math.pi * 4 / (64 * math.sin(2 * math.pi / 64) * 2)
    # a mesh of 64 sides holds a little less than the round hole
    holes = sum(p.piece_hole_m**2 * math.pi / 4 * p.hole_piece_m for p in a.pins)
    proud = a.piece.area * a.out_m
    assert float(piece.volume) == pytest.approx(
        v.piece_m3 + proud + holes * (1 - 1 / sector), rel=2e-4
    )
    assert sum(float(r.volume) for r in rods) * sector == pytest.approx(v.rods_m3, rel=1e-3)
    outer = shapely.area(a.cut_out.buffer(0.08, join_style="mitre")) * 0.25
    assert outer - float(block.volume) == pytest.approx(
        v.cut_out_m3 + v.holes_wall_m3 / sector, rel=1e-3
    )
    assert v.room_m3 > 0


@pytest.mark.parametrize("outline", [RECTANGLE, ELL, SKEW])
def test_leaning_sides_and_eased_edges_are_exact(outline):
    """Two thousand layers, their outlines moved by shapely, add up to the volumes told."""
    a = replace(made(outline), groove_depth_m=0.0, eased_edge_m=0.004, undercut_deg=4.0, pins=())
    z = (np.arange(2000) + 0.5) / 2000
    lean = math.tan(math.radians(4.0))
    cut = [a.cut_out.buffer(t * a.cut_depth_m * lean, join_style="mitre").area for t in z]
    assert a.volumes().cut_out_m3 == pytest.approx(np.mean(cut) * a.cut_depth_m, rel=1e-6)
    eased = [a.piece.area - a.piece.buffer(-t * 0.004, join_style="mitre").area for t in z]
    assert a.volumes().eased_m3 == pytest.approx(np.mean(eased) * 0.004, rel=1e-5)
    # one leaning side alone, whichever way round the outline is drawn
    for ring in (
        np.asarray(a.cut_out.exterior.coords),
        np.asarray(a.cut_out.exterior.coords)[::-1],
    ):
        names = edge_names(ring[:-1])
        one = replace(
            a, cut_out=Polygon(ring), kinds=tuple("inset" if n == "top" else "joint" for n in names)
        )
        length = float(np.hypot(*(ring[names.index("top") + 1] - ring[names.index("top")])))
        more = one.volumes().cut_out_m3 - a.cut_out.area * a.cut_depth_m
        assert more == pytest.approx(length * lean * a.cut_depth_m**2 / 2, rel=0.02)


def test_three_hundred_pieces_are_gone_through_in_a_moment():
    s = PROFILES["metric"]
    pieces = [made(o) for o in (RECTANGLE, ELL, SKEW)] * 100
    start = time.process_time()
    assert all(replay(a, settings=s).passed for a in pieces)
    # of the three seconds that assembly and sawing have together
    assert time.process_time() - start < 1.5
