import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { crossingsOf, untangled } from "../src/desk/geometry/crossings.js";
import { faultOf } from "../src/desk/geometry/shapes.js";

const point = fc.tuple(
  fc.integer({ min: 0, max: 4000 }).map((v) => v / 1000),
  fc.integer({ min: 0, max: 4000 }).map((v) => v / 1000),
);
const corners = fc.uniqueArray(point, {
  minLength: 3,
  maxLength: 24,
  selector: ([x, y]) => `${x} ${y}`,
});

describe("an outline that crosses itself", () => {
  it("is crossed where its sides meet", () => {
    const bow = [
      [0, 0],
      [1, 1],
      [1, 0],
      [0, 1],
    ];
    expect(crossingsOf(bow)).toEqual([[0.5, 0.5]]);
    expect(faultOf({ type: "Polygon", coordinates: [[...bow, bow[0]]] })).toBe("crosses");
  });

  it("is mended with the same corners and without a crossing", () => {
    fc.assert(
      fc.property(corners, (ring) => {
        const mended = untangled(ring);
        expect(crossingsOf(mended)).toEqual([]);
        expect([...mended].sort()).toEqual([...ring].sort());
      }),
      { numRuns: 300 },
    );
  });

  it("is left as it is where it does not cross", () => {
    const square = [
      [0, 0],
      [1, 0],
      [1, 1],
      [0, 1],
    ];
    expect(untangled(square)).toEqual(square);
  });
});
