// How sure the machine was of what it proposed, as the note of a proposal says it.

const SAID = /\bconfidence ([01](?:\.\d+)?)/;

/** A stone surer than SURE is drawn as sure; one below DOUBTFUL as doubtful. */
export const SURE = 0.9;
export const DOUBTFUL = 0.7;

/** Confidence 0 to 1 of a proposal, or nothing where it says none. */
export function confidenceIn(/** @type {string | null | undefined} */ note) {
  const said = note ? SAID.exec(note) : null;
  return said ? Number(said[1]) : null;
}
const names = new Intl.Collator(undefined, { numeric: true });

/** @typedef {{id: string, note?: string | null, course?: number | null, number?: number | null}} Proposal */

/**
 * The most doubtful first, in steps of a tenth, so that neighbours stay together; what says no confidence goes before.
 * @param {Proposal} a
 * @param {Proposal} b
 */
const byDoubt = (a, b) =>
  stepOf(a) - stepOf(b) ||
  (a.course ?? 0) - (b.course ?? 0) ||
  (a.number ?? 0) - (b.number ?? 0) ||
  names.compare(String(a.id), String(b.id));
const stepOf = (/** @type {Proposal} */ row) => Math.floor(10 * (confidenceIn(row.note) ?? -1));

/**
 * The one that comes first by doubt; found in one pass, since a wall has thousands.
 * @template {Proposal} T
 * @param {readonly T[]} rows
 * @returns {T | null}
 */
export const mostDoubtful = (rows) =>
  rows.reduce(
    (first, row) => (first === null || byDoubt(row, first) < 0 ? row : first),
    /** @type {T | null} */ (null),
  );
