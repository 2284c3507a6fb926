// How things look on the wall: families by hatch and colour, classes by line weight, proposals dashed, the selection
// in one colour that no family has.
import { Circle, Fill, Icon, RegularShape, Stroke, Style, Text } from "ol/style.js";
import { confidenceIn, DOUBTFUL, SURE } from "../data/confidence.js";
import { schema } from "../data/data.js";
import { fillStrength, hiddenFamilies, shownSurvey } from "../data/settings.js";
import { isSelected } from "../data/view.js";
import { penOf } from "./pens.js";

/** @typedef {Style | Style[]} Sign How a thing is drawn. */
/**
 * What a sign is made for: a thing of the map, or a row of a packed table in its clothes.
 * @typedef {object} Signed
 * @property {(name: string) => unknown} get
 * @property {() => string | number | undefined} getId
 * @property {() => {getType: () => string, getExtent: () => Box} | undefined} getGeometry
 * @property {number} [crowded] Below this size it is drawn plain, where outlines are crowded.
 */
/** @typedef {(feature: Signed, resolution: number) => Sign | null} SignOf */

const SMALL_PX = 3;
/** The book of signs counts in millimetres of paper; a page has 96 pixels an inch. */
const PX_PER_MM = 96 / 25.4;
const px = (/** @type {number} */ mm) => mm * PX_PER_MM;
/** The book of signs. */
const book = () => schema.value?.signs;
/**
 * What a term is drawn with; a family's sign where the term is not in the glossary.
 * @param {string} name
 * @param {string} [family]
 * @returns {{colour: string, hatch: Hatch | null, dash_mm?: number[]} | null}
 */
export const signOf = (name, family) => {
  const signs = book();
  return signs?.terms[name] ?? signs?.families[family ?? ""] ?? signs?.other ?? null;
};
/** Width of an outline by condition class. */
export const weightOf = (/** @type {unknown} */ cc) =>
  px(book()?.classes.cc[String(cc ?? "none")]?.weight_mm ?? 0.25);
const PLAIN_PX = 14;
/** @type {Map<string, CanvasPattern | null>} */
const patterns = new Map();
/** @type {WeakMap<CanvasPattern, ImageData>} */
const tiles = new WeakMap();
/** The pixels that a pattern repeats; nothing for a colour. */
export const tileOf = (/** @type {string | CanvasPattern} */ pattern) =>
  typeof pattern === "string" ? undefined : tiles.get(pattern);

/** How often a length is repeated until it is whole pixels, or nearly, and how many these are. */
function whole(/** @type {number} */ length) {
  let times = 1;
  const off = (/** @type {number} */ n) => Math.abs(Math.round(n * length) / n - length);
  for (let n = 2; n <= 6; n += 1) if (off(n) < off(times) - 0.02) times = n;
  return [times, Math.round(times * length)];
}

/**
 * A pattern of lines or dots for a fill: the cell of the book of signs, side by side.
 * @param {Hatch} hatch
 * @param {string} colour
 */
export function hatchPattern(hatch, colour, strength = 1) {
  const ratio = globalThis.devicePixelRatio || 1;
  const key = JSON.stringify([hatch.angles, hatch.spacing_mm, hatch.dash_mm, colour, strength]);
  const known = patterns.get(key);
  const how = book()?.hatch;
  if (known !== undefined || !how) return known ?? null;
  const { width_mm, height_mm, strokes_mm, dots_mm } = hatch.cell;
  const { line_mm, dot_radius_mm, fill } = how;
  const [across, wide] = whole(px(width_mm) * ratio);
  const [down, high] = whole(px(height_mm) * ratio);
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [wide, high];
  const pen = penOf(canvas);
  pen.scale(wide / across / width_mm, high / down / height_mm);
  pen.strokeStyle = pen.fillStyle = colour;
  pen.lineWidth = line_mm;
  pen.globalAlpha = fill * strength;
  pen.fillRect(0, 0, across * width_mm, down * height_mm);
  pen.globalAlpha = strength;
  for (let n = 0; n < across * down; n += 1) {
    const [x, y] = [(n % across) * width_mm, Math.floor(n / across) * height_mm];
    pen.beginPath();
    for (const [x1, y1, x2, y2] of strokes_mm) {
      pen.moveTo(x + x1, y + y1);
      pen.lineTo(x + x2, y + y2);
    }
    pen.stroke();
    for (const dot of dots_mm) {
      pen.beginPath();
      pen.arc(x + dot[0], y + dot[1], dot_radius_mm, 0, 2 * Math.PI);
      pen.fill();
    }
  }
  const pattern = pen.createPattern(canvas, "repeat");
  if (pattern) tiles.set(pattern, pen.getImageData(0, 0, canvas.width, canvas.height));
  patterns.set(key, pattern);
  return pattern;
}

/** @type {Map<string, Sign>} */
const cache = new Map();
/**
 * A sign that is made when it is first asked for.
 * @param {string} key
 * @param {() => Sign} make
 */
const once = (key, make) => {
  let sign = cache.get(key);
  if (!sign) {
    sign = make();
    cache.set(key, sign);
  }
  return sign;
};
export const forgetSigns = () => cache.clear();

/**
 * @param {Signed} feature
 * @param {number} resolution
 */
function sizePx(feature, resolution) {
  const extent = feature.getGeometry()?.getExtent();
  return extent ? Math.max(extent[2] - extent[0], extent[3] - extent[1]) / resolution : 0;
}
/** The id that a thing is labelled with, without the name of its table. */
const labelOf = (/** @type {Signed} */ feature) => String(feature.getId()).split("|")[1];

/** @type {SignOf} */
export const conditionStyle = (feature, resolution) =>
  conditionSign(feature, resolution, shownSurvey.value);
/** Below this size a sign is drawn plain; where outlines are crowded, larger ones too. */
const plainBelow = (/** @type {Signed} */ feature) => feature.crowded || PLAIN_PX;

/**
 * How a condition is drawn where one survey is shown; every survey where none is named.
 * @param {Signed} feature
 * @param {number} resolution
 * @param {string} [survey]
 * @returns {Sign | null}
 */
export function conditionSign(feature, resolution, survey) {
  const letter = String(feature.get("family") || "A");
  if (hiddenFamilies.value.includes(letter) || (survey && feature.get("survey") !== survey))
    return null;
  const size = sizePx(feature, resolution);
  const kind = feature.getGeometry()?.getType() ?? "";
  const name = String(feature.get("term"));
  const sign = signOf(name, letter);
  if (!sign) return null;
  const { colour } = sign;
  const weight = weightOf(feature.get("cc"));
  if (kind === "Point") return once(`point ${colour} ${weight}`, () => pointStyle(colour, weight));
  if (size < SMALL_PX) return null;
  const proposed = isProposed(feature);
  const lineDash = proposed ? proposedDash() : undefined;
  if (kind.includes("Line")) {
    const width = weight + px(book()?.lines.extra_mm ?? 0);
    const own = sign.dash_mm?.length ? sign.dash_mm.map(px) : undefined;
    return once(`line ${name} ${colour} ${weight} ${proposed}`, () => [
      new Style({ stroke: new Stroke({ color: "rgba(255,255,255,.75)", width: width + 2.2 }) }),
      new Style({ stroke: new Stroke({ color: colour, width, lineDash: lineDash ?? own }) }),
    ]);
  }
  const strength = fillStrength.value * (proposed ? PROPOSED_FILL : 1);
  const alpha = Math.round(0x99 * strength)
    .toString(16)
    .padStart(2, "0");
  if (size < plainBelow(feature))
    return once(
      `plain ${colour} ${alpha}`,
      () => new Style({ fill: new Fill({ color: `${colour}${alpha}` }) }),
    );
  const { hatch } = sign;
  return once(
    `area ${name} ${letter} ${weight} ${strength} ${proposed}`,
    () =>
      new Style({
        fill: new Fill({
          color: strength > 0 && hatch ? hatchPattern(hatch, colour, strength) : "rgba(0,0,0,0)",
        }),
        stroke: new Stroke({ color: colour, width: weight, lineDash }),
      }),
  );
}

/** What the machine proposed and nobody has confirmed is drawn dashed and pale. */
const proposedDash = () => (book()?.states.proposed.dash_mm ?? [1.8, 1.2]).map(px);
const PROPOSED_FILL = 0.35;
export const isProposed = (/** @type {Signed} */ feature) =>
  feature.get("origin") === "assisted" && !feature.get("confirmed_by");

/**
 * A triangle that stands on its middle third, as high as the book says: that of a circle of two thirds of it.
 * @param {string} colour
 * @param {number} weight
 */
const pointStyle = (colour, weight) =>
  new Style({
    image: new RegularShape({
      points: 3,
      radius: px(book()?.points.size_mm ?? 0) * (2 / 3),
      fill: new Fill({ color: "#fff" }),
      stroke: new Stroke({ color: colour, width: weight }),
    }),
  });

/** A proposed stone shows how sure the machine is of it: teal, ochre, red. What says no confidence is teal. */
function proposedColour(/** @type {Signed} */ feature) {
  const sure = confidenceIn(String(feature.get("note") ?? "")) ?? 1;
  if (sure >= SURE) return "#0b5d66";
  return sure >= DOUBTFUL ? "#8a5200" : "#b3261e";
}

/** @type {SignOf} */
export function stoneStyle(feature, resolution) {
  const size = sizePx(feature, resolution);
  if (size < 8) return null;
  const label = size > 90 && resolution < 0.006 ? labelOf(feature) : "";
  const proposed = isProposed(feature) ? proposedColour(feature) : "";
  // a light line under the dark one, so that it is seen in a dark joint as well as in a light one
  return once(`stone ${label} ${proposed}`, () => [
    new Style({ stroke: new Stroke({ color: "rgba(255,255,255,.62)", width: 2.6 }) }),
    new Style({
      stroke: new Stroke({
        color: proposed || "rgba(28,26,22,.78)",
        width: proposed ? 1.8 : 1,
        lineDash: proposed ? proposedDash() : undefined,
      }),
      fill: new Fill({ color: "rgba(0,0,0,0)" }),
      // in the lower left corner, out of the way of what is drawn on the stone
      text: label
        ? new Text({
            text: label,
            font: "11px Atkinson Hyperlegible",
            fill: new Fill({ color: "#1b1d1f" }),
            stroke: new Stroke({ color: "rgba(255,255,255,.8)", width: 3 }),
            textAlign: "left",
            textBaseline: "bottom",
            offsetX: 5,
            offsetY: -3,
          })
        : undefined,
    }),
  ]);
}

export const openingStyle = new Style({
  fill: new Fill({ color: "rgba(36,42,56,.30)" }),
  stroke: new Stroke({ color: "#242a38", width: 1.4 }),
});

/** @type {Record<string, string>} */
const STAGE_COLOURS = {
  proposed: "#7a1f1f",
  approved: "#5c2a8a",
  "on hold": "#5a5a5a",
  accepted: "#1c6b3c",
  redo: "#b00020",
};
export const stageColour = (/** @type {unknown} */ stage) =>
  STAGE_COLOURS[String(stage)] ?? "#0b5394";

/** @type {SignOf} */
export function repairStyle(feature, resolution) {
  if (sizePx(feature, resolution) < SMALL_PX) return null;
  const colour = stageColour(feature.get("stage"));
  const cut = feature.get("treatment") === "inset" || feature.get("treatment") === "whole stone";
  const label = resolution < 0.004 && cut ? labelOf(feature) : "";
  return once(`repair ${colour} ${cut} ${label}`, () => [
    new Style({ stroke: new Stroke({ color: "rgba(255,255,255,.8)", width: cut ? 4.4 : 2.6 }) }),
    new Style({
      stroke: new Stroke({
        color: colour,
        width: cut ? 2.4 : 1.3,
        lineDash: cut ? undefined : [5, 4],
      }),
      fill: new Fill({ color: cut ? `${colour}1f` : "rgba(0,0,0,0)" }),
      text: label
        ? new Text({
            text: label,
            font: "bold 12px Atkinson Hyperlegible",
            fill: new Fill({ color: colour }),
            stroke: new Stroke({ color: "#fff", width: 3 }),
            offsetY: -11,
          })
        : undefined,
    }),
  ]);
}

export const pieceStyle = new Style({
  stroke: new Stroke({ color: "#7a1f1f", width: 1, lineDash: [2, 3] }),
});

/** @type {SignOf} */
export function controlStyle(feature) {
  const check = feature.get("role") === "check";
  return once(
    `control ${check} ${feature.get("name")}`,
    () =>
      new Style({
        image: new RegularShape({
          points: check ? 3 : 4,
          radius: 8,
          angle: 0,
          fill: new Fill({ color: "rgba(255,255,255,.85)" }),
          stroke: new Stroke({ color: "#111", width: 1.8 }),
        }),
        text: new Text({
          text: String(feature.get("name") ?? ""),
          font: "11px Atkinson Hyperlegible",
          offsetX: 12,
          textAlign: "left",
          fill: new Fill({ color: "#111" }),
          stroke: new Stroke({ color: "#fff", width: 3 }),
        }),
      }),
  );
}

/** Selection and sketch: a teal that no family of the glossary has, on a light rim. */
export const HAND = "#0b7a83";
const RIM = "#ffffff";
const chosen = [
  new Style({
    stroke: new Stroke({ color: RIM, width: 6.5 }),
    image: new Circle({ radius: 12, stroke: new Stroke({ color: RIM, width: 6 }) }),
  }),
  new Style({
    stroke: new Stroke({ color: HAND, width: 3.2 }),
    image: new Circle({ radius: 12, stroke: new Stroke({ color: HAND, width: 3 }) }),
    fill: new Fill({ color: "rgba(11,122,131,.16)" }),
  }),
];
export const chosenStyle = () => chosen;

export const sketchStyle = [
  new Style({ stroke: new Stroke({ color: RIM, width: 5 }) }),
  new Style({
    stroke: new Stroke({ color: HAND, width: 2.4 }),
    fill: new Fill({ color: "rgba(11,122,131,.16)" }),
    image: new Circle({
      radius: 5.5,
      fill: new Fill({ color: RIM }),
      stroke: new Stroke({ color: HAND, width: 2.4 }),
    }),
  }),
];

/** Where an outline crosses itself. */
export const crossingStyle = new Style({
  image: new Circle({
    radius: 11,
    stroke: new Stroke({ color: "#b3261e", width: 3 }),
    fill: new Fill({ color: "rgba(255,255,255,.55)" }),
  }),
});

export { Icon, isSelected };
