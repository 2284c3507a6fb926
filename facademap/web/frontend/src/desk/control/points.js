// Points of a surface in a photo: how far the fit misses them, what that proves, and points read from a table.
import { t } from "../words/texts.js";
import { fitPlane, withoutLens } from "./fit.js";

/** Control points that can be left out in turn and still prove something, as the rectification itself counts. */
const LEAST_LEFT_OUT = 6;
const LEAST_FIT = 4;
/** The elevation is grown by this share beyond the control, as the rectification itself does. */
const MARGIN = 0.05;
/** An error above this share of the control's span proves that something is wrong. */
const WORST_SHARE = 0.02;

/**
 * @typedef {(place: Point) => Point} Way From a photo to the wall, or back.
 * @typedef {{ du: number, dv: number }} Miss In metres of the wall.
 * @typedef {ControlPoint & { u_m: number, v_m: number }} Placed
 * @typedef {{ point: ControlPoint, obs: Observation | null, pixel: Point | null } & Partial<Miss>} Found
 * @typedef {Found & { point: Placed, obs: Observation, pixel: Point }} Known
 */

/** @param {Miss[]} misses */
const rmse = (misses) =>
  misses.length
    ? Math.sqrt(misses.reduce((s, { du, dv }) => s + du ** 2 + dv ** 2, 0) / misses.length)
    : null;
/**
 * @param {ControlPoint} p
 * @returns {p is Placed}
 */
const hasPlace = (p) => p.u_m != null && p.v_m != null;
/**
 * @param {Found} f
 * @returns {f is Known}
 */
const isKnown = (f) => Boolean(f.obs) && hasPlace(f.point);
/** @type {(map: Way, known: Known) => Miss} */
const missOf = (map, { pixel, point }) => {
  const [u, v] = map(pixel);
  return { du: u - point.u_m, dv: v - point.v_m };
};

/**
 * Points of the surface with where they are seen and how far the fit misses them.
 * @param {ControlPoint[]} points
 * @param {Observation[]} seen
 * @param {Photo["camera"]} [camera]
 */
export function judged(points, seen, camera) {
  /** @type {Found[]} */
  const found = points.map((point) => {
    const obs = seen.find((o) => o.control_point === point.id) ?? null;
    return { point, obs, pixel: obs && withoutLens([obs.x_px, obs.y_px], camera) };
  });
  const known = found.filter(isKnown);
  const usable = known.filter((f) => f.point.role !== "check");
  const fit = (/** @type {Known[]} */ list) =>
    fitPlane(
      list.map((f) => f.pixel),
      list.map((f) => [f.point.u_m, f.point.v_m]),
    );
  const map = fit(usable);
  const missed = map ? known.map((f) => Object.assign(f, missOf(map, f))) : [];
  const check = missed.filter((f) => f.point.role === "check");
  const left =
    usable.length >= LEAST_LEFT_OUT
      ? usable.flatMap((f) => {
          const without = fit(usable.filter((other) => other !== f));
          return without ? [missOf(without, f)] : [];
        })
      : [];
  const back = usable.length >= LEAST_FIT ? fitBack(usable) : null;
  return {
    found,
    map,
    back,
    // four points fit any photo exactly: that is no figure
    control:
      usable.length > LEAST_FIT ? rmse(missed.filter((f) => f.point.role !== "check")) : null,
    check: rmse(check),
    n: usable.length,
    proof: proofOf({ n: usable.length, check, left, span: spanOf(usable) }),
    hull: usable.length >= 3 ? hullOf(usable.map((f) => [f.obs.x_px, f.obs.y_px])) : null,
  };
}

/** @param {Known[]} list */
const fitBack = (list) =>
  fitPlane(
    list.map((f) => [f.point.u_m, f.point.v_m]),
    list.map((f) => [f.obs.x_px, f.obs.y_px]),
  );

/** @typedef {"u_m" | "v_m"} Axis */

/** @param {Known[]} list */
const spanOf = (list) => {
  const side = (/** @type {Axis} */ name) => {
    const values = list.map((f) => f.point[name]);
    return Math.max(...values) - Math.min(...values);
  };
  return list.length ? Math.max(side("u_m"), side("v_m")) : 0;
};

/**
 * What check points, or control left out in turn, prove; the words for it.
 * @param {{ n: number, check: Miss[], left: Miss[], span: number }} fitted
 */
function proofOf({ n, check, left, span }) {
  if (n < LEAST_FIT) return { proved: false, text: t("control.more", { n: LEAST_FIT - n }) };
  const judges = check.length ? check : left;
  const error = rmse(judges);
  if (error === null)
    return { proved: false, text: t(n === LEAST_FIT ? "proof.exact" : "proof.five") };
  const mm = (error * 1000).toFixed(1);
  if (error > WORST_SHARE * span) return { proved: false, text: t("proof.wrong", { mm }) };
  return check.length
    ? { proved: true, text: t("proof.check", { mm, n: check.length }) }
    : { proved: true, text: t("proof.left", { mm }) };
}

/**
 * Smallest polygon round places without a dent (Andrew 1979: the monotone chain).
 * @param {Point[]} places
 */
export function hullOf(places) {
  const sorted = [...places].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  if (sorted.length < 3) return null;
  /** @type {(o: Point, a: Point, b: Point) => number} */
  const turn = (o, a, b) => (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
  const chain = (/** @type {Point[]} */ list) => {
    /** @type {Point[]} */
    const made = [];
    for (const p of list) {
      while (made.length > 1 && turn(made[made.length - 2], made[made.length - 1], p) <= 0)
        made.pop();
      made.push(p);
    }
    return made.slice(0, -1);
  };
  const ring = [...chain(sorted), ...chain(sorted.reverse())];
  return ring.length < 3 ? null : ring;
}

/**
 * Left, bottom, right and top of what would be shown without a word: the control, grown.
 * @param {ControlPoint[]} points
 * @returns {Box | null}
 */
export function ownExtent(points) {
  const places = points.filter(hasPlace);
  if (places.length < LEAST_FIT) return null;
  const side = (/** @type {Axis} */ name) => {
    const values = places.map((p) => p[name]);
    const [low, high] = [Math.min(...values), Math.max(...values)];
    return [low - MARGIN * (high - low), high + MARGIN * (high - low)];
  };
  const [[u0, u1], [v0, v1]] = [side("u_m"), side("v_m")];
  return [u0, v0, u1, v1];
}

/**
 * The extent between two places of the wall, to the millimetre.
 * @param {Point} first
 * @param {Point} second
 * @returns {Box}
 */
export function extentBetween(first, second) {
  const sorted = (/** @type {number} */ k) => [first[k], second[k]].sort((a, b) => a - b);
  const [[u0, u1], [v0, v1]] = [sorted(0), sorted(1)];
  return [u0, v0, u1, v1].map((x) => Math.round(x * 1000) / 1000);
}

/**
 * Corners of an extent in the photo.
 * @param {Way} back
 * @param {Box} extent
 */
export const extentInPhoto = (back, [u0, v0, u1, v1]) =>
  [
    [u0, v0],
    [u1, v0],
    [u1, v1],
    [u0, v1],
  ].map(back);
