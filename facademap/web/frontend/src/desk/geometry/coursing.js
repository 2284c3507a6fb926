// Stones of one course: which comes next, and how far away it lies. Metres of the wall.

const boxOf = (geometry) => {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  const walk = (c) => {
    if (typeof c[0] === "number") {
      box[0] = Math.min(box[0], c[0]);
      box[1] = Math.min(box[1], c[1]);
      box[2] = Math.max(box[2], c[0]);
      box[3] = Math.max(box[3], c[1]);
    } else c.forEach(walk);
  };
  walk(geometry.coordinates);
  return box;
};

/** Stones lie in one course where they share more than half of the height of the lower one. */
const LEAST_SHARED = 0.5;

/**
 * The stone to the right of another in its course; nothing at the end of it.
 * @param {{id: string, surface: string, geometry: any}} stone
 * @param {{id: string, surface: string, geometry: any}[]} stones
 */
export function nextStone(stone, stones) {
  const [, bottom, right, top] = boxOf(stone.geometry);
  let [found, least] = [null, Infinity];
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

/** From the lower left corner of one stone to that of another. */
export function stepTo(from, to) {
  const [a, b] = [boxOf(from.geometry), boxOf(to.geometry)];
  return [b[0] - a[0], b[1] - a[1]];
}

/** To the place beside a stone, a joint away. */
export function besideIt(stone, joint) {
  const [left, , right] = boxOf(stone.geometry);
  return [right - left + joint, 0];
}
