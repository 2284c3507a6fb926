// Joints that are seen in the picture round what is changed: a corner that is dragged near one lands on it.
import { effect } from "@preact/signals";
import Interaction from "ol/interaction/Interaction.js";
import { anyRowOf, surface } from "../data/data.js";
import { selection, tool } from "../data/view.js";
import { cornersOf } from "../geometry/shapes.js";
import { nearestOn } from "../wall/near.js";
import { jointsRound } from "./assist.js";

const NEAR_PX = 9;
const TABLES = ["wall_stones", "conditions", "openings"];
const MOST_PLACES = 60;

/** @typedef {[from: Point, to: Point]} Side */

/**
 * Sides of the stones seen, as pairs of places.
 * @type {Side[]}
 */
let sides = [];
/** What they were looked for, and the look that counts. */
let of = "";
let look = 0;

const sidesOf = (/** @type {Polygon[]} */ geometries) =>
  geometries.flatMap(({ coordinates: [ring] }) =>
    ring.slice(1).map((to, i) => /** @type {Side} */ ([ring[i], to])),
  );

effect(() => {
  const [first] = selection.value;
  const wanted =
    tool.value === "modify" && selection.value.length === 1 && TABLES.includes(first.table)
      ? `${surface.value}|${first.table}|${first.id}`
      : "";
  if (wanted === of) return;
  of = wanted;
  sides = [];
  look += 1;
  if (wanted) void learn(first, look);
});

/**
 * @param {RowPlace} place
 * @param {number} mine Number of the look that asks.
 */
async function learn({ table, id }, mine) {
  const geometry = anyRowOf(table, id)?.geometry;
  const corners = geometry ? cornersOf(geometry).map((c) => c.at) : [];
  if (!corners.length) return;
  const every = Math.ceil(corners.length / MOST_PLACES);
  const found = await jointsRound(corners.filter((_, i) => i % every === 0));
  if (mine === look) sides = sidesOf(found);
}

/**
 * Place on a joint seen within reach of a point: at its corner where one is near, else along it.
 * @param {Point} point
 * @param {number} reach
 */
export function jointAt([x, y], reach, among = sides) {
  /** @type {Point | null} */
  let corner = null;
  /** @type {Point | null} */
  let edge = null;
  let [cornerAway, edgeAway] = [reach, reach];
  for (const [[x0, y0], [x1, y1]] of among) {
    if (
      x < Math.min(x0, x1) - reach ||
      x > Math.max(x0, x1) + reach ||
      y < Math.min(y0, y1) - reach ||
      y > Math.max(y0, y1) + reach
    )
      continue;
    const cornerFar = Math.hypot(x0 - x, y0 - y);
    if (cornerFar <= cornerAway) [corner, cornerAway] = [[x0, y0], cornerFar];
    const [px, py] = nearestOn(x, y, x0, y0, x1, y1);
    const edgeFar = Math.hypot(px - x, py - y);
    if (edgeFar <= edgeAway) [edge, edgeAway] = [[px, py], edgeFar];
  }
  return corner ?? edge;
}

/** Draws a corner that is dragged to the joint that is seen nearby. */
export class JointSnap extends Interaction {
  /**
   * @override
   * @param {import("../wall/near.js").PointerOnWall} event
   */
  handleEvent(event) {
    // what is drawn goes before what is only seen
    if (event.type === "pointerdrag" && event.coordinate && !event.landed && sides.length) {
      const reach = NEAR_PX * (event.map.getView().getResolution() ?? 0);
      const found = jointAt(event.coordinate, reach);
      if (found) {
        event.coordinate = found;
        event.pixel = event.map.getPixelFromCoordinate(found);
      }
    }
    return true;
  }
}
