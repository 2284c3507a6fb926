import { describe, expect, it } from "vitest";
import { nextStone, stepTo } from "../src/desk/geometry/coursing.js";

const stone = (id, u, v, w = 0.6, h = 0.3) => ({
  id,
  surface: "front",
  geometry: {
    type: "Polygon",
    coordinates: [
      [
        [u, v],
        [u + w, v],
        [u + w, v + h],
        [u, v + h],
        [u, v],
      ],
    ],
  },
});

describe("the next stone of a course", () => {
  const wall = [
    stone("a", 0, 0),
    stone("c", 1.22, 0),
    stone("b", 0.61, 0.01),
    stone("up", 0.61, 0.31),
  ];
  it("is the nearest to the right that shares the height", () => {
    expect(nextStone(wall[0], wall).id).toBe("b");
    expect(nextStone(wall[2], wall).id).toBe("c");
  });
  it("is none at the end", () => {
    expect(nextStone(wall[1], wall)).toBeNull();
    expect(nextStone(wall[3], wall)).toBeNull();
  });
  it("lies as far away as its lower left corner", () => {
    expect(stepTo(wall[0], wall[2])).toEqual([0.61, 0.01]);
  });
});
