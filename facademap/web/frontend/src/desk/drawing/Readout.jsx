// What is measured and what can be done, over the lower edge of the wall.

import { area, feetInches, length, units } from "../data/settings.js";
import { live, place, pointer, selection, sketching, tool } from "../data/view.js";
import { t } from "../words/texts.js";
import { thinking } from "./assist.js";
import { corner } from "./corners.js";
import { unnamed } from "./rows.js";
import { Section } from "./Section.jsx";

function hintNow() {
  if (thinking.value) return t("thinking");
  if (unnamed.value.length) return t("hint.unnamed");
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

export function Readout() {
  const now = live.value;
  const at = pointer.value;
  const one = (/** @type {number} */ m) =>
    units.value === "in" ? feetInches(m) : `${m.toFixed(3)} m`;
  return (
    <div class="readout">
      <Section />
      {now?.crosses && (
        <p class="crosses" role="alert">
          {t("sketch.crosses")}
        </p>
      )}
      <p class="hint">{hintNow()}</p>
      {now && (
        <p class="live" role="status">
          {now.area !== undefined && <strong>{now.crosses ? "–" : area(now.area)}</strong>}
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
