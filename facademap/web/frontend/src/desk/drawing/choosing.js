// Choosing many: by a box, by a line drawn round them, all of a kind, all in view.

import { anyRowOf, surface, tableOf } from "../data/data.js";
import { notice } from "../data/edits.js";
import { layers } from "../data/settings.js";
import { drawTable, place, select, selection } from "../data/view.js";
import { entersBox, inRing, someCorner } from "../wall/boxes.js";
import { signOf } from "../wall/draw.js";
import { map, STYLES } from "../wall/wall.js";
import { t } from "../words/texts.js";

/** @typedef {import("../wall/near.js").Wanted} Wanted */
/** @typedef {"conditions" | "repairs" | "openings" | "wall_stones"} ChosenTable */

const PER_M = 1e6;
/** @type {ChosenTable[]} */
const TABLES = ["conditions", "repairs", "openings", "wall_stones"];

/**
 * Ids of what is shown of a table in a box (micrometres), as far as `wanted` says.
 * @param {ChosenTable} table
 * @param {Box} box
 * @param {Wanted} wanted
 */
function idsIn(table, box, wanted) {
  /** @type {string[]} */
  const ids = [];
  const resolution = map.getView().getResolution() ?? 1;
  const name = surface.peek();
  tableOf(table).shapesIn(box, (pack, i) => {
    if (pack.value("surface", i) !== name || !wanted(pack, i)) return;
    if (signOf(STYLES[table], table, pack, i, resolution)) ids.push(String(pack.value("id", i)));
  });
  return ids;
}

const tablesNow = () => {
  const first =
    selection.value[0]?.table ?? (place.value === "survey" ? drawTable.value : "repairs");
  return [...TABLES.filter((n) => n === first), ...TABLES.filter((n) => n !== first)].filter(
    (n) => layers.value[n] !== false,
  );
};

/**
 * @param {(table: ChosenTable) => string[]} find
 * @param {boolean} more
 */
function choose(find, more) {
  for (const table of tablesNow()) {
    const ids = find(table);
    if (!ids.length) continue;
    const before =
      more && selection.value[0]?.table === table ? selection.value.map((s) => s.id) : [];
    select(table, before.length ? [...new Set([...before, ...ids])] : ids);
    return;
  }
  if (!more) selection.value = [];
  notice.value = { text: t("choose.none") };
}

/**
 * Choose what lies in a box: from left to right what lies wholly in it, from right to left what it touches too.
 * @param {number[]} from Corner where the box was begun, metres.
 * @param {number[]} to
 * @param {boolean} more Beside what is chosen already.
 */
export function chooseInBox(from, to, more) {
  const box = [
    Math.min(from[0], to[0]),
    Math.min(from[1], to[1]),
    Math.max(from[0], to[0]),
    Math.max(from[1], to[1]),
  ].map((v) => v * PER_M);
  const whole = to[0] >= from[0];
  /** @type {Wanted} */
  const within = ({ boxes }, i) =>
    boxes[4 * i] >= box[0] &&
    boxes[4 * i + 1] >= box[1] &&
    boxes[4 * i + 2] <= box[2] &&
    boxes[4 * i + 3] <= box[3];
  choose((table) => idsIn(table, box, whole ? within : (p, i) => entersBox(p, i, box)), more);
}

/**
 * Choose what lies wholly within a line drawn round it; metres.
 * @param {Line} ring
 * @param {boolean} more
 */
export function chooseInRing(ring, more) {
  const micro = ring.map(([x, y]) => [x * PER_M, y * PER_M]);
  const xs = micro.map((p) => p[0]);
  const ys = micro.map((p) => p[1]);
  const box = [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
  choose(
    (table) => idsIn(table, box, (p, i) => !someCorner(p, i, (x, y) => !inRing(x, y, micro))),
    more,
  );
}

/** Everything of the table at hand that is in view. */
export function chooseInView() {
  const box = map.getView().calculateExtent(map.getSize());
  choose(
    (table) =>
      idsIn(
        table,
        box.map((v) => v * PER_M),
        () => true,
      ),
    false,
  );
}

/**
 * What makes a row one of its kind.
 * @type {Partial<Record<TableName, string>>}
 */
const KIND = {
  conditions: "term",
  wall_stones: "stone_type",
  repairs: "treatment",
  openings: "kind",
};
export const kindColumn = (/** @type {TableName} */ table) => KIND[table] ?? null;

/** Everything of the same kind on this surface: term, stone, treatment. */
export function chooseKind(/** @type {RowPlace} */ { table: name, id }) {
  const table = TABLES.find((n) => n === name);
  const column = kindColumn(name);
  if (!table || !column) return;
  const kind = anyRowOf(table, id)?.[column];
  const everywhere = [-Infinity, -Infinity, Infinity, Infinity];
  const ids = idsIn(
    table,
    everywhere,
    (pack, i) => (pack.value(column, i) ?? null) === (kind ?? null),
  );
  select(table, ids);
}
