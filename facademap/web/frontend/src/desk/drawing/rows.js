// New rows from what was drawn, with the values that are known of them.

import { effect, signal } from "@preact/signals";
import Feature from "ol/Feature.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { anyRowOf, surface, term } from "../data/data.js";
import { edit, newId, notice } from "../data/edits.js";
import { newKey } from "../data/keys.js";
import { survey, who } from "../data/settings.js";
import { drawTable, panel, select, selection, sheetOpen, template } from "../data/view.js";
import { faultOf } from "../geometry/shapes.js";
import { sketchStyle } from "../wall/signs.js";
import { map, shapeOf } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { drafts, dropDraft, keepDraft, tab } from "./drafts.js";

/** Tool of a draft that is drawn and only wants its term. */
export const UNNAMED = "unnamed";
const today = () => new Date().toISOString().slice(0, 10);
/** @typedef {Term["shape"]} TermShape */
/** @typedef {{key: string, table?: undefined, id?: undefined} | (RowPlace & {key?: undefined})} HeldAs What was drawn: waiting for its term under a key, or stored as a row. */

/** @returns {TermShape} */
const termShapeOf = (/** @type {Geometry} */ { type }) =>
  type.includes("Polygon") ? "polygon" : type.includes("Line") ? "line" : "point";
const FIRST_TERM = { polygon: "contour scaling", line: "crack", point: "star crack" };

/**
 * The term that the next outline of a shape would be called; stored only where a person chose it.
 * @param {TermShape} shape
 * @returns {string}
 */
export function termFor(shape) {
  const wanted = template.value;
  const known = term(wanted.term)?.shape;
  const fits = known === shape || (shape === "polygon" && known !== "line");
  return fits ? wanted.term : String(wanted[shape] ?? FIRST_TERM[shape]);
}

/** @returns {Values} */
function conditionValues(/** @type {string} */ name) {
  const wanted = template.value;
  const {
    cc = null,
    uc = null,
    rc = null,
    depth_m = null,
    width_m = null,
    activity = "unknown",
    cause = null,
    cause_settled = false,
    note = null,
  } = /** @type {Values} */ (wanted.sticky ? wanted : {});
  return {
    term: name,
    family: term(name)?.family ?? null,
    layer: "stone",
    activity,
    cause,
    cause_settled,
    note: wanted.name ? note : null,
    origin: "drawn",
    surveyor: who.value || null,
    observed_on: today(),
    survey: survey.value,
    cc,
    uc,
    rc,
    depth_m,
    width_m,
  };
}

/**
 * Values of a new row, from what was drawn last.
 * @param {TableName} table
 * @param {Geometry} geometry
 * @param {string} name
 * @returns {Values}
 */
function startValues(table, geometry, name) {
  const base = { surface: surface.value, geometry };
  if (table === "conditions") return { ...base, ...conditionValues(name) };
  if (table === "repairs")
    return { ...base, treatment: "inset", stage: "proposed", priority: 1, conditions: [] };
  return table === "openings" ? { ...base, kind: "window" } : base;
}

/** @typedef {{key: string, geometry: Geometry, extra: Values, guess?: string}} UnnamedOutline */
/** Outlines that are drawn and have no term yet: kept in this browser until a person says what they are. */
export const unnamed = signal(/** @type {UnnamedOutline[]} */ ([]));

/** The term that is offered for one of them: what the machine took it for, else the last one that was chosen. */
const offeredFor = (/** @type {UnnamedOutline} */ { guess, geometry }) =>
  guess ?? termFor(termShapeOf(geometry));
/** The terms that are offered, each once. */
export const offered = () => [...new Set(unnamed.value.map(offeredFor))];

/** They are seen on the wall, though they are not stored yet. */
const source = new VectorSource({ wrapX: false });
map.addLayer(new VectorLayer({ source, zIndex: 41, style: sketchStyle }));
effect(() => {
  source.clear(true);
  source.addFeatures(unnamed.value.map(({ geometry }) => new Feature(shapeOf(geometry))));
  source.changed();
});

/**
 * @param {Geometry} geometry
 * @param {Values} extra
 * @param {string | null} [guess]
 */
function holdUnnamed(geometry, extra, guess = null, key = newKey()) {
  const others = unnamed.value.filter((u) => u.key !== key);
  unnamed.value = [...others, { key, geometry, extra, ...(guess ? { guess } : {}) }];
  keepDraft({
    key,
    tool: UNNAMED,
    table: "conditions",
    place: "survey",
    surface: surface.value,
    corners: [],
    geometry,
    extra,
    guess,
    selection: [],
    tab,
    at: Date.now(),
  });
  return { key };
}

/** What was drawn before the page was read again and still has no term. */
export function recallUnnamed() {
  unnamed.value = drafts.value
    .filter((d) => d.tool === UNNAMED && d.tab === tab && d.surface === surface.value)
    .flatMap(({ key, geometry, extra = {}, guess }) =>
      geometry ? [{ key, geometry, extra, ...(guess ? { guess } : {}) }] : [],
    );
}

function open(/** @type {TableName} */ table, /** @type {string | string[]} */ ids) {
  select(table, ids);
  panel.value = "record";
  sheetOpen.value = true;
}

/**
 * Store every outline without a term under the one that a person chose.
 * @param {string | null} [chosen] Without it each under what is offered for it.
 */
export function nameThem(chosen = null) {
  const held = unnamed.value;
  if (!held.length) return;
  const ids = held.map(() => newId());
  edit(
    t("what.draw.conditions"),
    held.map((one, i) => ({
      op: "insert",
      table: "conditions",
      id: ids[i],
      values: {
        ...startValues("conditions", one.geometry, chosen ?? offeredFor(one)),
        ...one.extra,
      },
    })),
  );
  const name = chosen ?? offeredFor(held[held.length - 1]);
  const shape = term(name)?.shape ?? "polygon";
  template.value = { ...template.value, term: name, [shape]: name };
  for (const { key } of held) dropDraft(key);
  unnamed.value = [];
  open("conditions", ids);
}

/** Leave the last outline that has no term. */
export function leaveUnnamed() {
  const last = unnamed.value.at(-1);
  if (!last) return;
  dropDraft(last.key);
  unnamed.value = unnamed.value.slice(0, -1);
  notice.value = {
    text: t("unnamed.left"),
    act: t("sketch.again"),
    onAct: () => holdUnnamed(last.geometry, last.extra, last.guess),
  };
}

/**
 * Store what was drawn as a row of the table that is drawn now; a condition as soon as a person has said what it is.
 * @param {Geometry} geometry
 * @param {Values} [extra] Further values.
 * @param {string | null} [guess] What the machine takes a condition for: it is offered, not stored.
 * @returns {HeldAs | undefined} What it is held or stored as.
 */
export function addRow(geometry, extra = {}, guess = null) {
  const fault = faultOf(geometry);
  if (fault) {
    notice.value = { text: t(`fault.${fault}`), bad: true };
    return undefined;
  }
  if (notice.value?.bad) notice.value = null;
  const table = drawTable.value;
  if (table === "conditions" && !template.value.sticky) {
    selection.value = [];
    const held = holdUnnamed(geometry, extra, guess);
    panel.value = "record";
    sheetOpen.value = true;
    return held;
  }
  const id = newId();
  const values = { ...startValues(table, geometry, termFor(termShapeOf(geometry))), ...extra };
  edit(t(`what.draw.${table}`), [{ op: "insert", table, id, values }]);
  open(table, id);
  return { table, id };
}

/** Whether what was drawn waits or is there still. */
export const isHeld = (/** @type {HeldAs} */ held) =>
  held.key !== undefined
    ? unnamed.value.some((u) => u.key === held.key)
    : Boolean(anyRowOf(held.table, held.id)?.geometry);

/**
 * A better outline of what was drawn last, before or after it has a term.
 * @param {HeldAs} held
 * @param {Geometry} geometry
 * @param {Values} extra
 * @param {string} [guess]
 */
export function redraw(held, geometry, extra, guess) {
  if (faultOf(geometry)) return;
  if (held.key !== undefined) {
    holdUnnamed(geometry, extra, guess, held.key);
    return;
  }
  const values = { geometry, ...("note" in extra ? { note: extra.note } : {}) };
  edit(t("what.modify"), [{ op: "update", table: held.table, id: held.id, values }]);
}
