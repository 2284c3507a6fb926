// A cut-out on the wall: its piece, joints and pins shown, its sides, corners and pins moved by pointer, finger or pen.

import { effect } from "@preact/signals";
import Feature from "ol/Feature.js";
import { LineString, Point as OlPoint } from "ol/geom.js";
import PointerInteraction from "ol/interaction/Pointer.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { Circle, Fill, RegularShape, Stroke, Style, Text } from "ol/style.js";
import { entryOf, rowsOf, tickOf } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { length } from "../data/settings.js";
import { live, selection, tool } from "../data/view.js";
import { areaOf, boxOf, cornerMoved, partsOf, roundAll, sideMoved } from "../geometry/shapes.js";
import { HAND } from "../wall/signs.js";
import { map, placeOf, shapeOf } from "../wall/wall.js";
import { t } from "../words/texts.js";

/** @typedef {import("../wall/near.js").PointerOnWall} PointerOnWall */
/** @typedef {Repair & {geometry: Polygon}} CutOut */
/** @typedef {{kind: "joint" | "side" | "corner" | "pin" | "piece", at?: number, text?: string, dx?: number, dy?: number}} Shown */

const INSETS = ["inset", "whole stone"];
const OPEN = ["proposed", "on hold"];
/**
 * @param {AnyRow | null | undefined} row
 * @returns {row is CutOut}
 */
export const canBeCut = (row) =>
  INSETS.includes(String(row?.treatment)) && row?.geometry?.type === "Polygon";
/**
 * A cut-out that was approved or made is settled; the server holds to the same.
 * @param {AnyRow | null | undefined} row
 * @returns {row is CutOut}
 */
export const canBeShaped = (row) => canBeCut(row) && OPEN.includes(row.stage);
/** Whether a thing of the map is a cut-out, which keeps its sides straight and is moved by them. */
export function isCutOut(/** @type {Pick<Feature, "getId">} */ feature) {
  const { table, id } = placeOf(feature);
  return table === "repairs" && canBeCut(entryOf("repairs", id)?.row);
}

const source = new VectorSource({ wrapX: false });
map.addLayer(new VectorLayer({ source, zIndex: 42, style: styleOf }));

const halo = new Stroke({ color: "rgba(255,255,255,.9)", width: 4 });
const PIECE = [
  new Style({ stroke: new Stroke({ color: "#fff", width: 3 }) }),
  new Style({ stroke: new Stroke({ color: "#7a1f1f", width: 1.4, lineDash: [5, 4] }) }),
];
const PIN = new Style({
  image: new Circle({
    radius: 7,
    stroke: new Stroke({ color: "#a3141e", width: 2.4 }),
    fill: new Fill({ color: "rgba(255,255,255,.85)" }),
  }),
  text: new Text({
    text: "+",
    font: "bold 15px Atkinson Hyperlegible",
    fill: new Fill({ color: "#a3141e" }),
    offsetY: 1,
  }),
});
const handle = (/** @type {number} */ points, /** @type {number} */ angle) =>
  new Style({
    image: new RegularShape({
      points,
      radius: 8,
      angle,
      fill: new Fill({ color: "#ffffff" }),
      stroke: new Stroke({ color: HAND, width: 2.4 }),
    }),
  });
const SIDE = handle(4, 0);
const CORNER = handle(4, Math.PI / 4);

/** @type {import("ol/style/Style.js").StyleFunction} */
function styleOf(feature, resolution) {
  const kind = feature.get("kind");
  if (kind === "piece") return resolution < 0.004 ? PIECE : undefined;
  if (kind === "pin") return resolution < 0.006 ? PIN : undefined;
  if (kind === "joint") {
    if (resolution > 0.0026) return undefined;
    return new Style({
      text: new Text({
        text: feature.get("text"),
        font: "bold 12px Atkinson Hyperlegible",
        fill: new Fill({ color: "#141516" }),
        stroke: halo,
        offsetX: feature.get("dx"),
        offsetY: feature.get("dy"),
      }),
    });
  }
  return kind === "side" ? SIDE : CORNER;
}

/**
 * @param {import("ol/geom.js").Geometry} geometry
 * @param {Shown} values
 */
const add = (geometry, values) => {
  const feature = new Feature(geometry);
  feature.setProperties(values, true);
  source.addFeature(feature);
};

const chosenRow = () => {
  const [first] = selection.value;
  return selection.value.length === 1 && first.table === "repairs"
    ? (entryOf("repairs", first.id)?.row ?? null)
    : null;
};

/**
 * What is being moved: the cut-out as it was, what of it, and how far that has come.
 * @typedef {{row: CutOut, kind: keyof typeof RANK, at: number, ring: Line, start: Point, pins: Pin[] | null, next?: Line}} Drag
 */
/** @type {Drag | null} */
let drag = null;

/**
 * @param {Repair | null} row
 * @param {Line} [next] Its outline as it is being changed.
 */
function show(row, next) {
  source.clear(true);
  if (!canBeCut(row)) {
    source.changed();
    return;
  }
  const ring = next ?? row.geometry.coordinates[0].slice(0, -1);
  const piece = rowsOf("pieces").find((p) => p.repair === row.id);
  if (piece?.geometry && !drag) add(shapeOf(piece.geometry), { kind: "piece" });
  const edges = row.edges ?? [];
  const named = new Map(
    (row.materials?.edges ?? []).map((e) => [Number(e.at), edgeName(String(e.name))]),
  );
  const shaping = tool.value === "modify" && canBeShaped(row);
  ring.forEach((a, i) => {
    const b = ring[(i + 1) % ring.length];
    const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    const [x, y] = [b[0] - a[0], b[1] - a[1]];
    const d = Math.hypot(x, y) || 1;
    if (!drag && edges.length === ring.length)
      add(new OlPoint(middle), {
        kind: "joint",
        text: [
          named.get(i) ?? "",
          edges[i] ? length(edges[i], { digits: 1 }) : t("edge.exposed"),
        ].join(" "),
        dx: (y / d) * 26,
        dy: (x / d) * 15,
      });
    if (shaping) add(new OlPoint(middle), { kind: "side", at: i });
    if (shaping) add(new OlPoint(a), { kind: "corner", at: i });
  });
  if (drag) add(new LineString([...ring, ring[0]]), { kind: "piece" });
  (drag?.pins ?? row.pins ?? []).forEach((p, i) => {
    add(new OlPoint([p.u_m, p.v_m]), { kind: "pin", at: i });
  });
}

/** Name of an edge as on the ticket: top, right, bottom, left, and their numbers beyond the first. */
export function edgeName(/** @type {string} */ name) {
  const [side, number] = name.split(" ");
  const word = ["top", "right", "bottom", "left"].includes(side) ? t(`edge.${side}`) : side;
  return number ? `${word} ${number}` : word;
}

effect(() => {
  void tickOf("repairs").value;
  void tickOf("pieces").value;
  void tool.value;
  if (!drag) show(chosenRow());
});

const RANK = { pin: 0, corner: 1, side: 2 };
/** What of a cut-out a thing on the map can be taken by; nothing for what is only shown. */
const handleOf = (/** @type {Feature} */ feature) => {
  const kind = feature.get("kind");
  return kind in RANK ? /** @type {keyof typeof RANK} */ (kind) : null;
};

/** Moves sides (square to themselves), corners and pins of the chosen cut-out. */
export class ShapeCutOut extends PointerInteraction {
  constructor() {
    super({
      handleDownEvent: (e) => this.grab(e),
      handleDragEvent: (e) => this.pull(e),
      handleUpEvent: () => this.drop(),
      handleMoveEvent: (e) => this.point(e),
    });
  }

  /** What lies under the pointer, a pin before a corner before a side. */
  under(/** @type {PointerOnWall} */ event) {
    const { originalEvent, pixel } = event;
    const isTouch = originalEvent instanceof PointerEvent && originalEvent.pointerType === "touch";
    const reach = isTouch ? 26 : 12;
    const found = source.getFeatures().flatMap((feature) => {
      const kind = handleOf(feature);
      const at = /** @type {OlPoint} */ (feature.getGeometry()).getCoordinates();
      const [x, y] = map.getPixelFromCoordinate(at);
      const far = Math.hypot(x - pixel[0], y - pixel[1]);
      return kind && far <= reach ? [{ kind, far, at: Number(feature.get("at")) }] : [];
    });
    return found.sort((a, b) => RANK[a.kind] - RANK[b.kind] || a.far - b.far)[0] ?? null;
  }

  point(/** @type {PointerOnWall} */ event) {
    const kind = this.under(event)?.kind;
    const wall = map.getTargetElement();
    if (wall) wall.style.cursor = kind ? (kind === "pin" ? "grab" : "move") : "";
  }

  grab(/** @type {PointerOnWall} */ event) {
    const row = chosenRow();
    const taken = row && this.under(event);
    if (!taken) return false;
    if (!canBeShaped(row)) {
      notice.value = { text: t("cutout.settled", { id: row.id, stage: row.stage }), bad: true };
      return false;
    }
    drag = {
      row,
      kind: taken.kind,
      at: taken.at,
      ring: row.geometry.coordinates[0].slice(0, -1),
      start: event.coordinate,
      pins: null,
    };
    return true;
  }

  pull(/** @type {PointerOnWall} */ event) {
    if (!drag) return;
    const { row, kind, at, ring, start } = drag;
    const by = [event.coordinate[0] - start[0], event.coordinate[1] - start[1]];
    if (kind === "pin") {
      const pins = (row.pins ?? []).map((p, i) =>
        i === at ? { ...p, u_m: p.u_m + by[0], v_m: p.v_m + by[1] } : p,
      );
      drag.pins = pins;
      const moved = pins[at];
      const box = boxOf({ coordinates: [ring] });
      live.value = { pin: [moved.u_m - box[0], moved.v_m - box[1]] };
      show(row);
      return;
    }
    const next = kind === "side" ? sideMoved(ring, at, by) : cornerMoved(ring, at, by);
    if (!next) return;
    drag.next = next;
    const box = boxOf({ coordinates: [next] });
    live.value = {
      area: areaOf({ type: "Polygon", coordinates: [[...next, next[0]]] }),
      width: box[2] - box[0],
      height: box[3] - box[1],
    };
    show(row, next);
  }

  drop() {
    const done = drag;
    drag = null;
    live.value = null;
    if (done?.pins) movePins(done.row, done.pins);
    else if (done?.next)
      edit(t("what.cutout", { id: done.row.id }), [
        {
          op: "update",
          table: "repairs",
          id: done.row.id,
          values: {
            geometry: { type: "Polygon", coordinates: [roundAll([...done.next, done.next[0]])] },
          },
        },
      ]);
    show(chosenRow());
    return false;
  }
}

const round5 = (/** @type {number} */ x) => Math.round(x * 1e5) / 1e5;
/**
 * @param {Pick<Repair, "id">} row
 * @param {(Partial<Pin> & {u_m: number, v_m: number})[]} pins A new one has its place alone; the server knows the rest.
 */
export const movePins = (row, pins) =>
  edit(t("what.pins", { id: row.id }), [
    {
      op: "update",
      table: "repairs",
      id: row.id,
      values: { pins: pins.map((p) => ({ ...p, u_m: round5(p.u_m), v_m: round5(p.v_m) })) },
    },
  ]);

/**
 * One pin more, in the widest gap of a piece: half way between the middle and the farthest corner from the others.
 * @param {Repair} row
 * @param {Piece} piece
 */
export function addPin(row, piece) {
  const [part] = partsOf(piece.geometry);
  if (!part) return;
  const ring = part.coordinates[0].slice(0, -1);
  const middle = [0, 1].map((k) => ring.reduce((s, p) => s + p[k], 0) / ring.length);
  const pins = row.pins ?? [];
  const far = (/** @type {Point} */ p) =>
    Math.min(...pins.map((q) => Math.hypot(q.u_m - p[0], q.v_m - p[1])), Infinity);
  const places = [middle, ...ring.map((c) => [(c[0] + middle[0]) / 2, (c[1] + middle[1]) / 2])];
  const [u, v] = places.sort((a, b) => far(b) - far(a))[0];
  movePins(row, [...pins, { u_m: u, v_m: v }]);
}
