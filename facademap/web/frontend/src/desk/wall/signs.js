// How things look on the wall: families by hatch and colour, classes by line weight, proposals dashed, the selection
// in one colour that no family has.
import { Circle, Fill, Icon, RegularShape, Stroke, Style, Text } from "ol/style.js";
import { family, schema, term } from "../data/data.js";
import { fillStrength, hiddenFamilies, shownSurvey } from "../data/settings.js";
import { isSelected } from "../data/view.js";

const PX_PER_MM = 4.2;
const SMALL_PX = 3;
/** Widths of the book of signs are millimetres of paper; a page has 96 pixels an inch. */
const PAPER_PX_PER_MM = 96 / 25.4;
/** Width of an outline by condition class, from the book of signs. */
export const weightOf = (cc) =>
  (schema.value?.signs?.classes.cc[cc ?? "none"]?.weight_mm ?? 0.25) * PAPER_PX_PER_MM;
const PLAIN_PX = 14;
const patterns = new Map();
const tiles = new WeakMap();
/** The pixels that a pattern repeats; nothing for a colour. */
export const tileOf = (pattern) => tiles.get(pattern);

/** A pattern of lines or dots for the fill of a term. */
export function hatchPattern(hatch, colour, strength = 1) {
  const key = JSON.stringify([hatch, colour, strength]);
  if (patterns.has(key)) return patterns.get(key);
  const ratio = globalThis.devicePixelRatio || 1;
  const gap = Math.max(4, hatch.spacing * PX_PER_MM);
  const side = Math.round(
    Math.round(gap * (hatch.angles.some((a) => a % 90) ? Math.SQRT2 : 1) * 2) * ratio,
  );
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = side;
  const pen = canvas.getContext("2d");
  pen.globalAlpha = 0.14 * strength;
  pen.fillStyle = colour;
  pen.fillRect(0, 0, side, side);
  pen.globalAlpha = 0.95 * strength;
  pen.strokeStyle = colour;
  pen.lineWidth = 1.3 * ratio;
  if (!hatch.angles.length) {
    for (const [x, y] of [
      [0.25, 0.25],
      [0.75, 0.75],
    ]) {
      pen.beginPath();
      pen.arc(x * side, y * side, 1.7 * ratio, 0, 2 * Math.PI);
      pen.fill();
    }
  }
  if (hatch.dash.length) pen.setLineDash(hatch.dash.map((d) => d * 2.6 * ratio));
  for (const angle of hatch.angles) {
    for (const line of linesOf(angle, side)) {
      pen.beginPath();
      pen.moveTo(line[0], line[1]);
      pen.lineTo(line[2], line[3]);
      pen.stroke();
    }
  }
  const pattern = pen.createPattern(canvas, "repeat");
  tiles.set(pattern, pen.getImageData(0, 0, canvas.width, canvas.height));
  patterns.set(key, pattern);
  return pattern;
}

function linesOf(angle, side) {
  const half = side / 2;
  if (angle === 0)
    return [
      [0, half / 2, side, half / 2],
      [0, half * 1.5, side, half * 1.5],
    ];
  if (angle === 90)
    return [
      [half / 2, 0, half / 2, side],
      [half * 1.5, 0, half * 1.5, side],
    ];
  const lines = [];
  for (let k = -1; k <= 2; k += 1) {
    const shift = k * half;
    lines.push(
      angle === 45
        ? [shift - side, side, shift + side, -side]
        : [shift - side, -side, shift + side, side],
    );
  }
  return lines;
}

const cache = new Map();
const once = (key, make) => {
  if (!cache.has(key)) cache.set(key, make());
  return cache.get(key);
};
export const forgetSigns = () => cache.clear();

function sizePx(feature, resolution) {
  const extent = feature.getGeometry().getExtent();
  return Math.max(extent[2] - extent[0], extent[3] - extent[1]) / resolution;
}

export const conditionStyle = (feature, resolution) =>
  conditionSign(feature, resolution, shownSurvey.value);
/** Below this size a sign is drawn plain; where outlines are crowded, larger ones too. */
const plainBelow = (feature) => feature.crowded || PLAIN_PX;

/** How a condition is drawn where one survey is shown; every survey where none is named. */
export function conditionSign(feature, resolution, survey) {
  const letter = feature.get("family") || "A";
  if (hiddenFamilies.value.includes(letter) || (survey && feature.get("survey") !== survey))
    return null;
  const size = sizePx(feature, resolution);
  const kind = feature.getGeometry().getType();
  const colour = family(letter)?.colour ?? "#555";
  const weight = weightOf(feature.get("cc"));
  if (kind === "Point") return once(`point ${colour}`, () => pointStyle(colour));
  if (size < SMALL_PX) return null;
  const proposed = isProposed(feature);
  const lineDash = proposed ? PROPOSED_DASH : undefined;
  if (kind.includes("Line")) {
    return once(`line ${colour} ${weight} ${proposed}`, () => [
      new Style({ stroke: new Stroke({ color: "rgba(255,255,255,.75)", width: weight + 2.6 }) }),
      new Style({ stroke: new Stroke({ color: colour, width: weight + 0.4, lineDash }) }),
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
  const name = feature.get("term");
  return once(`area ${name} ${letter} ${weight} ${strength} ${proposed}`, () => {
    const hatch = term(name)?.hatch ??
      family(letter)?.hatch ?? { angles: [], spacing: 2, dash: [] };
    return new Style({
      fill: new Fill({
        color: strength > 0 ? hatchPattern(hatch, colour, strength) : "rgba(0,0,0,0)",
      }),
      stroke: new Stroke({ color: colour, width: weight, lineDash }),
    });
  });
}

/** What the machine proposed and nobody has confirmed is drawn dashed and pale. */
const PROPOSED_DASH = [7, 5];
const PROPOSED_FILL = 0.35;
export const isProposed = (feature) =>
  feature.get("origin") === "assisted" && !feature.get("confirmed_by");

const pointStyle = (colour) =>
  new Style({
    image: new RegularShape({
      points: 4,
      radius: 8,
      angle: Math.PI / 4,
      fill: new Fill({ color: `${colour}cc` }),
      stroke: new Stroke({ color: "#fff", width: 1.6 }),
    }),
  });

export function stoneStyle(feature, resolution) {
  const size = sizePx(feature, resolution);
  if (size < 8) return null;
  const label = size > 90 && resolution < 0.006 ? feature.getId().split("|")[1] : "";
  const proposed = isProposed(feature);
  // a light line under the dark one, so that it is seen in a dark joint as well as in a light one
  return once(`stone ${label} ${proposed}`, () => [
    new Style({ stroke: new Stroke({ color: "rgba(255,255,255,.62)", width: 2.6 }) }),
    new Style({
      stroke: new Stroke({
        color: proposed ? "#0b5d66" : "rgba(28,26,22,.78)",
        width: proposed ? 1.8 : 1,
        lineDash: proposed ? PROPOSED_DASH : undefined,
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

const STAGE_COLOURS = {
  proposed: "#7a1f1f",
  approved: "#5c2a8a",
  "on hold": "#5a5a5a",
  accepted: "#1c6b3c",
  redo: "#b00020",
};
export const stageColour = (stage) => STAGE_COLOURS[stage] ?? "#0b5394";

export function repairStyle(feature, resolution) {
  if (sizePx(feature, resolution) < SMALL_PX) return null;
  const colour = stageColour(feature.get("stage"));
  const cut = feature.get("treatment") === "inset" || feature.get("treatment") === "whole stone";
  const label = resolution < 0.004 && cut ? feature.getId().split("|")[1] : "";
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
          text: feature.get("name") ?? "",
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
