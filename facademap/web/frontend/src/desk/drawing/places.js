// Workplaces: going from one to another.
import { learnOverview } from "../data/acts.js";
import { online } from "../data/outbox.js";
import { drawTable, panel, place, sheetOpen, sheetTall, tool } from "../data/view.js";
import { hasSketch, resumeHere } from "./sketch.js";

export const NARROW_PX = 760;
export const PLACES = ["survey", "repairs", "stone", "record", "control"];
/** Workplaces with the wall in view. */
export const onTheWall = () => !["stone", "control"].includes(place.value);

/** @type {Record<string, string>} */
const FIRST_PANEL = { survey: "record", repairs: "repair" };

/** Go to a workplace; a sketch that is not ended waits at the one where it was begun. */
export function enter(/** @type {string} */ name) {
  tool.value = "select";
  place.value = name;
  drawTable.value = name === "repairs" ? "repairs" : "conditions";
  panel.value = FIRST_PANEL[name] ?? "work";
  if (name === "record" || name === "repairs") sheetOpen.value = true;
  if (name === "record" && online.value) void learnOverview();
  resumeHere();
  if (hasSketch()) makeRoom();
}

/** On a phone what is drawn needs the wall: the sheet goes down, and comes back when something was drawn. */
function makeRoom() {
  if (innerWidth > NARROW_PX) return;
  sheetOpen.value = false;
  sheetTall.value = false;
}

export function takeTool(/** @type {string} */ name) {
  tool.value = name;
  if (name !== "select") makeRoom();
}
