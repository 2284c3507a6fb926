// Damaged rows: taken out of the project and kept, put back by their edit.
import { signal } from "@preact/signals";
import { ask } from "./api.js";
import { who } from "./settings.js";

const NAME = "facademap.aside";

/** The edit that set a row aside last, to be put back; kept over a page that had to be opened again. */
export const aside = signal(/** @type {string | null} */ (sessionStorage.getItem(NAME)));

/**
 * @param {string} path
 * @param {Values} body
 */
async function change(path, body) {
  const done = await ask(`/api/check/${path}`, {
    method: "POST",
    body: { ...body, who: who.value },
  });
  aside.value = done.key ?? null;
  if (aside.value) sessionStorage.setItem(NAME, aside.value);
  else sessionStorage.removeItem(NAME);
}

/** Take a damaged row out of its table. */
export const setAside = (/** @type {TableName} */ table, /** @type {string} */ row) =>
  change("set-aside", { table, row });

/** Put back what was set aside last. */
export const putBack = () => change("put-back", { key: aside.value });
