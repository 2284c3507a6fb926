// A short walk round the desk, shown once: each step points at the thing it speaks of.
import { useEffect, useState } from "preact/hooks";
import { project } from "../data/data.js";
import { isReviewer } from "../data/reviewer.js";
import { tourSeen, who } from "../data/settings.js";
import { dialog, panel, sheetOpen } from "../data/view.js";
import { enter } from "../drawing/places.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { t } from "../words/texts.js";

const STEPS = [
  { name: "desk", place: "survey", at: ".wall" },
  { name: "draw", place: "survey", at: ".tools" },
  { name: "class", place: "survey", panel: "record", at: ".sheet" },
  { name: "missing", place: "survey", panel: "missing", at: "#tab-missing" },
  { name: "saved", place: "survey", panel: "missing", at: ".state" },
  { name: "repairs", place: "repairs", at: ".places button:nth-child(2)" },
  { name: "stone", place: "stone", at: ".places button:nth-child(3)" },
  { name: "record", place: "record", at: ".places button:nth-child(4)" },
];
const READING = [
  STEPS[0],
  { name: "review", place: "survey", panel: "record", at: ".sheet" },
  ...STEPS.filter((s) => ["repairs", "stone"].includes(s.name)),
];
const ROUND_PX = 5;

/** @typedef {{ left: number, top: number, width: number, height: number }} Spot In pixels of the page. */

/**
 * Where the thing is that a step speaks of.
 * @param {string} selector
 */
function usePlace(selector) {
  const [box, setBox] = useState(/** @type {Spot | null} */ (null));
  useEffect(() => {
    const find = () => {
      const found = document.querySelector(selector)?.getBoundingClientRect();
      setBox(
        found?.width
          ? { left: found.left, top: found.top, width: found.width, height: found.height }
          : null,
      );
    };
    const frame = requestAnimationFrame(find);
    const later = setTimeout(find, 320);
    addEventListener("resize", find);
    return () => {
      cancelAnimationFrame(frame);
      clearTimeout(later);
      removeEventListener("resize", find);
    };
  }, [selector]);
  return box;
}

/**
 * The side of the page that leaves the thing in view.
 * @param {Spot | null} box
 */
function sideOf(box) {
  if (!box) return "beside-middle";
  const [w, h] = [innerWidth, innerHeight];
  if (w < 760) return box.top + box.height / 2 > h / 2 ? "beside-top" : "beside-bottom";
  if (box.width > w / 2) return "beside-middle";
  return box.left > w / 2 ? "beside-left" : "beside-right";
}

export function Tour() {
  const step = (dialog.value?.kind === "tour" && dialog.value.step) || 0;
  const steps = isReviewer() ? READING : STEPS;
  const now = steps[step];
  const box = usePlace(now.at);
  useEffect(() => {
    enter(now.place);
    if (now.panel) panel.value = now.panel;
    sheetOpen.value = true;
  }, [step]);
  const leave = () => {
    tourSeen.value = true;
    dialog.value = null;
    enter("survey");
  };
  const go = (/** @type {number} */ to) => {
    if (steps[to]) dialog.value = { kind: "tour", step: to };
    else leave();
  };
  return (
    <>
      {box && (
        <div
          class="tour-spot"
          aria-hidden="true"
          style={{
            left: `${box.left - ROUND_PX}px`,
            top: `${box.top - ROUND_PX}px`,
            width: `${box.width + 2 * ROUND_PX}px`,
            height: `${box.height + 2 * ROUND_PX}px`,
          }}
        />
      )}
      <Dialog
        title={t(`tour.title.${now.name}`)}
        onClose={leave}
        beside={`tour ${sideOf(box)}`}
        key={now.name}
      >
        <p>{t(`tour.text.${now.name}`)}</p>
        {step === 0 && !isReviewer() && (
          <label class="field">
            {t("tour.name")}{" "}
            <input
              maxLength={60}
              value={who.value}
              readOnly={Boolean(project.value?.signed_in_as)}
              onInput={(e) => {
                who.value = e.currentTarget.value;
              }}
            />
          </label>
        )}
        <footer class="actions">
          <button type="button" class="main" autofocus onClick={() => go(step + 1)}>
            {t(step + 1 < steps.length ? "tour.next" : "tour.begin")}
          </button>
          {step > 0 && (
            <button type="button" onClick={() => go(step - 1)}>
              {t("tour.back")}
            </button>
          )}
          <button type="button" class="quiet" onClick={leave}>
            {t("tour.skip")}
          </button>
          <span class="aside">{t("tour.of", { n: step + 1, all: steps.length })}</span>
        </footer>
      </Dialog>
    </>
  );
}
