// Tape lengths as control: distances, level and plumb lines between named points, adjusted on the server.
import { useState } from "preact/hooks";
import { rowOf, surface } from "../data/data.js";
import { notice } from "../data/edits.js";
import { startJob } from "../data/jobs.js";
import { units } from "../data/settings.js";
import { fromMetres, lengthFault, toMetres } from "../parts/fields.jsx";
import { t } from "../words/texts.js";

const KINDS = ["distance", "level", "plumb"];
const TYPED = /** @type {const} */ (["start", "end", "length"]);
/**
 * A measure as it is typed.
 * @typedef {{ kind: string, start: string, end: string, length: string }} Measure
 */

/** @type {Measure} */
const EMPTY = { kind: "distance", start: "", end: "", length: "" };

/**
 * Measures as they were typed here before.
 * @returns {Measure[]}
 */
function kept() {
  try {
    /** @type {Record<string, { kind: string, start: string, end: string, length_m: number | null }[]>} */
    const all = JSON.parse(rowOf("settings", "tape_measures")?.value ?? "{}");
    return (all[surface.value] ?? []).map(({ length_m: m, ...rest }) => ({
      ...rest,
      length: fromMetres(m, true),
    }));
  } catch {
    return [];
  }
}

/** @param {Measure} m */
const isWhole = (m) =>
  m.start.trim() &&
  m.end.trim() &&
  !lengthFault(m.length) &&
  (m.kind !== "distance" || (toMetres(m.length) ?? 0) > 0);

/** @param {{ points: ControlPoint[] }} props */
export function Tape({ points }) {
  const [rows, setRows] = useState(() => [...kept(), { ...EMPTY }]);
  const change = (/** @type {number} */ i, /** @type {Partial<Measure>} */ values) =>
    setRows(rows.map((r, k) => (k === i ? { ...r, ...values } : r)));
  const filled = rows.filter((r) => r.start.trim() || r.end.trim() || r.length.trim());
  const place = async () => {
    const job = await startJob("tape", {
      surface: surface.value,
      measures: filled.map(({ length, ...rest }) => ({ ...rest, length_m: toMetres(length) })),
    });
    if (job?.state !== "done") return;
    const { points: names, redundancy, largest_sigma_m: sigma, warnings } = job.result;
    const text = t("tape.done", {
      n: names.length,
      surplus: redundancy,
      mm: (sigma * 1000).toFixed(1),
    });
    notice.value = { text: [text, ...warnings].join(" · "), bad: warnings.length > 0 };
  };
  return (
    <details class="tape">
      <summary>{t("tape")}</summary>
      <p class="aside">{t("tape.about")}</p>
      <datalist id="tape-points">
        {points.map((p) => (
          <option key={p.id} value={p.name} />
        ))}
      </datalist>
      <table class="plain points">
        <thead>
          <tr>
            <th scope="col">{t("tape.kind")}</th>
            <th scope="col">{t("tape.start")}</th>
            <th scope="col">{t("tape.end")}</th>
            <th scope="col">{t("tape.length", { unit: units.value })}</th>
            <th scope="col" />
          </tr>
        </thead>
        <tbody>
          {rows.map((r, i) => (
            <tr key={i}>
              <td>
                <select
                  aria-label={t("tape.kind.of", { n: i + 1 })}
                  value={r.kind}
                  onChange={(e) => change(i, { kind: e.currentTarget.value })}
                >
                  {KINDS.map((kind) => (
                    <option key={kind} value={kind}>
                      {t(`tape.${kind}`)}
                    </option>
                  ))}
                </select>
              </td>
              {TYPED.map((name) => (
                <td key={name}>
                  <input
                    class={name === "length" ? "" : "short"}
                    aria-label={t(`tape.${name}.of`, { n: i + 1 })}
                    list={name === "length" ? undefined : "tape-points"}
                    inputMode={name === "length" ? "decimal" : "text"}
                    aria-invalid={name === "length" && lengthFault(r.length) ? "true" : undefined}
                    value={r[name]}
                    onInput={(e) => change(i, { [name]: e.currentTarget.value })}
                    onKeyDown={(e) => e.stopPropagation()}
                  />
                </td>
              ))}
              <td>
                <button
                  type="button"
                  class="link"
                  aria-label={t("tape.out", { n: i + 1 })}
                  onClick={() => setRows(rows.filter((_, k) => k !== i))}
                >
                  ×
                </button>
              </td>
            </tr>
          ))}
        </tbody>
      </table>
      {rows.some((r) => lengthFault(r.length)) && (
        <p class="fault" role="alert">
          {t("refuse.length")}
        </p>
      )}
      <p class="acts">
        <button type="button" onClick={() => setRows([...rows, { ...EMPTY }])}>
          {t("tape.add")}
        </button>
        <button type="button" disabled={!filled.length || !filled.every(isWhole)} onClick={place}>
          {t("tape.place")}
        </button>
      </p>
    </details>
  );
}
