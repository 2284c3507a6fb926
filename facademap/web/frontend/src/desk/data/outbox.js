// Everything on its way, in one line: edits, entries of the record, photos, reviews. Kept in the browser before
// anything else, sent in the order it was made, never sent twice with effect.
import { computed, signal } from "@preact/signals";
import { ask, Refused } from "./api.js";
import { entryOf, loadTable, putRow, renameRow, seq, tableOf } from "./data.js";
import { holdFast, keep, keptItems, letGo, openKept } from "./kept.js";

export const online = signal(true);
export const waiting = signal(/** @type {Item[]} */ ([]));
export const waitingEdits = computed(() => waiting.value.length);
/** What met a change of somebody else, and the row as it is there. */
export const conflict = signal(
  /** @type {{item: Item, theirs: Theirs | WorkTheirs} | null} */ (null),
);
export const refused = signal(/** @type {Item[]} */ ([]));
/** Why the server cannot store at the moment; the edits wait here meanwhile. */
export const trouble = signal("");
export const signedOut = signal(false);
export const lastNews = signal(/** @type {EditTold[]} */ ([]));
/** Whether this browser keeps what waits when the page is closed. */
export const keeps = signal(true);

/** Revision of a change whose row was changed by somebody else, which is still to be asked about. */
const UNSEEN = -1;
/** @type {Item[]} */
let queue = [];
/** @typedef {(from: string, to: string | null, table?: TableName) => void} RenameListener `to` is null where it came to nothing. */
/** @type {Set<RenameListener>} */
const renameListeners = new Set();
/** Told when something new got its number; what is returned ends the telling. */
export const onRename = (/** @type {RenameListener} */ listener) => {
  renameListeners.add(listener);
  return () => renameListeners.delete(listener);
};
/** @typedef {(item: Item, answer: Settled) => void} SettleListener */
/** @type {Set<SettleListener>} */
const settleListeners = new Set();
/** Told when an edit has arrived, with what the server says of it. */
export const onSettled = (/** @type {SettleListener} */ listener) => settleListeners.add(listener);
let sending = false;

/**
 * How things of one kind are sent, shown before they arrive, and settled when they have.
 * @template {Item} I
 * @template A
 * @typedef {object} SendKind
 * @property {(item: I) => Promise<A>} send
 * @property {(item: I, tables?: Set<TableName>) => void} [show]
 * @property {(item: I, answer: A) => unknown} [settle]
 * @property {(item: I) => TableName[]} [tables] Tables that are read again where it is refused.
 * @property {(item: I) => Promise<void>} [refused]
 */

/** @type {SendKind<Edit, Settled>} */
const edits = {
  send: ({ key, who, what, undoes, changes, confirmed }) =>
    ask("/api/edits", { method: "POST", body: { key, who, what, undoes, changes, confirmed } }),
  show: (item, tables) =>
    item.changes.filter((c) => !tables || tables.has(c.table)).forEach(applyLocally),
  async settle(item, answer) {
    for (const [from, to] of Object.entries(answer.ids))
      await rename(from, to, item.changes.find((c) => c.id === from)?.table);
    for (const row of answer.rows) await settleRow(row);
    for (const listener of settleListeners) listener(item, answer);
  },
  tables: (item) => item.changes.map((c) => c.table),
};

/** @type {Partial<Record<Item["kind"], SendKind<Item, unknown>>>} */
const kinds = {};
/**
 * @template {Item["kind"]} K
 * @template A
 * @param {K} name
 * @param {SendKind<Extract<Item, {kind: K}>, A>} how
 */
export const sendKind = (name, how) => {
  // a kind is only ever asked about its own items and answers
  kinds[name] = /** @type {SendKind<Item, unknown>} */ (/** @type {unknown} */ (how));
};
sendKind("edit", edits);
const kindOf = (/** @type {Item} */ item) => {
  const found = kinds[item.kind ?? "edit"];
  if (!found) throw new Error(`nothing is known of sending ${item.kind}`);
  return found;
};

const count = () => {
  waiting.value = [...queue];
};

/** @param {string} projectId */
export async function openOutbox(projectId) {
  keeps.value = await openKept(projectId);
  try {
    for (const item of await keptItems()) {
      if (item.refusal) refused.value = [...refused.value, item];
      else queue.push(item);
    }
  } catch {
    keeps.value = false;
  }
  if (queue.length) void holdFast();
  count();
}

/**
 * Show again what has not reached the server yet, on tables that were read again just now; all of them, when none is named.
 * @param {Set<TableName>} [tables]
 */
export function replayWaiting(tables) {
  for (const item of queue) kindOf(item).show?.(item, tables);
}

export function applyLocally(/** @type {Change} */ change) {
  const entry = entryOf(change.table, change.id);
  if (change.op === "delete") putRow(change.table, change.id, null, null);
  else if (change.op === "update") {
    if (entry) putRow(change.table, change.id, entry.rev + 1, { ...entry.row, ...change.values });
  } else
    putRow(change.table, change.id, (change.op === "restore" ? (change.rev ?? 0) : 0) + 1, {
      ...change.values,
      id: change.id,
    });
}

let number = Date.now() * 1000;
export async function post(/** @type {Item} */ item) {
  item.number = ++number;
  queue.push(item);
  count();
  // the browser keeps it before the server hears of it, so that neither of them dying loses it
  const keeping = keep(item).catch(() => {
    keeps.value = false;
  });
  void keeping.then(send, send);
  if (!online.value) void holdFast();
  return keeping;
}

/**
 * What of an item changes a row.
 * @param {Item} item
 * @param {TableName} table
 * @param {string} id
 */
const changesOf = (item, table, id) =>
  "changes" in item ? item.changes.filter((c) => c.table === table && c.id === id) : [];
export const isWaiting = (/** @type {TableName} */ table, /** @type {string} */ id) =>
  queue.some((item) => changesOf(item, table, id).length > 0);

export async function send() {
  if (sending || conflict.value || signedOut.value) return;
  sending = true;
  try {
    while (queue.length && !conflict.value) {
      const item = queue[0];
      let answer;
      try {
        answer = await kindOf(item).send(item);
      } catch (error) {
        if (!(error instanceof Refused) || error.status >= 500 || error.status === 0) {
          // a server that answers but cannot store says why: a full disk, a project that was moved
          if (error instanceof Refused && error.problem)
            trouble.value = `${error.problem}. ${error.remedy}`;
          else online.value = false;
          return;
        }
        online.value = true;
        if (error.status === 401) {
          signedOut.value = true;
          return;
        }
        if (error.status === 409 && error.theirs) {
          if (await settlesItself(item, error.theirs)) continue;
          conflict.value = { item, theirs: error.theirs };
          return;
        }
        await setAside(item, error);
        continue;
      }
      online.value = true;
      trouble.value = "";
      queue.shift();
      await kindOf(item).settle?.(item, answer);
      await letGo(item.key);
      count();
    }
  } finally {
    sending = false;
  }
}

/** @typedef {Change & {rev: number}} Numbered */
/**
 * @param {Change} change
 * @returns {change is Numbered}
 */
const isNumbered = (change) => change.rev !== null && change.rev !== undefined;

/** A row as the server now has it; what still waits for it is put on top of that, where nobody came between. */
async function settleRow(/** @type {RowTold} */ { table, id, rev, row, was }) {
  if (!isWaiting(table, id)) {
    putRow(table, id, rev, row);
    return;
  }
  /** @type {[number, AnyRow | null]} */
  let [next, whole] = [rev ?? 0, row];
  for (const item of queue) {
    let changed = false;
    for (const change of changesOf(item, table, id).filter(isNumbered)) {
      if (change.rev === UNSEEN) return;
      // every revision from `was` to `rev` is of the edit that has just arrived
      if (next === (rev ?? 0) && !(was !== undefined && change.rev >= was && change.rev <= next))
        return;
      if (change.rev !== next) [change.rev, changed] = [next, true];
      // a deletion leaves the number; what is brought back goes on from it
      if (change.op !== "delete") next += 1;
      whole = change.op === "delete" ? null : { ...whole, ...change.values, id };
    }
    if (changed) await keep(item);
  }
  putRow(table, id, next, whole);
}

/**
 * @param {unknown} value
 * @param {string} from
 * @param {string | null} to
 * @returns {unknown}
 */
const replaced = (value, from, to) => {
  if (value === from) return to;
  if (Array.isArray(value)) return value.map((v) => replaced(v, from, to));
  if (value && typeof value === "object" && Object.getPrototypeOf(value) === Object.prototype)
    return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, replaced(v, from, to)]));
  return value;
};

/**
 * A thing that was new has its number now: everything that still waits calls it by that. The page learns of it at once,
 * so that nobody loses the field in which they type.
 * @param {string} from
 * @param {string | null} to Null where it came to nothing.
 * @param {TableName} [table]
 */
export async function rename(from, to, table) {
  if (table && to) renameRow(table, from, to);
  const named = queue.filter((item) => JSON.stringify(item).includes(from));
  for (const item of named)
    for (const [name, value] of Object.entries(item))
      Object.assign(item, { [name]: replaced(value, from, to) });
  for (const listener of renameListeners) listener(from, to, table);
  for (const item of named) await keep(item);
}

/** What the server will never take: kept for the person to see, with the reason. */
async function setAside(/** @type {Item} */ item, /** @type {Refused} */ error) {
  queue.shift();
  const { problem, remedy, consequences } = error;
  item.refusal = { problem, remedy, consequences };
  await keep(item);
  refused.value = [...refused.value, item];
  await kindOf(item).refused?.(item);
  count();
  await readAgain(item);
}

async function readAgain(/** @type {Item} */ item) {
  /** @type {Set<TableName>} */
  const again = new Set();
  let after = seq.value;
  for (const table of new Set(kindOf(item).tables?.(item) ?? [])) {
    await loadTable(table).then(
      (number) => {
        again.add(table);
        after = Math.min(after, number ?? after);
      },
      () => {},
    );
  }
  replayWaiting(again);
  // a table that comes packed may be a few edits old
  if (after < seq.value) await ask(`/api/changes?after=${after}&wait=0`).then(takeNews, () => {});
}

export async function forgetRefused(/** @type {string} */ key) {
  refused.value = refused.value.filter((item) => item.key !== key);
  await letGo(key);
}

/**
 * Send what was refused once more, after everything else that waits.
 * @param {string} key
 * @param {string} [confirmed] Seal of what follows from it, where that was seen.
 */
export async function tryAgain(key, confirmed) {
  const item = refused.value.find((i) => i.key === key);
  if (!item) return;
  if (confirmed && "changes" in item) item.confirmed = confirmed;
  refused.value = refused.value.filter((i) => i !== item);
  delete item.refusal;
  kindOf(item).show?.(item);
  await post(item);
}

/**
 * Everything that waits here for a row, the later over the earlier: what a person chooses from when it met somebody else's.
 * @param {TableName} table
 * @param {string} id
 * @returns {Values}
 */
export function mineOf(table, id) {
  return Object.assign(
    {},
    ...queue
      .flatMap((item) => changesOf(item, table, id))
      .filter((c) => c.op !== "delete")
      .map((c) => c.values),
  );
}

/** Leave changes out of everything that waits; an edit of which nothing is left goes. */
async function without(/** @type {(change: Change) => boolean} */ drop) {
  for (const item of [...queue]) {
    if (!("changes" in item)) continue;
    item.changes = item.changes.filter((c) => !drop(c));
    if (item.changes.length) await keep(item);
    else {
      queue.splice(queue.indexOf(item), 1);
      await letGo(item.key);
    }
  }
}

/** Where both deleted the same row there is nothing to choose; whether that was so. */
async function bothDeleted(/** @type {Theirs} */ { table, id, row }) {
  if (row !== null || entryOf(table, id)) return false;
  const onlyDeleted = queue.every((item) =>
    changesOf(item, table, id).every((c) => c.op === "delete"),
  );
  if (!onlyDeleted) return false;
  await without((c) => c.table === table && c.id === id);
  count();
  return true;
}

/**
 * A deletion that was taken back here before it was sent never was: neither of the two is asked about or written over what
 * somebody else did meanwhile. Whether nothing of the row is left in the edit that met them.
 * @param {Item} item
 * @param {Theirs} theirs
 */
async function neverDeleted(item, { table, id, rev, row }) {
  /** @type {Set<Change>} */
  const gone = new Set();
  /** @type {Change | null} */
  let deleted = null;
  for (const change of queue.flatMap((i) => changesOf(i, table, id))) {
    if (change.op === "delete") deleted = change;
    else if (change.op === "restore" && deleted) {
      gone.add(deleted).add(change);
      deleted = null;
    }
  }
  if (!gone.size) return false;
  await without((c) => gone.has(c));
  if (!isWaiting(table, id)) putRow(table, id, rev, row);
  count();
  return !changesOf(item, table, id).length;
}

/** Whether there is nothing for a person to choose. */
const settlesItself = async (/** @type {Item} */ item, /** @type {Theirs} */ theirs) =>
  (await bothDeleted(theirs)) || neverDeleted(item, theirs);

/**
 * Settle a conflict over a row: `theirsHold` names the columns that stay as they are there; `null` takes theirs as a whole.
 * @param {string[] | null} theirsHold
 */
export async function resolveConflict(theirsHold) {
  if (!conflict.value) return;
  const { item, theirs } = conflict.value;
  if (theirs.table === "work") return;
  const { table, id } = theirs;
  const isHere = (/** @type {Change} */ c) => c.table === table && c.id === id;
  if (theirsHold === null) {
    await without(isHere);
    putRow(table, id, theirs.rev, theirs.row);
  } else {
    const [mine] = changesOf(item, table, id);
    if (theirs.row === null) {
      // what was deleted comes back whole, as it is seen here
      const { id: _, ...whole } = entryOf(table, id)?.row ?? {};
      [mine.op, mine.values] = ["restore", { ...whole, ...mine.values }];
    }
    if (mine.op === "insert") mine.op = "update";
    let rev = theirs.rev ?? 0;
    for (const change of queue.flatMap((other) => changesOf(other, table, id))) {
      // one that deletes what somebody changed meanwhile is asked for by itself
      if (change.op === "delete" && change !== mine) {
        change.rev = UNSEEN;
        break;
      }
      for (const name of theirsHold) delete change.values?.[name];
      if (isEmptied(change)) continue;
      change.rev = rev;
      rev += 1;
    }
    await without((c) => isHere(c) && isEmptied(c));
    putRow(
      table,
      id,
      rev,
      mine.op === "delete" ? null : { ...(theirs.row ?? {}), ...mineOf(table, id), id },
    );
  }
  conflict.value = null;
  count();
  await send();
}

/** An update of which no column is left. */
const isEmptied = (/** @type {Change} */ { op, values }) =>
  op === "update" && !Object.keys(values ?? {}).length;

/**
 * Settle a conflict over an entry of another kind: it is sent again on top of theirs, or left.
 * @param {Partial<Act> | null} again What of it is sent otherwise; null leaves it.
 */
export async function settleEntry(again) {
  if (!conflict.value) return;
  const { item } = conflict.value;
  if (again) {
    Object.assign(item, again);
    await keep(item);
  } else {
    queue = queue.filter((i) => i !== item);
    await letGo(item.key);
    await readAgain(item);
  }
  conflict.value = null;
  count();
  await send();
}

function takeNews(/** @type {News} */ news) {
  for (const { table, id, rev, row } of news.rows) {
    const here = tableOf(table).get(id);
    if (isWaiting(table, id) || (here && here.rev === rev && row)) continue;
    putRow(table, id, rev, row);
  }
  seq.value = Math.max(seq.value, news.seq);
}

globalThis.addEventListener?.("online", () => void send());

/** What others do, as it happens; also notices that the connection is back. */
export async function followNews() {
  for (;;) {
    try {
      // after a silence it is asked without waiting, so that what is kept here leaves at once
      const news = await ask(`/api/changes?after=${seq.value}&wait=${online.value ? 20 : 0}`);
      online.value = true;
      takeNews(news);
      if (news.edits.length) lastNews.value = news.edits;
      if (queue.length) void send();
    } catch (error) {
      if (error instanceof Refused && error.status === 401) {
        signedOut.value = true;
        return;
      }
      online.value = false;
      await new Promise((resolve) => setTimeout(resolve, 1500));
    }
  }
}
