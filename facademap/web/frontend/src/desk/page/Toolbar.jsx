// The tools of a workplace, what is drawn with them, and the switches that all of them follow.

import { readsHere } from "../data/reviewer.js";
import { grid, snapping, togetherOn, tracing } from "../data/settings.js";
import { drawTable, place, tool } from "../data/view.js";
import { keyOf, toolsNow } from "../drawing/actions.js";
import { takeTool } from "../drawing/places.js";
import { Glyph } from "../parts/Glyph.jsx";
import { t } from "../words/texts.js";

/** @type {[string, Signal<boolean>, string][]} */
const SWITCHES = [
  ["snap", snapping, "N"],
  ["trace", tracing, "T"],
  ["together.on", togetherOn, "Y"],
  ["grid", grid, "G"],
];

function Draws() {
  return (
    <div class="draws">
      <span aria-hidden="true">{t("draw.as")}</span>
      <select
        aria-label={t("draw.as")}
        value={drawTable.value}
        onChange={(e) => {
          drawTable.value = /** @type {TableName} */ (e.currentTarget.value);
        }}
      >
        {["conditions", "wall_stones", "openings"].map((n) => (
          <option key={n} value={n}>
            {t(`table.${n}`)}
          </option>
        ))}
      </select>
    </div>
  );
}

export function Toolbar() {
  const draws = place.value === "survey" && !readsHere();
  // where nothing is drawn there is only measuring
  const of = readsHere() ? ["grid"] : place.value === "record" ? ["snap", "grid"] : null;
  return (
    <div class="tools" role="toolbar" aria-label={t("tools")}>
      {toolsNow().map((n) => (
        <button
          type="button"
          key={n}
          aria-pressed={tool.value === n}
          title={`${t(`tool.${n}`)} (${keyOf(n)})`}
          onClick={() => takeTool(n)}
        >
          <Glyph name={n} />
          <span>{t(`tool.${n}`)}</span>
          <kbd aria-hidden="true">{keyOf(n)}</kbd>
        </button>
      ))}
      {draws && <Draws />}
      <div class="switches">
        {SWITCHES.filter(([n]) => of?.includes(n) ?? true).map(([n, on, key]) => (
          <button
            type="button"
            key={n}
            aria-pressed={on.value}
            title={`${t(n)} (${key})`}
            onClick={() => {
              on.value = !on.value;
            }}
          >
            {t(n)}
          </button>
        ))}
      </div>
    </div>
  );
}
