// Edits on their way: kept in the browser before anything else, sent in order, never sent twice with effect.
import { signal } from "@preact/signals";
import { Refused, ask } from "./api.js";
import { entryOf, loadTable, project, putRow, renameRow, seq, tableOf } from "./data.js";

export const online = signal(true);
export const waitingEdits = signal(0);
export const conflict = signal(null);
export const refused = signal([]);
export const signedOut = signal(false);
export const lastNews = signal([]);

const queue = [];
const renameListeners = new Set();
export const onRename = (listener) => renameListeners.add(listener);
let database = null;
let sending = false;

function open() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(`facademap ${project.value.id}`, 1);
    request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: "key" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function kept(mode, act) {
  return new Promise((resolve, reject) => {
    if (!database) {
      resolve(null);
      return;
    }
    const transaction = database.transaction("outbox", mode, { durability: "strict" });
    const request = act(transaction.objectStore("outbox"));
    transaction.oncomplete = () => resolve(request?.result ?? null);
    transaction.onerror = () => reject(transaction.error);
  });
}

export async function openOutbox() {
  try {
    database = await open();
    const items = (await kept("readonly", (s) => s.getAll())) ?? [];
    items.sort((a, b) => a.number - b.number);
    for (const item of items) {
      if (item.refusal) refused.value = [...refused.value, item];
      else queue.push(item);
    }
  } catch {
    database = null;
  }
  count();
}

/** Show again what was drawn before the page was closed and has not reached the server yet. */
export function replayWaiting() {
  for (const item of queue) for (const change of item.changes) applyLocally(change);
}

const count = () => {
  waitingEdits.value = queue.length;
};

export function applyLocally(change) {
  const entry = entryOf(change.table, change.id);
  if (change.op === "delete") putRow(change.table, change.id, null, null);
  else if (change.op === "update") {
    if (entry) putRow(change.table, change.id, entry.rev + 1, { ...entry.row, ...change.values });
  } else putRow(change.table, change.id, (change.op === "restore" ? (change.rev ?? 0) : 0) + 1, { ...change.values, id: change.id });
}

let number = Date.now() * 1000;
export async function post(item) {
  item.number = ++number;
  queue.push(item);
  count();
  // the browser keeps it before the server hears of it, so that neither of them dying loses it
  const keeping = kept("readwrite", (s) => s.put(item));
  void keeping.then(send, send);
  return keeping;
}

const touches = (item, table, id) => item.changes.some((c) => c.table === table && c.id === id);
export const isWaiting = (table, id) => queue.some((item) => touches(item, table, id));

export async function send() {
  if (sending || conflict.value || signedOut.value) return;
  sending = true;
  try {
    while (queue.length && !conflict.value) {
      const item = queue[0];
      let answer;
      try {
        const { key, who, what, undoes, changes } = item;
        answer = await ask("/api/edits", { method: "POST", body: { key, who, what, undoes, changes } });
      } catch (error) {
        if (!(error instanceof Refused) || error.status >= 500 || error.status === 0) {
          online.value = false;
          return;
        }
        online.value = true;
        if (error.status === 401) {
          signedOut.value = true;
          return;
        }
        if (error.status === 409 && error.theirs) {
          conflict.value = { item, theirs: error.theirs };
          return;
        }
        await setAside(item, error);
        continue;
      }
      online.value = true;
      await settle(item, answer);
    }
  } finally {
    sending = false;
  }
}

async function settle(item, answer) {
  queue.shift();
  for (const [from, to] of Object.entries(answer.ids)) await rename(from, to, item.changes.find((c) => c.id === from).table);
  await kept("readwrite", (s) => s.delete(item.key));
  for (const { table, id, rev, row } of answer.rows) if (!isWaiting(table, id)) putRow(table, id, rev, row);
  count();
}

async function rename(from, to, table) {
  renameRow(table, from, to);
  for (const item of queue) {
    let changed = false;
    for (const change of item.changes) {
      if (change.id === from) [change.id, changed] = [to, true];
      for (const [name, value] of Object.entries(change.values ?? {})) {
        if (value === from) [change.values[name], changed] = [to, true];
        else if (Array.isArray(value) && value.includes(from)) [change.values[name], changed] = [value.map((v) => (v === from ? to : v)), true];
      }
    }
    if (changed) await kept("readwrite", (s) => s.put(item));
  }
  for (const listener of renameListeners) listener(from, to, table);
}

/** An edit that the server will never take: kept for the person to see, with the reason. */
async function setAside(item, error) {
  queue.shift();
  item.refusal = { problem: error.problem, remedy: error.remedy };
  await kept("readwrite", (s) => s.put(item));
  refused.value = [...refused.value, item];
  count();
  for (const table of new Set(item.changes.map((c) => c.table))) await loadTable(table).catch(() => {});
  replayWaiting();
}

export async function forgetRefused(key) {
  refused.value = refused.value.filter((item) => item.key !== key);
  await kept("readwrite", (s) => s.delete(key));
}

/** Settle a conflict: `values` are those of mine that stay; `null` takes theirs as a whole. */
export async function resolveConflict(values) {
  const { item, theirs } = conflict.value;
  const { table, id } = theirs;
  const mine = item.changes.find((c) => c.table === table && c.id === id);
  if (values === null) {
    for (const other of [...queue]) {
      other.changes = other.changes.filter((c) => !(c.table === table && c.id === id));
      if (!other.changes.length) {
        queue.splice(queue.indexOf(other), 1);
        await kept("readwrite", (s) => s.delete(other.key));
      } else await kept("readwrite", (s) => s.put(other));
    }
    putRow(table, id, theirs.rev, theirs.row);
  } else {
    if (theirs.row === null) [mine.op, mine.values] = ["restore", { ...values }];
    else if (mine.op === "update") mine.values = values;
    let rev = theirs.rev ?? 0;
    for (const other of queue) {
      for (const change of other.changes) {
        if (change.table === table && change.id === id) {
          change.rev = rev;
          rev += 1;
        }
      }
      await kept("readwrite", (s) => s.put(other));
    }
    putRow(table, id, rev, mine.op === "delete" ? null : { ...(theirs.row ?? {}), ...values, id });
  }
  conflict.value = null;
  count();
  await send();
}

/** What others do, as it happens; also notices that the connection is back. */
export async function followNews() {
  for (;;) {
    try {
      const news = await ask(`/api/changes?after=${seq.value}&wait=20`);
      online.value = true;
      for (const { table, id, rev, row } of news.rows) {
        const here = tableOf(table).get(id);
        if (isWaiting(table, id) || (here && here.rev === rev && row)) continue;
        putRow(table, id, rev, row);
      }
      seq.value = Math.max(seq.value, news.seq);
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
