// What was just done, with the way back; what went wrong stays longer.
import { useEffect } from "preact/hooks";
import { notice, undo } from "../data/edits.js";
import { t } from "../words/texts.js";

const SHOWN_MS = { good: 4200, bad: 7000, act: 9000, told: 20_000 };
const timeOf = (/** @type {NonNullable<typeof notice.value>} */ now) =>
  SHOWN_MS[now.bad && now.undo ? "told" : now.bad ? "bad" : now.act ? "act" : "good"];

export function Notice() {
  const now = notice.value;
  useEffect(() => {
    if (!now) return undefined;
    const timer = setTimeout(() => {
      notice.value = null;
    }, timeOf(now));
    return () => clearTimeout(timer);
  }, [now]);
  if (!now) return null;
  const act = () => {
    notice.value = null;
    now.onAct?.();
  };
  return (
    <div class={`notice ${now.bad ? "bad" : ""}`} role={now.bad ? "alert" : "status"}>
      <span>{now.text}</span>
      {now.undo && (
        <button type="button" onClick={() => void undo()}>
          {t("tool.undo")}
        </button>
      )}
      {now.act && (
        <button type="button" onClick={act}>
          {now.act}
        </button>
      )}
    </div>
  );
}
