"""Laws of setting out that hold for any damage in any wall: covered, inside, square, no slivers, pieces plus joints exact."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon, box

from facademap.io.rule_files import load_profile
from facademap.repair.cutouts import Need, set_out
from facademap.repair.mortar import mortar_volumes
from facademap.repair.offsets import offset_edges
from facademap.repair.pieces import design_pieces, groove_length
from facademap.repair.planning import plan_cut_outs
from facademap.repair.stonework import Stonework
from facademap.tables import CONDITIONS, OPENINGS, WALL_STONES

PROFILES = {name: load_profile(name) for name in ("metric", "inch")}
QUICK = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def wall(
    joint_m: float, widths: list[float], height_m: float = 0.3, courses: int = 2
) -> gpd.GeoDataFrame:
    """A coursed wall with open joints of one width, every second course shifted by half a stone."""
    rows = []
    for course in range(courses):
        u = -0.1 if course % 2 else 0.0
        for number, width in enumerate(widths):
            v = course * (height_m + joint_m)
            rows.append(
                {
                    "id": f"S-{course}-{number}",
                    "surface": "A",
                    "course": course,
                    "number": number,
                    "bed": "horizontal",
                    "kind": "sedimentary",
                    "stone_type": "sandstone",
                    "depth_m": 0.25,
                    "geometry": box(u, v, u + width, v + height_m),
                }
            )
            u += width + joint_m
    return WALL_STONES.check(gpd.GeoDataFrame(rows, geometry="geometry"))


def conditions(shapes: list, depths: list[float | None]) -> gpd.GeoDataFrame:
    rows = [
        {"id": f"C-{i}", "surface": "A", "term": "alveolization", "depth_m": d, "geometry": s}
        for i, (s, d) in enumerate(zip(shapes, depths, strict=True), start=1)
    ]
    return CONDITIONS.check(gpd.GeoDataFrame(rows, geometry="geometry"))


@st.composite
def damage(draw, extent: tuple[float, float] = (1.2, 0.55)):
    u, v = draw(st.floats(0.02, extent[0])), draw(st.floats(0.02, extent[1]))
    kind = draw(st.sampled_from(["round", "box", "sharp", "line", "point"]))
    r = draw(st.floats(0.01, 0.14))
    if kind == "point":
        return Point(u, v)
    if kind == "line":
        return LineString([(u, v), (u + r, v + draw(st.floats(-0.1, 0.1)))])
    if kind == "round":
        return Point(u, v).buffer(r, quad_segs=4)
    if kind == "box":
        return box(u, v, u + r, v + r * draw(st.floats(0.2, 2.0)))
    return Polygon([(u, v), (u + r, v + r / 5), (u + r / 6, v + r)])


WALLS = st.tuples(
    st.sampled_from([0.002, 0.003, 0.006, 0.012]),
    st.lists(st.floats(0.2, 0.7), min_size=2, max_size=3),
)


@pytest.mark.parametrize("profile", ["metric", "inch"])
@QUICK
@given(
    WALLS,
    st.lists(damage(), min_size=1, max_size=4),
    st.lists(st.sampled_from([None, 0.01, 0.03, 0.06]), min_size=4, max_size=4),
)
def test_every_cut_out_keeps_the_laws(profile, shape, found, depths):
    s = PROFILES[profile]
    stones = wall(*shape)
    seen = conditions(found, depths[: len(found)])
    repairs, gaps = plan_cut_outs(seen, stones, OPENINGS.empty(), settings=s)
    outlines = {str(i): g for i, g in zip(stones["id"], stones.geometry, strict=True)}
    damages = {
        str(i): (g, d) for i, g, d in zip(seen["id"], seen.geometry, seen["depth_m"], strict=True)
    }
    cut_in: dict[str, list] = {}
    for r in repairs.itertuples():
        stone, cut = outlines[r.wall_stone], r.geometry
        inside = shapely.intersection(cut, stone)
        cut_in.setdefault(r.wall_stone, []).append(inside)
        # never into another stone; beyond its own outline only through the mortar of its joints
        assert all(
            shapely.intersection(cut, g).area < 1e-9
            for i, g in outlines.items()
            if i != r.wall_stone
        )
        assert (
            cut.difference(
                stone.buffer(max(shape[0], s.joint_existing_m) + 1e-6, join_style="mitre")
            ).area
            < 1e-9
        )
        # rectilinear
        ring = np.asarray(cut.exterior.coords)
        steps = np.abs(np.diff(ring, axis=0))
        assert (np.minimum(steps[:, 0], steps[:, 1]) < 1e-9).all()
        assert len(ring) - 1 in (4, 6)
        # deep enough, even, and not deeper than the stone
        known = [damages[c][1] for c in r.conditions if not math.isnan(damages[c][1])]
        least = max([s.depth_minimum_m, *(d + s.margin_depth_m for d in known)])
        assert r.depth_m >= min(least, 0.25) - 1e-9
        assert r.depth_m <= 0.25 + 1e-9
        # one joint an edge
        assert len(r.edges) == len(r.edge_kinds) == len(ring) - 1
        # what is taken out is counted
        assert r.removed_area_m2 == pytest.approx(inside.area, abs=1e-9)
        assert r.removed_volume_m3 == pytest.approx(inside.area * r.depth_m, abs=1e-9)
    for r in repairs.itertuples():
        stone = outlines[r.wall_stone]
        taken = shapely.union_all(cut_in[r.wall_stone])
        for c in r.conditions:
            wanted = shapely.intersection(
                damages[c][0].intersection(stone).buffer(s.margin_m), stone
            )
            assert wanted.difference(taken.buffer(1e-7)).area < 1e-9
        # no strip of stone narrower than the setting stays beside it: opening the rest by half a strip loses nothing
        rest = stone.difference(taken.buffer(1e-9, join_style="mitre"))
        opened = rest.buffer(-(s.strip_minimum_m / 2 - 2e-4), join_style="mitre").buffer(
            s.strip_minimum_m / 2 - 2e-4, join_style="mitre"
        )
        assert rest.difference(opened.buffer(1e-6)).area < 1e-7
    answered = {c for r in repairs.itertuples() for c in r.conditions}
    for c in seen["id"]:
        touches = any(shapely.intersection(damages[c][0], g).area > 1e-3 for g in outlines.values())
        assert c in answered or not touches or any(g.about == c for g in gaps)


@pytest.mark.parametrize("profile", ["metric", "inch"])
@QUICK
@given(WALLS, st.lists(damage(), min_size=1, max_size=3))
def test_piece_plus_joints_is_the_cut_out_and_mortar_is_the_volume(profile, shape, found):
    s = PROFILES[profile]
    stones = wall(*shape)
    repairs, _ = plan_cut_outs(
        conditions(found, [0.03] * len(found)), stones, OPENINGS.empty(), settings=s
    )
    design = design_pieces(repairs, stones, settings=s)
    by_repair = {p.repair: p for p in design.pieces.itertuples()}
    for r in design.repairs.itertuples():
        if r.id not in by_repair:
            assert any(g.about == r.id for g in design.gaps)
            continue
        piece = by_repair[r.id]
        ring = np.asarray(r.geometry.exterior.coords)[:-1]
        grown = offset_edges(np.asarray(piece.geometry.exterior.coords)[:-1], [-e for e in r.edges])
        assert np.abs(np.asarray(grown.exterior.coords)[:-1] - ring).max() < 1e-9
        assert r.geometry.buffer(1e-9).covers(piece.geometry)
        assert piece.depth_m == pytest.approx(r.depth_m - s.bedding_m + s.proud_m, abs=1e-12)
        # mortar by another way: prism of the void less prism of the stone in it, less the rods
        m = r.materials["mortar"]
        void = r.geometry.area * r.depth_m
        body = piece.geometry.area * (r.depth_m - s.bedding_m)
        assert m["bed_m3"] + m["joints_m3"] == pytest.approx(void - body, abs=1e-6)
        annuli = sum(
            math.pi
            * (
                (p["hole_m"] / 2) ** 2 * (p["hole_wall_m"] + p["hole_piece_m"])
                - (p["rod_m"] / 2) ** 2 * (p["embedment_m"] + p["into_piece_m"])
            )
            for p in r.pins
        )
        assert m["holes_m3"] == pytest.approx(annuli, abs=1e-6)
        assert m["total_m3"] >= m["in_place_m3"] >= m["bed_m3"]


@pytest.mark.parametrize("profile", ["metric", "inch"])
@QUICK
@given(WALLS, st.lists(damage(), min_size=1, max_size=3))
def test_pins_keep_their_distances_or_say_what_they_do_not_keep(profile, shape, found):
    s = PROFILES[profile]
    stones = wall(*shape)
    repairs, _ = plan_cut_outs(
        conditions(found, [0.03] * len(found)), stones, OPENINGS.empty(), settings=s
    )
    design = design_pieces(repairs, stones, settings=s)
    pieces = {p.repair: p for p in design.pieces.itertuples()}
    for r in design.repairs.itertuples():
        said = r.materials["pins"]["faults"] + r.materials["pins"]["notes"]
        for k, p in enumerate(r.pins):
            edge = pieces[r.id].geometry.exterior.distance(Point(p["u_m"], p["v_m"]))
            assert pieces[r.id].geometry.contains(Point(p["u_m"], p["v_m"]))
            wanted = max(s.edge_distance_m, s.edge_distance_rods * p["rod_m"])
            if len(r.pins) > 1:
                assert edge >= wanted - 2e-5 or any("edge" in x for x in said)
            assert (
                edge >= s.edge_distance_holes * p["hole_m"] - 2e-5 or r.materials["pins"]["faults"]
            )
            assert p["hole_m"] == pytest.approx(p["rod_m"] + s.hole_clearance_m)
            assert p["embedment_m"] >= max(s.embedment_m, s.embedment_rods * p["rod_m"]) - 1e-9
            in_wall = pieces[r.id].depth_m - s.proud_m
            slope = math.radians(p["angle_deg"])
            deepest = p["hole_piece_m"] * math.cos(slope) + p["hole_m"] / 2 * math.sin(slope)
            assert in_wall - deepest >= s.cover_m - 1e-6
            for q in r.pins[:k]:
                apart = math.dist((p["u_m"], p["v_m"]), (q["u_m"], q["v_m"]))
                assert (
                    apart
                    >= min(s.pin_spacing_minimum_m, r.materials["pins"]["edge_distance_m"]) - 1e-6
                )


@QUICK
@given(st.lists(damage((0.55, 0.28)), min_size=1, max_size=3), st.floats(0.0, 0.02))
def test_more_damage_never_takes_out_less(found, extra):
    s = PROFILES["metric"].with_values(
        {"l_shape_waste": 1.0, "insets_a_stone": 1.0}, source="test: rectangles, one a stone"
    )
    stone = Stonework.from_frames(wall(0.004, [0.6], courses=1), OPENINGS.empty()).stones["S-0-0"]
    small = [Need(condition=str(i), shape=g, depth_m=0.03) for i, g in enumerate(found)]
    large = [
        Need(condition=n.condition, shape=n.shape.buffer(0.005 + extra), depth_m=0.03)
        for n in small
    ]
    taken = [
        sum(c.outline.area for c in set_out(stone, needs, settings=s)) for needs in (small, large)
    ]
    assert taken[1] >= taken[0] - 1e-9


@QUICK
@given(st.floats(-3, 3), st.floats(0, 3), st.lists(damage((0.55, 0.28)), min_size=1, max_size=3))
@example(
    0.0075,
    0.0,
    [
        Point(0.25, 0.125).buffer(0.0625, quad_segs=4),
        Point(0.484, 0.25).buffer(0.012, quad_segs=4),
        box(0.42, 0.03125, 0.545, 0.0625),
    ],
)  # damage ends where the search for an L has one of its steps
def test_moving_the_wall_moves_the_plan(du, dv, found):
    s = PROFILES["metric"].with_values({"set_out_step_m": 0.0}, source="test")
    stones = wall(0.004, [0.6, 0.5])
    here, _ = plan_cut_outs(
        conditions(found, [0.03] * len(found)), stones, OPENINGS.empty(), settings=s
    )
    moved = stones.set_geometry(stones.geometry.translate(du, dv))
    there, _ = plan_cut_outs(
        conditions(
            [shapely.transform(f, lambda x: x + np.array([du, dv])) for f in found],
            [0.03] * len(found),
        ),
        moved,
        OPENINGS.empty(),
        settings=s,
    )
    assert sorted(round(a, 6) for a in here.geometry.area) == pytest.approx(
        sorted(round(a, 6) for a in there.geometry.area), abs=2e-6
    )


def test_mortar_of_an_l_against_a_count_of_small_cubes():
    """Solid geometry by counting cells of a fine grid, sharing no formula with the code."""
    s = PROFILES["metric"].with_values({"undercut_deg": 0.0, "groove_width_m": 0.0}, source="test")
    cut = Polygon([(0, 0), (0.3, 0), (0.3, 0.1), (0.12, 0.1), (0.12, 0.24), (0, 0.24)])
    piece = offset_edges(
        np.asarray(cut.exterior.coords)[:-1], [0.004, 0.002, 0.002, 0.002, 0.002, 0.004]
    )
    volumes = mortar_volumes(cut, piece, cut_depth_m=0.06, pins=(), settings=s)
    step = 0.001
    u, v = np.meshgrid(np.arange(step / 2, 0.3, step), np.arange(step / 2, 0.24, step))
    in_cut = shapely.contains_xy(cut, u, v).sum()
    in_piece = shapely.contains_xy(piece, u, v).sum()
    cells = in_cut * 60 - in_piece * 57  # layers of 1 mm: 60 in the cut-out, 57 in the piece
    assert volumes.bed_m3 + volumes.joints_m3 == pytest.approx(cells * step**3, abs=1e-9)
    assert groove_length(piece, s) == 0.0
