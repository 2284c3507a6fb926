// How one row of a packed table is drawn by its sign: on a canvas, or under what a raster has.
import { kindOf } from "../data/packed.js";
import { STEP_PX } from "./raster.js";
import { tileOf } from "./signs.js";

const PER_M = 1e6;
/** Shapes no larger than this are drawn as a box. */
const BOX_PX = 5;

/** A row of a packed table in the clothes of a map feature, for the signs; one for all rows. */
class Shown {
  look(table, pack, i, crowded) {
    this.table = table;
    this.pack = pack;
    this.i = i;
    this.crowded = crowded;
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
export const signOf = (style, table, pack, i, resolution, crowded = 0) =>
  typeof style === "function" ? style(shown.look(table, pack, i, crowded), resolution) : style;

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

/** Hatches are made of pixels of the screen, while the pen counts those of the page. */
function fillPath(pen, fill, ratio) {
  pen.fillStyle = fill;
  const isHatch = fill instanceof CanvasPattern;
  if (isHatch) fill.setTransform(new DOMMatrix().scale(1 / ratio));
  pen.fill("evenodd");
  if (isHatch) fill.setTransform(new DOMMatrix()); // the map's own layers use the same hatch
}

const NO_DASH = [];
/** Draw a row on a canvas, whose unit is a pixel of the page. */
export function drawShape(pen, pack, i, style, place) {
  const kind = kindOf(pack, i);
  const closed = kind.endsWith("Polygon");
  const { boxes } = pack;
  if (closed && isPlain(style)) {
    const [w, h] = [
      (boxes[4 * i + 2] - boxes[4 * i]) * place.scale,
      (boxes[4 * i + 3] - boxes[4 * i + 1]) * place.scale,
    ];
    if (w <= BOX_PX && h <= BOX_PX) {
      pen.fillStyle = style.getFill().getColor();
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
      if (fill && fill !== "rgba(0,0,0,0)") {
        fillPath(pen, fill, place.ratio);
      }
      if (stroke) {
        [pen.strokeStyle, pen.lineWidth, pen.lineJoin, pen.lineCap] = [
          stroke.getColor(),
          stroke.getWidth(),
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

const colours = new Map();
/** What a colour or a hatch is to the raster; nothing for what cannot be seen. */
function paintOf(colour, { x, y }) {
  if (!colour || colour === "rgba(0,0,0,0)") return null;
  const tile = tileOf(colour);
  if (tile) return { tile, beginX: -x, beginY: -y };
  if (!colours.has(colour)) {
    const pen = new OffscreenCanvas(1, 1).getContext("2d");
    pen.fillStyle = colour;
    pen.fillRect(0, 0, 1, 1);
    const [red, green, blue, alpha] = pen.getImageData(0, 0, 1, 1).data;
    colours.set(colour, {
      red: red / 255,
      green: green / 255,
      blue: blue / 255,
      alpha: alpha / 255,
    });
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

/** Draw a row under what a raster has, whose unit is a pixel of the screen, as far as it can be told in a crowd: no text, and dashes as a paler line. */
export function layShape(raster, pack, i, style, place) {
  const kind = kindOf(pack, i);
  if (kind.endsWith("Point")) {
    if (style.getImage()) raster.stamp(pack, i, place, stampOf(style.getImage(), place.ratio));
    return;
  }
  const stroke = style.getStroke();
  if (stroke) {
    const paint = paintOf(stroke.getColor(), place);
    const [dash, gap] = stroke.getLineDash() ?? [1, 0];
    raster.stroke(
      pack,
      i,
      place,
      stroke.getWidth() * place.ratio,
      gap ? { ...paint, alpha: (paint.alpha * dash) / (dash + gap) } : paint,
    );
  }
  const paint = kind.endsWith("Polygon") && paintOf(style.getFill()?.getColor(), place);
  if (paint) raster.fill(pack, i, place, paint);
}

const isPlain = (style) =>
  !Array.isArray(style) && !style.getStroke() && !style.getText() && Boolean(style.getFill());
