import { expect, test } from "vitest";
import { mostDoubtful } from "../src/desk/data/confidence.js";

const row = (id, course, number, said) => ({
  id,
  course,
  number,
  note: said === undefined ? null : `proposed, confidence ${said}`,
});

test("the most doubtful tenth comes first, in it the lowest course from the left", () => {
  const rows = [
    row("S-4", 1, 1, 0.95),
    row("S-3", 2, 1, 0.61),
    row("S-2", 1, 2, 0.69),
    row("S-1", 1, 3, 0.6),
  ];
  expect(mostDoubtful(rows).id).toBe("S-2");
  expect(mostDoubtful(rows.slice(0, 2)).id).toBe("S-3");
});

test("what says no confidence goes before, ids count as numbers, and nothing is left of nothing", () => {
  expect(mostDoubtful([row("S-2", 1, 1, 0.5), row("S-9", 4, 4)]).id).toBe("S-9");
  expect(mostDoubtful([row("S-10", null, null, 0.5), row("S-9", null, null, 0.5)]).id).toBe("S-9");
  expect(mostDoubtful([])).toBe(null);
});
