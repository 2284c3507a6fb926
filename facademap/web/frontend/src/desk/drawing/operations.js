// What is done to the outlines that are selected: split, cut, joined, copied, moved, deleted.
import { anyRowOf, rowOf, rowsOf } from "../data/data.js";
import { edit, newId, notice } from "../data/edits.js";
import { drawTable, select, selection, tool } from "../data/view.js";
import { besideIt, nextStone, stepTo } from "../geometry/coursing.js";
import {
  areaOf,
  boxOf,
  common,
  isArea,
  partsOf,
  roundedOf,
  shifted,
  split,
  storable,
  subtract,
  union,
} from "../geometry/shapes.js";
import { map, outlinesOf, placeOf } from "../wall/wall.js";
import { t } from "../words/texts.js";

/** @typedef {{table: TableName, id: string, row: DrawnRow}} Chosen */
/** @typedef {Chosen & {row: DrawnRow<Area>}} ChosenArea */

/** @type {TableName[]} */
const FIXED = ["surfaces", "elevations"];
/** Between a stone and its copy until its own joint is drawn. */
const JOINT_M = 0.01;
const px = () => map.getView().getResolution() ?? 0;

/** @returns {row is DrawnRow} */
const isDrawn = (/** @type {AnyRow | null} */ row) => Boolean(row?.geometry);
/** @returns {Chosen[]} */
export const chosenRows = () =>
  selection.value.flatMap(({ table, id }) => {
    const row = anyRowOf(table, id);
    return isDrawn(row) ? [{ table, id, row }] : [];
  });
/** @returns {chosen is ChosenArea} */
const hasArea = (/** @type {Chosen} */ chosen) => isArea(chosen.row.geometry);
const chosenAreas = () => chosenRows().filter(hasArea);
const without = (/** @type {AnyRow} */ row, /** @type {string[]} */ ...names) =>
  Object.fromEntries(
    Object.entries(row).filter(([k]) => !["id", "area_m2", "length_m", ...names].includes(k)),
  );
/**
 * A row like another one, with an outline of its own.
 * @param {TableName} table
 * @param {AnyRow} row
 * @param {Geometry} geometry
 * @returns {Change}
 */
const inserted = (table, row, geometry, values = {}) => ({
  op: "insert",
  table,
  id: newId(),
  values: { ...without(row, "wall_stone"), ...values, geometry },
});
/**
 * @param {TableName} table
 * @param {string} id
 * @param {Geometry} geometry
 * @returns {Change}
 */
const changed = (table, id, geometry) => ({ op: "update", table, id, values: { geometry } });

/** Areas of the table that is drawn that a line comes near. */
function crossedBy(/** @type {Line} */ line) {
  /** @type {ChosenArea[]} */
  const found = [];
  outlinesOf(drawTable.value)?.forEachFeatureIntersectingExtent(
    boxOf({ coordinates: line }),
    (feature) => {
      const { table, id } = placeOf(feature);
      const row = anyRowOf(table, id);
      const one = isDrawn(row) ? { table, id, row } : null;
      if (one && hasArea(one)) found.push(one);
    },
  );
  return found;
}

export function splitBy(/** @type {Line} */ line) {
  const chosen = chosenAreas();
  /** @type {Change[]} */
  const changes = [];
  for (const { table, id, row } of chosen.length ? chosen : crossedBy(line)) {
    const parts = split(row.geometry, line)
      .flatMap((part) => storable(part) ?? [])
      .sort((a, b) => areaOf(b) - areaOf(a));
    if (parts.length < 2) continue;
    changes.push(changed(table, id, parts[0]));
    for (const geometry of parts.slice(1)) changes.push(inserted(table, row, geometry));
  }
  if (!changes.length) {
    notice.value = { text: t("split.none"), bad: true };
    return;
  }
  edit(t("what.split"), changes);
  select(
    changes[0].table,
    changes.map((c) => c.id),
  );
}

/**
 * @param {Area} knife
 * @param {boolean} asHole
 */
export function cutOut(knife, asHole) {
  /** @type {Change[]} */
  const changes = [];
  for (const { table, id, row } of chosenAreas()) {
    if (asHole && !storable(common(row.geometry, knife))) continue;
    const rest = storable(subtract(row.geometry, knife));
    if (rest) changes.push(changed(table, id, rest));
  }
  if (changes.length) edit(t(asHole ? "what.hole" : "what.cut"), changes);
  else notice.value = { text: t("cut.none"), bad: true };
}

/**
 * What names an outline that is joined to another one names that one from now on.
 * @param {RowPlace} place
 * @param {Set<string>} gone
 * @returns {Change[]}
 */
function renamed({ table, id }, gone) {
  const isGone = (/** @type {string | null} */ name) => name !== null && gone.has(name);
  if (table === "wall_stones")
    return /** @type {("conditions" | "repairs")[]} */ (["conditions", "repairs"]).flatMap((name) =>
      /** @type {(Condition | Repair)[]} */ (rowsOf(name))
        .filter((r) => isGone(r.wall_stone))
        .map((r) => ({
          op: /** @type {const} */ ("update"),
          table: name,
          id: r.id,
          values: { wall_stone: id },
        })),
    );
  if (table !== "conditions") return [];
  return rowsOf("repairs")
    .filter((r) => (r.conditions ?? []).some((c) => gone.has(c)))
    .map((r) => ({
      op: "update",
      table: "repairs",
      id: r.id,
      values: { conditions: [...new Set(r.conditions.map((c) => (gone.has(c) ? id : c)))] },
    }));
}

export function merge() {
  const chosen = chosenAreas();
  if (chosen.length < 2) {
    notice.value = { text: t("merge.few"), bad: true };
    return;
  }
  const [first, ...others] = chosen;
  const whole = storable(union(chosen.map((c) => c.row.geometry)));
  if (!whole) return;
  edit(t("what.merge"), [
    changed(first.table, first.id, whole),
    ...renamed(first, new Set(others.map(({ id }) => id))),
    ...others.map(({ table, id }) => ({ op: /** @type {const} */ ("delete"), table, id })),
  ]);
  select(first.table, first.id);
}

export function explode() {
  /** @type {Change[]} */
  const changes = [];
  for (const { table, id, row } of chosenRows()) {
    const parts = partsOf(row.geometry.type === "MultiPolygon" ? row.geometry : null);
    if (parts.length < 2) continue;
    changes.push(changed(table, id, parts[0]));
    for (const geometry of parts.slice(1)) changes.push(inserted(table, row, geometry));
  }
  if (changes.length) edit(t("what.split"), changes);
}

export function copy() {
  const by = [px() * 24, -px() * 24];
  const changes = chosenRows().map(({ table, row }) =>
    inserted(table, row, moved(row.geometry, by)),
  );
  if (!changes.length) return;
  edit(t("what.copy"), changes);
  select(
    changes[0].table,
    changes.map((c) => c.id),
  );
  tool.value = "move";
}

const moved = (/** @type {Geometry} */ geometry, /** @type {Point} */ by) =>
  roundedOf(shifted(geometry, by));

/** Move what is selected, as one edit. */
export function moveChosen(/** @type {Point} */ by) {
  const changes = chosenRows()
    .filter(({ table }) => !FIXED.includes(table))
    .map(({ table, id, row }) => changed(table, id, moved(row.geometry, by)));
  if (changes.length) edit(t("what.move", { n: changes.length }), changes);
}

/** Copies of the selection on the next stone of the course, where the same lies on that one. */
export function copyOn() {
  const chosen = chosenRows();
  const stones = rowsOf("wall_stones");
  /** @type {Change[]} */
  const changes = [];
  for (const { table, id, row } of chosen) {
    const isStone = table === "wall_stones";
    const stone = rowOf("wall_stones", isStone ? id : String(row.wall_stone ?? ""));
    const next = stone?.geometry ? nextStone(stone, stones) : null;
    // a stone itself is copied where none is drawn yet
    const beside = isStone && stone && !next ? besideIt(stone, JOINT_M) : null;
    const by = isStone ? beside : stone && next && stepTo(stone, next);
    if (!by) continue;
    const values = next ? { wall_stone: next.id } : {};
    changes.push(inserted(table, row, moved(row.geometry, by), values));
  }
  if (!changes.length) {
    if (chosen.length) notice.value = { text: t("copy.on.none"), bad: true };
    return;
  }
  edit(t("what.copy.on", { n: changes.length }), changes);
  select(
    changes[0].table,
    changes.map((c) => c.id),
  );
}
