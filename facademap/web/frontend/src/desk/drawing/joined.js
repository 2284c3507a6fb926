// A joint belongs to the outlines on both of its sides: changing one changes the other in the same edit.
import { entryOf, surface, tableOf } from "../data/data.js";
import { togetherOn } from "../data/settings.js";
import { faultOf, roundAll } from "../geometry/shapes.js";
import { changesOf, movedAlong } from "../geometry/topology.js";

const PER_M = 1e6;
/** How far corners of one joint lie apart: stones have mortar between them, other outlines touch. */
const REACH_M = { wall_stones: 0.03 };
const TOUCH_M = 2e-5;

const pointOf = (change) => ("from" in change ? [change.from] : [change.a, change.b]);

/**
 * Changes of the neighbours that follow from changed outlines.
 * @param {{table: string, id: string, before: any, after: any}[]} outlines
 * @returns {{op: string, table: string, id: string, values: object}[]}
 */
export function neighboursOf(outlines) {
  if (!togetherOn.value) return [];
  const own = new Set(outlines.map(({ id }) => id));
  const found = new Map();
  for (const { table, before, after } of outlines) {
    const changes = changesOf(before, after);
    const reach = REACH_M[table] ?? TOUCH_M;
    for (const [u, v] of changes.flatMap(pointOf)) {
      const box = [u - reach, v - reach, u + reach, v + reach].map((x) => x * PER_M);
      tableOf(table).shapesIn(box, (pack, i) => {
        const id = pack.value("id", i);
        if (own.has(id) || found.has(id) || pack.value("surface", i) !== surface.peek()) return;
        const old = entryOf(table, id)?.row.geometry;
        const next = old && movedAlong(old, changes, reach);
        if (!next) return;
        const geometry = { ...next, coordinates: roundAll(next.coordinates) };
        if (!faultOf(geometry)) found.set(id, { op: "update", table, id, values: { geometry } });
      });
    }
  }
  return [...found.values()];
}
