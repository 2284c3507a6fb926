// What this browser remembers for this person: name, theme, units, what is shown.
import { computed, effect, signal } from "@preact/signals";

/** @type {Record<string, unknown>} */
const remembered = (() => {
  try {
    return JSON.parse(localStorage.getItem("facademap desk") ?? "{}");
  } catch {
    return {};
  }
})();

/** @type {Record<string, Signal<unknown>>} */
const kept = {};
/**
 * @template T
 * @param {string} name
 * @param {T} value What stands where nothing is remembered.
 * @returns {Signal<T>}
 */
const keep = (name, value) => {
  const found = signal(/** @type {T} */ (remembered[name] ?? value));
  kept[name] = found;
  return found;
};

export const who = keep("who", "");
export const theme = keep("theme", "day");
export const language = keep("language", "en");
/** Units that this person chose; empty for those of the project. */
export const ownUnits = keep("ownUnits", remembered.units === "in" ? "in" : "");
export const unitsOfProject = signal("mm");
export const units = computed(() => ownUnits.value || unitsOfProject.value);
export const grid = keep("grid", false);
export const snapping = keep("snapping", true);
export const tracing = keep("tracing", false);
/** Whether what shares a joint moves together. */
export const togetherOn = keep("togetherOn", true);
/** How strongly areas are filled, from 0 to 1. */
export const fillStrength = keep("fillStrength", 1);
export const tourSeen = keep("tourSeen", false);
/**
 * What is drawn on the wall.
 * @type {Signal<Record<string, boolean>>}
 */
export const layers = keep("layers", {
  picture: true,
  outside: true,
  wall_stones: true,
  openings: true,
  conditions: true,
  repairs: true,
  pieces: false,
  control_points: false,
});
/** @type {Signal<string[]>} */
export const hiddenFamilies = keep("hiddenFamilies", []);
/** Width of the sheet on a wide page, in pixels. */
export const sheetWidth = keep("sheetWidth", 376);
export const survey = keep("survey", "1");
/** How long a matching may search. */
export const matchSeconds = keep("matchSeconds", 20);
/** Whether a matching may take stone that comes out of the wall with another repair. */
export const fromWall = keep("fromWall", false);
export const shownSurvey = keep("shownSurvey", "");

effect(() => {
  const values = Object.fromEntries(Object.entries(kept).map(([name, s]) => [name, s.value]));
  try {
    localStorage.setItem("facademap desk", JSON.stringify(values));
  } catch {
    // a browser without storage still works, it only forgets
  }
});
effect(() => {
  document.documentElement.dataset.theme = theme.value;
});

/**
 * A length as people read it, in both systems where `both` is set.
 * @param {number | null | undefined} metres
 * @param {{both?: boolean, digits?: number}} [options]
 */
export function length(metres, { both = false, digits } = {}) {
  if (metres === null || metres === undefined || Number.isNaN(metres)) return "–";
  const metric =
    Math.abs(metres) >= 1
      ? `${metres.toFixed(digits ?? 3)} m`
      : `${(metres * 1000).toFixed(digits ?? 0)} mm`;
  const inch = feetInches(metres);
  if (both) return `${metric} · ${inch}`;
  return units.value === "in" ? inch : metric;
}

/** Feet and inches to the nearest sixteenth. */
export function feetInches(/** @type {number} */ metres) {
  const sixteenths = Math.round((Math.abs(metres) / 0.0254) * 16);
  const feet = Math.floor(sixteenths / 192);
  const inches = Math.floor((sixteenths % 192) / 16);
  let [top, bottom] = [sixteenths % 16, 16];
  while (top && top % 2 === 0) [top, bottom] = [top / 2, bottom / 2];
  const part = top ? ` ${top}/${bottom}` : "";
  const sign = metres < 0 ? "−" : "";
  if (feet) return `${sign}${feet}′ ${inches}${part}″`;
  return `${sign}${inches || !part ? `${inches}${part}` : part.trim()}″`;
}

export function area(/** @type {number | null | undefined} */ squareMetres) {
  if (squareMetres === null || squareMetres === undefined || Number.isNaN(squareMetres)) return "–";
  if (units.value === "in") {
    const feet = squareMetres / 0.09290304;
    return feet >= 0.1 ? `${feet.toFixed(2)} ft²` : `${(feet * 144).toFixed(1)} in²`;
  }
  return squareMetres >= 0.1
    ? `${squareMetres.toFixed(3)} m²`
    : `${(squareMetres * 1e4).toFixed(1)} cm²`;
}

/**
 * Three lengths with one unit: 771 × 405 × 287 mm.
 * @param {(number | null | undefined)[]} list
 */
export function sizes(list, digits = 0) {
  if (units.value === "in") return list.map((m) => (m == null ? "–" : feetInches(m))).join(" × ");
  return `${list.map((m) => (m == null ? "–" : (m * 1000).toFixed(digits))).join(" × ")} mm`;
}

/** A size to look for: never less than what is needed. */
export const leastSizes = (/** @type {(number | null | undefined)[]} */ list) =>
  units.value === "in"
    ? sizes(list.map((m) => (m == null ? m : (Math.ceil((m / 0.0254) * 16 - 1e-4) / 16) * 0.0254)))
    : sizes(list.map((m) => (m == null ? m : Math.ceil(m * 1000 - 1e-4) / 1000)));

/** Date and time as people here write them. */
export const when = (/** @type {string | null | undefined} */ iso) =>
  iso ? new Date(iso).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" }) : "";
export const onDay = (/** @type {string | null | undefined} */ iso) =>
  iso ? new Date(iso).toLocaleDateString(undefined, { dateStyle: "medium" }) : "";
