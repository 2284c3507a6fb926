// Parts of the measuring of a face: its points, its flaws.
import { t } from "../words/texts.js";

/**
 * A point in the plane of the face as it is typed, and where it was seen in the photo.
 * @typedef {{ x: string, y: string, at: Point | null }} Typed
 * @typedef {{ ring: Point[], kind: string, depth: string }} DrawnFlaw
 */

export const FLAWS = ["crack", "hole", "stain", "vein", "spall"];

const AXES = /** @type {const} */ (["x", "y"]);

/**
 * Points in the plane of the face with their places on it, and where each is seen in the photo.
 * @param {{
 *   points: Typed[], step: string, unit: string, short: string, onStep: (step: string) => void,
 *   onType: (i: number, values: Partial<Typed>) => void, onMore: () => void,
 * }} props
 */
export function FacePoints({ points, step, unit, short, onStep, onType, onMore }) {
  return (
    <div class="face-points">
      <p class="aside">{t("face.points.hint", { unit })}</p>
      <table class="plain">
        <thead>
          <tr>
            <th scope="col">{t("one.control_points")}</th>
            <th scope="col">{t("face.x", { unit: short })}</th>
            <th scope="col">{t("face.y", { unit: short })}</th>
          </tr>
        </thead>
        <tbody>
          {points.map((p, i) => (
            <tr key={i} class={step === String(i) ? "on" : ""}>
              <th scope="row">
                <button
                  type="button"
                  class="link"
                  aria-label={t("face.point.place", { n: i + 1 })}
                  onClick={() => onStep(String(i))}
                >
                  {i + 1} {p.at ? "✓" : t("control.pick")}
                </button>
              </th>
              {AXES.map((axis) => (
                <td key={axis}>
                  <input
                    aria-label={t(`face.point.${axis}`, { n: i + 1, unit })}
                    inputMode="text"
                    value={p[axis]}
                    onInput={(e) => onType(i, { [axis]: e.currentTarget.value })}
                  />
                </td>
              ))}
            </tr>
          ))}
        </tbody>
      </table>
      <button type="button" class="quiet" onClick={onMore}>
        {t("face.point.add")}
      </button>
    </div>
  );
}

/**
 * What is flawed on the face: kind and depth of each.
 * @param {{
 *   flaws: DrawnFlaw[], unit: string,
 *   onChange: (i: number, values: Partial<DrawnFlaw>) => void, onTakeOut: (i: number) => void,
 * }} props
 */
export function Flaws({ flaws, unit, onChange, onTakeOut }) {
  return (
    <ul class="flaws">
      {flaws.map((f, i) => (
        <li key={i}>
          <span>{i + 1}</span>
          <select
            aria-label={t("face.flaw.kind", { n: i + 1 })}
            value={f.kind}
            onChange={(e) => onChange(i, { kind: e.currentTarget.value })}
          >
            {FLAWS.map((k) => (
              <option key={k} value={k}>
                {t(`flaw.${k}`)}
              </option>
            ))}
          </select>
          <input
            aria-label={t("face.flaw.depth", { n: i + 1, unit })}
            placeholder={t("face.flaw.through")}
            inputMode="text"
            value={f.depth}
            onInput={(e) => onChange(i, { depth: e.currentTarget.value })}
          />
          <button
            type="button"
            class="quiet"
            aria-label={t("face.flaw.out", { n: i + 1 })}
            onClick={() => onTakeOut(i)}
          >
            ×
          </button>
        </li>
      ))}
    </ul>
  );
}
