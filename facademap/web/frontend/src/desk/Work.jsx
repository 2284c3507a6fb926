// The record, made for a phone on the scaffold: stage, checks, measures, photo. Works on without a connection.
import { useEffect, useRef, useState } from "preact/hooks";
import { enterAct, lookAt, workState } from "./acts.js";
import { entryOf, rowsOf, tickOf } from "./data.js";
import { notice } from "./edits.js";
import { online } from "./outbox.js";
import { photoAddress, takePhoto } from "./photos.js";
import { shown } from "./Record.jsx";
import { isReviewer } from "./Review.jsx";
import { Cautions } from "./Repairs.jsx";
import { sizes, when } from "./settings.js";
import { t } from "./texts.js";
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
    <div class="stages"><h2>{t("work")}</h2><p class="aside">{t("work.choose")}</p>
      {[...groups].map(([stage, rows]) => (
        <details key={stage} open={rows.length < 16 || groups.size < 3}><summary><span class="dot" style={{ background: stageColour(stage) }} /> {stage} <span class="count">{rows.length}</span></summary>
          <ul class="rows">{rows.map((r) => <li key={r.id}><button type="button" class="wide" onClick={() => { select("repairs", r.id); goTo("repairs", r.id); }}><strong>{shown(r.id)}</strong> {r.treatment} <span class="aside">{r.wall_stone ?? ""}{r.lift ? ` · ${t("lift", { n: r.lift })}` : ""}</span></button></li>)}</ul></details>
      ))}
      {!repairs.length && <p class="aside">{t("work.none")}</p>}
    </div>
  );
}

const BACK = ["redo", "on hold", "proposed"];

function Work({ row }) {
  const [photo, setPhoto] = useState(null);
  const [reason, setReason] = useState("");
  const file = useRef(null);
  useEffect(() => {
    if (online.value) void lookAt(row.id).catch(() => {});
  }, [row.id, tickOf("work_log").value]);
  const state = workState(row.id);
  const act = (kind, body, words = reason) => {
    enterAct(row.id, kind, body, { photo, reason: words });
    setReason("");
    setPhoto(null);
    if (!online.value) notice.value = { text: t("work.kept") };
  };
  const move = (stage) => {
    if (BACK.includes(stage) && state.stage !== "on hold" && !reason.trim()) {
      notice.value = { text: t("work.reason.needed", { stage }), bad: true };
      document.getElementById("work-reason")?.focus();
      return;
    }
    act("stage", { stage });
  };
  const shoot = (event) => {
    const [picture] = event.currentTarget.files;
    if (picture) setPhoto(takePhoto(picture, { subject: "record", name: `${row.id} ${picture.name}`, surface: row.surface }));
    event.currentTarget.value = "";
  };
  const piece = rowsOf("pieces").find((p) => p.repair === row.id);
  const place = rowsOf("placements").find((p) => p.repair === row.id);
  return (
    <div class="work">
      <header class="head"><h2>{shown(row.id)} <span class="id">{row.treatment}</span></h2>
        <div class="figures"><span><span class="dot" style={{ background: stageColour(row.stage) }} /> {row.stage}</span>{state?.waits > 0 && <span class="waits-mark">{t("work.waits", { n: state.waits })}</span>}<button type="button" class="quiet" onClick={() => { selection.value = []; }}>{t("work.all")}</button></div></header>
      {row.held_back && <p class="warn">{t("repair.waits", { why: row.held_back })}</p>}
      <Cautions list={row.cautions} open={row.stage === "proposed" || row.stage === "approved"} />
      {piece && <p class="ticket"><strong>{sizes([piece.width_m, piece.height_m, piece.depth_m], 1)}</strong> {place ? <>{t("work.from")} <strong>{place.block}</strong></> : t("work.from.none")} · {t("bed.of", { bed: piece.bed })}{piece.weight_kg ? ` · ${piece.weight_kg.toFixed(0)} kg` : ""}</p>}
      {!state && <p class="aside">{t("work.unknown")}</p>}
      {state && <fieldset class="plain-set" disabled={isReviewer()}>
        {["cut out", "cut-out measured", "redo"].includes(state.stage) && <CutOut onSave={(values) => act("cut-out", { values })} known={row.measured} />}
        <h3>{t("work.checks")}</h3>
        {!state.checks.length && <p class="aside">{t("work.checks.none")}</p>}
        <ul class="checks">{state.checks.map((c) => <Check key={c.criterion} check={c} onSave={(body, words) => act("check", { criterion: c.criterion, ...body }, words)} />)}</ul>
        <h3>{t("work.next")}</h3>
        <label class="field">{t("work.reason")} <input id="work-reason" value={reason} onInput={(e) => setReason(e.currentTarget.value)} onKeyDown={(e) => e.stopPropagation()} /></label>
        <p class="shot"><input ref={file} type="file" accept="image/*" capture="environment" class="visually-hidden" tabIndex={-1} aria-hidden="true" onChange={shoot} />
          <button type="button" onClick={() => file.current.click()}>{t("photo.take")}</button>{photo && <><img src={photoAddress(photo, 96)} alt={t("photo.taken")} /> {t("photo.next")}</>}</p>
        <div class="nexts">{state.next.map((n) => <button type="button" key={n} class={BACK.includes(n) ? "" : "main"} onClick={() => move(n)}>{n}</button>)}</div>
        {state.entries.length > 0 && <Entries list={state.entries} />}
      </fieldset>}
    </div>
  );
}

function Entries({ list }) {
  return (
    <details open={list.some((e) => e.waits)}><summary>{t("work.entries", { n: list.length })}</summary><ol class="history">{[...list].reverse().map((e) => (
      <li key={e.id}><p><strong>{e.stage ?? e.check}</strong> {e.result ?? ""} <span class="aside">{e.mason ?? ""} · {when(e.at)}</span> {e.waits && <span class="waits-mark">{t("waits.here")}</span>}</p>
        {e.measured && <p class="aside">{Object.entries(e.measured).map(([n, v]) => `${n} ${[].concat(v).join(", ")}`).join(" · ")}</p>}{e.reason && <p>{e.reason}</p>}{e.photo && <img src={photoAddress(e.photo, 240)} alt={t("photo.taken")} />}</li>
    ))}</ol></details>
  );
}

const UNITS = { m: ["mm", 0.001], c: ["°C", 1], h: ["h", 1], share: ["%", 0.01] };
const unitOf = (name) => (name.endsWith("_m") ? UNITS.m : name.endsWith("_c") ? UNITS.c : name.endsWith("_h") ? UNITS.h : name.endsWith("_share") ? UNITS.share : ["", 1]);

function Check({ check, onSave }) {
  const [text, setText] = useState("");
  const [wrong, setWrong] = useState("");
  const [unit, factor] = unitOf(check.measured ?? "");
  const several = ["spread", "near"].includes(check.kind) || (check.measured ?? "").endsWith("s_m");
  const save = (event) => {
    event.preventDefault();
    const values = text.split(/[\s;]+/).filter(Boolean).map((v) => Number(v.replace(",", ".")) * factor);
    if (!values.length || values.some((v) => !Number.isFinite(v))) return;
    onSave({ measured: { [check.measured]: values.length > 1 || several ? values : values[0] } });
    setText("");
  };
  const redo = () => {
    if (!wrong.trim()) {
      notice.value = { text: t("work.wrong.needed"), bad: true };
      return;
    }
    onSave({ result: "redo" }, wrong.trim());
    setWrong("");
  };
  const done = check.result === "pass" || check.result === "not applicable";
  const waits = check.result === "waiting";
  const result = check.result ?? "missing";
  return (
    <li class={`check-item ${result}`}>
      <p><span class="tick" aria-hidden="true">{done ? "✓" : check.result === "redo" ? "!" : waits ? "…" : ""}</span> <strong>{check.criterion}</strong> <span class="aside">{t("work.before", { stage: check.before })}</span><span class="visually-hidden"> {t(`result.${result}`)}</span></p>
      <p class="aside">{check.text}</p>
      {waits && <p class="waits-mark">{t("work.judged.later")}</p>}
      {!done && !waits && (check.measured ? (
        <form onSubmit={save}><span class="with-unit"><input aria-label={t("work.measured", { name: check.criterion })} inputMode={several ? "text" : "decimal"} placeholder={t(several ? "work.values" : "value")} value={text} onInput={(e) => setText(e.currentTarget.value)} onKeyDown={(e) => e.stopPropagation()} /><span>{unit}</span></span><button>{t("store")}</button></form>
      ) : <><p class="acts"><button type="button" onClick={() => onSave({ result: "pass" })}>{t("work.good")}</button><button type="button" onClick={redo}>{t("work.redo")}</button></p>
        <input aria-label={t("work.wrong", { name: check.criterion })} placeholder={t("work.wrong.hint")} value={wrong} onInput={(e) => setWrong(e.currentTarget.value)} onKeyDown={(e) => e.stopPropagation()} /></>)}
    </li>
  );
}

const MEASURES = ["widths_m", "heights_m", "diagonals_m", "depths_m"];

function CutOut({ onSave, known }) {
  const [texts, setTexts] = useState(() => Object.fromEntries(MEASURES.map((n) => [n, (known?.[n] ?? []).map((m) => (m * 1000).toFixed(1)).join(" ")])));
  const save = (e) => {
    e.preventDefault();
    onSave(Object.fromEntries(MEASURES.map((n) => [n, texts[n].split(/[\s;]+/).filter(Boolean).map((v) => Number(v.replace(",", ".")) / 1000)])));
  };
  return (
    <details open={!known}><summary>{t("work.cutout")}</summary>
      <form class="form" onSubmit={save}>{MEASURES.map((n) => <label class="field" key={n}>{t(`work.${n}`)} <input inputMode="text" value={texts[n]} onInput={(e) => setTexts({ ...texts, [n]: e.currentTarget.value })} onKeyDown={(e) => e.stopPropagation()} /></label>)}<button class="wide">{t("work.store.measures")}</button></form>
    </details>
  );
}
