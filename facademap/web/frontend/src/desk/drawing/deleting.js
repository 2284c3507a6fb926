// Deleting: what depends on a thing is told before it goes. The server knows; what it says is confirmed by a person.
import { signal } from "@preact/signals";
import { ask, refusalIn } from "../data/api.js";
import { entryOf } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { isNew } from "../data/keys.js";
import { online } from "../data/outbox.js";
import { dialog, selection } from "../data/view.js";
import { t } from "../words/texts.js";

/** @type {TableName[]} */
const FIXED = ["surfaces", "elevations"];
/** What is being asked for, while the server looks. */
export const looking = signal(false);

/**
 * Rows that are there, as changes that delete them.
 * @param {RowPlace[]} rows
 * @returns {Change[]}
 */
const deletions = (rows) =>
  rows
    .filter(({ table, id }) => !FIXED.includes(table) && entryOf(table, id))
    .map(({ table, id }) => ({ op: "delete", table, id }));

/**
 * @param {Change[]} changes
 * @param {string} [confirmed] Seal of the consequences that a person has seen.
 */
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
 * @param {RowPlace[]} rows
 */
export async function remove(rows) {
  const changes = deletions(rows);
  if (!changes.length) return;
  const stored = changes.filter(({ id }) => !isNew(id));
  if (!stored.length) {
    carryOut(changes);
    return;
  }
  /** @type {Consequences | null} */
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

/**
 * Go through with what the dialogue told.
 * @param {{changes: Change[], told: Consequences | null}} asked
 */
export function removeAfterAll({ changes, told }) {
  dialog.value = null;
  carryOut(changes, told?.seal);
}

export const removeChosen = () => remove(selection.value);
