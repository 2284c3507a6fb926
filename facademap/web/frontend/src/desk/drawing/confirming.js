// Proposals confirmed by eye at speed: one after the other is shown; Enter confirms, Delete takes it out, the count goes down.
import { computed, signal } from "@preact/signals";
import { mostDoubtful } from "../data/confidence.js";
import { rowsOf, surface } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { onRename } from "../data/outbox.js";
import { who } from "../data/settings.js";
import { panel, select, tool } from "../data/view.js";
import { goTo, viewMoves } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { remove } from "./deleting.js";

/** @typedef {"wall_stones" | "conditions"} ProposedTable A table in which the machine proposes rows. */

/** @type {ProposedTable[]} */
const TABLES = ["wall_stones", "conditions"];

/** What is being gone through: the table, and those that were passed over. */
export const confirming = signal(
  /** @type {{table: ProposedTable, passed: string[]} | null} */ (null),
);

/**
 * Proposals of the surface in view.
 * @param {ProposedTable} table
 * @returns {(WallStone | Condition)[]}
 */
export const openHere = (table) =>
  /** @type {(WallStone | Condition)[]} */ (rowsOf(table)).filter(
    (r) => r.origin === "assisted" && !r.confirmed_by && r.surface === surface.value,
  );

/** How many proposals wait on this surface, by table. */
export const proposals = computed(() =>
  Object.fromEntries(TABLES.map((table) => [table, openHere(table).length])),
);

/** Read anew after each step: an edit is in the rows before the page has been told of it. */
const left = () => {
  if (!confirming.value) return [];
  const passed = new Set(confirming.value.passed);
  return openHere(confirming.value.table).filter((r) => !passed.has(r.id));
};
const waiting = computed(left);
const shown = computed(() => mostDoubtful(waiting.value));
export const confirmingLeft = () => waiting.value.length;
/** The one that is looked at: the doubtful first, then in the order of courses, from the left. */
export const confirmingShown = () => shown.value;
const confirmingNow = () => mostDoubtful(left());

/** @param {boolean} [going] Whether the view goes there, too. */
function show(going = true) {
  const row = confirmingNow();
  if (!row || !confirming.value) {
    notice.value = { text: t("confirm.done") };
    confirming.value = null;
    return;
  }
  const { table } = confirming.value;
  select(table, row.id);
  panel.value = "record";
  if (going) goTo(table, row.id);
}

/** @param {TableName} [table] Which proposals first. */
export function beginConfirming(table) {
  const found = [...TABLES.filter((n) => n === table), ...TABLES].find((n) => openHere(n).length);
  if (!found) {
    notice.value = { text: t("confirm.none") };
    return;
  }
  tool.value = "select";
  confirming.value = { table: found, passed: [] };
  show();
  // the keys go to the wall, not to the button that led here
  /** @type {HTMLElement | null} */ (document.querySelector(".wall .map"))?.focus({
    preventScroll: true,
  });
}

export function confirmNow() {
  const row = confirmingNow();
  if (!row || !confirming.value) return;
  const { table } = confirming.value;
  edit(t("what.confirm", { id: row.id }), [
    { op: "update", table, id: row.id, values: { confirmed_by: who.value || "surveyor" } },
  ]);
  show();
}

/** The proposal is none: it goes, and comes back by undo. */
export async function rejectNow() {
  const row = confirmingNow();
  if (!row || !confirming.value) return;
  const moves = viewMoves();
  await remove([{ table: confirming.value.table, id: row.id }]);
  // where a person has moved the view while the server was asked, it stays there
  if (confirming.value && confirmingNow()?.id !== row.id) show(viewMoves() === moves);
}

export function passOver() {
  const row = confirmingNow();
  if (!row || !confirming.value) return;
  confirming.value = { ...confirming.value, passed: [...confirming.value.passed, row.id] };
  show();
}

onRename((from, to) => {
  if (to && confirming.value?.passed.includes(from))
    confirming.value = {
      ...confirming.value,
      passed: confirming.value.passed.map((id) => (id === from ? to : id)),
    };
});

export const endConfirming = () => {
  confirming.value = null;
};
