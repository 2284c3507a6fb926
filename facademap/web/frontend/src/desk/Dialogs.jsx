// Dialogs: name, conflict, history, keys, refused edits.
import { useEffect, useRef, useState } from "preact/hooks";
import { ask, q } from "./api.js";
import { column, entryOf } from "./data.js";
import { labelOf } from "./fields.jsx";
import { conflict, forgetRefused, refused, resolveConflict } from "./outbox.js";
import { shown, title } from "./Record.jsx";
import { ReviewerLinks, isReviewer } from "./Review.jsx";
import { theme, units, who } from "./settings.js";
import { t } from "./texts.js";
import { dialog } from "./view.js";

export function Dialog({ title: heading, onClose, children, wide }) {
  const box = useRef(null);
  useEffect(() => {
    const before = document.activeElement;
    box.current.showModal();
    return () => before?.focus?.();
  }, []);
  return (
    <dialog ref={box} class={wide ? "wide" : ""} aria-labelledby="dialog-title" onCancel={(e) => { e.preventDefault(); onClose?.(); }} onKeyDown={(e) => e.stopPropagation()}>
      <header><h2 id="dialog-title">{heading}</h2>{onClose && <button type="button" class="close" aria-label={t("close")} onClick={onClose}>×</button>}</header>
      {children}
    </dialog>
  );
}

const show = (table, name, value) => {
  if (name === "geometry") return value ? `${value.type.toLowerCase()} of ${JSON.stringify(value.coordinates).split("[").length - 2} corners` : "–";
  if (value === null || value === undefined || value === "") return "–";
  if (column(table, name)?.unit === "m") return `${(value * 1000).toFixed(1)} mm`;
  return typeof value === "object" ? JSON.stringify(value) : String(value);
};

export function Conflict() {
  const { item, theirs } = conflict.value;
  const change = item.changes.find((c) => c.table === theirs.table && c.id === theirs.id);
  const names = Object.keys(change?.values ?? {}).filter((n) => n !== "id" && theirs.row && JSON.stringify(change.values[n] ?? null) !== JSON.stringify(theirs.row[n] ?? null));
  const [mine, setMine] = useState(() => Object.fromEntries(names.map((n) => [n, true])));
  if (!change) return null;
  if (theirs.row === null || change.op === "delete") {
    return (
      <Dialog title={t("conflict.title")}>
        <p>{theirs.row === null ? t("conflict.gone", { id: theirs.id }) : `${theirs.who ?? "Somebody"} changed ${theirs.id} after you saw it. Delete it all the same?`}</p>
        <footer class="actions">
          <button type="button" class="main" onClick={() => resolveConflict(theirs.row === null ? { ...change.values } : {})}>{theirs.row === null ? t("conflict.back") : t("tool.delete")}</button>
          <button type="button" onClick={() => resolveConflict(null)}>{theirs.row === null ? t("conflict.leave") : "Keep it"}</button>
        </footer>
      </Dialog>
    );
  }
  const kept = () => Object.fromEntries(Object.entries(change.values).filter(([n]) => !names.includes(n) || mine[n]));
  return (
    <Dialog title={t("conflict.title")} wide>
      <p>{t("conflict.text", { who: theirs.who ?? "Somebody", id: `${title(theirs.table).toLowerCase()} ${theirs.id}`, at: theirs.at ? new Date(theirs.at).toLocaleTimeString() : "" })}</p>
      <table class="compare">
        <thead><tr><th scope="col">Value</th><th scope="col">{t("conflict.mine")}</th><th scope="col">{t("conflict.theirs")}</th></tr></thead>
        <tbody>{names.map((n) => (
          <tr key={n}><th scope="row">{labelOf(n)}</th>
            {[true, false].map((own) => (
              <td key={String(own)}><label class="check"><input type="radio" name={`choose-${n}`} checked={mine[n] === own} onChange={() => setMine({ ...mine, [n]: own })} />
                {show(theirs.table, n, own ? change.values[n] : theirs.row[n])}</label></td>
            ))}</tr>
        ))}</tbody>
      </table>
      <footer class="actions">
        <button type="button" class="main" onClick={() => resolveConflict(Object.values(mine).some(Boolean) || !names.length ? kept() : null)}>{t("conflict.keep")}</button>
        <button type="button" onClick={() => resolveConflict(null)}>{t("conflict.drop")}</button>
      </footer>
    </Dialog>
  );
}

export function History({ table, id }) {
  const [entries, setEntries] = useState(null);
  useEffect(() => {
    ask(`/api/history?table=${table}&id=${q(id)}`).then((a) => setEntries(a.entries), () => setEntries([]));
  }, [table, id]);
  return (
    <Dialog title={`History of ${shown(id)}`} onClose={() => { dialog.value = null; }} wide>
      {entries === null ? <p>…</p> : !entries.length ? <p>Nothing stored yet.</p> : (
        <ol class="history">{entries.map((e) => (
          <li key={e.seq}><p><strong>{e.what}</strong> <span class="aside">{e.who} · {new Date(e.at).toLocaleString()}</span></p>
            <ul>{changed(e).map(([n, a, b]) => <li key={n}>{labelOf(n)}: {e.op !== "insert" && <><del>{show(table, n, a)}</del> → </>}{show(table, n, b)}</li>)}</ul></li>
        ))}</ol>
      )}
    </Dialog>
  );
}

function changed(e) {
  const names = new Set([...Object.keys(e.before ?? {}), ...Object.keys(e.after ?? {})]);
  const plain = (v) => (typeof v === "string" && /^[0-9A-F]{40,}$/.test(v) ? "outline" : v);
  return [...names].filter((n) => n !== "id" && JSON.stringify(e.before?.[n] ?? null) !== JSON.stringify(e.after?.[n] ?? null))
    .map((n) => (n === "geometry" ? [n, e.before?.geometry ? "before" : null, e.after?.geometry ? "outline drawn" : null].map((v) => (v === n ? n : v)) : [n, plain(e.before?.[n]), plain(e.after?.[n])]))
    .map(([n, a, b]) => (n === "geometry" ? ["outline", a ? "as before" : null, b ? "as drawn" : "–"] : [n, a, b]));
}

export function Name() {
  const [text, setText] = useState(who.value);
  const go = () => {
    who.value = text.trim();
    dialog.value = null;
  };
  return (
    <Dialog title={t("name.title")} onClose={go}>
      <p>{t("name.text")}</p>
      <form onSubmit={(e) => { e.preventDefault(); go(); }}>
        <label class="field">Name or initials <input autofocus maxLength={60} value={text} onInput={(e) => setText(e.currentTarget.value)} /></label>
        <footer class="actions"><button class="main">{t("name.go")}</button></footer>
      </form>
    </Dialog>
  );
}

const KEYS = [
  ["V", "select"], ["P", "outline, corner by corner"], ["R", "rectangle square to the bed"], ["F", "freehand"], ["L", "line"], ["O", "point"],
  ["A", "find the outline under a click"], ["W", "follow a line"], ["E", "change corners"], ["X", "split"], ["H", "hole"], ["K", "cut off"],
  ["J", "join the selection"], ["C", "copy"], ["M", "measure"], ["N", "snap on or off"], ["T", "trace a neighbour"], ["G", "grid"],
  ["Arrows", "move the drawing cursor (with Shift further), or the wall"], ["Space", "set a corner at the cursor"], ["Enter", "end the drawing"], ["Backspace", "take the last corner back, or delete the selection"],
  ["Esc", "leave"], ["Ctrl Z / Ctrl Y", "undo, redo without limit"], ["+ − 0", "nearer, farther, whole wall"], ["0–3 with Alt", "condition class of the selection"], ["/", "find in the list"], ["1–5", "workplace"],
];

export function Help() {
  return (
    <Dialog title={t("help")} onClose={() => { dialog.value = null; }} wide>
      <div class="form two">
        <div class="field"><label for="h-theme">{t("theme")}</label><select id="h-theme" value={theme.value} onChange={(e) => { theme.value = e.currentTarget.value; }}>{["day", "sun", "dark"].map((n) => <option key={n} value={n}>{t(`theme.${n}`)}</option>)}</select></div>
        <div class="field"><label for="h-units">{t("units")}</label><select id="h-units" value={units.value} onChange={(e) => { units.value = e.currentTarget.value; }}><option value="mm">millimetres</option><option value="in">inches</option></select></div>
        <label class="field">Name or initials <input maxLength={60} value={who.value} onInput={(e) => { who.value = e.currentTarget.value; }} /></label>
        <p><button type="button" onClick={() => { dialog.value = { kind: "tour", step: 0 }; }}>Show me round</button></p>
      </div>
      {!isReviewer() && <ReviewerLinks />}
      <h3>Keys</h3>
      <dl class="keys">{KEYS.map(([k, text]) => <div key={k}><dt><kbd>{k}</kbd></dt><dd>{text}</dd></div>)}</dl>
    </Dialog>
  );
}

export function RefusedEdits() {
  return (
    <Dialog title={t("refused.title", { n: refused.value.length })} onClose={() => { dialog.value = null; }} wide>
      <ul class="history">{refused.value.map((item) => (
        <li key={item.key}><p><strong>{item.what}</strong> {item.changes.map((c) => shown(c.id)).join(", ")}</p><p>{item.refusal.problem}. {item.refusal.remedy}</p>
          <p><button type="button" onClick={() => navigator.clipboard?.writeText(JSON.stringify(item.changes))}>Copy its values</button> <button type="button" class="danger" onClick={() => forgetRefused(item.key)}>Forget it</button></p></li>
      ))}</ul>
    </Dialog>
  );
}
export { entryOf };
