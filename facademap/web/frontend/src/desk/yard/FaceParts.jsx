// Parts of the measuring of a face: its points, its flaws.
import { t } from "../words/texts.js";

export const FLAWS = ["crack", "hole", "stain", "vein", "spall"];

/** Points in the plane of the face with their places on it, and where each is seen in the photo. */
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
              {["x", "y"].map((axis) => (
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

/** What is flawed on the face: kind and depth of each. */
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
