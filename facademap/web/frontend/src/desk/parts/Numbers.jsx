// Several measures in a row, each with a key pad of its own; a list pasted into one fills the ones after it.
import { t } from "../words/texts.js";

const parts = (text) =>
  text
    .trim()
    .split(/[\s;]+/)
    .filter(Boolean);

/** `texts` are what is typed so far; `labels` say what each box is for; with `grow`, one more box comes when the last is filled. */
export function Numbers({ name, texts, unit, labels = [], grow = false, onChange }) {
  const boxes = grow && texts.length < 12 && texts.every((x) => x.trim()) ? [...texts, ""] : texts;
  const put = (i, text) => {
    const typed = /[\s;]/.test(text.trim()) ? parts(text) : [text];
    const next = boxes.slice();
    typed.forEach((one, k) => {
      if (i + k < next.length || grow) next[i + k] = one;
    });
    onChange(next);
  };
  return (
    <span class="numbers" role="group" aria-label={name}>
      {boxes.map((text, i) => (
        <input
          key={i}
          inputMode="decimal"
          aria-label={boxes.length > 1 ? t("number.of", { name, n: labels[i] ?? i + 1 }) : name}
          placeholder={labels[i] ?? ""}
          value={text}
          onInput={(e) => put(i, e.currentTarget.value)}
          onKeyDown={(e) => e.stopPropagation()}
        />
      ))}
      <span class="unit" aria-hidden="true">
        {unit}
      </span>
    </span>
  );
}
