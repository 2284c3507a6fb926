// Deleting: what depends on a thing is told before it goes. The server knows; what it says is confirmed by a person.
import { signal } from "@preact/signals";
import { ask, refusalIn } from "../data/api.js";
import { entryOf } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { isNew } from "../data/keys.js";
import { online } from "../data/outbox.js";
import { dialog, selection } from "../data/view.js";
import { t } from "../words/texts.js";

const FIXED = ["surfaces", "elevations"];
/** What is being asked for, while the server looks. */
export const looking = signal(false);

/** @typedef {{table: string, id: string}} Row */

/** Rows that are there, as changes that delete them. */
const deletions = (/** @type {Row[]} */ rows) =>
  rows
    .filter(({ table, id }) => !FIXED.includes(table) && entryOf(table, id))
    .map(({ table, id }) => ({ op: "delete", table, id }));

function carryOut(changes, confirmed) {
  const made = edit(t("what.delete", { n: changes.length }), changes, { confirmed });
  if (!made) return;
  const gone = new Set(changes.map(({ table, id }) => `${table}|${id}`));
  selection.value = selection.value.filter(({ table, id }) => !gone.has(`${table}|${id}`));
  notice.value = { text: t("deleted", { n: changes.length }), undo: true };
}

/**
 * Delete rows. Where nothing depends on them they go at once and come back by undo; otherwise it is said what follows,
 * and asked.
 * @param {Row[]} rows
 */
export async function remove(rows) {
  const changes = deletions(rows);
  if (!changes.length) return;
  const stored = changes.filter(({ id }) => !isNew(id));
  if (!stored.length) {
    carryOut(changes);
    return;
  }
  let told;
  looking.value = true;
  try {
    told = await ask("/api/consequences", { method: "POST", body: { changes: stored } });
  } catch (error) {
    if (refusalIn(error) && online.value) {
      notice.value = { text: refusalIn(error), bad: true };
      return;
    }
    // what depends on it is not known here: the server tells when the connection is back, and asks then
    told = null;
  } finally {
    looking.value = false;
  }
  if (told?.free) carryOut(changes);
  else dialog.value = { kind: "delete", changes, told };
}

/** Go through with what the dialogue told. */
export function removeAfterAll({ changes, told }) {
  dialog.value = null;
  carryOut(changes, told?.seal);
}

export const removeChosen = () => remove(selection.value);
