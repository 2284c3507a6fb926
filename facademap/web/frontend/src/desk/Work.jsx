// The record, made for a phone on the scaffold: stage, checks, measures, photo.
import { useEffect, useRef, useState } from "preact/hooks";
import { ask, q } from "./api.js";
import { entryOf, pictureAddress, rowsOf, tickOf } from "./data.js";
import { notice } from "./edits.js";
import { shown } from "./Record.jsx";
import { Cautions } from "./Repairs.jsx";
import { sizes, who } from "./settings.js";
import { select, selection } from "./view.js";
import { goTo } from "./wall.js";
import { stageColour } from "./signs.js";

export function WorkRecord() {
  void tickOf("repairs").value;
  const [first] = selection.value;
  const row = first?.table === "repairs" ? entryOf("repairs", first.id)?.row : first?.table === "conditions" ? rowsOf("repairs").find((r) => (r.conditions ?? []).includes(first.id)) : null;
  return row ? <Work row={row} key={row.id} /> : <Stages />;
}

function Stages() {
  const repairs = rowsOf("repairs").filter((r) => !["leave"].includes(r.treatment));
  const groups = new Map();
  for (const r of repairs) groups.set(r.stage, [...(groups.get(r.stage) ?? []), r]);
  return (
    <div class="stages"><h2>Work</h2><p class="aside">Choose a repair to see its checks.</p>
      {[...groups].map(([stage, rows]) => (
        <details key={stage} open={rows.length < 16 || groups.size < 3}><summary><span class="dot" style={{ background: stageColour(stage) }} /> {stage} <span class="count">{rows.length}</span></summary>
          <ul class="rows">{rows.map((r) => <li key={r.id}><button type="button" class="wide" onClick={() => { select("repairs", r.id); goTo("repairs", r.id); }}><strong>{shown(r.id)}</strong> {r.treatment} <span class="aside">{r.wall_stone ?? ""}{r.lift ? ` · lift ${r.lift}` : ""}</span></button></li>)}</ul></details>
      ))}
      {!repairs.length && <p class="aside">No repair is planned yet.</p>}
    </div>
  );
}

function Work({ row }) {
  const [state, setState] = useState(null);
  const [problem, setProblem] = useState(null);
  const [photo, setPhoto] = useState(null);
  const [reason, setReason] = useState("");
  const file = useRef(null);
  useEffect(() => {
    let gone = false;
    ask(`/api/work?repair=${q(row.id)}`).then((a) => !gone && setState(a), (e) => !gone && setProblem(e));
    return () => { gone = true; };
  }, [row.id, row.stage, tickOf("work_log").value]);
  const act = async (kind, body) => {
    try {
      setState(await ask(`/api/work/${kind}`, { method: "POST", body: { repair: row.id, mason: who.value, who: who.value, photo, reason, ...body } }));
      setProblem(null);
      setReason("");
      setPhoto(null);
      return true;
    } catch (error) {
      setProblem(error);
      notice.value = { text: `${error.problem ?? "No connection"}. ${error.remedy ?? "Try again when the connection is back."}`, bad: true };
      return false;
    }
  };
  const upload = async (event) => {
    const [picture] = event.currentTarget.files;
    if (!picture) return;
    try {
      const { id } = await ask(`/api/photos?subject=record&name=${q(`${row.id} ${picture.name}`)}&who=${q(who.value)}`, { method: "POST", raw: picture, type: picture.type || "image/jpeg" });
      setPhoto(id);
    } catch (error) {
      notice.value = { text: `${error.problem ?? "The photo could not be sent"}. ${error.remedy ?? ""}`, bad: true };
    }
  };
  const piece = rowsOf("pieces").find((p) => p.repair === row.id);
  const place = rowsOf("placements").find((p) => p.repair === row.id);
  return (
    <div class="work">
      <header class="head"><h2>{shown(row.id)} <span class="id">{row.treatment}</span></h2>
        <div class="figures"><span><span class="dot" style={{ background: stageColour(row.stage) }} /> {row.stage}</span><button type="button" class="quiet" onClick={() => { selection.value = []; }}>All work</button></div></header>
      {row.held_back && <p class="warn">Waits: {row.held_back}</p>}
      <Cautions list={row.cautions} open={row.stage === "proposed" || row.stage === "approved"} />
      {piece && <p class="ticket"><strong>{sizes([piece.width_m, piece.height_m, piece.depth_m], 1)}</strong> from {place ? <strong>{place.block}</strong> : "no block yet"} · bed {piece.bed}{piece.weight_kg ? ` · ${piece.weight_kg.toFixed(0)} kg` : ""}</p>}
      {problem && <p class="warn bad" role="alert">{problem.problem ?? "No connection"}. {problem.remedy ?? ""}</p>}
      {state && <>
        {["cut out", "cut-out measured", "redo"].includes(state.stage) && <CutOut onSave={(values) => act("cut-out", { values })} known={row.measured} />}
        <h3>Checks</h3>
        {!state.checks.length && <p class="aside">This treatment has no checks.</p>}
        <ul class="checks">{state.checks.map((c) => <Check key={c.criterion} check={c} onSave={(body) => act("check", { criterion: c.criterion, ...body })} />)}</ul>
        <h3>Next</h3>
        <label class="field">Reason or remark <input value={reason} onInput={(e) => setReason(e.currentTarget.value)} onKeyDown={(e) => e.stopPropagation()} /></label>
        <p class="shot"><input ref={file} type="file" accept="image/*" capture="environment" class="visually-hidden" tabIndex={-1} aria-hidden="true" onChange={upload} />
          <button type="button" onClick={() => file.current.click()}>Take a photo</button>{photo && <><img src={pictureAddress(photo, 96)} alt="Photo taken" /> goes with the next entry</>}</p>
        <div class="nexts">{state.next.map((n) => <button type="button" key={n} class={["redo", "on hold", "proposed"].includes(n) ? "" : "main"} onClick={() => act("stage", { stage: n })}>{n}</button>)}</div>
        {state.entries.length > 0 && <details><summary>Entries ({state.entries.length})</summary><ol class="history">{[...state.entries].reverse().map((e) => <li key={e.id}><p><strong>{e.stage ?? e.check}</strong> {e.result ?? ""} <span class="aside">{e.mason ?? ""} · {new Date(e.at).toLocaleString()}</span></p>{e.measured && <p class="aside">{Object.entries(e.measured).map(([n, v]) => `${n} ${[].concat(v).join(", ")}`).join(" · ")}</p>}{e.reason && <p>{e.reason}</p>}{e.photo && <img src={pictureAddress(e.photo, 240)} alt="" />}</li>)}</ol></details>}
      </>}
    </div>
  );
}

const UNITS = { m: ["mm", 0.001], c: ["°C", 1], h: ["h", 1], share: ["%", 0.01] };
const unitOf = (name) => (name.endsWith("_m") ? UNITS.m : name.endsWith("_c") ? UNITS.c : name.endsWith("_h") ? UNITS.h : name.endsWith("_share") ? UNITS.share : ["", 1]);

function Check({ check, onSave }) {
  const [text, setText] = useState("");
  const [unit, factor] = unitOf(check.measured ?? "");
  const save = (event) => {
    event.preventDefault();
    const values = text.split(/[\s;]+/).filter(Boolean).map((v) => Number(v.replace(",", ".")) * factor);
    if (!values.length || values.some((v) => !Number.isFinite(v))) return;
    onSave({ measured: { [check.measured]: values.length > 1 || ["spread", "near"].includes(check.kind) || check.measured.endsWith("s_m") ? values : values[0] } }).then((ok) => ok && setText(""));
  };
  const done = check.result === "pass" || check.result === "not applicable";
  return (
    <li class={`check-item ${check.result ?? "open"}`}>
      <p><span class="tick" aria-hidden="true">{done ? "✓" : check.result === "redo" ? "!" : "○"}</span> <strong>{check.criterion}</strong> <span class="aside">before {check.before}</span><span class="visually-hidden">{check.result ?? "open"}</span></p>
      <p class="aside">{check.text}</p>
      {!done && (check.measured ? (
        <form onSubmit={save}><span class="with-unit"><input aria-label={`${check.criterion}, measured`} inputMode="text" placeholder={["spread", "near"].includes(check.kind) || check.measured.endsWith("s_m") ? "values, with spaces between" : "value"} value={text} onInput={(e) => setText(e.currentTarget.value)} onKeyDown={(e) => e.stopPropagation()} /><span>{unit}</span></span><button>Store</button></form>
      ) : <p class="acts"><button type="button" onClick={() => onSave({ result: "pass" })}>Good</button><button type="button" onClick={() => onSave({ result: "redo", reason: "seen as not good" })}>Redo</button></p>)}
    </li>
  );
}

function CutOut({ onSave, known }) {
  const names = [["widths_m", "Widths, below and above"], ["heights_m", "Heights, left and right"], ["diagonals_m", "Both diagonals"], ["depths_m", "Depth at four corners"]];
  const [texts, setTexts] = useState(() => Object.fromEntries(names.map(([n]) => [n, (known?.[n] ?? []).map((m) => (m * 1000).toFixed(1)).join(" ")])));
  const save = (e) => {
    e.preventDefault();
    onSave(Object.fromEntries(names.map(([n]) => [n, texts[n].split(/[\s;]+/).filter(Boolean).map((v) => Number(v.replace(",", ".")) / 1000)])));
  };
  return (
    <details open={!known}><summary>Cut-out as cut</summary>
      <form class="form" onSubmit={save}>{names.map(([n, label]) => <label class="field" key={n}>{label}, mm <input inputMode="text" value={texts[n]} onInput={(e) => setTexts({ ...texts, [n]: e.currentTarget.value })} onKeyDown={(e) => e.stopPropagation()} /></label>)}<button class="wide">Store measures</button></form>
    </details>
  );
}
