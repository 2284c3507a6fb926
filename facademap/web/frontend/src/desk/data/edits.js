// Edits and their undoing: every edit is a list of row changes that can be turned round, as long as the project lasts.
import { signal } from "@preact/signals";
import { roundedOf } from "../geometry/shapes.js";
import { t } from "../words/texts.js";
import { ask, q } from "./api.js";
import { anyRowOf, entryOf, project } from "./data.js";
import { KEYS_OF_DESK, newId, newKey } from "./keys.js";
import { applyLocally, onRename, onSettled, post, waiting } from "./outbox.js";
import { who } from "./settings.js";

export { newId };
export const undoable = signal(/** @type {Made[]} */ ([]));
export const redoable = signal(/** @type {Made[]} */ ([]));
/** What is told for a moment. */
export const notice = signal(/** @type {NoticeTold | null} */ (null));
/** How many edits are brought back at once; further ones come when these are used up. */
const PAGE = 60;
let older = { undo: false, redo: false };

const author = () => who.value || "surveyor";
const isGeometry = (/** @type {unknown} */ value) =>
  typeof value === "object" && value !== null && "coordinates" in value && "type" in value;
const plain = (/** @type {unknown} */ value) =>
  isGeometry(value) ? roundedOf(/** @type {Geometry} */ (value)) : (value ?? null);
const same = (/** @type {unknown} */ a, /** @type {unknown} */ b) =>
  JSON.stringify(plain(a)) === JSON.stringify(plain(b));

/**
 * @param {string} what
 * @param {Change[]} changes
 * @param {string} [undoes]
 * @param {string | boolean} [confirmed]
 * @returns {Made | null}
 */
function run(what, changes, undoes, confirmed) {
  if (project.value?.pass === "review") {
    notice.value = { text: t("reviewer.only"), bad: true };
    return null;
  }
  /** @type {Change[]} */
  const inverse = [];
  /** @type {Change[]} */
  const sent = [];
  for (const change of changes) {
    /** @type {Entry | null} */
    const entry = entryOf(change.table, change.id);
    const { op, table, id, values = {} } = change;
    /** @type {Change} */
    let made;
    if (op === "update") {
      if (!entry) continue;
      const before = Object.fromEntries(Object.keys(values).map((k) => [k, entry.row[k] ?? null]));
      inverse.unshift({ op: "update", table, id, values: before, expect: values });
      made = { op, table, id, rev: entry.rev, values };
    } else if (op === "delete") {
      if (!entry) continue;
      inverse.unshift({ op: "restore", table, id, values: { ...entry.row }, rev: entry.rev });
      made = { op, table, id, rev: entry.rev };
    } else {
      inverse.unshift({ op: "delete", table, id, expect: values });
      made = { op, table, id, rev: change.rev ?? null, values };
    }
    sent.push(made);
    applyLocally(made);
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
 * @param {Change[]} changes
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

/**
 * @param {string} what
 * @param {TableName} table
 * @param {string} id
 * @param {Values} values
 */
export const update = (what, table, id, values) =>
  edit(what, [{ op: "update", table, id, values }]);

/**
 * What of an inverse may still be done: nothing that somebody else has changed since is turned back.
 * @param {Change[]} inverse
 */
function untouched(inverse) {
  /** @type {Set<string>} */
  const others = new Set();
  /** @type {Change[]} */
  const changes = [];
  for (const change of inverse) {
    const { op, table, id, values = {}, expect } = change;
    const row = anyRowOf(table, id);
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

/**
 * @param {Signal<Made[]>} from
 * @param {Signal<Made[]>} to
 * @param {"undone" | "redone"} say
 * @param {"undo" | "redo"} name
 */
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
  const changes = [...undoable.value, ...redoable.value].flatMap((made) => made.inverse);
  for (const change of changes) {
    if (to && change.id === from) change.id = to;
    for (const values of [change.values ?? {}, change.expect ?? {}])
      for (const [name, value] of Object.entries(values)) if (value === from) values[name] = to;
  }
});

// the server may mend an outline, and more may follow from an edit than was sent: what turns it back is what it says
onSettled((item, { rows, inverse }) => {
  for (const made of [...undoable.value, ...redoable.value]) {
    if (made.key !== item.key) continue;
    if (inverse) made.inverse = inverse;
    else
      for (const { table, id, expect } of made.inverse) {
        const row = rows.find((r) => r.table === table && r.id === id)?.row;
        if (row && expect)
          for (const name of Object.keys(expect)) if (name in row) expect[name] = row[name];
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
  /** @type {{undo: Made[], redo: Made[], more_undo: boolean, more_redo: boolean}} */
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
    if (!("changes" in item) || !item.inverse) continue;
    if ([...stacks.undo, ...stacks.redo].some((m) => m.key === item.key)) continue;
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
