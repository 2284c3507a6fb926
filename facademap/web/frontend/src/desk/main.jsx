import "@fontsource/atkinson-hyperlegible/latin-400.css";
import "@fontsource/atkinson-hyperlegible/latin-700.css";
import "@fontsource/atkinson-hyperlegible/latin-ext-400.css";
import "@fontsource/atkinson-hyperlegible/latin-ext-700.css";
import "ol/ol.css";
import "./desk.css";
import { render } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { learnOverview } from "./acts.js";
import { learnAssistance } from "./assist.js";
import { loadProject, loadRest } from "./data.js";
import { Desk, Failure } from "./Desk.jsx";
import { recallEdits } from "./edits.js";
import { followNews, openOutbox, replayWaiting, send } from "./outbox.js";
import { tourSeen } from "./settings.js";
import { dialog } from "./view.js";
import { who } from "./settings.js";

const root = document.getElementById("desk");

async function start() {
  try {
    await loadProject();
  } catch (error) {
    render(<Failure error={error} />, root);
    return;
  }
  root.textContent = "";
  render(<Desk />, root);
  await openOutbox();
  await loadRest();
  replayWaiting();
  await recallEdits();
  void send();
  void learnOverview();
  void followNews();
  void learnAssistance();
  document.documentElement.dataset.loaded = "yes";
  if (!who.value && !tourSeen.value) dialog.value = { kind: "tour", step: 0 };
  if ("serviceWorker" in navigator && globalThis.isSecureContext) navigator.serviceWorker.register("/service.js").catch(() => {});
}

void start();
export { useEffect, useRef };
