// On to the classes of what was drawn; the digits go through them to the depth.

import { panel, sheetOpen } from "../data/view.js";
import { toClasses } from "./fields.jsx";

const CLASSIFY_MS = 8000;

/** @param {() => void} [then] What is done once the classes are there. */
export function classify(then) {
  panel.value = "record";
  sheetOpen.value = true;
  // a busy page draws the form a little later; whoever has gone on meanwhile is left in peace
  const end = performance.now() + CLASSIFY_MS;
  const go = () =>
    setTimeout(() => {
      if (panel.value !== "record" || performance.now() > end) return;
      if (toClasses()) then?.();
      else go();
    }, 30);
  go();
}
