// The page: wall in the middle, workplaces at the side, one sheet of paper for what is at hand.
import { useEffect, useRef } from "preact/hooks";
import { Control } from "../control/Control.jsx";
import { pictures, rowsOf, surface } from "../data/data.js";
import { conflict, trouble } from "../data/outbox.js";
import { may } from "../data/reviewer.js";
import { sheetWidth } from "../data/settings.js";
import { dialog, place, sheetOpen, sheetTall, swipe } from "../data/view.js";
import { enter, onTheWall, PLACES } from "../drawing/places.js";
import { Readout } from "../drawing/Readout.jsx";
import { SketchBar } from "../drawing/SketchBar.jsx";
import { Help, History, Name } from "../parts/Dialogs.jsx";
import { Glyph } from "../parts/Glyph.jsx";
import { Notice } from "../parts/Notice.jsx";
import { Running } from "../parts/Running.jsx";
import { Required } from "../survey/Required.jsx";
import { KeepTemplate } from "../survey/Templates.jsx";
import { Rulers } from "../wall/Rulers.jsx";
import "../wall/outside.js";
import { Swipe } from "../wall/Swipe.jsx";
import { fitWall, map } from "../wall/wall.js";
import { t } from "../words/texts.js";
import { Blocks } from "../yard/Stone.jsx";
import { Conflict } from "./Conflict.jsx";
import { ContextMenu } from "./ContextMenu.jsx";
import { Deleting } from "./Deleting.jsx";
import { Head } from "./Head.jsx";
import { useKeys } from "./keyboard.js";
import { Leaving } from "./Leaving.jsx";
import { Palette } from "./Palette.jsx";
import { SettingsDialog } from "./SettingsDialog.jsx";
import { Sheet } from "./Sheet.jsx";
import { Toolbar } from "./Toolbar.jsx";
import { Tour } from "./Tour.jsx";
import { Waiting } from "./Waiting.jsx";
import { ZoomButtons } from "./ZoomButtons.jsx";

/** @type {Record<PlainDialog, import("preact").ComponentType>} */
const DIALOGS = {
  name: Name,
  help: Help,
  settings: SettingsDialog,
  commands: Palette,
  waiting: Waiting,
  required: Required,
  tour: Tour,
};

/** @param {{asked: Asked}} props */
function Dialogs({ asked }) {
  switch (asked.kind) {
    case "history":
      return <History table={asked.table} id={asked.id} />;
    case "template":
      return <KeepTemplate row={asked.row} />;
    case "leave":
      return <Leaving n={asked.n} />;
    case "delete":
      return <Deleting changes={asked.changes} told={asked.told} />;
    default: {
      const Plain = DIALOGS[asked.kind];
      return <Plain />;
    }
  }
}

export function Desk() {
  useKeys();
  const wall = onTheWall();
  const now = dialog.value;
  return (
    <div
      class={`desk place-${place.value} ${sheetOpen.value ? "sheet-open" : "sheet-shut"} ${sheetTall.value ? "sheet-tall" : ""}`}
      style={{ "--sheet-width": `${sheetWidth.value}px` }}
    >
      <a class="skip" href={wall ? "#sheet" : "#over"}>
        {t("skip")}
      </a>
      <Head />
      <Places />
      <main class="wall" aria-label={t("wall")}>
        <Wall />
        {wall && <Toolbar />}
        {wall && <ZoomButtons />}
        {wall && surface.value && !pictures.value[surface.value] && <NoPicture />}
        {wall && <Readout />}
        {wall && <SketchBar />}
        {wall && swipe.value && <Swipe />}
        {wall && <ContextMenu />}
        {trouble.value && (
          <div class="notice bad" role="alert">
            {trouble.value}
          </div>
        )}
        <Notice />
        <Running />
        {!wall && (
          <section class="over" id="over" tabIndex={-1}>
            {place.value === "stone" ? <Blocks /> : <Control />}
          </section>
        )}
      </main>
      {wall && <Sheet />}
      {now && <Dialogs asked={now} />}
      {conflict.value && <Conflict />}
    </div>
  );
}

function Places() {
  return (
    <nav class="places" aria-label={t("workplaces")}>
      {PLACES.filter((name) => may("survey") || name !== "control").map((name) => (
        <button
          type="button"
          key={name}
          aria-current={place.value === name ? "page" : undefined}
          onClick={() => enter(name)}
        >
          <Glyph name={name} />
          <span>{t(`place.${name}`)}</span>
        </button>
      ))}
    </nav>
  );
}

function Wall() {
  const box = useRef(/** @type {HTMLDivElement | null} */ (null));
  useEffect(() => {
    if (!box.current) return undefined;
    map.setTarget(box.current);
    fitWall();
    const seen = new ResizeObserver(() => map.updateSize());
    seen.observe(box.current);
    return () => seen.disconnect();
  }, []);
  return (
    <>
      <div class="map" ref={box} tabIndex={0} role="application" aria-label={t("wall.about")} />
      <Rulers />
    </>
  );
}

/** A wall without its picture says how it gets one. */
function NoPicture() {
  if (
    rowsOf("wall_stones").some((r) => r.surface === surface.value) ||
    rowsOf("conditions").some((r) => r.surface === surface.value)
  )
    return null;
  return (
    <div class="no-wall">
      <h2>{t("picture.wanted")}</h2>
      <p>{t("picture.wanted.how")}</p>
      {may("survey") && (
        <button type="button" class="main" onClick={() => enter("control")}>
          {t("picture.wanted.go")}
        </button>
      )}
    </div>
  );
}
