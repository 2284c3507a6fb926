// The edge between wall and sheet, drawn by pointer or moved by the arrow keys: a wide sheet shows the whole table.
import { sheetWidth } from "../data/settings.js";
import { t } from "../words/texts.js";

const [LEAST, MOST, STEP] = [320, 900, 40];
const most = () => Math.min(MOST, innerWidth - 420);
/** @type {Record<string, number>} */
const TURNS = { ArrowLeft: STEP, ArrowRight: -STEP };
const set = (/** @type {number} */ px) => {
  sheetWidth.value = Math.round(Math.max(LEAST, Math.min(most(), px)));
};

export function SheetEdge() {
  const pull = (/** @type {PointerEvent} */ e) => {
    if (e.buttons) set(innerWidth - e.clientX);
  };
  const key = (/** @type {KeyboardEvent} */ e) => {
    const turn = TURNS[e.key];
    if (!turn) return;
    set(sheetWidth.value + turn);
    e.preventDefault();
    e.stopPropagation();
  };
  return (
    <div
      class="sheet-edge"
      role="separator"
      tabIndex={0}
      aria-orientation="vertical"
      aria-label={t("sheet.width")}
      aria-valuemin={LEAST}
      aria-valuemax={MOST}
      aria-valuenow={sheetWidth.value}
      title={t("sheet.width")}
      onPointerDown={(e) => e.currentTarget.setPointerCapture(e.pointerId)}
      onPointerMove={pull}
      onDblClick={() => set(sheetWidth.value > 500 ? 376 : 640)}
      onKeyDown={key}
    />
  );
}
