// Paints outlines into an array of pixels, from the uppermost down, each under what is there already. Where many lie over
// each other this takes a tenth of what a canvas takes, since what is covered is never touched again.
// Coverage of a pixel is its exact area inside the outline: every side adds its part to the pixels it crosses, and the
// running sum along a row is the coverage (signed-area accumulation, a common way of scan conversion).

/** Fixed point of one whole. */
const WHOLE = 65535;
/** What lies under a pixel covered so far is not seen any more: five coats of a plain sign. */
const COVERED = WHOLE * 0.9897;
const FAINT = 1 / 255;
/** Steps of an outline below this cannot be seen. */
export const STEP_PX = 0.7;
const PER_PIXEL = 4;
const NO_COLOUR = { red: 0, green: 0, blue: 0, alpha: 0 };

/** @typedef {import("../data/packed.js").Drawn} Drawn */
/** @typedef {{left: number, top: number, scale: number}} Placed Upper left corner of a picture in micrometres of the wall, and pixels of it in one. */
/** @typedef {{red: number, green: number, blue: number, alpha: number, tile?: undefined}} Plain A colour, each part 0 to 1. */
/** @typedef {{tile: ImageData, beginX: number, beginY: number, alpha?: undefined}} Tiled A picture that is repeated. */
/** @typedef {Plain | Tiled} Paint */

export class Raster {
  // the box that is open
  left = 0;
  top = 0;
  across = 0;
  down = 0;
  row = 0;

  /**
   * @param {number} wide
   * @param {number} high
   */
  constructor(wide, high) {
    this.wide = wide;
    this.high = high;
    // red, green, blue as far as they are there, and how far a pixel is covered
    this.pixels = new Uint16Array(wide * high * PER_PIXEL);
    this.parts = new Float32Array(1);
  }

  /**
   * Take up an outline whose box lies so in the picture; false where it is outside.
   * @param {number} left
   * @param {number} top
   * @param {number} right
   * @param {number} low
   */
  #open(left, top, right, low) {
    this.left = Math.max(0, Math.floor(left));
    this.top = Math.max(0, Math.floor(top));
    this.across = Math.min(this.wide, Math.ceil(right)) - this.left;
    this.down = Math.min(this.high, Math.ceil(low)) - this.top;
    if (this.across <= 0 || this.down <= 0) return false;
    this.row = this.across + 2;
    const needed = this.row * this.down;
    if (this.parts.length < needed) this.parts = new Float32Array(needed * 2);
    return true;
  }

  /** Whether anything can still be seen in the box that is open. */
  #isSeen() {
    const { pixels, wide, left, top, across, down } = this;
    for (let y = 0; y < down; y += 1) {
      let k = ((top + y) * wide + left) * PER_PIXEL + 3;
      for (const end = k + across * PER_PIXEL; k < end; k += PER_PIXEL)
        if (pixels[k] < COVERED) return true;
    }
    return false;
  }

  /**
   * Add the part of one side to the pixels that it crosses.
   * @param {number} x0
   * @param {number} y0
   * @param {number} x1
   * @param {number} y1
   * @param {number} sign
   */
  #side(x0, y0, x1, y1, sign) {
    if (y0 === y1) return;
    const { parts, row, across, down } = this;
    let way = sign;
    if (y0 > y1) {
      [x0, y0, x1, y1] = [x1, y1, x0, y0];
      way = -sign;
    }
    const slope = (x1 - x0) / (y1 - y0);
    let x = x0;
    if (y0 < 0) {
      x -= y0 * slope;
      y0 = 0;
    }
    const end = Math.min(y1, down);
    for (let y = Math.floor(y0); y < end; y += 1) {
      const tall = Math.min(y + 1, end) - Math.max(y, y0);
      const next = x + slope * tall;
      let area = tall * way;
      let from = x < next ? x : next;
      let to = x < next ? next : x;
      x = next;
      // what lies left of the box counts from its first pixel on, what lies right of it not at all
      if (from >= across) continue;
      if (to <= 0) {
        parts[y * row] += area;
        continue;
      }
      if (from < 0) {
        const outside = (area * from) / (from - to);
        parts[y * row] += outside;
        area -= outside;
        from = 0;
      }
      if (to > across) {
        area *= (across - from) / (to - from);
        to = across;
      }
      const first = Math.floor(from);
      const last = Math.ceil(to);
      const at = y * row + first;
      if (last <= first + 1) {
        const share = (from + to) / 2 - first;
        parts[at] += area * (1 - share);
        parts[at + 1] += area * share;
        continue;
      }
      const step = 1 / (to - from);
      const inFirst = 1 - (from - first);
      const inLast = to - last + 1;
      const begin = 0.5 * step * inFirst * inFirst;
      const rest = 0.5 * step * inLast * inLast;
      parts[at] += area * begin;
      if (last === first + 2) parts[at + 1] += area * (1 - begin - rest);
      else {
        const second = step * (inFirst + 0.5);
        parts[at + 1] += area * (second - begin);
        for (let k = first + 2; k < last - 1; k += 1) parts[y * row + k] += area * step;
        parts[y * row + last - 1] += area * (1 - second - (last - first - 3) * step - rest);
      }
      parts[y * row + last] += area * rest;
    }
  }

  /**
   * Lay the paint under what is there, as far as the sides that were added cover.
   * @param {Paint} paint
   */
  #lay(paint) {
    const { pixels, parts, row, wide, left, top, across, down } = this;
    const { tile } = paint;
    const { beginX, beginY } = paint.tile ? paint : { beginX: 0, beginY: 0 };
    const { red, green, blue, alpha } = paint.tile ? NO_COLOUR : paint;
    for (let y = 0; y < down; y += 1) {
      let sum = 0;
      let at = y * row;
      let k = ((top + y) * wide + left) * PER_PIXEL;
      const tileRow = tile ? ((top + y - beginY) % tile.height) * tile.width : 0;
      for (let x = 0; x < across; x += 1, at += 1, k += PER_PIXEL) {
        const part = parts[at];
        if (part !== 0) {
          sum += part;
          parts[at] = 0;
        }
        const covered = sum < 0 ? (sum < -1 ? 1 : -sum) : sum > 1 ? 1 : sum;
        if (covered < FAINT) continue;
        const before = pixels[k + 3];
        if (before >= COVERED) continue;
        let coat = covered * (WHOLE - before);
        if (tile) {
          const t = (tileRow + ((left + x - beginX) % tile.width)) * 4;
          coat *= tile.data[t + 3] / 255;
          pixels[k] += (coat * tile.data[t]) / 255;
          pixels[k + 1] += (coat * tile.data[t + 1]) / 255;
          pixels[k + 2] += (coat * tile.data[t + 2]) / 255;
        } else {
          coat *= alpha;
          pixels[k] += coat * red;
          pixels[k + 1] += coat * green;
          pixels[k + 2] += coat * blue;
        }
        pixels[k + 3] = before + coat;
      }
      parts[at] = parts[at + 1] = 0;
    }
  }

  /**
   * Open the box of a row, grown by `more` pixels; false where nothing of it is seen.
   * @param {Drawn} pack
   * @param {number} i
   * @param {Placed} place
   * @param {number} more
   */
  #find({ boxes }, i, { left, top, scale }, more) {
    const at = 4 * i;
    return (
      this.#open(
        (boxes[at] - left) * scale - more,
        (top - boxes[at + 3]) * scale - more,
        (boxes[at + 2] - left) * scale + more,
        (top - boxes[at + 1]) * scale + more,
      ) && this.#isSeen()
    );
  }

  /**
   * Fill the areas of a row.
   * @param {Drawn} pack
   * @param {number} i
   * @param {Placed} place
   * @param {Paint} paint
   */
  fill(pack, i, place, paint) {
    if (!this.#find(pack, i, place, 0)) return;
    const { ringsTo, pointsTo, begins, xy } = pack;
    const { left, top, scale } = place;
    const [atX, atY] = [left + this.left / scale, top - this.top / scale];
    for (let r = i ? ringsTo[i - 1] : 0; r < ringsTo[i]; r += 1) {
      const from = r ? pointsTo[r - 1] : 0;
      const to = pointsTo[r];
      // an outer ring counts up and a hole down, whichever way round they were drawn
      const sign = isLeftHanded(xy, from, to) === Boolean(begins[r]) ? 1 : -1;
      const [startX, startY] = [(xy[2 * from] - atX) * scale, (atY - xy[2 * from + 1]) * scale];
      let [lastX, lastY] = [startX, startY];
      for (let p = from + 1; p < to; p += 1) {
        const x = (xy[2 * p] - atX) * scale;
        const y = (atY - xy[2 * p + 1]) * scale;
        if (
          x - lastX < STEP_PX &&
          lastX - x < STEP_PX &&
          y - lastY < STEP_PX &&
          lastY - y < STEP_PX
        )
          continue;
        this.#side(lastX, lastY, x, y, sign);
        [lastX, lastY] = [x, y];
      }
      this.#side(lastX, lastY, startX, startY, sign);
    }
    this.#lay(paint);
  }

  /**
   * Draw along the lines of a row, or round its areas.
   * @param {Drawn} pack
   * @param {number} i
   * @param {Placed} place
   * @param {number} width
   * @param {Paint} paint
   */
  stroke(pack, i, place, width, paint) {
    const half = width / 2;
    if (!this.#find(pack, i, place, half + 1)) return;
    const { ringsTo, pointsTo, xy } = pack;
    const { left, top, scale } = place;
    const [atX, atY] = [left + this.left / scale, top - this.top / scale];
    for (let r = i ? ringsTo[i - 1] : 0; r < ringsTo[i]; r += 1) {
      const from = r ? pointsTo[r - 1] : 0;
      const to = pointsTo[r];
      let [lastX, lastY] = [(xy[2 * from] - atX) * scale, (atY - xy[2 * from + 1]) * scale];
      for (let p = from + 1; p < to; p += 1) {
        const x = (xy[2 * p] - atX) * scale;
        const y = (atY - xy[2 * p + 1]) * scale;
        if (
          p < to - 1 &&
          x - lastX < STEP_PX &&
          lastX - x < STEP_PX &&
          y - lastY < STEP_PX &&
          lastY - y < STEP_PX
        )
          continue;
        this.#band(lastX, lastY, x, y, half);
        [lastX, lastY] = [x, y];
      }
    }
    this.#lay(paint);
  }

  /**
   * Set a small picture on a point.
   * @param {Drawn} pack
   * @param {number} i
   * @param {Placed} place
   * @param {ImageData} tile
   */
  stamp({ boxes }, i, { left, top, scale }, tile) {
    const [x, y] = [
      Math.round((boxes[4 * i] - left) * scale - tile.width / 2),
      Math.round((top - boxes[4 * i + 1]) * scale - tile.height / 2),
    ];
    if (!this.#open(x, y, x + tile.width, y + tile.height) || !this.#isSeen()) return;
    for (let k = 0; k < this.down; k += 1) this.parts[k * this.row] = 1;
    this.#lay({ tile, beginX: x, beginY: y });
  }

  /**
   * A side as wide as the line, half as long again at its ends, where the next one joins it.
   * @param {number} x0
   * @param {number} y0
   * @param {number} x1
   * @param {number} y1
   * @param {number} half
   */
  #band(x0, y0, x1, y1, half) {
    const long = Math.hypot(x1 - x0, y1 - y0) || 1;
    const [dx, dy] = [((x1 - x0) / long) * half, ((y1 - y0) / long) * half];
    const [ax, ay, bx, by] = [x0 - dx * 0.7, y0 - dy * 0.7, x1 + dx * 0.7, y1 + dy * 0.7];
    this.#side(ax - dy, ay + dx, bx - dy, by + dx, 1);
    this.#side(bx - dy, by + dx, bx + dy, by - dx, 1);
    this.#side(bx + dy, by - dx, ax + dy, ay - dx, 1);
    this.#side(ax + dy, ay - dx, ax - dy, ay + dx, 1);
  }

  /**
   * The rows of pixels from one to another as a picture.
   * @param {number} from
   * @param {number} to
   */
  image(from, to) {
    const { pixels, wide } = this;
    const image = new ImageData(wide, to - from);
    const { data } = image;
    for (let k = from * wide * PER_PIXEL, at = 0; at < data.length; k += PER_PIXEL, at += 4) {
      const filled = pixels[k + 3];
      if (filled < 128) continue;
      for (let c = 0; c < 3; c += 1) data[at + c] = (255 * pixels[k + c]) / filled;
      data[at + 3] = filled / 257;
    }
    return image;
  }
}

/**
 * @param {ArrayLike<number>} xy
 * @param {number} from
 * @param {number} to
 */
function isLeftHanded(xy, from, to) {
  let twice = 0;
  for (let p = from + 1; p < to; p += 1)
    twice +=
      (xy[2 * p - 2] - xy[2 * from]) * (xy[2 * p + 1] - xy[2 * from + 1]) -
      (xy[2 * p] - xy[2 * from]) * (xy[2 * p - 1] - xy[2 * from + 1]);
  return twice > 0;
}
