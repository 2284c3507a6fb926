// What of a packed table lies in a box or in a ring, in micrometres.
import { kindOf } from "../data/packed.js";

/** @typedef {import("../data/packed.js").Drawn} Drawn */

/**
 * Call `act(x, y)` for every corner of a row, in micrometres, until it returns true; whether it did.
 * @param {Drawn} pack
 * @param {number} i
 * @param {(x: number, y: number) => boolean} act
 */
export function someCorner(pack, i, act) {
  const { ringsTo, pointsTo, xy } = pack;
  const ring = i ? ringsTo[i - 1] : 0;
  const from = ring ? pointsTo[ring - 1] : 0;
  const to = pointsTo[ringsTo[i] - 1];
  for (let p = from; p < to; p += 1) if (act(xy[2 * p], xy[2 * p + 1])) return true;
  return false;
}

/**
 * Whether a row comes into a box at all.
 * @param {Drawn} pack
 * @param {number} i
 * @param {Box} box
 */
export function entersBox(pack, i, [x0, y0, x1, y1]) {
  const { boxes, ringsTo, pointsTo, xy } = pack;
  if (
    boxes[4 * i] >= x0 &&
    boxes[4 * i + 2] <= x1 &&
    boxes[4 * i + 1] >= y0 &&
    boxes[4 * i + 3] <= y1
  )
    return true;
  if (someCorner(pack, i, (x, y) => x >= x0 && x <= x1 && y >= y0 && y <= y1)) return true;
  const [mx, my] = [(x0 + x1) / 2, (y0 + y1) / 2];
  let inside = false;
  for (let r = i ? ringsTo[i - 1] : 0; r < ringsTo[i]; r += 1) {
    const from = r ? pointsTo[r - 1] : 0;
    for (let p = from + 1; p < pointsTo[r]; p += 1) {
      const [ax, ay, bx, by] = [xy[2 * p - 2], xy[2 * p - 1], xy[2 * p], xy[2 * p + 1]];
      if (sideEnters(ax, ay, bx, by, [x0, y0, x1, y1])) return true;
      if (ay > my !== by > my && mx < ((bx - ax) * (my - ay)) / (by - ay) + ax) inside = !inside;
    }
  }
  return inside && kindOf(pack, i).endsWith("Polygon");
}

/**
 * Whether a line crosses a box; the part of the line within is found side by side.
 * @param {number} ax
 * @param {number} ay
 * @param {number} bx
 * @param {number} by
 * @param {Box} box
 */
function sideEnters(ax, ay, bx, by, [x0, y0, x1, y1]) {
  let [from, to] = [0, 1];
  for (const [start, way, low, high] of [
    [ax, bx - ax, x0, x1],
    [ay, by - ay, y0, y1],
  ]) {
    if (!way) {
      if (start < low || start > high) return false;
      continue;
    }
    const [a, b] = [(low - start) / way, (high - start) / way];
    from = Math.max(from, Math.min(a, b));
    to = Math.min(to, Math.max(a, b));
    if (from > to) return false;
  }
  return true;
}

/**
 * Whether a point lies in a ring (not closed).
 * @param {number} x
 * @param {number} y
 * @param {Line} ring
 */
export function inRing(x, y, ring) {
  let inside = false;
  for (let k = 0, j = ring.length - 1; k < ring.length; j = k, k += 1) {
    const [[ax, ay], [bx, by]] = [ring[k], ring[j]];
    if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) inside = !inside;
  }
  return inside;
}
