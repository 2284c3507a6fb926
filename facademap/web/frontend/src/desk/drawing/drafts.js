// Sketches that are not ended yet, kept in this browser corner by corner: a reload, a change of workplace or a closed
// page loses none of them.
import { signal } from "@preact/signals";
import { project } from "../data/data.js";

const MOST = 20;
/** Every unended sketch of this project, the newest last. */
export const drafts = signal(/** @type {Draft[]} */ ([]));

const address = () => `facademap-drafts-${project.value?.id}`;

/** Which page of the browser this is; a reload keeps it. */
export const tab = (() => {
  try {
    const known = sessionStorage.getItem("facademap tab") ?? crypto.randomUUID();
    sessionStorage.setItem("facademap tab", known);
    return known;
  } catch {
    return String(Math.random());
  }
})();

/** @returns {Draft[]} */
function stored() {
  try {
    const list = JSON.parse(localStorage.getItem(address()) ?? "[]");
    return Array.isArray(list) ? list.filter((d) => d?.key && Array.isArray(d.corners)) : [];
  } catch {
    return [];
  }
}

function write(/** @type {Draft[]} */ list) {
  try {
    localStorage.setItem(address(), JSON.stringify(list));
  } catch {
    // a browser without storage keeps them as long as the page is open
  }
  drafts.value = list;
}

const merged = () => {
  const kept = stored();
  const keys = new Set(kept.map((d) => d.key));
  return [...kept, ...drafts.value.filter((d) => !keys.has(d.key) && d.tab === tab)];
};

export const loadDrafts = () => {
  drafts.value = stored();
};

/** @param {Draft} draft */
export function keepDraft(draft) {
  const others = merged().filter((d) => d.key !== draft.key);
  write([...others, draft].slice(-MOST));
}

/** @param {string} key */
export function dropDraft(key) {
  if (drafts.value.some((d) => d.key === key) || stored().some((d) => d.key === key))
    write(merged().filter((d) => d.key !== key));
}

globalThis.addEventListener?.("storage", (event) => {
  // the page that is reloaded keeps its sketch while it goes, and its successor hears of it before it knows its project
  const { key } = /** @type {StorageEvent} */ (event);
  if (project.value && key === address()) drafts.value = stored();
});
