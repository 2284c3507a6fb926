import "@fontsource/atkinson-hyperlegible/latin-400.css";
import "@fontsource/atkinson-hyperlegible/latin-700.css";
import "@fontsource/atkinson-hyperlegible/latin-ext-400.css";
import "@fontsource/atkinson-hyperlegible/latin-ext-700.css";
import "ol/ol.css";
import "./look/desk.css";
import { render } from "preact";
import { learnOverview } from "./data/acts.js";
import { loadProject, loadRest } from "./data/data.js";
import { recallEdits } from "./data/edits.js";
import { takeLanguage } from "./data/languages.js";
import { followNews, openOutbox, replayWaiting, send } from "./data/outbox.js";
import { isReviewer } from "./data/reviewer.js";
import { tourSeen, who } from "./data/settings.js";
import { dialog } from "./data/view.js";
import { learnAssistance } from "./drawing/assist.js";
import { drafts, loadDrafts, tab } from "./drawing/drafts.js";
import { enter } from "./drawing/places.js";
import { recallUnnamed } from "./drawing/rows.js";
import { Desk } from "./page/Desk.jsx";
import { Failure } from "./page/Failure.jsx";
import { followAddress, openLink } from "./page/links.js";

const root = /** @type {HTMLElement} */ (document.getElementById("desk"));

async function start() {
  try {
    await open();
  } catch (error) {
    render(null, root);
    root.textContent = "";
    render(<Failure error={error} />, root);
  }
}

async function open() {
  const [opened] = await Promise.all([loadProject(), takeLanguage()]);
  // whoever signed in with a name works under it
  if (opened.signed_in_as && !isReviewer()) who.value = opened.signed_in_as;
  root.textContent = "";
  render(<Desk />, root);
  await openOutbox(opened.id);
  await loadRest();
  replayWaiting();
  await recallEdits();
  void send();
  void learnOverview();
  void followNews();
  void learnAssistance();
  loadDrafts();
  recallUnnamed();
  if (!openLink()) recallSketch();
  followAddress();
  document.documentElement.dataset.loaded = "yes";
  if (!who.value && !tourSeen.value) dialog.value = { kind: "tour", step: 0 };
  whenDrawn(keepForLater);
}

/** Go on with what was being drawn when the page was left. */
function recallSketch() {
  const last = drafts.value.findLast((d) => d.tab === tab && d.corners.length);
  if (last) enter(last.place);
}

/** The wall comes first: what can wait begins when it is drawn, or after ten seconds in a page that nobody looks at. */
function whenDrawn(/** @type {() => void} */ act, turns = 40) {
  setTimeout(
    () =>
      document.documentElement.dataset.drawn || turns === 0 ? act() : whenDrawn(act, turns - 1),
    250,
  );
}

const READ = /\/api\/(tables|packed|project|schema|pictures|assist|work\/all|mine|languages)/;

/** Let the browser keep the page and what it has read, so that it opens without a connection. */
function keepForLater() {
  if (!("serviceWorker" in navigator) || !globalThis.isSecureContext) return;
  if (!navigator.serviceWorker.controller) {
    // what was read before the keeper was there is read once more through it
    const again = () => {
      for (const address of new Set(
        performance
          .getEntriesByType("resource")
          .map((e) => e.name)
          .filter((n) => READ.test(n)),
      ))
        fetch(address).catch(() => {});
    };
    navigator.serviceWorker.addEventListener("controllerchange", again, { once: true });
  }
  navigator.serviceWorker.register("/service.js").catch(() => {});
}

void start();
