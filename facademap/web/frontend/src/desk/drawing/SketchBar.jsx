// What the keyboard does while drawing, for fingers and pens as well; sketches that were set aside; proposals gone through.

import { place, sketching } from "../data/view.js";
import { crossingsOf } from "../geometry/crossings.js";
import { t } from "../words/texts.js";
import {
  confirming,
  confirmingLeft,
  confirmingShown,
  confirmNow,
  endConfirming,
  passOver,
  rejectNow,
} from "./confirming.js";
import { dropDraft } from "./drafts.js";
import { leaveUnnamed, unnamed } from "./rows.js";
import {
  cornerCount,
  finish,
  leaveSketch,
  mended,
  resume,
  setAside,
  stepBack,
  untangle,
} from "./sketch.js";
import { confirmSure } from "./wholeWall.js";

/** @param {{name: string, children: import("preact").ComponentChildren, kind?: string}} props */
function Bar({ name, children, kind = "" }) {
  return (
    <div class={`sketch-bar ${kind}`} role="toolbar" aria-label={name}>
      {children}
    </div>
  );
}

/** A press leaves the focus where it was, so that Enter does not repeat what the pointer did. */
const keepFocus = (/** @type {Event} */ event) => event.preventDefault();

/**
 * One button of a bar, with its key.
 * @param {{text: string, keys?: string, main?: boolean, disabled?: boolean, onClick: () => void}} props
 */
function Act({ text, keys = "", main = false, disabled = false, onClick }) {
  return (
    <button
      type="button"
      class={main ? "main" : ""}
      disabled={disabled}
      onMouseDown={keepFocus}
      onClick={onClick}
    >
      {text} {keys && <kbd aria-hidden="true">{keys}</kbd>}
    </button>
  );
}

function Drawing() {
  return (
    <Bar name={t("sketch")}>
      <Act main text={t("sketch.end")} keys={t("keyname.enter")} onClick={finish} />
      <Act text={t("sketch.back")} keys="Ctrl Z" onClick={stepBack} />
      <Act text={t("sketch.leave")} keys={t("keyname.esc")} onClick={leaveSketch} />
    </Bar>
  );
}

function Mending() {
  const crosses = crossingsOf(mended.value?.corners ?? []).length > 0;
  return (
    <Bar name={t("mend")} kind="mending">
      <span role="status">{t(crosses ? "mend.crosses" : "mend.good")}</span>
      <Act
        main={!crosses}
        disabled={crosses}
        text={t("sketch.end")}
        keys={t("keyname.enter")}
        onClick={finish}
      />
      <Act main={crosses} disabled={!crosses} text={t("mend.untangle")} onClick={untangle} />
      <Act text={t("sketch.back")} keys="Ctrl Z" onClick={stepBack} />
      <Act text={t("sketch.leave")} keys={t("keyname.esc")} onClick={leaveSketch} />
    </Bar>
  );
}

/**
 * What is looked at: a stone by its place in the course, and what the machine is not sure of.
 * @param {{row: WallStone | Condition}} props
 */
function Looked({ row }) {
  const name =
    "course" in row && row.course !== null
      ? t("confirm.stone", { id: row.id, course: row.course, number: row.number ?? "?" })
      : row.id;
  return (
    <>
      <b>{name}</b>
      {row.note ? <span class="doubt">{row.note}</span> : null}
    </>
  );
}

function Confirming() {
  const row = confirmingShown();
  return (
    <Bar name={t("confirm.go")} kind="confirming">
      <span role="status">
        {row ? <Looked row={row} /> : null} {t("confirm.left", { n: confirmingLeft() })}
      </span>
      <Act main text={t("confirm.one")} keys={t("keyname.enter")} onClick={confirmNow} />
      <Act text={t("confirm.not")} keys={t("keyname.delete")} onClick={() => void rejectNow()} />
      <Act text={t("confirm.pass")} keys="→" onClick={passOver} />
      {confirming.value?.table === "wall_stones" ? (
        <Act text={t("confirm.sure")} onClick={confirmSure} />
      ) : null}
      <Act text={t("confirm.end")} keys={t("keyname.esc")} onClick={endConfirming} />
    </Bar>
  );
}

function SetAside() {
  const last = setAside().findLast((d) => d.place === place.value);
  if (!last) return null;
  return (
    <Bar name={t("aside")} kind="aside-bar">
      <span>{t("aside.sketch", { n: last.corners.length })}</span>
      <Act main text={t("aside.go")} onClick={() => resume(last)} />
      <Act text={t("aside.drop")} onClick={() => dropDraft(last.key)} />
    </Bar>
  );
}

function Unnamed() {
  return (
    <Bar name={t("unnamed")} kind="aside-bar">
      <span>{t("unnamed.count", { n: unnamed.value.length })}</span>
      <Act text={t("sketch.leave")} keys={t("keyname.esc")} onClick={leaveUnnamed} />
    </Bar>
  );
}

export function SketchBar() {
  if (confirming.value) return <Confirming />;
  if (mended.value) return <Mending />;
  if (sketching.value) return <Drawing />;
  if (unnamed.value.length) return <Unnamed />;
  return cornerCount.value ? null : <SetAside />;
}
