import { describe, expect, it } from "vitest";
import { areaOf, common } from "../src/desk/geometry/shapes.js";
import { changesOf, movedAlong } from "../src/desk/geometry/topology.js";

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

describe("outlines that share a joint", () => {
  it("move together at a corner, without gap or overlap", () => {
    const moved = area([
      [0, 0],
      [1, 0],
      [1.2, 1.1],
      [0, 1],
    ]);
    const beside = movedAlong(right, changesOf(left, moved), 1e-5);
    expect(areaOf(moved) + areaOf(beside)).toBeCloseTo(2.1, 9);
    expect(common(moved, beside)).toBeNull();
  });

  it("bend together where a corner is put into a side", () => {
    const bent = area([
      [0, 0],
      [1, 0],
      [1.3, 0.5],
      [1, 1],
      [0, 1],
    ]);
    const beside = movedAlong(right, changesOf(left, bent), 1e-5);
    expect(areaOf(bent) + areaOf(beside)).toBeCloseTo(2, 9);
    expect(common(bent, beside)).toBeNull();
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
    const [ring] = movedAlong(stone, changesOf(left, moved), 0.03).coordinates;
    expect(ring[0][0]).toBeCloseTo(1.05 + joint, 12);
    expect(ring[3][0]).toBeCloseTo(1.05 + joint, 12);
    expect(ring[1]).toEqual([2, 0]);
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
    expect(movedAlong(far, changesOf(left, moved), 0.03)).toBeNull();
  });
});
