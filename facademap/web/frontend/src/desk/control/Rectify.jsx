// Rectify: the part of the wall drawn on the photo, a look at what would come, and only then a new elevation.
import { useEffect, useState } from "preact/hooks";
import { entryOf, surface } from "../data/data.js";
import { startJob } from "../data/jobs.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { Entry, lengthIn, metresFault } from "../parts/fields.jsx";
import { t } from "../words/texts.js";
import { extentBetween, extentInPhoto, ownExtent } from "./points.js";

const SIDES = ["u0", "v0", "u1", "v1"];
const MOST_NAMED = 6;
const not = (/** @type {string} */ said) => (/** @type {string} */ text) => text !== said;

/**
 * What a rectification would bring, or has brought, for a surface.
 * @typedef {{
 *   earlier_jpeg: string | null, look_jpeg: string, proved: boolean, proof: string, supports_scale?: number | null,
 *   disagreement?: { text: string } | null, off_picture: Record<string, string[]>, warnings: string[],
 * }} Report
 * @typedef {{ surfaces: Record<string, Report> }} Rectified
 */

/**
 * The part of the wall that is to be shown, drawn on the photo by two corners or typed.
 * @param {ControlPoint[]} points
 * @param {{ map: import("./points.js").Way | null, back: import("./points.js").Way | null }} ways
 */
export function useExtent(points, { map, back }) {
  const [own, setOwn] = useState(/** @type {number[] | null} */ (null));
  const [first, setFirst] = useState(/** @type {number[] | null} */ (null));
  const [drawing, setDrawing] = useState(false);
  useEffect(() => {
    setOwn(null);
    setFirst(null);
    setDrawing(false);
  }, [surface.value]);
  const shape = entryOf("surfaces", surface.value)?.row.geometry;
  const corners =
    shape?.type === "MultiPolygon"
      ? shape.coordinates.flatMap((part) => part[0])
      : shape?.coordinates[0];
  const said = corners && [0, 1].map((k) => corners.map((c) => c[k]));
  const byItself = said
    ? [Math.min(...said[0]), Math.min(...said[1]), Math.max(...said[0]), Math.max(...said[1])]
    : ownExtent(points);
  const extent = own ?? byItself;
  return {
    own,
    extent,
    drawing,
    canDraw: Boolean(map),
    half: Boolean(first),
    inPhoto: extent && back ? extentInPhoto(back, extent) : null,
    begin: () => {
      setFirst(null);
      setDrawing(!drawing);
    },
    forget: () => setOwn(null),
    set: (/** @type {number} */ side, /** @type {number} */ value) => {
      const next = (extent ?? []).with(side, value);
      if (next[2] > next[0] && next[3] > next[1]) setOwn(next);
    },
    pick: (/** @type {Point} */ pixel) => {
      if (!map) return;
      const place = map(pixel);
      if (!first) {
        setFirst(place);
        return;
      }
      const drawn = extentBetween(first, place);
      setFirst(null);
      if (drawn[2] > drawn[0] && drawn[3] > drawn[1]) {
        setOwn(drawn);
        setDrawing(false);
      }
    },
  };
}

/**
 * Extent, pixel, and the look before anything is replaced.
 * @param {{ area: ReturnType<typeof useExtent>, ready: boolean }} props
 */
export function Rectify({ area, ready }) {
  const [gsd, setGsd] = useState("2");
  const [look, setLook] = useState(/** @type {Rectified | null} */ (null));
  const options = {
    gsd_mm: (lengthIn(gsd, "mm") ?? 0) * 1000,
    ...(area.own ? { extents: { [surface.value]: area.own } } : {}),
  };
  const see = async () => {
    const job = await startJob("rectify", { ...options, look: true });
    if (job?.state === "done") setLook(/** @type {Rectified} */ (job.result));
  };
  const use = async () => {
    setLook(null);
    const job = await startJob("rectify", options);
    if (job?.state === "done") location.reload();
  };
  return (
    <>
      <h3>{t("rectify")}</h3>
      <p class="aside">{t(area.own ? "extent.own" : "extent.control")}</p>
      <div class="form extent">
        {SIDES.map((side, k) => (
          <div class="field" key={side}>
            <label for={`extent-${side}`}>{t(`extent.${side}`)}</label>
            <Entry
              id={`extent-${side}`}
              inputMode="decimal"
              disabled={!area.extent}
              value={area.extent ? area.extent[k].toFixed(3) : ""}
              check={metresFault}
              onCommit={(text) => {
                const x = lengthIn(text);
                if (typeof x === "number") area.set(k, x);
              }}
            />
          </div>
        ))}
      </div>
      <p class="acts">
        <button
          type="button"
          disabled={!area.canDraw}
          aria-pressed={area.drawing}
          onClick={area.begin}
        >
          {t("extent.draw")}
        </button>
        {area.own && (
          <button type="button" onClick={area.forget}>
            {t("extent.forget")}
          </button>
        )}
      </p>
      {area.drawing && <p role="status">{t(area.half ? "extent.second" : "extent.first")}</p>}
      <div class="form">
        <div class="field">
          <label for="rectify-gsd">{t("rectify.gsd")}</label>
          <Entry
            id="rectify-gsd"
            inputMode="decimal"
            value={gsd}
            check={(text) => ((lengthIn(text, "mm") ?? 0) > 0 ? "" : t("refuse.length"))}
            onCommit={setGsd}
          />
        </div>
        <button type="button" class="main" disabled={!ready} onClick={see}>
          {t("rectify")}
        </button>
      </div>
      {look && <Look found={look} onUse={use} onClose={() => setLook(null)} />}
    </>
  );
}

/**
 * What would come, beside what is there.
 * @param {{ found: Rectified, onUse: () => void, onClose: () => void }} props
 */
function Look({ found, onUse, onClose }) {
  const replaces = Object.values(found.surfaces).some((r) => r.earlier_jpeg);
  return (
    <Dialog title={t("look.title")} wide onClose={onClose}>
      {Object.entries(found.surfaces).map(([name, report]) => (
        <section key={name}>
          <h3>{entryOf("surfaces", name)?.row.name ?? name}</h3>
          <div class="looks">
            {report.earlier_jpeg && (
              <figure>
                <img
                  src={`data:image/jpeg;base64,${report.earlier_jpeg}`}
                  alt={t("look.earlier")}
                />
                <figcaption>{t("look.earlier")}</figcaption>
              </figure>
            )}
            <figure>
              <img src={`data:image/jpeg;base64,${report.look_jpeg}`} alt={t("look.new")} />
              <figcaption>{t("look.new")}</figcaption>
            </figure>
          </div>
          <p class={report.proved ? "proof" : "proof not-proved"}>
            {report.proof}
            {report.supports_scale ? ` · 1:${report.supports_scale}` : ""}
          </p>
          {report.disagreement && <p>{report.disagreement.text}</p>}
          {Object.entries(report.off_picture).map(([table, ids]) => (
            <p class="bad" role="alert" key={table}>
              {t("look.off", {
                n: ids.length,
                what: t(`layer.${table}`),
                ids: ids.slice(0, MOST_NAMED).join(", "),
              })}
            </p>
          ))}
          {report.warnings.length > 0 && (
            <ul>
              {report.warnings
                .filter(not(report.proof))
                .slice(0, MOST_NAMED)
                .map((text) => (
                  <li key={text}>{text}</li>
                ))}
            </ul>
          )}
        </section>
      ))}
      <footer class="actions">
        <button type="button" class="main" onClick={onUse}>
          {t(replaces ? "look.replace" : "look.use")}
        </button>
        <button type="button" onClick={onClose}>
          {t(replaces ? "look.keep" : "look.back")}
        </button>
      </footer>
    </Dialog>
  );
}
