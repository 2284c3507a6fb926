// The menu at a place of the wall: what lies there, and what can be done with it.
import { signal } from "@preact/signals";
import { anyRowOf } from "../data/data.js";
import { select, selection, tool } from "../data/view.js";
import { boxOf } from "../geometry/shapes.js";
import { map, rowsAt, viewport } from "../wall/wall.js";

export const menu = signal(/** @type {{x: number, y: number, here: RowPlace[]} | null} */ (null));

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
  const geometry = first && anyRowOf(first.table, first.id)?.geometry;
  const extent = geometry && boxOf(geometry);
  const at =
    extent &&
    map.getPixelFromCoordinate([(extent[0] + extent[2]) / 2, (extent[1] + extent[3]) / 2]);
  const [w, h] = map.getSize() ?? [0, 0];
  openMenu(at && at[0] > 0 && at[1] > 0 && at[0] < w && at[1] < h ? at : [w / 2, h / 2]);
}

viewport.addEventListener("contextmenu", (event) => {
  event.preventDefault();
  if (["select", "box", "lasso", "modify", "move"].includes(tool.value))
    openMenu(map.getEventPixel(event));
});
