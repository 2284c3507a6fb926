// The wall on the screen: picture, layers, pointer. One map for the life of the page.

import { computed, effect, untracked } from "@preact/signals";
import { defaults as defaultControls } from "ol/control/defaults.js";
import Feature from "ol/Feature.js";
import GeoJSON from "ol/format/GeoJSON.js";
import * as geom from "ol/geom.js";
import DragPan from "ol/interaction/DragPan.js";
import { defaults as defaultInteractions } from "ol/interaction/defaults.js";
import TileLayer from "ol/layer/Tile.js";
import VectorLayer from "ol/layer/Vector.js";
import OlMap from "ol/Map.js";
import Projection from "ol/proj/Projection.js";
import { getRenderPixel } from "ol/render.js";
import TileImage from "ol/source/TileImage.js";
import VectorSource from "ol/source/Vector.js";
import TileGrid from "ol/tilegrid/TileGrid.js";
import View from "ol/View.js";
import { q } from "../data/api.js";
import { anyRowOf, entryOf, onRows, pictures, rowsOf, surface, tableOf } from "../data/data.js";
import { fillStrength, hiddenFamilies, layers, shownSurvey } from "../data/settings.js";
import { live, pointer, select, selection, swipe, tool } from "../data/view.js";
import { boxOf } from "../geometry/shapes.js";
import { signOf } from "./draw.js";
import { meetsPoint } from "./near.js";
import { isPainting, onPainted, paintedLayer } from "./paint.js";
import * as signs from "./signs.js";

/** @typedef {import("./paint.js").Painted} Painted */
/** @typedef {"openings" | "wall_stones" | "repairs" | "pieces" | "conditions" | "control_points"} DrawnTable A table that is drawn on the wall. */

export const format = new GeoJSON();
/** @type {DrawnTable[]} */
export const GEOMETRY_TABLES = [
  "openings",
  "wall_stones",
  "repairs",
  "pieces",
  "conditions",
  "control_points",
];
/** @type {Record<DrawnTable, Painted[2]>} */
export const STYLES = {
  openings: signs.openingStyle,
  wall_stones: signs.stoneStyle,
  conditions: signs.conditionStyle,
  repairs: signs.repairStyle,
  pieces: signs.pieceStyle,
  control_points: signs.controlStyle,
};

const projection = new Projection({ code: "wall", units: "m", extent: [-2000, -2000, 2000, 2000] });
const PER_M = 1e6;

/** @param {TableName} table @returns {table is DrawnTable} */
const isDrawn = (table) => /** @type {string[]} */ (GEOMETRY_TABLES).includes(table);

/**
 * Whether a row of a packed table lies on the surface in view.
 * @type {import("./near.js").Wanted}
 */
export const onWall = (pack, i) => pack.value("surface", i) === surface.peek();

/** The outlines of one table on the surface in view, as map features made when they are asked for. */
class Outlines {
  constructor(/** @type {DrawnTable} */ table) {
    this.table = table;
  }

  #rows(/** @type {Box} */ extent) {
    /** @type {string[]} */
    const found = [];
    tableOf(this.table).shapesIn(
      extent.map((v) => v * PER_M),
      (pack, i) => {
        if (onWall(pack, i)) found.push(String(pack.value("id", i)));
      },
    );
    return found.flatMap((id) => this.getFeatureById(`${this.table}|${id}`) ?? []);
  }

  getFeatureById(/** @type {string} */ id) {
    const name = id.slice(this.table.length + 1);
    const entry = entryOf(this.table, name);
    return entry && entry.row.surface === surface.peek()
      ? makeFeature(this.table, name, entry.row)
      : null;
  }

  getFeaturesInExtent(/** @type {Box} */ extent) {
    return this.#rows(extent);
  }

  getFeaturesAtCoordinate(/** @type {number[]} */ [u, v]) {
    return this.#rows([u, v, u, v]).filter((f) => f.getGeometry()?.intersectsCoordinate([u, v]));
  }

  forEachFeatureIntersectingExtent(
    /** @type {Box} */ extent,
    /** @type {(feature: Feature) => void} */ act,
  ) {
    for (const feature of this.#rows(extent))
      if (feature.getGeometry()?.intersectsExtent(extent)) act(feature);
  }

  getExtent() {
    const whole = [Infinity, Infinity, -Infinity, -Infinity];
    tableOf(this.table).shapesIn([-Infinity, -Infinity, Infinity, Infinity], (pack, i) => {
      if (!onWall(pack, i)) return;
      for (const k of [0, 1]) whole[k] = Math.min(whole[k], pack.boxes[4 * i + k] / PER_M);
      for (const k of [2, 3]) whole[k] = Math.max(whole[k], pack.boxes[4 * i + k] / PER_M);
    });
    return whole;
  }
}

export const sources = /** @type {Record<DrawnTable, Outlines>} */ (
  Object.fromEntries(GEOMETRY_TABLES.map((name) => [name, new Outlines(name)]))
);
/** The outlines of whichever table; nothing for one that is not drawn. */
export const outlinesOf = (/** @type {TableName} */ table) =>
  isDrawn(table) ? sources[table] : null;
const comparedSurveys = computed(() => swipe.value?.surveys?.join("|") ?? "");
const isShown = (/** @type {TableName} */ name) => layers.peek()[name] !== false;
const outlineLayer = paintedLayer({
  zIndex: 10,
  wanted: onWall,
  tables: () =>
    GEOMETRY_TABLES.filter(
      (name) => isShown(name) && !(name === "conditions" && comparedSurveys.peek()),
    ).map((name) => /** @type {Painted} */ ([name, tableOf(name), STYLES[name]])),
});
/** Two surveys of the same wall, one on each side of the edge; otherwise unused. */
const surveyLayers = ["left", "right"].map((side, k) =>
  paintedLayer({
    zIndex: 20,
    visible: false,
    side,
    edgeAt: () => swipe.peek()?.at ?? 0.5,
    wanted: onWall,
    tables: () =>
      isShown("conditions")
        ? [
            [
              "conditions",
              tableOf("conditions"),
              (feature, resolution) =>
                signs.conditionSign(feature, resolution, swipe.peek()?.surveys?.[k]),
            ],
          ]
        : [],
  }),
);
const painted = [outlineLayer, ...surveyLayers];
let complete = false;
const notYet = () => {
  complete = false;
  delete document.documentElement.dataset.drawn;
};
const repaint = (/** @type {Box | undefined} */ box = undefined) => {
  notYet();
  for (const layer of painted) layer.repaint(box);
};
export const chosenSource = new VectorSource({ wrapX: false });
/** A selection of more rows than this is painted with the outlines, not made into things that can be dragged. */
const MANY = 800;
/** @type {Set<unknown>} */
let chosenIds = new Set();
const manyLayer = paintedLayer({
  zIndex: 39,
  visible: false,
  wanted: (pack, i) => onWall(pack, i) && chosenIds.has(pack.value("id", i)),
  tables: () => {
    const table = selection.peek()[0]?.table;
    return chosenIds.size && table ? [[table, tableOf(table), signs.chosenStyle]] : [];
  },
});
const chosenLayer = new VectorLayer({ source: chosenSource, style: signs.chosenStyle, zIndex: 40 });
export const extraSource = new VectorSource({ wrapX: false });
export const extraLayer = new VectorLayer({
  source: extraSource,
  zIndex: 45,
  style: signs.sketchStyle,
});
/** @type {TileLayer<TileImage>[]} */
let pictureLayers = [];

export const map = new OlMap({
  controls: defaultControls({ zoom: false, rotate: false, attribution: false }),
  interactions: defaultInteractions({
    altShiftDragRotate: false,
    pinchRotate: false,
    doubleClickZoom: false,
    // Shift draws a box that chooses
    shiftDragZoom: false,
  }),
  layers: [...painted, manyLayer, chosenLayer, extraLayer],
  view: new View({ projection, center: [0, 0], resolution: 0.01 }),
  moveTolerance: 2,
});

/**
 * A picture cut into tiles, as a layer.
 * @param {Omit<Picture, "version">} about
 * @param {(level: number, column: number, row: number) => string} address
 * @param {Projection} [frame]
 */
export function tileLayer(about, address, frame = projection) {
  const resolutions = Array.from(
    { length: about.levels },
    (_, i) => about.gsd_m * 2 ** (about.levels - 1 - i),
  );
  const extent = [
    about.left_m,
    about.top_m - about.height_px * about.gsd_m,
    about.left_m + about.width_px * about.gsd_m,
    about.top_m,
  ];
  const tileGrid = new TileGrid({
    origin: [about.left_m, about.top_m],
    resolutions,
    tileSize: about.tile_px,
    extent,
  });
  const source = new TileImage({
    projection: frame,
    tileGrid,
    wrapX: false,
    transition: 0,
    interpolate: true,
    tileUrlFunction: ([z, x, y]) => address(about.levels - 1 - z, x, y),
  });
  return new TileLayer({ source, extent, zIndex: 0, preload: 1, cacheSize: 256 });
}

/**
 * The box of the picture of a surface; of the surface, or of its stones, where it has none.
 * @param {string} name
 * @returns {Box}
 */
export const pictureExtent = (name) => {
  const about = pictures.value[name];
  if (about)
    return [
      about.left_m,
      about.top_m - about.height_px * about.gsd_m,
      about.left_m + about.width_px * about.gsd_m,
      about.top_m,
    ];
  const outline = entryOf("surfaces", name)?.row.geometry;
  if (outline) return boxOf(outline);
  const extent = sources.wall_stones.getExtent();
  return Number.isFinite(extent[0]) ? extent : [0, 0, 10, 6];
};

const layerFor = (/** @type {string} */ name) => {
  const about = pictures.value[name];
  return (
    about &&
    tileLayer(about, (l, x, y) => `/tiles/surface/${l}/${x}/${y}?id=${q(name)}&v=${about.version}`)
  );
};

const comparedWith = computed(() => swipe.value?.with ?? "");
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

/**
 * Show a layer on one side of the edge alone, as long as that is asked for.
 * @param {import("ol/layer/Layer.js").default} layer
 * @param {"left" | "right"} side
 */
export function clip(layer, side, isAsked = () => true) {
  /** The pen whose reach was narrowed. @type {CanvasRenderingContext2D | null} */
  let held = null;
  layer.on("prerender", (event) => {
    const size = map.getSize();
    held = isAsked() && size ? /** @type {CanvasRenderingContext2D} */ (event.context) : null;
    if (!held || !size) return;
    const pen = held;
    const [width, height] = size;
    const x = width * (swipe.value?.at ?? 0.5);
    const [left, top] = getRenderPixel(event, [side === "right" ? x : 0, 0]);
    const [right, bottom] = getRenderPixel(event, [side === "right" ? width : x, height]);
    pen.save();
    pen.beginPath();
    pen.rect(left, top, right - left, bottom - top);
    pen.clip();
  });
  layer.on("postrender", () => held?.restore());
}

effect(() => {
  const shown = layers.value;
  for (const layer of pictureLayers) layer.setVisible(shown.picture !== false);
  for (const layer of surveyLayers) layer.setVisible(Boolean(comparedSurveys.value));
  void hiddenFamilies.value;
  void shownSurvey.value;
  void fillStrength.value;
  repaint();
});

let moves = 0;
/** How often the view was moved: who waited for an answer leaves it where a person moved it meanwhile. */
export const viewMoves = () => moves;
/** The view is moved by hand or key: nothing that is still under way overrules it. */
export function takeView() {
  moves += 1;
  const view = map.getView();
  if (view.getAnimating()) view.cancelAnimations();
  return view;
}
map.on("pointerdrag", takeView);
export const viewport = /** @type {HTMLElement} */ (map.getViewport());
viewport.addEventListener("wheel", () => {
  moves += 1;
});

/** Milliseconds that a move of the view takes: none for whom moving pictures are a burden. */
const moving = (/** @type {number} */ ms) =>
  matchMedia("(prefers-reduced-motion: reduce)").matches ? 0 : ms;

export function fit(/** @type {Box} */ extent, { nearest = 0.0004, slow = false } = {}) {
  // what lies over the wall leaves this much of it free
  const tools = document.querySelector(".tools")?.getBoundingClientRect();
  const wide = (map.getSize()?.[0] ?? 0) > 560;
  const left = tools && tools.width < 300 ? tools.width + 52 : 60;
  takeView().fit(extent, {
    padding: wide ? [30, 66, 70, left] : [64, 16, 36, 16],
    minResolution: nearest,
    duration: slow ? moving(260) : 0,
  });
}
export const fitWall = () => surface.value && fit(pictureExtent(surface.value));

/**
 * Where a zoom that is still under way will end.
 * @type {number | null}
 */
let zoomingTo = null;
/** Nearer or farther by a factor of the scale; pressed twice at speed it goes twice as far. */
export function zoomBy(/** @type {number} */ factor) {
  const view = map.getView();
  const from = (view.getAnimating() && zoomingTo) || view.getResolution();
  const to = from && view.getConstrainedResolution(from * factor);
  if (!to) return;
  zoomingTo = to;
  takeView().animate({ resolution: to, duration: moving(160) }, () => {
    if (zoomingTo === to) zoomingTo = null;
  });
}

/** A geometry as the map has it. */
export function shapeOf(/** @type {Geometry} */ geometry) {
  switch (geometry.type) {
    case "Point":
      return new geom.Point(geometry.coordinates);
    case "LineString":
      return new geom.LineString(geometry.coordinates);
    case "MultiLineString":
      return new geom.MultiLineString(geometry.coordinates);
    case "Polygon":
      return new geom.Polygon(geometry.coordinates);
    default:
      return new geom.MultiPolygon(geometry.coordinates);
  }
}

/** What of the wall a thing of the map shows, as it is now. */
export const drawnOf = (/** @type {Feature} */ feature) =>
  /** @type {Geometry} */ (
    format.writeGeometryObject(/** @type {geom.Geometry} */ (feature.getGeometry()))
  );
/** Which row a thing of the map shows. */
export function placeOf(/** @type {Pick<Feature, "getId">} */ feature) {
  const [table, id = ""] = String(feature.getId()).split(/\|(.*)/s);
  return { table: /** @type {TableName} */ (table), id };
}

/**
 * A row as a thing of the map.
 * @param {TableName} table
 * @param {string} id
 * @param {AnyRow} row
 */
export function makeFeature(table, id, row) {
  if (!row.geometry) return null;
  const feature = new Feature(shapeOf(row.geometry));
  feature.setId(`${table}|${id}`);
  for (const name of [
    "family",
    "term",
    "cc",
    "stage",
    "treatment",
    "role",
    "name",
    "survey",
    "origin",
    "confirmed_by",
    "note",
  ])
    if (row[name] !== undefined) feature.set(name, row[name], true);
  return feature;
}

onRows((table) => {
  if (!isDrawn(table)) return;
  const box = tableOf(table).takeChanged();
  if (box) repaint(box);
  showChosen();
});

export const featureOf = (/** @type {RowPlace} */ { table, id }) =>
  isDrawn(table) ? sources[table].getFeatureById(`${table}|${id}`) : null;
let holdChosen = false;
export const holdChosenWhile = (/** @type {boolean} */ held) => {
  holdChosen = held;
};

export function showChosen() {
  if (holdChosen) return;
  chosenSource.clear(true);
  const many = selection.value.length > MANY;
  if (many || chosenIds.size) {
    chosenIds = new Set(many ? selection.value.map(({ id }) => id) : []);
    manyLayer.setVisible(many);
    manyLayer.repaint();
  }
  const features = (many ? [] : selection.value)
    .flatMap((place) => featureOf(place) ?? [])
    .map((f) => {
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
export function goTo(/** @type {TableName} */ table, /** @type {string} */ id) {
  const row = anyRowOf(table, id);
  if (!row?.geometry) return;
  if (row.surface && row.surface !== surface.value) surface.value = row.surface;
  const extent = boxOf(row.geometry);
  const grown = Math.max(0.35, (extent[2] - extent[0]) * 0.9, (extent[3] - extent[1]) * 0.9);
  fit([extent[0] - grown, extent[1] - grown, extent[2] + grown, extent[3] + grown], { slow: true });
}

/** @type {DrawnTable[]} */
const ORDER = ["control_points", "conditions", "pieces", "repairs", "openings", "wall_stones"];
const REACH_PX = 6;
/** What lies under a point of the screen, smallest first within each table. */
export function rowsAt(/** @type {Point} */ pixel) {
  /** @type {{table: DrawnTable, id: string}[]} */
  const found = [];
  const resolution = map.getView().getResolution();
  const at = map.getCoordinateFromPixel(pixel);
  // before the wall was drawn for the first time nothing lies anywhere
  if (!resolution || !at) return found;
  const reach = REACH_PX * resolution * PER_M;
  const [x, y] = at.map((v) => v * PER_M);
  for (const table of ORDER) {
    if (!isShown(table)) continue;
    /** @type {{id: string, size: number}[]} */
    const here = [];
    tableOf(table).shapesIn([x - reach, y - reach, x + reach, y + reach], (pack, i) => {
      if (
        !onWall(pack, i) ||
        !signOf(STYLES[table], table, pack, i, resolution) ||
        !meetsPoint(pack, i, x, y, reach)
      )
        return;
      const { boxes } = pack;
      here.push({
        id: String(pack.value("id", i)),
        size: (boxes[4 * i + 2] - boxes[4 * i]) * (boxes[4 * i + 3] - boxes[4 * i + 1]),
      });
    });
    found.push(...here.sort((a, b) => a.size - b.size).map(({ id }) => ({ table, id })));
  }
  return found;
}

/** Whether a stone is drawn already where an outline lies. */
export const stoneAt = (/** @type {Polygon} */ geometry) => {
  const inside = new geom.Polygon(geometry.coordinates)
    .getInteriorPoint()
    .getCoordinates()
    .slice(0, 2);
  return sources.wall_stones.getFeaturesAtCoordinate(inside)[0] ?? null;
};

/** @type {Point | null} */
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
  const near =
    lastClick && Math.hypot(lastClick[0] - event.pixel[0], lastClick[1] - event.pixel[1]) < 5;
  if (near && found.length > 1) {
    const at = found.findIndex((f) =>
      selection.value.some((s) => s.id === f.id && s.table === f.table),
    );
    first = found[(at + 1) % found.length];
  }
  lastClick = event.pixel;
  if (event.originalEvent.shiftKey) {
    const has = selection.value.some((s) => s.id === first.id);
    selection.value = has
      ? selection.value.filter((s) => s.id !== first.id)
      : [...selection.value.filter((s) => s.table === first.table), first];
  } else select(first.table, first.id);
});
// the middle button moves the wall, whatever tool is in hand
/** @type {import("ol/events/condition.js").Condition} */
const isMiddle = ({ originalEvent }) =>
  originalEvent instanceof MouseEvent && originalEvent.button === 1;
map.addInteraction(new DragPan({ condition: isMiddle }));
viewport.addEventListener("mousedown", (event) => {
  if (event.button === 1) event.preventDefault();
});

map.on("pointermove", (event) => {
  pointer.value = event.coordinate;
});
viewport.addEventListener("pointerleave", () => {
  pointer.value = null;
});

// what is stored about a surface leaves the view alone
const anySurface = computed(() => rowsOf("surfaces").length > 0);
effect(() => {
  void surface.value;
  const known = anySurface.value;
  // a choice on the wall must not bring the whole wall back into view
  untracked(() => {
    for (const layer of painted) layer.wipe();
    showChosen();
    if (known && map.getSize()) fitWall();
  });
});

/** Everything that is wanted of the view is on the screen. */
function noteDrawn() {
  if (!isPainting() && !painted.some((layer) => layer.isStale()))
    document.documentElement.dataset.drawn = "yes";
}
map.on("rendercomplete", () => {
  complete = true;
  // for those who measure: the picture of the wall is there
  if (surface.peek() && !performance.getEntriesByName("wall").length) performance.mark("wall");
  noteDrawn();
});
onPainted(() => {
  if (complete) noteDrawn();
});
map.on("movestart", notYet);

export { live };
