// The edge between two pictures or two surveys: a line on the wall with a grip, and what lies on each side of it.
import { entryOf, surface } from "../data/data.js";
import { swipe } from "../data/view.js";
import { t } from "../words/texts.js";
import { map } from "./wall.js";

function move(/** @type {number} */ at) {
  if (swipe.value) swipe.value = { ...swipe.value, at: Math.max(0, Math.min(1, at)) };
  map.render();
}

/** What is seen on one side, in words. */
function sideOf(/** @type {Compared} */ { with: other, surveys, relief }, /** @type {0 | 1} */ i) {
  const picture = other && entryOf("surfaces", i ? other : surface.value)?.row.name;
  const photo = i === 0 && relief && !picture && t("layer.picture");
  return [
    picture,
    photo,
    i === 1 && relief && t("relief"),
    surveys && t("survey.of", { name: surveys[i] }),
  ]
    .filter(Boolean)
    .join(" · ");
}

export function Swipe() {
  const compared = swipe.value;
  if (!compared) return null;
  const { at } = compared;
  const pull = (/** @type {import("preact").TargetedPointerEvent<HTMLElement>} */ e) => {
    const box = e.currentTarget.parentElement?.getBoundingClientRect();
    if (e.buttons && box) move((e.clientX - box.left) / box.width);
  };
  return (
    <div class="swipe">
      <input
        class="visually-hidden"
        type="range"
        min="0"
        max="1"
        step="0.005"
        aria-label={t("compare.edge")}
        value={at}
        onInput={(e) => move(Number(e.currentTarget.value))}
        onKeyDown={(e) => e.stopPropagation()}
      />
      <span class="side left" style={{ right: `${(1 - at) * 100}%` }}>
        {sideOf(compared, 0)}
      </span>
      <span class="side right" style={{ left: `${at * 100}%` }}>
        {sideOf(compared, 1)}
      </span>
      <div
        class="grip"
        aria-hidden="true"
        style={{ left: `${at * 100}%` }}
        onPointerDown={(e) => e.currentTarget.setPointerCapture(e.pointerId)}
        onPointerMove={pull}
      >
        <i />
      </div>
    </div>
  );
}
