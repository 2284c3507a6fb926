// The tables as this page knows them: rows by id, with their revision. Everything shown is drawn from here.
import { signal } from "@preact/signals";
import { ask, q } from "./api.js";

export const project = signal(null);
export const schema = signal(null);
export const pictures = signal({});
export const surface = signal("");
export const seq = signal(0);

const tables = new Map();
const ticks = new Map();
const listeners = new Set();

export const tableOf = (name) => {
  if (!tables.has(name)) tables.set(name, new Map());
  return tables.get(name);
};
export const tickOf = (name) => {
  if (!ticks.has(name)) ticks.set(name, signal(0));
  return ticks.get(name);
};
/** Rows of a table; a component that calls this is drawn again when the table changes. */
export const rowsOf = (name) => {
  void tickOf(name).value;
  return [...tableOf(name).values()].map((entry) => entry.row);
};
export const entryOf = (name, id) => tableOf(name).get(id) ?? null;
export const rowOf = (name, id) => {
  void tickOf(name).value;
  return tableOf(name).get(id)?.row ?? null;
};
export const revOf = (name, id) => tableOf(name).get(id)?.rev ?? null;

export const onRows = (listener) => {
  listeners.add(listener);
  return () => listeners.delete(listener);
};

let waiting = new Map();
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
  if (!waiting.has(name)) waiting.set(name, new Set());
  waiting.get(name).add(id);
}

export function putRow(name, id, rev, row) {
  if (row === null) tableOf(name).delete(id);
  else tableOf(name).set(id, { rev, row });
  tell(name, id);
}

export function renameRow(name, from, to) {
  const entry = tableOf(name).get(from);
  if (!entry) return;
  tableOf(name).delete(from);
  entry.row = { ...entry.row, id: to };
  tableOf(name).set(to, entry);
  tell(name, from);
  tell(name, to);
}

export async function loadTable(name) {
  const answer = await ask(`/api/tables/${name}`);
  const table = tableOf(name);
  table.clear();
  answer.rows.forEach((row, i) => {
    if (answer.geometry) row.geometry = answer.geometry[i];
    table.set(row.id, { rev: answer.rev[i], row });
  });
  tickOf(name).value += 1;
  for (const listener of listeners) listener(name, null);
  return answer.seq;
}

export const LOADED = ["elevations", "surfaces", "openings", "wall_stones", "conditions", "repairs", "pieces", "blocks",
  "faces", "placements", "plans", "photos", "control_points", "observations", "work_log", "reviews"];
const FIRST = ["elevations", "surfaces"];

export async function loadProject() {
  [project.value, schema.value] = await Promise.all([ask("/api/project"), ask("/api/schema")]);
  seq.value = project.value.seq;
  const [shown] = await Promise.all([ask("/api/pictures"), ...FIRST.map(loadTable)]);
  pictures.value = shown.surfaces;
  const known = rowsOf("surfaces");
  const wanted = new URLSearchParams(location.hash.slice(1)).get("surface");
  surface.value = known.find((s) => s.id === wanted)?.id ?? known.find((s) => shown.surfaces[s.id])?.id ?? known[0]?.id ?? "";
}

export async function loadRest() {
  const rest = LOADED.filter((name) => !FIRST.includes(name));
  await Promise.all(rest.map(loadTable));
}

export const pictureAddress = (photo, size) => `/pictures/photo?id=${q(photo)}&size=${size}`;
export const faceAddress = (face, size) => `/pictures/face?id=${q(face)}&size=${size}`;
export const term = (name) => schema.value?.terms.find((t) => t.name === name) ?? null;
export const family = (id) => schema.value?.families.find((f) => f.id === id) ?? null;
export const column = (table, name) => schema.value?.tables[table]?.columns.find((c) => c.name === name) ?? null;
