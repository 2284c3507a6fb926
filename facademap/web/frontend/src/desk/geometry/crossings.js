// Where an outline crosses itself, and how it is mended with the same corners.

const cross = (/** @type {Point} */ o, /** @type {Point} */ a, /** @type {Point} */ b) =>
  (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);

/**
 * Whether two sides cross within both of them.
 * @param {Point} a
 * @param {Point} b
 * @param {Point} c
 * @param {Point} d
 */
export function sidesCross(a, b, c, d) {
  const [d1, d2, d3, d4] = [cross(c, d, a), cross(c, d, b), cross(a, b, c), cross(a, b, d)];
  return d1 * d2 < 0 && d3 * d4 < 0;
}

/**
 * Where two crossing sides meet.
 * @param {Point} a
 * @param {Point} b
 * @param {Point} c
 * @param {Point} d
 */
function meetingOf(a, b, c, d) {
  const [x, y, p, q] = [b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]];
  const s = ((c[0] - a[0]) * q - (c[1] - a[1]) * p) / (x * q - y * p);
  return [a[0] + s * x, a[1] + s * y];
}

/**
 * Call `act(i, j)` for every pair of sides of a ring (not closed) that cross; stops when it returns true.
 * @param {Line} corners
 * @param {boolean} closed
 * @param {(i: number, j: number) => boolean} act
 */
function eachCrossing(corners, closed, act) {
  const n = corners.length;
  const sides = closed ? n : n - 1;
  for (let i = 0; i < sides; i += 1) {
    const [a, b] = [corners[i], corners[(i + 1) % n]];
    const [left, right] = a[0] < b[0] ? [a[0], b[0]] : [b[0], a[0]];
    for (let j = i + 2; j < sides; j += 1) {
      if (closed && i === 0 && j === n - 1) continue;
      const [c, d] = [corners[j], corners[(j + 1) % n]];
      if ((c[0] < left && d[0] < left) || (c[0] > right && d[0] > right)) continue;
      if (sidesCross(a, b, c, d) && act(i, j)) return;
    }
  }
}

/**
 * Places where the sides of an outline cross.
 * @param {Point[]} corners Corners in order, the first not repeated.
 * @param {boolean} [closed] Whether the last corner is joined to the first.
 * @returns {Point[]}
 */
export function crossingsOf(corners, closed = true) {
  /** @type {Point[]} */
  const found = [];
  const n = corners.length;
  eachCrossing(corners, closed, (i, j) => {
    found.push(meetingOf(corners[i], corners[(i + 1) % n], corners[j], corners[(j + 1) % n]));
    return found.length >= 50;
  });
  return found;
}

/**
 * The same corners in an order in which no sides cross: as long as two do, the corners between them are turned round.
 * Each turn makes the outline shorter, so it ends.
 * @param {Point[]} corners
 * @returns {Point[]}
 */
export function untangled(corners) {
  let ring = corners;
  for (let turn = 0; turn < corners.length ** 2; turn += 1) {
    /** @type {number[]} */
    const pair = [];
    eachCrossing(ring, true, (i, j) => {
      pair.push(i, j);
      return true;
    });
    if (!pair.length) return ring;
    const [i, j] = pair;
    ring = [...ring.slice(0, i + 1), ...ring.slice(i + 1, j + 1).reverse(), ...ring.slice(j + 1)];
  }
  return ring;
}
