// Nearer, farther, the whole wall: for whoever has no wheel.
import { Glyph } from "../parts/Glyph.jsx";
import { fitWall, zoomBy } from "../wall/wall.js";
import { t } from "../words/texts.js";

/** @type {[string, string, string, () => unknown][]} */
const BUTTONS = [
  ["zoom.in", "plus", "+", () => zoomBy(0.5)],
  ["zoom.out", "minus", "−", () => zoomBy(2)],
  ["zoom.wall", "whole", "0", fitWall],
];

export function ZoomButtons() {
  return (
    <div class="zoom" role="group" aria-label={t("zoom")}>
      {BUTTONS.map(([text, glyph, key, act]) => (
        <button type="button" key={text} title={`${t(text)} (${key})`} onClick={act}>
          <Glyph name={glyph} />
          <span class="visually-hidden">{t(text)}</span>
        </button>
      ))}
    </div>
  );
}
