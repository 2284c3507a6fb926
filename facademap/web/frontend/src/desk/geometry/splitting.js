// An outline split by a line drawn across it: sides are cut where they meet, and the areas between them are walked round.
// Nothing is rounded on the way and nothing lies between the parts. Metres of the wall.

/** @typedef {{a: Point, b: Point, cuts: Point[]}} Side A side and the places where others meet it. */
/** @typedef {{ring: Line, size: number, part: number, holes: Line[]}} Loop A way round (not closed) with twice its area. */
/** @typedef {{at: Point, out: number[], part: number}} Node A place where sides meet, and the nodes that they lead to. */

/** Nearer than this two places are one. */
const TOUCH_M = 1e-9;
/** How far beside a side it is looked whether the area there belongs to the outline. */
const BESIDE_M = 1e-8;

const away = (/** @type {Point} */ p, /** @type {Point} */ q) =>
  Math.hypot(p[0] - q[0], p[1] - q[1]);

/**
 * Share of the way from a to b at which a point comes nearest, and how far off it stays.
 * @param {Point} p
 * @param {Point} a
 * @param {Point} b
 */
function nearest(p, a, b) {
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const long = dx * dx + dy * dy;
  const share = long ? ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / long : 0;
  const s = Math.max(0, Math.min(1, share));
  return { s, off: away(p, [a[0] + s * dx, a[1] + s * dy]) };
}

/**
 * Where two sides cross within both; null where they do not.
 * @param {Point} a
 * @param {Point} b
 * @param {Point} c
 * @param {Point} d
 */
function crossing(a, b, c, d) {
  const [x, y, p, q] = [b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]];
  const turn = x * q - y * p;
  if (!turn) return null;
  const s = ((c[0] - a[0]) * q - (c[1] - a[1]) * p) / turn;
  const r = ((c[0] - a[0]) * y - (c[1] - a[1]) * x) / turn;
  return s > 0 && s < 1 && r > 0 && r < 1 ? [a[0] + s * x, a[1] + s * y] : null;
}

/** @returns {Side[]} */
const sidesOf = (/** @type {Line} */ line) =>
  line.slice(1).map((b, i) => ({ a: line[i], b, cuts: [] }));

/**
 * Note on two sides where they meet.
 * @param {Side} one
 * @param {Side} other
 */
function cutBoth(one, other) {
  const { a, b } = one;
  const { a: c, b: d } = other;
  let touching = false;
  for (const { ends, on } of [
    { ends: [c, d], on: one },
    { ends: [a, b], on: other },
  ])
    for (const p of ends)
      if (nearest(p, on.a, on.b).off <= TOUCH_M) {
        on.cuts.push(p);
        touching = true;
      }
  const at = touching ? null : crossing(a, b, c, d);
  if (!at) return;
  one.cuts.push(at);
  other.cuts.push(at);
}

/** A side in pieces from one place where it meets others to the next. */
function piecesOf(/** @type {Side} */ { a, b, cuts }) {
  const along = cuts
    .map((p) => ({ p, s: nearest(p, a, b).s }))
    .sort((p, q) => p.s - q.s)
    .map(({ p }) => p)
    .filter((p) => away(p, a) > TOUCH_M && away(p, b) > TOUCH_M);
  const places = [a, ...along.filter((p, i) => !i || away(p, along[i - 1]) > TOUCH_M), b];
  return places.slice(1).map((q, i) => [places[i], q]);
}

/**
 * Whether a point lies within rings, of which every second one round it is a hole.
 * @param {Point} point
 * @param {Ring[]} rings
 */
function within([x, y], rings) {
  let inside = false;
  for (const ring of rings)
    for (let k = 1; k < ring.length; k += 1) {
      const [[ax, ay], [bx, by]] = [ring[k - 1], ring[k]];
      if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) inside = !inside;
    }
  return inside;
}

const twiceArea = (/** @type {Line} */ ring) =>
  ring.reduce((sum, [x, y], i) => {
    const [p, q] = ring[(i + 1) % ring.length];
    const [x0, y0] = ring[0];
    return sum + (x - x0) * (q - y0) - (p - x0) * (y - y0);
  }, 0);

/** The places and sides of a drawing. */
class Net {
  /** @type {Node[]} */
  nodes = [];
  /** @type {Map<string, number>} */
  #known = new Map();

  #node(/** @type {Point} */ at) {
    const key = `${at[0]} ${at[1]}`;
    let number = this.#known.get(key);
    if (number === undefined) {
      number = this.nodes.length;
      this.#known.set(key, number);
      this.nodes.push({ at, out: [], part: -1 });
    }
    return number;
  }

  add(/** @type {Point[]} */ [p, q]) {
    const [i, j] = [this.#node(p), this.#node(q)];
    if (i === j || this.nodes[i].out.includes(j)) return;
    this.nodes[i].out.push(j);
    this.nodes[j].out.push(i);
  }

  /** Take out what ends in the open, number what hangs together, and put the sides of every place in order. */
  settle() {
    const { nodes } = this;
    const ends = nodes.flatMap((node, i) => (node.out.length === 1 ? [i] : []));
    for (let i = ends.pop(); i !== undefined; i = ends.pop()) {
      const end = i;
      const [j] = nodes[i].out;
      if (j === undefined) continue;
      nodes[i].out = [];
      nodes[j].out = nodes[j].out.filter((k) => k !== end);
      if (nodes[j].out.length === 1) ends.push(j);
    }
    for (const [i, node] of nodes.entries()) {
      const angle = (/** @type {number} */ j) =>
        Math.atan2(nodes[j].at[1] - node.at[1], nodes[j].at[0] - node.at[0]);
      node.out.sort((p, q) => angle(p) - angle(q));
      const open = node.part < 0 ? [i] : [];
      for (let k = open.pop(); k !== undefined; k = open.pop()) {
        const next = nodes[k];
        if (next.part >= 0) continue;
        next.part = i;
        open.push(...next.out);
      }
    }
  }

  /** Every way round an area, which lies to its left, as numbers of places. */
  walks() {
    const { nodes } = this;
    const gone = new Set();
    const found = [];
    for (const [from, { out }] of nodes.entries())
      for (const to of out) {
        const walk = [];
        for (let [i, j] = [from, to]; !gone.has(`${i} ${j}`); ) {
          gone.add(`${i} ${j}`);
          walk.push(i);
          const { out: next } = nodes[j];
          [i, j] = [j, next[(next.indexOf(i) + next.length - 1) % next.length]];
        }
        if (walk.length) found.push(walk);
      }
    return found;
  }
}

/** A walk that comes through one place twice, as rings that do not. */
function loopsOf(/** @type {number[]} */ walk) {
  /** @type {number[][]} */
  const loops = [];
  /** @type {number[]} */
  const open = [];
  for (const i of walk) {
    const at = open.indexOf(i);
    if (at >= 0) loops.push(open.splice(at));
    open.push(i);
  }
  return [...loops, open];
}

/**
 * @param {Ring[]} rings
 * @param {Line} line
 */
function netOf(rings, line) {
  const corners = rings.flatMap((ring) => ring.slice(0, -1));
  const snapped = line.map((p) => corners.find((c) => away(c, p) <= TOUCH_M) ?? p);
  const own = rings.flatMap(sidesOf);
  const knife = sidesOf(snapped).filter(({ a, b }) => away(a, b) > TOUCH_M);
  for (const [i, one] of knife.entries()) {
    for (const other of own) cutBoth(one, other);
    for (const other of knife.slice(i + 2)) cutBoth(one, other);
  }
  const net = new Net();
  for (const piece of own.flatMap(piecesOf)) net.add(piece);
  for (const [p, q] of knife.flatMap(piecesOf)) {
    const middle = [(p[0] + q[0]) / 2, (p[1] + q[1]) / 2];
    const along = own.some(({ a, b }) => nearest(middle, a, b).off <= TOUCH_M);
    if (!along && within(middle, rings)) net.add([p, q]);
  }
  net.settle();
  return net;
}

/**
 * Whether the area to the left of a ring belongs to the outline.
 * @param {Line} ring
 * @param {Ring[]} rings
 */
function isOwn(ring, rings) {
  let [a, b] = [ring[0], ring[1]];
  for (const [i, p] of ring.entries()) {
    const q = ring[(i + 1) % ring.length];
    if (away(p, q) > away(a, b)) [a, b] = [p, q];
  }
  const long = away(a, b);
  const beside = [
    (a[0] + b[0]) / 2 - ((b[1] - a[1]) / long) * BESIDE_M,
    (a[1] + b[1]) / 2 + ((b[0] - a[0]) / long) * BESIDE_M,
  ];
  return within(beside, rings);
}

const closed = (/** @type {Line} */ ring) => [...ring, ring[0]];

/**
 * Parts of one area (its outer ring first, rings closed) on the sides of a line.
 * @param {Ring[]} rings
 * @param {Line} line
 * @returns {Ring[][]} Areas in the same form; the area itself where the line does not part it.
 */
export function splitArea(rings, line) {
  const net = netOf(rings, line);
  /** @type {Loop[]} */
  const areas = [];
  /** @type {Loop[]} */
  const holes = [];
  for (const walk of net.walks()) {
    const { part } = net.nodes[walk[0]];
    const loops = loopsOf(walk)
      .filter((loop) => loop.length > 2)
      .map((loop) => loop.map((i) => net.nodes[i].at))
      .map((ring) => ({
        ring,
        size: twiceArea(ring),
        part,
        holes: /** @type {Line[]} */ ([]),
      }));
    const outer = loops.filter(({ size }) => size > 0);
    const inner = loops.filter(({ size }) => size < 0);
    areas.push(...outer.filter(({ ring }) => isOwn(ring, rings)));
    if (outer.length) outer[0].holes.push(...inner.map(({ ring }) => ring));
    else holes.push(...inner);
  }
  for (const { ring, part } of holes) {
    const round = areas
      .filter((area) => area.part !== part && within(ring[0], [closed(area.ring)]))
      .sort((p, q) => p.size - q.size);
    round[0]?.holes.push(ring);
  }
  return areas.map((area) => [closed(area.ring), ...area.holes.map(closed)]);
}
