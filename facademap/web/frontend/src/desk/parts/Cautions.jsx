import { t } from "../words/texts.js";

/** @param {{ list?: string[] | null, open?: boolean }} props */
export function Cautions({ list, open = false }) {
  if (!list?.length) return null;
  return (
    <details class="cautions" open={open}>
      <summary>{t("cautions", { n: list.length })}</summary>
      <ul>
        {list.map((c) => (
          <li key={c}>{c}</li>
        ))}
      </ul>
    </details>
  );
}
