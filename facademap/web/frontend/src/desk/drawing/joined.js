// A joint belongs to the outlines on both of its sides: changing one changes the other in the same edit.
import { anyRowOf, surface, tableOf } from "../data/data.js";
import { togetherOn } from "../data/settings.js";
import { faultOf, roundedOf } from "../geometry/shapes.js";
import { movedTogether, TOUCH_M } from "../geometry/topology.js";

const PER_M = 1e6;
/**
 * How far corners of one joint lie apart: stones have mortar between them, other outlines touch.
 * @type {Partial<Record<TableName, number>>}
 */
const REACH_M = { wall_stones: 0.03 };

/** Outlines of a table on the surface in view that come into a box of the wall. */
const nearIn = (/** @type {TableName} */ table) => (/** @type {Box} */ box) => {
  /** @type {{id: string, geometry: Geometry}[]} */
  const found = [];
  tableOf(table).shapesIn(
    box.map((x) => x * PER_M),
    (pack, i) => {
      if (pack.value("surface", i) !== surface.peek()) return;
      const id = String(pack.value("id", i));
      const geometry = anyRowOf(table, id)?.geometry;
      if (geometry) found.push({ id, geometry });
    },
  );
  return found;
};

/**
 * Changes of the neighbours that follow from changed outlines.
 * @param {(RowPlace & {before: Geometry, after: Geometry})[]} outlines
 * @returns {Change[]}
 */
export function neighboursOf(outlines) {
  if (!togetherOn.value) return [];
  return [...new Set(outlines.map((o) => o.table))].flatMap((table) => {
    const own = outlines.filter((o) => o.table === table);
    return movedTogether(own, nearIn(table), REACH_M[table] ?? TOUCH_M)
      .map(({ id, geometry }) => ({ id, geometry: roundedOf(geometry) }))
      .filter(({ geometry }) => !faultOf(geometry))
      .map(({ id, geometry }) => ({
        op: /** @type {const} */ ("update"),
        table,
        id,
        values: { geometry },
      }));
  });
}
