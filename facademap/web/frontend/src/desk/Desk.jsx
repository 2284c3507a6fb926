// The page: wall in the middle, workplaces at the side, one sheet of paper for what is at hand.
import { useEffect, useRef } from "preact/hooks";
import { Conflict } from "./Conflict.jsx";
import { ContextMenu } from "./ContextMenu.jsx";
import { Control } from "./Control.jsx";
import { Deleting } from "./Deleting.jsx";
import { Help, History, Name } from "./Dialogs.jsx";
import { pictures, rowsOf, surface } from "./data.js";
import { Glyph } from "./Glyph.jsx";
import { Head } from "./Head.jsx";
import { useKeys } from "./keyboard.js";
import { Leaving } from "./Leaving.jsx";
import { Notice } from "./Notice.jsx";
import { conflict, trouble } from "./outbox.js";
import { Palette } from "./Palette.jsx";
import { enter, onTheWall, PLACES } from "./places.js";
import { Readout } from "./Readout.jsx";
import { Required } from "./Required.jsx";
import { Rulers } from "./Rulers.jsx";
import { isReviewer } from "./reviewer.js";
import { SettingsDialog } from "./SettingsDialog.jsx";
import { Sheet } from "./Sheet.jsx";
import { SketchBar } from "./SketchBar.jsx";
import { Blocks } from "./Stone.jsx";
import { Swipe } from "./Swipe.jsx";
import { sheetWidth } from "./settings.js";
import { KeepTemplate } from "./Templates.jsx";
import { Toolbar } from "./Toolbar.jsx";
import { Tour } from "./Tour.jsx";
import { t } from "./texts.js";
import { dialog, place, sheetOpen, sheetTall, swipe } from "./view.js";
import { Waiting } from "./Waiting.jsx";
import { fitWall, map } from "./wall.js";
import { ZoomButtons } from "./ZoomButtons.jsx";

const DIALOGS = {
  name: () => <Name />,
  help: () => <Help />,
  settings: () => <SettingsDialog />,
  commands: () => <Palette />,
  history: ({ table, id }) => <History table={table} id={id} />,
  waiting: () => <Waiting />,
  required: () => <Required />,
  template: ({ row }) => <KeepTemplate row={row} />,
  tour: () => <Tour />,
  leave: () => <Leaving />,
  delete: () => <Deleting />,
};

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
        {!wall && (
          <section class="over" id="over" tabIndex={-1}>
            {place.value === "stone" ? <Blocks /> : <Control />}
          </section>
        )}
      </main>
      {wall && <Sheet />}
      {now && DIALOGS[now.kind]?.(now)}
      {conflict.value && <Conflict />}
    </div>
  );
}

function Places() {
  return (
    <nav class="places" aria-label={t("workplaces")}>
      {PLACES.filter((name) => !isReviewer() || name !== "control").map((name) => (
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
  const box = useRef(null);
  useEffect(() => {
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
      {!isReviewer() && (
        <button type="button" class="main" onClick={() => enter("control")}>
          {t("picture.wanted.go")}
        </button>
      )}
    </div>
  );
}
