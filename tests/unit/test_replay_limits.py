"""The replay of a setting on both sides of each of its limits, by the smallest amounts that count."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from shapely.geometry import Polygon, box

from facademap.io.rule_files import load_profile
from facademap.repair.assembly import Assembly
from facademap.repair.pins import Pin
from facademap.repair.replay import WAY_CLEAR_M, replay

S = load_profile("metric")
#: Limits are held to this.
HAIR_M = 2e-5
PIN = Pin(
    u_m=0.15,
    v_m=0.1,
    angle_deg=0.0,
    turn_deg=0.0,
    rod_m=0.006,
    hole_m=0.009,
    embedment_m=0.05,
    into_piece_m=0.03,
    hole_wall_m=0.053,
    hole_piece_m=0.033,
    grade="316 (1.4401)",
    gap_m=S.bedding_m,
)


def assembly(*pins: Pin, joint_m: float = 0.003, **change: object) -> Assembly:
    """A piece of 300 x 200 mm, 60 mm in the wall, with these pins or one in its middle."""
    piece = box(0, 0, 0.3, 0.2)
    made = Assembly(
        repair="R-1",
        piece_id="P-1",
        cut_out=box(-joint_m, -joint_m, 0.3 + joint_m, 0.2 + joint_m),
        piece=piece,
        joints_m=(joint_m,) * 4,
        kinds=("inset",) * 4,
        cut_depth_m=0.06 + S.bedding_m,
        piece_depth_m=0.06 + S.proud_m,
        bedding_m=S.bedding_m,
        out_m=S.proud_m,
        proud_m=S.proud_m,
        pins=pins or (PIN,),
    )
    return replace(made, **change)  # type: ignore[arg-type]


def faults(a: Assembly) -> list[str]:
    return [f.sentence for f in replay(a, settings=S).faults]


def test_the_plain_case_passes_and_tells_its_rooms() -> None:
    found = replay(assembly(), settings=S)
    assert found.passed, found.faults
    assert found.way_clear_m == pytest.approx(0.003)
    assert found.rod_clear_m == pytest.approx(0.0015)
    assert found.cover_m == pytest.approx(0.06 - 0.033)
    assert found.edge_m == pytest.approx(0.1)


LEAST_EMBEDMENT = max(S.embedment_m, S.embedment_rods * PIN.rod_m)
#: Column of the pin, the value at its limit, which way is too far, and what is said.
PIN_LIMITS = [
    ("hole_m", PIN.rod_m + S.hole_clearance_m, -1, "in the wall for a rod"),
    ("bore_piece_m", PIN.rod_m + S.hole_clearance_m, -1, "in the piece for a rod"),
    ("embedment_m", PIN.hole_wall_m, +1, "stands on the end of the hole"),
    ("into_piece_m", PIN.hole_piece_m, +1, "stands on the end of the hole"),
    ("embedment_m", LEAST_EMBEDMENT, -1, "of rod in the wall"),
    ("into_piece_m", S.into_piece_minimum_m, -1, "of rod in the piece"),
    ("hole_piece_m", 0.06 - S.cover_m, +1, "the stone before its hole"),
    ("u_m", S.edge_distance_holes * PIN.hole_m, -1, "from an edge of the piece"),
    ("v_m", 0.2 - S.edge_distance_holes * PIN.hole_m, +1, "from an edge of the piece"),
]


@pytest.mark.parametrize(("column", "limit", "way", "words"), PIN_LIMITS)
def test_a_pin_is_right_up_to_its_limit_and_wrong_beyond(column, limit, way, words) -> None:
    at = replace(PIN, **{column: limit + way * 0.5 * HAIR_M})
    over = replace(PIN, **{column: limit + way * 2.5 * HAIR_M})
    assert not [f for f in faults(assembly(at)) if words in f]
    assert [f for f in faults(assembly(over)) if words in f], faults(assembly(over))


@pytest.mark.parametrize(("over_m", "right"), [(0.5 * HAIR_M, True), (2.5 * HAIR_M, False)])
def test_stone_stays_behind_the_hole_in_the_wall(over_m, right) -> None:
    backing = PIN.hole_wall_m + S.cover_m - over_m
    assert (not faults(assembly(backing_m=backing))) is right


@pytest.mark.parametrize(("over_m", "right"), [(0.5 * HAIR_M, True), (2.5 * HAIR_M, False)])
def test_the_hole_in_the_wall_keeps_off_the_joint_of_its_stone(over_m, right) -> None:
    least = S.edge_distance_holes * PIN.hole_m
    host = box(PIN.u_m - least + over_m, -1, 1, 1)
    assert (not faults(assembly(host=host))) is right


def test_a_sloped_hole_is_looked_at_where_it_ends_in_the_wall() -> None:
    """It sets out well within its stone and ends 2 mm too near to the joint below."""
    sloped = replace(
        PIN, angle_deg=10.0, fixing="through face", hole_piece_m=0.07, into_piece_m=0.04
    )
    length = (sloped.gap_m + sloped.hole_wall_m) * -sloped.direction[1]
    least = S.edge_distance_holes * PIN.hole_m
    for spare, right in ((0.0005, True), (-0.0005, False)):
        host = box(-1, sloped.v_m - length - least - spare, 1, 1)
        said = [f for f in faults(assembly(sloped, host=host)) if "joint of the wall stone" in f]
        assert (not said) is right


@pytest.mark.parametrize(("over_m", "right"), [(0.5 * HAIR_M, True), (2.5 * HAIR_M, False)])
def test_two_holes_keep_off_each_other(over_m, right) -> None:
    second = replace(PIN, u_m=PIN.u_m + S.edge_distance_holes * PIN.hole_m - over_m)
    said = [f for f in faults(assembly(PIN, second)) if "come within" in f]
    assert (not said) is right


@pytest.mark.parametrize("deep_m", [0.02, 0.03])
@pytest.mark.parametrize(("share", "right"), [(1.0, True), (1.03, False)])
def test_a_rod_out_of_line_fits_as_far_as_its_hole_is_wide(deep_m, share, right) -> None:
    """By hand: the end of the rod stands deep x tan(angle) aside when the piece meets it, 1.5 mm are free."""
    angle = math.degrees(math.atan(share * 0.0015 / deep_m))
    pin = replace(PIN, angle_deg=angle, into_piece_m=deep_m)
    said = [f for f in faults(assembly(pin)) if "misses its hole" in f]
    assert (not said) is right


@pytest.mark.parametrize(("over_m", "right"), [(0.5 * HAIR_M, True), (2.5 * HAIR_M, False)])
def test_a_joint_is_as_wide_as_mortar_needs(over_m, right) -> None:
    said = [
        f for f in faults(assembly(joint_m=S.joint_minimum_m - over_m)) if "too thin to be" in f
    ]
    assert (not said) is right


@pytest.mark.parametrize(
    ("side", "right_deg", "down_deg"),
    [("top", 0, 1), ("bottom", 0, -1), ("right", -1, 0), ("left", 1, 0)],
)
@pytest.mark.parametrize("joint_m", [0.003, 0.03])
@pytest.mark.parametrize(("share", "goes"), [(0.98, True), (1.02, False)])
def test_a_slope_goes_as_far_as_the_joint_behind_it_and_strikes_that_side(
    side, right_deg, down_deg, joint_m, share, goes
) -> None:
    """A piece that comes from above strikes the top: the whole depth of the piece times the slope is what it takes."""
    room = joint_m - WAY_CLEAR_M
    slope = math.degrees(math.atan(share * room / (0.06 + S.proud_m)))
    pin = replace(PIN, angle_deg=slope * down_deg, turn_deg=slope * right_deg)
    # the side away from it is free, so that only the side that is struck bounds the slope
    away = {"top": "bottom", "bottom": "top", "right": "left", "left": "right"}[side]
    made = assembly(pin, joint_m=joint_m, way_in=pin.direction)
    made = replace(made, kinds=tuple("exposed" if n == away else "inset" for n in made.names))
    found = replay(made, settings=S)
    said = [f for f in found.faults if f.about == "way in"]
    assert (not said) is goes
    assert found.way_clear_m == pytest.approx(joint_m - share * room, abs=1e-5)
    if said:
        assert side in said[0].problem
        most = math.degrees(math.atan(room / (0.06 + S.proud_m)))
        assert f"The joints allow {most:.1f} degrees" in said[0].remedy


def test_where_both_struck_sides_are_free_the_room_is_that_at_the_seat() -> None:
    pin = replace(PIN, angle_deg=5.0, turn_deg=5.0)
    made = assembly(pin, way_in=pin.direction)
    free = tuple("exposed" if n in ("top", "left") else "inset" for n in made.names)
    assert replay(replace(made, kinds=free), settings=S).way_clear_m == pytest.approx(0.003)


def test_the_narrow_end_of_a_joint_counts() -> None:
    """A piece that tapers by 1 mm to the top: its right joint is 2 mm at one end, and a slope to the left needs that."""
    taper = Polygon([(0, 0), (0.301, 0), (0.3, 0.2), (0, 0.2)])
    turn = math.degrees(math.atan(0.0014 / (0.06 + S.proud_m)))
    for share, goes in ((1.0, True), (1.2, False)):
        pin = replace(PIN, turn_deg=-turn * share)
        found = replay(assembly(pin, piece=taper, way_in=pin.direction), settings=S)
        said = [f for f in found.faults if f.about == "way in"]
        assert (not said) is goes
        assert found.way_clear_m == pytest.approx(0.002 - 0.0014 * share, abs=1e-4)
        if said:
            most = math.degrees(math.atan(0.0015 / (0.06 + S.proud_m)))
            assert f"allow {most:.1f} degrees" in said[0].remedy


@pytest.mark.parametrize(
    ("rod_deg", "way_deg", "miss_m"),
    [
        (20.0, 0.0, 0.03 * math.cos(math.radians(20)) * math.sin(math.radians(20))),
        (0.0, 20.0, 0.03 * math.tan(math.radians(20))),
        (20.0, 20.0, 0.0),
    ],
)
def test_how_far_a_rod_misses_its_hole_by_hand(rod_deg, way_deg, miss_m) -> None:
    """The back of the piece meets the end of the rod when it is as far away along its way as the rod reaches out."""
    pin = replace(PIN, angle_deg=rod_deg)
    way = replace(PIN, angle_deg=way_deg).direction
    found = replay(assembly(pin, way_in=way, kinds=("exposed",) * 4), settings=S)
    assert found.rod_clear_m == pytest.approx(0.0015 - miss_m, abs=1e-9)


def test_a_rod_drilled_through_the_face_has_its_plug_and_reaches_the_face() -> None:
    most = 0.06 - S.cover_m
    for into, right in ((most + 0.5 * HAIR_M, True), (most + 2.5 * HAIR_M, False)):
        pin = replace(PIN, fixing="through face", hole_piece_m=0.06, into_piece_m=into)
        assert (not [f for f in faults(assembly(pin)) if "plug" in f]) is right
    for hole, right in ((0.06 - 0.5 * HAIR_M, True), (0.06 - 2.5 * HAIR_M, False)):
        pin = replace(PIN, fixing="through face", hole_piece_m=hole)
        assert (not [f for f in faults(assembly(pin)) if "does not reach the face" in f]) is right


def test_a_sloped_rod_through_the_face_is_longer_than_the_stone_it_crosses() -> None:
    """By hand: a depth takes its length over the cosine of the tilt."""
    leaning = replace(PIN, angle_deg=15.0, turn_deg=15.0, fixing="through face")
    cosine = 1 / math.sqrt(1 + 2 * math.tan(math.radians(15.0)) ** 2)
    for over, right in ((-0.0001, True), (0.0001, False)):
        pin = replace(
            leaning, hole_piece_m=0.06 / cosine, into_piece_m=(0.06 - S.cover_m) / cosine + over
        )
        assert (not [f for f in faults(assembly(pin)) if "plug" in f]) is right
        pin = replace(leaning, hole_piece_m=0.06 / cosine - over)
        assert (not [f for f in faults(assembly(pin)) if "does not reach the face" in f]) is right


def test_a_tilted_hole_comes_nearer_to_the_face_by_half_its_width() -> None:
    """Its rim, not its axis, keeps the cover: by hand, depth x cos + half the hole x sin."""
    angle = math.radians(20.0)
    deep = (0.06 - S.cover_m - PIN.hole_m / 2 * math.sin(angle)) / math.cos(angle)
    for over, right in ((-0.0001, True), (0.0001, False)):
        pin = replace(PIN, angle_deg=20.0, hole_piece_m=deep + over, into_piece_m=0.02)
        said = [f for f in faults(assembly(pin)) if "stone before its hole" in f]
        assert (not said) is right


def test_a_pin_beside_its_piece_and_a_way_that_leads_nowhere_are_named() -> None:
    beside = replace(PIN, u_m=-0.02)
    assert any("does not lie in the piece" in f for f in faults(assembly(beside)))
    for way in ((0.0, 0.0, -1.0), (0.0, 0.0, 0.5), (1.0, 0.0, 0.0)):
        assert any("does not lead into the wall" in f for f in faults(assembly(way_in=way)))
    # where every side is free nothing is struck
    free = assembly(kinds=("exposed",) * 4, joint_m=0.003)
    assert math.isinf(replay(free, settings=S).way_clear_m)


def test_a_sloped_hole_keeps_its_edge_where_it_ends_in_the_piece() -> None:
    """A rod that leans down into the wall rises in the piece: by hand, sine of the slope times the depth drilled."""
    rises = PIN.hole_piece_m * math.sin(math.radians(20.0))
    least = S.edge_distance_holes * PIN.hole_m
    for over, right in ((-0.0001, True), (0.0001, False)):
        pin = replace(PIN, angle_deg=20.0, v_m=0.2 - least - rises + over)
        found = replay(assembly(pin), settings=S)
        assert (not [f for f in found.faults if "from an edge" in f.problem]) is right
        assert found.edge_m == pytest.approx(least - over, abs=1e-9)
    # its end comes out of the side of the piece although it begins within
    out = replay(assembly(replace(PIN, angle_deg=20.0, v_m=0.195)), settings=S)
    assert any("from end to end" in f.problem for f in out.faults)
    assert out.edge_m == 0.0


def test_an_eased_back_edge_keeps_off_the_hole() -> None:
    wide = replace(PIN, u_m=0.019)
    assert not [f for f in faults(assembly(wide, eased_edge_m=0.0144)) if "from an edge" in f]
    assert [f for f in faults(assembly(wide, eased_edge_m=0.0146)) if "from an edge" in f]


def test_a_resin_rod_needs_less_room_and_says_how_to_get_it() -> None:
    for hole, right in ((0.0075, True), (0.0074, False)):
        pin = replace(PIN, fixing="resin", hole_m=hole)
        assert (not [f for f in faults(assembly(pin)) if "leaves no room" in f]) is right
    sloped = replace(PIN, fixing="resin", angle_deg=15.0)
    assert any("widen the hole in the piece" in f for f in faults(assembly(sloped)))
    assert isinstance(assembly().piece, Polygon)


def slanted(turn_deg: float, **change: object) -> Pin:
    """A rod that leans to the right (or left) as it goes into the wall."""
    return replace(PIN, turn_deg=turn_deg, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize("turn_deg", [20.0, -20.0])
def test_a_hole_that_leans_sideways_keeps_its_edge_where_it_ends_in_the_piece(turn_deg) -> None:
    """It leans to the right into the wall, so that it ends further left in the piece; by hand."""
    aside = PIN.hole_piece_m * math.sin(math.radians(20.0))
    least = S.edge_distance_holes * PIN.hole_m
    for over, right in ((-0.0001, True), (0.0001, False)):
        from_edge = least + aside - over
        u_m = from_edge if turn_deg > 0 else 0.3 - from_edge
        found = replay(assembly(slanted(turn_deg, u_m=u_m)), settings=S)
        assert (not [f for f in found.faults if "from an edge" in f.problem]) is right
        assert found.edge_m == pytest.approx(least - over, abs=1e-9)


@pytest.mark.parametrize(("over_m", "right"), [(-0.0001, True), (0.0001, False)])
def test_a_slanted_hole_reaches_less_deep_into_the_wall(over_m, right) -> None:
    deep = PIN.hole_wall_m * math.cos(math.radians(30.0))
    a = assembly(replace(PIN, angle_deg=30.0), backing_m=deep + S.cover_m - over_m)
    said = [f for f in faults(a) if "of stone behind it" in f]
    assert (not said) is right


@pytest.mark.parametrize("turn_deg", [25.0, -25.0])
@pytest.mark.parametrize(("spare_m", "right"), [(0.0001, True), (-0.0001, False)])
def test_a_hole_that_leans_sideways_keeps_off_the_joint_where_it_ends(
    turn_deg, spare_m, right
) -> None:
    aside = (PIN.gap_m + PIN.hole_wall_m) * math.sin(math.radians(25.0))
    reach = aside + S.edge_distance_holes * PIN.hole_m + spare_m
    host = box(-1, -1, PIN.u_m + reach, 1) if turn_deg > 0 else box(PIN.u_m - reach, -1, 1, 1)
    said = [f for f in faults(assembly(slanted(turn_deg), host=host)) if "joint of the wall" in f]
    assert (not said) is right


def test_a_hole_that_ends_in_the_next_stone_is_told_however_far_from_the_joint() -> None:
    least = S.edge_distance_holes * PIN.hole_m
    deep = slanted(60.0, hole_wall_m=0.2)
    assert (deep.gap_m + deep.hole_wall_m) * math.sin(math.radians(60.0)) > 2.1 * least
    host = box(-1, -1, PIN.u_m + 1.05 * least, 1)
    assert any("joint of the wall" in f for f in faults(assembly(deep, host=host)))


@pytest.mark.parametrize("way", ["turn_deg", "angle_deg"])
@pytest.mark.parametrize("meet_in", ["wall", "piece"])
@pytest.mark.parametrize(("spare_m", "right"), [(0.0001, True), (-0.0001, False)])
def test_two_slanted_holes_keep_off_each_other_where_they_end(way, meet_in, spare_m, right) -> None:
    """Holes that lean towards one another meet in the wall, those that lean apart in the piece; by hand."""
    reach = PIN.gap_m + PIN.hole_wall_m if meet_in == "wall" else PIN.hole_piece_m
    apart = 2 * reach * math.sin(math.radians(8.0)) + S.edge_distance_holes * PIN.hole_m + spare_m
    lean = 8.0 if meet_in == "wall" else -8.0
    if way == "turn_deg":
        one, two = slanted(lean), slanted(-lean, u_m=PIN.u_m + apart)
    else:  # a rod leans down by its angle
        one = replace(PIN, angle_deg=-lean, v_m=0.08)
        two = replace(PIN, angle_deg=lean, v_m=0.08 + apart)
    said = [f for f in faults(assembly(one, two)) if "come within" in f]
    assert (not said) is right, said


@pytest.mark.parametrize("first", [True, False])
def test_of_two_holes_the_wider_says_how_far_they_are_apart(first) -> None:
    wide = replace(PIN, bore_piece_m=0.014)
    for over_m, right in ((-0.0001, True), (0.0001, False)):
        u_m = PIN.u_m + S.edge_distance_holes * 0.014 - over_m
        pins = (wide, replace(PIN, u_m=u_m)) if first else (PIN, replace(wide, u_m=u_m))
        said = [f for f in faults(assembly(*pins)) if "come within" in f]
        assert (not said) is right
