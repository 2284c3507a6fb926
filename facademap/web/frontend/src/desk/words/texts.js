// The words of the desk, from the catalogue of a language.
import { english } from "./english.js";

/** @type {Catalogue} */
let catalogue = english;
/** Take another catalogue; what it lacks is told in English. */
export const useCatalogue = (/** @type {Catalogue} */ other) => {
  catalogue = { ...english, ...other };
};

/**
 * The text of a key, with {names} filled in.
 * @param {string} key
 * @param {Filling} [values]
 */
export function t(key, values = {}) {
  const text = catalogue[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (_, name) => String(values[name] ?? ""));
}
