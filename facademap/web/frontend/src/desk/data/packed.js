// Tables as they came from the server, column by column, with what changed since on top of them.
// A row becomes an object when somebody looks at it; a hundred thousand rows are opened without making one.
const MAGIC = 0x31544d46; // "FMT1"
const PER_M = 1e6;
/** By the number that the server gives them; it has one more, for several points, that no table holds. */
const KINDS = ["", "Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"];
const ARRAYS = {
  u1: Uint8Array,
  u2: Uint16Array,
  u4: Uint32Array,
  i4: Int32Array,
  f8: Float64Array,
};

/** @typedef {keyof typeof ARRAYS} ArrayName */
/** @typedef {[from: number, count: number, type: ArrayName]} Place Where an array lies in what was sent. */
/** @typedef {{number?: Place, values?: unknown[], code?: Place, same?: unknown}} ToldColumn */
/**
 * Outlines of rows, one after the other: kinds, ends of the rows' rings and of the rings' points, which rings begin a
 * part, points in micrometres. `boxes` holds left, bottom, right, top of every row, `extent` those of all.
 * @typedef {object} Drawn
 * @property {number} n
 * @property {ArrayLike<number>} kind
 * @property {ArrayLike<number>} ringsTo
 * @property {ArrayLike<number>} pointsTo
 * @property {ArrayLike<number>} begins
 * @property {ArrayLike<number>} xy
 * @property {Int32Array} boxes
 * @property {Box} extent
 * @property {(name: string, i: number) => unknown} value Value of a column.
 */
/**
 * A packed table as it was sent.
 * @typedef {object} Pack
 * @property {number} n
 * @property {number} seq
 * @property {{id: string, rev: number, row: AnyRow | null}[]} later What changed since it was packed.
 * @property {(i: number) => number} rev
 * @property {Record<string, (i: number) => unknown>} columns
 * @property {(name: string, i: number) => unknown} value
 * @property {Drawn | null} drawn
 */

/**
 * @param {ToldColumn} told
 * @param {(place: Place) => ArrayLike<number>} array
 * @returns {(i: number) => unknown}
 */
function columnOf(told, array) {
  if (told.number) {
    const numbers = array(told.number);
    return (i) => (Number.isNaN(numbers[i]) ? null : numbers[i]);
  }
  if (told.values) {
    const { values } = told;
    if (!told.code) return (i) => values[i];
    const codes = array(told.code);
    return (i) => values[codes[i]];
  }
  return () => told.same;
}

/** Boxes of all rows in micrometres: left, bottom, right, top; an empty box for rows without an outline. The extent is that of all. */
function boxesOf(/** @type {Omit<Drawn, "boxes" | "extent">} */ { n, ringsTo, pointsTo, xy }) {
  const boxes = new Int32Array(n * 4);
  const extent = [Infinity, Infinity, -Infinity, -Infinity];
  let ring = 0;
  let point = 0;
  for (let i = 0; i < n; i += 1) {
    let [left, low, right, high] = [2147483647, 2147483647, -2147483648, -2147483648];
    const end = ringsTo[i] > ring ? pointsTo[ringsTo[i] - 1] : point;
    for (; point < end; point += 1) {
      const x = xy[2 * point];
      const y = xy[2 * point + 1];
      if (x < left) left = x;
      if (x > right) right = x;
      if (y < low) low = y;
      if (y > high) high = y;
    }
    ring = ringsTo[i];
    boxes[4 * i] = left;
    boxes[4 * i + 1] = low;
    boxes[4 * i + 2] = right;
    boxes[4 * i + 3] = high;
    if (left > right) continue;
    if (left < extent[0]) extent[0] = left;
    if (low < extent[1]) extent[1] = low;
    if (right > extent[2]) extent[2] = right;
    if (high > extent[3]) extent[3] = high;
  }
  return { boxes, extent };
}

/**
 * A packed table as it was sent.
 * @param {ArrayBuffer} buffer
 * @returns {Pack}
 */
export function unpack(buffer) {
  const [magic, length] = new Uint32Array(buffer, 0, 2);
  if (magic !== MAGIC) throw new Error("not a packed table");
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, length)));
  const array = (/** @type {Place} */ [from, count, type]) =>
    new ARRAYS[type](buffer, 8 + length + from, count);
  /** @type {Pack["columns"]} */
  const columns = Object.fromEntries(
    Object.entries(head.columns).map(([name, told]) => [name, columnOf(told, array)]),
  );
  // what was changed since the table was packed follows it
  const rest = new Uint8Array(buffer, 8 + length + head.bytes);
  const later = rest.length
    ? JSON.parse(new TextDecoder().decode(rest))
    : { seq: head.seq, rows: [] };
  /** @type {Pack["value"]} */
  const value = (name, i) => columns[name]?.(i) ?? null;
  const rev = /** @type {Pack["rev"]} */ (columnOf(head.rev, array));
  const pack = { n: head.n, seq: later.seq, later: later.rows, rev, columns, value };
  if (!head.kind) return { ...pack, drawn: null };
  const drawn = {
    n: head.n,
    kind: array(head.kind),
    ringsTo: array(head.ringsTo),
    pointsTo: array(head.pointsTo),
    begins: array(head.begins),
    xy: array(head.xy),
    value,
  };
  return { ...pack, drawn: Object.assign(drawn, boxesOf(drawn)) };
}

/**
 * The parts of an outline, each a list of rings or lines.
 * @param {Geometry} geometry
 * @returns {Line[][]}
 */
function partsIn(geometry) {
  switch (geometry.type) {
    case "Point":
      return [[[geometry.coordinates]]];
    case "LineString":
      return [[geometry.coordinates]];
    case "MultiLineString":
      return geometry.coordinates.map((line) => [line]);
    case "Polygon":
      return [geometry.coordinates];
    case "MultiPolygon":
      return geometry.coordinates;
    default:
      return [];
  }
}

/**
 * One row in the same form, for what was drawn or changed since the table came.
 * @param {{geometry: Geometry, [column: string]: unknown}} row
 * @returns {Drawn}
 */
export function packOne(row) {
  const kind = KINDS.indexOf(row.geometry.type);
  /** @type {number[][]} */
  const [begins, pointsTo, xy] = [[], [], []];
  for (const part of partsIn(row.geometry)) {
    part.forEach((ring, k) => {
      for (const [x, y] of ring) xy.push(Math.round(x * PER_M), Math.round(y * PER_M));
      begins.push(k === 0 ? 1 : 0);
      pointsTo.push(xy.length / 2);
    });
  }
  const pack = {
    n: 1,
    kind: [Math.max(0, kind)],
    ringsTo: [begins.length],
    begins,
    pointsTo,
    xy,
    value: (/** @type {string} */ name) => row[name] ?? null,
  };
  return Object.assign(pack, boxesOf(pack));
}

export const kindOf = (/** @type {Drawn} */ pack, /** @type {number} */ i) =>
  KINDS[pack.kind[i]] ?? "";

/**
 * @param {Drawn} pack
 * @param {number} i
 * @returns {Geometry | null}
 */
function geometryOf(pack, i) {
  /** @type {Line[][]} */
  const rings = [];
  for (let r = i ? pack.ringsTo[i - 1] : 0; r < pack.ringsTo[i]; r += 1) {
    /** @type {Line} */
    const ring = [];
    for (let p = r ? pack.pointsTo[r - 1] : 0; p < pack.pointsTo[r]; p += 1)
      ring.push([pack.xy[2 * p] / PER_M, pack.xy[2 * p + 1] / PER_M]);
    if (pack.begins[r]) rings.push([ring]);
    else rings.at(-1)?.push(ring);
  }
  const type = kindOf(pack, i);
  switch (type) {
    case "Point":
      return { type, coordinates: rings[0][0][0] };
    case "LineString":
      return { type, coordinates: rings[0][0] };
    case "MultiLineString":
      return { type, coordinates: rings.map((part) => part[0]) };
    case "Polygon":
      return { type, coordinates: rings[0] };
    case "MultiPolygon":
      return { type, coordinates: rings };
    default:
      return null;
  }
}

/** A shape larger than so many squares of the grid stands apart. */
const LARGE = 4;
/** Numbers of the rows by the square of the wall in which their middles lie; large shapes stand apart. */
function gridOf(/** @type {Drawn} */ { n, boxes, extent: [left, low, right, high] }) {
  const side = Math.max(
    1000,
    Math.sqrt(((right - left + 1) * (high - low + 1)) / Math.max(1, n / 4)),
  );
  const wide = Math.floor((right - left) / side) + 1;
  const starts = new Uint32Array(wide * (Math.floor((high - low) / side) + 1) + 1);
  const squares = new Int32Array(n);
  /** @type {number[]} */
  const large = [];
  for (let i = 0, k = 0; i < n; i += 1, k += 4) {
    squares[i] = -1;
    if (boxes[k] > boxes[k + 2]) continue;
    if (boxes[k + 2] - boxes[k] > LARGE * side || boxes[k + 3] - boxes[k + 1] > LARGE * side) {
      large.push(i);
      continue;
    }
    const column = Math.floor(((boxes[k] + boxes[k + 2]) / 2 - left) / side);
    const row = Math.floor(((boxes[k + 1] + boxes[k + 3]) / 2 - low) / side);
    squares[i] = row * wide + column;
    starts[squares[i] + 1] += 1;
  }
  for (let k = 1; k < starts.length; k += 1) starts[k] += starts[k - 1];
  const rows = new Uint32Array(starts[starts.length - 1]);
  const next = starts.slice();
  for (let i = 0; i < n; i += 1) {
    if (squares[i] < 0) continue;
    rows[next[squares[i]]] = i;
    next[squares[i]] += 1;
  }
  return { left, low, side, wide, tall: (starts.length - 1) / wide, starts, rows, large };
}

const WHOLE_WALL = [-Infinity, -Infinity, Infinity, Infinity];
/**
 * What stands where nothing was sent.
 * @type {Pack}
 */
const NOTHING = {
  n: 0,
  seq: 0,
  later: [],
  rev: () => 0,
  columns: {},
  value: () => null,
  drawn: null,
};

/** @template {{id: string, geometry?: Geometry | null}} [R=AnyRow] */
export class Table {
  #pack = NOTHING;
  /** @type {(Entry<R> | undefined)[]} */
  #entries = [];
  /** @type {Map<string, number> | null} */
  #index = null;
  #replaced = new Uint8Array(0);
  /** @type {ReturnType<typeof gridOf> | null} */
  #grid = null;
  /** @type {Map<string, Entry<R>>} */
  #own = new Map();
  /** @type {Map<string, Drawn>} */
  #drawn = new Map();
  /** @type {R[] | null} */
  #list = null;
  /** @type {Box | null} */
  #changed = null;

  /** Take a packed table in place of everything. */
  fill(/** @type {Pack} */ pack) {
    this.clear();
    this.#pack = pack;
    this.#changed = WHOLE_WALL;
    this.#entries = new Array(pack.n);
    this.#replaced = new Uint8Array(pack.n);
    for (const { id, rev, row } of pack.later) {
      if (row === null) this.delete(id);
      else this.set(id, { rev, row: /** @type {R} */ (/** @type {unknown} */ (row)) });
    }
  }

  clear() {
    this.#changed = WHOLE_WALL;
    this.#pack = NOTHING;
    this.#entries = [];
    this.#replaced = new Uint8Array(0);
    [this.#index, this.#grid, this.#list] = [null, null, null];
    this.#own.clear();
    this.#drawn.clear();
  }

  #idOf(/** @type {number} */ i) {
    return String(this.#pack.columns.id(i));
  }

  #numberOf(/** @type {string} */ id) {
    if (!this.#index) {
      this.#index = new Map();
      for (let i = 0; i < this.#pack.n; i += 1) this.#index.set(this.#idOf(i), i);
    }
    return this.#index.get(id);
  }

  /** @returns {Entry<R>} */
  #entry(/** @type {number} */ i) {
    const known = this.#entries[i];
    if (known) return known;
    const pack = this.#pack;
    const { drawn } = pack;
    /** @type {Values} */
    const row = drawn
      ? {
          get geometry() {
            const value = geometryOf(drawn, i);
            Object.defineProperty(this, "geometry", {
              value,
              writable: true,
              enumerable: true,
              configurable: true,
            });
            return value;
          },
        }
      : {};
    for (const name in pack.columns) row[name] = pack.columns[name](i);
    const entry = { rev: pack.rev(i), row: /** @type {R} */ (/** @type {unknown} */ (row)) };
    this.#entries[i] = entry;
    return entry;
  }

  get(/** @type {string} */ id) {
    const own = this.#own.get(id);
    if (own) return own;
    const i = this.#numberOf(id);
    return i === undefined || this.#replaced[i] ? undefined : this.#entry(i);
  }

  has(/** @type {string} */ id) {
    return this.get(id) !== undefined;
  }

  set(/** @type {string} */ id, /** @type {Entry<R>} */ entry) {
    this.delete(id);
    this.#own.set(id, entry);
    const { geometry } = entry.row;
    if (geometry) {
      const drawn = packOne({ ...entry.row, geometry });
      this.#drawn.set(id, drawn);
      this.#noteChange(drawn.boxes);
    }
    return this;
  }

  delete(/** @type {string} */ id) {
    const i = this.#numberOf(id);
    if (i !== undefined) {
      if (!this.#replaced[i] && this.#pack.drawn)
        this.#noteChange(this.#pack.drawn.boxes.subarray(4 * i, 4 * i + 4));
      this.#replaced[i] = 1;
    }
    this.#list = null;
    const drawn = this.#drawn.get(id);
    if (drawn) this.#noteChange(drawn.boxes);
    this.#drawn.delete(id);
    return this.#own.delete(id);
  }

  #noteChange(/** @type {ArrayLike<number>} */ box) {
    const [left, low, right, high] = Array.from(box);
    if (left > right) return;
    const now = this.#changed;
    this.#changed = now
      ? [
          Math.min(now[0], left),
          Math.min(now[1], low),
          Math.max(now[2], right),
          Math.max(now[3], high),
        ]
      : [left, low, right, high];
  }

  /** The box round all outlines that were changed since this was asked last, in micrometres; nothing where none was. */
  takeChanged() {
    const box = this.#changed;
    this.#changed = null;
    return box;
  }

  get size() {
    return this.rows().length;
  }

  *values() {
    for (let i = 0; i < this.#pack.n; i += 1) {
      if (!this.#replaced[i]) yield this.#entry(i);
      else {
        // a changed row keeps its place in the table
        const own = this.#own.get(this.#idOf(i));
        if (own) yield own;
      }
    }
    for (const [id, entry] of this.#own) if (this.#numberOf(id) === undefined) yield entry;
  }

  *[Symbol.iterator]() {
    for (const entry of this.values()) yield [entry.row.id, entry];
  }

  /** All rows; the same list until something changes. */
  rows() {
    this.#list ??= Array.from(this.values(), (entry) => entry.row);
    return this.#list;
  }

  /**
   * Call `act(pack, i)` for every row with an outline whose box meets one, in the order of the table; micrometres.
   * @param {Box} box
   * @param {(pack: Drawn, i: number) => void} act
   */
  shapesIn([left, low, right, high], act) {
    const { drawn } = this.#pack;
    if (drawn) {
      for (const i of this.#numbersIn(drawn, [left, low, right, high]))
        if (!this.#replaced[i]) act(drawn, i);
    }
    for (const one of this.#drawn.values()) {
      const { boxes } = one;
      if (boxes[0] <= right && boxes[2] >= left && boxes[1] <= high && boxes[3] >= low) act(one, 0);
    }
  }

  /**
   * @param {Drawn} drawn
   * @param {Box} box
   */
  #numbersIn(drawn, [left, low, right, high]) {
    const { boxes, n, extent } = drawn;
    const meets = (/** @type {number} */ i) =>
      boxes[4 * i] <= right &&
      boxes[4 * i + 2] >= left &&
      boxes[4 * i + 1] <= high &&
      boxes[4 * i + 3] >= low;
    /** @type {number[]} */
    const found = [];
    const across = Math.min(right, extent[2]) - Math.max(left, extent[0]);
    const up = Math.min(high, extent[3]) - Math.max(low, extent[1]);
    if (across < 0 || up < 0) return found;
    if (across * up > 0.6 * (extent[2] - extent[0]) * (extent[3] - extent[1])) {
      for (let i = 0; i < n; i += 1) if (meets(i)) found.push(i);
      return found;
    }
    this.#grid ??= gridOf(drawn);
    const grid = this.#grid;
    // a shape reaches no further from its middle than half of what is still no large one
    const reach = (LARGE / 2) * grid.side;
    const within = (/** @type {number} */ v, /** @type {number} */ most) =>
      Math.max(0, Math.min(most, Math.floor(v / grid.side)));
    const [c0, c1] = [
      within(left - reach - grid.left, grid.wide - 1),
      within(right + reach - grid.left, grid.wide - 1),
    ];
    const [r0, r1] = [
      within(low - reach - grid.low, grid.tall - 1),
      within(high + reach - grid.low, grid.tall - 1),
    ];
    for (let r = r0; r <= r1; r += 1) {
      const end = grid.starts[r * grid.wide + c1 + 1];
      for (let k = grid.starts[r * grid.wide + c0]; k < end; k += 1)
        if (meets(grid.rows[k])) found.push(grid.rows[k]);
    }
    for (const i of grid.large) if (meets(i)) found.push(i);
    return Uint32Array.from(found).sort();
  }
}
