// Tools on the wall: drawing, changing, cutting, moving, choosing, measuring; every one works by pointer and by keyboard.

import { effect, untracked } from "@preact/signals";
import Collection from "ol/Collection.js";
import { primaryAction, shiftKeyOnly } from "ol/events/condition.js";
import { Polygon } from "ol/geom.js";
import { DragBox, Draw, Modify, Translate } from "ol/interaction.js";
import { entryOf, surface, tableOf } from "../data/data.js";
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
  simplify,
  squareTo,
} from "../geometry/shapes.js";
import { NearSnap } from "../wall/near.js";
import { sketchStyle } from "../wall/signs.js";
import {
  chosenSource,
  extraSource,
  format,
  holdChosenWhile,
  map,
  onWall,
  showChosen,
  sources,
} from "../wall/wall.js";
import { t } from "../words/texts.js";
import { findCourse, followLine, outlineAt } from "./assist.js";
import { chooseInBox, chooseInRing } from "./choosing.js";
import { addCourse } from "./courses.js";
import { canBeCut, canBeShaped, ShapeCutOut } from "./cutout.js";
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

let active = [];

const geometryOf = (feature) => {
  const geometry = format.writeGeometryObject(feature.getGeometry());
  return { ...geometry, coordinates: roundAll(geometry.coordinates) };
};
const px = () => map.getView().getResolution();

// -- measuring while drawing ------------------------------------------------------------------------

function describe(geometry) {
  if (!geometry) return null;
  const type = geometry.getType();
  if (type === "Point") return null;
  if (type === "LineString") {
    const line = geometry.getCoordinates();
    return { length: lengthOfLine(line), last: line.length > 1 ? lengthOfLine(line.slice(-2)) : 0 };
  }
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
  const rmse = row.check_rmse_m ?? row.report.left_out_rmse_m;
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

const add = (interaction) => {
  map.addInteraction(interaction);
  active.push(interaction);
  return interaction;
};

const SNAPPED = ["wall_stones", "openings", "repairs", "conditions"];
/** An outline that is being changed does not hold its own corners where they were. */
const snapsTo = (pack, i) =>
  onWall(pack, i) &&
  !(
    ["modify", "move"].includes(tool.value) &&
    selection.value.some((s) => s.id === pack.value("id", i))
  );
function addSnaps() {
  if (!snapping.value) return;
  add(new NearSnap({ tables: SNAPPED.map(tableOf), wanted: snapsTo, pixelTolerance: 11 }));
}

function draw(type, options, finish) {
  add(newDraw(type, options, finish, describe));
  addSnaps();
}

const traceOptions = () => (tracing.value ? { trace: true, traceSource: sources.conditions } : {});

function stoneUnder(point) {
  const found = sources.wall_stones.getFeaturesAtCoordinate(point)[0];
  return found ? format.writeGeometryObject(found.getGeometry()) : null;
}

/** Tables whose rows tell that their outline was proposed, and who confirmed it. */
const ASSISTED = ["conditions", "wall_stones"];
const addProposed = (geometry) =>
  geometry && addRow(geometry, ASSISTED.includes(drawTable.value) ? { origin: "assisted" } : {});

Object.assign(ends, {
  polygon: (geometry) => addRow(geometry),
  freehand: (geometry) => addRow(geometry),
  hole: (geometry) => cutOut(geometry, true),
  cut: (geometry) => cutOut(geometry, false),
});

function rectangleTool() {
  let angle = 0;
  let start = null;
  const geometryFunction = ([a, b], geometry) => {
    if (!start || start[0] !== a[0] || start[1] !== a[1]) {
      start = a;
      angle = bedAngle(stoneUnder(a));
    }
    const ring = squareTo(a, b, angle);
    if (geometry) geometry.setCoordinates([ring]);
    return geometry ?? new Polygon([ring]);
  };
  draw("Circle", { geometryFunction }, (f) => {
    start = null;
    addRow(geometryOf(f));
  });
}

function freehandTool() {
  draw("Polygon", { freehand: true }, (f) => {
    const [ring] = f.getGeometry().getCoordinates();
    const simple = simplify(ring, px() * 1.2);
    if (crossingsOf(simple.slice(0, -1)).length) mendInstead(simple.slice(0, -1), "freehand");
    else addRow({ type: "Polygon", coordinates: [roundAll(simple)] });
  });
}

function showMeasured(feature) {
  const line = feature.getGeometry().getCoordinates();
  const ring =
    line.length > 3 &&
    Math.hypot(line[0][0] - line.at(-1)[0], line[0][1] - line.at(-1)[1]) < px() * 12;
  extraSource.clear();
  extraSource.addFeature(feature);
  live.value = {
    measured: true,
    line,
    length: lengthOfLine(line),
    pm: lengthAccuracy(),
    du: line.at(-1)[0] - line[0][0],
    dv: line.at(-1)[1] - line[0][1],
    ...(ring
      ? { area: areaOf({ type: "Polygon", coordinates: [[...line.slice(0, -1), line[0]]] }) }
      : {}),
  };
}

// cut-outs keep their sides straight and are moved by them
const isCutOut = (f) =>
  f.getId()?.startsWith("repairs|") && canBeCut(entryOf("repairs", f.getId().slice(8))?.row);

/** What is selected and may be changed, as a collection that follows the selection. */
function followSelection(wanted) {
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

/** Store changed outlines, with their neighbours along the joint; what cannot be kept goes back. */
function storeChanged(changed, before) {
  const outlines = [];
  for (const feature of changed) {
    const after = geometryOf(feature);
    const fault = faultOf(after);
    const [table, id] = feature.getId().split(/\|(.*)/s);
    if (fault) {
      notice.value = { text: t(`fault.${fault}`), bad: true };
      feature.setGeometry(before.get(feature));
      continue;
    }
    const old = entryOf(table, id)?.row.geometry;
    outlines.push({ table, id, before: old, after });
  }
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
  let before = new Map();
  change.on("modifystart", ({ features: changed }) => {
    holdChosenWhile(true);
    before = new Map(changed.getArray().map((f) => [f, f.getGeometry().clone()]));
    for (const f of changed.getArray())
      f.getGeometry().on("change", () => {
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
  const free = (f) => {
    const [table, id] = f.getId().split(/\|(.*)/s);
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
    const [ring] = /** @type {Polygon} */ (feature.getGeometry()).getCoordinates();
    chooseInRing(simplify(ring, px()).slice(0, -1), false);
  });
}

/** A box over what is to be chosen; with Shift beside what is chosen already. */
function boxOf(condition, more) {
  const box = new DragBox({ condition, className: "choose-box", minArea: 25 });
  let from = null;
  box.on("boxstart", ({ coordinate }) => {
    from = coordinate;
  });
  box.on("boxend", ({ coordinate }) => chooseInBox(from, coordinate, more));
  return box;
}
// Shift draws the box whenever nothing else is in hand
map.addInteraction(
  boxOf((event) => tool.value === "select" && shiftKeyOnly(event) && primaryAction(event), true),
);

const TOOLS = {
  box: () => {
    add(boxOf((event) => primaryAction(event), false));
  },
  polygon: () => draw("Polygon", { ...traceOptions(), minPoints: 3 }, (f) => addRow(geometryOf(f))),
  line: () => draw("LineString", { ...traceOptions(), minPoints: 2 }, (f) => addRow(geometryOf(f))),
  point: () => draw("Point", {}, (f) => addRow(geometryOf(f))),
  freehand: freehandTool,
  rectangle: rectangleTool,
  measure: () => draw("LineString", traceOptions(), showMeasured),
  split: () => draw("LineString", {}, (f) => splitBy(f.getGeometry().getCoordinates())),
  hole: () => draw("Polygon", { minPoints: 3 }, (f) => cutOut(geometryOf(f), true)),
  cut: () => draw("Polygon", { minPoints: 3 }, (f) => cutOut(geometryOf(f), false)),
  modify: modifyTool,
  move: moveTool,
  lasso: lassoTool,
  mend: () => mendTool(add),
  outline: () => {
    let keys = { shiftKey: false, altKey: false };
    const condition = (event) => {
      const { shiftKey, altKey } = /** @type {PointerEvent} */ (event.originalEvent);
      keys = { shiftKey, altKey };
      return primaryAction(event);
    };
    draw("Point", { condition }, async (f) => {
      const at = f.getGeometry().getCoordinates();
      if (drawTable.value === "conditions") await damageAt(at, keys);
      else addProposed(await outlineAt(at));
    });
  },
  course: () =>
    draw("LineString", { minPoints: 2 }, async (f) =>
      addCourse(await findCourse(f.getGeometry().getCoordinates())),
    ),
  follow: () =>
    draw("LineString", { minPoints: 2 }, async (f) =>
      addProposed(await followLine(f.getGeometry().getCoordinates())),
    ),
};

let ending = null;
let inHand = { name: "", wall: "" };
effect(() => {
  const [name, wall] = [tool.value, surface.value];
  void tracing.value;
  void snapping.value;
  untracked(() => takeInHand(name, wall));
});

function takeInHand(name, wall) {
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
