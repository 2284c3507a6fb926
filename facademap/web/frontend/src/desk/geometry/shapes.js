// Geometry of drawing: checks, measures and operations on outlines, in metres of the wall.
import clipping from "polygon-clipping";
import { crossingsOf } from "./crossings.js";
import { splitArea } from "./splitting.js";

export const round = (x) => Math.round(x * 1e6) / 1e6;
export const roundAll = (c) =>
  typeof c[0] === "number" ? [round(c[0]), round(c[1])] : c.map(roundAll);

const ringArea = (ring) => {
  let twice = 0;
  for (let i = 0; i < ring.length - 1; i += 1)
    twice += ring[i][0] * ring[i + 1][1] - ring[i + 1][0] * ring[i][1];
  return twice / 2;
};
export const areaOf = (geometry) => {
  if (!geometry) return 0;
  const polygons =
    geometry.type === "Polygon"
      ? [geometry.coordinates]
      : geometry.type === "MultiPolygon"
        ? geometry.coordinates
        : [];
  return polygons.reduce(
    (sum, [outer, ...holes]) =>
      sum + Math.abs(ringArea(outer)) - holes.reduce((s, h) => s + Math.abs(ringArea(h)), 0),
    0,
  );
};
export const lengthOfLine = (line) =>
  line.slice(1).reduce((sum, p, i) => sum + Math.hypot(p[0] - line[i][0], p[1] - line[i][1]), 0);

/** The same for every line of a geometry; nothing for an area or a point. */
export const lengthOf = (geometry) =>
  geometry?.type === "LineString"
    ? lengthOfLine(geometry.coordinates)
    : geometry?.type === "MultiLineString"
      ? geometry.coordinates.reduce((s, l) => s + lengthOfLine(l), 0)
      : 0;

const cross = (o, a, b) => (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);

/** Why an outline cannot be kept, or an empty text. */
export function faultOf(geometry) {
  if (geometry.type !== "Polygon") return "";
  for (const ring of geometry.coordinates) {
    if (ring.length < 4) return "tooFew";
    if (crossingsOf(ring.slice(0, -1)).length) return "crosses";
  }
  return areaOf(geometry) < 1e-6 ? "tooSmall" : "";
}

/** Vertices that repeat, or lie on a straight line between their neighbours within `tolerance`, are left out. */
export function simplify(line, tolerance) {
  if (line.length < 3) return line;
  const keep = new Uint8Array(line.length);
  keep[0] = keep[line.length - 1] = 1;
  const parts = [[0, line.length - 1]];
  while (parts.length) {
    const [a, b] = parts.pop();
    let [worst, at] = [tolerance, -1];
    const span = Math.hypot(line[b][0] - line[a][0], line[b][1] - line[a][1]);
    for (let i = a + 1; i < b; i += 1) {
      const d =
        span > 1e-12
          ? Math.abs(cross(line[a], line[b], line[i])) / span
          : Math.hypot(line[i][0] - line[a][0], line[i][1] - line[a][1]);
      if (d > worst) [worst, at] = [d, i];
    }
    if (at > 0) {
      keep[at] = 1;
      parts.push([a, at], [at, b]);
    }
  }
  return line.filter((_, i) => keep[i]);
}

/** A geometry moved by a way. */
export function shifted({ type, coordinates }, [dx, dy]) {
  const move = (c) => (typeof c[0] === "number" ? [c[0] + dx, c[1] + dy] : c.map(move));
  return { type, coordinates: move(coordinates) };
}

const asMulti = (g) => (g.type === "Polygon" ? [g.coordinates] : g.coordinates);
function fromMulti(coordinates) {
  if (!coordinates.length) return null;
  return coordinates.length === 1
    ? { type: "Polygon", coordinates: coordinates[0] }
    : { type: "MultiPolygon", coordinates };
}

/** Parts of an area smaller than this are no parts. */
const LEAST_M2 = 1e-7;
/** An area as it is stored: on the grid of the wall, without what is too small to be seen; null where nothing is left. */
export function storable(geometry) {
  if (!geometry) return null;
  const parts = asMulti(geometry)
    .map(roundAll)
    .filter((p) => areaOf({ type: "Polygon", coordinates: p }) > LEAST_M2);
  return fromMulti(parts);
}

/** @param {any[]} multis */
const joined = ([first, ...others]) => clipping.union(first, ...others);
export const union = (geometries) => fromMulti(joined(geometries.map(asMulti)));
export const subtract = (a, b) => fromMulti(clipping.difference(asMulti(a), asMulti(b)));
export const common = (a, b) => fromMulti(clipping.intersection(asMulti(a), asMulti(b)));
export const partsOf = (g) =>
  g === null ? [] : asMulti(g).map((coordinates) => ({ type: "Polygon", coordinates }));

/** Parts of an outline on the sides of a line that crosses it. */
export const split = (geometry, line) =>
  asMulti(geometry)
    .flatMap((rings) => splitArea(rings, line))
    .map((coordinates) => ({ type: "Polygon", coordinates }));

/** Direction of the bed of a stone: the side of its outline that lies flattest, in radians. */
export function bedAngle(geometry) {
  const ring = geometry?.coordinates?.[0];
  if (!ring) return 0;
  let [sumX, sumY] = [0, 0];
  for (let i = 0; i < ring.length - 1; i += 1) {
    let [x, y] = [ring[i + 1][0] - ring[i][0], ring[i + 1][1] - ring[i][1]];
    if (Math.abs(y) > Math.abs(x) * 0.6) continue;
    if (x < 0) [x, y] = [-x, -y];
    sumX += x;
    sumY += y;
  }
  return sumX ? Math.atan2(sumY, sumX) : 0;
}

export function squareTo(a, b, angle) {
  const [c, s] = [Math.cos(angle), Math.sin(angle)];
  const [x, y] = [b[0] - a[0], b[1] - a[1]];
  const along = x * c + y * s;
  const up = -x * s + y * c;
  const at = (p, r) => [a[0] + p * c - r * s, a[1] + p * s + r * c];
  return [at(0, 0), at(along, 0), at(along, up), at(0, up), at(0, 0)];
}

/**
 * Where two lines meet, each by a point and a direction; null for parallel ones.
 * @param {number[]} p
 * @param {number[]} d
 * @param {number[]} q
 * @param {number[]} e
 */
function meeting([px, py], [dx, dy], [qx, qy], [ex, ey]) {
  const d = dx * ey - dy * ex;
  if (Math.abs(d) < 1e-12) return null;
  const s = ((qx - px) * ey - (qy - py) * ex) / d;
  return [px + s * dx, py + s * dy];
}

/** A ring (not closed) with side i moved square to itself; its neighbours keep their lines. Null where it would fold. */
export function sideMoved(ring, i, /** @type {number[]} */ [bx, by]) {
  const n = ring.length;
  const at = (k) => ring[(k + n) % n];
  const [a, b] = [at(i), at(i + 1)];
  const along = [b[0] - a[0], b[1] - a[1]];
  const size = Math.hypot(...along);
  const out = [-along[1] / size, along[0] / size];
  const far = bx * out[0] + by * out[1];
  const base = [a[0] + out[0] * far, a[1] + out[1] * far];
  const before = at(i - 1);
  const after = at(i + 2);
  const first = meeting(base, along, before, [a[0] - before[0], a[1] - before[1]]) ?? base;
  const second = meeting(base, along, after, [b[0] - after[0], b[1] - after[1]]) ?? [
    b[0] + out[0] * far,
    b[1] + out[1] * far,
  ];
  const next = ring.slice();
  next[i] = first;
  next[(i + 1) % n] = second;
  return faultOf({ type: "Polygon", coordinates: [[...next, next[0]]] }) ||
    ringArea([...next, next[0]]) * ringArea([...ring, ring[0]]) <= 0
    ? null
    : next;
}

/** A ring with corner i moved, the two sides that meet there staying parallel to themselves. */
export function cornerMoved(ring, i, by) {
  const next = sideMoved(ring, i, by);
  return next && sideMoved(next, (i - 1 + ring.length) % ring.length, by);
}

// -- corners ------------------------------------------------------------------------------------------------

/** Every corner with its place in the coordinates; the closing one of a ring is its first and not named again. */
export function cornersOf({ type, coordinates }) {
  const found = [];
  const walk = (c, path) => {
    if (typeof c[0] === "number") found.push({ path, at: c });
    else {
      const ring = type.includes("Polygon") && typeof c[0]?.[0] === "number";
      const parts = ring ? c.slice(0, -1) : c;
      for (const [i, part] of parts.entries()) walk(part, [...path, i]);
    }
  };
  walk(coordinates, []);
  return found;
}

/** A geometry with the line or ring that holds a corner made anew; the ring stays closed. */
function withLine({ type, coordinates }, path, make) {
  const place = path.slice(0, -1);
  const rebuilt = (c, /** @type {number[]} */ [next, ...rest]) => {
    if (next !== undefined) return c.map((part, i) => (i === next ? rebuilt(part, rest) : part));
    const ring = type.includes("Polygon");
    const line = make(ring ? c.slice(0, -1) : c, path.at(-1), ring);
    return line && (ring ? [...line, line[0]] : line);
  };
  const next = rebuilt(coordinates, place);
  return next ? { type, coordinates: next } : null;
}

export const withCorner = (geometry, path, at) =>
  path.length
    ? withLine(geometry, path, (line, i) => line.map((p, k) => (k === i ? at : p)))
    : { ...geometry, coordinates: at };
export const withCornerAdded = (geometry, path) =>
  path.length
    ? withLine(geometry, path, (line, i, ring) => {
        const [a, b] =
          i + 1 < line.length || ring
            ? [line[i], line[(i + 1) % line.length]]
            : [line[i - 1], line[i]];
        const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
        const at = i + 1 < line.length || ring ? i + 1 : i;
        return [...line.slice(0, at), middle, ...line.slice(at)];
      })
    : geometry;
/** Without a corner; null where too few would be left. */
export function withoutCorner(geometry, path) {
  const least = geometry.type.includes("Polygon") ? 4 : 3;
  let few = !path.length;
  const next = few
    ? null
    : withLine(geometry, path, (line, i) => {
        few = line.length < least;
        return line.filter((_, k) => k !== i);
      });
  return few ? null : next;
}
