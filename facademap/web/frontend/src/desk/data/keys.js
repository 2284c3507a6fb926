// Names that nothing else has: of edits, and of rows that have no number yet.
const random = (/** @type {number} */ bytes) =>
  [...crypto.getRandomValues(new Uint8Array(bytes))]
    .map((b) => b.toString(16).padStart(2, "0"))
    .join("");

/** Tells this browser's nameless edits from those of others. */
const browser = (() => {
  try {
    const kept = localStorage.getItem("facademap browser") ?? random(4);
    localStorage.setItem("facademap browser", kept);
    return kept;
  } catch {
    return random(4);
  }
})();

/** Edits of the desk are told apart from those of commands by the start of their key. */
export const KEYS_OF_DESK = `desk-${browser}-`;
export const newKey = () => `${KEYS_OF_DESK}${random(14)}`;
export const newId = () => `new:${random(6)}`;
export const isNew = (/** @type {unknown} */ id) => String(id).startsWith("new:");
