import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { packOne, Table } from "../src/desk/data/packed.js";
import { entersBox } from "../src/desk/wall/boxes.js";

const metre = fc.integer({ min: -5_000_000, max: 5_000_000 }).map((v) => v / 1e6);
const ring = fc
  .array(fc.tuple(metre, metre), { minLength: 3, maxLength: 9 })
  .map((corners) => [...corners, corners[0]]);
const geometry = fc.oneof(
  fc.tuple(metre, metre).map((coordinates) => ({ type: "Point", coordinates })),
  fc.array(fc.tuple(metre, metre), { minLength: 2, maxLength: 8 }).map((coordinates) => ({
    type: "LineString",
    coordinates,
  })),
  fc
    .array(ring, { minLength: 1, maxLength: 3 })
    .map((coordinates) => ({ type: "Polygon", coordinates })),
  fc
    .array(fc.array(ring, { minLength: 1, maxLength: 2 }), { minLength: 1, maxLength: 3 })
    .map((coordinates) => ({ type: "MultiPolygon", coordinates })),
);

describe("a packed table", () => {
  it("gives back every row as it was put in, under any order of changes", () => {
    const change = fc.record({
      id: fc.integer({ min: 0, max: 12 }).map((n) => `C-${n}`),
      gone: fc.boolean(),
      geometry,
    });
    fc.assert(
      fc.property(fc.array(change, { maxLength: 40 }), (changes) => {
        const table = new Table();
        const model = new Map();
        for (const [k, { id, gone, geometry: shape }] of changes.entries()) {
          if (gone) {
            table.delete(id);
            model.delete(id);
          } else {
            const row = { id, geometry: shape, note: k };
            table.set(id, { rev: k, row });
            model.set(id, row);
          }
        }
        expect([...table.rows()].map((r) => r.id).sort()).toEqual([...model.keys()].sort());
        for (const [id, row] of model) expect(table.get(id).row).toEqual(row);
      }),
    );
  });

  it("finds exactly the rows whose box meets the one that is asked for", () => {
    fc.assert(
      fc.property(
        fc.array(geometry, { maxLength: 12 }),
        fc.tuple(metre, metre, metre, metre),
        (shapes, at) => {
          const table = new Table();
          for (const [i, shape] of shapes.entries())
            table.set(`C-${i}`, { rev: 1, row: { id: `C-${i}`, geometry: shape } });
          const box = [
            Math.min(at[0], at[2]) * 1e6,
            Math.min(at[1], at[3]) * 1e6,
            Math.max(at[0], at[2]) * 1e6,
            Math.max(at[1], at[3]) * 1e6,
          ];
          const found = [];
          table.shapesIn(box, (pack, i) => found.push(pack.value("id", i)));
          const meant = shapes.flatMap((shape, i) => {
            const [x0, y0, x1, y1] = packOne({ id: "x", geometry: shape }).boxes;
            return x1 >= box[0] && y1 >= box[1] && x0 <= box[2] && y0 <= box[3] ? [`C-${i}`] : [];
          });
          expect(found.sort()).toEqual(meant.sort());
        },
      ),
    );
  });

  it("tells what a box touches, also where no corner lies in it", () => {
    const pack = packOne({
      id: "C-1",
      geometry: {
        type: "Polygon",
        coordinates: [
          [
            [0, 0],
            [10, 0],
            [10, 10],
            [0, 10],
            [0, 0],
          ],
        ],
      },
    });
    expect(entersBox(pack, 0, [4e6, 4e6, 5e6, 5e6])).toBe(true); // wholly within the area
    expect(entersBox(pack, 0, [-1e6, 4e6, 11e6, 5e6])).toBe(true); // right across
    expect(entersBox(pack, 0, [11e6, 0, 12e6, 5e6])).toBe(false);
  });
});
