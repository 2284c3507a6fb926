// A damage found by clicks: the first one proposes it; with Shift a place belongs to it too, with Alt it does not.
import { effect } from "@preact/signals";
import Feature from "ol/Feature.js";
import { Point as OlPoint } from "ol/geom.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { Circle, Fill, Stroke, Style } from "ol/style.js";
import { tool } from "../data/view.js";
import { HAND } from "../wall/signs.js";
import { map } from "../wall/wall.js";
import { findDamage, outlineAt } from "./assist.js";
import { addRow, isHeld, redraw } from "./rows.js";

const spot = (/** @type {string} */ fill) =>
  new Style({
    image: new Circle({
      radius: 5,
      stroke: new Stroke({ color: HAND, width: 2 }),
      fill: new Fill({ color: fill }),
    }),
  });
const [INSIDE, OUTSIDE] = [spot(HAND), spot("#ffffff")];
const source = new VectorSource({ wrapX: false });
map.addLayer(
  new VectorLayer({ source, zIndex: 46, style: (f) => (f.get("outside") ? OUTSIDE : INSIDE) }),
);

/** @typedef {{inside: Point[], outside: Point[], held: import("./rows.js").HeldAs | undefined}} Clicks */
/**
 * The clicks that belong together, and what was drawn from them; the last ones asked for are the ones that count.
 * @type {Clicks | null}
 */
let now = null;

function show() {
  source.clear(true);
  const mark = (/** @type {boolean} */ outside) => (/** @type {Point} */ at) =>
    new Feature({ geometry: new OlPoint(at), outside });
  source.addFeatures([
    ...(now?.inside ?? []).map(mark(false)),
    ...(now?.outside ?? []).map(mark(true)),
  ]);
  source.changed();
}

effect(() => {
  if (tool.value === "outline") return;
  now = null;
  show();
});

/**
 * @param {Point} at
 * @param {{shiftKey: boolean, altKey: boolean}} keys
 */
export async function damageAt(at, { shiftKey, altKey }) {
  // a click may follow before the answer to the one before has come
  const going = (shiftKey || altKey) && now && (!now.held || isHeld(now.held)) ? now : null;
  /** @type {Clicks} */
  const mine = {
    inside: [...(going?.inside ?? []), ...(going && altKey ? [] : [at])],
    outside: [...(going?.outside ?? []), ...(going && altKey ? [at] : [])],
    held: going?.held,
  };
  now = mine;
  show();
  const found = await findDamage(mine.inside, mine.outside);
  if (now !== mine) return;
  // where no damage is seen, a first click may mean a stone; a place that was added to a damage means none
  const geometry = found?.geometry ?? (going ? null : await outlineAt(at));
  if (now !== mine) return;
  if (!geometry) {
    // a place with which nothing is seen would keep every later one from being answered
    now = going;
    show();
    return;
  }
  const extra = { origin: "assisted", ...(found ? { note: found.note } : {}) };
  if (mine.held && isHeld(mine.held)) redraw(mine.held, geometry, extra, found?.term);
  else mine.held = addRow(geometry, extra, found?.term);
}
