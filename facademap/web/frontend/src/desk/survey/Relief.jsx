// How the relief is looked at: colour or stone, a light moved by hand, contours, and the photo beside it.
import { useEffect } from "preact/hooks";
import { units } from "../data/settings.js";
import { swipe } from "../data/view.js";
import {
  askForReliefs,
  CHANGE_RAMP,
  chosen,
  endsOf,
  held,
  look,
  ofSurface,
  RAMP,
} from "../wall/relief.js";
import { t } from "../words/texts.js";

const set = (/** @type {Partial<typeof look.value>} */ what) => {
  look.value = { ...look.value, ...what };
};
const RAMP_FINE = finer(RAMP, 8).map((c) => `rgb(${c.join()})`);
const CHANGE_FINE = finer(CHANGE_RAMP, 20).map((c) => `rgb(${c.join()})`);
const REACHES_M = [0.005, 0.01, 0.02, 0.05, 0.1];
const STEPS_M = {
  mm: [0.001, 0.002, 0.005, 0.01, 0.02, 0.05],
  in: [0.00127, 0.00254, 0.00635, 0.0127, 0.0254],
};

export function Relief() {
  useEffect(() => {
    askForReliefs();
  }, []);
  const all = ofSurface.value;
  if (!all.length) return null;
  const { on, colour, contours, reach } = look.value;
  const shown = chosen.value;
  return (
    <div class="relief">
      <label class="check">
        <input
          id="relief-on"
          type="checkbox"
          checked={on}
          onChange={(e) => {
            set({ on: e.currentTarget.checked });
            if (!e.currentTarget.checked) beside(false);
          }}
        />{" "}
        {t("relief")}
      </label>
      {on && shown && (
        <div class="looks">
          {all.length > 1 && (
            <div class="field">
              <label for="relief-survey">{t("relief.survey")}</label>
              <select
                id="relief-survey"
                value={shown.survey}
                onChange={(e) => set({ survey: e.currentTarget.value })}
              >
                {all.map((r) => (
                  <option key={r.survey} value={r.survey}>
                    {r.change
                      ? t("relief.change", { old: r.change[0], new: r.change[1] })
                      : r.taken_on
                        ? `${r.survey} · ${r.taken_on}`
                        : r.survey}
                  </option>
                ))}
              </select>
            </div>
          )}
          {!shown.change && (
            <label class="check">
              <input
                type="checkbox"
                checked={colour}
                onChange={(e) => set({ colour: e.currentTarget.checked })}
              />{" "}
              {t("relief.colour")}
            </label>
          )}
          <label class="check">
            <input
              id="relief-beside"
              type="checkbox"
              checked={Boolean(swipe.value?.relief)}
              onChange={(e) => beside(e.currentTarget.checked)}
            />{" "}
            {t("relief.beside")}
          </label>
          {!shown.change && <Light />}
          {!shown.change && (
            <div class="field">
              <label for="relief-contours">{t("relief.contours")}</label>
              <select
                id="relief-contours"
                value={String(contours)}
                onChange={(e) => set({ contours: Number(e.currentTarget.value) })}
              >
                <option value="0">{t("compare.nothing")}</option>
                {STEPS_M[units.value === "in" ? "in" : "mm"].map((m) => (
                  <option key={m} value={String(m)}>
                    {told(m)}
                  </option>
                ))}
              </select>
            </div>
          )}
          {colour && !shown.change && (
            <div class="field">
              <label for="relief-reach">{t("relief.reach")}</label>
              <select
                id="relief-reach"
                value={String(reach)}
                onChange={(e) => set({ reach: Number(e.currentTarget.value) })}
              >
                <option value="0">{t("relief.whole")}</option>
                {REACHES_M.map((m) => (
                  <option key={m} value={String(m)}>
                    {t("relief.about", { reach: told(m) })}
                  </option>
                ))}
              </select>
            </div>
          )}
          {(colour || shown.change) && held.value && (
            <Legend
              ends={endsOf(held.value, look.value)}
              cut={reach > 0 || Boolean(shown.change)}
              change={Boolean(shown.change)}
            />
          )}
          {shown.change && <p class="aside">{t("relief.change.told")}</p>}
          {held.value?.said?.map((words) => (
            <p class="aside" key={words}>
              {words}
            </p>
          ))}
          <p class="aside">{t("relief.unknown")}</p>
          {shown.note && <p class="warn">{t("relief.note", { note: shown.note })}</p>}
        </div>
      )}
    </div>
  );
}

function beside(/** @type {boolean} */ yes) {
  const next = { at: 0.5, ...swipe.value, relief: yes };
  swipe.value = next.with || next.surveys || next.relief ? next : null;
}

/**
 * Colours between the given ones, so many to each step.
 * @param {number[][]} colours
 * @param {number} parts
 */
function finer(colours, parts) {
  return Array.from({ length: (colours.length - 1) * parts + 1 }, (_, n) => {
    const k = Math.min(colours.length - 2, Math.floor(n / parts));
    const share = n / parts - k;
    return colours[k].map((c, j) => Math.round(c + (colours[k + 1][j] - c) * share));
  });
}

const told = (/** @type {number} */ m) =>
  units.value === "in" ? `${(m / 0.0254).toFixed(2)} in` : `${Math.round(m * 1000)} mm`;

/** A disc seen from before the wall: the light stands where the sun is put, square on in the middle, raking at the rim. */
function Light() {
  const { from, height } = look.value;
  const turn = (from * Math.PI) / 180;
  const reach = (90 - height) / 90;
  const pull = (/** @type {import("preact").TargetedPointerEvent<SVGSVGElement>} */ e) => {
    if (e.type === "pointermove" && !e.buttons) return;
    const box = e.currentTarget.getBoundingClientRect();
    const x = ((e.clientX - box.left) / box.width) * 2 - 1;
    const y = 1 - ((e.clientY - box.top) / box.height) * 2;
    const away = Math.min(1, Math.hypot(x, y) / 0.88);
    set({
      from: Math.round(((Math.atan2(x, y) * 180) / Math.PI + 360) % 360),
      height: Math.round(Math.max(3, 90 - 90 * away)),
    });
  };
  return (
    <div class="light">
      <svg
        viewBox="-1 -1 2 2"
        aria-hidden="true"
        onPointerDown={(e) => {
          e.currentTarget.setPointerCapture(e.pointerId);
          pull(e);
        }}
        onPointerMove={pull}
      >
        <circle class="disc" r="0.88" />
        <circle class="disc" r="0.44" />
        <line x2={Math.sin(turn) * reach * 0.88} y2={-Math.cos(turn) * reach * 0.88} />
        <circle
          class="sun"
          cx={Math.sin(turn) * reach * 0.88}
          cy={-Math.cos(turn) * reach * 0.88}
          r="0.11"
        />
      </svg>
      <div>
        <label class="field">
          {t("relief.from", { deg: from })}
          <input
            id="relief-from"
            type="range"
            min="0"
            max="359"
            value={from}
            onInput={(e) => set({ from: Number(e.currentTarget.value) })}
          />
        </label>
        <label class="field">
          {t("relief.height", { deg: height })}
          <input
            id="relief-height"
            type="range"
            min="3"
            max="90"
            value={height}
            onInput={(e) => set({ height: Number(e.currentTarget.value) })}
          />
        </label>
      </div>
    </div>
  );
}

/** @param {{ ends: number[], cut: boolean, change: boolean }} props */
function Legend({ ends, cut, change }) {
  const [from, to] = ends.map((m) => `${m > 0 ? "+" : ""}${told(m)}`);
  return (
    <div class="legend" role="img" aria-label={t("relief.legend", { from, to })}>
      <div class="ramp">
        {(change ? CHANGE_FINE : RAMP_FINE).map((c) => (
          <i key={c} style={{ background: c }} />
        ))}
      </div>
      <span>{cut ? t("relief.deeper", { at: from }) : from}</span>
      <span>{t(change ? "relief.lost" : "relief.out")}</span>
      <span>{cut ? t("relief.higher", { at: to }) : to}</span>
    </div>
  );
}
