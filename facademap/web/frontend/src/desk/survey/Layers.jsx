// What is shown of the wall: surfaces, layers, surveys, families, and how strongly areas are filled.
import { useEffect } from "preact/hooks";
import { entryOf, pictures, rowsOf, schema, surface } from "../data/data.js";
import {
  area,
  fillStrength,
  hiddenFamilies,
  layers,
  shownSurvey,
  survey,
} from "../data/settings.js";
import { swipe } from "../data/view.js";
import { Entry } from "../parts/fields.jsx";
import { Swatch } from "../parts/Swatch.jsx";
import { askForWatched } from "../wall/gauges.js";
import { t } from "../words/texts.js";
import { Intake } from "./Intake.jsx";
import { Relief } from "./Relief.jsx";

const LAYERS = [
  "picture",
  "outside",
  "wall_stones",
  "openings",
  "conditions",
  "repairs",
  "pieces",
  "control_points",
  "gauges",
];

/** How fine the picture of a surface is. */
function pictureOf(/** @type {Surface} */ { id }) {
  const found = pictures.value[id];
  return found ? t("picture.gsd", { mm: (found.gsd_m * 1000).toFixed(2) }) : t("picture.none");
}

/** Where two pictures of a surface do not lie on one another, as its report says it. */
function disagreementOf(/** @type {Surface} */ { report }) {
  const found = /** @type {{ text: string } | null | undefined} */ (report?.disagreement);
  return found ? ` · ${found.text}` : "";
}

export function Layers() {
  useEffect(() => {
    askForWatched().catch(() => {
      // without the server no gauge is shown
    });
  }, []);
  /** @type {Map<string | null, [number, number]>} How many of a family, and how large. */
  const counts = new Map();
  for (const r of rowsOf("conditions")) {
    const now = counts.get(r.family) ?? [0, 0];
    counts.set(r.family, [now[0] + 1, now[1] + (r.area_m2 ?? 0)]);
  }
  const surfaces = rowsOf("surfaces");
  const surveys = [
    ...new Set(
      rowsOf("conditions")
        .map((r) => r.survey)
        .filter(Boolean),
    ),
  ].sort();
  const hidden = hiddenFamilies.value;
  const countOf = (/** @type {string} */ id) => {
    const found = counts.get(id);
    return found ? `${found[0]} · ${area(found[1])}` : "–";
  };
  return (
    <div class="layers">
      <h3>{t("wall")}</h3>
      <ul class="surfaces">
        {surfaces.map((s) => (
          <li key={s.id}>
            <button
              type="button"
              aria-pressed={surface.value === s.id}
              onClick={() => {
                surface.value = s.id;
              }}
            >
              <strong>{entryOf("elevations", s.elevation)?.row.name ?? s.elevation}</strong>{" "}
              {s.name}
              <small>
                {pictureOf(s)}
                {s.check_rmse_m
                  ? ` · ${t("rmse.check", { mm: (s.check_rmse_m * 1000).toFixed(1), n: s.check_n })}`
                  : s.control_rmse_m
                    ? ` · ${t("rmse.control", { mm: (s.control_rmse_m * 1000).toFixed(1) })}`
                    : ""}
                {disagreementOf(s)}
              </small>
            </button>
          </li>
        ))}
      </ul>
      {surfaces.length > 1 && (
        <div class="field">
          <label for="swipe-with">{t("compare.with")}</label>
          <select
            id="swipe-with"
            value={swipe.value?.with ?? ""}
            onChange={(e) => {
              compare({ with: e.currentTarget.value });
            }}
          >
            <option value="">{t("compare.nothing")}</option>
            {surfaces
              .filter((s) => s.id !== surface.value && pictures.value[s.id])
              .map((s) => (
                <option key={s.id} value={s.id}>
                  {s.name}
                </option>
              ))}
          </select>
        </div>
      )}
      <h3>{t("shown")}</h3>
      {LAYERS.map((name) => (
        <label class="check" key={name}>
          <input
            type="checkbox"
            checked={layers.value[name] !== false}
            onChange={(e) => {
              layers.value = { ...layers.value, [name]: e.currentTarget.checked };
            }}
          />{" "}
          {t(`layer.${name}`)}
        </label>
      ))}
      <Relief />
      {surveys.length > 1 && (
        <div class="field">
          <label for="survey-shown">{t("survey.shown")}</label>
          <select
            id="survey-shown"
            value={shownSurvey.value}
            onChange={(e) => {
              shownSurvey.value = e.currentTarget.value;
            }}
          >
            <option value="">{t("all")}</option>
            {surveys.map((n) => (
              <option key={n} value={n}>
                {n}
              </option>
            ))}
          </select>
        </div>
      )}
      {surveys.length > 1 && <SurveySwipe surveys={surveys} />}
      <div class="field">
        <label for="survey-now">{t("survey.now")}</label>
        <Entry
          id="survey-now"
          value={survey.value}
          onCommit={(v) => {
            survey.value = v.trim() || "1";
          }}
        />
      </div>
      <label class="field">
        {t("fill.strength")}{" "}
        <input
          type="range"
          min="0"
          max="1"
          step="0.1"
          value={fillStrength.value}
          onInput={(e) => {
            fillStrength.value = Number(e.currentTarget.value);
          }}
        />
      </label>
      <Intake />
      <h3>{t("families")}</h3>
      {schema.value?.families.map((f) => (
        <label class="check" key={f.id}>
          <input
            type="checkbox"
            checked={!hidden.includes(f.id)}
            onChange={(e) => {
              hiddenFamilies.value = e.currentTarget.checked
                ? hidden.filter((x) => x !== f.id)
                : [...hidden, f.id];
            }}
          />
          <Swatch family={f.id} small /> {f.name} <span class="aside">{countOf(f.id)}</span>
        </label>
      ))}
    </div>
  );
}
/**
 * Pictures, surveys, or both on the two sides of one edge.
 * @param {Partial<NonNullable<typeof swipe.value>>} what
 */
function compare(what) {
  const next = { at: 0.5, ...swipe.value, ...what };
  swipe.value = next.with || next.surveys || next.relief ? next : null;
}

/** @param {{ surveys: string[] }} props */
function SurveySwipe({ surveys }) {
  const pair = swipe.value?.surveys;
  const choose = (/** @type {string[]} */ pair, /** @type {0 | 1} */ i) => (
    <div class="field">
      <label for={`swipe-survey-${i}`}>{t(i ? "survey.right" : "survey.left")}</label>
      <select
        id={`swipe-survey-${i}`}
        value={pair[i]}
        onChange={(e) =>
          compare({
            surveys: i ? [pair[0], e.currentTarget.value] : [e.currentTarget.value, pair[1]],
          })
        }
      >
        {surveys.map((n) => (
          <option key={n} value={n}>
            {n}
          </option>
        ))}
      </select>
    </div>
  );
  return (
    <>
      <label class="check">
        <input
          type="checkbox"
          checked={Boolean(pair)}
          onChange={(e) =>
            compare({ surveys: e.currentTarget.checked ? surveys.slice(-2) : undefined })
          }
        />{" "}
        {t("survey.compare")}
      </label>
      {pair && (
        <div class="form">
          {choose(pair, 0)}
          {choose(pair, 1)}
        </div>
      )}
    </>
  );
}
