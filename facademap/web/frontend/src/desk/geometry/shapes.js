// Geometry of drawing: checks, measures and operations on outlines, in metres of the wall.
import clipping from "polygon-clipping";
import { crossingsOf } from "./crossings.js";
import { splitArea } from "./splitting.js";

export const round = (/** @type {number} */ x) => Math.round(x * 1e6) / 1e6;

/**
 * Coordinates of any depth with every point made anew.
 * @template {Coordinates} C
 * @param {C} coordinates
 * @param {(point: Point) => Point} make
 * @returns {C}
 */
function eachPoint(coordinates, make) {
  /** @type {(c: Coordinates) => Coordinates} */
  const walk = (c) => /** @type {Coordinates} */ (isPoint(c) ? make(c) : c.map(walk));
  return /** @type {C} */ (walk(coordinates));
}
/**
 * @param {Coordinates} c
 * @returns {c is Point}
 */
const isPoint = (c) => typeof c[0] === "number";

/**
 * A geometry with every point made anew.
 * @template {Geometry} G
 * @param {G} geometry
 * @param {(point: Point) => Point} make
 */
const remade = ({ type, coordinates }, make) =>
  /** @type {G} */ ({ type, coordinates: eachPoint(coordinates, make) });

const roundedPoint = (/** @type {Point} */ [x, y]) => [round(x), round(y)];
/**
 * @template {Coordinates} C
 * @param {C} coordinates
 */
export const roundAll = (coordinates) => eachPoint(coordinates, roundedPoint);
/**
 * A geometry on the grid of the wall.
 * @template {Geometry} G
 * @param {G} geometry
 */
export const roundedOf = (geometry) => remade(geometry, roundedPoint);

/**
 * The box round a geometry.
 * @param {Pick<Geometry, "coordinates">} geometry
 * @returns {Box}
 */
export function boxOf({ coordinates }) {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  eachPoint(/** @type {Coordinates} */ (coordinates), (point) => {
    box[0] = Math.min(box[0], point[0]);
    box[1] = Math.min(box[1], point[1]);
    box[2] = Math.max(box[2], point[0]);
    box[3] = Math.max(box[3], point[1]);
    return point;
  });
  return box;
}

const ringArea = (/** @type {Ring} */ ring) => {
  let twice = 0;
  for (let i = 0; i < ring.length - 1; i += 1)
    twice += ring[i][0] * ring[i + 1][1] - ring[i + 1][0] * ring[i][1];
  return twice / 2;
};
/** @param {Geometry | null | undefined} geometry */
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
export const lengthOfLine = (/** @type {Line} */ line) =>
  line.slice(1).reduce((sum, p, i) => sum + Math.hypot(p[0] - line[i][0], p[1] - line[i][1]), 0);

/**
 * The same for every line of a geometry; nothing for an area or a point.
 * @param {Geometry | null | undefined} geometry
 */
export const lengthOf = (geometry) =>
  geometry?.type === "LineString"
    ? lengthOfLine(geometry.coordinates)
    : geometry?.type === "MultiLineString"
      ? geometry.coordinates.reduce((s, l) => s + lengthOfLine(l), 0)
      : 0;

const cross = (/** @type {Point} */ o, /** @type {Point} */ a, /** @type {Point} */ b) =>
  (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);

/** Why an outline cannot be kept, or an empty text. */
export function faultOf(/** @type {Geometry} */ geometry) {
  if (geometry.type !== "Polygon") return "";
  for (const ring of geometry.coordinates) {
    if (ring.length < 4) return "tooFew";
    if (crossingsOf(ring.slice(0, -1)).length) return "crosses";
  }
  return areaOf(geometry) < 1e-6 ? "tooSmall" : "";
}

/**
 * Vertices that repeat, or lie on a straight line between their neighbours within `tolerance`, are left out.
 * @param {Line} line
 * @param {number} tolerance
 */
export function simplify(line, tolerance) {
  if (line.length < 3) return line;
  const keep = new Uint8Array(line.length);
  keep[0] = keep[line.length - 1] = 1;
  const parts = [[0, line.length - 1]];
  for (let part = parts.pop(); part; part = parts.pop()) {
    const [a, b] = part;
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

/**
 * A geometry moved by a way.
 * @template {Geometry} G
 * @param {G} geometry
 * @param {Point} way
 */
export const shifted = (geometry, [dx, dy]) => remade(geometry, ([x, y]) => [x + dx, y + dy]);

/**
 * @param {Geometry} geometry
 * @returns {geometry is Area}
 */
export const isArea = (geometry) => geometry.type === "Polygon" || geometry.type === "MultiPolygon";
const asMulti = (/** @type {Area} */ g) => (g.type === "Polygon" ? [g.coordinates] : g.coordinates);
/**
 * @param {Ring[][]} coordinates
 * @returns {Area | null}
 */
function fromMulti(coordinates) {
  if (!coordinates.length) return null;
  return coordinates.length === 1
    ? { type: "Polygon", coordinates: coordinates[0] }
    : { type: "MultiPolygon", coordinates };
}

/** Parts of an area smaller than this are no parts. */
const LEAST_M2 = 1e-7;
/**
 * An area as it is stored: on the grid of the wall, without what is too small to be seen; null where nothing is left.
 * @param {Area | null} geometry
 */
export function storable(geometry) {
  if (!geometry) return null;
  const parts = asMulti(geometry)
    .map((part) => roundAll(part))
    .filter((p) => areaOf({ type: "Polygon", coordinates: p }) > LEAST_M2);
  return fromMulti(parts);
}

/** An area as the library for clipping takes it: its points are pairs. */
const forClipping = (/** @type {Area} */ g) =>
  /** @type {import("polygon-clipping").MultiPolygon} */ (asMulti(g));
/** @returns {Polygon} */
const polygon = (/** @type {Ring[]} */ coordinates) => ({ type: "Polygon", coordinates });

export const union = (/** @type {Area[]} */ geometries) => {
  const [first, ...others] = geometries.map(forClipping);
  return first ? fromMulti(clipping.union(first, ...others)) : null;
};
export const subtract = (/** @type {Area} */ a, /** @type {Area} */ b) =>
  fromMulti(clipping.difference(forClipping(a), forClipping(b)));
export const common = (/** @type {Area} */ a, /** @type {Area} */ b) =>
  fromMulti(clipping.intersection(forClipping(a), forClipping(b)));
export const partsOf = (/** @type {Area | null} */ g) =>
  g === null ? [] : asMulti(g).map(polygon);

/**
 * Parts of an outline on the sides of a line that crosses it.
 * @param {Area} geometry
 * @param {Line} line
 */
export const split = (geometry, line) =>
  asMulti(geometry)
    .flatMap((rings) => splitArea(rings, line))
    .map(polygon);

/**
 * Direction of the bed of a stone: the side of its outline that lies flattest, in radians.
 * @param {Area | null | undefined} geometry
 */
export function bedAngle(geometry) {
  const ring = geometry && asMulti(geometry)[0]?.[0];
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

/**
 * A rectangle over a diagonal, its sides along an angle.
 * @param {Point} a
 * @param {Point} b
 * @param {number} angle
 */
export function squareTo(a, b, angle) {
  const [c, s] = [Math.cos(angle), Math.sin(angle)];
  const [x, y] = [b[0] - a[0], b[1] - a[1]];
  const along = x * c + y * s;
  const up = -x * s + y * c;
  const at = (/** @type {number} */ p, /** @type {number} */ r) => [
    a[0] + p * c - r * s,
    a[1] + p * s + r * c,
  ];
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

/**
 * A ring (not closed) with side i moved square to itself; its neighbours keep their lines. Null where it would fold.
 * @param {Line} ring
 * @param {number} i
 * @param {Point} by
 */
export function sideMoved(ring, i, [bx, by]) {
  const n = ring.length;
  const at = (/** @type {number} */ k) => ring[(k + n) % n];
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

/**
 * A ring with corner i moved, the two sides that meet there staying parallel to themselves.
 * @param {Line} ring
 * @param {number} i
 * @param {Point} by
 */
export function cornerMoved(ring, i, by) {
  const next = sideMoved(ring, i, by);
  return next && sideMoved(next, (i - 1 + ring.length) % ring.length, by);
}

// -- corners ------------------------------------------------------------------------------------------------

/**
 * Every corner with its place in the coordinates; the closing one of a ring is its first and not named again.
 * @param {Geometry} geometry
 */
export function cornersOf({ type, coordinates }) {
  /** @type {{path: number[], at: Point}[]} */
  const found = [];
  /**
   * @param {Coordinates} c
   * @param {number[]} path
   */
  const walk = (c, path) => {
    if (isPoint(c)) found.push({ path, at: c });
    else {
      const ring = type.includes("Polygon") && c.length > 0 && isPoint(c[0]);
      const parts = ring ? c.slice(0, -1) : c;
      for (const [i, part] of parts.entries()) walk(part, [...path, i]);
    }
  };
  walk(coordinates, []);
  return found;
}

/**
 * A geometry with the line or ring that holds a corner made anew; the ring stays closed.
 * @template {Geometry} G
 * @param {G} geometry
 * @param {number[]} path Place of the corner, which lies in a line.
 * @param {(line: Line, i: number, ring: boolean) => Line} make
 */
function withLine({ type, coordinates }, path, make) {
  const place = path.slice(0, -1);
  const ring = type.includes("Polygon");
  /**
   * @param {Coordinates} c
   * @param {number[]} place
   * @returns {Coordinates}
   */
  const rebuilt = (c, [next, ...rest]) => {
    if (next !== undefined)
      return /** @type {Coordinates} */ (
        c.map((part, i) => (i === next ? rebuilt(/** @type {Coordinates} */ (part), rest) : part))
      );
    const whole = /** @type {Line} */ (c);
    const line = make(ring ? whole.slice(0, -1) : whole, path[path.length - 1], ring);
    return ring ? [...line, line[0]] : line;
  };
  return /** @type {G} */ ({ type, coordinates: rebuilt(coordinates, place) });
}

/**
 * A geometry with one corner elsewhere.
 * @template {Geometry} G
 * @param {G} geometry
 * @param {number[]} path
 * @param {Point} at
 */
export const withCorner = (geometry, path, at) =>
  path.length
    ? withLine(geometry, path, (line, i) => line.map((p, k) => (k === i ? at : p)))
    : { ...geometry, coordinates: at };
/**
 * A geometry with one corner more, in the middle of the side that begins at one.
 * @template {Geometry} G
 * @param {G} geometry
 * @param {number[]} path
 */
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
/**
 * Without a corner; null where too few would be left.
 * @template {Geometry} G
 * @param {G} geometry
 * @param {number[]} path
 */
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
