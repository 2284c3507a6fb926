// The keyboard of the desk. While something is drawn, digits and Ctrl Z belong to the drawing.
import { useEffect } from "preact/hooks";
import { notice, redo, undo } from "../data/edits.js";
import { conflict } from "../data/outbox.js";
import { isReviewer, readsHere } from "../data/reviewer.js";
import { grid, snapping, togetherOn, tracing } from "../data/settings.js";
import { templates, useTemplate } from "../data/shared.js";
import { dialog, panel, place, selection, sheetOpen, tool } from "../data/view.js";
import { mayEdit, toolsNow } from "../drawing/actions.js";
import { chooseInView, chooseKind } from "../drawing/choosing.js";
import {
  beginConfirming,
  confirming,
  confirmNow,
  endConfirming,
  passOver,
  rejectNow,
} from "../drawing/confirming.js";
import { openMenuForChosen } from "../drawing/contextmenu.js";
import {
  addCorner,
  hasCorner,
  leaveCorner,
  nudgeCorner,
  removeCorner,
  stepCorner,
} from "../drawing/corners.js";
import { removeChosen } from "../drawing/deleting.js";
import { copy, copyOn, merge, moveChosen } from "../drawing/operations.js";
import { enter, onTheWall, PLACES, takeTool } from "../drawing/places.js";
import { nameThem, unnamed } from "../drawing/rows.js";
import {
  finish,
  hasSketch,
  isDrawing,
  moveCursor,
  stepBack,
  stepForth,
} from "../drawing/sketch.js";
import { cancel, KEYS, setVertex } from "../drawing/tools.js";
import { classify } from "../parts/classify.js";
import { useChange } from "../survey/Record.jsx";
import { fitWall, goTo, map, takeView, zoomBy } from "../wall/wall.js";
import { t } from "../words/texts.js";

/** @typedef {import("../survey/Record.jsx").SetColumn} SetColumn */

const typing = (/** @type {EventTarget | null} */ target) =>
  target instanceof HTMLElement &&
  (["INPUT", "TEXTAREA", "SELECT"].includes(target.tagName) || target.isContentEditable);
const flip = (/** @type {Signal<boolean>} */ signal) => {
  signal.value = !signal.value;
};

/**
 * Ctrl and a letter; whether it was one of the desk's.
 * @param {string} key
 * @param {boolean} shift
 */
function withCtrl(key, shift) {
  if (key === "z" && !shift) {
    if (hasSketch()) stepBack();
    else void undo();
  } else if (key === "y" || (key === "z" && shift)) {
    if (hasSketch()) stepForth();
    else void redo();
  } else if (key === "k") dialog.value = { kind: "commands" };
  else if (key === "a" && onTheWall()) {
    if (shift && selection.value.length) chooseKind(selection.value[0]);
    else chooseInView();
  } else return false;
  return true;
}

/** @type {Record<string, () => unknown>} */
const CONFIRMING = {
  Enter: confirmNow,
  Delete: rejectNow,
  Backspace: rejectNow,
  ArrowRight: passOver,
  Escape: endConfirming,
};

/**
 * Proposals are gone through by three keys; Enter on a button presses that button.
 * @param {string} key
 * @param {Element | null} target
 */
function whileConfirming(key, target) {
  if (key === "Enter" && target?.closest("button, a, summary")) return false;
  const act = CONFIRMING[key];
  if (act) void act();
  return Boolean(act);
}

/**
 * A digit goes to what is drawn, and to a workplace only where nothing is in hand.
 * @param {string} key
 */
function digit(key) {
  const drawing = isDrawing() || tool.value === "mend";
  if (hasSketch()) notice.value = { text: t("sketch.digit") };
  else if (unnamed.value.length) notice.value = { text: t("hint.unnamed") };
  else if (drawing && /^[0-3]$/.test(key) && selection.value[0]?.table === "conditions")
    classify(() =>
      document.activeElement?.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true })),
    );
  else if (drawing) notice.value = { text: t("digit.tool") };
  else if (/^[1-5]$/.test(key)) enter(PLACES[Number(key) - 1]);
  else if (key === "0" && onTheWall()) fitWall();
  else return false;
  return true;
}

/** @type {Record<string, [number, number]>} */
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

/**
 * @param {string} key
 * @param {boolean} far
 */
function arrow(key, far) {
  const [dx, dy] = WAYS[key];
  const view = map.getView();
  const pixel = view.getResolution() ?? 0;
  if (isDrawing()) moveCursor(dx, dy, far);
  else if (hasCorner()) nudgeCorner(dx, dy, far);
  else if (tool.value === "move" && selection.value.length) {
    const step = pixel * (far ? 16 : 2);
    moveChosen([dx * step, dy * step]);
  } else {
    const step = pixel * (far ? 300 : 90);
    const [x, y] = view.getCenter() ?? [0, 0];
    takeView().setCenter([x + dx * step, y + dy * step]);
  }
}

/**
 * Keys of the corner that is held.
 * @param {string} key
 */
function cornerKey(key) {
  if (key === "Delete" || key === "Backspace") removeCorner();
  else if (key === "Insert" || key === " ") addCorner();
  else return false;
  return true;
}

function backspace() {
  if (hasSketch()) stepBack();
  else if (!isDrawing()) void removeChosen();
}

function enterKey(/** @type {boolean} */ onButton) {
  if (hasSketch()) finish();
  else if (onButton) return false;
  else if (unnamed.value.length) {
    nameThem();
    classify();
  } else if (selection.value[0]?.table === "conditions") classify();
  else return false;
  return true;
}

function findInList() {
  panel.value = "list";
  sheetOpen.value = true;
  setTimeout(() => {
    /** @type {HTMLElement | null} */
    const box = document.querySelector(".list input[type=search]");
    box?.focus();
  }, 30);
}

function leaveOne() {
  if (hasCorner()) leaveCorner();
  else cancel();
}

/** @type {Record<string, () => unknown>} */
const LETTERS = {
  j: merge,
  c: copy,
  i: copyOn,
  q: () => beginConfirming(),
  y: () => flip(togetherOn),
  n: () => flip(snapping),
  t: () => flip(tracing),
  g: () => flip(grid),
  z: () => selection.value.length && goTo(selection.value[0].table, selection.value[0].id),
  "+": () => zoomBy(0.5),
  "=": () => zoomBy(0.5),
  "-": () => zoomBy(2),
  "/": findInList,
  Delete: () => void removeChosen(),
  Backspace: backspace,
  Escape: leaveOne,
  ContextMenu: () => openMenuForChosen(),
};

/** Keys that change what is stored; nobody who only reads or records meets them. */
const EDITING = new Set(["j", "c", "i", "q", "Delete", "Backspace"]);

/**
 * Keys that mean something else on a button or in the sheet.
 * @param {string} key
 * @param {boolean} shift
 */
function onTheWallItself(key, shift) {
  if (key === "," || key === ".") stepCorner(key === "." ? 1 : -1);
  else if (hasCorner() && cornerKey(key)) return true;
  else if (key === " " && isDrawing()) setVertex();
  else if (key.startsWith("Arrow")) arrow(key, shift);
  else if (key === "F10" && shift) openMenuForChosen();
  else return false;
  return true;
}

/**
 * @param {string} key
 * @param {KeyboardEvent} e
 */
function plainKey(key, e) {
  const target = e.target instanceof Element ? e.target : null;
  if (confirming.value && whileConfirming(key, target)) return true;
  if (/^[0-9]$/.test(key)) return digit(key);
  if (key === "?") {
    dialog.value = { kind: "help" };
    return true;
  }
  if (!onTheWall()) return false;
  const onButton = target?.tagName === "BUTTON" || Boolean(target?.closest(".sheet"));
  if (key === "Enter") return !confirming.value && enterKey(onButton);
  if (!onButton && onTheWallItself(key, e.shiftKey)) return true;
  if (!mayEdit() && EDITING.has(key)) {
    if (readsHere())
      notice.value = { text: t(isReviewer() ? "reviewer.only" : "may.not"), bad: true };
    return true;
  }
  const act = LETTERS[key] ?? (KEYS[key] && (() => takeKey(KEYS[key])));
  if (act) act();
  return Boolean(act);
}

/**
 * Only what the workplace offers is taken by its key, too.
 * @param {string} name
 */
function takeKey(name) {
  if (toolsNow().includes(name)) takeTool(name);
  else {
    const why = isReviewer() ? "reviewer.only" : readsHere() ? "may.not" : "tool.not.here";
    notice.value = { text: t(why), bad: true };
  }
}

export function useKeys() {
  const change = useChange();
  useEffect(() => {
    const onKey = (/** @type {KeyboardEvent} */ e) => {
      const isClean = e.target instanceof HTMLElement && e.target.dataset.clean !== undefined;
      const clean = (e.ctrlKey || e.metaKey) && isClean;
      if ((typing(e.target) && !clean) || dialog.value || conflict.value) return;
      const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
      let done = false;
      if (e.ctrlKey || e.metaKey) done = withCtrl(key, e.shiftKey);
      else if (e.altKey) done = classByAlt(e, change);
      else done = (e.shiftKey && templateByShift(e)) || plainKey(key, e);
      if (done) e.preventDefault();
    };
    document.addEventListener("keydown", onKey);
    return () => document.removeEventListener("keydown", onKey);
  }, []);
}

const CLASSED = ["conditions", "wall_stones"];

/**
 * Alt and a digit: the condition class of the selection.
 * @param {KeyboardEvent} e
 * @param {SetColumn} change
 */
function classByAlt(e, change) {
  const n = e.code.startsWith("Digit") ? "0123".indexOf(e.code.replace("Digit", "")) : -1;
  const [first] = selection.value;
  if (n < 0 || !mayEdit() || !first || !CLASSED.includes(first.table)) return false;
  change("cc", n);
  return true;
}

/**
 * Shift and a digit: the template of that key.
 * @param {KeyboardEvent} e
 */
function templateByShift(e) {
  if (!/^Digit[1-9]$/.test(e.code) || place.value !== "survey" || readsHere()) return false;
  const found = templates().find((x) => x.key === e.code.slice(5));
  if (found) useTemplate(found);
  return Boolean(found);
}
