"""The desk's geometry against Shapely (GEOS) on random shapes: areas, lengths, splits, joins, cuts, crossings, neighbours."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import shapely.ops
from shapely.geometry import mapping, shape

sys.path.insert(0, str(Path(__file__).parents[1]))
from script import FRONTEND, node

#: What is reckoned is exact; stored are whole micrometres, and an area may differ by its outline times half of that.
GRID_M = 1e-6
EXACT_M2 = 1e-9
COUNT = 200

PROGRAM = """
import * as shapes from "./src/desk/geometry/shapes.js";
import { crossingsOf, untangled } from "./src/desk/geometry/crossings.js";
import { movedTogether } from "./src/desk/geometry/topology.js";
import { readFileSync } from "node:fs";

const asked = JSON.parse(readFileSync(0, "utf8"));
const acts = {
  area: ({ a }) => shapes.areaOf(a),
  length: ({ a }) => shapes.lengthOf(a),
  split: ({ a, line }) => shapes.split(a, line),
  union: ({ a, b }) => shapes.union([a, b]),
  subtract: ({ a, b }) => shapes.subtract(a, b),
  common: ({ a, b }) => shapes.common(a, b),
  stored: ({ a, b }) => shapes.storable(shapes.union([a, b])),
  fault: ({ a }) => shapes.faultOf(a),
  crossings: ({ ring }) => crossingsOf(ring),
  untangled: ({ ring }) => untangled(ring),
  // corners of a wall are moved and put in one after the other, each with what shares its joint
  play: ({ wall, moves, reach }) => {
    let now = wall;
    for (const { cell, corner, by, put } of moves) {
      const before = now[cell];
      const path = [0, corner];
      const [at, next] = [before.coordinates[0][corner], before.coordinates[0][corner + 1]];
      const middle = [(at[0] + next[0]) / 2 + by[0], (at[1] + next[1]) / 2 + by[1]];
      const wider = put ? shapes.withCornerAdded(before, path) : before;
      const after = shapes.withCorner(
        wider,
        put ? [0, corner + 1] : path,
        put ? middle : [at[0] + by[0], at[1] + by[1]],
      );
      const rounded = { ...after, coordinates: shapes.roundAll(after.coordinates) };
      const all = () => now.map((geometry, id) => ({ id, geometry }));
      now = now.map((o, i) => (i === cell ? rounded : o));
      for (const { id, geometry } of movedTogether([{ id: cell, before, after: rounded }], all, reach))
        now[id] = { ...geometry, coordinates: shapes.roundAll(geometry.coordinates) };
    }
    return now;
  },
};
process.stdout.write(JSON.stringify(asked.map(({ act, ...values }) => acts[act](values))));
"""


def desk(cases: list[dict[str, Any]]) -> list[Any]:
    """What the desk's own script answers."""
    if not node().is_file() or not (FRONTEND / "node_modules" / "polygon-clipping").is_dir():
        pytest.skip("no node, or no packages of the script, on this machine")
    bundle = FRONTEND / "node_modules" / ".bin" / "esbuild"
    made = subprocess.run(
        [str(bundle), "--bundle", "--platform=node", "--format=esm", "--log-level=error"],
        input=PROGRAM,
        cwd=FRONTEND,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    said = subprocess.run(
        [str(node()), "--input-type=module", "-e", made],
        input=json.dumps(cases),
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    ).stdout
    answers: list[Any] = json.loads(said)
    return answers


def on_grid(geometry: shapely.Geometry) -> shapely.Geometry:
    return shapely.transform(geometry, lambda c: np.round(c, 6))


def blobs(rng: np.random.Generator, n: int, *, holes: bool = False) -> list[shapely.Polygon]:
    """Star-shaped outlines, some with a hole, anywhere on a wall of 4 m."""
    made: list[shapely.Polygon] = []
    while len(made) < n:
        corners = int(rng.integers(3, 40))
        angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
        far = rng.uniform(0.2, 1.2, corners)
        centre = rng.uniform(0, 4, 2)
        ring = np.column_stack([np.cos(angle), np.sin(angle)]) * far[:, None] + centre
        whole = on_grid(shapely.Polygon(ring))
        if holes and whole.is_valid and rng.random() < 0.4:
            whole = on_grid(whole.difference(shapely.Point(centre).buffer(0.1, quad_segs=3)))
        if whole.geom_type == "Polygon" and whole.is_valid and whole.area > 1e-4:
            made.append(whole)
    return made


def plain(geometry: shapely.Geometry) -> dict[str, Any]:
    value: dict[str, Any] = json.loads(json.dumps(mapping(geometry)))
    return value


def tolerance(*geometries: shapely.Geometry) -> float:
    """Half a step of the grid along every outline that was rounded to it."""
    return EXACT_M2 + GRID_M * 0.71 * sum(g.length for g in geometries)


def test_areas_and_lengths_are_those_of_shapely() -> None:
    rng = np.random.default_rng(3)
    outlines = blobs(rng, COUNT, holes=True)
    lines = [shapely.LineString(rng.uniform(0, 5, (9, 2))) for _ in range(COUNT)]
    told = desk(
        [{"act": "area", "a": plain(a)} for a in outlines]
        + [{"act": "length", "a": plain(a)} for a in lines]
    )
    assert told[:COUNT] == pytest.approx([a.area for a in outlines], abs=EXACT_M2)
    assert told[COUNT:] == pytest.approx([a.length for a in lines], abs=1e-9)


@pytest.mark.parametrize(
    ("act", "twin"),
    [("union", "union"), ("subtract", "difference"), ("common", "intersection")],
)
def test_joins_and_cuts_are_those_of_shapely(act: str, twin: str) -> None:
    rng = np.random.default_rng(5)
    pairs = list(zip(blobs(rng, COUNT, holes=True), blobs(rng, COUNT), strict=True))
    answers = desk([{"act": act, "a": plain(a), "b": plain(b)} for a, b in pairs])
    for (a, b), answer in zip(pairs, answers, strict=True):
        truth = getattr(a, twin)(b)
        found = shape(answer) if answer else shapely.Polygon()
        assert found.area == pytest.approx(truth.area, abs=EXACT_M2)
        # not only as large: the same place
        assert found.symmetric_difference(truth).area <= EXACT_M2


def test_what_is_stored_of_a_join_lies_on_the_grid_and_differs_by_no_more_than_that() -> None:
    rng = np.random.default_rng(6)
    pairs = list(zip(blobs(rng, COUNT, holes=True), blobs(rng, COUNT), strict=True))
    answers = desk([{"act": "stored", "a": plain(a), "b": plain(b)} for a, b in pairs])
    for (a, b), answer in zip(pairs, answers, strict=True):
        found = shape(answer)
        assert np.array_equal(
            shapely.get_coordinates(found), shapely.get_coordinates(on_grid(found))
        )
        assert found.symmetric_difference(a.union(b)).area <= tolerance(a, b)


def knives(rng: np.random.Generator, outline: shapely.Polygon, kind: str) -> list[list[float]]:
    """A line across an outline, as a person draws one."""
    x0, y0, x1, y1 = outline.bounds
    if kind == "through corners":
        ring = np.asarray(outline.exterior.coords)[:-1]
        a, b = ring[rng.choice(len(ring), 2, replace=False)]
        return np.round([a - 3 * (b - a), a, b, b + 3 * (b - a)], 6).tolist()
    bends = {"straight": 2, "bent": 5, "crossing itself": 12, "too short": 3}[kind]
    x = np.sort(rng.uniform(x0, x1, bends))
    if kind == "crossing itself":
        x = rng.permutation(x)
    if kind != "too short":
        x[0], x[-1] = x0 - 0.1, x1 + 0.1
    return np.round(np.column_stack([x, rng.uniform(y0, y1, bends)]), 6).tolist()


@pytest.mark.parametrize(
    "kind", ["straight", "bent", "crossing itself", "too short", "through corners"]
)
def test_parts_of_a_split_are_those_of_shapely(kind: str) -> None:
    rng = np.random.default_rng(7)
    cases = [(a, knives(rng, a, kind)) for a in blobs(rng, COUNT, holes=True)]
    answers = desk([{"act": "split", "a": plain(a), "line": line} for a, line in cases])
    several = 0
    for (outline, line), answer in zip(cases, answers, strict=True):
        parts = [shape(p) for p in answer]
        assert all(p.is_valid for p in parts)
        several += len(parts) > 1
        assert sum(p.area for p in parts) == pytest.approx(outline.area, abs=EXACT_M2)
        whole = shapely.union_all(parts)
        assert whole.symmetric_difference(outline).area <= EXACT_M2
        # GEOS nodes all lines together and takes the areas between them
        net = shapely.node(shapely.union(outline.boundary, shapely.LineString(line)))
        truth = [
            p
            for p in shapely.ops.polygonize(shapely.get_parts(net))
            if outline.covers(p.representative_point())
        ]
        size = sorted(p.area for p in truth if p.area > EXACT_M2)
        assert sorted(p.area for p in parts if p.area > EXACT_M2) == pytest.approx(
            size, abs=EXACT_M2
        )
    assert several > COUNT / (20 if kind == "too short" else 2)


def test_what_crosses_itself_is_what_shapely_calls_not_simple() -> None:
    rng = np.random.default_rng(11)
    rings = [np.round(rng.uniform(0, 3, (int(rng.integers(4, 14)), 2)), 6) for _ in range(COUNT)]
    answers = desk(
        [{"act": "crossings", "ring": r.tolist()} for r in rings]
        + [{"act": "untangled", "ring": r.tolist()} for r in rings]
    )
    for ring, found, mended in zip(rings, answers[:COUNT], answers[COUNT:], strict=True):
        assert bool(found) is not shapely.LinearRing(ring).is_simple
        for place in found:
            assert shapely.LinearRing(ring).distance(shapely.Point(place)) < 1e-9
        assert shapely.Polygon(mended).is_valid
        assert sorted(map(tuple, mended)) == sorted(map(tuple, ring.tolist()))


def wall_of(rng: np.random.Generator, columns: int, rows: int) -> dict[tuple[int, int], Any]:
    """A planar partition: corners shared by up to four outlines."""
    at = {
        (i, j): np.round(
            [i * 0.6 + rng.uniform(-0.12, 0.12), j * 0.3 + rng.uniform(-0.06, 0.06)], 6
        )
        for i in range(columns + 1)
        for j in range(rows + 1)
    }
    return {
        (i, j): shapely.Polygon([at[i, j], at[i + 1, j], at[i + 1, j + 1], at[i, j + 1]])
        for i in range(columns)
        for j in range(rows)
    }


def bond_of(rng: np.random.Generator, courses: int) -> list[shapely.Polygon]:
    """A wall in bond, a planar partition in which corners of one stone lie in the middle of another's sides."""
    made = []
    edges = [
        np.round(np.full(2, 0.3 * k) + rng.uniform(-0.02, 0.02, 2), 6) for k in range(courses + 1)
    ]
    for k in range(courses):
        inner = np.sort(rng.choice(np.arange(4, 29), 5, replace=False)) / 10
        ends = np.round(np.array([0.0, *(inner + rng.uniform(-0.02, 0.02, 5)), 3.2]), 6)

        def on(edge: np.ndarray, u: float) -> list[float]:
            return np.round([u, edge[0] + (edge[1] - edge[0]) * u / 3.2], 6).tolist()

        made += [
            shapely.Polygon(
                [on(edges[k], a), on(edges[k], b), on(edges[k + 1], b), on(edges[k + 1], a)]
            )
            for a, b in itertools.pairwise(ends)
        ]
    return made


@pytest.mark.parametrize("bond", ["corner on corner", "in bond"])
@pytest.mark.parametrize("reach", [2e-5, 0.03])
def test_a_drawn_wall_stays_a_partition_while_its_corners_are_moved(
    bond: str, reach: float
) -> None:
    """No gap and no overlap: none above the grid, where a millimetre would be seen."""
    rng = np.random.default_rng(13)
    wall = bond_of(rng, 5) if bond == "in bond" else list(wall_of(rng, 6, 5).values())
    moves = [
        {
            "cell": int(rng.integers(len(wall))),
            "corner": int(rng.integers(4)),
            "by": rng.uniform(-0.008, 0.008, 2).tolist(),
            "put": bool(k % 3 == 2),
        }
        for k in range(60)
    ]
    [played] = desk(
        [{"act": "play", "wall": [plain(p) for p in wall], "moves": moves, "reach": reach}]
    )
    after = [shape(p) for p in played]
    assert all(p.is_valid for p in after)
    assert sum(len(p.exterior.coords) for p in after) > sum(len(p.exterior.coords) for p in wall)
    grid = tolerance(*after)
    whole = shapely.union_all(after)
    # overlaps
    assert sum(p.area for p in after) - whole.area == pytest.approx(0, abs=grid)
    # gaps: what lies inside and in no stone
    filled = shapely.union_all(
        [shapely.Polygon(r) for p in shapely.get_parts(whole) for r in [p.exterior]]
    )
    gaps = filled.difference(whole)
    assert gaps.area == pytest.approx(0, abs=grid)
    # and no sliver as wide as a tenth of a millimetre, far below the millimetre that would be seen
    assert gaps.buffer(-0.00005).is_empty
    pairs = itertools.combinations(after, 2)
    assert all(a.intersection(b).buffer(-0.00005).is_empty for a, b in pairs if a.intersects(b))


def test_stones_with_mortar_between_keep_their_joint_while_corners_are_moved() -> None:
    """Joints of 12 mm: no stone runs into another, and the joint stays between a third and three times as wide."""
    rng = np.random.default_rng(17)
    partition = bond_of(rng, 5)
    wall = [on_grid(p.buffer(-0.006, join_style="mitre")) for p in partition]
    moves = [
        {"cell": int(rng.integers(len(wall))), "corner": int(rng.integers(4)), "put": False}
        | {"by": rng.uniform(-0.006, 0.006, 2).tolist()}
        for _ in range(25)
    ]
    [played] = desk(
        [{"act": "play", "wall": [plain(p) for p in wall], "moves": moves, "reach": 0.03}]
    )
    after = [shape(p) for p in played]
    assert sum(not a.equals_exact(b, 1e-5) for a, b in zip(wall, after, strict=True)) > 15
    apart = [
        (a.distance(b), p.distance(q))
        for (a, p), (b, q) in itertools.combinations(zip(after, wall, strict=True), 2)
        if p.distance(q) < 0.013
    ]
    assert all(0.004 < now < 0.036 for now, _ in apart)
