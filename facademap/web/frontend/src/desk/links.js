// Addresses that lead to one thing: #repair=R-012 (as on a ticket), #condition=C-003, #block=B-07, #surface=east.
import { entryOf, surface } from "./data.js";
import { notice } from "./edits.js";
import { t } from "./texts.js";
import { enter } from "./Desk.jsx";
import { select, sheetOpen } from "./view.js";
import { goTo } from "./wall.js";

const NARROW_PX = 760;
const TABLES = { repair: "repairs", condition: "conditions", block: "blocks", surface: "surfaces" };
const placeOf = {
  repairs: () => (innerWidth <= NARROW_PX ? "record" : "repairs"),
  conditions: () => "survey",
  blocks: () => "stone",
};

/** Open what the address names. A ticket's code, read by a phone, leads to the record of that repair. */
export function openLink() {
  for (const [name, id] of new URLSearchParams(location.hash.slice(1))) {
    const table = TABLES[name];
    if (!table) continue;
    if (!entryOf(table, id)) {
      notice.value = { text: t("link.none", { id }), bad: true };
      return;
    }
    if (table === "surfaces") surface.value = id;
    else {
      enter(placeOf[table]());
      select(table, id);
      sheetOpen.value = true;
      goTo(table, id);
    }
  }
}
addEventListener("hashchange", openLink);
