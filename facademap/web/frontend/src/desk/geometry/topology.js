// Outlines that share a joint: what moves with a corner or a side, so that neither a gap nor an overlap is left.
// Pure geometry in metres of the wall.

/** @typedef {[number, number]} Point */
/** @typedef {{from: Point, to: Point}} Move A corner that was moved. */
/** @typedef {{a: Point, b: Point, to: Point}} Added A corner that was put into the side from a to b. */

const EXACT_M = 2e-6;
const away = (p, q) => Math.hypot(p[0] - q[0], p[1] - q[1]);

const ringsOf = ({ type, coordinates }) =>
  type === "Polygon" ? coordinates : type === "MultiPolygon" ? coordinates.flat() : [];

/** Where on the side from a to b a point comes nearest. */
function footOn(p, a, b) {
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const long = dx * dx + dy * dy;
  const s = long ? Math.max(0, Math.min(1, ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / long)) : 0;
  return [a[0] + s * dx, a[1] + s * dy];
}

/** What changed in one ring (closed): corners moved, or one put in. */
function changesOfRing(before, after) {
  if (before.length === after.length)
    return before
      .slice(0, -1)
      .map((from, i) => ({ from, to: after[i] }))
      .filter(({ from, to }) => away(from, to) > EXACT_M);
  if (after.length !== before.length + 1) return [];
  const n = before.length - 1;
  for (let k = 1; k <= n; k += 1) {
    const same = (i) => away(after[i], before[i < k ? i : i - 1]) <= EXACT_M;
    let rest = true;
    for (let i = 0; i <= n && rest; i += 1) rest = i === k || same(i);
    if (rest) return [{ a: before[k - 1], b: before[k % n], to: after[k] }];
  }
  return [];
}

/**
 * What was done to an outline: corners moved and corners put in.
 * @param {any} before Geometry
 * @param {any} after Geometry
 * @returns {(Move | Added)[]}
 */
export function changesOf(before, after) {
  const [old, now] = [ringsOf(before), ringsOf(after)];
  return old.length === now.length ? old.flatMap((ring, i) => changesOfRing(ring, now[i])) : [];
}

/** The place of a neighbour's corner after a corner near it was moved by the same way. */
const followed = (p, { from, to }) =>
  away(p, from) <= EXACT_M ? to : [p[0] + to[0] - from[0], p[1] + to[1] - from[1]];

function ringMoved(ring, changes, reach) {
  let corners = ring.slice(0, -1);
  let moved = false;
  for (const change of changes) {
    if ("from" in change) {
      corners = corners.map((p) => {
        if (away(p, change.from) > reach) return p;
        moved = true;
        return followed(p, change);
      });
      continue;
    }
    const { a, b, to } = change;
    const foot = footOn(to, a, b);
    // the side of the neighbour that lies along the one that was bent
    const at = corners.findIndex((p, i) => {
      const q = corners[(i + 1) % corners.length];
      return (
        away(footOn(foot, p, q), foot) <= reach &&
        [p, q].every(
          (c) =>
            away(footOn(c, a, b), c) <= reach ||
            away(footOn(a, p, q), a) <= reach ||
            away(footOn(b, p, q), b) <= reach,
        ) &&
        Math.abs((q[0] - p[0]) * (b[0] - a[0]) + (q[1] - p[1]) * (b[1] - a[1])) >
          0.9 * away(p, q) * away(a, b)
      );
    });
    if (at < 0) continue;
    const near = footOn(foot, corners[at], corners[(at + 1) % corners.length]);
    corners = [
      ...corners.slice(0, at + 1),
      followed(near, { from: foot, to }),
      ...corners.slice(at + 1),
    ];
    moved = true;
  }
  return moved ? [...corners, corners[0]] : null;
}

/**
 * A neighbour's outline after what was done to the outline beside it.
 * @param {any} geometry Of the neighbour.
 * @param {(Move | Added)[]} changes
 * @param {number} reach How far apart corners may lie that belong together: the width of a joint, in metres.
 * @returns {any} The new geometry; null where it has no part in the change.
 */
export function movedAlong(geometry, changes, reach) {
  if (!changes.length) return null;
  let any = false;
  const each = (ring) => {
    const next = ringMoved(ring, changes, reach);
    any ||= next !== null;
    return next ?? ring;
  };
  const { type, coordinates } = geometry;
  const next =
    type === "Polygon"
      ? coordinates.map(each)
      : type === "MultiPolygon"
        ? coordinates.map((polygon) => polygon.map(each))
        : coordinates;
  return any ? { type, coordinates: next } : null;
}
