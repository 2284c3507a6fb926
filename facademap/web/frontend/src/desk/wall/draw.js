// How one row of a packed table is drawn by its sign: on a canvas, or under what a raster has.
import { kindOf } from "../data/packed.js";
import { penOf } from "./pens.js";
import { STEP_PX } from "./raster.js";
import { tileOf } from "./signs.js";

/** @typedef {import("../data/packed.js").Drawn} Drawn */
/** @typedef {import("./raster.js").Paint} Paint */
/** @typedef {import("./raster.js").Placed & {ratio: number}} Placed With pixels of the screen in one of the page. */
/** @typedef {import("./signs.js").Sign} Sign */
/** @typedef {import("./signs.js").SignOf} SignOf */
/** @typedef {CanvasRenderingContext2D | OffscreenCanvasRenderingContext2D} Pen */
/** @typedef {import("ol/style/Style.js").default} Style */
/** @typedef {import("ol/style/Image.js").default} ImageStyle */

const PER_M = 1e6;
/** Shapes no larger than this are drawn as a box. */
const BOX_PX = 5;

/** A row of a packed table in the clothes of a map feature, for the signs; one for all rows. */
class Shown {
  table = "";
  /** @type {Drawn | null} */
  pack = null;
  i = 0;
  crowded = 0;

  /**
   * @param {string} table
   * @param {Drawn} pack
   * @param {number} i
   * @param {number} crowded
   */
  look(table, pack, i, crowded) {
    this.table = table;
    this.pack = pack;
    this.i = i;
    this.crowded = crowded;
    return this;
  }

  get(/** @type {string} */ name) {
    return this.pack?.value(name, this.i) ?? null;
  }

  getId() {
    return `${this.table}|${this.get("id")}`;
  }

  getGeometry() {
    return this;
  }

  getType() {
    return this.pack ? kindOf(this.pack, this.i) : "";
  }

  getExtent() {
    const boxes = this.pack?.boxes ?? [];
    const at = 4 * this.i;
    return [boxes[at] / PER_M, boxes[at + 1] / PER_M, boxes[at + 2] / PER_M, boxes[at + 3] / PER_M];
  }
}

const shown = new Shown();
/**
 * The sign of a row as the wall shows it, or nothing.
 * @param {SignOf | Sign} style
 * @param {string} table
 * @param {Drawn} pack
 * @param {number} i
 * @param {number} resolution
 */
export const signOf = (style, table, pack, i, resolution, crowded = 0) =>
  typeof style === "function" ? style(shown.look(table, pack, i, crowded), resolution) : style;

/**
 * @param {Pen} pen
 * @param {Drawn} pack
 * @param {number} i
 * @param {Placed} place
 * @param {boolean} closed
 */
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
      if (
        x - lastX < STEP_PX &&
        lastX - x < STEP_PX &&
        y - lastY < STEP_PX &&
        lastY - y < STEP_PX &&
        p < to - 1
      )
        continue;
      pen.lineTo(x, y);
      [lastX, lastY] = [x, y];
    }
    if (closed) pen.closePath();
  }
}

/** What a stroke or a fill is painted with, as a pen takes it: our signs have colours as text, and patterns. */
const inkOf = (/** @type {unknown} */ colour) => /** @type {string | CanvasPattern} */ (colour);

/**
 * @param {Pen} pen
 * @param {import("ol/style/Text.js").default} text
 * @param {number} x
 * @param {number} y
 */
function drawText(pen, text, x, y) {
  const said = String(text.getText() ?? "");
  pen.font = text.getFont() ?? pen.font;
  pen.textAlign = text.getTextAlign() ?? "center";
  pen.textBaseline = text.getTextBaseline() ?? "middle";
  const [atX, atY] = [x + text.getOffsetX(), y + text.getOffsetY()];
  const halo = text.getStroke();
  if (halo) {
    pen.lineJoin = "round";
    pen.setLineDash([]);
    [pen.strokeStyle, pen.lineWidth] = [inkOf(halo.getColor()), halo.getWidth() ?? 1];
    pen.strokeText(said, atX, atY);
  }
  pen.fillStyle = inkOf(text.getFill()?.getColor());
  pen.fillText(said, atX, atY);
}

/** The picture of the image of a sign. */
const pictureOf = (/** @type {ImageStyle} */ image, /** @type {number} */ ratio) =>
  /** @type {HTMLCanvasElement} */ (image.getImage(ratio));

/**
 * @param {Pen} pen
 * @param {ImageStyle} image
 * @param {number} x
 * @param {number} y
 * @param {number} ratio
 */
function drawImage(pen, image, x, y, ratio) {
  const picture = pictureOf(image, ratio);
  const [wide, high] = [picture.width / ratio, picture.height / ratio];
  pen.drawImage(picture, x - wide / 2, y - high / 2, wide, high);
}

/**
 * Hatches are made of pixels of the screen, while the pen counts those of the page.
 * @param {Pen} pen
 * @param {string | CanvasPattern} fill
 * @param {number} ratio
 */
function fillPath(pen, fill, ratio) {
  pen.fillStyle = fill;
  const isHatch = fill instanceof CanvasPattern;
  if (isHatch) fill.setTransform(new DOMMatrix().scale(1 / ratio));
  pen.fill("evenodd");
  if (isHatch) fill.setTransform(new DOMMatrix()); // the map's own layers use the same hatch
}

/** @type {number[]} */
const NO_DASH = [];
/**
 * Draw a row on a canvas, whose unit is a pixel of the page.
 * @param {Pen} pen
 * @param {Drawn} pack
 * @param {number} i
 * @param {Sign} style
 * @param {Placed} place
 */
export function drawShape(pen, pack, i, style, place) {
  const kind = kindOf(pack, i);
  const closed = kind.endsWith("Polygon");
  const { boxes } = pack;
  const plain = closed ? plainOf(style) : null;
  if (plain) {
    const [w, h] = [
      (boxes[4 * i + 2] - boxes[4 * i]) * place.scale,
      (boxes[4 * i + 3] - boxes[4 * i + 1]) * place.scale,
    ];
    if (w <= BOX_PX && h <= BOX_PX) {
      pen.fillStyle = inkOf(plain.getColor());
      pen.fillRect(
        (boxes[4 * i] - place.left) * place.scale,
        (place.top - boxes[4 * i + 3]) * place.scale,
        w,
        h,
      );
      return;
    }
  }
  let traced = false;
  for (const part of Array.isArray(style) ? style : [style]) {
    const [fill, stroke, image, text] = [
      closed ? part.getFill()?.getColor() : null,
      part.getStroke(),
      part.getImage(),
      part.getText(),
    ];
    if (image && kind.endsWith("Point"))
      drawImage(
        pen,
        image,
        (boxes[4 * i] - place.left) * place.scale,
        (place.top - boxes[4 * i + 1]) * place.scale,
        place.ratio,
      );
    if (!kind.endsWith("Point") && ((fill && fill !== "rgba(0,0,0,0)") || stroke)) {
      if (!traced) tracePath(pen, pack, i, place, closed);
      traced = true;
      if (fill && fill !== "rgba(0,0,0,0)") fillPath(pen, inkOf(fill), place.ratio);
      if (stroke) {
        [pen.strokeStyle, pen.lineWidth, pen.lineJoin, pen.lineCap] = [
          inkOf(stroke.getColor()),
          stroke.getWidth() ?? 1,
          "round",
          "round",
        ];
        pen.setLineDash(stroke.getLineDash() ?? NO_DASH);
        pen.stroke();
      }
    }
    if (text?.getText()) {
      const corner = text.getTextAlign() === "left";
      const x = corner ? boxes[4 * i] : (boxes[4 * i] + boxes[4 * i + 2]) / 2;
      const y = corner ? boxes[4 * i + 1] : (boxes[4 * i + 1] + boxes[4 * i + 3]) / 2;
      drawText(pen, text, (x - place.left) * place.scale, (place.top - y) * place.scale);
      traced = false;
    }
  }
}

/** @typedef {Placed & {x: number, y: number}} PlacedPart Part of a picture that begins at a pixel of it. */

/** @type {Map<unknown, Paint>} */
const colours = new Map();
/**
 * What a colour or a hatch is to the raster; nothing for what cannot be seen.
 * @param {unknown} colour
 * @param {PlacedPart} place
 * @returns {Paint | null}
 */
function paintOf(colour, { x, y }) {
  if (!colour || colour === "rgba(0,0,0,0)") return null;
  const tile = tileOf(inkOf(colour));
  if (tile) return { tile, beginX: -x, beginY: -y };
  let paint = colours.get(colour);
  if (!paint) {
    const pen = penOf(new OffscreenCanvas(1, 1));
    pen.fillStyle = inkOf(colour);
    pen.fillRect(0, 0, 1, 1);
    const [red, green, blue, alpha] = pen.getImageData(0, 0, 1, 1).data;
    paint = { red: red / 255, green: green / 255, blue: blue / 255, alpha: alpha / 255 };
    colours.set(colour, paint);
  }
  return paint;
}

/** @type {WeakMap<ImageStyle, ImageData>} */
const stamps = new WeakMap();
/**
 * The pixels of the image of a sign.
 * @param {ImageStyle} image
 * @param {number} ratio
 */
function stampOf(image, ratio) {
  let stamp = stamps.get(image);
  if (!stamp) {
    const picture = pictureOf(image, ratio);
    const pen = penOf(new OffscreenCanvas(picture.width, picture.height));
    pen.drawImage(picture, 0, 0);
    stamp = pen.getImageData(0, 0, picture.width, picture.height);
    stamps.set(image, stamp);
  }
  return stamp;
}

/**
 * Draw a row under what a raster has, whose unit is a pixel of the screen, as far as it can be told in a crowd: no text, and dashes as a paler line.
 * @param {import("./raster.js").Raster} raster
 * @param {Drawn} pack
 * @param {number} i
 * @param {Style} style
 * @param {PlacedPart} place
 */
export function layShape(raster, pack, i, style, place) {
  const kind = kindOf(pack, i);
  if (kind.endsWith("Point")) {
    const image = style.getImage();
    if (image) raster.stamp(pack, i, place, stampOf(image, place.ratio));
    return;
  }
  const stroke = style.getStroke();
  const line = stroke && paintOf(stroke.getColor(), place);
  if (line) {
    const [dash, gap] = stroke.getLineDash() ?? [1, 0];
    raster.stroke(
      pack,
      i,
      place,
      (stroke.getWidth() ?? 1) * place.ratio,
      gap && !line.tile ? { ...line, alpha: (line.alpha * dash) / (dash + gap) } : line,
    );
  }
  const paint = kind.endsWith("Polygon") && paintOf(style.getFill()?.getColor(), place);
  if (paint) raster.fill(pack, i, place, paint);
}

/** The fill of a sign that is nothing else. */
const plainOf = (/** @type {Sign} */ style) =>
  !Array.isArray(style) && !style.getStroke() && !style.getText() ? style.getFill() : null;
