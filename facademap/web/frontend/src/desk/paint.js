// Draws outlines from the packed tables into one picture that moves with the wall. Painting is cut into short turns, so
// that a hundred thousand outlines never hold up the hand; until a new picture is ready the old one is shown in its place.
import Layer from "ol/layer/Layer.js";
import { kindOf } from "./packed.js";
import { Raster, STEP_PX } from "./raster.js";
import { tileOf } from "./signs.js";

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
/** Shapes no larger than this are drawn as a box. */
const BOX_PX = 5;
const BAND_PX = 64;

const turn = () => new Promise((resolve) => {
  const { port1, port2 } = new MessageChannel();
  port1.onmessage = () => {
    port1.close();
    resolve();
  };
  port2.postMessage(0);
});

/** A row of a packed table in the clothes of a map feature, for the signs; one for all rows. */
class Shown {
  look(table, pack, i, crowded) {
    [this.table, this.pack, this.i, this.crowded] = [table, pack, i, crowded];
    return this;
  }

  get(name) {
    return this.pack.value(name, this.i);
  }

  getId() {
    return `${this.table}|${this.get("id")}`;
  }

  getGeometry() {
    return this;
  }

  getType() {
    return kindOf(this.pack, this.i);
  }

  getExtent() {
    const { boxes } = this.pack;
    const at = 4 * this.i;
    return [boxes[at] / PER_M, boxes[at + 1] / PER_M, boxes[at + 2] / PER_M, boxes[at + 3] / PER_M];
  }
}

const shown = new Shown();
/** The sign of a row as the wall shows it, or nothing. */
export const signOf = (style, table, pack, i, resolution, crowded = 0) => (typeof style === "function" ? style(shown.look(table, pack, i, crowded), resolution) : style);

function tracePath(pen, pack, i, { left, top, scale }, closed) {
  const { ringsTo, pointsTo, xy } = pack;
  pen.beginPath();
  for (let r = i ? ringsTo[i - 1] : 0; r < ringsTo[i]; r += 1) {
    const from = r ? pointsTo[r - 1] : 0;
    const to = pointsTo[r];
    let [lastX, lastY] = [(xy[2 * from] - left) * scale, (top - xy[2 * from + 1]) * scale];
    pen.moveTo(lastX, lastY);
    for (let p = from + 1; p < to; p += 1) {
      const x = (xy[2 * p] - left) * scale;
      const y = (top - xy[2 * p + 1]) * scale;
      if (x - lastX < STEP_PX && lastX - x < STEP_PX && y - lastY < STEP_PX && lastY - y < STEP_PX && p < to - 1) continue;
      pen.lineTo(x, y);
      [lastX, lastY] = [x, y];
    }
    if (closed) pen.closePath();
  }
}

function drawText(pen, text, x, y) {
  pen.font = text.getFont();
  pen.textAlign = text.getTextAlign() ?? "center";
  pen.textBaseline = text.getTextBaseline() ?? "middle";
  const at = [x + text.getOffsetX(), y + text.getOffsetY()];
  const halo = text.getStroke();
  if (halo) {
    pen.lineJoin = "round";
    pen.setLineDash([]);
    [pen.strokeStyle, pen.lineWidth] = [halo.getColor(), halo.getWidth()];
    pen.strokeText(text.getText(), ...at);
  }
  pen.fillStyle = text.getFill().getColor();
  pen.fillText(text.getText(), ...at);
}

function drawImage(pen, image, x, y, ratio) {
  const picture = image.getImage(ratio);
  const [wide, high] = [picture.width / ratio, picture.height / ratio];
  pen.drawImage(picture, x - wide / 2, y - high / 2, wide, high);
}

const NO_DASH = [];
function drawShape(pen, pack, i, style, place) {
  const kind = kindOf(pack, i);
  const closed = kind.endsWith("Polygon");
  const { boxes } = pack;
  if (closed && isPlain(style)) {
    const [w, h] = [(boxes[4 * i + 2] - boxes[4 * i]) * place.scale, (boxes[4 * i + 3] - boxes[4 * i + 1]) * place.scale];
    if (w <= BOX_PX && h <= BOX_PX) {
      pen.fillStyle = style.getFill().getColor();
      pen.fillRect((boxes[4 * i] - place.left) * place.scale, (place.top - boxes[4 * i + 3]) * place.scale, w, h);
      return;
    }
  }
  let traced = false;
  for (const part of Array.isArray(style) ? style : [style]) {
    const [fill, stroke, image, text] = [closed ? part.getFill()?.getColor() : null, part.getStroke(), part.getImage(), part.getText()];
    if (image && kind.endsWith("Point")) drawImage(pen, image, (boxes[4 * i] - place.left) * place.scale, (place.top - boxes[4 * i + 1]) * place.scale, place.ratio);
    if (!kind.endsWith("Point") && ((fill && fill !== "rgba(0,0,0,0)") || stroke)) {
      if (!traced) tracePath(pen, pack, i, place, closed);
      traced = true;
      if (fill && fill !== "rgba(0,0,0,0)") {
        pen.fillStyle = fill;
        pen.fill("evenodd");
      }
      if (stroke) {
        [pen.strokeStyle, pen.lineWidth, pen.lineJoin, pen.lineCap] = [stroke.getColor(), stroke.getWidth(), "round", "round"];
        pen.setLineDash(stroke.getLineDash() ?? NO_DASH);
        pen.stroke();
      }
    }
    if (text?.getText()) {
      drawText(pen, text, ((boxes[4 * i] + boxes[4 * i + 2]) / 2 - place.left) * place.scale, (place.top - (boxes[4 * i + 1] + boxes[4 * i + 3]) / 2) * place.scale);
      traced = false;
    }
  }
}

const colours = new Map();
/** What a colour or a hatch is to the raster; nothing where it does not know it. */
function paintOf(colour, ratio) {
  if (!colour || colour === "rgba(0,0,0,0)") return null;
  const tile = tileOf(colour);
  if (tile) return { tile, scale: ratio };
  if (!colours.has(colour)) {
    const pen = new OffscreenCanvas(1, 1).getContext("2d");
    pen.fillStyle = colour;
    pen.fillRect(0, 0, 1, 1);
    const [red, green, blue, alpha] = pen.getImageData(0, 0, 1, 1).data;
    colours.set(colour, { red: red / 255, green: green / 255, blue: blue / 255, alpha: alpha / 255 });
  }
  return colours.get(colour);
}

const stamps = new WeakMap();
/** The pixels of the image of a sign. */
function stampOf(image, ratio) {
  if (!stamps.has(image)) {
    const picture = image.getImage(ratio);
    const pen = new OffscreenCanvas(picture.width, picture.height).getContext("2d");
    pen.drawImage(picture, 0, 0);
    stamps.set(image, pen.getImageData(0, 0, picture.width, picture.height));
  }
  return stamps.get(image);
}

/** Draw a row under what the raster has, as far as it can be told in a crowd: no text, and dashes as a paler line. */
function layShape(raster, pack, i, style, place) {
  const kind = kindOf(pack, i);
  if (kind.endsWith("Point")) {
    if (style.getImage()) raster.stamp(pack, i, place, stampOf(style.getImage(), place.ratio));
    return;
  }
  const stroke = style.getStroke();
  if (stroke) {
    const paint = paintOf(stroke.getColor(), place.ratio);
    const [dash, gap] = stroke.getLineDash() ?? [1, 0];
    raster.stroke(pack, i, place, stroke.getWidth() * place.ratio, gap ? { ...paint, alpha: (paint.alpha * dash) / (dash + gap) } : paint);
  }
  const paint = kind.endsWith("Polygon") && paintOf(style.getFill()?.getColor(), place.ratio);
  if (paint) raster.fill(pack, i, place, paint);
}

const isPlain = (style) => !Array.isArray(style) && !style.getStroke() && !style.getText() && Boolean(style.getFill());

let painting = 0;
const idle = new Set();
/** Whether a picture is being painted; told when the last of them is ready. */
export const isPainting = () => painting > 0;
export const onPainted = (listener) => idle.add(listener);

/**
 * A layer of the map.
 * @param {() => [string, object, Function|object][]} tables Names, tables and signs in the order they are drawn.
 * @param {(pack: object, i: number) => boolean} wanted Whether a row lies on the surface in view.
 */
export function paintedLayer({ tables, wanted, zIndex, visible = true, side = null, edgeAt = null }) {
  const frame = document.createElement("div");
  frame.className = "painted";
  Object.assign(frame.style, { position: "absolute", inset: "0", overflow: "hidden", pointerEvents: "none" });
  let front = null;
  let job = null;
  let version = 0;

  async function paint(view, number, ratio) {
    const { center, resolution, size } = view;
    const [wide, high] = [Math.ceil(size[0] * RATIO), Math.ceil(size[1] * RATIO)];
    const canvas = document.createElement("canvas");
    Object.assign(canvas.style, { position: "absolute", left: "0", top: "0", transformOrigin: "0 0", width: `${wide}px`, height: `${high}px` });
    [canvas.width, canvas.height] = [Math.round(wide * ratio), Math.round(high * ratio)];
    const picture = { canvas, resolution, left: center[0] - (wide / 2) * resolution, top: center[1] + (high / 2) * resolution, wide, high, version: number };
    const pen = canvas.getContext("2d", ON_PAPER);
    pen.scale(ratio, ratio);
    const place = { left: picture.left * PER_M, top: picture.top * PER_M, scale: 1 / (resolution * PER_M), ratio };
    // while nothing is shown yet the picture is seen as it grows
    if (!front) show(picture);
    const box = [picture.left, picture.top - high * resolution, picture.left + wide * resolution, picture.top].map((v) => v * PER_M);
    let begun = performance.now();
    /** Go on, after a pause where this turn has lasted long enough; false when another picture is wanted by now. */
    const goOn = async () => {
      if (performance.now() - begun <= TURN_MS) return true;
      await turn();
      begun = performance.now();
      return job?.number === number;
    };
    for (const [name, table, style] of tables()) {
      const found = [];
      table.shapesIn(box, (pack, i) => {
        if (pack.kind[i] && wanted(pack, i)) found.push(pack, i);
      });
      const share = found.length / 2 / CROWD;
      const crowded = HATCHED_PX * Math.min(4, Math.max(1, share));
      // where many lie over each other they are drawn from the uppermost down, each under what is there, until nothing more is seen
      const under = share > 1 ? new Raster(canvas.width, canvas.height) : null;
      const inPixels = { ...place, scale: place.scale * ratio };
      for (let k = 0; k < found.length; k += 2) {
        if (k % (2 * BETWEEN_LOOKS) === 0) {
          // reading a point has everything drawn now, within this turn, and not all of it together at the end
          if (!under) pen.getImageData(0, 0, 1, 1);
          if (!await goOn()) return;
        }
        const at = under ? found.length - 2 - k : k;
        const [pack, i] = [found[at], found[at + 1]];
        const sign = signOf(style, name, pack, i, resolution, crowded);
        if (!sign) continue;
        // of a sign in several parts only the uppermost is drawn in a crowd, without the light rim under it
        if (under) layShape(under, pack, i, Array.isArray(sign) ? sign.at(-1) : sign, inPixels);
        else drawShape(pen, pack, i, sign, place);
      }
      for (let from = 0; under && from < canvas.height; from += BAND_PX) {
        if (!await goOn()) return;
        const to = Math.min(canvas.height, from + BAND_PX);
        const band = new OffscreenCanvas(canvas.width, to - from);
        band.getContext("2d", ON_PAPER).putImageData(under.image(from, to), 0, 0);
        pen.drawImage(band, 0, from / ratio, canvas.width / ratio, (to - from) / ratio);
      }
    }
    show(picture);
  }

  function show(picture) {
    front = picture;
    frame.replaceChildren(picture.canvas);
    layer.changed();
  }

  function begin(view, ratio) {
    version += 1;
    const number = version;
    if (!job) painting += 1;
    job = { number, view };
    void paint(view, number, ratio).finally(() => {
      if (job?.number !== number) return;
      job = null;
      painting -= 1;
      if (!painting) for (const listener of idle) listener();
    });
  }

  let stale = true;
  let behind = true;
  const covers = (p, { center: [x, y], resolution, size: [w, h] }) => p && Math.abs(p.resolution / resolution - 1) < 1e-6
    && p.left <= x - (w / 2) * resolution && p.left + p.wide * resolution >= x + (w / 2) * resolution
    && p.top >= y + (h / 2) * resolution && p.top - p.high * resolution <= y - (h / 2) * resolution;
  const planned = (view) => job && covers({ ...job.view, left: job.view.center[0] - job.view.size[0] * RATIO * job.view.resolution / 2, top: job.view.center[1] + job.view.size[1] * RATIO * job.view.resolution / 2, wide: job.view.size[0] * RATIO, high: job.view.size[1] * RATIO }, view);

  const layer = new Layer({
    zIndex,
    visible,
    render: ({ viewState: { center, resolution }, size, viewHints: [animating, interacting], pixelRatio }) => {
      const view = { center, resolution, size };
      const seen = covers(front, view);
      behind = !seen;
      const still = !animating && (!interacting || (front?.resolution === resolution && !seen));
      // a picture that is being painted for this view is finished first, whatever changed meanwhile
      if (still && (stale || !seen) && !planned(view)) {
        stale = false;
        begin(view, pixelRatio);
      }
      if (front) {
        const zoom = front.resolution / resolution;
        const x = (front.left - center[0]) / resolution + size[0] / 2;
        const y = (center[1] - front.top) / resolution + size[1] / 2;
        front.canvas.style.transform = `translate(${x}px, ${y}px) scale(${zoom})`;
      }
      if (side) {
        const share = 100 * edgeAt();
        frame.style.clipPath = side === "left" ? `inset(0 ${100 - share}% 0 0)` : `inset(0 0 0 ${share}%)`;
      }
      return frame;
    },
  });
  layer.repaint = () => {
    stale = true;
    layer.changed();
  };
  /** Whether the picture that is shown is out of date, or of another part of the wall. */
  layer.isStale = () => (stale || behind) && layer.getVisible();
  /** Forget what is shown, since the next picture is of another wall. */
  layer.wipe = () => {
    front = null;
    frame.replaceChildren();
    layer.repaint();
  };
  return layer;
}
