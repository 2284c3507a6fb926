// The head of the page: whose wall, which surface, whether all is stored, and the way to commands and settings.
import { entryOf, project, rowsOf, surface } from "../data/data.js";
import { redo, redoable, undo, undoable } from "../data/edits.js";
import { keeps, online, refused, signedOut, waitingEdits } from "../data/outbox.js";
import { isReviewer } from "../data/reviewer.js";
import { who } from "../data/settings.js";
import { dialog, sketching } from "../data/view.js";
import { cornerCount, stepBack, stepForth } from "../drawing/sketch.js";
import { Glyph } from "../parts/Glyph.jsx";
import { t } from "../words/texts.js";

const open = (/** @type {PlainDialog} */ kind) => () => {
  dialog.value = { kind };
};

/** One state at a time: what was refused is never beside "all saved". */
function stateNow() {
  const n = waitingEdits.value;
  const out = refused.value.length;
  if (!online.value) return ["offline", t("status.offline", { n })];
  if (n) return ["sending", t("status.sending", { n })];
  return out ? ["refused", t("refused.title", { n: out })] : ["saved", t("status.saved")];
}

function Which() {
  const row = entryOf("surfaces", surface.value)?.row;
  const surfaces = rowsOf("surfaces");
  const nameOf = (/** @type {Surface} */ s) =>
    `${entryOf("elevations", s.elevation)?.row.name ?? ""} · ${s.name}`;
  if (surfaces.length < 2) return <span class="which">{row ? nameOf(row) : ""}</span>;
  return (
    <select
      class="which"
      aria-label={t("surface")}
      value={surface.value}
      onChange={(e) => {
        surface.value = e.currentTarget.value;
      }}
    >
      {surfaces.map((s) => (
        <option key={s.id} value={s.id}>
          {nameOf(s)}
        </option>
      ))}
    </select>
  );
}

/** @param {{ name: string, text: string, keys?: string, disabled?: boolean, onClick: () => unknown }} props */
function IconButton({ name, text, keys = "", disabled = false, onClick }) {
  return (
    <button
      type="button"
      class="icon"
      title={keys ? `${text} (${keys})` : text}
      disabled={disabled}
      onClick={onClick}
    >
      <Glyph name={name} />
      <span class="visually-hidden">{text}</span>
    </button>
  );
}

export function Head() {
  const [state, words] = stateNow();
  const drawing = sketching.value && cornerCount.value > 0;
  return (
    <header class="head-line">
      <h1>{project.value?.name}</h1>
      <Which />
      <button
        type="button"
        class={`state ${state}`}
        title={t("waits.title")}
        onClick={open("waiting")}
      >
        {words}
      </button>
      <span class="visually-hidden" role="status">
        {words}
      </span>
      {refused.value.length > 0 && state !== "refused" && (
        <button type="button" class="alert" onClick={open("waiting")}>
          {t("refused.title", { n: refused.value.length })}
        </button>
      )}
      {!keeps.value && waitingEdits.value > 0 && (
        <span class="alert" role="alert">
          {t("waits.unkept")}
        </span>
      )}
      {signedOut.value && (
        <span class="alert" role="alert">
          {t("signed.out")}
        </span>
      )}
      {!isReviewer() && (
        <>
          <IconButton
            name="undo"
            text={t(drawing ? "sketch.back" : "tool.undo")}
            keys="Ctrl Z"
            disabled={!drawing && !undoable.value.length}
            onClick={drawing ? stepBack : undo}
          />
          <IconButton
            name="redo"
            text={t("tool.redo")}
            keys="Ctrl Y"
            disabled={!drawing && !redoable.value.length}
            onClick={drawing ? stepForth : redo}
          />
        </>
      )}
      <IconButton name="commands" text={t("commands")} keys="Ctrl K" onClick={open("commands")} />
      <IconButton name="help" text={t("help")} keys="?" onClick={open("help")} />
      <button type="button" class="icon person" title={t("settings")} onClick={open("settings")}>
        <Glyph name="settings" />
        <span class="who-name">{who.value}</span>
        <span class="visually-hidden">{t("settings")}</span>
      </button>
    </header>
  );
}
