// Tools on the wall: drawing, changing, cutting, measuring; every one works by pointer and by keyboard.
import Collection from "ol/Collection.js";
import Feature from "ol/Feature.js";
import { LineString, Point, Polygon } from "ol/geom.js";
import { Draw, Modify } from "ol/interaction.js";
import { noModifierKeys, primaryAction } from "ol/events/condition.js";
import { effect } from "@preact/signals";
import { entryOf, rowsOf, schema, surface, tableOf, term } from "./data.js";
import { edit, newId, notice, update } from "./edits.js";
import { area, length, snapping, survey, tracing, who } from "./settings.js";
import {
  areaOf,
  bedAngle,
  common,
  faultOf,
  lengthOfLine,
  partsOf,
  roundAll,
  simplify,
  split,
  squareTo,
  subtract,
  union,
} from "./shapes.js";
import { ShapeCutOut, canBeCut } from "./cutout.js";
import { sketchStyle } from "./signs.js";
import { NearSnap } from "./near.js";
import {
  chosenSource,
  extraSource,
  format,
  holdChosenWhile,
  map,
  onWall,
  showChosen,
  sources,
} from "./wall.js";
import { t } from "./texts.js";
import {
  dialog,
  drawTable,
  live,
  place,
  panel,
  select,
  selection,
  sheetOpen,
  sketching,
  template,
  tool,
} from "./view.js";
import { findCourse, followLine, outlineAt } from "./assist.js";

let active = [];
let drawing = null;
let sketch = null;
export const cursor = { at: null };

const geometryOf = (feature) => {
  const geometry = format.writeGeometryObject(feature.getGeometry());
  return { ...geometry, coordinates: roundAll(geometry.coordinates) };
};

function today() {
  return new Date().toISOString().slice(0, 10);
}

/** Values of a new row, from what was drawn last. */
function startValues(table, geometry) {
  const base = { surface: surface.value, geometry };
  if (table !== "conditions") {
    if (table === "repairs")
      return { ...base, treatment: "inset", stage: "proposed", priority: 1, conditions: [] };
    return table === "openings" ? { ...base, kind: "window" } : base;
  }
  const shape = geometry.type.includes("Polygon")
    ? "polygon"
    : geometry.type.includes("Line")
      ? "line"
      : "point";
  const wanted = template.value;
  const fits =
    term(wanted.term)?.shape === shape ||
    (shape === "polygon" && term(wanted.term)?.shape !== "line");
  const name = fits
    ? wanted.term
    : (wanted[shape] ?? { polygon: "contour scaling", line: "crack", point: "star crack" }[shape]);
  const found = term(name);
  const {
    cc = null,
    uc = null,
    rc = null,
    depth_m = null,
    width_m = null,
    activity = "unknown",
    cause = null,
    cause_settled = false,
    note = null,
  } = wanted.sticky ? wanted : {};
  return {
    ...base,
    term: name,
    family: found?.family ?? null,
    layer: "stone",
    activity,
    cause,
    cause_settled,
    note: wanted.name ? note : null,
    origin: "drawn",
    surveyor: who.value || null,
    observed_on: today(),
    survey: survey.value,
    cc,
    uc,
    rc,
    depth_m,
    width_m,
  };
}

export function addRow(geometry, extra = {}) {
  const fault = faultOf(geometry);
  if (fault) {
    notice.value = { text: t(`fault.${fault}`), bad: true };
    return null;
  }
  const table = drawTable.value;
  const id = newId();
  const values = { ...startValues(table, geometry), ...extra };
  edit(t(`what.draw.${table}`), [{ op: "insert", table, id, values }]);
  select(table, id);
  panel.value = "record";
  sheetOpen.value = true;
  return id;
}

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
  const rmse = row?.check_rmse_m ?? row?.control_rmse_m;
  // radial RMSE of a point to one axis of it, two independent ends, 95 % of a normal distribution
  return rmse ? 1.96 * Math.SQRT2 * (rmse / Math.SQRT2) : null;
}

// -- tools --------------------------------------------------------------------------------------------

function clear() {
  if (drawing && sketch) drawing.abortDrawing();
  for (const interaction of active) map.removeInteraction(interaction);
  active = [];
  drawing = sketch = null;
  sketching.value = false;
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
  !(tool.value === "modify" && selection.value.some((s) => s.id === pack.value("id", i)));
function addSnaps() {
  if (!snapping.value) return;
  add(new NearSnap({ tables: SNAPPED.map(tableOf), wanted: snapsTo, pixelTolerance: 11 }));
}

function draw(type, options, finish) {
  const made = add(
    new Draw({
      type,
      style: sketchStyle,
      stopClick: true,
      snapTolerance: 14,
      dragVertexDelay: 400,
      condition: (event) =>
        primaryAction(event) && (noModifierKeys(event) || event.originalEvent.shiftKey),
      ...options,
    }),
  );
  drawing = made;
  made.on("drawstart", ({ feature }) => {
    sketch = feature;
    sketching.value = true;
    feature.getGeometry().on("change", () => {
      live.value = describe(feature.getGeometry());
    });
  });
  made.on("drawend", ({ feature }) => {
    sketch = null;
    sketching.value = false;
    live.value = null;
    finish(feature);
  });
  made.on("drawabort", () => {
    sketch = null;
    sketching.value = false;
    live.value = null;
  });
  addSnaps();
  return made;
}

const traceOptions = () => (tracing.value ? { trace: true, traceSource: sources.conditions } : {});
const px = () => map.getView().getResolution();

function stoneUnder(point) {
  const found = sources.wall_stones.getFeaturesAtCoordinate(point)[0];
  return found ? format.writeGeometryObject(found.getGeometry()) : null;
}

/** Tables whose rows tell that their outline was proposed, and who confirmed it. */
const ASSISTED = ["conditions", "wall_stones"];

/** Proposed stones of a course as one edit; a stone that is drawn already is left as it is. */
function addCourse(geometries) {
  const fresh = geometries.filter(
    (g) =>
      !faultOf(g) &&
      !stoneUnder(new Polygon(g.coordinates).getInteriorPoint().getCoordinates().slice(0, 2)),
  );
  if (!geometries.length) return;
  if (!fresh.length) {
    notice.value = { text: t("course.drawn"), bad: true };
    return;
  }
  const ids = fresh.map(() => newId());
  edit(
    t("what.course", { n: ids.length }),
    fresh.map((geometry, i) => ({
      op: "insert",
      table: "wall_stones",
      id: ids[i],
      values: { surface: surface.value, geometry, origin: "assisted" },
    })),
  );
  select("wall_stones", ids);
  panel.value = "record";
  notice.value = { text: t("course.found", { n: ids.length }), undo: true };
}

const TOOLS = {
  polygon: () => draw("Polygon", { ...traceOptions(), minPoints: 3 }, (f) => addRow(geometryOf(f))),
  line: () => draw("LineString", { ...traceOptions(), minPoints: 2 }, (f) => addRow(geometryOf(f))),
  point: () => draw("Point", {}, (f) => addRow(geometryOf(f))),
  freehand: () =>
    draw("Polygon", { freehand: true }, (f) => {
      const [ring] = f.getGeometry().getCoordinates();
      const simple = simplify(ring, px() * 1.2);
      addRow({ type: "Polygon", coordinates: [roundAll(simple)] });
    }),
  rectangle: () => {
    let angle = 0;
    let start = null;
    draw(
      "Circle",
      {
        geometryFunction: ([a, b], geometry) => {
          if (!start || start[0] !== a[0] || start[1] !== a[1]) {
            start = a;
            angle = bedAngle(stoneUnder(a));
          }
          const ring = squareTo(a, b, angle);
          if (geometry) geometry.setCoordinates([ring]);
          return geometry ?? new Polygon([ring]);
        },
      },
      (f) => {
        start = null;
        addRow(geometryOf(f));
      },
    );
  },
  measure: () =>
    draw("LineString", { ...traceOptions() }, (f) => {
      const line = f.getGeometry().getCoordinates();
      const pm = lengthAccuracy();
      const ring =
        line.length > 3 &&
        Math.hypot(line[0][0] - line.at(-1)[0], line[0][1] - line.at(-1)[1]) < px() * 12;
      extraSource.clear();
      extraSource.addFeature(f);
      live.value = {
        measured: true,
        length: lengthOfLine(line),
        pm,
        du: line.at(-1)[0] - line[0][0],
        dv: line.at(-1)[1] - line[0][1],
        ...(ring
          ? { area: areaOf({ type: "Polygon", coordinates: [[...line.slice(0, -1), line[0]]] }) }
          : {}),
      };
    }),
  split: () => draw("LineString", {}, (f) => splitBy(f.getGeometry().getCoordinates())),
  hole: () => draw("Polygon", { minPoints: 3 }, (f) => cutOut(geometryOf(f), true)),
  cut: () => draw("Polygon", { minPoints: 3 }, (f) => cutOut(geometryOf(f), false)),
  modify: () => {
    const features = new Collection();
    // cut-outs keep their sides straight and are moved by them
    const isCutOut = (f) =>
      f.getId()?.startsWith("repairs|") && canBeCut(entryOf("repairs", f.getId().slice(8))?.row);
    const fill = () => {
      features.clear();
      chosenSource
        .getFeatures()
        .filter((f) => !isCutOut(f))
        .forEach((f) => features.push(f));
    };
    const stop = effect(() => {
      void selection.value;
      queueMicrotask(fill);
    });
    const change = add(new Modify({ features, style: sketchStyle, pixelTolerance: 14 }));
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
      const changes = [];
      for (const feature of changed.getArray()) {
        const geometry = geometryOf(feature);
        const fault = faultOf(geometry);
        const [table, id] = feature.getId().split(/\|(.*)/s);
        if (fault) {
          notice.value = { text: t(`fault.${fault}`), bad: true };
          feature.setGeometry(before.get(feature));
          continue;
        }
        changes.push({ op: "update", table, id, values: { geometry } });
      }
      if (changes.length) edit(t("what.modify"), changes);
      else showChosen();
      fill();
    });
    add(new ShapeCutOut());
    active.push({ setMap: () => {}, stop });
    return () => stop();
  },
  outline: () =>
    draw("Point", {}, async (f) => {
      const geometry = await outlineAt(f.getGeometry().getCoordinates());
      if (geometry)
        addRow(geometry, ASSISTED.includes(drawTable.value) ? { origin: "assisted" } : {});
    }),
  course: () =>
    draw("LineString", { minPoints: 2 }, async (f) =>
      addCourse(await findCourse(f.getGeometry().getCoordinates())),
    ),
  follow: () =>
    draw("LineString", { minPoints: 2 }, async (f) => {
      const geometry = await followLine(f.getGeometry().getCoordinates());
      if (geometry)
        addRow(geometry, ASSISTED.includes(drawTable.value) ? { origin: "assisted" } : {});
    }),
};

let ending = null;
effect(() => {
  const name = tool.value;
  void tracing.value;
  void snapping.value;
  if (ending) ending();
  ending = null;
  active = active.filter((a) => a.setMap && !a.stop);
  clear();
  const made = TOOLS[name]?.();
  ending = typeof made === "function" ? made : null;
  map.getTargetElement()?.classList.toggle("drawing", name !== "select");
});

// -- operations on what is selected ---------------------------------------------------------------------

const chosenRows = () =>
  selection.value
    .map(({ table, id }) => ({ table, id, row: entryOf(table, id)?.row }))
    .filter((c) => c.row?.geometry);
const without = (row, ...names) =>
  Object.fromEntries(
    Object.entries(row).filter(([k]) => !["id", "area_m2", "length_m", ...names].includes(k)),
  );

function splitBy(line) {
  const changes = [];
  const ids = [];
  const chosen = chosenRows().filter((c) => c.row.geometry.type.includes("Polygon"));
  const asked = chosen.length ? chosen : crossedBy(line);
  for (const { table, id, row } of asked) {
    const parts = split(row.geometry, line).sort((a, b) => areaOf(b) - areaOf(a));
    if (parts.length < 2) continue;
    changes.push({ op: "update", table, id, values: { geometry: parts[0] } });
    ids.push(id);
    for (const geometry of parts.slice(1)) {
      const fresh = newId();
      ids.push(fresh);
      changes.push({
        op: "insert",
        table,
        id: fresh,
        values: { ...without(row, "wall_stone"), geometry },
      });
    }
  }
  if (!changes.length) {
    notice.value = { text: t("split.none"), bad: true };
    return;
  }
  edit(t("what.split"), changes);
  select(asked[0].table, ids);
}

function crossedBy(line) {
  const shape = new LineString(line);
  const found = [];
  sources[drawTable.value]?.forEachFeatureIntersectingExtent(shape.getExtent(), (feature) => {
    const [table, id] = feature.getId().split(/\|(.*)/s);
    const row = entryOf(table, id)?.row;
    if (row?.geometry?.type.includes("Polygon")) found.push({ table, id, row });
  });
  return found;
}

function cutOut(knife, asHole) {
  const chosen = chosenRows().filter((c) => c.row.geometry.type.includes("Polygon"));
  const changes = [];
  for (const { table, id, row } of chosen) {
    if (asHole && !common(row.geometry, knife)) continue;
    const rest = subtract(row.geometry, knife);
    if (!rest) continue;
    changes.push({ op: "update", table, id, values: { geometry: rest } });
  }
  if (changes.length) edit(t(asHole ? "what.hole" : "what.cut"), changes);
  else notice.value = { text: t("cut.none"), bad: true };
}

export function merge() {
  const chosen = chosenRows().filter((c) => c.row.geometry.type.includes("Polygon"));
  if (chosen.length < 2) {
    notice.value = { text: t("merge.few"), bad: true };
    return;
  }
  const whole = union(chosen.map((c) => c.row.geometry));
  const [first, ...others] = chosen;
  edit(t("what.merge"), [
    { op: "update", table: first.table, id: first.id, values: { geometry: whole } },
    ...others.map(({ table, id }) => ({ op: "delete", table, id })),
  ]);
  select(first.table, first.id);
}

export function explode() {
  const changes = [];
  for (const { table, id, row } of chosenRows()) {
    const parts = partsOf(row.geometry.type === "MultiPolygon" ? row.geometry : null);
    if (parts.length < 2) continue;
    changes.push({ op: "update", table, id, values: { geometry: parts[0] } });
    for (const geometry of parts.slice(1))
      changes.push({
        op: "insert",
        table,
        id: newId(),
        values: { ...without(row, "wall_stone"), geometry },
      });
  }
  if (changes.length) edit(t("what.split"), changes);
}

export function copy() {
  const shift = px() * 24;
  const move = (c) => (typeof c[0] === "number" ? [c[0] + shift, c[1] - shift] : c.map(move));
  const ids = [];
  const changes = chosenRows().map(({ table, row }) => {
    const id = newId();
    ids.push(id);
    return {
      op: "insert",
      table,
      id,
      values: {
        ...without(row, "wall_stone"),
        geometry: { ...row.geometry, coordinates: roundAll(move(row.geometry.coordinates)) },
      },
    };
  });
  if (!changes.length) return;
  edit(t("what.copy"), changes);
  select(selection.value[0].table, ids);
  tool.value = "modify";
}

export function removeChosen() {
  const chosen = selection.value.filter(({ table }) => !["surfaces", "elevations"].includes(table));
  if (!chosen.length) return;
  edit(
    t("what.delete", { n: chosen.length }),
    chosen.map(({ table, id }) => ({ op: "delete", table, id })),
  );
  notice.value = { text: t("deleted", { n: chosen.length }), undo: true };
  selection.value = [];
}

// -- keyboard ----------------------------------------------------------------------------------------------

export const KEYS = {
  v: "select",
  p: "polygon",
  r: "rectangle",
  f: "freehand",
  l: "line",
  o: "point",
  e: "modify",
  x: "split",
  h: "hole",
  k: "cut",
  m: "measure",
  a: "outline",
  w: "follow",
  b: "course",
};

export function stepBack() {
  if (drawing && sketch) drawing.removeLastPoint();
}
export function finish() {
  if (drawing && sketch) drawing.finishDrawing();
}

/** Move the drawing cursor with the arrow keys and set vertices with the space bar. */
export function moveCursor(dx, dy, far) {
  const step = px() * (far ? 40 : 8);
  cursor.at ??= map.getView().getCenter();
  cursor.at = [cursor.at[0] + dx * step, cursor.at[1] + dy * step];
  extraSource.getFeatureById("cursor")?.setGeometry(new Point(cursor.at));
  if (!extraSource.getFeatureById("cursor")) {
    const mark = new Feature(new Point(cursor.at));
    mark.setId("cursor");
    extraSource.addFeature(mark);
  }
}
export function setVertex() {
  if (!drawing || !cursor.at) return;
  const name = tool.value;
  if (name === "point") {
    addRow({ type: "Point", coordinates: roundAll(cursor.at) });
    return;
  }
  drawing.appendCoordinates([cursor.at.slice()]);
}
export const isDrawing = () => Boolean(drawing);
export const hasSketch = () => Boolean(sketch);
export function cancel() {
  if (sketch) drawing.abortDrawing();
  else if (tool.value !== "select") tool.value = "select";
  else selection.value = [];
}

export { area, length, rowsOf, schema, dialog, place, update };
