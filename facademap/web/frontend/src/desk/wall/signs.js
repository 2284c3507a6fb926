// How things look on the wall: families by hatch and colour, classes by line weight, proposals dashed, the selection
// in one colour that no family has.
import { Circle, Fill, Icon, RegularShape, Stroke, Style, Text } from "ol/style.js";
import { confidenceIn, DOUBTFUL, SURE } from "../data/confidence.js";
import { schema } from "../data/data.js";
import { fillStrength, hiddenFamilies, shownSurvey } from "../data/settings.js";
import { isSelected } from "../data/view.js";

const SMALL_PX = 3;
/** The book of signs counts in millimetres of paper; a page has 96 pixels an inch. */
const PX_PER_MM = 96 / 25.4;
const px = (mm) => mm * PX_PER_MM;
/** The book of signs. */
const book = () => schema.value?.signs;
/** What a term is drawn with; a family's sign where the term is not in the glossary. */
export const signOf = (name, family) => {
  const signs = book();
  return signs?.terms[name] ?? signs?.families[family] ?? signs?.other ?? null;
};
/** Width of an outline by condition class. */
export const weightOf = (cc) => px(book()?.classes.cc[cc ?? "none"]?.weight_mm ?? 0.25);
const PLAIN_PX = 14;
const patterns = new Map();
const tiles = new WeakMap();
/** The pixels that a pattern repeats; nothing for a colour. */
export const tileOf = (pattern) => tiles.get(pattern);

/** How often a length is repeated until it is whole pixels, or nearly, and how many these are. */
function whole(length) {
  let times = 1;
  const off = (n) => Math.abs(Math.round(n * length) / n - length);
  for (let n = 2; n <= 6; n += 1) if (off(n) < off(times) - 0.02) times = n;
  return [times, Math.round(times * length)];
}

/** A pattern of lines or dots for a fill: the cell of the book of signs, side by side. */
export function hatchPattern(hatch, colour, strength = 1) {
  const ratio = globalThis.devicePixelRatio || 1;
  const key = JSON.stringify([hatch.angles, hatch.spacing_mm, hatch.dash_mm, colour, strength]);
  if (patterns.has(key)) return patterns.get(key);
  const { width_mm, height_mm, strokes_mm, dots_mm } = hatch.cell;
  const { line_mm, dot_radius_mm, fill } = book().hatch;
  const [across, wide] = whole(px(width_mm) * ratio);
  const [down, high] = whole(px(height_mm) * ratio);
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [wide, high];
  const pen = canvas.getContext("2d");
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
  tiles.set(pattern, pen.getImageData(0, 0, canvas.width, canvas.height));
  patterns.set(key, pattern);
  return pattern;
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
  const name = feature.get("term");
  const sign = signOf(name, letter);
  if (!sign) return null;
  const { colour } = sign;
  const weight = weightOf(feature.get("cc"));
  if (kind === "Point") return once(`point ${colour} ${weight}`, () => pointStyle(colour, weight));
  if (size < SMALL_PX) return null;
  const proposed = isProposed(feature);
  const lineDash = proposed ? proposedDash() : undefined;
  if (kind.includes("Line")) {
    const width = weight + px(book().lines.extra_mm);
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
  return once(
    `area ${name} ${letter} ${weight} ${strength} ${proposed}`,
    () =>
      new Style({
        fill: new Fill({
          color: strength > 0 ? hatchPattern(sign.hatch, colour, strength) : "rgba(0,0,0,0)",
        }),
        stroke: new Stroke({ color: colour, width: weight, lineDash }),
      }),
  );
}

/** What the machine proposed and nobody has confirmed is drawn dashed and pale. */
const proposedDash = () => (book()?.states.proposed.dash_mm ?? [1.8, 1.2]).map(px);
const PROPOSED_FILL = 0.35;
export const isProposed = (feature) =>
  feature.get("origin") === "assisted" && !feature.get("confirmed_by");

/** A triangle that stands on its middle third, as high as the book says: that of a circle of two thirds of it. */
const pointStyle = (colour, weight) =>
  new Style({
    image: new RegularShape({
      points: 3,
      radius: px(book().points.size_mm) * (2 / 3),
      fill: new Fill({ color: "#fff" }),
      stroke: new Stroke({ color: colour, width: weight }),
    }),
  });

/** A proposed stone shows how sure the machine is of it: teal, ochre, red. What says no confidence is teal. */
function proposedColour(feature) {
  const sure = confidenceIn(feature.get("note")) ?? 1;
  if (sure >= SURE) return "#0b5d66";
  return sure >= DOUBTFUL ? "#8a5200" : "#b3261e";
}

export function stoneStyle(feature, resolution) {
  const size = sizePx(feature, resolution);
  if (size < 8) return null;
  const label = size > 90 && resolution < 0.006 ? feature.getId().split("|")[1] : "";
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
