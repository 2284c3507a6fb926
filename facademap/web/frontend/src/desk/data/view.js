// What is looked at: workplace, selection, tool, panel.
import { computed, signal } from "@preact/signals";
import { entryOf, surface, tickOf } from "./data.js";
import { onRename } from "./outbox.js";

export const place = signal("survey");
export const panel = signal("record");
export const sheetOpen = signal(true);
/** On a phone, the sheet over the whole wall. */
export const sheetTall = signal(false);
export const tool = signal("select");
export const selection = signal(/** @type {RowPlace[]} */ ([]));
export const live = signal(/** @type {Live | null} */ (null));
export const pointer = signal(/** @type {number[] | null} */ (null));
/** Whether something is being drawn just now. */
export const sketching = signal(false);
export const dialog = signal(/** @type {Asked | null} */ (null));
/**
 * Values of the next condition: its term as it is offered; with `sticky` all of them as a person chose them before.
 * @type {Signal<Offered>}
 */
export const template = signal({ term: "contour scaling" });
export const drawTable = signal(/** @type {TableName} */ ("conditions"));
export const swipe = signal(/** @type {Compared | null} */ (null));

export const selected = computed(() => {
  const [first] = selection.value;
  if (!first) return null;
  void tickOf(first.table).value;
  return entryOf(first.table, first.id)?.row ?? null;
});

export const select = (/** @type {TableName} */ table, /** @type {string | string[]} */ ids) => {
  selection.value = [ids].flat().map((id) => ({ table, id }));
};
export const isSelected = (/** @type {TableName} */ table, /** @type {string} */ id) =>
  selection.value.some((s) => s.table === table && s.id === id);

/** @type {Map<string, string>} */
const once = new Map();
/** The name a thing had on this page before it got its number: what is typed about it stays where it is. */
export const firstName = (/** @type {string} */ id) => once.get(id) ?? id;
onRename((from, to) => {
  if (!to) return;
  once.set(to, firstName(from));
  if (selection.value.some((s) => s.id === from)) {
    selection.value = selection.value.map((s) => (s.id === from ? { ...s, id: to } : s));
  }
});

export const onSurface = (/** @type {{surface?: string | null}} */ row) =>
  row.surface === surface.value;
