// From a name to the place where the thing is looked at and mended.
import { anyRowOf, entryOf, surface } from "../data/data.js";
import { panel, select, selection, sheetOpen } from "../data/view.js";
import { goTo } from "../wall/wall.js";
import { enter } from "./places.js";

/**
 * Where a thing is opened when nothing else is said: a repair in its record, as a ticket's code is read for that.
 * @type {Partial<Record<TableName, string>>}
 */
export const PLACE_OF = {
  repairs: "record",
  conditions: "survey",
  wall_stones: "survey",
  openings: "survey",
  blocks: "stone",
};
/**
 * Where a thing is mended: its decision, not its record.
 * @type {Partial<Record<TableName, string>>}
 */
const MENDED_AT = { ...PLACE_OF, repairs: "repairs" };

/**
 * The thing that is to be opened for a row that has no place of its own; null where it is gone.
 * @param {TableName} table
 * @param {string} id
 * @returns {RowPlace | null}
 */
function carrier(table, id) {
  const row = anyRowOf(table, id);
  if (table === "pieces" || table === "placements")
    return row && { table: "repairs", id: String(row.repair) };
  if (table === "faces") return row && { table: "blocks", id: String(row.block) };
  return { table, id };
}

function focusField(/** @type {TableName} */ table, /** @type {string} */ field) {
  const at = () => document.getElementById(`field-${table}-${field}`);
  setTimeout(() => {
    at()?.scrollIntoView({ block: "center" });
    at()?.focus();
  }, 120);
}

/**
 * Open a row where it is mended, at a field of it where one is named.
 * @param {TableName} table
 * @param {string} id
 * @param {string | null} [field]
 * @returns {boolean} Whether it is there.
 */
export function openRow(table, id, field = null) {
  if (table === "control_points" || table === "observations") {
    enter("control");
    return true;
  }
  const opened = carrier(table, id);
  if (!opened) return false;
  const { table: kind, id: name } = opened;
  if (kind === "plans" || kind === "surfaces" || kind === "elevations") {
    if (kind === "surfaces" && entryOf(kind, name)) surface.value = name;
    enter(kind === "plans" ? "repairs" : "survey");
    if (kind === "plans") selection.value = [];
    else panel.value = "layers";
    return true;
  }
  if (!entryOf(kind, name)) return false;
  enter(MENDED_AT[kind] ?? "survey");
  select(kind, name);
  sheetOpen.value = true;
  if (kind === "conditions" || kind === "wall_stones" || kind === "openings")
    panel.value = "record";
  goTo(kind, name);
  if (field) focusField(kind, field);
  return true;
}
