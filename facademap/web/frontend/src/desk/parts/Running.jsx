// What the server works on while this page waits, with a way to stop it.
import { isReviewer } from "../data/reviewer.js";
import { running, stopRunning } from "../data/running.js";
import { tool } from "../data/view.js";
import { t } from "../words/texts.js";

const STILL = new Set(["select", "box", "lasso", "pan"]);

export function Running() {
  // whoever draws would meet the button with a corner meant for the wall
  if (!running.value.length || isReviewer() || !STILL.has(tool.value)) return null;
  return (
    <ul class="running" aria-label={t("running")}>
      {running.value.map((r) => (
        <li key={r.id}>
          <span>
            {t(`running.${r.task}`)} … {t("seconds", { n: Math.round(r.seconds) })}
          </span>
          <button type="button" onClick={() => void stopRunning(r.id)}>
            {t("job.stop")}
          </button>
        </li>
      ))}
    </ul>
  );
}
