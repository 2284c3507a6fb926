// Everything that can be done on the desk, once: the keyboard, the list of commands and the help read it from here.

import { redo, redoable, undo, undoable } from "../data/edits.js";
import { startJob } from "../data/jobs.js";
import { readsHere } from "../data/reviewer.js";
import { grid, layers, ownUnits, snapping, theme, togetherOn, tracing } from "../data/settings.js";
import { dialog, drawTable, panel, place, selection, sheetOpen } from "../data/view.js";
import { fitWall, goTo, zoomBy } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { assistance, lacksNetworks } from "./assist.js";
import { chooseInView, chooseKind, kindColumn } from "./choosing.js";
import { beginConfirming, proposals } from "./confirming.js";
import { removeChosen } from "./deleting.js";
import { copy, copyOn, merge } from "./operations.js";
import { enter, onTheWall, PLACES, takeTool } from "./places.js";
import { KEYS } from "./tools.js";
import { isProposing, proposeDamage, proposeWall } from "./wholeWall.js";

/** @typedef {Omit<Action, "group">} Ungrouped */
export const SURVEY_TOOLS = [
  "select",
  "box",
  "lasso",
  "polygon",
  "rectangle",
  "freehand",
  "line",
  "point",
  "outline",
  "follow",
  "course",
  "modify",
  "move",
  "split",
  "hole",
  "cut",
  "measure",
];
const REPAIR_TOOLS = [
  "select",
  "box",
  "rectangle",
  "polygon",
  "modify",
  "move",
  "split",
  "cut",
  "measure",
];
const READING_TOOLS = ["select", "measure"];
/** @type {Record<string, string>} */
const NEEDS = { outline: "outline", follow: "line", course: "course" };

/** Tools of the workplace, as far as the server helps. */
export function toolsNow() {
  const wanted =
    readsHere() || place.value === "record"
      ? READING_TOOLS
      : place.value === "repairs"
        ? REPAIR_TOOLS
        : SURVEY_TOOLS;
  return wanted.filter((n) => !NEEDS[n] || assistance.value[NEEDS[n]]);
}
export const keyOf = (/** @type {string} */ name) =>
  Object.entries(KEYS)
    .find(([, n]) => n === name)?.[0]
    .toUpperCase() ?? "";

const writes = () => !readsHere();
/** Whether what is drawn may be changed here: not by a reviewer, and not where work is recorded. */
export const mayEdit = () => writes() && place.value !== "record";
const onWall = () => onTheWall();
const some = () => selection.value.length > 0;
const editsSome = () => mayEdit() && some();
const flip = (/** @type {Signal<boolean>} */ signal) => () => {
  signal.value = !signal.value;
};
const show = (/** @type {string} */ name) => () => {
  panel.value = name;
  sheetOpen.value = true;
};

/** @returns {Action[]} */
const toolActions = () =>
  SURVEY_TOOLS.map((n) => ({
    id: `tool.${n}`,
    group: "tools",
    key: keyOf(n),
    name: () => t(`tool.${n}`),
    when: () => onWall() && toolsNow().includes(n),
    run: () => takeTool(n),
  }));

/** @returns {Action[]} */
const placeActions = () =>
  PLACES.map((n, i) => ({
    id: `place.${n}`,
    group: "workplaces",
    key: String(i + 1),
    name: () => t(`place.${n}`),
    when: () => n !== "control" || writes(),
    run: () => enter(n),
  }));

/** @returns {Ungrouped[]} */
const editActions = () => [
  {
    id: "undo",
    key: "Ctrl Z",
    name: () => t("tool.undo"),
    when: () => undoable.value.length > 0,
    run: undo,
  },
  {
    id: "redo",
    key: "Ctrl Y",
    name: () => t("tool.redo"),
    when: () => redoable.value.length > 0,
    run: redo,
  },
  {
    id: "merge",
    key: "J",
    name: () => t("tool.merge"),
    when: () => mayEdit() && selection.value.length > 1,
    run: merge,
  },
  { id: "copy", key: "C", name: () => t("tool.copy"), when: editsSome, run: copy },
  { id: "copy.on", key: "I", name: () => t("tool.copy.on"), when: editsSome, run: copyOn },
  {
    id: "delete",
    key: t("keyname.delete"),
    name: () => t("tool.delete"),
    when: editsSome,
    run: () => void removeChosen(),
  },
  {
    id: "confirm",
    key: "Q",
    name: () => t("confirm.go"),
    when: () => mayEdit() && Object.values(proposals.value).some((n) => n > 0),
    run: () => beginConfirming(),
  },
  {
    id: "history",
    key: "",
    name: () => t("panel.history"),
    when: () => selection.value.length === 1,
    run: () => {
      const [{ table, id }] = selection.value;
      dialog.value = { kind: "history", table, id };
    },
  },
];

/** @returns {Ungrouped[]} */
const chooseActions = () => [
  {
    id: "choose.view",
    key: "Ctrl A",
    name: () => t("choose.view"),
    when: onWall,
    run: chooseInView,
  },
  {
    id: "choose.kind",
    key: t("keyname.choose.kind"),
    name: () => t("choose.kind"),
    when: () => some() && Boolean(kindColumn(selection.value[0].table)),
    run: () => chooseKind(selection.value[0]),
  },
  {
    id: "choose.none",
    key: "Esc",
    name: () => t("choose.nothing"),
    when: some,
    run: () => {
      selection.value = [];
    },
  },
];

/** @returns {Ungrouped[]} */
const viewActions = () => [
  { id: "zoom.in", key: "+", name: () => t("zoom.in"), when: onWall, run: () => zoomBy(0.5) },
  { id: "zoom.out", key: "−", name: () => t("zoom.out"), when: onWall, run: () => zoomBy(2) },
  { id: "zoom.wall", key: "0", name: () => t("zoom.wall"), when: onWall, run: fitWall },
  {
    id: "zoom.chosen",
    key: "Z",
    name: () => t("zoom.chosen"),
    when: () => onWall() && some(),
    run: () => goTo(selection.value[0].table, selection.value[0].id),
  },
  { id: "snap", key: "N", name: () => t("snap"), when: writes, run: flip(snapping) },
  { id: "trace", key: "T", name: () => t("trace"), when: writes, run: flip(tracing) },
  { id: "together", key: "Y", name: () => t("together.on"), when: writes, run: flip(togetherOn) },
  { id: "grid", key: "G", name: () => t("grid"), when: onWall, run: flip(grid) },
  ...["picture", "wall_stones", "openings", "conditions", "repairs", "pieces"].map((n) => ({
    id: `layer.${n}`,
    key: "",
    name: () => t("act.layer", { name: t(`layer.${n}`) }),
    when: onWall,
    run: () => {
      layers.value = { ...layers.value, [n]: layers.value[n] === false };
    },
  })),
  ...["record", "list", "missing", "layers"].map((n) => ({
    id: `panel.${n}`,
    key: n === "list" ? "/" : "",
    name: () => t("act.panel", { name: t(`panel.${n}`) }),
    when: () => place.value === "survey",
    run: show(n),
  })),
];

/** @returns {Ungrouped[]} */
const drawsActions = () =>
  /** @type {TableName[]} */ (["conditions", "wall_stones", "openings"]).map((n) => ({
    id: `draws.${n}`,
    key: "",
    name: () => t("act.draws", { name: t(`table.${n}`) }),
    when: () => writes() && place.value === "survey",
    run: () => {
      drawTable.value = n;
    },
  }));

/** @returns {Ungrouped[]} */
const jobActions = () =>
  /** @type {JobKind[]} */ (["plan", "match", "papers"]).map((n) => ({
    id: `job.${n}`,
    key: "",
    name: () => t(`job.do.${n}`),
    when: writes,
    run: () => void startJob(n),
  }));

/** @returns {Ungrouped[]} */
const wholeWallActions = () =>
  [
    { kind: "stones", propose: proposeWall },
    { kind: "damage", propose: proposeDamage },
  ].map(({ kind, propose }) => ({
    id: `job.${kind}`,
    key: "",
    name: () => t(`job.do.${kind}`),
    when: () => writes() && place.value === "survey" && !isProposing() && !lacksNetworks(),
    run: () => void propose(),
  }));

/** @returns {Ungrouped[]} */
const settingActions = () => [
  ...["day", "sun", "dark"].map((n) => ({
    id: `theme.${n}`,
    key: "",
    name: () => t("act.theme", { name: t(`theme.${n}`) }),
    run: () => {
      theme.value = n;
    },
  })),
  ...["mm", "in"].map((n) => ({
    id: `units.${n}`,
    key: "",
    name: () => t("act.units", { name: t(`units.${n}`) }),
    run: () => {
      ownUnits.value = n;
    },
  })),
  { id: "settings", key: "", name: () => t("settings"), run: () => open("settings") },
  { id: "help", key: "?", name: () => t("help"), run: () => open("help") },
  { id: "waiting", key: "", name: () => t("waits.title"), run: () => open("waiting") },
  { id: "tour", key: "", name: () => t("tour.show"), run: () => open("tour") },
];
const open = (/** @type {PlainDialog} */ kind) => {
  dialog.value = { kind, step: 0 };
};

const inGroup = (/** @type {string} */ group, /** @type {Ungrouped[]} */ list) =>
  list.map((a) => ({ ...a, group }));

/**
 * Every action, in the order of the list of commands.
 * @returns {Action[]}
 */
export const allActions = () => [
  ...toolActions(),
  ...inGroup("editing", editActions()),
  ...inGroup("choosing", chooseActions()),
  ...inGroup("view", viewActions()),
  ...placeActions(),
  ...inGroup("drawing", drawsActions()),
  ...inGroup("jobs", [...jobActions(), ...wholeWallActions()]),
  ...inGroup("settings", settingActions()),
];
export const canBeDone = (/** @type {Action} */ action) => !action.when || action.when();
