// The section of the relief along the line that is measured: the cells that it crosses, and the line kept for the drawings.
import { entryOf } from "../data/data.js";
import { update } from "../data/edits.js";
import { may } from "../data/reviewer.js";
import { units } from "../data/settings.js";
import { live } from "../data/view.js";
import { held, look } from "../wall/relief.js";
import { t } from "../words/texts.js";

const [WIDE, HIGH, LEFT, FOOT] = [560, 130, 44, 8];
const STEPS_M = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5];
const STEPS_INCH_M = [1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 6].map((n) => n * 0.0254);

/** @typedef {import("../wall/relief.js").Held} Held */
/** @typedef {[along: number, out: number | null]} Cell Metres along the line and out of the wall; null where nothing is known. */

/**
 * Places a cell apart along a line.
 * @param {Line} line
 * @param {Held} now
 */
function cellsAlong(line, now) {
  /** @type {Cell[]} */
  const found = [];
  let before = 0;
  for (let n = 1; n < line.length; n += 1) {
    const [a, b] = [line[n - 1], line[n]];
    const length = Math.hypot(b[0] - a[0], b[1] - a[1]);
    for (let s = 0; s <= length; s += now.cell_m) {
      const x = Math.floor((a[0] + ((b[0] - a[0]) * s) / length - now.left_m) / now.cell_m);
      const y = Math.floor((now.top_m - a[1] - ((b[1] - a[1]) * s) / length) / now.cell_m);
      const i = y * now.width + x;
      const inside = x >= 0 && y >= 0 && x < now.width && y < now.height;
      found.push([before + s, inside && now.known[i] ? now.out[i] : null]);
    }
    before += length;
  }
  return found;
}

const inches = () => units.value === "in";
const figure = (/** @type {number} */ m) => {
  const n = inches() ? Number((m / 0.0254).toFixed(2)) : Math.round(m * 1e4) / 10;
  return `${n > 0 ? "+" : ""}${n}`;
};

function keep(/** @type {string} */ surface, /** @type {Line} */ line) {
  const { row } = entryOf("surfaces", surface) ?? {};
  if (!row) return;
  const names = new Set((row.sections ?? []).map((s) => s.name));
  const name = [..."ABCDEFGHIJKLMNOPQRSTUVWXYZ"].find((letter) => !names.has(letter));
  if (!name) return;
  const ends = [line[0], line[line.length - 1]].flat().map((m) => Number(m.toFixed(4)));
  update(t("what.section", { name }), "surfaces", surface, {
    sections: [...(row.sections ?? []), { name, line_m: ends }],
  });
}

export function Section() {
  const line = live.value?.measured && live.value.line;
  const now = held.value;
  if (!line || !now || !look.value.on || now.change) return null;
  const cells = cellsAlong(line, now);
  const known = cells.flatMap(([, w]) => w ?? []);
  if (known.length < 2) return null;
  const [lowest, highest] = [Math.min(...known), Math.max(...known)];
  const steps = inches() ? STEPS_INCH_M : STEPS_M;
  const step = steps.find((s) => (highest - lowest) / s <= 5) ?? steps[steps.length - 1];
  const low = Math.floor(lowest / step) * step;
  const high = Math.max(low + step, Math.ceil(highest / step) * step);
  const [length] = cells[cells.length - 1];
  const x = (/** @type {number} */ s) => LEFT + (s / length) * (WIDE - LEFT - 6);
  const y = (/** @type {number} */ w) =>
    HIGH - FOOT - ((w - low) / (high - low)) * (HIGH - 2 * FOOT);
  const marks = Array.from(
    { length: Math.round((high - low) / step) + 1 },
    (_, n) => low + n * step,
  );
  return (
    <div class="section">
      <svg viewBox={`0 0 ${WIDE} ${HIGH}`} role="img" aria-label={t("section")}>
        {marks.map((w) => (
          <g key={w}>
            <line class="mark" x1={LEFT} x2={WIDE - 6} y1={y(w)} y2={y(w)} />
            <text x={LEFT - 4} y={y(w) + 4} text-anchor="end">
              {figure(w)}
            </text>
          </g>
        ))}
        <path d={path(cells, x, y)} />
      </svg>
      <p>
        {t("section.told", { unit: inches() ? "in" : "mm", sigma: figure(now.sigma_m).slice(1) })}{" "}
        {line.length === 2 && may("survey") && (
          <button type="button" id="keep-section" onClick={() => keep(now.key.split("|")[0], line)}>
            {t("section.keep")}
          </button>
        )}
      </p>
    </div>
  );
}

/**
 * A line that is broken where nothing is known.
 * @param {Cell[]} cells
 * @param {(along: number) => number} x
 * @param {(out: number) => number} y
 */
function path(cells, x, y) {
  let words = "";
  let open = false;
  for (const [s, w] of cells) {
    if (w !== null) words += `${open ? "L" : "M"}${x(s).toFixed(1)} ${y(w).toFixed(1)}`;
    open = w !== null;
  }
  return words;
}
