// What whoever opened this page may do: the server says it, and refuses the rest whatever the page offers.
import { project } from "./data.js";
import { place } from "./view.js";

/** Whether this page was opened by a link for reviewers, or by a reviewer. */
export const isReviewer = () => project.value?.pass === "review";

/** Whether an act may be done; a page that was kept from before the server told it offers everything. */
export const may = (/** @type {string} */ act) =>
  project.value?.may?.includes(act) ?? !isReviewer();

/** @type {Record<string, string>} */
const OF_PLACE = {
  survey: "survey",
  control: "survey",
  repairs: "design",
  stone: "yard",
  record: "work",
};
/** Whether the workplace is only looked at. */
export const readsHere = () => !may(OF_PLACE[place.value] ?? "look");

/** @type {Record<string, string>} */
const OF_TABLE = { repairs: "design", pieces: "design", blocks: "yard", faces: "yard" };
/** Whether rows of a table are only looked at. */
export const readsTable = (/** @type {string} */ table) => !may(OF_TABLE[table] ?? "survey");
