// Outlines of a file: understood on the server, shown on the wall, stored only when a person says so.
import Feature from "ol/Feature.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorSource from "ol/source/Vector.js";
import { useEffect, useRef, useState } from "preact/hooks";
import { surface } from "../data/data.js";
import { notice } from "../data/edits.js";
import { base64Of, job, startJob } from "../data/jobs.js";
import { may } from "../data/reviewer.js";
import { sketchStyle } from "../wall/signs.js";
import { fit, map, shapeOf } from "../wall/wall.js";
import { t } from "../words/texts.js";

const TABLES = ["wall_stones", "openings", "conditions"];
const UNITS = ["m", "cm", "mm", "in", "ft", "px"];
const ENDINGS = ".gpkg,.geojson,.json,.dxf,.kml,.fgb,.csv,.txt,.tsv,.xlsx,.ods";
/** What is sent with the words round it stays below what a request may hold. */
const MOST_BYTES = 5_500_000;
const SHOWN_NOTES = 8;

const proposed = new VectorSource({ wrapX: false });
const proposedLayer = new VectorLayer({ source: proposed, style: sketchStyle, zIndex: 44 });
map.addLayer(proposedLayer);

/**
 * The shapes of a trial on the wall, all of them in view.
 * @param {Geometry[]} shapes
 */
function show(shapes) {
  proposed.clear();
  proposed.addFeatures(shapes.map((geometry) => new Feature(shapeOf(geometry))));
  const extent = proposed.getExtent();
  if (shapes.length && extent) fit(extent, { slow: true });
}

export function Intake() {
  const [table, setTable] = useState(TABLES[0]);
  const [layer, setLayer] = useState("");
  const [unit, setUnit] = useState("");
  const [file, setFile] = useState(/** @type {File | null} */ (null));
  const [found, setFound] = useState(/** @type {Found["outlines"] | null} */ (null));
  const [fault, setFault] = useState("");
  const chooser = useRef(/** @type {HTMLInputElement | null} */ (null));
  const drop = () => {
    setFound(null);
    setFault("");
    proposed.clear();
  };
  useEffect(() => drop, []);
  if (!may("survey")) return null;
  const send = async (/** @type {File} */ picked, more = {}) => {
    if (picked.size > MOST_BYTES) {
      setFault(t("intake.large"));
      return null;
    }
    return startJob("outlines", {
      table,
      name: picked.name,
      content: await base64Of(picked),
      surface: surface.value,
      ...(layer.trim() ? { layer: layer.trim() } : {}),
      ...(unit ? { unit } : {}),
      ...more,
    });
  };
  const look = async (/** @type {File} */ picked) => {
    drop();
    setFile(picked);
    const done = await send(picked);
    if (done?.state === "done") {
      setFound(done.result);
      show(done.result.shapes);
    } else if (done?.error) setFault(`${done.error.problem}. ${done.error.remedy}`);
  };
  const store = async () => {
    if (!file || !found) return;
    const done = await send(file, {
      store: true,
      accept: found.doubts.length > 0,
    });
    if (done?.state !== "done") return;
    notice.value = { text: t("intake.stored", { n: done.result.added }) };
    drop();
    setFile(null);
  };
  const busy = job.value?.state === "running";
  return (
    <div class="intake">
      <h3>{t("intake")}</h3>
      <p class="aside">{t("intake.about")}</p>
      <div class="field">
        <label for="intake-table">{t("intake.table")}</label>
        <select id="intake-table" value={table} onChange={(e) => setTable(e.currentTarget.value)}>
          {TABLES.map((name) => (
            <option key={name} value={name}>
              {t(`layer.${name}`)}
            </option>
          ))}
        </select>
      </div>
      <div class="field">
        <label for="intake-unit">{t("intake.unit")}</label>
        <select id="intake-unit" value={unit} onChange={(e) => setUnit(e.currentTarget.value)}>
          <option value="">{t("intake.unit.own")}</option>
          {UNITS.map((name) => (
            <option key={name} value={name}>
              {name}
            </option>
          ))}
        </select>
      </div>
      <div class="field">
        <label for="intake-layer">{t("intake.layer")}</label>
        <input
          id="intake-layer"
          value={layer}
          onInput={(e) => setLayer(e.currentTarget.value)}
          onKeyDown={(e) => e.stopPropagation()}
        />
      </div>
      <p class="acts">
        <input
          ref={chooser}
          type="file"
          accept={ENDINGS}
          class="visually-hidden"
          tabIndex={-1}
          aria-hidden="true"
          onChange={(e) => {
            const picked = e.currentTarget.files?.[0];
            e.currentTarget.value = "";
            if (picked) look(picked);
          }}
        />
        <button type="button" disabled={busy} onClick={() => chooser.current?.click()}>
          {t("intake.choose")}
        </button>
        {file && (
          <button type="button" disabled={busy} onClick={() => look(file)}>
            {t("intake.again")}
          </button>
        )}
      </p>
      {fault && (
        <p class="bad" role="alert">
          {fault}
        </p>
      )}
      {found && (
        <div role="status" class="understood">
          <p>
            <strong>{found.understood}</strong>
          </p>
          {found.doubts.map((doubt) => (
            <p class="bad" key={doubt.problem}>
              {doubt.problem}. {doubt.remedy}
            </p>
          ))}
          {found.notes.length > 0 && (
            <ul>
              {found.notes.slice(0, SHOWN_NOTES).map((note) => (
                <li key={note}>{note}</li>
              ))}
            </ul>
          )}
          <p class="acts">
            <button type="button" class="main" disabled={busy} onClick={store}>
              {t(found.doubts.length ? "intake.accept" : "intake.store")}
            </button>
            <button
              type="button"
              onClick={() => {
                drop();
                setFile(null);
              }}
            >
              {t("intake.drop")}
            </button>
          </p>
        </div>
      )}
    </div>
  );
}
