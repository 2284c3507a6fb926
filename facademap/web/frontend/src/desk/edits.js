// Edits and their undoing: every edit is a list of row changes that can be turned round.
import { signal } from "@preact/signals";
import { entryOf, project } from "./data.js";
import { applyLocally, onRename, post } from "./outbox.js";
import { who } from "./settings.js";

export const undoable = signal([]);
export const redoable = signal([]);
export const notice = signal(null);

const newKey = () => {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
};
export const newId = () => `new:${newKey().slice(0, 12)}`;

function run(what, changes, undoes) {
  if (project.value?.pass === "review") {
    notice.value = { text: "This link is for reading and reviewing.", bad: true };
    return null;
  }
  const inverse = [];
  const sent = [];
  for (const change of changes) {
    const entry = entryOf(change.table, change.id);
    const { op, table, id } = change;
    if ((op === "update" || op === "delete") && !entry) continue;
    if (op === "update") {
      const before = Object.fromEntries(Object.keys(change.values).map((k) => [k, entry.row[k] ?? null]));
      inverse.unshift({ op: "update", table, id, values: before });
      sent.push({ op, table, id, rev: entry.rev, values: change.values });
    } else if (op === "delete") {
      inverse.unshift({ op: "restore", table, id, values: { ...entry.row }, rev: entry.rev });
      sent.push({ op, table, id, rev: entry.rev });
    } else {
      inverse.unshift({ op: "delete", table, id });
      sent.push({ op, table, id, rev: change.rev ?? null, values: change.values });
    }
    applyLocally(sent.at(-1));
  }
  if (!sent.length) return null;
  const key = newKey();
  void post({ key, who: who.value || "surveyor", what, undoes: undoes ?? null, changes: sent, at: new Date().toISOString() });
  return { key, what, inverse };
}

/** Make an edit: stored in the browser at once, on the server as soon as it hears. */
export function edit(what, changes) {
  const made = run(what, changes);
  if (made) {
    undoable.value = [...undoable.value, made];
    redoable.value = [];
  }
  return made;
}

export const update = (what, table, id, values) => edit(what, [{ op: "update", table, id, values }]);

export function undo() {
  const last = undoable.value.at(-1);
  if (!last) return;
  undoable.value = undoable.value.slice(0, -1);
  const made = run(`undo: ${last.what}`.slice(0, 80), last.inverse, last.key);
  if (made) redoable.value = [...redoable.value, { ...made, what: last.what }];
  notice.value = { text: `Taken back: ${last.what}` };
}

export function redo() {
  const last = redoable.value.at(-1);
  if (!last) return;
  redoable.value = redoable.value.slice(0, -1);
  const made = run(last.what, last.inverse, last.key);
  if (made) undoable.value = [...undoable.value, { ...made, what: last.what }];
  notice.value = { text: `Done again: ${last.what}` };
}

onRename((from, to) => {
  for (const list of [undoable, redoable]) {
    for (const item of list.value) for (const change of item.inverse) if (change.id === from) change.id = to;
  }
});
