// A cut-out on the wall: its piece, joints and pins shown, its sides, corners and pins moved by pointer, finger or pen.

import { effect } from "@preact/signals";
import Feature from "ol/Feature.js";
import { LineString, Point, Polygon } from "ol/geom.js";
import PointerInteraction from "ol/interaction/Pointer.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { Circle, Fill, RegularShape, Stroke, Style, Text } from "ol/style.js";
import { entryOf, rowsOf, tickOf } from "../data/data.js";
import { edit, notice } from "../data/edits.js";
import { length } from "../data/settings.js";
import { live, selection, tool } from "../data/view.js";
import { areaOf, cornerMoved, roundAll, sideMoved } from "../geometry/shapes.js";
import { HAND } from "../wall/signs.js";
import { map } from "../wall/wall.js";
import { t } from "../words/texts.js";

const INSETS = ["inset", "whole stone"];
const OPEN = ["proposed", "on hold"];
export const canBeCut = (row) =>
  INSETS.includes(row?.treatment) && row.geometry?.type === "Polygon";
/** A cut-out that was approved or made is settled; the server holds to the same. */
export const canBeShaped = (row) => canBeCut(row) && OPEN.includes(row.stage);

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
const handle = (points, angle) =>
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

function styleOf(feature, resolution) {
  const kind = feature.get("kind");
  if (kind === "piece") return resolution < 0.004 ? PIECE : null;
  if (kind === "pin") return resolution < 0.006 ? PIN : null;
  if (kind === "joint") {
    if (resolution > 0.0026) return null;
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

let drag = null;

function show(row, ring = row?.geometry.coordinates[0].slice(0, -1)) {
  source.clear(true);
  if (!row || !canBeCut(row)) {
    source.changed();
    return;
  }
  const piece = rowsOf("pieces").find((p) => p.repair === row.id);
  if (piece?.geometry && !drag) add(new Polygon(piece.geometry.coordinates), { kind: "piece" });
  const edges = row.edges ?? [];
  const named = new Map((row.materials?.edges ?? []).map((e) => [e.at, edgeName(e.name)]));
  const shaping = tool.value === "modify" && canBeShaped(row);
  ring.forEach((a, i) => {
    const b = ring[(i + 1) % ring.length];
    const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    const [x, y] = [b[0] - a[0], b[1] - a[1]];
    const d = Math.hypot(x, y) || 1;
    if (!drag && edges.length === ring.length)
      add(new Point(middle), {
        kind: "joint",
        text: [
          named.get(i) ?? "",
          edges[i] ? length(edges[i], { digits: 1 }) : t("edge.exposed"),
        ].join(" "),
        dx: (y / d) * 26,
        dy: (x / d) * 15,
      });
    if (shaping) add(new Point(middle), { kind: "side", at: i });
    if (shaping) add(new Point(a), { kind: "corner", at: i });
  });
  if (drag) add(new LineString([...ring, ring[0]]), { kind: "piece" });
  (drag?.pins ?? row.pins ?? []).forEach((p, i) => {
    add(new Point([p.u_m, p.v_m]), { kind: "pin", at: i });
  });
}

/** Name of an edge as on the ticket: top, right, bottom, left, and their numbers beyond the first. */
export function edgeName(name) {
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

  under(event) {
    const reach = event.originalEvent?.pointerType === "touch" ? 26 : 12;
    const found = source
      .getFeatures()
      .filter((f) => f.get("kind") in RANK)
      .map((f) => {
        const at = /** @type {Point} */ (f.getGeometry()).getCoordinates();
        const [x, y] = map.getPixelFromCoordinate(at);
        return { f, far: Math.hypot(x - event.pixel[0], y - event.pixel[1]) };
      })
      .filter(({ far }) => far <= reach);
    return (
      found.sort((a, b) => RANK[a.f.get("kind")] - RANK[b.f.get("kind")] || a.far - b.far)[0]?.f ??
      null
    );
  }

  point(event) {
    const kind = this.under(event)?.get("kind");
    map.getTargetElement().style.cursor = kind ? (kind === "pin" ? "grab" : "move") : "";
  }

  grab(event) {
    const row = chosenRow();
    const feature = row && this.under(event);
    if (!feature) return false;
    if (!canBeShaped(row)) {
      notice.value = { text: t("cutout.settled", { id: row.id, stage: row.stage }), bad: true };
      return false;
    }
    drag = {
      row,
      kind: feature.get("kind"),
      at: feature.get("at"),
      ring: row.geometry.coordinates[0].slice(0, -1),
      start: event.coordinate,
      pins: null,
    };
    return true;
  }

  pull(event) {
    if (!drag) return;
    const { row, kind, at, ring, start } = drag;
    const by = [event.coordinate[0] - start[0], event.coordinate[1] - start[1]];
    if (kind === "pin") {
      drag.pins = row.pins.map((p, i) =>
        i === at ? { ...p, u_m: p.u_m + by[0], v_m: p.v_m + by[1] } : p,
      );
      const moved = drag.pins[at];
      const box = new Polygon([ring]).getExtent();
      live.value = { pin: [moved.u_m - box[0], moved.v_m - box[1]] };
      show(row);
      return;
    }
    const next = kind === "side" ? sideMoved(ring, at, by) : cornerMoved(ring, at, by);
    if (!next) return;
    drag.next = next;
    const box = new Polygon([next]).getExtent();
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

const round5 = (x) => Math.round(x * 1e5) / 1e5;
export const movePins = (row, pins) =>
  edit(t("what.pins", { id: row.id }), [
    {
      op: "update",
      table: "repairs",
      id: row.id,
      values: { pins: pins.map((p) => ({ ...p, u_m: round5(p.u_m), v_m: round5(p.v_m) })) },
    },
  ]);

/** One pin more, in the widest gap of a piece: half way between the middle and the farthest corner from the others. */
export function addPin(row, piece) {
  const ring = piece.geometry.coordinates[0].slice(0, -1);
  const middle = [0, 1].map((k) => ring.reduce((s, p) => s + p[k], 0) / ring.length);
  const pins = row.pins ?? [];
  const far = (p) => Math.min(...pins.map((q) => Math.hypot(q.u_m - p[0], q.v_m - p[1])), Infinity);
  const places = [middle, ...ring.map((c) => [(c[0] + middle[0]) / 2, (c[1] + middle[1]) / 2])];
  const [u, v] = places.sort((a, b) => far(b) - far(a))[0];
  movePins(row, [...pins, { u_m: u, v_m: v }]);
}
