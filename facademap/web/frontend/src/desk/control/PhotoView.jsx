// A photo under a magnifier: marks with the arrows of their misses, rings, flaws, an extent, and what lies outside the control.
import Feature from "ol/Feature.js";
import { LineString, Point, Polygon } from "ol/geom.js";
import VectorLayer from "ol/layer/Vector.js";
import OlMap from "ol/Map.js";
import Projection from "ol/proj/Projection.js";
import VectorSource from "ol/source/Vector.js";
import { Fill, RegularShape, Stroke, Style, Text } from "ol/style.js";
import View from "ol/View.js";
import { useEffect, useRef, useState } from "preact/hooks";
import { q } from "../data/api.js";
import { HAND } from "../wall/signs.js";
import { tileLayer } from "../wall/wall.js";
import { t } from "../words/texts.js";

export const ARROW_TIMES = 60;
/** An arrow key moves the photo by one pixel of the screen, with Shift by this many. */
const FAR_PX = 30;
/** @type {(check: boolean, name: string, on: boolean) => Style} */
const sign = (check, name, on) =>
  new Style({
    image: new RegularShape({
      points: check ? 3 : 4,
      radius: 9,
      angle: 0,
      fill: new Fill({ color: on ? HAND : "rgba(255,255,255,.8)" }),
      stroke: new Stroke({ color: "#141516", width: 2 }),
    }),
    text: new Text({
      text: name,
      font: "bold 13px Atkinson Hyperlegible",
      offsetX: 14,
      textAlign: "left",
      fill: new Fill({ color: "#141516" }),
      stroke: new Stroke({ color: "#fff", width: 4 }),
    }),
  });
const arrow = [
  new Style({ stroke: new Stroke({ color: "#fff", width: 6 }) }),
  new Style({ stroke: new Stroke({ color: "#a3141e", width: 3 }) }),
];

const flawSign = [
  new Style({ stroke: new Stroke({ color: "#141516", width: 5 }) }),
  new Style({ stroke: new Stroke({ color: "#ffffff", width: 2.4, lineDash: [7, 5] }) }),
];

/** Places that the control does not reach are covered, so that nobody measures there without knowing. */
const outsideSign = new Style({ fill: new Fill({ color: "rgba(20,21,22,.5)" }) });
const extentSign = [
  new Style({ stroke: new Stroke({ color: "#ffffff", width: 5 }) }),
  new Style({ stroke: new Stroke({ color: HAND, width: 2.4, lineDash: [9, 5] }) }),
];
/** @type {Line[]} */
const NO_RINGS = [];
/** Pixels counted from their centres, as places of this view. */
const inView = (/** @type {number[]} */ [x, y]) => [x + 0.5, -y - 0.5];

/** @type {Record<string, number[]>} */
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

/**
 * A point with where it is seen in the photo; where it lies on the wall, if that is known.
 * @typedef {{
 *   point: { id: string, name: string, role: "control" | "check", u_m?: number | null, v_m?: number | null },
 *   obs?: { x_px: number, y_px: number } | null, du?: number, dv?: number,
 * }} Mark
 * @typedef {Mark & { obs: { x_px: number, y_px: number } }} Seen
 */

/**
 * @param {Mark} mark
 * @returns {mark is Seen}
 */
const isSeen = (mark) => Boolean(mark.obs);

/** A mouse, a finger or a pen; nothing for what is no pointer. */
const pointerOf = (/** @type {{ originalEvent: Event }} */ { originalEvent }) =>
  originalEvent instanceof PointerEvent ? originalEvent.pointerType : "";

/**
 * A photo under a magnifier with marks, arrows, a ring where one is given, and flaws.
 * @param {{
 *   photo: Pick<Photo, "id" | "sha256" | "width_px" | "height_px">, result: { found: Mark[] }, chosen: string,
 *   onPick: (pixel: number[]) => void, onChoose: (id: string) => void,
 *   ring?: Line | null, rings?: Line[], hull?: Line | null, extent?: Line | null,
 * }} props
 */
export function PhotoView({
  photo,
  result,
  chosen,
  onPick,
  onChoose,
  ring = null,
  rings = NO_RINGS,
  hull = null,
  extent = null,
}) {
  const box = useRef(/** @type {HTMLDivElement | null} */ (null));
  const glass = useRef(/** @type {HTMLDivElement | null} */ (null));
  const state = useRef({
    onPick,
    onChoose,
    cross: false,
    pickHere: () => {},
    pan: (/** @type {number} */ _dx, /** @type {number} */ _dy) => {},
  });
  state.current.onPick = onPick;
  state.current.onChoose = onChoose;
  const [places] = useState(() => new VectorSource());
  // fingers hide what they point at, and keys have no pointer: both move the photo under a cross and pick there
  const [cross, setCross] = useState(() => matchMedia("(pointer:coarse)").matches);
  state.current.cross = cross;
  const onKey = (/** @type {KeyboardEvent} */ e) => {
    const [dx, dy] = WAYS[e.key] ?? [0, 0];
    if (dx || dy) state.current.pan(dx * (e.shiftKey ? FAR_PX : 1), dy * (e.shiftKey ? FAR_PX : 1));
    else if (e.key === "Enter" && cross) state.current.pickHere();
    else if (e.key !== "Enter") return;
    setCross(true);
    e.preventDefault();
    e.stopPropagation();
  };
  useEffect(() => {
    if (!box.current || !glass.current) return undefined;
    const { width_px: w, height_px: h } = photo;
    const middle = [w / 2, -h / 2];
    const projection = new Projection({ code: "photo", units: "pixels", extent: [0, -h, w, 0] });
    const levels = Math.max(1, Math.ceil(Math.log2(Math.max(1, Math.max(w, h) / 512))) + 1);
    // the photo's pixel (0, 0) has its centre at (0.5, -0.5) of this view
    const picture = () =>
      tileLayer(
        { levels, gsd_m: 1, left_m: 0, top_m: 0, width_px: w, height_px: h, tile_px: 512 },
        (/** @type {number} */ l, /** @type {number} */ x, /** @type {number} */ y) =>
          `/tiles/photo/${l}/${x}/${y}?id=${q(photo.id)}&v=${photo.sha256.slice(0, 12)}`,
        projection,
      );
    const marks = new VectorLayer({ source: places, style: (f) => f.get("style") });
    const view = new View({
      projection,
      center: middle,
      resolution: 1,
      minResolution: 0.05,
      constrainResolution: false,
    });
    const main = new OlMap({ target: box.current, controls: [], layers: [picture(), marks], view });
    let fitted = false;
    // a dialog has no size before it is open, so the whole photo is shown once there is room for it
    const fitOnce = () => {
      const size = main.getSize();
      if (fitted || !size?.[0] || !size[1]) return;
      fitted = true;
      view.fit([0, -h, w, 0], { padding: [10, 10, 10, 10], size });
    };
    const small = new OlMap({
      target: glass.current,
      controls: [],
      interactions: [],
      layers: [picture()],
      view: new View({
        projection,
        center: middle,
        resolution: 0.25,
        minResolution: 0.02,
      }),
    });
    const pixelSize = () => view.getResolution() ?? 1;
    const centre = () => view.getCenter() ?? middle;
    const magnify = (/** @type {number[]} */ coordinate) => {
      small.getView().setCenter(coordinate);
      small.getView().setResolution(Math.max(0.06, Math.min(0.5, pixelSize() / 6)));
    };
    const pickAt = (/** @type {number[]} */ [x, y]) => {
      if (x >= 0 && y <= 0 && x <= w && y >= -h) state.current.onPick([x - 0.5, -y - 0.5]);
    };
    state.current.pickHere = () => pickAt(centre());
    state.current.pan = (dx, dy) =>
      view.setCenter([centre()[0] + dx * pixelSize(), centre()[1] + dy * pixelSize()]);
    view.on("change:center", () => {
      if (state.current.cross) magnify(centre());
    });
    main.on("pointermove", (event) => {
      const { coordinate } = event;
      if (pointerOf(event) === "mouse") setCross(false);
      if (!state.current.cross) magnify(coordinate);
    });
    main.on("singleclick", (event) => {
      const { coordinate, pixel } = event;
      const hit = main.forEachFeatureAtPixel(pixel, (f) => f.getId(), { hitTolerance: 5 });
      if (hit) state.current.onChoose(String(hit));
      else if (pointerOf(event) === "touch" && state.current.cross)
        view.animate({ center: coordinate, duration: 150 });
      else pickAt(coordinate);
    });
    const seenBox = new ResizeObserver(() => {
      main.updateSize();
      small.updateSize();
      fitOnce();
    });
    seenBox.observe(box.current);
    fitOnce();
    return () => {
      seenBox.disconnect();
      main.setTarget(undefined);
      small.setTarget(undefined);
    };
  }, [photo.id]);
  useEffect(() => {
    places.clear();
    const known = result.found.filter(isSeen);
    // metres on the wall to pixels of the photo, roughly: the scale near the middle of the points
    const scale = photoScale(known);
    if (hull) {
      const { width_px: w, height_px: h } = photo;
      const whole = [
        [0, 0],
        [w, 0],
        [w, -h],
        [0, -h],
        [0, 0],
      ];
      const outside = new Feature(new Polygon([whole, [...hull, hull[0]].map(inView)]));
      outside.set("style", outsideSign);
      places.addFeature(outside);
    }
    if (extent) {
      const shown = new Feature(new LineString([...extent, extent[0]].map(inView)));
      shown.set("style", extentSign);
      places.addFeature(shown);
    }
    if (ring) {
      const traced = new Feature(new LineString([...ring, ring[0]].map(inView)));
      traced.set("style", arrow);
      places.addFeature(traced);
    }
    for (const flaw of rings) {
      const drawn = new Feature(
        new LineString((flaw.length > 2 ? [...flaw, flaw[0]] : flaw).map(inView)),
      );
      drawn.set("style", flawSign);
      places.addFeature(drawn);
    }
    for (const { point, obs, du, dv } of known) {
      const at = [obs.x_px + 0.5, -obs.y_px - 0.5];
      const mark = new Feature(new Point(at));
      mark.setId(point.id);
      mark.set("style", sign(point.role === "check", point.name, chosen === point.id));
      places.addFeature(mark);
      if (du !== undefined && dv !== undefined && scale) {
        const line = new Feature(
          new LineString([
            at,
            [at[0] + du * scale * ARROW_TIMES, at[1] + dv * scale * ARROW_TIMES],
          ]),
        );
        line.set("style", arrow);
        places.addFeature(line);
      }
    }
  }, [result, chosen, photo.id, ring, rings, hull, extent]);
  return (
    <>
      <div
        class="map"
        ref={box}
        tabIndex={0}
        role="application"
        aria-label={t("control.photo.about", { id: photo.id })}
        onKeyDownCapture={onKey}
      />
      {cross && (
        <>
          <i class="pick-cross" aria-hidden="true" />
          <button type="button" class="main pick-here" onClick={() => state.current.pickHere()}>
            {t("control.pick.here")}
          </button>
        </>
      )}
      <div class="glass" aria-hidden="true">
        <div ref={glass} />
        <i />
      </div>
    </>
  );
}

/** @param {Seen[]} known */
function photoScale(known) {
  const pairs = known.flatMap(({ point: { u_m: u, v_m: v }, obs }) =>
    u != null && v != null ? [{ x: obs.x_px, y: obs.y_px, u, v }] : [],
  );
  if (pairs.length < 2) return 0;
  let [px, m] = [0, 0];
  for (let i = 1; i < pairs.length; i += 1) {
    px += Math.hypot(pairs[i].x - pairs[0].x, pairs[i].y - pairs[0].y);
    m += Math.hypot(pairs[i].u - pairs[0].u, pairs[i].v - pairs[0].v);
  }
  return m ? px / m : 0;
}
