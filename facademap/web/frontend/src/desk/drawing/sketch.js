// The sketch in hand: drawn corner by corner, kept in this browser, taken back by corner, mended where it crosses itself.

import { effect, signal } from "@preact/signals";
import Collection from "ol/Collection.js";
import { noModifierKeys, primaryAction } from "ol/events/condition.js";
import Feature from "ol/Feature.js";
import { MultiPoint, Point, Polygon } from "ol/geom.js";
import { Draw, Modify } from "ol/interaction.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { surface } from "../data/data.js";
import { notice } from "../data/edits.js";
import { newKey } from "../data/keys.js";
import { dialog, drawTable, live, place, selection, sketching, tool } from "../data/view.js";
import { crossingsOf, untangled } from "../geometry/crossings.js";
import { faultOf, lengthOfLine, roundAll } from "../geometry/shapes.js";
import { crossingStyle, sketchStyle } from "../wall/signs.js";
import { extraSource, map } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { drafts, dropDraft, keepDraft, tab } from "./drafts.js";

/** Tools whose corners are kept while they are drawn. */
const KEPT = new Set([
  "polygon",
  "freehand",
  "line",
  "hole",
  "cut",
  "split",
  "follow",
  "course",
  "measure",
]);
/** From so many corners on, leaving a sketch is asked for. */
const MUCH = 5;
const REST_MS = 300;

/** An outline that crosses itself and waits to be mended, with the tool that drew it. */
export const mended = signal(/** @type {{corners: any[], of: string} | null} */ (null));
/** Corners of the sketch now. */
export const cornerCount = signal(0);
/** What is done with the geometry of a tool once it is whole; filled by the tools. */
/** @type {Record<string, (geometry: any) => void>} */
export const ends = {};

let drawing = null;
let sketch = null;
let key = "";
/** Tool of the sketch: by the time it is set aside another one may be in hand. */
let drawnBy = "";
let ending = "drop";
let taken = [];
let timer = null;

const crossSource = new VectorSource({ wrapX: false });
map.addLayer(new VectorLayer({ source: crossSource, zIndex: 47, style: crossingStyle }));

export const isDrawing = () => Boolean(drawing);
export const hasSketch = () => Boolean(sketch) || Boolean(mended.value);

/** Corners that are set, without the one that follows the pointer. */
export function cornersNow() {
  if (mended.value) return mended.value.corners;
  const geometry = sketch?.getGeometry();
  if (!geometry) return [];
  if (geometry.getType() === "Polygon") return (geometry.getCoordinates()[0] ?? []).slice(0, -2);
  if (geometry.getType() === "LineString") return geometry.getCoordinates().slice(0, -1);
  return [];
}

const isArea = (name) => ["polygon", "freehand", "hole", "cut", "mend"].includes(name);

function showCrossings(corners, closed) {
  const found = corners.length > 3 ? crossingsOf(corners, closed) : [];
  crossSource.clear(true);
  if (found.length) crossSource.addFeature(new Feature(new MultiPoint(found)));
  else crossSource.changed();
  return found.length > 0;
}

function keepNow() {
  clearTimeout(timer);
  timer = null;
  const corners = cornersNow();
  if (!key || !corners.length) return;
  const name = mended.value ? mended.value.of : drawnBy;
  keepDraft({
    key,
    tool: name === "freehand" ? "polygon" : name,
    table: drawTable.value,
    place: place.value,
    surface: surface.value,
    corners: roundAll(corners),
    selection: selection.value.slice(0, 200),
    tab,
    at: Date.now(),
  });
}

const keepSoon = () => {
  if (!timer) timer = setTimeout(keepNow, cornersNow().length > 60 ? REST_MS : 0);
};
globalThis.addEventListener?.("pagehide", keepNow);

function forget() {
  clearTimeout(timer);
  timer = null;
  if (key) dropDraft(key);
  key = "";
}

function onGrowth(describe) {
  const geometry = sketch.getGeometry();
  live.value = describe(geometry);
  const area = geometry.getType() === "Polygon";
  if (KEPT.has(tool.value)) {
    const corners = cornersNow();
    if (area && tool.value !== "freehand") {
      // the corner that follows the pointer counts: the crossing is seen before it is made
      const crosses = showCrossings(geometry.getCoordinates()[0].slice(0, -1), true);
      if (crosses) live.value = { ...live.value, crosses };
    }
    if (corners.length !== cornerCount.value) {
      cornerCount.value = corners.length;
      keepSoon();
    }
  }
}

function ended() {
  sketch = null;
  taken = [];
  cornerCount.value = 0;
  sketching.value = false;
  live.value = null;
  crossSource.clear();
}

/**
 * A drawing tool on the map.
 * @param {import("ol/interaction/Draw.js").Options["type"]} type
 * @param {object} options Of the drawing.
 * @param {(feature: Feature) => void} finish
 * @param {(geometry: any) => any} describe Figures of the sketch.
 */
export function newDraw(type, options, finish, describe) {
  drawing = new Draw({
    type,
    style: sketchStyle,
    stopClick: true,
    snapTolerance: 14,
    dragVertexDelay: 400,
    condition: (event) =>
      primaryAction(event) &&
      (noModifierKeys(event) || /** @type {PointerEvent} */ (event.originalEvent).shiftKey),
    finishCondition: () => !refusedNow(),
    ...options,
  });
  drawing.on("drawstart", ({ feature }) => {
    sketch = feature;
    drawnBy = tool.peek();
    sketching.value = true;
    taken = [];
    key ||= newKey();
    feature.getGeometry().on("change", () => onGrowth(describe));
  });
  drawing.on("drawend", ({ feature }) => {
    ended();
    forget();
    finish(feature);
  });
  drawing.on("drawabort", () => {
    if (ending === "drop") forget();
    else if (timer) keepNow();
    ended();
  });
  return drawing;
}

/** The tool is put down: what was drawn is set aside, not thrown away. */
export function layAside() {
  if (drawing && sketch) {
    keepNow();
    ending = "aside";
    drawing.abortDrawing();
    ending = "drop";
  }
  drawing = sketch = null;
  if (!mended.value) key = "";
}

/** The sketch as it is, to be taken up by a tool that is made anew. */
export const sketchNow = () =>
  sketch && !mended.value && KEPT.has(tool.value) ? { key, corners: cornersNow(), taken } : null;
export function takeUp({ key: own, corners, taken: back }) {
  if (!drawing || !corners.length) return;
  key = own;
  drawing.appendCoordinates(corners);
  cornerCount.value = corners.length;
  taken = back;
}

/** Why the sketch cannot be ended as it is; said, and where it crosses itself the mending begins. */
function refusedNow() {
  if (!KEPT.has(tool.value) || !sketch) return false;
  const corners = cornersNow();
  const ring = [...corners, corners[0]];
  const fault = !isArea(tool.value)
    ? corners.length < 2 || lengthOfLine(corners) < 1e-6
      ? "lineFew"
      : ""
    : corners.length < 3
      ? "tooFew"
      : faultOf({ type: "Polygon", coordinates: [ring] });
  if (!fault) return false;
  if (fault === "crosses") mendInstead(corners, tool.value);
  else notice.value = { text: t(`fault.${fault}`), bad: true };
  return true;
}

export function finish() {
  if (mended.value) endMending();
  else if (drawing && sketch && !refusedNow()) drawing.finishDrawing();
}

/** Sketches on this surface that wait to be gone on with. */
export const setAside = () =>
  drafts.value.filter((d) => d.key !== key && d.corners.length && d.surface === surface.value);

/** Put the tool of a draft in hand again, with its corners. */
export function resume(draft) {
  if (surface.value !== draft.surface) surface.value = draft.surface;
  drawTable.value = draft.table;
  if (draft.selection?.length) selection.value = draft.selection;
  tool.value = draft.tool;
  takeUp({ key: draft.key, corners: draft.corners, taken: [] });
}

/** Go on with the newest sketch of this workplace. */
export function resumeHere() {
  const mine = setAside().findLast((d) => d.tab === tab && d.place === place.value);
  if (mine && !hasSketch()) resume(mine);
}

// -- corner by corner ------------------------------------------------------------------------------------------------

export function stepBack() {
  if (mended.value) {
    const { corners, of } = mended.value;
    goOnDrawing(corners.slice(0, -1), of);
    return;
  }
  if (!drawing || !sketch) return;
  const corners = cornersNow();
  const before = taken;
  drawing.removeLastPoint();
  taken = sketch ? [...before, corners.at(-1)] : [];
}

export function stepForth() {
  if (!sketch || !taken.length) return;
  const rest = taken.slice(0, -1);
  drawing.appendCoordinates([taken.at(-1)]);
  taken = rest;
}

// -- leaving ---------------------------------------------------------------------------------------------------------

/** Leave the sketch; where much would be lost this is asked first. */
export function leaveSketch() {
  if (cornersNow().length >= MUCH && KEPT.has(mended.value ? mended.value.of : tool.value))
    dialog.value = { kind: "leave", n: cornersNow().length };
  else throwAway();
}

export function throwAway() {
  keepNow();
  const lost = drafts.value.find((d) => d.key === key);
  if (mended.value) {
    const { of } = mended.value;
    mended.value = null;
    forget();
    tool.value = of;
  } else drawing?.abortDrawing();
  if (lost && lost.corners.length > 1)
    notice.value = {
      text: t("sketch.left", { n: lost.corners.length }),
      act: t("sketch.again"),
      onAct: () => {
        keepDraft(lost);
        resume(lost);
      },
    };
}

// -- mending ---------------------------------------------------------------------------------------------------------

/** An outline that crosses itself is held, shown with its crossing, and mended before it is stored. */
export function mendInstead(corners, of) {
  const own = key || newKey();
  notice.value = { text: t("fault.crosses"), bad: true };
  queueMicrotask(() => {
    layAside();
    key = own;
    mended.value = { corners, of };
    tool.value = "mend";
  });
}

function goOnDrawing(corners, of) {
  const own = key;
  mended.value = null;
  tool.value = of === "freehand" ? "polygon" : of;
  key = own;
  if (corners.length) drawing?.appendCoordinates(corners);
}

/** Corners of the crossing outline are dragged until it crosses no more. */
export function mendTool(add) {
  const now = mended.value;
  if (!now) return undefined;
  sketching.value = true;
  const feature = new Feature(new Polygon([[...now.corners, now.corners[0]]]));
  extraSource.addFeature(feature);
  const dots = new Feature(new MultiPoint(now.corners));
  extraSource.addFeature(dots);
  const show = () => {
    const corners = feature.getGeometry().getCoordinates()[0].slice(0, -1);
    dots.setGeometry(new MultiPoint(corners));
    showCrossings(corners, true);
    return corners;
  };
  show();
  cornerCount.value = now.corners.length;
  keepSoon();
  const change = add(
    new Modify({ features: new Collection([feature]), style: sketchStyle, pixelTolerance: 14 }),
  );
  feature.getGeometry().on("change", show);
  change.on("modifyend", () => {
    const { of } = mended.value;
    mended.value = { of, corners: show() };
    keepNow();
  });
  const follow = effect(() => {
    const corners = mended.value?.corners;
    if (!corners) return;
    const drawn = feature.getGeometry().getCoordinates()[0].slice(0, -1);
    if (JSON.stringify(drawn) !== JSON.stringify(corners))
      feature.getGeometry().setCoordinates([[...corners, corners[0]]]);
  });
  return () => {
    follow();
    if (tool.peek() === "mend") return;
    // another tool was taken: the outline stays among the unended ones
    if (mended.value) keepNow();
    mended.value = null;
    key = "";
    ended();
  };
}

/** The same corners in an order without a crossing. */
export function untangle() {
  if (mended.value) mended.value = { ...mended.value, corners: untangled(mended.value.corners) };
}

function endMending() {
  const { corners, of } = mended.value;
  const geometry = { type: "Polygon", coordinates: [roundAll([...corners, corners[0]])] };
  const fault = faultOf(geometry);
  if (fault) {
    notice.value = { text: t(`fault.${fault}`), bad: true };
    return;
  }
  forget();
  mended.value = null;
  tool.value = of;
  ends[of](geometry);
}

// -- by keys ---------------------------------------------------------------------------------------------------------

export const cursor = { at: null };

/** Move the drawing cursor with the arrow keys. */
export function moveCursor(dx, dy, far) {
  const step = map.getView().getResolution() * (far ? 40 : 8);
  cursor.at ??= map.getView().getCenter();
  cursor.at = [cursor.at[0] + dx * step, cursor.at[1] + dy * step];
  const mark = extraSource.getFeatureById("cursor") ?? new Feature();
  /** @type {Feature} */ (mark).setGeometry(new Point(cursor.at));
  if (mark.getId()) return;
  /** @type {Feature} */ (mark).setId("cursor");
  extraSource.addFeature(/** @type {Feature} */ (mark));
}

export const appendCorner = (at) => drawing?.appendCoordinates([at.slice()]);
