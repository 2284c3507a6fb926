// Draws outlines from the packed tables into one picture that moves with the wall. Painting is cut into short turns, so
// that a hundred thousand outlines never hold up the hand; until a new picture is ready the old one is shown in its place.
// Where only a few rows were changed, only that part of the picture is painted again.
import Layer from "ol/layer/Layer.js";
import { drawShape, layShape, signOf } from "./draw.js";
import { penOf } from "./pens.js";
import { Raster } from "./raster.js";

/** @typedef {import("../data/packed.js").Drawn} Drawn */
/** @typedef {import("./draw.js").Pen} Pen */
/**
 * A picture of the wall on a canvas: where it lies in metres, its size in pixels of the page.
 * @typedef {object} Picture
 * @property {HTMLCanvasElement} canvas
 * @property {number} resolution
 * @property {number} ratio
 * @property {number} left
 * @property {number} top
 * @property {number} wide
 * @property {number} high
 * @property {Record<string, number>} crowds How crowded each table is in it.
 */
/** @typedef {{center: Point, resolution: number, size: number[]}} Seen What the map shows. */
/** @typedef {{x: number, y: number, wide: number, high: number}} Part Part of a picture, in pixels. */
/** @typedef {[name: string, table: import("./near.js").Shapes, style: import("./signs.js").SignOf | import("./signs.js").Sign]} Painted A table with how it is drawn. */
/** @typedef {Layer & {repaint: (box?: Box) => void, isStale: () => boolean, wipe: () => void}} PaintedLayer */

const PER_M = 1e6;
/** Longest turn of painting. */
const TURN_MS = 10;
/** A canvas that is drawn at once by the processor. */
const ON_PAPER = { willReadFrequently: true };
const BETWEEN_LOOKS = 24;
/** The picture reaches this much beyond the view, so that a pan finds its edge later. */
const RATIO = 1.4;
/** From here on outlines are crowded and small ones are drawn plain. */
const CROWD = 3000;
const HATCHED_PX = 14;
const BAND_PX = 64;
/** No sign reaches further than this beyond its outline. */
const SIGN_PX = 64;
/** Where more than this share of a picture is out of date, all of it is painted again. */
const MOST_PATCHED = 0.3;

const turn = () =>
  new Promise((/** @type {(value?: unknown) => void} */ resolve) => {
    const { port1, port2 } = new MessageChannel();
    port1.onmessage = () => {
      port1.close();
      resolve();
    };
    port2.postMessage(0);
  });

let painting = 0;
/** @type {Set<() => void>} */
const idle = new Set();
/** Whether a picture is being painted; told when the last of them is ready. */
export const isPainting = () => painting > 0;
export const onPainted = (/** @type {() => void} */ listener) => idle.add(listener);

const EVERYTHING = [-Infinity, -Infinity, Infinity, Infinity];
/**
 * The box round two, of which the first may be missing.
 * @param {Box | null} a
 * @param {Box} b
 */
const joined = (a, b) =>
  a ? [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[2], b[2]), Math.max(a[3], b[3])] : b;

/**
 * The pixels of a picture in which a change in a box may be seen; nothing where all of it is better painted again.
 * @param {Picture} picture
 * @param {Box} box
 * @returns {Part | null}
 */
function partOf({ canvas, left, top, resolution, ratio }, box) {
  const perPixel = (resolution / ratio) * PER_M;
  const within = (/** @type {number} */ v, /** @type {number} */ most) =>
    Math.max(0, Math.min(most, v));
  const more = SIGN_PX * ratio;
  const x = within(Math.floor((box[0] - left * PER_M) / perPixel - more), canvas.width);
  const y = within(Math.floor((top * PER_M - box[3]) / perPixel - more), canvas.height);
  const wide = within(Math.ceil((box[2] - left * PER_M) / perPixel + more), canvas.width) - x;
  const high = within(Math.ceil((top * PER_M - box[1]) / perPixel + more), canvas.height) - y;
  return wide * high > MOST_PATCHED * canvas.width * canvas.height
    ? null
    : { x, y, wide: Math.max(1, wide), high: Math.max(1, high) };
}

/**
 * Work in the pixels of a canvas, whatever its unit.
 * @param {Pen} pen
 * @param {() => void} act
 */
function onPixels(pen, act) {
  pen.save();
  pen.setTransform(1, 0, 0, 1, 0, 0);
  act();
  pen.restore();
}

/**
 * A layer of the map.
 * @param {object} how
 * @param {() => Painted[]} how.tables Names, tables and signs in the order they are drawn.
 * @param {import("./near.js").Wanted} how.wanted Whether a row lies on the surface in view.
 * @param {number} how.zIndex
 * @param {boolean} [how.visible]
 * @param {string | null} [how.side] Side of an edge on which it is seen.
 * @param {(() => number) | null} [how.edgeAt]
 * @returns {PaintedLayer}
 */
export function paintedLayer({
  tables,
  wanted,
  zIndex,
  visible = true,
  side = null,
  edgeAt = null,
}) {
  const frame = document.createElement("div");
  frame.className = "painted";
  Object.assign(frame.style, {
    position: "absolute",
    inset: "0",
    overflow: "hidden",
    pointerEvents: "none",
  });
  /** @type {Picture | null} */
  let front = null;
  /** @type {{number: number, view: Seen | null} | null} */
  let job = null;
  let version = 0;

  /**
   * Draw what lies in a box into a canvas, which is the part of a picture that begins at a pixel of it; false where another picture is wanted by now.
   * @param {HTMLCanvasElement | OffscreenCanvas} canvas
   * @param {Box} box
   * @param {Picture} picture
   * @param {{x: number, y: number}} from
   * @param {number} number
   */
  async function draw(canvas, box, picture, { x, y }, number) {
    const { resolution, ratio, crowds } = picture;
    const pen = penOf(canvas, ON_PAPER);
    pen.setTransform(ratio, 0, 0, ratio, -x, -y);
    const place = {
      left: picture.left * PER_M,
      top: picture.top * PER_M,
      scale: 1 / (resolution * PER_M),
      ratio,
    };
    const inPixels = {
      left: place.left + (x / ratio) * resolution * PER_M,
      top: place.top - (y / ratio) * resolution * PER_M,
      scale: place.scale * ratio,
      ratio,
      x,
      y,
    };
    let begun = performance.now();
    /** Go on, after a pause where this turn has lasted long enough. */
    const goOn = async () => {
      if (performance.now() - begun <= TURN_MS) return true;
      await turn();
      begun = performance.now();
      return job?.number === number;
    };
    for (const [name, table, style] of tables()) {
      /** @type {Drawn[]} */
      const packs = [];
      /** @type {number[]} */
      const numbers = [];
      table.shapesIn(box, (pack, i) => {
        if (!pack.kind[i] || !wanted(pack, i)) return;
        packs.push(pack);
        numbers.push(i);
      });
      // a part is painted as the whole was
      crowds[name] ??= packs.length / CROWD;
      const crowded = HATCHED_PX * Math.min(4, Math.max(1, crowds[name]));
      // where many lie over each other they are drawn from the uppermost down, each under what is there, until nothing more is seen
      const under = crowds[name] > 1 ? new Raster(canvas.width, canvas.height) : null;
      for (let k = 0; k < packs.length; k += 1) {
        if (k % BETWEEN_LOOKS === 0) {
          // reading a point has everything drawn now, within this turn, and not all of it together at the end
          if (!under) pen.getImageData(0, 0, 1, 1);
          if (!(await goOn())) return false;
        }
        const at = under ? packs.length - 1 - k : k;
        const [pack, i] = [packs[at], numbers[at]];
        const sign = signOf(style, name, pack, i, resolution, crowded);
        if (!sign) continue;
        // of a sign in several parts only the uppermost is drawn in a crowd, without the light rim under it
        const uppermost = Array.isArray(sign) ? sign[sign.length - 1] : sign;
        if (under) layShape(under, pack, i, uppermost, inPixels);
        else drawShape(pen, pack, i, sign, place);
      }
      for (let from = 0; under && from < canvas.height; from += BAND_PX) {
        if (!(await goOn())) return false;
        const to = Math.min(canvas.height, from + BAND_PX);
        const band = new OffscreenCanvas(canvas.width, to - from);
        penOf(band, ON_PAPER).putImageData(under.image(from, to), 0, 0);
        onPixels(pen, () => pen.drawImage(band, 0, from));
      }
    }
    return true;
  }

  /**
   * @param {Seen} view
   * @param {number} number
   * @param {number} ratio
   */
  async function paintWhole(view, number, ratio) {
    const { center, resolution, size } = view;
    const [wide, high] = [Math.ceil(size[0] * RATIO), Math.ceil(size[1] * RATIO)];
    const canvas = document.createElement("canvas");
    Object.assign(canvas.style, {
      position: "absolute",
      left: "0",
      top: "0",
      transformOrigin: "0 0",
      width: `${wide}px`,
      height: `${high}px`,
    });
    [canvas.width, canvas.height] = [Math.round(wide * ratio), Math.round(high * ratio)];
    const picture = {
      canvas,
      resolution,
      ratio,
      left: center[0] - (wide / 2) * resolution,
      top: center[1] + (high / 2) * resolution,
      wide,
      high,
      crowds: {},
    };
    // while nothing is shown yet the picture is seen as it grows
    if (!front) show(picture);
    const box = [
      picture.left,
      picture.top - high * resolution,
      picture.left + wide * resolution,
      picture.top,
    ].map((v) => v * PER_M);
    if (await draw(canvas, box, picture, { x: 0, y: 0 }, number)) show(picture);
  }

  /**
   * Paint again the part of the picture in which rows were changed.
   * @param {Picture} picture
   * @param {Part} part
   * @param {number} number
   */
  async function paintPart(picture, { x, y, wide, high }, number) {
    const canvas = new OffscreenCanvas(wide, high);
    const perPixel = (picture.resolution / picture.ratio) * PER_M;
    const [left, top, more] = [
      picture.left * PER_M + x * perPixel,
      picture.top * PER_M - y * perPixel,
      SIGN_PX * picture.resolution * PER_M,
    ];
    const box = [
      left - more,
      top - high * perPixel - more,
      left + wide * perPixel + more,
      top + more,
    ];
    if (!(await draw(canvas, box, picture, { x, y }, number))) return;
    const pen = penOf(picture.canvas, ON_PAPER);
    onPixels(pen, () => {
      pen.clearRect(x, y, wide, high);
      pen.drawImage(canvas, x, y);
    });
    layer.changed();
  }

  function show(/** @type {Picture} */ picture) {
    front = picture;
    frame.replaceChildren(picture.canvas);
    layer.changed();
  }

  /**
   * @param {Seen | null} view
   * @param {(number: number) => Promise<void>} work
   */
  function begin(view, work) {
    version += 1;
    const number = version;
    if (!job) painting += 1;
    job = { number, view };
    dirty = null;
    void work(number).finally(() => {
      if (job?.number !== number) return;
      job = null;
      painting -= 1;
      if (!painting) for (const listener of idle) listener();
    });
  }

  /** @type {Box | null} */
  let dirty = EVERYTHING;
  let behind = true;
  /**
   * Whether a picture has all that the map shows.
   * @param {Pick<Picture, "resolution" | "left" | "top" | "wide" | "high">} p
   * @param {Seen} view
   */
  const covers = (p, { center: [x, y], resolution, size: [w, h] }) =>
    Math.abs(p.resolution / resolution - 1) < 1e-6 &&
    p.left <= x - (w / 2) * resolution &&
    p.left + p.wide * resolution >= x + (w / 2) * resolution &&
    p.top >= y + (h / 2) * resolution &&
    p.top - p.high * resolution <= y - (h / 2) * resolution;
  const planned = (/** @type {Seen} */ view) => {
    if (!job?.view) return false;
    const { center, resolution, size } = job.view;
    const [wide, high] = [size[0] * RATIO, size[1] * RATIO];
    const left = center[0] - (wide * resolution) / 2;
    const top = center[1] + (high * resolution) / 2;
    return covers({ resolution, left, top, wide, high }, view);
  };

  const plain = new Layer({
    zIndex,
    visible,
    render: ({
      viewState: { center, resolution },
      size,
      viewHints: [animating, interacting],
      pixelRatio,
    }) => {
      const view = { center, resolution, size };
      const seen = front !== null && covers(front, view);
      behind = !seen;
      const still = !animating && (!interacting || (front?.resolution === resolution && !seen));
      // a picture that is being painted for this view is finished first, whatever changed meanwhile
      if (still && (dirty || !seen) && !planned(view)) {
        const whole = seen ? front : null;
        const part = whole && dirty && partOf(whole, dirty);
        if (!part) begin(view, (number) => paintWhole(view, number, pixelRatio));
        // one part after the other
        else if (!job) begin(null, (number) => paintPart(whole, part, number));
      }
      if (front) {
        const zoom = front.resolution / resolution;
        const x = (front.left - center[0]) / resolution + size[0] / 2;
        const y = (center[1] - front.top) / resolution + size[1] / 2;
        front.canvas.style.transform = `translate(${x}px, ${y}px) scale(${zoom})`;
      }
      if (side && edgeAt) {
        const share = 100 * edgeAt();
        frame.style.clipPath =
          side === "left" ? `inset(0 ${100 - share}% 0 0)` : `inset(0 0 0 ${share}%)`;
      }
      return frame;
    },
  });
  /** Paint again what lies in a box, in micrometres; everything where none is given. */
  const repaint = (/** @type {Box} */ box = EVERYTHING) => {
    dirty = joined(dirty, box);
    layer.changed();
  };
  /** Whether the picture that is shown is out of date, or of another part of the wall. */
  const isStale = () => (Boolean(dirty) || behind) && layer.getVisible();
  /** Forget what is shown, since the next picture is of another wall. */
  const wipe = () => {
    front = null;
    frame.replaceChildren();
    repaint();
  };
  /** @type {PaintedLayer} */
  const layer = Object.assign(plain, { repaint, isStale, wipe });
  return layer;
}
