import { describe, expect, it } from "vitest";
import { areaOf, common, storable } from "../src/desk/geometry/shapes.js";
import { movedTogether, TOUCH_M } from "../src/desk/geometry/topology.js";

const area = (ring) => ({ type: "Polygon", coordinates: [[...ring, ring[0]]] });
const left = area([
  [0, 0],
  [1, 0],
  [1, 1],
  [0, 1],
]);
const right = area([
  [1, 0],
  [2, 0],
  [2, 1],
  [1, 1],
]);

/** Where another outline is after one was changed; nothing where it stays. */
const beside = (other, before, after, reach) =>
  movedTogether([{ id: "own", before, after }], () => [{ id: "other", geometry: other }], reach)[0]
    ?.geometry;

describe("outlines that share a joint", () => {
  it("move together at a corner, without gap or overlap", () => {
    const moved = area([
      [0, 0],
      [1, 0],
      [1.2, 1.1],
      [0, 1],
    ]);
    const next = beside(right, left, moved, TOUCH_M);
    expect(areaOf(moved) + areaOf(next)).toBeCloseTo(2.1, 9);
    expect(storable(common(moved, next))).toBeNull();
  });

  it("bend together where a corner is put into a side", () => {
    const bent = area([
      [0, 0],
      [1, 0],
      [1.3, 0.5],
      [1, 1],
      [0, 1],
    ]);
    const next = beside(right, left, bent, TOUCH_M);
    expect(areaOf(bent) + areaOf(next)).toBeCloseTo(2, 9);
    expect(storable(common(bent, next))).toBeNull();
  });

  it("keep the width of the joint between them", () => {
    const joint = 0.012;
    const stone = area([
      [1 + joint, 0],
      [2, 0],
      [2, 1],
      [1 + joint, 1],
    ]);
    const moved = area([
      [0, 0],
      [1.05, 0],
      [1.05, 1],
      [0, 1],
    ]);
    const [ring] = beside(stone, left, moved, 0.03).coordinates;
    expect(ring[0][0]).toBeCloseTo(1.05 + joint, 12);
    expect(ring[3][0]).toBeCloseTo(1.05 + joint, 12);
    expect(ring[1]).toEqual([2, 0]);
  });

  it("bend where a corner lies in the middle of another's side", () => {
    const above = area([
      [-1, 1],
      [2, 1],
      [2, 2],
      [-1, 2],
    ]);
    const moved = area([
      [0, 0],
      [1, 0],
      [1.1, 1.05],
      [0, 1],
    ]);
    const next = beside(above, left, moved, TOUCH_M);
    expect(next.coordinates[0]).toContainEqual([1.1, 1.05]);
    expect(storable(common(moved, next))).toBeNull();
  });

  it("keep corners that lie on a side of another on that side", () => {
    const above = area([
      [-1, 1],
      [2, 1],
      [2, 2],
      [-1, 2],
    ]);
    const tilted = area([
      [-1, 1],
      [2, 1.3],
      [2, 2],
      [-1, 2],
    ]);
    const [ring] = beside(left, above, tilted, TOUCH_M).coordinates;
    expect(ring[2][1]).toBeCloseTo(1.2, 12);
    expect(ring[3][1]).toBeCloseTo(1.1, 12);
    expect(ring[1]).toEqual([1, 0]);
  });

  it("leave others alone", () => {
    const far = area([
      [3, 0],
      [4, 0],
      [4, 1],
      [3, 1],
    ]);
    const moved = area([
      [0, 0],
      [1, 0],
      [1.2, 1.1],
      [0, 1],
    ]);
    expect(beside(far, left, moved, 0.03)).toBeUndefined();
  });
});
