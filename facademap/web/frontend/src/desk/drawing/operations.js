// What is done to the outlines that are selected: split, cut, joined, copied, moved, deleted.
import { LineString } from "ol/geom.js";
import { entryOf, rowsOf } from "../data/data.js";
import { edit, newId, notice } from "../data/edits.js";
import { drawTable, select, selection, tool } from "../data/view.js";
import { besideIt, nextStone, stepTo } from "../geometry/coursing.js";
import {
  areaOf,
  common,
  partsOf,
  roundAll,
  shifted,
  split,
  storable,
  subtract,
  union,
} from "../geometry/shapes.js";
import { map, sources } from "../wall/wall.js";
import { t } from "../words/texts.js";

const FIXED = ["surfaces", "elevations"];
/** Between a stone and its copy until its own joint is drawn. */
const JOINT_M = 0.01;
const px = () => map.getView().getResolution();

export const chosenRows = () =>
  selection.value
    .map(({ table, id }) => ({ table, id, row: entryOf(table, id)?.row }))
    .filter((c) => c.row?.geometry);
const chosenAreas = () => chosenRows().filter((c) => c.row.geometry.type.includes("Polygon"));
const without = (row, ...names) =>
  Object.fromEntries(
    Object.entries(row).filter(([k]) => !["id", "area_m2", "length_m", ...names].includes(k)),
  );
const inserted = (table, row, geometry, values = {}) => ({
  op: "insert",
  table,
  id: newId(),
  values: { ...without(row, "wall_stone"), ...values, geometry },
});
const changed = (table, id, geometry) => ({ op: "update", table, id, values: { geometry } });

function crossedBy(line) {
  const shape = new LineString(line);
  const found = [];
  sources[drawTable.value]?.forEachFeatureIntersectingExtent(shape.getExtent(), (feature) => {
    const [table, id] = feature.getId().split(/\|(.*)/s);
    const row = entryOf(table, id)?.row;
    if (row?.geometry?.type.includes("Polygon")) found.push({ table, id, row });
  });
  return found;
}

export function splitBy(line) {
  const chosen = chosenAreas();
  const changes = [];
  for (const { table, id, row } of chosen.length ? chosen : crossedBy(line)) {
    const parts = split(row.geometry, line)
      .map(storable)
      .filter(Boolean)
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

export function cutOut(knife, asHole) {
  const changes = [];
  for (const { table, id, row } of chosenAreas()) {
    if (asHole && !storable(common(row.geometry, knife))) continue;
    const rest = storable(subtract(row.geometry, knife));
    if (rest) changes.push(changed(table, id, rest));
  }
  if (changes.length) edit(t(asHole ? "what.hole" : "what.cut"), changes);
  else notice.value = { text: t("cut.none"), bad: true };
}

/** What names an outline that is joined to another one names that one from now on. */
function renamed({ table, id }, gone) {
  if (table === "wall_stones")
    return ["conditions", "repairs"].flatMap((name) =>
      rowsOf(name)
        .filter((r) => gone.has(r.wall_stone))
        .map((r) => ({ op: "update", table: name, id: r.id, values: { wall_stone: id } })),
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
  edit(t("what.merge"), [
    changed(first.table, first.id, storable(union(chosen.map((c) => c.row.geometry)))),
    ...renamed(first, new Set(others.map(({ id }) => id))),
    ...others.map(({ table, id }) => ({ op: "delete", table, id })),
  ]);
  select(first.table, first.id);
}

export function explode() {
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

const moved = (geometry, by) => {
  const next = shifted(geometry, by);
  return { ...next, coordinates: roundAll(next.coordinates) };
};

/** Move what is selected, as one edit. */
export function moveChosen(by) {
  const changes = chosenRows()
    .filter(({ table }) => !FIXED.includes(table))
    .map(({ table, id, row }) => changed(table, id, moved(row.geometry, by)));
  if (changes.length) edit(t("what.move", { n: changes.length }), changes);
}

/** Copies of the selection on the next stone of the course, where the same lies on that one. */
export function copyOn() {
  const chosen = chosenRows();
  const stones = rowsOf("wall_stones");
  const changes = [];
  for (const { table, row } of chosen) {
    const stone = table === "wall_stones" ? row : entryOf("wall_stones", row.wall_stone)?.row;
    const next = stone?.geometry && nextStone(stone, stones);
    // a stone itself is copied where none is drawn yet
    const by =
      table === "wall_stones" ? !next && besideIt(row, JOINT_M) : next && stepTo(stone, next);
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
