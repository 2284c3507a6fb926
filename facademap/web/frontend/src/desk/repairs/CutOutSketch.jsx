import { length, sizes } from "../data/settings.js";
import { partsOf } from "../geometry/shapes.js";
import { t } from "../words/texts.js";

/**
 * The cut-out as drawn: sides with their joints, pins, bed.
 * @param {{ row: Repair, piece: Piece }} props
 */
export function Sketch({ row, piece }) {
  if (row.geometry?.type !== "Polygon" || !row.geometry.coordinates[0]) return null;
  const [ring] = row.geometry.coordinates;
  const us = ring.map((p) => p[0]);
  const vs = ring.map((p) => p[1]);
  const [u0, u1, v0, v1] = [Math.min(...us), Math.max(...us), Math.min(...vs), Math.max(...vs)];
  const scale = Math.min(232 / (u1 - u0), 150 / (v1 - v0));
  const at = (/** @type {Point} */ [u, v]) => [54 + (u - u0) * scale, 16 + (v1 - v) * scale];
  const path = (/** @type {Ring} */ r) =>
    `${r
      .map(
        (p, i) =>
          `${i ? "L" : "M"}${at(p)
            .map((x) => x.toFixed(1))
            .join(" ")}`,
      )
      .join("")}Z`;
  const inner = partsOf(piece.geometry ?? null).map(
    (/** @type {Polygon} */ part) => part.coordinates[0],
  );
  const [w, h] = [(u1 - u0) * scale, (v1 - v0) * scale];
  return (
    <figure class="sketch">
      <svg
        viewBox={`0 0 340 ${h + 46}`}
        role="img"
        aria-label={t("cutout.size", {
          w: length(u1 - u0),
          h: length(v1 - v0),
          d: length(row.depth_m),
        })}
      >
        <path d={path(ring)} class="cut" />
        {inner.length > 0 && <path d={inner.map(path).join("")} class="piece" />}
        {(row.pins ?? []).map((p, i) => {
          const [x, y] = at([p.u_m, p.v_m]);
          return (
            <g key={i}>
              <circle cx={x} cy={y} r="4" class="pin" />
              <path d={`M${x - 7} ${y}h14M${x} ${y - 7}v14`} class="pin" />
            </g>
          );
        })}
        {piece.bed !== "any" && (
          <path
            d={
              piece.bed === "edge"
                ? `M${54 + w / 2 + 12} ${16 + h * 0.75}v${-h * 0.5}`
                : `M${54 + w * 0.25} ${16 + h / 2 + 12}h${w * 0.5}`
            }
            class="bed"
          />
        )}
        <text x={54 + w / 2} y={h + 36} text-anchor="middle">
          {length(u1 - u0, { both: true })}
        </text>
        <text x={54 + w + 8} y={16 + h / 2}>
          {length(v1 - v0)}
        </text>
        <text x="0" y={16 + h / 2}>
          {length(row.depth_m)}
        </text>
        <text x="0" y={30 + h / 2} class="small">
          {t("deep")}
        </text>
      </svg>
      <figcaption class="aside">
        {t("one.pieces")} {sizes([piece.width_m, piece.height_m, piece.depth_m], 1)}
        {piece.weight_kg ? ` · ${piece.weight_kg.toFixed(1)} kg` : ""} ·{" "}
        {t("bed.of", { bed: piece.bed })}
        {piece.provisional ? ` · ${t("provisional")}` : ""}
      </figcaption>
    </figure>
  );
}
