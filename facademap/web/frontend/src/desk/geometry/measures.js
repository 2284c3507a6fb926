// Numbers as people type them: a length with or without its unit, feet, inches and their fractions.
// Nothing typed is `null`, what is no number is `undefined`, so that a field can refuse it.

/** Metres of a unit, by every way in which it is written. */
const METRES = new Map([
  ["mm", 0.001],
  ["cm", 0.01],
  ["dm", 0.1],
  ["m", 1],
  ["in", 0.0254],
  ["inch", 0.0254],
  ["inches", 0.0254],
  ['"', 0.0254],
  ["ft", 0.3048],
  ["feet", 0.3048],
  ["foot", 0.3048],
  ["'", 0.3048],
]);

const NUMBER = String.raw`[+-]?\d+(?:\.\d+)?|[+-]?\.\d+`;
const PART = new RegExp(
  String.raw`^(?:([+-]?\d+)/(\d+)|(${NUMBER})(?:[ -]+(\d+)/(\d+))?)\s*([a-z]+|["'])?\s*`,
);

/** Marks that stand for others: primes, typographic quotes, one-character fractions, a comma for the point. */
/** @type {Record<string, string>} */
const FRACTIONS = {
  "½": " 1/2",
  "¼": " 1/4",
  "¾": " 3/4",
  "⅛": " 1/8",
  "⅜": " 3/8",
  "⅝": " 5/8",
  "⅞": " 7/8",
};
const plain = (/** @type {string} */ text) =>
  text
    .trim()
    .toLowerCase()
    .replace(/[½¼¾⅛⅜⅝⅞]/g, (c) => FRACTIONS[c])
    .replace(/''|[″”“]/g, '"')
    .replace(/[′’‘]/g, "'")
    .replace(/−/g, "-")
    .replace(/(\d),(\d)/g, "$1.$2")
    .replace(/⁄/g, "/")
    .trim();

/** One number, its fraction and its unit at the beginning of a text. */
function partOf(/** @type {string} */ text) {
  const found = text.match(PART);
  if (!found) return null;
  const [whole, loneTop, loneBottom, number, top, bottom, unit] = found;
  const over = Number(bottom ?? loneBottom ?? 1);
  if (!over) return null;
  const sign = (number ?? loneTop).startsWith("-") ? -1 : 1;
  const value =
    number === undefined
      ? Number(loneTop) / over
      : Number(number) + sign * (Number(top ?? 0) / over);
  return { value, unit, rest: text.slice(whole.length) };
}

/**
 * A length in metres.
 * @param {string} text What was typed, such as `60 cm`, `2 3/8 in`, `1' 3 1/2"` or `45`.
 * @param {string} unit Unit of a number that names none.
 * @returns {number | null | undefined} `null` where nothing was typed, `undefined` where it is no length.
 */
export function parseLength(text, unit) {
  let rest = plain(text);
  if (!rest) return null;
  let metres = 0;
  let smaller = Infinity;
  let named = "";
  while (rest) {
    const part = partOf(rest);
    if (!part) return undefined;
    const word = part.unit ?? (METRES.get(named) === 0.3048 ? '"' : named ? "" : unit);
    const factor = METRES.get(word);
    // feet, then inches: each part of a smaller unit than the one before
    if (!factor || factor >= smaller || (named && part.value < 0)) return undefined;
    metres += (metres < 0 ? -1 : 1) * part.value * factor;
    [smaller, named] = [factor, word];
    rest = part.rest.replace(/^-\s*(?=\d)/, "");
  }
  return Number.isFinite(metres) ? metres : undefined;
}

/**
 * A plain number, with a comma or a point, and its unit if that is the one asked for.
 * @param {string} text
 * @param {string} [unit] The only unit that may follow.
 * @returns {number | null | undefined}
 */
export function parseNumber(text, unit = "") {
  const typed = plain(text);
  if (!typed) return null;
  const found = typed.match(new RegExp(`^(${NUMBER})\\s*(.*)$`));
  if (!found || (found[2] && found[2] !== unit.toLowerCase())) return undefined;
  return Number(found[1]);
}

/**
 * A list of plain numbers that was pasted into one field, each for a field of its own.
 * @param {string} text
 * @returns {string[] | null} Nothing where the text is one measure, such as `2 3/8 in`, or no list of numbers.
 */
export function listOf(text) {
  const parts = text.trim().split(/[\s;]+/);
  const isList = parts.length > 1 && parts.every((part) => Number.isFinite(parseNumber(part)));
  return isList ? parts : null;
}

/**
 * All figures of what was measured: one, several in a row, or one for each name.
 * @template T
 * @param {T | T[] | Record<string, T>} measured
 * @returns {T[]}
 */
export const figuresIn = (measured) => {
  if (Array.isArray(measured)) return measured;
  return typeof measured === "object" && measured
    ? Object.values(measured)
    : [/** @type {T} */ (measured)];
};
