// Outlines that share a joint: what moves with a corner or a side, so that neither a gap nor an overlap is left, also
// where the corner of one lies in the middle of another's side. Pure geometry in metres of the wall.

/** @typedef {{from: Point, to: Point, put?: boolean}} Corner Where a corner was and is; one that was put into a side was there before. */
/** @typedef {{a: Point, b: Point, c: Point, d: Point}} Side A side from a to b that now leads from c to d. */
/** @typedef {{corners: Corner[], sides: Side[]}} Moved What was done to an outline. */
/** @typedef {Map<string, Corner>} Places Where corners of the wall go, by where they were: one place for all outlines that meet there. */
/** @typedef {{id: string, geometry: Geometry}} Outline */
/** @typedef {{places: Places, byHand: Side[], reach: number}} Told What is known of a move: where corners go, sides moved by hand, the reach. */

const EXACT_M = 2e-6;
/** Nearer than this outlines touch; what is farther apart, and within reach, has mortar between. */
export const TOUCH_M = 2e-5;
/** Sides run along each other where their directions agree so far. */
const ALONG = 0.9;
/** From one outline to the next no more than so many are changed by one hand. */
const MOST = 60;

const away = (/** @type {Point} */ p, /** @type {Point} */ q) =>
  Math.hypot(p[0] - q[0], p[1] - q[1]);
const between = (/** @type {Point} */ a, /** @type {Point} */ b, /** @type {number} */ s) =>
  s === 0 ? a : s === 1 ? b : [a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1])];
const displaced = (/** @type {Point} */ p, /** @type {Point} */ from, /** @type {Point} */ to) => [
  p[0] + to[0] - from[0],
  p[1] + to[1] - from[1],
];

/** @returns {Ring[]} */
const ringsOf = (/** @type {Geometry} */ { type, coordinates }) =>
  type === "Polygon" ? coordinates : type === "MultiPolygon" ? coordinates.flat() : [];

/**
 * Where on the side from a to b a point comes nearest: share of the way, the place, and how far off the point stays.
 * @param {Point} p
 * @param {Point} a
 * @param {Point} b
 */
function footOn(p, a, b) {
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const long = dx * dx + dy * dy;
  const s = long ? Math.max(0, Math.min(1, ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / long)) : 0;
  const at = between(a, b, s);
  return { s, at, off: away(p, at) };
}

/**
 * Which corner of a ring (closed) was put in, where the ring has one more than before; -1 where it cannot be told.
 * @param {Ring} before
 * @param {Ring} after
 */
function putIn(before, after) {
  const n = before.length - 1;
  for (let k = 1; k <= n; k += 1) {
    let rest = true;
    for (let i = 0; i <= n && rest; i += 1)
      rest = i === k || away(after[i], before[i < k ? i : i - 1]) <= EXACT_M;
    if (rest) return k;
  }
  return -1;
}

/**
 * @param {Ring} before
 * @param {Ring} after
 * @returns {Moved}
 */
function changeOfRing(before, after) {
  const none = { corners: [], sides: [] };
  let old = before;
  let put = -1;
  if (after.length === before.length + 1) {
    put = putIn(before, after);
    if (put < 0) return none;
    const { at } = footOn(after[put], before[put - 1], before[put]);
    old = [...before.slice(0, put), at, ...before.slice(put)];
  } else if (after.length !== before.length) return none;
  return {
    corners: old.slice(0, -1).map((from, i) => ({ from, to: after[i], put: i === put })),
    sides: old.slice(1).map((b, i) => ({ a: old[i], b, c: after[i], d: after[i + 1] })),
  };
}

/**
 * What was done to an outline: corners moved, or one put in.
 * @param {Geometry} before
 * @param {Geometry} after
 * @returns {Moved}
 */
export function changeOf(before, after) {
  const [old, now] = [ringsOf(before), ringsOf(after)];
  const each = old.length === now.length ? old.map((ring, i) => changeOfRing(ring, now[i])) : [];
  return { corners: each.flatMap((e) => e.corners), sides: each.flatMap((e) => e.sides) };
}

const isMoved = (/** @type {Corner} */ { from, to }) => away(from, to) > EXACT_M;
/** @returns {Side[]} */
const follow = (/** @type {Corner[]} */ corners) =>
  corners.map(({ from: a, to: c }, i) => {
    const { from: b, to: d } = corners[(i + 1) % corners.length];
    return { a, b, c, d };
  });

/**
 * Where a corner of another outline goes: with the place of the changed outline that is nearest; null where none is in reach.
 * @param {Point} p
 * @param {Side[]} sides
 * @param {number} reach
 */
function placeOf(p, sides, reach) {
  /** @type {(Side & ReturnType<typeof footOn>) | null} */
  let nearest = null;
  let least = reach;
  for (const side of sides) {
    const foot = footOn(p, side.a, side.b);
    if (foot.off <= least) [nearest, least] = [{ ...side, ...foot }, foot.off];
  }
  if (!nearest) return null;
  const to = between(nearest.c, nearest.d, nearest.s);
  return nearest.off <= EXACT_M ? to : displaced(p, nearest.at, to);
}

/**
 * Whether the side from p to q runs along a side that ends in a corner that was put in.
 * @param {Point} p
 * @param {Point} q
 * @param {Point} from
 * @param {Side[]} sides
 */
const runsAlong = (p, q, from, sides) =>
  sides.some(({ a, b }) => {
    if (away(a, from) > EXACT_M && away(b, from) > EXACT_M) return false;
    const turn = (q[0] - p[0]) * (b[0] - a[0]) + (q[1] - p[1]) * (b[1] - a[1]);
    return Math.abs(turn) > ALONG * away(p, q) * away(a, b);
  });

/**
 * Corners of others that lie within the side from p to q: it is bent there. One that was put in by hand bends also the
 * side across the joint.
 * @param {Point} p
 * @param {Point} q
 * @param {Told} told
 */
function cornersWithin(p, q, { places, byHand, reach }) {
  /** @type {(Corner & {s: number})[]} */
  const found = [];
  for (const { from, to, put } of places.values()) {
    const foot = footOn(from, p, q);
    const touches = foot.off <= TOUCH_M;
    if (foot.off > (put ? reach : TOUCH_M) || foot.s === 0 || foot.s === 1) continue;
    if (away(from, p) <= TOUCH_M || away(from, q) <= TOUCH_M) continue;
    if (!touches && !runsAlong(p, q, from, byHand)) continue;
    found.push({ s: foot.s, from: foot.at, to: touches ? to : displaced(foot.at, from, to) });
  }
  return found.sort((one, other) => one.s - other.s);
}

/**
 * A ring (closed) with its corners where they go, and those put in where others' corners lie on its sides.
 * @param {Ring} ring
 * @param {Told} told
 * @returns {Corner[]}
 */
function ringPlaced(ring, told) {
  const corners = ring.slice(0, -1);
  const placed = (/** @type {Point} */ p) => told.places.get(String(p))?.to ?? p;
  return corners.flatMap((p, i) => {
    const q = corners[(i + 1) % corners.length];
    const [c, d] = [placed(p), placed(q)];
    const more = cornersWithin(p, q, told);
    const isBent = more.some(({ to }) => footOn(to, c, d).off > EXACT_M);
    return [{ from: p, to: c }, ...(isBent ? more : [])];
  });
}

/**
 * The box round all sides of which an end was moved, grown by the reach; null where none was.
 * @param {Side[]} sides
 * @param {number} reach
 */
function boxOf(sides, reach) {
  const ends = sides
    .filter(({ a, b, c, d }) => away(a, c) > EXACT_M || away(b, d) > EXACT_M)
    .flatMap(({ a, b }) => [a, b]);
  if (!ends.length) return null;
  const [u, v] = [ends.map((p) => p[0]), ends.map((p) => p[1])];
  const least = [Math.min(...u) - reach, Math.min(...v) - reach];
  return [...least, Math.max(...u) + reach, Math.max(...v) + reach];
}

/**
 * The rings of an outline after sides beside it were moved; null where it has no part in that.
 * @param {Geometry} geometry
 * @param {Side[]} sides
 * @param {Told} told
 */
function ringsBeside(geometry, sides, told) {
  const rings = ringsOf(geometry);
  for (const p of rings.flatMap((ring) => ring.slice(0, -1))) {
    const to = told.places.has(String(p)) ? null : placeOf(p, sides, told.reach);
    if (to) told.places.set(String(p), { from: p, to, put: false });
  }
  const next = rings.map((ring) => ringPlaced(ring, told));
  const any = next.some((ring, i) => ring.length >= rings[i].length || ring.some(isMoved));
  return any ? next : null;
}

/**
 * Outlines that move with others, since they share a joint with them, and those that move with these in turn.
 * @param {{id: string, before: Geometry, after: Geometry}[]} outlines What was changed by hand; it stays as it is.
 * @param {(box: number[]) => Outline[]} near Outlines of the same kind that come into a box.
 * @param {number} reach How far apart corners may lie that belong together: the width of a joint, in metres.
 * @returns {Outline[]} Those that move, with their new geometry.
 */
export function movedTogether(outlines, near, reach) {
  const done = outlines.map(({ before, after }) => changeOf(before, after));
  /** @type {Places} */
  const places = new Map(done.flatMap(({ corners }) => corners.map((c) => [String(c.from), c])));
  const told = { places, byHand: done.flatMap(({ sides }) => sides), reach };
  const own = new Set(outlines.map(({ id }) => id));
  /** @type {Map<string, {geometry: Geometry, known: string | null}>} */
  const touched = new Map();
  const waiting = done.map(({ sides }) => sides);
  while (touched.size < MOST) {
    const sides = waiting.shift();
    if (!sides) break;
    const box = boxOf(sides, reach);
    for (const { id, geometry } of box ? near(box) : []) {
      const next = own.has(id) ? null : ringsBeside(geometry, sides, told);
      const known = next && JSON.stringify(next.flat().map(({ to }) => to));
      if (!next || touched.get(id)?.known === known) continue;
      touched.set(id, { geometry, known });
      waiting.push(next.flatMap(follow));
    }
  }
  return [...touched].map(([id, { geometry }]) => ({
    id,
    geometry: outlinePlaced(geometry, told),
  }));
}

/**
 * @template {Geometry} G
 * @param {G} geometry
 * @param {Told} told
 * @returns {G}
 */
function outlinePlaced(geometry, told) {
  const each = (/** @type {Ring} */ ring) => {
    const next = ringPlaced(ring, told).map(({ to }) => to);
    return [...next, next[0]];
  };
  /** @type {Geometry} */
  const outline = geometry;
  if (outline.type === "Polygon")
    return { ...geometry, coordinates: outline.coordinates.map(each) };
  if (outline.type === "MultiPolygon")
    return { ...geometry, coordinates: outline.coordinates.map((part) => part.map(each)) };
  return geometry;
}
