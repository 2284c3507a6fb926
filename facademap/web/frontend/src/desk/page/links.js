// Addresses that lead to one thing: #repair=R-012 (as on a ticket), #condition=C-003, #block=B-07, #surface=east; with
// &at=repairs the workplace where it was looked at. The address follows what is selected, so that it can be handed on.
import { effect } from "@preact/signals";
import { entryOf, surface } from "../data/data.js";
import { notice } from "../data/edits.js";
import { isNew } from "../data/keys.js";
import { place, select, selection, sheetOpen } from "../data/view.js";
import { PLACE_OF } from "../drawing/opening.js";
import { enter, PLACES } from "../drawing/places.js";
import { hasSketch } from "../drawing/sketch.js";
import { goTo } from "../wall/wall.js";
import { t } from "../words/texts.js";

/** @type {Record<string, TableName>} */
const TABLES = {
  repair: "repairs",
  condition: "conditions",
  stone: "wall_stones",
  opening: "openings",
  block: "blocks",
  surface: "surfaces",
};
/** @type {Record<string, string>} */
const NAMES = Object.fromEntries(Object.entries(TABLES).map(([name, table]) => [table, name]));
/** The address that this page itself wrote last. */
let written = "";

/** Open what the address names; whether it names anything. */
export function openLink() {
  if (location.hash === written) return false;
  const asked = new URLSearchParams(location.hash.slice(1));
  const at = asked.get("at") ?? "";
  for (const [name, id] of asked) {
    const table = TABLES[name];
    if (!table) continue;
    if (!entryOf(table, id)) {
      notice.value = { text: t("link.none", { id }), bad: true };
      return false;
    }
    if (table === "surfaces") {
      surface.value = id;
      continue;
    }
    enter(PLACES.includes(at) ? at : (PLACE_OF[table] ?? "survey"));
    select(table, id);
    // what is being drawn keeps its room
    if (!hasSketch()) sheetOpen.value = true;
    goTo(table, id);
    return true;
  }
  if (PLACES.includes(at)) enter(at);
  return PLACES.includes(at);
}

/** The address of what is looked at now. */
function addressNow() {
  const [first, second] = selection.value;
  const name = first && !second && !isNew(first.id) ? NAMES[first.table] : "";
  /** @type {Record<string, string>} */
  const parts = name && name !== "surface" ? { [name]: first.id } : { surface: surface.value };
  return `#${new URLSearchParams({ ...parts, at: place.value })}`;
}

/** From now on the address follows what is looked at, and what is typed there is opened. */
export function followAddress() {
  addEventListener("hashchange", openLink);
  effect(() => {
    written = addressNow();
    if (location.hash !== written) history.replaceState(history.state, "", written);
  });
}
