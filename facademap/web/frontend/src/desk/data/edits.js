// Edits and their undoing: every edit is a list of row changes that can be turned round, as long as the project lasts.
import { signal } from "@preact/signals";
import { roundAll } from "../geometry/shapes.js";
import { t } from "../words/texts.js";
import { ask, q } from "./api.js";
import { entryOf, project } from "./data.js";
import { KEYS_OF_DESK, newId, newKey } from "./keys.js";
import { applyLocally, onRename, onSettled, post, waiting } from "./outbox.js";
import { who } from "./settings.js";

export { newId };
export const undoable = signal([]);
export const redoable = signal([]);
/**
 * What is told for a moment.
 * @type {import("@preact/signals").Signal<{text: string, bad?: boolean, undo?: boolean, act?: string, onAct?: () => void} | null>}
 */
export const notice = signal(null);
/** How many edits are brought back at once; further ones come when these are used up. */
const PAGE = 60;
let older = { undo: false, redo: false };

const author = () => who.value || "surveyor";
const plain = (value) =>
  value?.coordinates
    ? { type: value.type, coordinates: roundAll(value.coordinates) }
    : (value ?? null);
const same = (a, b) => JSON.stringify(plain(a)) === JSON.stringify(plain(b));

function run(what, changes, undoes, confirmed) {
  if (project.value?.pass === "review") {
    notice.value = { text: t("reviewer.only"), bad: true };
    return null;
  }
  const inverse = [];
  const sent = [];
  for (const change of changes) {
    const entry = entryOf(change.table, change.id);
    const { op, table, id } = change;
    if ((op === "update" || op === "delete") && !entry) continue;
    if (op === "update") {
      const before = Object.fromEntries(
        Object.keys(change.values).map((k) => [k, entry.row[k] ?? null]),
      );
      inverse.unshift({ op: "update", table, id, values: before, expect: change.values });
      sent.push({ op, table, id, rev: entry.rev, values: change.values });
    } else if (op === "delete") {
      inverse.unshift({ op: "restore", table, id, values: { ...entry.row }, rev: entry.rev });
      sent.push({ op, table, id, rev: entry.rev });
    } else {
      inverse.unshift({ op: "delete", table, id, expect: change.values });
      sent.push({ op, table, id, rev: change.rev ?? null, values: change.values });
    }
    applyLocally(sent.at(-1));
  }
  if (!sent.length) return null;
  const made = { key: newKey(), what, inverse };
  void post({
    ...made,
    kind: "edit",
    who: author(),
    undoes: undoes ?? null,
    ...(confirmed ? { confirmed } : {}),
    changes: sent,
    at: new Date().toISOString(),
  });
  return made;
}

/**
 * Make an edit: stored in the browser at once, on the server as soon as it hears.
 * @param {string} what
 * @param {object[]} changes
 * @param {{confirmed?: string | boolean}} [options] The seal of the consequences that a person has seen.
 */
export function edit(what, changes, { confirmed } = {}) {
  const made = run(what, changes, undefined, confirmed);
  if (made) {
    undoable.value = [...undoable.value, made];
    redoable.value = [];
    older.redo = false;
  }
  return made;
}

export const update = (what, table, id, values) =>
  edit(what, [{ op: "update", table, id, values }]);

/** What of an inverse may still be done: nothing that somebody else has changed since is turned back. */
function untouched(inverse) {
  const others = new Set();
  const changes = [];
  for (const change of inverse) {
    const { op, table, id, values, expect } = change;
    const row = entryOf(table, id)?.row;
    if (op === "restore") {
      if (row) others.add(id);
      else changes.push(change);
    } else if (!row) continue;
    else if (op === "delete") {
      if (Object.entries(expect ?? {}).some(([name, value]) => !same(row[name], value)))
        others.add(id);
      else changes.push(change);
    } else {
      const mine = Object.entries(values).filter(
        ([name]) => !expect || same(row[name], expect[name]),
      );
      if (mine.length < Object.keys(values).length) others.add(id);
      if (mine.length) changes.push({ ...change, values: Object.fromEntries(mine) });
    }
  }
  return { changes, others: [...others] };
}

async function turnBack(from, to, say, name) {
  const last = from.value.at(-1);
  if (!last) return;
  from.value = from.value.slice(0, -1);
  const { changes, others } = untouched(last.inverse);
  const made = changes.length
    ? run(say === "undone" ? `undo: ${last.what}`.slice(0, 80) : last.what, changes, last.key)
    : null;
  if (made) to.value = [...to.value, { ...made, what: last.what }];
  notice.value = others.length
    ? { text: t("undo.others", { ids: others.slice(0, 4).join(", "), what: last.what }), bad: true }
    : { text: t(say, { what: last.what }) };
  if (!from.value.length && older[name]) await recallEdits();
}

export const undo = () => turnBack(undoable, redoable, "undone", "undo");
export const redo = () => turnBack(redoable, undoable, "redone", "redo");

onRename((from, to) => {
  for (const list of [undoable, redoable]) {
    for (const item of list.value) {
      for (const change of item.inverse) {
        if (change.id === from) change.id = to;
        for (const values of [change.values, change.expect])
          for (const [name, value] of Object.entries(values ?? {}))
            if (value === from) values[name] = to;
      }
    }
  }
});

// the server may mend an outline, and more may follow from an edit than was sent: what turns it back is what it says
onSettled((item, { rows, inverse }) => {
  for (const made of [...undoable.value, ...redoable.value]) {
    if (made.key !== item.key) continue;
    if (inverse) made.inverse = inverse;
    else
      for (const change of made.inverse) {
        const row = rows.find((r) => r.table === change.table && r.id === change.id)?.row;
        if (row && change.expect)
          for (const name of Object.keys(change.expect))
            if (name in row) change.expect[name] = row[name];
      }
  }
});

// a stone was moved under what was planned on it
onSettled((item, { told }) => {
  if (!told?.length) return;
  const [first, ...more] = told;
  const others = more.map((other) => other.repair).join(", ");
  const text = `${first.problem}. ${first.remedy}`;
  notice.value = {
    text: others ? `${text} ${t("told.others", { others })}` : text,
    bad: true,
    undo: undoable.value.at(-1)?.key === item.key,
  };
});

/** Bring back what this person can undo and redo, from the history of the project and what still waits here. */
export async function recallEdits() {
  let kept = { undo: [], redo: [], more_undo: false, more_redo: false };
  try {
    kept = await ask(
      `/api/mine?who=${q(author())}&keys=${q(who.value ? "desk-" : KEYS_OF_DESK)}&last=${PAGE}`,
    );
  } catch {
    // without a connection only what waits here can be taken back
  }
  const stacks = { undo: kept.undo, redo: kept.redo };
  for (const item of waiting.value) {
    if (!item.inverse || [...stacks.undo, ...stacks.redo].some((m) => m.key === item.key)) continue;
    const made = { key: item.key, what: item.what.replace(/^undo: /, ""), inverse: item.inverse };
    const undone = stacks.undo.findIndex((m) => m.key === item.undoes);
    const redone = stacks.redo.findIndex((m) => m.key === item.undoes);
    if (undone >= 0) {
      stacks.undo.splice(undone, 1);
      stacks.redo.push(made);
    } else {
      if (redone >= 0) stacks.redo.splice(redone, 1);
      else stacks.redo = [];
      stacks.undo.push(made);
    }
  }
  // what was done on this page while the history was being read comes last
  const known = new Set([...stacks.undo, ...stacks.redo].map((m) => m.key));
  const fresh = undoable.value.filter((m) => !known.has(m.key));
  undoable.value = [...stacks.undo, ...fresh];
  redoable.value = fresh.length ? [] : stacks.redo;
  older = { undo: kept.more_undo, redo: kept.more_redo };
}
