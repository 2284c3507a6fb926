// What lies under a point of the wall, found in the packed tables: rows to select, corners and edges to snap to.
import Interaction from "ol/interaction/Interaction.js";
import { kindOf } from "../data/packed.js";

/** @typedef {import("../data/packed.js").Drawn} Drawn */
/** @typedef {(pack: Drawn, i: number) => boolean} Wanted Whether a row is looked at. */
/** @typedef {{shapesIn: (box: Box, act: (pack: Drawn, i: number) => void) => void}} Shapes A table, as far as its outlines go. */

const PER_M = 1e6;

/**
 * Call `act(x0, y0, x1, y1)` for every side of a row; a point is a side without length.
 * @param {Drawn} pack
 * @param {number} i
 * @param {(x0: number, y0: number, x1: number, y1: number) => void} act
 */
function eachSide(pack, i, act) {
  const { ringsTo, pointsTo, xy } = pack;
  for (let r = i ? ringsTo[i - 1] : 0; r < ringsTo[i]; r += 1) {
    const from = r ? pointsTo[r - 1] : 0;
    const to = pointsTo[r];
    if (to - from === 1) act(xy[2 * from], xy[2 * from + 1], xy[2 * from], xy[2 * from + 1]);
    for (let p = from + 1; p < to; p += 1)
      act(xy[2 * p - 2], xy[2 * p - 1], xy[2 * p], xy[2 * p + 1]);
  }
}

/**
 * Place on the side from one point to another that is nearest to a third.
 * @param {number} x
 * @param {number} y
 * @param {number} x0
 * @param {number} y0
 * @param {number} x1
 * @param {number} y1
 */
export function nearestOn(x, y, x0, y0, x1, y1) {
  const [dx, dy] = [x1 - x0, y1 - y0];
  const long = dx * dx + dy * dy;
  const share = long ? Math.max(0, Math.min(1, ((x - x0) * dx + (y - y0) * dy) / long)) : 0;
  return [x0 + share * dx, y0 + share * dy];
}

/**
 * Whether a row covers a point or comes within `reach` of it; micrometres.
 * @param {Drawn} pack
 * @param {number} i
 * @param {number} x
 * @param {number} y
 * @param {number} reach
 */
export function meetsPoint(pack, i, x, y, reach) {
  const area = kindOf(pack, i).endsWith("Polygon");
  let inside = false;
  let near = false;
  eachSide(pack, i, (x0, y0, x1, y1) => {
    if (near) return;
    if (area && y0 > y !== y1 > y && x < ((x1 - x0) * (y - y0)) / (y1 - y0) + x0) inside = !inside;
    if (
      x < Math.min(x0, x1) - reach ||
      x > Math.max(x0, x1) + reach ||
      y < Math.min(y0, y1) - reach ||
      y > Math.max(y0, y1) + reach
    )
      return;
    const [nx, ny] = nearestOn(x, y, x0, y0, x1, y1);
    near = Math.hypot(nx - x, ny - y) <= reach;
  });
  return near || inside;
}

/**
 * Corner nearest to a point within reach, else the nearest place on an edge, else nothing; metres.
 * @param {Shapes[]} tables
 * @param {Wanted} wanted
 * @param {Point} point
 * @param {number} reach
 * @returns {Point | null}
 */
export function snapTo(tables, wanted, [u, v], reach) {
  const [x, y, r] = [u * PER_M, v * PER_M, reach * PER_M];
  /** @type {{corner: Point | null, edge: Point | null}} */
  const near = { corner: null, edge: null };
  let [cornerAway, edgeAway] = [r, r];
  for (const table of tables) {
    table.shapesIn([x - r, y - r, x + r, y + r], (pack, i) => {
      if (!wanted(pack, i)) return;
      eachSide(pack, i, (x0, y0, x1, y1) => {
        if (
          x < Math.min(x0, x1) - r ||
          x > Math.max(x0, x1) + r ||
          y < Math.min(y0, y1) - r ||
          y > Math.max(y0, y1) + r
        )
          return;
        for (const [px, py] of [
          [x0, y0],
          [x1, y1],
        ]) {
          const away = Math.hypot(px - x, py - y);
          if (away <= cornerAway) [near.corner, cornerAway] = [[px, py], away];
        }
        if (near.corner) return;
        const [px, py] = nearestOn(x, y, x0, y0, x1, y1);
        const away = Math.hypot(px - x, py - y);
        if (away <= edgeAway) [near.edge, edgeAway] = [[px, py], away];
      });
    });
  }
  const found = near.corner ?? near.edge;
  return found && [found[0] / PER_M, found[1] / PER_M];
}

/** @typedef {import("ol/MapBrowserEvent.js").default & {landed?: boolean}} PointerOnWall `landed` where it was drawn to a corner or an edge. */

/** Draws the pointer to corners and edges nearby before the other tools see it. */
export class NearSnap extends Interaction {
  /** @param {{tables: Shapes[], wanted: Wanted, pixelTolerance: number}} how */
  constructor({ tables, wanted, pixelTolerance }) {
    super();
    this.snapped = { tables, wanted, pixelTolerance };
  }

  /**
   * @override
   * @param {PointerOnWall} event
   */
  handleEvent(event) {
    if (event.type !== "wheel" && event.coordinate) {
      const { tables, wanted, pixelTolerance } = this.snapped;
      const found = snapTo(
        tables,
        wanted,
        event.coordinate,
        pixelTolerance * (event.map.getView().getResolution() ?? 0),
      );
      if (found) {
        event.coordinate = found;
        event.pixel = event.map.getPixelFromCoordinate(found);
        event.landed = true;
      }
    }
    return true;
  }
}
