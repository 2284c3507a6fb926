// The relief of the wall in view, lit here from any side: heights come once, every move of the light is worked out on the page.
import { computed, effect, signal, untracked } from "@preact/signals";
import ImageLayer from "ol/layer/Image.js";
import ImageCanvas from "ol/source/ImageCanvas.js";
import { ask, q, refusalIn } from "../data/api.js";
import { surface } from "../data/data.js";
import { notice } from "../data/edits.js";
import { swipe } from "../data/view.js";
import { t } from "../words/texts.js";
import { penOf } from "./pens.js";
import { clip, map } from "./wall.js";

/** @typedef {{survey: string, taken_on: string | null, note: string | null, version: string, change?: string[]}} Kept A relief that a surface keeps; `change` names the two of which it is the change. */
/**
 * A relief that is held: its place on the wall, heights in metres, which cells are known, the heights calmed little and much.
 * @typedef {object} Held
 * @property {string} key
 * @property {number} width
 * @property {number} height
 * @property {number} left_m
 * @property {number} top_m
 * @property {number} cell_m
 * @property {number} low_m
 * @property {number} high_m
 * @property {number} middle_m
 * @property {number} from_m
 * @property {number} to_m
 * @property {number} sigma_m
 * @property {Float32Array} out
 * @property {Uint8Array} known
 * @property {Float32Array} soft
 * @property {Float32Array} calm
 * @property {string[]} [change]
 * @property {string[]} [said] What is told of a change, in sentences.
 */
/** @typedef {typeof look.value} Looked How it is looked at. */

// the same colours as the printed relief: from deep to standing out, lightness rises
export const RAMP = [
  [18, 32, 77],
  [39, 78, 137],
  [92, 134, 170],
  [166, 186, 189],
  [222, 214, 190],
  [247, 238, 214],
];
// stone lost, nothing told, stone gained: as on the pages and drawings of change
export const CHANGE_RAMP = [
  [33, 78, 140],
  [246, 244, 238],
  [201, 122, 32],
];
const CHANGE_M = 0.01;
const STONE = 205;
const UNKNOWN = [196, 170, 190];
const PAPER = [255, 255, 255];
const INK = [30, 30, 30];
/** How much steeper the relief is lit than it is. */
const OVERDRAWN = 3;
const LOW_DEG = 30;
/** Cells to each side over which a contour must rise, and by what share of the noise of one cell. */
const NEAR = 4;
const SURE_OF_NOISE = 0.5;

/** What each surface keeps: survey, day and version of every relief. */
export const kept = signal(/** @type {Record<string, Kept[]>} */ ({}));
/** How it is looked at; `from` in degrees clockwise from the top of the wall, `height` above its face. */
export const look = signal({
  on: false,
  survey: "",
  colour: true,
  from: 315,
  height: 45,
  contours: 0,
  // half the range of the colours about the middle of the wall, metres; 0 is the whole relief
  reach: 0.02,
});
/**
 * Ends of the colours, metres.
 * @param {Pick<Held, "change" | "middle_m" | "from_m" | "to_m">} now
 * @param {Pick<Looked, "reach">} how
 */
export const endsOf = (now, { reach }) =>
  now.change
    ? [-CHANGE_M, CHANGE_M]
    : reach
      ? [now.middle_m - reach, now.middle_m + reach]
      : [now.from_m, now.to_m];
/** The heights that are held: place on the wall and values, or null. */
export const held = signal(/** @type {Held | null} */ (null));

export const ofSurface = computed(() => kept.value[surface.value] ?? []);

export async function askForReliefs() {
  kept.value = (await ask("/api/reliefs")).surfaces;
}

const canvas = document.createElement("canvas");
const source = new ImageCanvas({ canvasFunction: laid, ratio: 1 });
const layer = new ImageLayer({ source, zIndex: 2, visible: false });
map.addLayer(layer);
clip(layer, "right", () => Boolean(swipe.value?.relief));

/**
 * The lit picture laid on the part of the wall that is asked for.
 * @param {Box} extent
 * @param {number} resolution
 * @param {number} pixelRatio
 * @param {number[]} size
 */
function laid(extent, resolution, pixelRatio, size) {
  const out = document.createElement("canvas");
  [out.width, out.height] = size;
  const now = held.peek();
  if (!now) return out;
  const scale = pixelRatio / resolution;
  const pen = penOf(out);
  pen.imageSmoothingEnabled = now.cell_m * scale < 1;
  pen.drawImage(
    canvas,
    (now.left_m - extent[0]) * scale,
    (extent[3] - now.top_m) * scale,
    now.width * now.cell_m * scale,
    now.height * now.cell_m * scale,
  );
  return out;
}

export const chosen = computed(() => {
  if (!look.value.on) return null;
  const all = ofSurface.value;
  const newest = all.filter((r) => !r.change).at(-1);
  return all.find((r) => r.survey === look.value.survey) ?? newest ?? null;
});

// heights are asked for when another relief is looked at
effect(() => {
  const one = chosen.value;
  const wall = surface.value;
  layer.setVisible(Boolean(one));
  if (!one) return;
  const key = `${wall}|${one.survey}|${one.version}`;
  if (held.peek()?.key === key) return;
  held.value = null;
  untracked(() => load(wall, one, key));
});

/**
 * @param {string} wall
 * @param {Kept} one
 * @param {string} key
 */
async function load(wall, one, key) {
  const address = `id=${q(wall)}&survey=${q(one.survey)}&v=${q(one.version)}`;
  /** @type {Omit<Held, "key" | "out" | "known" | "soft" | "calm" | "change">} */
  let place;
  try {
    place = await ask(`/api/relief?${address}`);
  } catch (error) {
    notice.value = { text: refusalIn(error) || t("needs.server"), bad: true };
    return;
  }
  const picture = new Image();
  picture.src = `/pictures/relief?${address}`;
  await picture.decode();
  if (surface.peek() !== wall || chosen.peek() !== one) return;
  const { width, height } = place;
  const sheet = new OffscreenCanvas(width, height);
  const pen = penOf(sheet, { willReadFrequently: true });
  pen.drawImage(picture, 0, 0);
  const { data } = pen.getImageData(0, 0, width, height);
  const out = new Float32Array(width * height);
  const known = new Uint8Array(width * height);
  const unit = (place.high_m - place.low_m) / 65535;
  for (let i = 0; i < out.length; i += 1) {
    known[i] = data[4 * i + 2] > 127 ? 1 : 0;
    out[i] = known[i] ? place.low_m + unit * (data[4 * i] * 256 + data[4 * i + 1]) : place.middle_m;
  }
  const soft = calmed(out, width, height, 1);
  const calm = calmed(calmed(out, width, height, 2), width, height, 2);
  held.value = { ...place, key, out, known, soft, calm, change: one.change };
}

/**
 * Means over squares, along rows and then along columns.
 * @param {Float32Array} values
 * @param {number} width
 * @param {number} height
 * @param {number} reach
 */
function calmed(values, width, height, reach) {
  const along = new Float32Array(values.length);
  const done = new Float32Array(values.length);
  /**
   * @param {Float32Array} from
   * @param {Float32Array} to
   * @param {number} count
   * @param {number} length
   * @param {number} step
   * @param {number} next
   */
  const pass = (from, to, count, length, step, next) => {
    for (let line = 0; line < count; line += 1) {
      const start = line * next;
      let sum = 0;
      for (let k = -reach; k <= reach; k += 1)
        sum += from[start + Math.min(Math.max(k, 0), length - 1) * step];
      for (let k = 0; k < length; k += 1) {
        to[start + k * step] = sum / (2 * reach + 1);
        sum += from[start + Math.min(k + reach + 1, length - 1) * step];
        sum -= from[start + Math.max(k - reach, 0) * step];
      }
    }
  };
  pass(values, along, height, width, 1, width);
  pass(along, done, width, height, width, 1);
  return done;
}

effect(() => {
  const now = held.value;
  const how = look.value;
  if (!now || !how.on) return;
  shade(now, how);
  source.changed();
});

effect(() => {
  void swipe.value;
  if (look.peek().on) map.render();
});

/**
 * Colour or grey stone under a light, unknown cells striped, contours where a step is asked for.
 * @param {Held} now
 * @param {Looked} how
 */
function shade(now, how) {
  const { width, height, known } = now;
  canvas.width = width;
  canvas.height = height;
  const pen = penOf(canvas);
  const picture = pen.createImageData(width, height);
  const pixels = picture.data;
  const paint = painter(now, how, pixels);
  for (let y = 0, i = 0; y < height; y += 1)
    for (let x = 0; x < width; x += 1, i += 1) {
      pixels[4 * i + 3] = 255;
      if (known[i]) paint(i, x, y);
      else put(pixels, 4 * i, ((x + y) / 3) & 1 ? UNKNOWN : PAPER);
    }
  pen.putImageData(picture, 0, 0);
}

/**
 * What paints one known cell.
 * @param {Held} now
 * @param {Looked} how
 * @param {Uint8ClampedArray} pixels
 */
function painter(now, how, pixels) {
  const { from, height: above } = how;
  const colour = how.colour || now.change;
  const contours = now.change ? 0 : how.contours;
  const { width, height, out, calm, cell_m: cell } = now;
  const turn = (from * Math.PI) / 180;
  const up = (above * Math.PI) / 180;
  const light = [Math.sin(turn) * Math.cos(up), Math.cos(turn) * Math.cos(up), Math.sin(up)];
  const slope = (OVERDRAWN * Math.min(1, light[2] / Math.SQRT1_2)) / (2 * cell);
  const [first, last] = endsOf(now, how);
  const span = 1 / Math.max(last - first, 1e-9);
  const colours = now.change ? CHANGE_RAMP : RAMP;
  // a raking light shows the noise of the cells as well
  const lit = above < LOW_DEG ? calm : now.soft;
  // on a face without slope noise alone would draw contours: only where the wall surely rises or falls
  const least = SURE_OF_NOISE * now.sigma_m;
  const apart = (/** @type {number} */ a, /** @type {number} */ b) =>
    Math.abs(calm[a] - calm[b]) > least;
  const slopes = (/** @type {number} */ i, /** @type {number} */ x, /** @type {number} */ y) =>
    apart(i - Math.min(x, NEAR), i + Math.min(width - 1 - x, NEAR)) ||
    apart(i - Math.min(y, NEAR) * width, i + Math.min(height - 1 - y, NEAR) * width);
  return (/** @type {number} */ i, /** @type {number} */ x, /** @type {number} */ y) => {
    const right = i + (x < width - 1 ? 1 : 0);
    const under = i + (y < height - 1 ? width : 0);
    if (contours && crosses(calm, i, right, under, contours) && slopes(i, x, y)) {
      put(pixels, 4 * i, INK);
      return;
    }
    const du = (lit[x > 0 ? i - 1 : i] - lit[right]) * slope;
    const dv = (lit[under] - lit[y > 0 ? i - width : i]) * slope;
    const strength = now.change ? 1 : brightness(du, dv, light);
    if (colour) ramp(pixels, 4 * i, (out[i] - first) * span, strength, colours);
    else put(pixels, 4 * i, [STONE * strength, STONE * strength, STONE * strength]);
  };
}

/**
 * How bright a place is that slopes by du and dv; a place square to the wall keeps its colour in any light.
 * @param {number} du @param {number} dv @param {number[]} light
 */
function brightness(du, dv, [u, v, w]) {
  const lit = Math.max(0, (du * u + dv * v + w) / Math.sqrt(du * du + dv * dv + 1));
  return Math.min(1.25, Math.max(0.3, 0.45 + (0.55 * lit) / Math.max(w, 0.1)));
}

/**
 * Whether a contour runs between a cell and those beside and under it.
 * @param {Float32Array} calm
 * @param {number} i
 * @param {number} right
 * @param {number} under
 * @param {number} step
 */
const crosses = (calm, i, right, under, step) => {
  const here = Math.floor(calm[i] / step);
  return here !== Math.floor(calm[right] / step) || here !== Math.floor(calm[under] / step);
};

/** @param {Uint8ClampedArray} pixels @param {number} at @param {number[]} colour */
function put(pixels, at, [r, g, b]) {
  pixels[at] = r;
  pixels[at + 1] = g;
  pixels[at + 2] = b;
}

/**
 * @param {Uint8ClampedArray} pixels
 * @param {number} at
 * @param {number} share
 * @param {number} strength
 * @param {number[][]} colours
 */
function ramp(pixels, at, share, strength, colours) {
  const place = Math.min(1, Math.max(0, share)) * (colours.length - 1);
  const k = Math.min(colours.length - 2, Math.floor(place));
  const rest = place - k;
  for (let c = 0; c < 3; c += 1)
    pixels[at + c] = (colours[k][c] + (colours[k + 1][c] - colours[k][c]) * rest) * strength;
}
