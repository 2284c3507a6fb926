// The page: wall in the middle, workplaces at the side, one sheet of paper for what is at hand.
import { useEffect, useRef, useState } from "preact/hooks";
import { learnOverview } from "./acts.js";
import { assistance, thinking } from "./assist.js";
import { Blocks } from "./Stone.jsx";
import { Control } from "./Control.jsx";
import { entryOf, pictures, project, rowsOf, surface } from "./data.js";
import { Conflict } from "./Conflict.jsx";
import { Help, History, Name } from "./Dialogs.jsx";
import { notice, redo, redoable, undo, undoable } from "./edits.js";
import {
  addCorner,
  corner,
  hasCorner,
  leaveCorner,
  nudgeCorner,
  removeCorner,
  stepCorner,
} from "./corners.js";
import { toClasses } from "./fields.jsx";
import { Glyph } from "./Glyph.jsx";
import { Layers, List, Missing } from "./Lists.jsx";
import {
  conflict,
  keeps,
  lastNews,
  online,
  refused,
  signedOut,
  trouble,
  waitingEdits,
} from "./outbox.js";
import { Record, useChange } from "./Record.jsx";
import { RepairSheet } from "./Repairs.jsx";
import { Required } from "./Required.jsx";
import { isReviewer } from "./Review.jsx";
import { Rulers } from "./Rulers.jsx";
import {
  area,
  feetInches,
  grid,
  length,
  sheetWidth,
  snapping,
  tracing,
  units,
} from "./settings.js";
import { SheetEdge } from "./SheetEdge.jsx";
import { Swipe } from "./Swipe.jsx";
import { templates, useTemplate } from "./shared.js";
import { KeepTemplate } from "./Templates.jsx";
import { t } from "./texts.js";
import {
  KEYS,
  cancel,
  copy,
  finish,
  hasSketch,
  isDrawing,
  merge,
  moveCursor,
  removeChosen,
  setVertex,
  stepBack,
} from "./tools.js";
import { Tour } from "./Tour.jsx";
import {
  dialog,
  drawTable,
  live,
  panel,
  place,
  pointer,
  select,
  selection,
  sheetOpen,
  sheetTall,
  sketching,
  swipe,
  tool,
} from "./view.js";
import { fitWall, map } from "./wall.js";
import { Waiting } from "./Waiting.jsx";
import { WorkRecord } from "./Work.jsx";

const NARROW_PX = 760;
const PLACES = ["survey", "repairs", "stone", "record", "control"];
const SURVEY_TOOLS = [
  "select",
  "polygon",
  "rectangle",
  "freehand",
  "line",
  "point",
  "outline",
  "follow",
  "course",
  "modify",
  "split",
  "hole",
  "cut",
  "measure",
];
const REPAIR_TOOLS = ["select", "rectangle", "polygon", "modify", "split", "cut", "measure"];

export function Failure({ error }) {
  return (
    <div class="failure">
      <h1>{t("fail.title")}</h1>
      <p>{error.problem || t("fail.problem")}</p>
      <p>{error.remedy || t("fail.remedy")}</p>
      <button type="button" onClick={() => location.reload()}>
        {t("fail.again")}
      </button>
    </div>
  );
}

export function Desk() {
  useKeys();
  const wall = place.value !== "stone" && place.value !== "control";
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
        {wall && <Tools />}
        {wall && surface.value && !pictures.value[surface.value] && <NoPicture />}
        {wall && <Readout />}
        {wall && sketching.value && <SketchBar />}
        {wall && swipe.value && <Swipe />}
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
      {dialog.value?.kind === "name" && <Name />}
      {dialog.value?.kind === "help" && <Help />}
      {dialog.value?.kind === "history" && (
        <History table={dialog.value.table} id={dialog.value.id} />
      )}
      {dialog.value?.kind === "waiting" && <Waiting />}
      {dialog.value?.kind === "required" && <Required />}
      {dialog.value?.kind === "template" && <KeepTemplate row={dialog.value.row} />}
      {dialog.value?.kind === "tour" && <Tour />}
      {conflict.value && <Conflict />}
    </div>
  );
}

function Head() {
  const row = entryOf("surfaces", surface.value)?.row;
  const surfaces = rowsOf("surfaces");
  const waiting = waitingEdits.value;
  const state = !online.value
    ? ["offline", t("status.offline", { n: waiting })]
    : waiting
      ? ["sending", t("status.sending", { n: waiting })]
      : ["saved", t("status.saved")];
  return (
    <header class="head-line">
      <h1>{project.value.name}</h1>
      {surfaces.length > 1 ? (
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
              {entryOf("elevations", s.elevation)?.row.name ?? ""} · {s.name}
            </option>
          ))}
        </select>
      ) : (
        <span class="which">
          {row ? `${entryOf("elevations", row.elevation)?.row.name ?? ""} · ${row.name}` : ""}
        </span>
      )}
      <button
        type="button"
        class={`state ${state[0]}`}
        title={t("waits.title")}
        onClick={() => {
          dialog.value = { kind: "waiting" };
        }}
      >
        <span role="status">{state[1]}</span>
      </button>
      {refused.value.length > 0 && (
        <button
          type="button"
          class="alert"
          onClick={() => {
            dialog.value = { kind: "waiting" };
          }}
        >
          {t("refused.title", { n: refused.value.length })}
        </button>
      )}
      {!keeps.value && waiting > 0 && (
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
          <button
            type="button"
            class="icon"
            title={`${t("tool.undo")} (Ctrl Z)`}
            disabled={!undoable.value.length}
            onClick={undo}
          >
            <Glyph name="undo" />
            <span class="visually-hidden">{t("tool.undo")}</span>
          </button>
          <button
            type="button"
            class="icon"
            title={`${t("tool.redo")} (Ctrl Y)`}
            disabled={!redoable.value.length}
            onClick={redo}
          >
            <Glyph name="redo" />
            <span class="visually-hidden">{t("tool.redo")}</span>
          </button>
        </>
      )}
      <button
        type="button"
        class="icon"
        title={t("help")}
        onClick={() => {
          dialog.value = { kind: "help" };
        }}
      >
        <Glyph name="help" />
        <span class="visually-hidden">{t("help")}</span>
      </button>
    </header>
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

export function enter(name) {
  place.value = name;
  tool.value = "select";
  drawTable.value = name === "repairs" ? "repairs" : "conditions";
  panel.value = name === "survey" ? "record" : name === "repairs" ? "repair" : "work";
  if (name === "record" || name === "repairs") sheetOpen.value = true;
  if (name === "record" && online.value) void learnOverview();
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

/** On a phone a tool needs the wall: the sheet goes down, and comes back when something was drawn. */
function takeTool(name) {
  tool.value = name;
  if (innerWidth <= NARROW_PX && name !== "select") {
    sheetOpen.value = false;
    sheetTall.value = false;
  }
}

function Tools() {
  const wanted = isReviewer()
    ? ["select", "measure"]
    : place.value === "repairs"
      ? REPAIR_TOOLS
      : place.value === "record"
        ? ["select", "measure"]
        : SURVEY_TOOLS;
  const names = wanted.filter(
    (n) =>
      (n !== "outline" || assistance.value.outline) &&
      (n !== "follow" || assistance.value.line) &&
      (n !== "course" || assistance.value.course),
  );
  const keyOf = (n) =>
    Object.entries(KEYS)
      .find(([, v]) => v === n)?.[0]
      .toUpperCase();
  return (
    <div class="tools" role="toolbar" aria-label={t("tools")}>
      {names.map((n) => (
        <button
          type="button"
          key={n}
          aria-pressed={tool.value === n}
          title={`${t(`tool.${n}`)} (${keyOf(n)})`}
          onClick={() => takeTool(n)}
        >
          <Glyph name={n} />
          <span>{t(`tool.${n}`)}</span>
        </button>
      ))}
      {place.value === "survey" && !isReviewer() && (
        <div class="draws">
          <span aria-hidden="true">{t("draw.as")}</span>
          <select
            aria-label={t("draw.as")}
            value={drawTable.value}
            onChange={(e) => {
              drawTable.value = e.currentTarget.value;
            }}
          >
            {["conditions", "wall_stones", "openings"].map((n) => (
              <option key={n} value={n}>
                {t(`table.${n}`)}
              </option>
            ))}
          </select>
        </div>
      )}
      <div class="switches">
        {[
          ["snap", snapping, "N"],
          ["trace", tracing, "T"],
          ["grid", grid, "G"],
        ].map(([n, s, k]) => (
          <button
            type="button"
            key={n}
            aria-pressed={s.value}
            title={`${t(n)} (${k})`}
            onClick={() => {
              s.value = !s.value;
            }}
          >
            {t(n)}
          </button>
        ))}
      </div>
    </div>
  );
}

function hintNow() {
  if (thinking.value) return t("thinking");
  if (tool.value === "modify")
    return t(
      corner.value >= 0 ? "hint.corner" : place.value === "repairs" ? "hint.cutout" : "hint.modify",
    );
  const drawn =
    place.value === "survey" &&
    !sketching.value &&
    tool.value !== "select" &&
    selection.value[0]?.table === "conditions";
  return `${t(`hint.${tool.value}`)}${drawn ? ` ${t("hint.classify")}` : ""}`;
}

function Readout() {
  const now = live.value;
  const at = pointer.value;
  const one = (m) => (units.value === "in" ? feetInches(m) : `${m.toFixed(3)} m`);
  return (
    <div class="readout">
      <p class="hint">{hintNow()}</p>
      {now && (
        <p class="live" role="status">
          {now.area !== undefined && <strong>{area(now.area)}</strong>}
          {now.length !== undefined && (
            <strong>
              {now.area !== undefined && !now.measured && `${t("perimeter")} `}
              {length(now.length, { both: true })}
              {now.pm
                ? ` ± ${(now.pm * 1000).toFixed(1)} mm (95 %)`
                : now.measured
                  ? ` · ${t("accuracy.none")}`
                  : ""}
            </strong>
          )}
          {now.pin && (
            <span>{t("pin.place", { right: length(now.pin[0]), up: length(now.pin[1]) })}</span>
          )}
          {now.width !== undefined && (
            <span>
              {length(now.width)} × {length(now.height)}
            </span>
          )}
          {now.last !== undefined && now.last > 0 && (
            <span>
              {t("last.side")} {length(now.last, { both: true })}
            </span>
          )}
          {now.measured && (
            <span>
              Δu {length(now.du)} · Δv {length(now.dv)}
            </span>
          )}
        </p>
      )}
      {at && (
        <p class="at">
          <span>u {one(at[0])}</span> <span>v {one(at[1])}</span>{" "}
          <span class="aside">
            {units.value === "in"
              ? `${at[0].toFixed(3)} m, ${at[1].toFixed(3)} m`
              : `${feetInches(at[0])}, ${feetInches(at[1])}`}
          </span>
        </p>
      )}
    </div>
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

/** What the keyboard does while drawing, for fingers and pens. */
function SketchBar() {
  return (
    <div class="sketch-bar" role="toolbar" aria-label={t("sketch")}>
      <button type="button" class="main" onClick={finish}>
        {t("sketch.end")}
      </button>
      <button type="button" onClick={stepBack}>
        {t("sketch.back")}
      </button>
      <button type="button" onClick={cancel}>
        {t("sketch.leave")}
      </button>
    </div>
  );
}

/** Tabs as a screen reader expects them: one stop, arrows from one to the next. */
function alongTabs(e, tabs, now) {
  const turn = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
  const next = turn
    ? tabs[(tabs.indexOf(now) + turn + tabs.length) % tabs.length]
    : { Home: tabs[0], End: tabs.at(-1) }[e.key];
  if (!next) return;
  panel.value = next;
  document.getElementById(`tab-${next}`)?.focus();
  e.preventDefault();
  e.stopPropagation();
}

function Sheet() {
  const tabs =
    place.value === "survey"
      ? ["record", "list", "missing", "layers"]
      : place.value === "repairs"
        ? ["repair", "list", "layers"]
        : ["work", "list"];
  const now = tabs.includes(panel.value) ? panel.value : tabs[0];
  return (
    <aside class="sheet" id="sheet" aria-label={t("sheet")}>
      <SheetEdge />
      <div class="tabs">
        <div role="tablist" aria-label={t("sheets")} onKeyDown={(e) => alongTabs(e, tabs, now)}>
          {tabs.map((n) => (
            <button
              type="button"
              role="tab"
              key={n}
              id={`tab-${n}`}
              aria-controls="sheet-body"
              aria-selected={now === n}
              tabIndex={now === n ? 0 : -1}
              onClick={() => {
                panel.value = n;
                sheetOpen.value = true;
              }}
            >
              {t(`panel.${n}`)}
            </button>
          ))}
        </div>
        {sheetOpen.value && (
          <button
            type="button"
            class="icon taller"
            aria-pressed={sheetTall.value}
            aria-label={t(sheetTall.value ? "sheet.half" : "sheet.whole")}
            onClick={() => {
              sheetTall.value = !sheetTall.value;
            }}
          >
            <Glyph name={sheetTall.value ? "shrink" : "grow"} />
          </button>
        )}
        <button
          type="button"
          class="icon shut"
          aria-label={t(sheetOpen.value ? "sheet.lower" : "sheet.raise")}
          aria-expanded={sheetOpen.value}
          onClick={() => {
            sheetOpen.value = !sheetOpen.value;
            sheetTall.value = false;
          }}
        >
          <Glyph name={sheetOpen.value ? "down" : "up"} />
        </button>
      </div>
      <div
        class="body"
        id="sheet-body"
        key={`${place.value} ${now}`}
        role="tabpanel"
        aria-labelledby={`tab-${now}`}
        tabIndex={-1}
      >
        {now === "record" && <Record />}
        {now === "list" && (
          <List
            tables={
              place.value === "survey" ? ["conditions", "wall_stones", "openings"] : ["repairs"]
            }
            key={place.value}
          />
        )}
        {now === "missing" && <Missing />}
        {now === "layers" && <Layers />}
        {now === "repair" && <RepairSheet />}
        {now === "work" && <WorkRecord />}
      </div>
    </aside>
  );
}

function Notice() {
  const now = notice.value;
  useEffect(() => {
    if (!now) return undefined;
    const timer = setTimeout(
      () => {
        notice.value = null;
      },
      now.bad ? 7000 : 4200,
    );
    return () => clearTimeout(timer);
  }, [now]);
  const news = lastNews.value.at(-1);
  const [told, setTold] = useState("");
  useEffect(() => {
    if (news) setTold(news.txn);
  }, [news]);
  void told;
  return now ? (
    <div class={`notice ${now.bad ? "bad" : ""}`} role={now.bad ? "alert" : "status"}>
      {now.text}{" "}
      {now.undo && (
        <button
          type="button"
          onClick={() => {
            undo();
          }}
        >
          {t("tool.undo")}
        </button>
      )}
    </div>
  ) : null;
}

function useKeys() {
  const change = useChange();
  useEffect(() => {
    const typing = (e) =>
      ["INPUT", "TEXTAREA", "SELECT"].includes(e.target.tagName) || e.target.isContentEditable;
    const onKey = (e) => {
      const clean = (e.ctrlKey || e.metaKey) && e.target.dataset?.clean !== undefined;
      if ((typing(e) && !clean) || dialog.value || conflict.value) return;
      const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
      const wallPlace = !["stone", "control"].includes(place.value);
      if (e.ctrlKey || e.metaKey) {
        if (key === "z" && !e.shiftKey) undo();
        else if (key === "y" || (key === "z" && e.shiftKey)) redo();
        else return;
        e.preventDefault();
        return;
      }
      if (e.altKey) {
        const n = "0123".indexOf(e.code.replace("Digit", ""));
        if (e.code.startsWith("Digit") && n >= 0 && selection.value.length) {
          change("cc", n);
          e.preventDefault();
        }
        return;
      }
      if (e.shiftKey && /^Digit[1-9]$/.test(e.code)) {
        const found =
          place.value === "survey" && templates().find((x) => x.key === e.code.slice(5));
        if (found && !isReviewer()) {
          useTemplate(found);
          e.preventDefault();
          return;
        }
      }
      const onButton = e.target.tagName === "BUTTON" || e.target.closest?.(".sheet");
      if (/^[1-5]$/.test(key)) enter(PLACES[Number(key) - 1]);
      else if (!wallPlace) return;
      else if (key === "Escape") {
        if (hasCorner()) leaveCorner();
        else cancel();
      } else if (key === "Enter" && hasSketch()) finish();
      else if (key === "Enter" && !onButton && selection.value[0]?.table === "conditions")
        classify();
      else if ((key === "," || key === ".") && !onButton) stepCorner(key === "." ? 1 : -1);
      else if (hasCorner() && !onButton && (key === "Delete" || key === "Backspace"))
        removeCorner();
      else if (hasCorner() && !onButton && (key === "Insert" || key === " ")) addCorner();
      else if (key === "Backspace") {
        if (hasSketch()) stepBack();
        else if (!isDrawing()) removeChosen();
      } else if (key === "Delete") removeChosen();
      else if (key === " " && isDrawing() && !onButton) setVertex();
      else if (key.startsWith("Arrow") && !onButton) arrow(key, e.shiftKey);
      else if (key === "j") merge();
      else if (key === "c") copy();
      else if (key === "n") snapping.value = !snapping.value;
      else if (key === "t") tracing.value = !tracing.value;
      else if (key === "g") grid.value = !grid.value;
      else if (key === "+" || key === "=") zoom(0.5);
      else if (key === "-") zoom(2);
      else if (key === "0") fitWall();
      else if (key === "?") dialog.value = { kind: "help" };
      else if (key === "/") {
        panel.value = "list";
        sheetOpen.value = true;
        setTimeout(() => document.querySelector(".list input[type=search]")?.focus(), 30);
      } else if (KEYS[key]) tool.value = KEYS[key];
      else return;
      e.preventDefault();
    };
    document.addEventListener("keydown", onKey);
    return () => document.removeEventListener("keydown", onKey);
  }, []);
}

/** On to the classes of what was drawn; the digits go through them to the depth. */
const CLASSIFY_MS = 8000;
function classify() {
  panel.value = "record";
  sheetOpen.value = true;
  // a busy page draws the form a little later; whoever has gone on meanwhile is left in peace
  const end = performance.now() + CLASSIFY_MS;
  const go = () =>
    setTimeout(() => {
      if (panel.value === "record" && performance.now() < end && !toClasses()) go();
    }, 30);
  go();
}

const zoom = (factor) =>
  map.getView().animate({ resolution: map.getView().getResolution() * factor, duration: 160 });
function arrow(key, far) {
  const [dx, dy] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[
    key
  ];
  if (isDrawing()) moveCursor(dx, dy, far);
  else if (hasCorner()) nudgeCorner(dx, dy, far);
  else {
    const view = map.getView();
    const step = view.getResolution() * (far ? 300 : 90);
    const [x, y] = view.getCenter();
    view.setCenter([x + dx * step, y + dy * step]);
  }
}
export { select };
