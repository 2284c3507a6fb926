// Tools on the wall: drawing, changing, cutting, moving, choosing, measuring; every one works by pointer and by keyboard.

import { effect, untracked } from "@preact/signals";
import Collection from "ol/Collection.js";
import { primaryAction, shiftKeyOnly } from "ol/events/condition.js";
import { MultiPolygon as OlAreas, LineString as OlLine, Polygon as OlPolygon } from "ol/geom.js";
import { DragBox, Draw, Modify, Translate } from "ol/interaction.js";
import { anyRowOf, entryOf, surface, tableOf } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { snapping, tracing } from "../data/settings.js";
import { drawTable, live, selection, tool } from "../data/view.js";
import { crossingsOf } from "../geometry/crossings.js";
import {
  areaOf,
  bedAngle,
  faultOf,
  lengthOfLine,
  roundAll,
  roundedOf,
  simplify,
  squareTo,
} from "../geometry/shapes.js";
import { NearSnap } from "../wall/near.js";
import { sketchStyle } from "../wall/signs.js";
import {
  chosenSource,
  drawnOf,
  extraSource,
  holdChosenWhile,
  map,
  onWall,
  placeOf,
  showChosen,
  sources,
} from "../wall/wall.js";
import { t } from "../words/texts.js";
import { findCourse, followLine, outlineAt } from "./assist.js";
import { chooseInBox, chooseInRing } from "./choosing.js";
import { addCourse } from "./courses.js";
import { canBeShaped, isCutOut, ShapeCutOut } from "./cutout.js";
import { damageAt } from "./damageClicks.js";
import { neighboursOf } from "./joined.js";
import { JointSnap } from "./joints.js";
import { cutOut, moveChosen, splitBy } from "./operations.js";
import { addRow, leaveUnnamed, unnamed } from "./rows.js";
import {
  appendCorner,
  cornersNow,
  cursor,
  ends,
  hasSketch,
  layAside,
  leaveSketch,
  mendInstead,
  mendTool,
  newDraw,
  sketchNow,
  takeUp,
} from "./sketch.js";

/** @typedef {import("ol/Feature.js").default} Feature */
/** @typedef {import("ol/interaction/Interaction.js").default} Interaction */
/** @typedef {import("ol/events/condition.js").Condition} Condition */

/** @type {Interaction[]} */
let active = [];

/** What was drawn, on the grid of the wall. */
const geometryOf = (/** @type {Feature} */ feature) => roundedOf(drawnOf(feature));
const areaDrawn = (/** @type {Feature} */ feature) => /** @type {Area} */ (geometryOf(feature));
const lineDrawn = (/** @type {Feature} */ feature) =>
  /** @type {LineString} */ (drawnOf(feature)).coordinates;
const ringDrawn = (/** @type {Feature} */ feature) =>
  /** @type {Polygon} */ (drawnOf(feature)).coordinates[0];
const px = () => map.getView().getResolution() ?? 1;

// -- measuring while drawing ------------------------------------------------------------------------

/**
 * @param {import("ol/geom.js").Geometry | undefined} geometry
 * @returns {Live | null}
 */
function describe(geometry) {
  if (geometry instanceof OlLine) {
    const line = geometry.getCoordinates();
    return { length: lengthOfLine(line), last: line.length > 1 ? lengthOfLine(line.slice(-2)) : 0 };
  }
  if (geometry instanceof OlAreas) {
    const [left, low, right, high] = geometry.getExtent();
    return { area: geometry.getArea(), width: right - left, height: high - low };
  }
  if (!(geometry instanceof OlPolygon)) return null;
  const ring = geometry.getCoordinates()[0] ?? [];
  const extent = geometry.getExtent();
  return {
    area: Math.abs(geometry.getArea()),
    length: lengthOfLine(ring),
    width: extent[2] - extent[0],
    height: extent[3] - extent[1],
    last: ring.length > 2 ? lengthOfLine(ring.slice(-3, -1)) : 0,
  };
}

/** Half-width of the 95 % interval of a length, from the elevation's accuracy; null where that is not known. */
export function lengthAccuracy() {
  const row = entryOf("surfaces", surface.value)?.row;
  // residuals of the control are no proof: without check points or control left out nothing is said
  if (row?.report?.proved !== true) return null;
  const rmse = Number(row.check_rmse_m ?? row.report.left_out_rmse_m ?? 0);
  // radial RMSE of a point to one axis of it, two independent ends, 95 % of a normal distribution
  return rmse ? 1.96 * Math.SQRT2 * (rmse / Math.SQRT2) : null;
}

// -- tools --------------------------------------------------------------------------------------------

function clear() {
  layAside();
  for (const interaction of active) map.removeInteraction(interaction);
  active = [];
  cursor.at = null;
  extraSource.clear();
  live.value = null;
}

/**
 * Put an interaction on the map, as long as the tool is in hand.
 * @template {Interaction} I
 * @param {I} interaction
 */
const add = (interaction) => {
  map.addInteraction(interaction);
  active.push(interaction);
  return interaction;
};

/** @type {TableName[]} */
const SNAPPED = ["wall_stones", "openings", "repairs", "conditions"];
/**
 * An outline that is being changed does not hold its own corners where they were.
 * @type {import("../wall/near.js").Wanted}
 */
const snapsTo = (pack, i) =>
  onWall(pack, i) &&
  !(
    ["modify", "move"].includes(tool.value) &&
    selection.value.some((s) => s.id === pack.value("id", i))
  );
function addSnaps() {
  if (!snapping.value) return;
  const tables = SNAPPED.map((name) => tableOf(name));
  add(new NearSnap({ tables, wanted: snapsTo, pixelTolerance: 11 }));
}

/**
 * @param {import("ol/interaction/Draw.js").Options["type"]} type
 * @param {Partial<import("ol/interaction/Draw.js").Options>} options
 * @param {(feature: Feature) => void} finish
 */
function draw(type, options, finish) {
  add(newDraw(type, options, finish, describe));
  addSnaps();
}

/** Outlines on the wall, as far as tracing asks for them, in the clothes of a source of the map. */
const traceSource = /** @type {import("ol/source/Vector.js").default} */ (
  /** @type {unknown} */ (sources.conditions)
);
const traceOptions = () => (tracing.value ? { trace: true, traceSource } : {});

function stoneUnder(/** @type {Point} */ point) {
  const found = sources.wall_stones.getFeaturesAtCoordinate(point)[0];
  return found ? /** @type {Area} */ (drawnOf(found)) : null;
}

/**
 * Tables whose rows tell that their outline was proposed, and who confirmed it.
 * @type {TableName[]}
 */
const ASSISTED = ["conditions", "wall_stones"];
const addProposed = (/** @type {Geometry | null} */ geometry) =>
  geometry && addRow(geometry, ASSISTED.includes(drawTable.value) ? { origin: "assisted" } : {});

ends.polygon = (geometry) => addRow(geometry);
ends.freehand = (geometry) => addRow(geometry);
ends.hole = (geometry) => cutOut(geometry, true);
ends.cut = (geometry) => cutOut(geometry, false);

function rectangleTool() {
  let angle = 0;
  /** @type {Point | null} */
  let start = null;
  /** @type {import("ol/interaction/Draw.js").GeometryFunction} */
  const geometryFunction = (ends, drawn) => {
    const [a, b] = /** @type {Line} */ (ends);
    if (!start || start[0] !== a[0] || start[1] !== a[1]) {
      start = a;
      angle = bedAngle(stoneUnder(a));
    }
    const ring = squareTo(a, b, angle);
    const geometry = /** @type {OlPolygon | undefined} */ (drawn);
    if (geometry) geometry.setCoordinates([ring]);
    return geometry ?? new OlPolygon([ring]);
  };
  draw("Circle", { geometryFunction }, (f) => {
    start = null;
    addRow(geometryOf(f));
  });
}

function freehandTool() {
  draw("Polygon", { freehand: true }, (f) => {
    const simple = simplify(ringDrawn(f), px() * 1.2);
    if (crossingsOf(simple.slice(0, -1)).length) mendInstead(simple.slice(0, -1), "freehand");
    else addRow({ type: "Polygon", coordinates: [roundAll(simple)] });
  });
}

function showMeasured(/** @type {Feature} */ feature) {
  const line = lineDrawn(feature);
  const [first, last] = [line[0], line[line.length - 1]];
  const ring = line.length > 3 && Math.hypot(first[0] - last[0], first[1] - last[1]) < px() * 12;
  extraSource.clear();
  extraSource.addFeature(feature);
  live.value = {
    measured: true,
    line,
    length: lengthOfLine(line),
    pm: lengthAccuracy(),
    du: last[0] - first[0],
    dv: last[1] - first[1],
    ...(ring
      ? { area: areaOf({ type: "Polygon", coordinates: [[...line.slice(0, -1), line[0]]] }) }
      : {}),
  };
}

/** What is selected and may be changed, as a collection that follows the selection. */
function followSelection(/** @type {(feature: Feature) => boolean} */ wanted) {
  /** @type {Collection<Feature>} */
  const features = new Collection();
  const fill = () => {
    features.clear();
    for (const f of chosenSource.getFeatures()) if (wanted(f)) features.push(f);
  };
  const stop = effect(() => {
    void selection.value;
    queueMicrotask(fill);
  });
  return { features, fill, stop };
}

/**
 * Store changed outlines, with their neighbours along the joint; what cannot be kept goes back.
 * @param {Feature[]} changed
 * @param {Map<Feature, import("ol/geom.js").Geometry | undefined>} before
 */
function storeChanged(changed, before) {
  /** @type {(RowPlace & {before: Geometry, after: Geometry})[]} */
  const outlines = [];
  for (const feature of changed) {
    const after = geometryOf(feature);
    const fault = faultOf(after);
    const { table, id } = placeOf(feature);
    if (fault) {
      notice.value = { text: t(`fault.${fault}`), bad: true };
      feature.setGeometry(before.get(feature));
      continue;
    }
    const old = anyRowOf(table, id)?.geometry;
    // what somebody else took out meanwhile is not brought back by a corner
    if (old) outlines.push({ table, id, before: old, after });
  }
  /** @type {Change[]} */
  const own = outlines.map(({ table, id, after }) => ({
    op: "update",
    table,
    id,
    values: { geometry: after },
  }));
  const beside = neighboursOf(outlines);
  if (own.length) edit(t("what.modify"), [...own, ...beside]);
  else showChosen();
  if (beside.length) notice.value = { text: t("together.moved", { n: beside.length }), undo: true };
}

function modifyTool() {
  const { features, fill, stop } = followSelection((f) => !isCutOut(f));
  const change = add(new Modify({ features, style: sketchStyle, pixelTolerance: 14 }));
  // what sees the pointer first comes last: outlines that are drawn go before joints that are only seen
  if (snapping.value) add(new JointSnap());
  addSnaps();
  /** @type {Map<Feature, import("ol/geom.js").Geometry | undefined>} */
  let before = new Map();
  change.on("modifystart", ({ features: changed }) => {
    holdChosenWhile(true);
    before = new Map(changed.getArray().map((f) => [f, f.getGeometry()?.clone()]));
    for (const f of changed.getArray())
      f.getGeometry()?.on("change", () => {
        live.value = describe(f.getGeometry());
      });
  });
  change.on("modifyend", ({ features: changed }) => {
    holdChosenWhile(false);
    live.value = null;
    storeChanged(changed.getArray(), before);
    fill();
  });
  add(new ShapeCutOut());
  return stop;
}

/** A cut-out that is settled stays where it is; everything else that is selected moves as one. */
function moveTool() {
  const free = (/** @type {Feature} */ f) => {
    const { table, id } = placeOf(f);
    return table !== "repairs" || canBeShaped(entryOf("repairs", id)?.row);
  };
  const { features, fill, stop } = followSelection(free);
  const move = add(new Translate({ features, hitTolerance: 8 }));
  addSnaps();
  move.on("translatestart", () => holdChosenWhile(true));
  move.on("translating", ({ coordinate, startCoordinate: [x, y] }) => {
    live.value = { measured: true, du: coordinate[0] - x, dv: coordinate[1] - y };
  });
  move.on("translateend", ({ coordinate, startCoordinate: [x, y] }) => {
    holdChosenWhile(false);
    live.value = null;
    moveChosen([coordinate[0] - x, coordinate[1] - y]);
    fill();
  });
  return stop;
}

function lassoTool() {
  const lasso = add(
    new Draw({ type: "Polygon", freehand: true, style: sketchStyle, stopClick: true }),
  );
  lasso.on("drawend", ({ feature }) => {
    chooseInRing(simplify(ringDrawn(feature), px()).slice(0, -1), false);
  });
}

/**
 * A box over what is to be chosen; with Shift beside what is chosen already.
 * @param {Condition} condition
 * @param {boolean} more
 */
function choosingBox(condition, more) {
  const box = new DragBox({ condition, className: "choose-box", minArea: 25 });
  /** @type {Point} */
  let from = [0, 0];
  box.on("boxstart", ({ coordinate }) => {
    from = coordinate;
  });
  box.on("boxend", ({ coordinate }) => chooseInBox(from, coordinate, more));
  return box;
}
// Shift draws the box whenever nothing else is in hand
map.addInteraction(
  choosingBox(
    (event) => tool.value === "select" && shiftKeyOnly(event) && primaryAction(event),
    true,
  ),
);

/**
 * What a tool puts on the map; what it gives back ends it.
 * @type {Record<string, () => (() => void) | void>}
 */
const TOOLS = {
  box: () => {
    add(choosingBox((event) => primaryAction(event), false));
  },
  polygon: () => draw("Polygon", { ...traceOptions(), minPoints: 3 }, (f) => addRow(geometryOf(f))),
  line: () => draw("LineString", { ...traceOptions(), minPoints: 2 }, (f) => addRow(geometryOf(f))),
  point: () => draw("Point", {}, (f) => addRow(geometryOf(f))),
  freehand: freehandTool,
  rectangle: rectangleTool,
  measure: () => draw("LineString", traceOptions(), showMeasured),
  split: () => draw("LineString", {}, (f) => splitBy(lineDrawn(f))),
  hole: () => draw("Polygon", { minPoints: 3 }, (f) => cutOut(areaDrawn(f), true)),
  cut: () => draw("Polygon", { minPoints: 3 }, (f) => cutOut(areaDrawn(f), false)),
  modify: modifyTool,
  move: moveTool,
  lasso: lassoTool,
  mend: () => mendTool(add),
  outline: () => {
    let keys = { shiftKey: false, altKey: false };
    /** @type {Condition} */
    const condition = (event) => {
      const { shiftKey, altKey } = /** @type {PointerEvent} */ (event.originalEvent);
      keys = { shiftKey, altKey };
      return primaryAction(event);
    };
    draw("Point", { condition }, async (f) => {
      const at = /** @type {PointGeometry} */ (drawnOf(f)).coordinates;
      if (drawTable.value === "conditions") await damageAt(at, keys);
      else addProposed(await outlineAt(at));
    });
  },
  course: () =>
    draw("LineString", { minPoints: 2 }, async (f) => addCourse(await findCourse(lineDrawn(f)))),
  follow: () =>
    draw("LineString", { minPoints: 2 }, async (f) => addProposed(await followLine(lineDrawn(f)))),
};

/** @type {(() => void) | null} */
let ending = null;
let inHand = { name: "", wall: "" };
effect(() => {
  const [name, wall] = [tool.value, surface.value];
  void tracing.value;
  void snapping.value;
  untracked(() => takeInHand(name, wall));
});

function takeInHand(/** @type {string} */ name, /** @type {string} */ wall) {
  // a switch that is turned while drawing leaves the sketch as it is
  const same = inHand.name === name && inHand.wall === wall;
  const sketch = same ? sketchNow() : null;
  if (ending) ending();
  clear();
  const made = TOOLS[name]?.();
  ending = typeof made === "function" ? made : null;
  inHand = { name, wall };
  if (sketch) takeUp(sketch);
  map.getTargetElement()?.classList.toggle("drawing", !["select", "box"].includes(name));
}

// -- keyboard ----------------------------------------------------------------------------------------------

/** @type {Record<string, string>} */
export const KEYS = {
  v: "select",
  s: "box",
  u: "lasso",
  p: "polygon",
  r: "rectangle",
  f: "freehand",
  l: "line",
  o: "point",
  e: "modify",
  d: "move",
  x: "split",
  h: "hole",
  k: "cut",
  m: "measure",
  a: "outline",
  w: "follow",
  b: "course",
};

/** Set a corner where the cursor of the keys is. */
export function setVertex() {
  if (!cursor.at) return;
  if (tool.value === "point") addRow({ type: "Point", coordinates: roundAll(cursor.at) });
  else appendCorner(cursor.at);
}

/** Esc: out of the sketch, then out of the tool, then out of the selection. */
export function cancel() {
  if (hasSketch()) leaveSketch();
  else if (tool.value !== "select") tool.value = "select";
  else if (unnamed.value.length) leaveUnnamed();
  else selection.value = [];
}

export { cornersNow };
