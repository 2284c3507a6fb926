// The wall on the screen: picture, layers, pointer. One map for the life of the page.
import Feature from "ol/Feature.js";
import Map from "ol/Map.js";
import View from "ol/View.js";
import { defaults as defaultControls } from "ol/control/defaults.js";
import GeoJSON from "ol/format/GeoJSON.js";
import { defaults as defaultInteractions } from "ol/interaction/defaults.js";
import { LineString, MultiLineString, MultiPolygon, Point, Polygon } from "ol/geom.js";
import TileLayer from "ol/layer/Tile.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorImageLayer from "ol/layer/VectorImage.js";
import Projection from "ol/proj/Projection.js";
import TileImage from "ol/source/TileImage.js";
import VectorSource from "ol/source/Vector.js";
import TileGrid from "ol/tilegrid/TileGrid.js";
import { computed, effect } from "@preact/signals";
import { getRenderPixel } from "ol/render.js";
import { entryOf, onRows, pictures, rowsOf, surface, tableOf } from "./data.js";
import { q } from "./api.js";
import { hiddenFamilies, layers, shownSurvey } from "./settings.js";
import * as signs from "./signs.js";
import { live, pointer, select, selection, swipe, tool } from "./view.js";

export const format = new GeoJSON();
const SHAPES = { Point, LineString, MultiLineString, Polygon, MultiPolygon };
export const GEOMETRY_TABLES = ["openings", "wall_stones", "repairs", "pieces", "conditions", "control_points"];
const STYLES = { openings: signs.openingStyle, wall_stones: signs.stoneStyle, conditions: signs.conditionStyle, repairs: signs.repairStyle, pieces: signs.pieceStyle, control_points: signs.controlStyle };

const projection = new Projection({ code: "wall", units: "m", extent: [-2000, -2000, 2000, 2000] });
export const sources = Object.fromEntries(GEOMETRY_TABLES.map((name) => [name, new VectorSource({ wrapX: false })]));
const vectorLayers = Object.fromEntries(GEOMETRY_TABLES.map((name, i) => [name, new VectorImageLayer({
  // drawn once into a picture that moves with the wall, so that twenty thousand outlines do not slow a pan
  source: sources[name], style: STYLES[name], zIndex: 10 + i, renderBuffer: 40, imageRatio: 1.4,
})]));
export const chosenSource = new VectorSource({ wrapX: false });
const chosenLayer = new VectorLayer({ source: chosenSource, style: signs.chosenStyle, zIndex: 40 });
export const extraSource = new VectorSource({ wrapX: false });
export const extraLayer = new VectorLayer({ source: extraSource, zIndex: 45, style: signs.sketchStyle });
let pictureLayers = [];

export const map = new Map({
  controls: defaultControls({ zoom: false, rotate: false, attribution: false }),
  interactions: defaultInteractions({ altShiftDragRotate: false, pinchRotate: false, doubleClickZoom: false }),
  layers: [...Object.values(vectorLayers), chosenLayer, extraLayer],
  view: new View({ projection, center: [0, 0], resolution: 0.01 }),
  moveTolerance: 2,
});

export function tileLayer(about, address, frame = projection) {
  const resolutions = Array.from({ length: about.levels }, (_, i) => about.gsd_m * 2 ** (about.levels - 1 - i));
  const extent = [about.left_m, about.top_m - about.height_px * about.gsd_m, about.left_m + about.width_px * about.gsd_m, about.top_m];
  const tileGrid = new TileGrid({ origin: [about.left_m, about.top_m], resolutions, tileSize: about.tile_px, extent });
  const source = new TileImage({
    projection: frame, tileGrid, wrapX: false, transition: 0, interpolate: true,
    tileUrlFunction: ([z, x, y]) => address(about.levels - 1 - z, x, y),
  });
  return new TileLayer({ source, extent, zIndex: 0, preload: 1, cacheSize: 256 });
}

export const pictureExtent = (name) => {
  const about = pictures.value[name];
  if (about) return [about.left_m, about.top_m - about.height_px * about.gsd_m, about.left_m + about.width_px * about.gsd_m, about.top_m];
  const ring = entryOf("surfaces", name)?.row.geometry;
  if (ring) return format.readGeometry(ring).getExtent();
  const extent = sources.wall_stones.getExtent();
  return Number.isFinite(extent?.[0]) ? extent : [0, 0, 10, 6];
};

const layerFor = (name) => {
  const about = pictures.value[name];
  return about && tileLayer(about, (l, x, y) => `/tiles/surface/${l}/${x}/${y}?id=${q(name)}&v=${about.version}`);
};

const comparedWith = computed(() => swipe.value?.with ?? "");
const comparedSurveys = computed(() => swipe.value?.surveys?.join("|") ?? "");
effect(() => {
  const name = surface.value;
  for (const layer of pictureLayers) map.removeLayer(layer);
  pictureLayers = [];
  if (!name) return;
  const layer = layerFor(name);
  if (layer) {
    pictureLayers.push(layer);
    map.getLayers().insertAt(0, layer);
  }
  const other = comparedWith.value && layerFor(comparedWith.value);
  if (other) {
    other.setZIndex(1);
    pictureLayers.push(other);
    map.getLayers().insertAt(1, other);
    clip(other, "right");
  }
});

/** Two surveys of the same wall, one on each side of the edge; otherwise unused. */
const surveyLayers = ["left", "right"].map((side, i) => {
  const layer = new VectorLayer({
    source: sources.conditions, zIndex: 10 + GEOMETRY_TABLES.indexOf("conditions"), visible: false,
    style: (feature, resolution) => signs.conditionSign(feature, resolution, swipe.value?.surveys?.[i]),
  });
  clip(layer, side);
  map.addLayer(layer);
  return layer;
});

function clip(layer, side) {
  layer.on("prerender", (event) => {
    const pen = event.context;
    const x = map.getSize()[0] * (swipe.value?.at ?? 0.5);
    const [width, height] = map.getSize();
    const [left, top] = getRenderPixel(event, [side === "right" ? x : 0, 0]);
    const [right, bottom] = getRenderPixel(event, [side === "right" ? width : x, height]);
    pen.save();
    pen.beginPath();
    pen.rect(left, top, right - left, bottom - top);
    pen.clip();
  });
  layer.on("postrender", (event) => event.context.restore());
}

effect(() => {
  const shown = layers.value;
  for (const name of GEOMETRY_TABLES) vectorLayers[name].setVisible(shown[name] !== false);
  for (const layer of pictureLayers) layer.setVisible(shown.picture !== false);
  const two = Boolean(comparedSurveys.value);
  vectorLayers.conditions.setVisible(!two && shown.conditions !== false);
  for (const layer of surveyLayers) layer.setVisible(two && shown.conditions !== false);
});
effect(() => {
  void hiddenFamilies.value;
  void shownSurvey.value;
  void comparedSurveys.value;
  vectorLayers.conditions.changed();
  for (const layer of surveyLayers) layer.changed();
});

export function fit(extent, { nearest = 0.0004, slow = false } = {}) {
  const wide = map.getSize()?.[0] > 700;
  map.getView().fit(extent, { padding: wide ? [40, 40, 70, 180] : [26, 16, 60, 16], minResolution: nearest, duration: slow ? 260 : 0 });
}
export const fitWall = () => surface.value && fit(pictureExtent(surface.value));

export function makeFeature(table, id, row) {
  if (!row.geometry) return null;
  const Shape = SHAPES[row.geometry.type];
  const feature = new Feature(Shape ? new Shape(row.geometry.coordinates) : format.readGeometry(row.geometry));
  feature.setId(`${table}|${id}`);
  for (const name of ["family", "term", "cc", "stage", "treatment", "role", "name", "survey"]) if (row[name] !== undefined) feature.set(name, row[name], true);
  return feature;
}

/** Fill the layers with the rows of the surface in view. */
export function fillLayers(names = GEOMETRY_TABLES) {
  for (const name of names) {
    const features = [];
    for (const [id, { row }] of tableOf(name)) {
      if (row.surface !== surface.value) continue;
      const feature = makeFeature(name, id, row);
      if (feature) features.push(feature);
    }
    sources[name].clear(true);
    sources[name].addFeatures(features);
  }
  showChosen();
}

onRows((table, ids) => {
  if (!GEOMETRY_TABLES.includes(table)) return;
  if (ids === null) {
    fillLayers([table]);
    return;
  }
  for (const id of ids) {
    const old = sources[table].getFeatureById(`${table}|${id}`);
    if (old) sources[table].removeFeature(old);
    const entry = entryOf(table, id);
    if (entry && entry.row.surface === surface.value) {
      const feature = makeFeature(table, id, entry.row);
      if (feature) sources[table].addFeature(feature);
    }
  }
  showChosen();
});

export const featureOf = ({ table, id }) => sources[table]?.getFeatureById(`${table}|${id}`) ?? null;
let holdChosen = false;
export const holdChosenWhile = (held) => {
  holdChosen = held;
};

export function showChosen() {
  if (holdChosen) return;
  chosenSource.clear(true);
  const features = selection.value.map(featureOf).filter(Boolean).map((f) => {
    const copy = f.clone();
    copy.setId(f.getId());
    return copy;
  });
  chosenSource.addFeatures(features);
  if (!features.length) chosenSource.changed();
}
effect(() => {
  void selection.value;
  showChosen();
});

/** Show a row where it lies, on its own surface. */
export function goTo(table, id) {
  const row = entryOf(table, id)?.row;
  if (!row?.geometry) return;
  if (row.surface !== surface.value) surface.value = row.surface;
  const extent = format.readGeometry(row.geometry).getExtent();
  const grown = Math.max(0.35, (extent[2] - extent[0]) * 0.9, (extent[3] - extent[1]) * 0.9);
  fit([extent[0] - grown, extent[1] - grown, extent[2] + grown, extent[3] + grown], { slow: true });
}

const ORDER = ["control_points", "conditions", "pieces", "repairs", "openings", "wall_stones"];
export function rowsAt(pixel) {
  const found = [];
  map.forEachFeatureAtPixel(pixel, (feature) => {
    const [table, id] = String(feature.getId() ?? "").split(/\|(.*)/s);
    if (sources[table] && !found.some((f) => f.id === id && f.table === table)) found.push({ table, id });
  }, { hitTolerance: 6, layerFilter: (layer) => layer !== chosenLayer && layer !== extraLayer });
  const size = (f) => {
    const e = featureOf(f)?.getGeometry().getExtent() ?? [0, 0, 0, 0];
    return (e[2] - e[0]) * (e[3] - e[1]);
  };
  return found.sort((a, b) => ORDER.indexOf(a.table) - ORDER.indexOf(b.table) || size(a) - size(b));
}

let lastClick = null;
map.on("singleclick", (event) => {
  if (tool.value !== "select") return;
  let found = rowsAt(event.pixel);
  if (layers.value.wall_stones === false) found = found.filter((f) => f.table !== "wall_stones");
  if (!found.length) {
    if (!event.originalEvent.shiftKey) selection.value = [];
    return;
  }
  let [first] = found;
  const near = lastClick && Math.hypot(lastClick[0] - event.pixel[0], lastClick[1] - event.pixel[1]) < 5;
  if (near && found.length > 1) {
    const at = found.findIndex((f) => selection.value.some((s) => s.id === f.id && s.table === f.table));
    first = found[(at + 1) % found.length];
  }
  lastClick = event.pixel;
  if (event.originalEvent.shiftKey) {
    const has = selection.value.some((s) => s.id === first.id);
    selection.value = has ? selection.value.filter((s) => s.id !== first.id) : [...selection.value.filter((s) => s.table === first.table), first];
  } else select(first.table, first.id);
});
map.on("pointermove", (event) => {
  pointer.value = event.coordinate;
});
map.getViewport().addEventListener("pointerleave", () => {
  pointer.value = null;
});

effect(() => {
  void surface.value;
  if (rowsOf("surfaces").length) {
    fillLayers();
    if (map.getSize()) fitWall();
  }
});

map.on("rendercomplete", () => {
  document.documentElement.dataset.drawn = "yes";
});
map.on("movestart", () => {
  delete document.documentElement.dataset.drawn;
});
export { live };
