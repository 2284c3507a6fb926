// The menu at a place of the wall: what lies there, and what can be done with it.
import { signal } from "@preact/signals";
import { entryOf } from "../data/data.js";
import { select, selection, tool } from "../data/view.js";
import { format, map, rowsAt } from "../wall/wall.js";

/** @type {import("@preact/signals").Signal<{x: number, y: number, here: {table: string, id: string}[]} | null>} */
export const menu = signal(null);

/** Open the menu at a pixel of the wall; what lies there is chosen, unless it is already. */
export function openMenu(/** @type {number[]} */ [x, y]) {
  const here = rowsAt([x, y]).slice(0, 6);
  const chosen = here.some((h) =>
    selection.value.some((s) => s.id === h.id && s.table === h.table),
  );
  if (here.length && !chosen) select(here[0].table, here[0].id);
  menu.value = { x, y, here };
}

export function openMenuForChosen() {
  const [first] = selection.value;
  const geometry = first && entryOf(first.table, first.id)?.row.geometry;
  const extent = geometry && format.readGeometry(geometry).getExtent();
  const at =
    extent &&
    map.getPixelFromCoordinate([(extent[0] + extent[2]) / 2, (extent[1] + extent[3]) / 2]);
  const [w, h] = map.getSize();
  openMenu(at && at[0] > 0 && at[1] > 0 && at[0] < w && at[1] < h ? at : [w / 2, h / 2]);
}

map.getViewport().addEventListener("contextmenu", (event) => {
  event.preventDefault();
  if (["select", "box", "lasso", "modify", "move"].includes(tool.value))
    openMenu(map.getEventPixel(event));
});
