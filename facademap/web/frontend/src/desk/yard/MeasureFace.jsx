// A face of a block measured in its photo: scale by a known length or by points; its outline found from one click, or
// drawn by hand where nothing is found; flaws drawn round.
import { useMemo, useState } from "preact/hooks";
import { PhotoView } from "../control/PhotoView.jsx";
import { ask, refusalIn } from "../data/api.js";
import { edit, newId } from "../data/edits.js";
import { units } from "../data/settings.js";
import { crossingsOf } from "../geometry/crossings.js";
import { Dialog } from "../parts/Dialogs.jsx";
import { fromMetres, lengthFault, toMetres } from "../parts/fields.jsx";
import { t } from "../words/texts.js";
import { FacePoints, Flaws } from "./FaceParts.jsx";

/** @typedef {import("./FaceParts.jsx").Typed} Typed */
/** @typedef {import("./FaceParts.jsx").DrawnFlaw} DrawnFlaw */
/** @typedef {{ of: string, ring: Point[] }} Drawing A ring that is being drawn. */
/**
 * A face as the server measured it.
 * @typedef {{
 *   face: Values & { width_m: number, height_m: number }, width_pm95_m: number, height_pm95_m: number,
 *   rmse_m?: number | null, ring_px: Point[], warnings: string[],
 * }} Measured
 */

const filled = (/** @type {string} */ text) => Number.isFinite(toMetres(text) ?? NaN);
const isLong = (/** @type {string} */ text) => (toMetres(text) ?? 0) > 0;
/** @type {Typed} */
const EMPTY = { x: "", y: "", at: null };
/** @type {(a: Point, b: Point, px: number) => boolean} */
const near = (a, b, px) => Math.hypot(a[0] - b[0], a[1] - b[1]) <= px;
/** Drawn rings of the photo: round a flaw, or round the face itself. */
const [FLAW, OUTLINE] = ["flaw", "outline"];
const LEAST_CORNERS = 3;

/** @typedef {ReturnType<typeof useFace>} FaceState */

/**
 * Everything that was picked and typed, and what can be asked of the server with it.
 * @param {Block} block
 * @param {Photo} photo
 */
function useFace(block, photo) {
  const [by, setBy] = useState("length");
  const [ends, setEnds] = useState(/** @type {(Point | null)[]} */ ([null, null]));
  const [known, setKnown] = useState("");
  const [points, setPoints] = useState(() => Array.from({ length: 4 }, () => ({ ...EMPTY })));
  const [click, setClick] = useState(/** @type {Point | null} */ (null));
  const [step, setStep] = useState("0");
  const [depth, setDepth] = useState(fromMetres(block.depth_m));
  const [found, setFound] = useState(/** @type {Measured | null} */ (null));
  const [flaws, setFlaws] = useState(/** @type {DrawnFlaw[]} */ ([]));
  const [drawing, setDrawing] = useState(/** @type {Drawing | null} */ (null));
  const [byHand, setByHand] = useState(/** @type {Point[] | null} */ (null));

  const scale =
    by === "length"
      ? ends.map((at, i) => ({ id: String(i), name: "AB"[i], at }))
      : points.map((p, i) => ({ id: String(i), name: String(i + 1), at: p.at }));
  const marks = [...scale, { id: "click", name: "●", at: byHand ? null : click }];
  const used = points.flatMap(({ x, y, at }) =>
    at && filled(x) && filled(y) ? [[...at, toMetres(x), toMetres(y)]] : [],
  );
  const scaled = by === "length" ? ends.every(Boolean) && isLong(known) : used.length >= 4;

  const endDrawing = (/** @type {Drawing} */ { of, ring }) => {
    if (of === FLAW) setFlaws([...flaws, { ring, kind: "crack", depth: "" }]);
    else {
      setByHand(ring);
      setFound(null);
    }
    setDrawing(null);
  };
  const pickInRing = (/** @type {Drawing} */ { of, ring }, /** @type {Point} */ at) => {
    const closes =
      ring.length >= LEAST_CORNERS && near(at, ring[0], Math.max(8, photo.width_px / 120));
    if (closes) endDrawing({ of, ring });
    else setDrawing({ of, ring: [...ring, at] });
  };
  const pick = (/** @type {Point} */ at) => {
    if (drawing) {
      pickInRing(drawing, at);
      return;
    }
    if (step === "click") {
      setClick(at);
      setByHand(null);
    } else if (by === "length") setEnds(ends.map((e, i) => (String(i) === step ? at : e)));
    else setPoints(points.map((p, i) => (String(i) === step ? { ...p, at } : p)));
    setFound(null);
    setFlaws([]);
    setStep(marks.find((m) => m.id !== step && !m.at)?.id ?? "click");
  };
  const again = () => {
    setEnds([null, null]);
    setPoints(points.map((p) => ({ ...p, at: null })));
    setClick(null);
    setByHand(null);
    setStep("0");
    setFound(null);
    setFlaws([]);
    setDrawing(null);
  };
  const asked = () => ({
    photo: photo.id,
    ...(byHand ? { ring_px: byHand } : { click_px: click }),
    flaws: flaws.map((f) => ({
      kind: f.kind,
      ring_px: f.ring,
      depth_m: filled(f.depth) ? toMetres(f.depth) : null,
    })),
    ...(by === "length"
      ? { scale_px: ends.flatMap((at) => at ?? []), length_m: toMetres(known) }
      : { points: used }),
  });
  return {
    ...{ by, known, points, step, depth, found, flaws, drawing, byHand, marks, scaled },
    ...{ setStep, setDepth, setFound, setFlaws, setDrawing, endDrawing, pick, again, asked },
    ready: scaled && Boolean(byHand ?? click) && !drawing,
    setKnown: (/** @type {string} */ text) => {
      setKnown(text);
      setFound(null);
    },
    setPoints: (/** @type {Typed[]} */ typed) => {
      setPoints(typed);
      setFound(null);
    },
    choose: (/** @type {string} */ way) => {
      setBy(way);
      setStep("0");
      setFound(null);
    },
  };
}

const mm = (/** @type {number} */ m) => (m * 1000).toFixed(1);

/**
 * What the next click does, or how large the face was found.
 * @param {FaceState} face
 */
function hintOf(face) {
  const { found, drawing, step, by, byHand, scaled } = face;
  if (found && !drawing) {
    const { face: told, width_pm95_m: pw, height_pm95_m: ph, rmse_m: rmse } = found;
    const size = { w: mm(told.width_m), pw: mm(pw), h: mm(told.height_m), ph: mm(ph) };
    return t("face.size", size) + (rmse == null ? "" : ` · ${t("face.rmse", { mm: mm(rmse) })}`);
  }
  if (drawing) return t(drawing.of === FLAW ? "face.flaw.hint" : "face.outline.hint");
  if (byHand && scaled) return t("face.outline.drawn", { n: byHand.length });
  if (step === "click") return t("face.click");
  if (by === "points") return t("face.points.click", { n: Number(step) + 1 });
  return t(step === "0" ? "face.start" : "face.end");
}

/**
 * The photo with everything that was picked on it.
 * @param {{ face: FaceState, photo: Photo }} props
 */
function FacePhoto({ face, photo }) {
  const { marks, flaws, drawing, byHand, found, step } = face;
  const result = useMemo(
    () => ({
      found: marks.map(({ id, name, at }) => ({
        point: { id, name, role: /** @type {const} */ ("control") },
        obs: at && { x_px: at[0], y_px: at[1] },
      })),
    }),
    [JSON.stringify(marks)],
  );
  const rings = useMemo(
    () => [
      ...flaws.map((f) => f.ring),
      ...(drawing && drawing.ring.length > 1 ? [drawing.ring] : []),
    ],
    [flaws, drawing],
  );
  return (
    <div class="measure-photo">
      <PhotoView
        photo={photo}
        result={result}
        chosen={step}
        onPick={face.pick}
        onChoose={drawing ? () => {} : face.setStep}
        ring={found?.ring_px ?? byHand}
        rings={rings}
      />
    </div>
  );
}

/**
 * A length in a box of its own, refused in words.
 * @param {{ id: string, text: string, value: string, onType: (text: string) => void }} props
 */
function LengthField({ id, text, value, onType }) {
  const fault = lengthFault(value);
  return (
    <div class="field">
      <label for={id}>{text}</label>
      <input
        id={id}
        inputMode="text"
        aria-invalid={fault ? "true" : undefined}
        aria-describedby={fault ? `${id}-fault` : undefined}
        value={value}
        onInput={(e) => onType(e.currentTarget.value)}
      />
      {fault && (
        <span class="fault" id={`${id}-fault`} role="alert">
          {fault}
        </span>
      )}
    </div>
  );
}

/** @param {{ face: FaceState }} props */
function Scale({ face }) {
  const { by, known, depth, points, step } = face;
  const unit = t(`units.${units.value}`);
  return (
    <>
      <div class="form">
        <fieldset class="plain-set">
          <label class="field">
            {t("face.by")}{" "}
            <select value={by} onChange={(e) => face.choose(e.currentTarget.value)}>
              {["length", "points"].map((n) => (
                <option key={n} value={n}>
                  {t(`face.by.${n}`)}
                </option>
              ))}
            </select>
          </label>
        </fieldset>
        {by === "length" && (
          <LengthField
            id="face-known"
            text={t("face.known", { unit: units.value })}
            value={known}
            onType={face.setKnown}
          />
        )}
        <LengthField
          id="face-depth"
          text={t("face.depth", { unit: units.value })}
          value={depth}
          onType={face.setDepth}
        />
      </div>
      {by === "points" && (
        <FacePoints
          points={points}
          step={step}
          unit={unit}
          short={units.value}
          onStep={face.setStep}
          onType={(i, values) =>
            face.setPoints(points.map((q, k) => (k === i ? { ...q, ...values } : q)))
          }
          onMore={() => face.setPoints([...points, { ...EMPTY }])}
        />
      )}
    </>
  );
}

/**
 * Buttons of a ring that is being drawn, or to begin one.
 * @param {{ face: FaceState }} props
 */
function Rings({ face }) {
  const { drawing, found } = face;
  if (!drawing)
    return (
      <p class="acts">
        <button type="button" onClick={() => face.setDrawing({ of: OUTLINE, ring: [] })}>
          {t("face.outline")}
        </button>
        {found && (
          <button type="button" onClick={() => face.setDrawing({ of: FLAW, ring: [] })}>
            {t("face.flaw")}
          </button>
        )}
      </p>
    );
  const { of, ring } = drawing;
  const crosses = crossingsOf(ring).length > 0;
  return (
    <>
      {crosses && (
        <p class="warn" role="status">
          {t("sketch.crosses")}
        </p>
      )}
      <p class="acts">
        <button
          type="button"
          class="main"
          disabled={ring.length < LEAST_CORNERS || crosses}
          onClick={() => face.endDrawing(drawing)}
        >
          {t(of === FLAW ? "face.flaw.end" : "face.outline.end")}
        </button>
        <button
          type="button"
          disabled={!ring.length}
          onClick={() => face.setDrawing({ of, ring: ring.slice(0, -1) })}
        >
          {t("sketch.back")}
        </button>
        <button type="button" onClick={() => face.setDrawing(null)}>
          {t("sketch.leave")}
        </button>
      </p>
    </>
  );
}

/** @param {{ face: FaceState, found: Measured }} props */
function Found({ face, found }) {
  const { flaws } = face;
  return (
    <>
      <h3>{t("face.flaws")}</h3>
      <Flaws
        flaws={flaws}
        unit={t(`units.${units.value}`)}
        onChange={(i, values) =>
          face.setFlaws(flaws.map((f, k) => (k === i ? { ...f, ...values } : f)))
        }
        onTakeOut={(i) => face.setFlaws(flaws.filter((_, k) => k !== i))}
      />
      <ul class="rows aside">
        {found.warnings.map((w) => (
          <li key={w}>{w}</li>
        ))}
        <li>{t("face.later")}</li>
      </ul>
    </>
  );
}

/** @param {{ block: Block, photo: Photo, onClose: () => void }} props */
export function MeasureFace({ block, photo, onClose }) {
  const face = useFace(block, photo);
  const [problem, setProblem] = useState("");
  const [busy, setBusy] = useState(false);
  const { found } = face;
  const attempt = async (/** @type {(told: Measured) => void} */ then) => {
    setBusy(true);
    setProblem("");
    try {
      then(await ask("/api/faces/measure", { method: "POST", body: face.asked() }));
    } catch (error) {
      setProblem(refusalIn(error) || t("needs.server"));
    }
    setBusy(false);
  };
  const store = () =>
    attempt((told) => {
      const values = {
        block: block.id,
        bed: "unknown",
        usable_depth_m: toMetres(face.depth),
        ...told.face,
      };
      edit(t("face.what", { id: block.id }), [
        { op: "insert", table: "faces", id: newId(), values },
      ]);
      onClose();
    });
  return (
    <Dialog wide title={t("face.title", { id: block.id })} onClose={onClose}>
      <FacePhoto face={face} photo={photo} />
      <p class="aside" role="status">
        {hintOf(face)}
      </p>
      <Scale face={face} />
      {problem && (
        <div class="warn" role="alert">
          <p>{problem}</p>
          <p>{t("face.outline.instead")}</p>
        </div>
      )}
      <Rings face={face} />
      {found && <Found face={face} found={found} />}
      <div class="actions">
        <button
          type="button"
          class={found ? "" : "main"}
          disabled={!face.ready || busy}
          onClick={() => attempt(face.setFound)}
        >
          {t(busy ? "face.finding" : face.byHand ? "face.measure" : "face.find")}
        </button>
        <button
          type="button"
          class={found ? "main" : ""}
          disabled={!found || busy || face.drawing !== null || !isLong(face.depth)}
          onClick={store}
        >
          {t("face.store")}
        </button>
        <button
          type="button"
          class="quiet"
          onClick={() => {
            face.again();
            setProblem("");
          }}
        >
          {t("face.again")}
        </button>
      </div>
    </Dialog>
  );
}
