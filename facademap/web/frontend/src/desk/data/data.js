// The tables as this page knows them: rows by id, with their revision. Everything shown is drawn from here.
import { signal } from "@preact/signals";
import { ask, q, Refused } from "./api.js";
import { Table, unpack } from "./packed.js";
import { unitsOfProject } from "./settings.js";

export const project = signal(null);
export const schema = signal(null);
export const pictures = signal({});
export const surface = signal("");
export const seq = signal(0);

const tables = new Map();
const ticks = new Map();
const listeners = new Set();

export const tableOf = (name) => {
  if (!tables.has(name)) tables.set(name, new Table());
  return tables.get(name);
};
export const tickOf = (name) => {
  if (!ticks.has(name)) ticks.set(name, signal(0));
  return ticks.get(name);
};
/** Rows of a table; a component that calls this is drawn again when the table changes. */
export const rowsOf = (name) => {
  void tickOf(name).value;
  return tableOf(name).rows();
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
  tableOf(name).set(to, { ...entry, row: { ...entry.row, id: to } });
  tell(name, from);
  tell(name, to);
}

/** Tables that come packed, since they may be large. */
export const PACKED = [
  "openings",
  "wall_stones",
  "repairs",
  "pieces",
  "conditions",
  "control_points",
];

async function fetchPacked(name) {
  const answer = await fetch(`/api/packed/${name}`, { credentials: "same-origin" });
  if (!answer.ok) throw new Refused(answer.status, (await answer.json().catch(() => null))?.error);
  return answer.arrayBuffer();
}

const fetchTable = (name) =>
  PACKED.includes(name) ? fetchPacked(name) : ask(`/api/tables/${name}`);

function fillTable(name, answer) {
  const table = tableOf(name);
  let number;
  if (answer instanceof ArrayBuffer) {
    const pack = unpack(answer);
    table.fill(pack);
    number = pack.seq;
  } else {
    table.clear();
    answer.rows.forEach((row, i) => {
      if (answer.geometry) row.geometry = answer.geometry[i];
      table.set(row.id, { rev: answer.rev[i], row });
    });
    number = answer.seq;
  }
  tickOf(name).value += 1;
  for (const listener of listeners) listener(name, null);
  return number;
}

export async function loadTable(name) {
  return fillTable(name, await fetchTable(name));
}

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
const FIRST = ["elevations", "surfaces"];

/** Asked for at once, at the start; the large ones arrive while the page is being built. */
let coming = null;
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
  const first = ["/api/project", "/api/schema", "/api/pictures"].map((address) => ask(address));
  askForAll();
  let shown;
  [project.value, schema.value, shown] = await Promise.all(first);
  seq.value = project.value.seq;
  unitsOfProject.value = project.value.inches ? "in" : "mm";
  for (const name of FIRST) fillTable(name, await coming.get(name));
  pictures.value = shown.surfaces;
  const known = rowsOf("surfaces");
  const wanted = new URLSearchParams(location.hash.slice(1)).get("surface");
  surface.value =
    known.find((s) => s.id === wanted)?.id ??
    known.find((s) => shown.surfaces[s.id])?.id ??
    known[0]?.id ??
    "";
}

export async function loadRest() {
  const rest = LOADED.filter((name) => !FIRST.includes(name));
  const numbers = await Promise.all(
    rest.map(async (name) => fillTable(name, await coming.get(name))),
  );
  // a packed table may be a few edits old; the news begin where the oldest of them ends
  seq.value = Math.min(seq.value, ...numbers);
  coming = null;
}

export const faceAddress = (face, size) => `/pictures/face?id=${q(face)}&size=${size}`;
export const term = (name) => schema.value?.terms.find((t) => t.name === name) ?? null;
export const family = (id) => schema.value?.families.find((f) => f.id === id) ?? null;
export const column = (table, name) =>
  schema.value?.tables[table]?.columns.find((c) => c.name === name) ?? null;
