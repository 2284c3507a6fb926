// Control: pick points on a photo under a magnifier, type or read their coordinates, see the residuals at once, rectify.
import Feature from "ol/Feature.js";
import { LineString, Point } from "ol/geom.js";
import VectorLayer from "ol/layer/Vector.js";
import OlMap from "ol/Map.js";
import Projection from "ol/proj/Projection.js";
import VectorSource from "ol/source/Vector.js";
import { Fill, RegularShape, Stroke, Style, Text } from "ol/style.js";
import View from "ol/View.js";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { q } from "../data/api.js";
import { rowsOf, surface } from "../data/data.js";
import { edit, newId, notice } from "../data/edits.js";
import { startJob } from "../data/jobs.js";
import { onRename } from "../data/outbox.js";
import { takePhoto } from "../data/photos.js";
import { Entry } from "../parts/fields.jsx";
import { JobBar } from "../parts/JobBar.jsx";
import { PhotoButton } from "../parts/PhotoButton.jsx";
import { HAND } from "../wall/signs.js";
import { tileLayer } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { fitPlane, withoutLens } from "./fit.js";

const ARROW_TIMES = 60;
/** An arrow key moves the photo by one pixel of the screen, with Shift by this many. */
const FAR_PX = 30;
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

const NO_RINGS = [];

/** Points of the surface with where they are seen and how far the fit misses them. */
function judged(points, seen, camera) {
  const px = (o) => withoutLens([o.x_px, o.y_px], camera);
  const found = points.map((p) => ({
    point: p,
    obs: seen.find((o) => o.control_point === p.id) ?? null,
  }));
  const usable = found.filter(
    (f) => f.obs && f.point.role !== "check" && f.point.u_m != null && f.point.v_m != null,
  );
  const map = fitPlane(
    usable.map((f) => px(f.obs)),
    usable.map((f) => [f.point.u_m, f.point.v_m]),
  );
  for (const f of found) {
    if (map && f.obs && f.point.u_m != null && f.point.v_m != null) {
      const [u, v] = map(px(f.obs));
      f.du = u - f.point.u_m;
      f.dv = v - f.point.v_m;
    }
  }
  const rmse = (list) =>
    list.length
      ? Math.sqrt(list.reduce((s, f) => s + f.du ** 2 + f.dv ** 2, 0) / list.length)
      : null;
  const known = found.filter((f) => f.du !== undefined);
  return {
    found,
    control: rmse(known.filter((f) => f.point.role !== "check")),
    check: rmse(known.filter((f) => f.point.role === "check")),
    n: usable.length,
  };
}

export function Control() {
  const photos = rowsOf("photos").filter(
    (p) => p.subject === "elevation" && (!p.surface || p.surface === surface.value),
  );
  const [photoId, setPhotoId] = useState(photos[0]?.id ?? "");
  const photo = photos.find((p) => p.id === photoId) ?? photos[0] ?? null;
  const points = rowsOf("control_points").filter((p) => p.surface === surface.value);
  const seen = rowsOf("observations").filter((o) => o.photo === photo?.id);
  const [chosen, setChosen] = useState(points[0]?.id ?? "");
  // a new point gets its number when it arrives
  useEffect(() => onRename((from, to) => setChosen((now) => (now === from ? to : now))), []);
  const [gsd, setGsd] = useState("2");
  const result = useMemo(
    () => judged(points, seen, photo?.camera),
    [photo?.id, JSON.stringify(points), JSON.stringify(seen)],
  );
  const file = useRef(null);
  const next = (id) => {
    const open = points.filter((p) => !seen.some((o) => o.control_point === p.id) && p.id !== id);
    if (open[0]) setChosen(open[0].id);
  };
  const pick = ([x, y]) => {
    if (!chosen || !photo) {
      notice.value = { text: t("control.choose"), bad: true };
      return;
    }
    const old = seen.find((o) => o.control_point === chosen);
    const values = {
      x_px: Math.round(x * 100) / 100,
      y_px: Math.round(y * 100) / 100,
      du_m: null,
      dv_m: null,
    };
    if (old)
      edit(t("what.pick", { name: points.find((p) => p.id === chosen)?.name ?? "" }), [
        { op: "update", table: "observations", id: old.id, values },
      ]);
    else {
      edit(t("what.pick", { name: points.find((p) => p.id === chosen)?.name ?? "" }), [
        {
          op: "insert",
          table: "observations",
          id: newId(),
          values: { photo: photo.id, control_point: chosen, ...values },
        },
      ]);
      next(chosen);
    }
  };
  const add = () => {
    const id = newId();
    edit(t("what.point.new"), [
      {
        op: "insert",
        table: "control_points",
        id,
        values: {
          surface: surface.value,
          name: String(points.length + 1),
          role: "control",
          u_m: null,
          v_m: null,
          geometry: null,
        },
      },
    ]);
    setChosen(id);
  };
  const set = (p, values) => {
    const row = { ...p, ...values };
    const geometry =
      row.u_m != null && row.v_m != null
        ? { type: "Point", coordinates: [row.u_m, row.v_m] }
        : null;
    edit(t("what.point", { name: p.name }), [
      { op: "update", table: "control_points", id: p.id, values: { ...values, geometry } },
    ]);
  };
  const read = async (event) => {
    const [picked] = event.currentTarget.files;
    if (!picked) return;
    const { rows, fault } = readPoints(await picked.text());
    if (fault) {
      notice.value = { text: fault, bad: true };
      return;
    }
    const changes = rows.map((r) => {
      const old = points.find((p) => p.name === r.name);
      const values = { ...r, geometry: { type: "Point", coordinates: [r.u_m, r.v_m] } };
      return old
        ? { op: "update", table: "control_points", id: old.id, values }
        : {
            op: "insert",
            table: "control_points",
            id: newId(),
            values: { surface: surface.value, ...values },
          };
    });
    edit(t("what.points", { n: rows.length }), changes);
  };
  const mm = (m) => (m === null ? "–" : `${(m * 1000).toFixed(1)} mm`);
  return (
    <div class="control">
      <div class="control-photo">
        {photo ? (
          <PhotoView
            photo={photo}
            result={result}
            chosen={chosen}
            onPick={pick}
            onChoose={setChosen}
          />
        ) : (
          <div class="empty pad">
            <h2>{t("control.nophoto")}</h2>
            <p>{t("control.nophoto.hint")}</p>
          </div>
        )}
      </div>
      <aside class="control-list" aria-label={t("layer.control_points")}>
        <header class="head">
          <h2>{t("place.control")}</h2>
          {photos.length > 0 && (
            <select
              aria-label={t("photo")}
              value={photo?.id}
              onChange={(e) => setPhotoId(e.currentTarget.value)}
            >
              {photos.map((p) => (
                <option key={p.id} value={p.id}>
                  {p.id}
                </option>
              ))}
            </select>
          )}
          <p class="acts">
            <PhotoButton
              several
              text={t("control.photo.add")}
              onPhoto={(picture) =>
                takePhoto(picture, {
                  subject: "elevation",
                  name: picture.name,
                  surface: surface.value,
                })
              }
            />
          </p>
        </header>
        <p role="status">
          <strong>
            {t("role.control")} {mm(result.control)}
          </strong>{" "}
          ({result.n}) ·{" "}
          <strong>
            {t("role.check")} {mm(result.check)}
          </strong>
        </p>
        <p class="aside">
          {result.n < 4
            ? t("control.more", { n: 4 - result.n })
            : t(photo?.camera ? "control.fit.lens" : "control.fit", { times: ARROW_TIMES })}{" "}
          {t("control.check")}
        </p>
        <div class="scroll-x">
          <table class="plain points">
            <thead>
              <tr>
                <th scope="col">{t("control.name")}</th>
                <th scope="col">u, m</th>
                <th scope="col">v, m</th>
                <th scope="col">{t("control.role")}</th>
                <th scope="col">{t("control.misses")}</th>
              </tr>
            </thead>
            <tbody>
              {result.found.map(({ point: p, obs, du, dv }) => (
                <tr key={p.id} class={chosen === p.id ? "on" : ""} onClick={() => setChosen(p.id)}>
                  <th scope="row">
                    <Entry
                      aria-label={t("control.name.of", { name: p.name })}
                      value={p.name}
                      onCommit={(v) => v.trim() && set(p, { name: v.trim() })}
                    />
                  </th>
                  {["u_m", "v_m"].map((n) => (
                    <td key={n}>
                      <Entry
                        aria-label={t("control.axis.of", { axis: n[0], name: p.name })}
                        inputMode="decimal"
                        value={p[n] == null ? "" : String(p[n])}
                        onCommit={(v) => {
                          const x = Number(v.replace(",", "."));
                          if (v.trim() && Number.isFinite(x)) set(p, { [n]: x });
                        }}
                      />
                    </td>
                  ))}
                  <td>
                    <select
                      aria-label={t("control.role.of", { name: p.name })}
                      value={p.role}
                      onChange={(e) => set(p, { role: e.currentTarget.value })}
                    >
                      <option value="control">{t("role.control")}</option>
                      <option value="check">{t("role.check")}</option>
                    </select>
                  </td>
                  <td>
                    {du !== undefined ? (
                      `${(Math.hypot(du, dv) * 1000).toFixed(1)} mm`
                    ) : obs ? (
                      t("control.picked")
                    ) : (
                      <button type="button" class="link" onClick={() => setChosen(p.id)}>
                        {t("control.pick")}
                      </button>
                    )}
                  </td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
        <p class="acts">
          <button type="button" onClick={add}>
            {t("control.new")}
          </button>
          <input
            ref={file}
            type="file"
            accept=".csv,.txt,text/csv"
            class="visually-hidden"
            tabIndex={-1}
            aria-hidden="true"
            onChange={read}
          />
          <button type="button" onClick={() => file.current.click()}>
            {t("control.read")}
          </button>
        </p>
        <h3>{t("rectify")}</h3>
        <div class="form">
          <label class="field">
            {t("rectify.gsd")}{" "}
            <input
              inputMode="decimal"
              value={gsd}
              onInput={(e) => setGsd(e.currentTarget.value)}
              onKeyDown={(e) => e.stopPropagation()}
            />
          </label>
          <button
            type="button"
            class="main"
            disabled={
              !photo || points.filter((p) => p.role !== "check" && p.u_m != null).length < 4
            }
            onClick={() =>
              startJob("rectify", { gsd_mm: Number(gsd.replace(",", ".")) }).then(
                (j) => j?.state === "done" && location.reload(),
              )
            }
          >
            {t("rectify")}
          </button>
        </div>
        <JobBar kinds={[]} />
      </aside>
    </div>
  );
}

/** Names and coordinates from a table name,u_m,v_m[,role], commas, semicolons or tabs between. */
export function readPoints(text) {
  const lines = text
    .replace(/^\uFEFF/, "")
    .split(/\r?\n/)
    .filter((l) => l.trim());
  const mark = [",", ";", "\t"].find((m) => lines[0]?.includes(m)) ?? ",";
  const head = (lines[0] ?? "").split(mark).map((c) => c.trim().toLowerCase());
  const [n, u, v, r] = ["name", "u_m", "v_m", "role"].map((c) => head.indexOf(c));
  if (n < 0 || u < 0 || v < 0) return { rows: [], fault: t("control.table.columns") };
  const rows = [];
  for (const [i, line] of lines.slice(1).entries()) {
    const cells = line.split(mark).map((c) => c.trim());
    const row = {
      name: cells[n],
      u_m: Number(cells[u]),
      v_m: Number(cells[v]),
      role: r >= 0 && cells[r] === "check" ? "check" : "control",
    };
    if (
      !row.name ||
      !cells[u] ||
      !cells[v] ||
      !Number.isFinite(row.u_m) ||
      !Number.isFinite(row.v_m)
    )
      return { rows: [], fault: t("control.table.line", { n: i + 2 }) };
    rows.push(row);
  }
  return { rows, fault: rows.length ? "" : t("control.table.empty") };
}

/** A photo under a magnifier with marks, arrows, a ring where one is given, and flaws. */
export function PhotoView({
  photo,
  result,
  chosen,
  onPick,
  onChoose,
  ring = null,
  rings = NO_RINGS,
}) {
  const box = useRef(null);
  const glass = useRef(null);
  const state = useRef(/** @type {Record<string, any>} */ ({}));
  state.current.onPick = onPick;
  state.current.onChoose = onChoose;
  const [places] = useState(() => new VectorSource());
  // fingers hide what they point at, and keys have no pointer: both move the photo under a cross and pick there
  const [cross, setCross] = useState(() => matchMedia("(pointer:coarse)").matches);
  state.current.cross = cross;
  const onKey = (e) => {
    const [dx, dy] = {
      ArrowLeft: [-1, 0],
      ArrowRight: [1, 0],
      ArrowUp: [0, 1],
      ArrowDown: [0, -1],
    }[e.key] ?? [0, 0];
    if (dx || dy) state.current.pan(dx * (e.shiftKey ? FAR_PX : 1), dy * (e.shiftKey ? FAR_PX : 1));
    else if (e.key === "Enter" && cross) state.current.pickHere();
    else if (e.key !== "Enter") return;
    setCross(true);
    e.preventDefault();
    e.stopPropagation();
  };
  useEffect(() => {
    const { width_px: w, height_px: h } = photo;
    const projection = new Projection({ code: "photo", units: "pixels", extent: [0, -h, w, 0] });
    const levels = Math.max(1, Math.ceil(Math.log2(Math.max(1, Math.max(w, h) / 512))) + 1);
    // the photo's pixel (0, 0) has its centre at (0.5, -0.5) of this view
    const picture = () =>
      tileLayer(
        { levels, gsd_m: 1, left_m: 0, top_m: 0, width_px: w, height_px: h, tile_px: 512 },
        (l, x, y) => `/tiles/photo/${l}/${x}/${y}?id=${q(photo.id)}&v=${photo.sha256.slice(0, 12)}`,
        projection,
      );
    const marks = new VectorLayer({ source: places, style: (f) => f.get("style") });
    const view = new View({
      projection,
      center: [w / 2, -h / 2],
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
        center: [w / 2, -h / 2],
        resolution: 0.25,
        minResolution: 0.02,
      }),
    });
    const magnify = (coordinate) => {
      small.getView().setCenter(coordinate);
      small.getView().setResolution(Math.max(0.06, Math.min(0.5, view.getResolution() / 6)));
    };
    const pickAt = (/** @type {number[]} */ [x, y]) => {
      if (x >= 0 && y <= 0 && x <= w && y >= -h) state.current.onPick([x - 0.5, -y - 0.5]);
    };
    state.current.pickHere = () => pickAt(view.getCenter());
    state.current.pan = (dx, dy) =>
      view.setCenter([
        view.getCenter()[0] + dx * view.getResolution(),
        view.getCenter()[1] + dy * view.getResolution(),
      ]);
    view.on("change:center", () => {
      if (state.current.cross) magnify(view.getCenter());
    });
    const kindOf = ({ originalEvent }) => originalEvent.pointerType;
    main.on("pointermove", (event) => {
      const { coordinate } = event;
      if (kindOf(event) === "mouse") setCross(false);
      if (!state.current.cross) magnify(coordinate);
    });
    main.on("singleclick", (event) => {
      const { coordinate, pixel } = event;
      const hit = main.forEachFeatureAtPixel(pixel, (f) => f.getId(), { hitTolerance: 5 });
      if (hit) state.current.onChoose(hit);
      else if (kindOf(event) === "touch" && state.current.cross)
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
      main.setTarget(null);
      small.setTarget(null);
    };
  }, [photo.id]);
  useEffect(() => {
    places.clear();
    const known = result.found.filter((f) => f.obs);
    // metres on the wall to pixels of the photo, roughly: the scale near the middle of the points
    const scale = photoScale(known);
    if (ring) {
      const traced = new Feature(
        new LineString([...ring, ring[0]].map(([x, y]) => [x + 0.5, -y - 0.5])),
      );
      traced.set("style", arrow);
      places.addFeature(traced);
    }
    for (const flaw of rings) {
      const drawn = new Feature(
        new LineString(
          (flaw.length > 2 ? [...flaw, flaw[0]] : flaw).map(([x, y]) => [x + 0.5, -y - 0.5]),
        ),
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
      if (du !== undefined && scale) {
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
  }, [result, chosen, photo.id, ring, rings]);
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

function photoScale(known) {
  const pairs = known.filter((f) => f.point.u_m != null);
  if (pairs.length < 2) return 0;
  let [px, m] = [0, 0];
  for (let i = 1; i < pairs.length; i += 1) {
    px += Math.hypot(pairs[i].obs.x_px - pairs[0].obs.x_px, pairs[i].obs.y_px - pairs[0].obs.y_px);
    m += Math.hypot(
      pairs[i].point.u_m - pairs[0].point.u_m,
      pairs[i].point.v_m - pairs[0].point.v_m,
    );
  }
  return m ? px / m : 0;
}
