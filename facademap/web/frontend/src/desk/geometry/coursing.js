// Stones of one course: which comes next, and how far away it lies. Metres of the wall.

import { boxOf } from "./shapes.js";

/** @typedef {{id: string, surface: string, geometry: Area}} Stone */

/** Stones lie in one course where they share more than half of the height of the lower one. */
const LEAST_SHARED = 0.5;

/**
 * The stone to the right of another in its course; nothing at the end of it.
 * @param {Stone} stone
 * @param {Stone[]} stones
 */
export function nextStone(stone, stones) {
  const [, bottom, right, top] = boxOf(stone.geometry);
  /** @type {Stone | null} */
  let found = null;
  let least = Infinity;
  for (const other of stones) {
    if (other.id === stone.id || other.surface !== stone.surface || !other.geometry) continue;
    const [x0, y0, x1, y1] = boxOf(other.geometry);
    const shared = Math.min(top, y1) - Math.max(bottom, y0);
    if (shared <= LEAST_SHARED * Math.min(top - bottom, y1 - y0)) continue;
    const gap = x0 - right;
    if (gap > -0.25 * (x1 - x0) && gap < least) [found, least] = [other, gap];
  }
  return found;
}

/**
 * From the lower left corner of one stone to that of another.
 * @param {Pick<Stone, "geometry">} from
 * @param {Pick<Stone, "geometry">} to
 */
export function stepTo(from, to) {
  const [a, b] = [boxOf(from.geometry), boxOf(to.geometry)];
  return [b[0] - a[0], b[1] - a[1]];
}

/**
 * To the place beside a stone, a joint away.
 * @param {Pick<Stone, "geometry">} stone
 * @param {number} joint
 */
export function besideIt(stone, joint) {
  const [left, , right] = boxOf(stone.geometry);
  return [right - left + joint, 0];
}
