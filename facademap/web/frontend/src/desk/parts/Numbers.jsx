// Several measures in a row, each with a key pad of its own; a list pasted into one fills the ones after it. What is no
// measure is refused where it stands.
import { useState } from "preact/hooks";
import { listOf } from "../geometry/measures.js";
import { t } from "../words/texts.js";

/**
 * What was typed letter by letter is never a list: `2 3/8 in` is on its way.
 * @param {string} before
 * @param {string} after
 */
const isPasted = (before, after) => after.length > before.length + 1;

/**
 * `texts` are what is typed so far; `labels` say what each box is for; with `grow`, one more box comes when the last is
 * filled. `check` says in words what is wrong with a text.
 * @param {{
 *   name: string, texts: string[], unit: string, labels?: string[], grow?: boolean,
 *   check: (text: string) => string, onChange: (texts: string[]) => void,
 * }} props
 */
export function Numbers({ name, texts, unit, labels = [], grow = false, check, onChange }) {
  const [left, setLeft] = useState(-1);
  const boxes = grow && texts.length < 12 && texts.every((x) => x.trim()) ? [...texts, ""] : texts;
  const put = (/** @type {number} */ i, /** @type {string} */ text) => {
    const typed = (isPasted(boxes[i], text) && listOf(text)) || [text];
    const next = boxes.slice();
    typed.forEach((one, k) => {
      if (i + k < next.length || grow) next[i + k] = one;
    });
    onChange(next);
  };
  const wrong = (/** @type {number} */ i) => (i <= left ? check(boxes[i] ?? "") : "");
  const fault = boxes.map((_, i) => wrong(i)).find(Boolean);
  const told = `${name}-fault`.replaceAll(" ", "-");
  return (
    <>
      <span class="numbers" role="group" aria-label={name}>
        {boxes.map((text, i) => (
          <input
            key={i}
            inputMode="decimal"
            aria-label={boxes.length > 1 ? t("number.of", { name, n: labels[i] || i + 1 }) : name}
            aria-invalid={wrong(i) ? "true" : undefined}
            aria-describedby={wrong(i) ? told : undefined}
            placeholder={labels[i] ?? ""}
            value={text}
            onInput={(e) => put(i, e.currentTarget.value)}
            onBlur={() => setLeft(Math.max(left, i))}
            onKeyDown={(e) => e.stopPropagation()}
          />
        ))}
        <span class="unit" aria-hidden="true">
          {unit}
        </span>
      </span>
      {fault && (
        <span class="fault" id={told} role="alert">
          {fault}
        </span>
      )}
    </>
  );
}
