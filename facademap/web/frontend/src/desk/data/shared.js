// What is decided for the whole project and changed at the desk: templates of conditions, required fields.

import { t } from "../words/texts.js";
import { entryOf, family, rowOf, rowsOf, schema, term } from "./data.js";
import { edit } from "./edits.js";
import { selection, template } from "./view.js";

const TEMPLATE = "template:";
const COLUMNS = [
  "term",
  "cc",
  "uc",
  "rc",
  "depth_m",
  "width_m",
  "activity",
  "cause",
  "cause_settled",
  "note",
];

/** The value of a setting, which is kept as JSON; null where there is none or it cannot be read. */
const read = (/** @type {string | null | undefined} */ text) => {
  try {
    return text ? JSON.parse(text) : null;
  } catch {
    return null;
  }
};

/**
 * @param {string} id
 * @param {unknown} value
 * @param {string} what
 */
function put(id, value, what) {
  const values = { value: JSON.stringify(value) };
  return edit(what, [
    entryOf("settings", id)
      ? { op: "update", table: "settings", id, values }
      : { op: "insert", table: "settings", id, values },
  ]);
}

// -- required fields ------------------------------------------------------------------------------------------------

export const requirable = () => schema.value?.required.may_be ?? [];
/** @returns {string[]} */
export const requiredFields = () =>
  read(rowOf("settings", "required_fields")?.value) ?? schema.value?.required.default ?? [];
export const requireFields = (/** @type {string[]} */ columns) =>
  put("required_fields", columns, t("what.required"));

const shapeOf = (/** @type {Geometry} */ geometry) =>
  geometry?.type?.includes("Polygon")
    ? "area"
    : geometry?.type?.includes("Line")
      ? "line"
      : "point";
const isEmpty = (/** @type {string} */ column, /** @type {unknown} */ value) =>
  value === null ||
  value === undefined ||
  (typeof value === "string" && !value.trim()) ||
  (column === "activity" && value === "unknown");

/**
 * What a condition should have and has not; `facademap check` asks the same of it.
 * @param {AnyRow} row
 */
export function missingOf(row, required = requiredFields()) {
  return requirable()
    .filter(
      (f) =>
        required.includes(f.column) &&
        (!f.families || f.families.includes(String(row.family))) &&
        !f.layers_without.includes(String(row.layer)) &&
        (!f.origin || row.origin === f.origin) &&
        (!row.geometry || f.shapes.includes(shapeOf(row.geometry))) &&
        isEmpty(f.column, row[f.column]),
    )
    .map((f) => f.column);
}

// -- templates ------------------------------------------------------------------------------------------------------

/** @typedef {{id: string, name: string, key?: string | null, values: Values}} Template */

/**
 * Every template with its name, its key and its values, those with a key first.
 * @returns {Template[]}
 */
export const templates = () =>
  rowsOf("settings")
    .filter((r) => r.id.startsWith(TEMPLATE))
    .map((r) => ({ id: r.id, name: r.id.slice(TEMPLATE.length), ...read(r.value) }))
    .filter((x) => x.values)
    .sort((a, b) => (a.key ?? "z").localeCompare(b.key ?? "z") || a.name.localeCompare(b.name));

const valuesOf = (/** @type {Values} */ row) =>
  Object.fromEntries(
    COLUMNS.filter(
      (n) =>
        row[n] !== null &&
        row[n] !== undefined &&
        row[n] !== "" &&
        !(n === "activity" && row[n] === "unknown") &&
        row[n] !== false,
    ).map((n) => [n, row[n]]),
  );

/**
 * Keep what a condition says under a name; the key goes over from a template that had it.
 * @param {string} name
 * @param {string | null} key
 * @param {Values} row
 */
export function keepTemplate(name, key, row) {
  const id = `${TEMPLATE}${name.trim()}`;
  /** @type {Change[]} */
  const changes = templates()
    .filter((x) => key && x.key === key && x.id !== id)
    .map((x) => ({
      op: "update",
      table: "settings",
      id: x.id,
      values: { value: JSON.stringify({ key: null, values: x.values }) },
    }));
  const values = { value: JSON.stringify({ key: key || null, values: valuesOf(row) }) };
  return edit(t("what.template", { name }), [
    ...changes,
    entryOf("settings", id)
      ? { op: "update", table: "settings", id, values }
      : { op: "insert", table: "settings", id, values },
  ]);
}

export const dropTemplate = (/** @type {Template} */ { id, name }) =>
  edit(t("what.template.drop", { name }), [{ op: "delete", table: "settings", id }]);

/** Class what is selected by a template; with nothing selected, the next outlines are classed by it. */
export function useTemplate(/** @type {Pick<Template, "name" | "values">} */ { name, values }) {
  const chosen = selection.value.filter(
    ({ table, id }) => table === "conditions" && entryOf(table, id),
  );
  if (!chosen.length) {
    template.value = {
      ...template.value,
      ...values,
      [term(values.term)?.shape ?? "polygon"]: values.term,
      name,
      sticky: true,
    };
    return null;
  }
  const found = term(values.term);
  const extra = found
    ? { family: found.family, layer: family(found.family)?.layer ?? "stone" }
    : {};
  return edit(
    t("what.template.use", { name, n: chosen.length }),
    chosen.map(({ table, id }) => ({ op: "update", table, id, values: { ...values, ...extra } })),
  );
}
