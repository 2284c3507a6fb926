// An outline drawn small, over another one that it is compared with.
import { cornersOf } from "../geometry/shapes.js";

const [WIDE, HIGH, ROUND] = [132, 96, 8];

export function Thumb({ geometry, beside = null, label }) {
  const all = [geometry, beside].filter(Boolean);
  if (!geometry) return null;
  const points = all.flatMap((g) => cornersOf(g).map((c) => c.at));
  const [us, vs] = [points.map((p) => p[0]), points.map((p) => p[1])];
  const [u0, u1, v0, v1] = [Math.min(...us), Math.max(...us), Math.min(...vs), Math.max(...vs)];
  const scale = Math.min(
    (WIDE - 2 * ROUND) / (u1 - u0 || 1e-3),
    (HIGH - 2 * ROUND) / (v1 - v0 || 1e-3),
  );
  const at = ([u, v]) =>
    `${((u - (u0 + u1) / 2) * scale + WIDE / 2).toFixed(1)} ${(((v0 + v1) / 2 - v) * scale + HIGH / 2).toFixed(1)}`;
  const path = ({ type, coordinates }) => {
    const lines =
      {
        Point: [[coordinates, coordinates]],
        LineString: [coordinates],
        MultiLineString: coordinates,
        Polygon: coordinates,
        MultiPolygon: coordinates.flat(),
      }[type] ?? [];
    return lines
      .map((line) => `M${line.map(at).join("L")}${type.includes("Polygon") ? "Z" : ""}`)
      .join("");
  };
  const kind = (g) => (g.type.includes("Polygon") ? "" : "line");
  return (
    <svg class="thumbs" viewBox={`0 0 ${WIDE} ${HIGH}`} role="img" aria-label={label}>
      {beside && <path class={`was ${kind(beside)}`} d={path(beside)} />}
      <path class={`is ${kind(geometry)}`} d={path(geometry)} fill-rule="evenodd" />
    </svg>
  );
}
