// Monitoring points on the wall: a mark for each, with a sign that tells its state without colour as well.
import { effect, signal } from "@preact/signals";
import Feature from "ol/Feature.js";
import { Point } from "ol/geom.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { Fill, RegularShape, Stroke, Style, Text } from "ol/style.js";
import { ask } from "../data/api.js";
import { surface } from "../data/data.js";
import { layers } from "../data/settings.js";
import { map } from "./wall.js";

/** What is watched, as the server last told it; nothing before it was asked. */
export const watched = signal(
  /** @type {{gauges: WatchedGauge[], looks: LookedAt[]} | null} */ (null),
);

export async function askForWatched() {
  watched.value = await ask("/api/watch");
}

/**
 * Colour, sign and word of each state that the server tells.
 * @type {Record<string, [colour: string, sign: string, word: string]>}
 */
export const STATES = {
  "beyond the limit": ["#a3123a", "!", "beyond"],
  moving: ["#a85b00", "~", "moving"],
  still: ["#1f6b3a", "=", "still"],
  "cannot be told yet": ["#4a4f57", "?", "open"],
  "not read yet": ["#4a4f57", "–", "unread"],
};

const RADIUS = 11;
const styleOf = (/** @type {WatchedGauge} */ { id, verdict }) => {
  const [colour, sign] = STATES[verdict];
  return [
    new Style({
      image: new RegularShape({
        points: 4,
        radius: RADIUS,
        fill: new Fill({ color: colour }),
        stroke: new Stroke({ color: "#ffffff", width: 2 }),
      }),
      text: new Text({
        text: sign,
        fill: new Fill({ color: "#ffffff" }),
        font: "bold 13px sans-serif",
      }),
    }),
    new Style({
      text: new Text({
        text: id,
        offsetY: -18,
        font: "bold 12px sans-serif",
        fill: new Fill({ color: "#16191d" }),
        stroke: new Stroke({ color: "#ffffff", width: 3 }),
      }),
    }),
  ];
};

const source = new VectorSource({ wrapX: false });
const layer = new VectorLayer({ source, zIndex: 30 });
map.addLayer(layer);

effect(() => {
  layer.setVisible(layers.value.gauges !== false);
  source.clear(true);
  for (const gauge of watched.value?.gauges ?? []) {
    if (gauge.surface !== surface.value || !gauge.place_m) continue;
    const feature = new Feature(new Point(gauge.place_m));
    feature.setStyle(styleOf(gauge));
    source.addFeature(feature);
  }
  source.changed();
});
