// A face of a block measured in its photo: scale by a known length or by points, one click on the face, flaws drawn round.
import { useMemo, useState } from "preact/hooks";
import { ask } from "./api.js";
import { PhotoView } from "./Control.jsx";
import { Dialog } from "./Dialogs.jsx";
import { edit, newId } from "./edits.js";
import { fromMetres, toMetres } from "./fields.jsx";
import { units } from "./settings.js";
import { t } from "./texts.js";

const FLAWS = ["crack", "hole", "stain", "vein", "spall"];
const filled = (text) => Number.isFinite(toMetres(text) ?? NaN);
const EMPTY = { x: "", y: "", at: null };
const near = (a, b, px) => Math.hypot(a[0] - b[0], a[1] - b[1]) <= px;

export function MeasureFace({ block, photo, onClose }) {
  const [by, setBy] = useState("length");
  const [ends, setEnds] = useState([null, null]);
  const [known, setKnown] = useState("");
  const [points, setPoints] = useState(() => Array.from({ length: 4 }, () => ({ ...EMPTY })));
  const [click, setClick] = useState(null);
  const [step, setStep] = useState("0");
  const [depth, setDepth] = useState(fromMetres(block.depth_m));
  const [found, setFound] = useState(null);
  const [flaws, setFlaws] = useState([]);
  const [drawing, setDrawing] = useState(null);
  const [problem, setProblem] = useState("");
  const [busy, setBusy] = useState(false);

  const scale =
    by === "length"
      ? ends.map((at, i) => ({ id: String(i), name: "AB"[i], at }))
      : points.map((p, i) => ({ id: String(i), name: String(i + 1), at: p.at }));
  const marks = [...scale, { id: "click", name: "●", at: click }];
  const result = useMemo(
    () => ({
      found: marks
        .filter((m) => m.at)
        .map((m) => ({
          point: { id: m.id, name: m.name, role: "control" },
          obs: { x_px: m.at[0], y_px: m.at[1] },
        })),
    }),
    [JSON.stringify(marks)],
  );
  const rings = useMemo(
    () => [...flaws.map((f) => f.ring), ...(drawing?.length > 1 ? [drawing] : [])],
    [flaws, drawing],
  );

  const nextStep = (done) => marks.find((m) => m.id !== done && !m.at)?.id ?? "click";
  const choose = (way) => {
    setBy(way);
    setStep("0");
    setFound(null);
  };
  const pick = (at) => {
    if (drawing) {
      if (drawing.length > 2 && near(at, drawing[0], Math.max(8, photo.width_px / 120)))
        endFlaw(drawing);
      else setDrawing([...drawing, at]);
      return;
    }
    if (step === "click") setClick(at);
    else if (by === "length") setEnds(ends.map((e, i) => (String(i) === step ? at : e)));
    else setPoints(points.map((p, i) => (String(i) === step ? { ...p, at } : p)));
    setFound(null);
    setFlaws([]);
    setStep(nextStep(step));
  };
  const endFlaw = (ring) => {
    setFlaws([...flaws, { ring, kind: "crack", depth: "" }]);
    setDrawing(null);
  };
  const change = (i, values) => setFlaws(flaws.map((f, k) => (k === i ? { ...f, ...values } : f)));
  const used = points.filter((p) => p.at && filled(p.x) && filled(p.y));
  const ready =
    click && (by === "length" ? ends.every(Boolean) && toMetres(known) > 0 : used.length >= 4);

  const measure = () =>
    ask("/api/faces/measure", {
      method: "POST",
      body: {
        photo: photo.id,
        click_px: click,
        flaws: flaws.map((f) => ({
          kind: f.kind,
          ring_px: f.ring,
          depth_m: filled(f.depth) ? toMetres(f.depth) : null,
        })),
        ...(by === "length"
          ? { scale_px: [...ends[0], ...ends[1]], length_m: toMetres(known) }
          : { points: used.map((p) => [...p.at, toMetres(p.x), toMetres(p.y)]) }),
      },
    });
  const attempt = async (then) => {
    setBusy(true);
    setProblem("");
    try {
      then(await measure());
    } catch (error) {
      setProblem(error.problem ? `${error.problem}. ${error.remedy}` : t("needs.server"));
    }
    setBusy(false);
  };
  const store = () =>
    attempt((told) => {
      edit(t("face.what", { id: block.id }), [
        {
          op: "insert",
          table: "faces",
          id: newId(),
          values: {
            block: block.id,
            bed: "unknown",
            usable_depth_m: toMetres(depth),
            ...told.face,
          },
        },
      ]);
      onClose();
    });
  const again = () => {
    setEnds([null, null]);
    setPoints(points.map((p) => ({ ...p, at: null })));
    setClick(null);
    setStep("0");
    setFound(null);
    setFlaws([]);
    setDrawing(null);
    setProblem("");
  };
  const mm = (m) => (m * 1000).toFixed(1);
  const unit = t(`units.${units.value}`);
  const hint = drawing
    ? t("face.flaw.hint")
    : step === "click"
      ? t("face.click")
      : by === "length"
        ? t(step === "0" ? "face.start" : "face.end")
        : t("face.points.click", { n: Number(step) + 1 });
  return (
    <Dialog wide title={t("face.title", { id: block.id })} onClose={onClose}>
      <div class="measure-photo">
        <PhotoView
          photo={photo}
          result={result}
          chosen={step}
          onPick={pick}
          onChoose={drawing ? () => {} : setStep}
          ring={found?.ring_px ?? null}
          rings={rings}
        />
      </div>
      <p class="aside" role="status">
        {found && !drawing
          ? t("face.size", {
              w: mm(found.face.width_m),
              pw: mm(found.width_pm95_m),
              h: mm(found.face.height_m),
              ph: mm(found.height_pm95_m),
            }) + (found.rmse_m == null ? "" : ` · ${t("face.rmse", { mm: mm(found.rmse_m) })}`)
          : hint}
      </p>
      <div class="form">
        <fieldset class="plain-set">
          <label class="field">
            {t("face.by")}{" "}
            <select value={by} onChange={(e) => choose(e.currentTarget.value)}>
              {["length", "points"].map((n) => (
                <option key={n} value={n}>
                  {t(`face.by.${n}`)}
                </option>
              ))}
            </select>
          </label>
        </fieldset>
        {by === "length" && (
          <div class="field">
            <label for="face-known">{t("face.known", { unit: units.value })}</label>
            <input
              id="face-known"
              inputMode="decimal"
              value={known}
              onInput={(e) => {
                setKnown(e.currentTarget.value);
                setFound(null);
              }}
            />
          </div>
        )}
        <div class="field">
          <label for="face-depth">{t("face.depth", { unit: units.value })}</label>
          <input
            id="face-depth"
            inputMode="decimal"
            value={depth}
            onInput={(e) => setDepth(e.currentTarget.value)}
          />
        </div>
      </div>
      {by === "points" && (
        <div class="face-points">
          <p class="aside">{t("face.points.hint", { unit })}</p>
          <table class="plain">
            <thead>
              <tr>
                <th scope="col">{t("one.control_points")}</th>
                <th scope="col">{t("face.x", { unit: units.value })}</th>
                <th scope="col">{t("face.y", { unit: units.value })}</th>
              </tr>
            </thead>
            <tbody>
              {points.map((p, i) => (
                <tr key={i} class={step === String(i) ? "on" : ""}>
                  <th scope="row">
                    <button
                      type="button"
                      class="link"
                      aria-label={t("face.point.place", { n: i + 1 })}
                      onClick={() => setStep(String(i))}
                    >
                      {i + 1} {p.at ? "✓" : t("control.pick")}
                    </button>
                  </th>
                  {["x", "y"].map((axis) => (
                    <td key={axis}>
                      <input
                        aria-label={t(`face.point.${axis}`, { n: i + 1, unit })}
                        inputMode="decimal"
                        value={p[axis]}
                        onInput={(e) => {
                          setPoints(
                            points.map((q, k) =>
                              k === i ? { ...q, [axis]: e.currentTarget.value } : q,
                            ),
                          );
                          setFound(null);
                        }}
                      />
                    </td>
                  ))}
                </tr>
              ))}
            </tbody>
          </table>
          <button type="button" class="quiet" onClick={() => setPoints([...points, { ...EMPTY }])}>
            {t("face.point.add")}
          </button>
        </div>
      )}
      {problem && (
        <p class="warn" role="alert">
          {problem}
        </p>
      )}
      {found && (
        <>
          <h3>{t("face.flaws")}</h3>
          <ul class="flaws">
            {flaws.map((f, i) => (
              <li key={i}>
                <span>{i + 1}</span>
                <select
                  aria-label={t("face.flaw.kind", { n: i + 1 })}
                  value={f.kind}
                  onChange={(e) => change(i, { kind: e.currentTarget.value })}
                >
                  {FLAWS.map((k) => (
                    <option key={k} value={k}>
                      {t(`flaw.${k}`)}
                    </option>
                  ))}
                </select>
                <input
                  aria-label={t("face.flaw.depth", { n: i + 1, unit })}
                  placeholder={t("face.flaw.through")}
                  inputMode="decimal"
                  value={f.depth}
                  onInput={(e) => change(i, { depth: e.currentTarget.value })}
                />
                <button
                  type="button"
                  class="quiet"
                  aria-label={t("face.flaw.out", { n: i + 1 })}
                  onClick={() => setFlaws(flaws.filter((_, k) => k !== i))}
                >
                  ×
                </button>
              </li>
            ))}
          </ul>
          <p class="acts">
            {drawing ? (
              <button type="button" disabled={drawing.length < 3} onClick={() => endFlaw(drawing)}>
                {t("face.flaw.end")}
              </button>
            ) : (
              <button type="button" onClick={() => setDrawing([])}>
                {t("face.flaw")}
              </button>
            )}
          </p>
          <ul class="rows aside">
            {found.warnings.map((w) => (
              <li key={w}>{w}</li>
            ))}
            <li>{t("face.later")}</li>
          </ul>
        </>
      )}
      <div class="actions">
        <button
          type="button"
          class={found ? "" : "main"}
          disabled={!ready || busy}
          onClick={() => attempt(setFound)}
        >
          {t(busy ? "face.finding" : "face.find")}
        </button>
        <button
          type="button"
          class={found ? "main" : ""}
          disabled={!found || busy || drawing !== null || !(toMetres(depth) > 0)}
          onClick={store}
        >
          {t("face.store")}
        </button>
        <button type="button" class="quiet" onClick={again}>
          {t("face.again")}
        </button>
      </div>
    </Dialog>
  );
}
