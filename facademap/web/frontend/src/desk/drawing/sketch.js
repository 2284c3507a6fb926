// The sketch in hand: drawn corner by corner, kept in this browser, taken back by corner, mended where it crosses itself.

import { effect, signal } from "@preact/signals";
import Collection from "ol/Collection.js";
import { noModifierKeys, primaryAction } from "ol/events/condition.js";
import Feature from "ol/Feature.js";
import { LineString, MultiPoint, Point as OlPoint, Polygon as OlPolygon } from "ol/geom.js";
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

/** @typedef {import("ol/geom.js").SimpleGeometry} SimpleGeometry */
/** @typedef {{key: string, corners: Line, taken: Line}} Sketch A sketch as it is: its corners, and those that were taken back. */

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
export const mended = signal(/** @type {{corners: Line, of: string} | null} */ (null));
/** Corners of the sketch now. */
export const cornerCount = signal(0);
/**
 * What is done with the geometry of a tool once it is whole; filled by the tools.
 * @type {Record<string, (geometry: Polygon) => void>}
 */
export const ends = {};

/** @type {Draw | null} */
let drawing = null;
/** @type {Feature | null} */
let sketch = null;
let key = "";
/** Tool of the sketch: by the time it is set aside another one may be in hand. */
let drawnBy = "";
let ending = "drop";
/** @type {Line} */
let taken = [];
/** @type {number | undefined} */
let timer;

const crossSource = new VectorSource({ wrapX: false });
map.addLayer(new VectorLayer({ source: crossSource, zIndex: 47, style: crossingStyle }));

export const isDrawing = () => Boolean(drawing);
export const hasSketch = () => Boolean(sketch) || Boolean(mended.value);

/**
 * Corners that are set, without the one that follows the pointer.
 * @returns {Line}
 */
export function cornersNow() {
  if (mended.value) return mended.value.corners;
  const geometry = sketch?.getGeometry();
  if (geometry instanceof OlPolygon) return (geometry.getCoordinates()[0] ?? []).slice(0, -2);
  if (geometry instanceof LineString) return geometry.getCoordinates().slice(0, -1);
  return [];
}

const drawsArea = (/** @type {string} */ name) =>
  ["polygon", "freehand", "hole", "cut", "mend"].includes(name);

/**
 * @param {Line} corners
 * @param {boolean} closed
 */
function showCrossings(corners, closed) {
  const found = corners.length > 3 ? crossingsOf(corners, closed) : [];
  crossSource.clear(true);
  if (found.length) crossSource.addFeature(new Feature(new MultiPoint(found)));
  else crossSource.changed();
  return found.length > 0;
}

function keepNow() {
  clearTimeout(timer);
  timer = undefined;
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
  timer = undefined;
  if (key) dropDraft(key);
  key = "";
}

function onGrowth(/** @type {(geometry: SimpleGeometry) => Live | null} */ describe) {
  const geometry = /** @type {SimpleGeometry | undefined} */ (sketch?.getGeometry());
  if (!geometry) return;
  live.value = describe(geometry);
  if (KEPT.has(tool.value)) {
    const corners = cornersNow();
    if (geometry instanceof OlPolygon && tool.value !== "freehand") {
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
 * @param {Partial<import("ol/interaction/Draw.js").Options>} options Of the drawing.
 * @param {(feature: Feature) => void} finish
 * @param {(geometry: SimpleGeometry) => Live | null} describe Figures of the sketch.
 */
export function newDraw(type, options, finish, describe) {
  const made = new Draw({
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
  made.on("drawstart", ({ feature }) => {
    sketch = feature;
    drawnBy = tool.peek();
    sketching.value = true;
    taken = [];
    key ||= newKey();
    feature.getGeometry()?.on("change", () => onGrowth(describe));
  });
  made.on("drawend", ({ feature }) => {
    ended();
    forget();
    finish(feature);
  });
  made.on("drawabort", () => {
    if (ending === "drop") forget();
    else if (timer) keepNow();
    ended();
  });
  drawing = made;
  return made;
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

/**
 * The sketch as it is, to be taken up by a tool that is made anew.
 * @returns {Sketch | null}
 */
export const sketchNow = () =>
  sketch && !mended.value && KEPT.has(tool.value) ? { key, corners: cornersNow(), taken } : null;
export function takeUp(/** @type {Sketch} */ { key: own, corners, taken: back }) {
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
  const fault = !drawsArea(tool.value)
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
export function resume(/** @type {Draft} */ draft) {
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
  taken = sketch ? [...before, ...corners.slice(-1)] : [];
}

export function stepForth() {
  if (!drawing || !sketch || !taken.length) return;
  const rest = taken.slice(0, -1);
  drawing.appendCoordinates(taken.slice(-1));
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

/**
 * An outline that crosses itself is held, shown with its crossing, and mended before it is stored.
 * @param {Line} corners
 * @param {string} of The tool that drew it.
 */
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

/**
 * @param {Line} corners
 * @param {string} of
 */
function goOnDrawing(corners, of) {
  const own = key;
  mended.value = null;
  tool.value = of === "freehand" ? "polygon" : of;
  key = own;
  if (corners.length) drawing?.appendCoordinates(corners);
}

/**
 * Corners of the crossing outline are dragged until it crosses no more.
 * @param {<I extends import("ol/interaction/Interaction.js").default>(interaction: I) => I} add Puts an interaction on the map.
 * @returns {(() => void) | undefined} What ends it.
 */
export function mendTool(add) {
  const now = mended.value;
  if (!now) return undefined;
  sketching.value = true;
  const outline = new OlPolygon([[...now.corners, now.corners[0]]]);
  const feature = new Feature(outline);
  extraSource.addFeature(feature);
  const dots = new Feature(new MultiPoint(now.corners));
  extraSource.addFeature(dots);
  const show = () => {
    const corners = outline.getCoordinates()[0].slice(0, -1);
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
  outline.on("change", show);
  change.on("modifyend", () => {
    if (!mended.value) return;
    mended.value = { of: mended.value.of, corners: show() };
    keepNow();
  });
  const follow = effect(() => {
    const corners = mended.value?.corners;
    if (!corners) return;
    const drawn = outline.getCoordinates()[0].slice(0, -1);
    if (JSON.stringify(drawn) !== JSON.stringify(corners))
      outline.setCoordinates([[...corners, corners[0]]]);
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
  if (!mended.value) return;
  const { corners, of } = mended.value;
  /** @type {Polygon} */
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

export const cursor = { at: /** @type {Point | null} */ (null) };

/**
 * Move the drawing cursor with the arrow keys.
 * @param {number} dx
 * @param {number} dy
 * @param {boolean} far
 */
export function moveCursor(dx, dy, far) {
  const view = map.getView();
  const step = (view.getResolution() ?? 0) * (far ? 40 : 8);
  const [x, y] = cursor.at ?? view.getCenter() ?? [0, 0];
  cursor.at = [x + dx * step, y + dy * step];
  const known = /** @type {Feature | null} */ (extraSource.getFeatureById("cursor"));
  const mark = known ?? new Feature();
  mark.setGeometry(new OlPoint(cursor.at));
  if (known) return;
  mark.setId("cursor");
  extraSource.addFeature(mark);
}

export const appendCorner = (/** @type {Point} */ at) => drawing?.appendCoordinates([at.slice()]);
