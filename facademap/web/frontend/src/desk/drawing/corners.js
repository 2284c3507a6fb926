// Corners of what is selected, while it is changed: shown to all, and moved, added and taken out by the keyboard.

import { effect, signal } from "@preact/signals";
import Feature from "ol/Feature.js";
import { MultiPoint, Point } from "ol/geom.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { Circle, Fill, RegularShape, Stroke, Style } from "ol/style.js";
import { anyRowOf } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { live, selection, tool } from "../data/view.js";
import {
  cornerMoved,
  cornersOf,
  faultOf,
  roundedOf,
  withCorner,
  withCornerAdded,
  withoutCorner,
} from "../geometry/shapes.js";
import { HAND } from "../wall/signs.js";
import { chosenSource, drawnOf, holdChosenWhile, map, shapeOf, showChosen } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { canBeCut, canBeShaped, isCutOut } from "./cutout.js";
import { neighboursOf } from "./joined.js";

/** @typedef {RowPlace & {geometry: Geometry, timer: number}} Held What is moved by keys and not stored yet. */

/** @type {TableName[]} */
const FIXED = ["surfaces", "elevations"];
const STEP_PX = 2;
const FAR_PX = 16;
/** A move by keys is one edit once the keys rest. */
const REST_MS = 700;

const dot = new Style({
  geometry: (feature) =>
    new MultiPoint(cornersOf(drawnOf(/** @type {Feature} */ (feature))).map((c) => c.at)),
  image: new RegularShape({
    points: 4,
    radius: 6.5,
    angle: Math.PI / 4,
    fill: new Fill({ color: "#ffffff" }),
    stroke: new Stroke({ color: HAND, width: 1.6 }),
  }),
});
const dots = new VectorLayer({
  source: chosenSource,
  zIndex: 43,
  visible: false,
  style: (feature) =>
    feature.getGeometry()?.getType() === "Point" || isCutOut(feature) ? undefined : dot,
});
const markSource = new VectorSource({ wrapX: false });
const mark = new VectorLayer({
  source: markSource,
  zIndex: 46,
  style: new Style({
    image: new Circle({
      radius: 11,
      stroke: new Stroke({ color: HAND, width: 3 }),
      fill: new Fill({ color: "rgba(11,122,131,.35)" }),
    }),
  }),
});
map.addLayer(dots);
map.addLayer(mark);

/** Which corner of the selection the keys move; -1 for none. */
export const corner = signal(-1);
/** @type {Held | null} */
let held = null;

const chosen = () => {
  const [first] = selection.value;
  if (selection.value.length !== 1 || FIXED.includes(first.table)) return null;
  const row = anyRowOf(first.table, first.id);
  return row?.geometry
    ? { ...first, row, geometry: held?.id === first.id ? held.geometry : row.geometry }
    : null;
};

function show() {
  markSource.clear(true);
  const now = tool.value === "modify" && corner.value >= 0 ? chosen() : null;
  const at = now && cornersOf(now.geometry)[corner.value]?.at;
  if (at) markSource.addFeature(new Feature(new Point(at)));
  else markSource.changed();
}

function store() {
  const done = held;
  if (!done) return;
  clearTimeout(done.timer);
  held = null;
  live.value = null;
  holdChosenWhile(false);
  const fault = faultOf(done.geometry);
  if (fault) notice.value = { text: t(`fault.${fault}`), bad: true };
  else {
    const { table, id } = done;
    const geometry = roundedOf(done.geometry);
    const before = anyRowOf(table, id)?.geometry;
    const beside = before ? neighboursOf([{ table, id, before, after: geometry }]) : [];
    edit(t(table === "repairs" ? "what.cutout" : "what.modify", { id }), [
      { op: "update", table, id, values: { geometry } },
      ...beside,
    ]);
    if (beside.length)
      notice.value = { text: t("together.moved", { n: beside.length }), undo: true };
  }
  showChosen();
}

/**
 * @param {RowPlace} place
 * @param {Geometry} geometry
 */
function hold({ table, id }, geometry) {
  clearTimeout(held?.timer);
  holdChosenWhile(true);
  held = { table, id, geometry, timer: setTimeout(store, REST_MS) };
  const feature = /** @type {Feature | null} */ (chosenSource.getFeatureById(`${table}|${id}`));
  feature?.setGeometry(shapeOf(geometry));
  show();
}

effect(() => {
  dots.setVisible(tool.value === "modify");
  if (tool.value !== "modify") {
    store();
    corner.value = -1;
  }
});
effect(() => {
  void selection.value;
  store();
  corner.value = -1;
});
effect(() => {
  void corner.value;
  show();
});

export const hasCorner = () => tool.value === "modify" && corner.value >= 0 && chosen() !== null;

/** The next or the previous corner; brought into view. */
export function stepCorner(/** @type {number} */ by) {
  const now = chosen();
  if (tool.value !== "modify" || !now) return;
  store();
  const all = cornersOf(now.geometry);
  corner.value =
    (corner.value + by + (corner.value < 0 && by < 0 ? 1 : 0) + all.length) % all.length;
  const { at } = all[corner.value];
  const [left, bottom, right, top] = map.getView().calculateExtent(map.getSize());
  if (at[0] < left || at[0] > right || at[1] < bottom || at[1] > top) map.getView().setCenter(at);
}

/**
 * Move the corner by steps of the screen. Cut-outs keep their sides parallel to themselves.
 * @param {number} dx
 * @param {number} dy
 * @param {boolean} far
 */
export function nudgeCorner(dx, dy, far) {
  const now = chosen();
  const step = (map.getView().getResolution() ?? 0) * (far ? FAR_PX : STEP_PX);
  const found = now && cornersOf(now.geometry)[corner.value];
  if (!found) return;
  const { path, at } = found;
  if (now.table === "repairs" && canBeCut(now.row)) {
    const { stage } = now.row;
    if (!canBeShaped(now.row)) {
      notice.value = { text: t("cutout.settled", { id: now.id, stage }), bad: true };
      return;
    }
    if (now.geometry.type !== "Polygon") return;
    const ring = now.geometry.coordinates[0].slice(0, -1);
    const next = cornerMoved(ring, path[path.length - 1], [dx * step, dy * step]);
    if (next) hold(now, { type: "Polygon", coordinates: [[...next, next[0]]] });
    return;
  }
  hold(now, withCorner(now.geometry, path, [at[0] + dx * step, at[1] + dy * step]));
}

const change = (/** @type {(geometry: Geometry, path: number[]) => Geometry | null} */ make) => {
  const now = chosen();
  const found = now && cornersOf(now.geometry)[corner.value];
  if (!found || (now.table === "repairs" && canBeCut(now.row))) return;
  const geometry = make(now.geometry, found.path);
  if (!geometry) {
    notice.value = { text: t("fault.tooFew"), bad: true };
    return;
  }
  hold(now, geometry);
  store();
};
/** A corner half-way to the next one. */
export const addCorner = () => change(withCornerAdded);
export function removeCorner() {
  change(withoutCorner);
  const now = chosen();
  const left = now ? cornersOf(now.geometry).length : 0;
  corner.value = Math.min(corner.value, left - 1);
  show();
}
export function leaveCorner() {
  store();
  corner.value = -1;
}
