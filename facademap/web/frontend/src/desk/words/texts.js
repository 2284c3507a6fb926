// The words of the desk, from the catalogue of a language.
import { english } from "./english.js";

let catalogue = english;
/** Take another catalogue; what it lacks is told in English. */
export const useCatalogue = (other) => {
  catalogue = { ...english, ...other };
};

/** The text of a key, with {names} filled in. */
export function t(key, values = {}) {
  const text = catalogue[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (_, name) => String(values[name] ?? ""));
}
