// The tables as this page knows them: rows by id, with their revision. Everything shown is drawn from here.
import { signal } from "@preact/signals";
import { ask, q, Refused } from "./api.js";
import { Table, unpack } from "./packed.js";
import { unitsOfProject } from "./settings.js";

export const project = signal(/** @type {Project | null} */ (null));
export const schema = signal(/** @type {Schema | null} */ (null));
/** Pictures of surfaces, by the surface; nothing for one without a picture. */
export const pictures = signal(/** @type {Record<string, Picture | null>} */ ({}));
export const surface = signal("");
export const seq = signal(0);

/** @typedef {(table: TableName, ids: Set<string> | null) => void} RowsListener Told which rows changed; all of them for null. */

/** @type {Map<TableName, Table<AnyRow>>} */
const tables = new Map();
/** @type {Map<TableName, Signal<number>>} */
const ticks = new Map();
/** @type {Set<RowsListener>} */
const listeners = new Set();

/** A table whose rows are whichever. */
const anyTable = (/** @type {TableName} */ name) => {
  let table = tables.get(name);
  if (!table) {
    table = new Table();
    tables.set(name, table);
  }
  return table;
};
/**
 * @template {TableName} T
 * @param {T} name
 */
export const tableOf = (name) =>
  /** @type {Table<Rows[T]>} */ (/** @type {unknown} */ (anyTable(name)));
export const tickOf = (/** @type {TableName} */ name) => {
  let tick = ticks.get(name);
  if (!tick) {
    tick = signal(0);
    ticks.set(name, tick);
  }
  return tick;
};
/**
 * Rows of a table; a component that calls this is drawn again when the table changes.
 * @template {TableName} T
 * @param {T} name
 */
export const rowsOf = (name) => {
  void tickOf(name).value;
  return tableOf(name).rows();
};
/**
 * @template {TableName} T
 * @param {T} name
 * @param {string} id
 */
export const entryOf = (name, id) => tableOf(name).get(id) ?? null;
/**
 * @template {TableName} T
 * @param {T} name
 * @param {string | null | undefined} id
 */
export const rowOf = (name, id) => {
  void tickOf(name).value;
  return id ? (tableOf(name).get(id)?.row ?? null) : null;
};
/**
 * A row of whichever table, by its columns' names.
 * @param {TableName} name
 * @param {string} id
 * @returns {AnyRow | null}
 */
export const anyRowOf = (name, id) => anyTable(name).get(id)?.row ?? null;
export const revOf = (/** @type {TableName} */ name, /** @type {string} */ id) =>
  tableOf(name).get(id)?.rev ?? null;

export const onRows = (/** @type {RowsListener} */ listener) => {
  listeners.add(listener);
  return () => listeners.delete(listener);
};

/** @type {Map<TableName, Set<string>>} */
let waiting = new Map();
/**
 * @param {TableName} name
 * @param {string} id
 */
function tell(name, id) {
  if (!waiting.size) {
    queueMicrotask(() => {
      const told = waiting;
      waiting = new Map();
      for (const [table, ids] of told) {
        tickOf(table).value += 1;
        for (const listener of listeners) listener(table, ids);
      }
    });
  }
  const ids = waiting.get(name);
  if (ids) ids.add(id);
  else waiting.set(name, new Set([id]));
}

/**
 * Put a row, or take it out where it is null.
 * @param {TableName} name
 * @param {string} id
 * @param {number | null} rev
 * @param {AnyRow | null} row
 */
export function putRow(name, id, rev, row) {
  const table = anyTable(name);
  if (row === null) table.delete(id);
  else table.set(id, { rev: rev ?? 0, row });
  tell(name, id);
}

/**
 * @param {TableName} name
 * @param {string} from
 * @param {string} to
 */
export function renameRow(name, from, to) {
  const table = anyTable(name);
  const entry = table.get(from);
  if (!entry) return;
  table.delete(from);
  table.set(to, { ...entry, row: { ...entry.row, id: to } });
  tell(name, from);
  tell(name, to);
}

/**
 * Tables that come packed, since they may be large.
 * @type {TableName[]}
 */
export const PACKED = [
  "openings",
  "wall_stones",
  "repairs",
  "pieces",
  "conditions",
  "control_points",
];

/** @typedef {{seq: number, rows: AnyRow[], rev: number[], geometry?: (Geometry | null)[]}} Plain A table that comes as JSON. */

/** @param {TableName} name */
async function fetchPacked(name) {
  const answer = await fetch(`/api/packed/${name}`, { credentials: "same-origin" });
  if (!answer.ok) throw new Refused(answer.status, (await answer.json().catch(() => null))?.error);
  return answer.arrayBuffer();
}

/**
 * @param {TableName} name
 * @returns {Promise<ArrayBuffer | Plain>}
 */
const fetchTable = (name) =>
  PACKED.includes(name) ? fetchPacked(name) : ask(`/api/tables/${name}`);

/**
 * Fill a table; the number of the newest change in it.
 * @param {TableName} name
 * @param {ArrayBuffer | Plain} answer
 */
function fillTable(name, answer) {
  const table = anyTable(name);
  let number;
  if (answer instanceof ArrayBuffer) {
    const pack = unpack(answer);
    table.fill(pack);
    number = pack.seq;
  } else {
    table.clear();
    const { geometry } = answer;
    answer.rows.forEach((row, i) => {
      if (geometry) row.geometry = geometry[i];
      table.set(row.id, { rev: answer.rev[i], row });
    });
    number = answer.seq;
  }
  tickOf(name).value += 1;
  for (const listener of listeners) listener(name, null);
  return number;
}

export async function loadTable(/** @type {TableName} */ name) {
  return fillTable(name, await fetchTable(name));
}

/** @type {TableName[]} */
export const LOADED = [
  "elevations",
  "surfaces",
  "openings",
  "wall_stones",
  "conditions",
  "repairs",
  "pieces",
  "blocks",
  "faces",
  "placements",
  "plans",
  "photos",
  "control_points",
  "observations",
  "work_log",
  "reviews",
  "settings",
];
/** @type {TableName[]} */
const FIRST = ["elevations", "surfaces"];

/**
 * Asked for at once, at the start; the large ones arrive while the page is being built.
 * @type {Map<TableName, Promise<ArrayBuffer | Plain>>}
 */
let coming = new Map();
/** One of them, asked for now where it was not yet. */
const cameOf = (/** @type {TableName} */ name) => coming.get(name) ?? fetchTable(name);
function askForAll() {
  const single = LOADED.filter((name) => !PACKED.includes(name) && name !== "settings");
  const together = ask(`/api/tables?names=${single.join(",")}`);
  coming = new Map(
    LOADED.map((name) => [
      name,
      single.includes(name) ? together.then((all) => all[name]) : fetchTable(name),
    ]),
  );
  // each is waited for later; until then a refusal is no fault of its own
  for (const answer of coming.values()) answer.catch(() => {});
}

export async function loadProject() {
  /** @type {Promise<[Project, Schema, {surfaces: Record<string, Picture | null>}]>} */
  const first = Promise.all([ask("/api/project"), ask("/api/schema"), ask("/api/pictures")]);
  askForAll();
  const [opened, told, shown] = await first;
  project.value = opened;
  schema.value = told;
  seq.value = opened.seq;
  unitsOfProject.value = opened.inches ? "in" : "mm";
  for (const name of FIRST) fillTable(name, await cameOf(name));
  pictures.value = shown.surfaces;
  const known = rowsOf("surfaces");
  const wanted = new URLSearchParams(location.hash.slice(1)).get("surface");
  surface.value =
    known.find((s) => s.id === wanted)?.id ??
    known.find((s) => shown.surfaces[s.id])?.id ??
    known[0]?.id ??
    "";
  return opened;
}

export async function loadRest() {
  const rest = LOADED.filter((name) => !FIRST.includes(name));
  const numbers = await Promise.all(rest.map(async (name) => fillTable(name, await cameOf(name))));
  // a packed table may be a few edits old; the news begin where the oldest of them ends
  seq.value = Math.min(seq.value, ...numbers);
  coming = new Map();
}

export const faceAddress = (/** @type {string} */ face, /** @type {number} */ size) =>
  `/pictures/face?id=${q(face)}&size=${size}`;
export const term = (/** @type {unknown} */ name) =>
  schema.value?.terms.find((t) => t.name === name) ?? null;
export const family = (/** @type {unknown} */ id) =>
  schema.value?.families.find((f) => f.id === id) ?? null;
export const column = (/** @type {TableName} */ table, /** @type {string} */ name) =>
  schema.value?.tables[table]?.columns.find((c) => c.name === name) ?? null;
/** The columns of a table; none before the project has told of them. */
export const columnsOf = (/** @type {TableName} */ table) =>
  schema.value?.tables[table]?.columns ?? [];
