// Outlines and lines proposed by the server from the picture; hidden where the server cannot.
import { signal } from "@preact/signals";
import { ask, refusalIn } from "../data/api.js";
import { surface } from "../data/data.js";
import { notice } from "../data/edits.js";
import { roundedOf } from "../geometry/shapes.js";
import { map } from "../wall/wall.js";
import { t } from "../words/texts.js";

/** @type {Record<string, boolean>} */
const NOTHING = { outline: false, line: false, course: false };
export const assistance = signal(NOTHING);

/** Whether the server says that it lacks the networks for whole walls and damage; no where it says nothing. */
export const lacksNetworks = () =>
  assistance.value.stones === false || assistance.value.damage === false;

export const thinking = signal(false);

export async function learnAssistance() {
  try {
    assistance.value = await ask("/api/assist");
  } catch {
    assistance.value = NOTHING;
  }
}

/**
 * An outline that the machine proposes as a stone of a course, with its place in it where that is known.
 * @typedef {{geometry: Polygon, course?: number | null, number?: number | null, doubts?: string[]}} StoneProposed
 */
/** @typedef {{geometries: Geometry[], proposals?: StoneProposed[], left_out?: {why: string}[]}} Proposed */

/**
 * @param {"outline" | "line" | "course"} kind
 * @param {Point[]} points
 * @returns {Promise<Proposed>}
 */
async function propose(kind, points) {
  const box = map.getView().calculateExtent(map.getSize());
  thinking.value = true;
  try {
    return await ask(`/api/assist/${kind}`, {
      method: "POST",
      body: { surface: surface.value, box, points },
    });
  } catch (error) {
    notice.value = {
      text: refusalIn(error) || t("assist.offline"),
      bad: true,
    };
    return { geometries: [] };
  } finally {
    thinking.value = false;
  }
}

/** @returns {Geometry | null} */
const first = (/** @type {Proposed} */ { geometries: [geometry] }) =>
  geometry ? roundedOf(geometry) : null;

/**
 * The damage that places inside and outside point at, with a guess of its term; null where none is seen.
 * @param {Point[]} points
 * @param {Point[]} outside
 * @returns {Promise<{geometry: Geometry, term: string, confidence: number, note: string} | null>}
 */
export async function findDamage(points, outside) {
  const box = map.getView().calculateExtent(map.getSize());
  thinking.value = true;
  try {
    const found = await ask("/api/assist/damage", {
      method: "POST",
      body: { surface: surface.value, box, points, outside },
    });
    return { ...found, geometry: roundedOf(found.geometry) };
  } catch (error) {
    // the outline of whatever is there is looked for instead, and says what is wrong; that the network is missing is said here
    if (refusalIn(error) && lacksNetworks()) notice.value = { text: refusalIn(error), bad: true };
    return null;
  } finally {
    thinking.value = false;
  }
}

/**
 * Outlines of the stones that are seen round some places, for corners to land on; none where the server cannot say.
 * @param {Point[]} points
 * @returns {Promise<Polygon[]>}
 */
export async function jointsRound(points) {
  try {
    const body = { surface: surface.value, box: [...points[0], ...points[0]], points };
    return (await ask("/api/assist/joints", { method: "POST", body })).geometries;
  } catch {
    return [];
  }
}

export const outlineAt = async (/** @type {Point} */ point) =>
  first(await propose("outline", [point]));
export const followLine = async (/** @type {Line} */ points) =>
  first(await propose("line", points));

/**
 * Stones of a course along a stroke, from its beginning to its end, with their place in the course where it is known,
 * and what was left out because it can be no stone.
 * @param {Line} points
 * @returns {Promise<{leftOut: {why: string}[], proposals: StoneProposed[]}>}
 */
export async function findCourse(points) {
  const { geometries, proposals, left_out: leftOut = [] } = await propose("course", points);
  /** @type {StoneProposed[]} */
  const unplaced = geometries.flatMap((geometry) =>
    geometry.type === "Polygon" ? { geometry } : [],
  );
  return {
    leftOut,
    proposals: (proposals ?? unplaced).map((p) => ({ ...p, geometry: roundedOf(p.geometry) })),
  };
}
