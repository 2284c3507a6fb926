// A face of a block measured in its photo: two ends of a known length, one click on the face, then stored.
import { useMemo, useState } from "preact/hooks";
import { ask } from "./api.js";
import { PhotoView } from "./Control.jsx";
import { Dialog } from "./Dialogs.jsx";
import { edit, newId } from "./edits.js";
import { t } from "./texts.js";

const STEPS = ["start", "end", "click"];
const NAMES = { start: "A", end: "B", click: "●" };
const number = (text) => Number(String(text).replace(",", "."));

export function MeasureFace({ block, photo, onClose }) {
  const [marks, setMarks] = useState({});
  const [step, setStep] = useState("start");
  const [known, setKnown] = useState("");
  const [depth, setDepth] = useState(block.depth_m ? String(Math.round(block.depth_m * 1000)) : "");
  const [found, setFound] = useState(null);
  const [problem, setProblem] = useState("");
  const [busy, setBusy] = useState(false);
  const result = useMemo(() => ({ found: STEPS.filter((s) => marks[s]).map((s) => ({ point: { id: s, name: NAMES[s], role: "control" }, obs: { x_px: marks[s][0], y_px: marks[s][1] } })) }), [marks]);
  const pick = (at) => {
    const now = { ...marks, [step]: at };
    setMarks(now);
    setFound(null);
    setStep(STEPS.find((s) => !now[s]) ?? step);
  };
  const ready = STEPS.every((s) => marks[s]) && number(known) > 0;
  const trace = async () => {
    setBusy(true);
    setProblem("");
    try {
      setFound(await ask("/api/faces/measure", { method: "POST", body: { photo: photo.id, click_px: marks.click, scale_px: [...marks.start, ...marks.end], length_m: number(known) / 1000 } }));
    } catch (error) {
      setProblem(error.problem ? `${error.problem}. ${error.remedy}` : t("needs.server"));
    }
    setBusy(false);
  };
  const store = () => {
    edit(t("face.what", { id: block.id }), [{ op: "insert", table: "faces", id: newId(), values: { block: block.id, bed: "unknown", usable_depth_m: number(depth) / 1000, ...found.face } }]);
    onClose();
  };
  const again = () => {
    setMarks({});
    setStep("start");
    setFound(null);
    setProblem("");
  };
  const mm = (m) => (m * 1000).toFixed(1);
  return (
    <Dialog wide title={t("face.title", { id: block.id })} onClose={onClose}>
      <div class="measure-photo"><PhotoView photo={photo} result={result} chosen={step} onPick={pick} onChoose={setStep} ring={found?.ring_px ?? null} /></div>
      <p class="aside" role="status">{found ? t("face.size", { w: mm(found.face.width_m), pw: mm(found.width_pm95_m), h: mm(found.face.height_m), ph: mm(found.height_pm95_m) }) : STEPS.every((s) => marks[s]) ? t("face.known") : t(`face.${step}`)}</p>
      <div class="form">
        <div class="field"><label for="face-known">{t("face.known")}</label><input id="face-known" inputMode="decimal" value={known} onInput={(e) => { setKnown(e.currentTarget.value); setFound(null); }} /></div>
        <div class="field"><label for="face-depth">{t("face.depth")}</label><input id="face-depth" inputMode="decimal" value={depth} onInput={(e) => setDepth(e.currentTarget.value)} /></div>
      </div>
      {problem && <p class="warn" role="alert">{problem}</p>}
      {found && <ul class="rows aside">{found.warnings.map((w) => <li key={w}>{w}</li>)}<li>{t("face.later")}</li></ul>}
      <div class="actions">
        <button type="button" disabled={!ready || busy} onClick={trace}>{t(busy ? "face.finding" : "face.find")}</button>
        <button type="button" disabled={!found || !(number(depth) > 0)} onClick={store}>{t("face.store")}</button>
        <button type="button" class="quiet" onClick={again}>{t("face.again")}</button>
      </div>
    </Dialog>
  );
}
