// What lies outside the control is covered lightly: places there are extrapolated.
import { effect } from "@preact/signals";
import Feature from "ol/Feature.js";
import { Polygon } from "ol/geom.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { Fill, Stroke, Style } from "ol/style.js";
import { entryOf, pictures, surface } from "../data/data.js";
import { layers } from "../data/settings.js";
import { map, pictureExtent } from "./wall.js";

/** Less than this share of the picture is not worth a cover. */
const LEAST_SHARE = 0.005;
const cover = new Style({
  fill: new Fill({ color: "rgba(20,21,22,.34)" }),
  stroke: new Stroke({ color: "#ffffff", width: 1.6, lineDash: [6, 5] }),
});
const source = new VectorSource({ wrapX: false });
const layer = new VectorLayer({ source, style: cover, zIndex: 5 });
map.addLayer(layer);

effect(() => {
  layer.setVisible(layers.value.outside !== false);
  source.clear(true);
  const name = surface.value;
  const report = name && pictures.value[name] ? entryOf("surfaces", name)?.row.report : null;
  const hull = report?.control_hull_m;
  if (hull && hull.length > 2 && (report.outside_share ?? 0) >= LEAST_SHARE) {
    const [u0, v0, u1, v1] = pictureExtent(name);
    const whole = [
      [u0, v0],
      [u1, v0],
      [u1, v1],
      [u0, v1],
      [u0, v0],
    ];
    source.addFeature(new Feature(new Polygon([whole, [...hull, hull[0]]])));
  } else source.changed();
});
