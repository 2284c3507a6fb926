// The sheet of paper beside the wall: tabs, and what they show.

import { panel, place, sheetOpen, sheetTall } from "../data/view.js";
import { Glyph } from "../parts/Glyph.jsx";
import { RepairSheet } from "../repairs/Repairs.jsx";
import { Layers } from "../survey/Layers.jsx";
import { List } from "../survey/Lists.jsx";
import { Record } from "../survey/Record.jsx";
import { t } from "../words/texts.js";
import { WorkRecord } from "../work/Work.jsx";
import { Missing } from "./Missing.jsx";
import { SheetEdge } from "./SheetEdge.jsx";

/** @type {Record<string, string[]>} */
const TABS = {
  survey: ["record", "list", "missing", "layers"],
  repairs: ["repair", "list", "missing", "layers"],
  record: ["work", "list"],
};

/**
 * Tabs as a screen reader expects them: one stop, arrows from one to the next.
 * @param {KeyboardEvent} e
 * @param {string[]} tabs
 * @param {string} now
 */
function alongTabs(e, tabs, now) {
  const at = tabs.indexOf(now);
  const n = tabs.length;
  /** @type {Record<string, number>} */
  const steps = { ArrowRight: (at + 1) % n, ArrowLeft: (at - 1 + n) % n, Home: 0, End: n - 1 };
  const next = tabs[steps[e.key]];
  if (!next) return;
  panel.value = next;
  document.getElementById(`tab-${next}`)?.focus();
  e.preventDefault();
  e.stopPropagation();
}

export function Sheet() {
  const tabs = TABS[place.value] ?? TABS.record;
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
