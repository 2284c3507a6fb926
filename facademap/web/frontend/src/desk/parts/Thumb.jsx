// An outline drawn small, over another one that it is compared with.
import { cornersOf } from "../geometry/shapes.js";

const [WIDE, HIGH, ROUND] = [132, 96, 8];

/**
 * Everything that is drawn of a geometry, as lines; a point as one that goes nowhere.
 * @param {Geometry} g
 * @returns {number[][][]}
 */
function linesOf(g) {
  if (g.type === "Point") return [[g.coordinates, g.coordinates]];
  if (g.type === "LineString") return [g.coordinates];
  if (g.type === "MultiPolygon") return g.coordinates.flat();
  return g.type === "Polygon" || g.type === "MultiLineString" ? g.coordinates : [];
}

/** @param {{ geometry?: Geometry | null, beside?: Geometry | null, label: string }} props */
export function Thumb({ geometry, beside = null, label }) {
  if (!geometry) return null;
  const all = beside ? [geometry, beside] : [geometry];
  const points = all.flatMap((g) => cornersOf(g).map((c) => c.at));
  const [us, vs] = [points.map((p) => p[0]), points.map((p) => p[1])];
  const [u0, u1, v0, v1] = [Math.min(...us), Math.max(...us), Math.min(...vs), Math.max(...vs)];
  const scale = Math.min(
    (WIDE - 2 * ROUND) / (u1 - u0 || 1e-3),
    (HIGH - 2 * ROUND) / (v1 - v0 || 1e-3),
  );
  const at = (/** @type {number[]} */ [u, v]) =>
    `${((u - (u0 + u1) / 2) * scale + WIDE / 2).toFixed(1)} ${(((v0 + v1) / 2 - v) * scale + HIGH / 2).toFixed(1)}`;
  const path = (/** @type {Geometry} */ g) =>
    linesOf(g)
      .map((line) => `M${line.map(at).join("L")}${g.type.includes("Polygon") ? "Z" : ""}`)
      .join("");
  const kind = (/** @type {Geometry} */ g) => (g.type.includes("Polygon") ? "" : "line");
  return (
    <svg class="thumbs" viewBox={`0 0 ${WIDE} ${HIGH}`} role="img" aria-label={label}>
      {beside && <path class={`was ${kind(beside)}`} d={path(beside)} />}
      <path class={`is ${kind(geometry)}`} d={path(geometry)} fill-rule="evenodd" />
    </svg>
  );
}
