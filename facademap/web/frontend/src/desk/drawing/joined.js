// A joint belongs to the outlines on both of its sides: changing one changes the other in the same edit.
import { entryOf, surface, tableOf } from "../data/data.js";
import { togetherOn } from "../data/settings.js";
import { faultOf, roundAll } from "../geometry/shapes.js";
import { movedTogether, TOUCH_M } from "../geometry/topology.js";

const PER_M = 1e6;
/** How far corners of one joint lie apart: stones have mortar between them, other outlines touch. */
const REACH_M = { wall_stones: 0.03 };

/** Outlines of a table on the surface in view that come into a box of the wall. */
const nearIn = (table) => (box) => {
  const found = [];
  tableOf(table).shapesIn(
    box.map((x) => x * PER_M),
    (pack, i) => {
      if (pack.value("surface", i) !== surface.peek()) return;
      const id = pack.value("id", i);
      const { geometry } = entryOf(table, id)?.row ?? {};
      if (geometry) found.push({ id, geometry });
    },
  );
  return found;
};

/**
 * Changes of the neighbours that follow from changed outlines.
 * @param {{table: string, id: string, before: any, after: any}[]} outlines
 * @returns {{op: string, table: string, id: string, values: object}[]}
 */
export function neighboursOf(outlines) {
  if (!togetherOn.value) return [];
  return [...new Set(outlines.map((o) => o.table))].flatMap((table) => {
    const own = outlines.filter((o) => o.table === table);
    return movedTogether(own, nearIn(table), REACH_M[table] ?? TOUCH_M)
      .map(({ id, geometry }) => ({
        op: "update",
        table,
        id,
        values: { geometry: { ...geometry, coordinates: roundAll(geometry.coordinates) } },
      }))
      .filter(({ values }) => !faultOf(values.geometry));
  });
}
